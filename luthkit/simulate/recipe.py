"""The recipe of the invented workshop: its guitars, strings, room, and what is recorded."""

from __future__ import annotations

from dataclasses import dataclass

from .body import AirTopBack
from .strings import String

SEED = 20_240_309
SAMPLE_RATE_HZ = 44_100
MAINS_HZ = 50.0
T60_S = 0.35
DIRECT_TO_REVERBERANT_DB = 15.0
SNR_DB = 40.0  # first 0.25 s of a middling tap at the bridge over the noise of the room, 60 to 1000 Hz
HUM_DB = -45.0  # hum under the same stretch
PULSE_S = (0.5e-3, 1.2e-3)
PULSE_USUAL_S = 0.85e-3
LEVEL_SPREAD_DB = 4.0
TAP_PEAK = 0.25  # of full scale, a middling tap at the bridge
NOTE_PEAK = 0.5  # of full scale, the loudest moment of a strum, were the recorder set as for taps
NOTE_GAIN = 0.7  # it is turned down by so much for strums and plucks
GAP_S = (1.6, 2.0)  # from tap to tap
GOOD_TAPS = 6
PLACEMENTS = ("1", "2")
TAP_POSITIONS = ("bridge centre", "bass wing", "treble wing")
PLUGGED_POSITION = "bridge centre"
PLUCK_S, STRUM_S = 4.2, 4.5
PLUCK_PLACE, PLUCK_ANGLE_DEG, PLUCK_SPREAD_DB = (0.19, 0.21), (35.0, 45.0), 1.0  # no two plucks are alike
E_MAJOR_FRETS = (0, 2, 2, 1, 0, 0)

# round figures for a set of steel strings: the core's diameter and the mass of a metre, windings included
STRINGS = (
    String("E2", 82.41, 0.45e-3, 9.0e-3),
    String("A2", 110.00, 0.42e-3, 6.4e-3),
    String("D3", 146.83, 0.38e-3, 3.8e-3),
    String("G3", 196.00, 0.34e-3, 1.8e-3),
    String("B3", 246.94, 0.40e-3, 0.99e-3),
    String("E4", 329.63, 0.30e-3, 0.55e-3),
)


@dataclass(frozen=True)
class ShopGuitar:
    """An invented guitar: its lowest three modes by `model`, its plate modes by name, the rest by chance."""

    folder: str
    name: str
    date: str
    stage: str
    stage_note: str
    wood: str
    temperature_c: float
    humidity_percent: int
    strings_age_h: int
    model: AirTopBack
    plate_modes: dict[str, tuple[float, float]]  # label -> frequency in Hz, Q
    spoilt: dict[tuple[str, str], str]  # (position, placement) -> what is wrong with one tap
    plugged: bool = False  # whether it is also tapped with the soundhole plugged
    n_strums: int = 8
    n_plucks: int = 3  # of each string

    def takes(self) -> list[tuple[str, str, str, bool]]:
        """File within the folder, position, placement, and whether the hole is plugged, of each recording of taps."""
        places = [("taps", position, False) for position in TAP_POSITIONS]
        places += [("plugged", PLUGGED_POSITION, True)] if self.plugged else []
        return [
            (f"{folder}/{position.replace(' ', '_')}_{placement}.flac", position, placement, plugged)
            for folder, position, plugged in places
            for placement in PLACEMENTS
        ]


GUITARS = (
    ShopGuitar(
        folder="build_seven",
        name="Build Seven",
        date="2024-03-12",
        stage="strung",
        stage_note="day 30",
        wood="spruce top, pear back and sides",
        temperature_c=20.5,
        humidity_percent=48,
        strings_age_h=6,
        model=AirTopBack(
            top_mass_kg=0.056,
            top_stiffness_n_m=6.577e4,
            back_stiffness_n_m=2.9856e5,
            hole_length_m=0.08547,
            top_q=25.6,
            air_q=31.9,
            back_q=30.9,
        ),
        plate_modes={
            "cross dipole": (286.1, 41.8),
            "long dipole": (370.2, 23.5),
            "first cavity": (403.1, 45.6),
        },
        spoilt={
            ("bridge centre", "2"): "clipped",
            ("bass wing", "1"): "double hit",
            ("treble wing", "2"): "too weak",
        },
        plugged=True,
    ),
    ShopGuitar(
        folder="reference_marlpit",
        name="Marlpit",
        date="2024-03-09",
        stage="strung",
        stage_note="old",
        wood="spruce top, cherry back and sides",
        temperature_c=20.0,
        humidity_percent=47,
        strings_age_h=8,
        model=AirTopBack(
            top_stiffness_n_m=5.655e4,
            back_stiffness_n_m=3.0205e5,
            hole_length_m=0.08572,
            top_q=23.2,
            air_q=35.8,
            back_q=31.0,
        ),
        plate_modes={
            "cross dipole": (284.0, 42.0),
            "long dipole": (368.0, 40.0),
            "first cavity": (402.0, 46.0),
        },
        spoilt={("bridge centre", "1"): "clipped", ("bass wing", "2"): "double hit"},
        plugged=True,
    ),
    ShopGuitar(
        folder="reference_quillback",
        name="Quillback",
        date="2024-03-10",
        stage="strung",
        stage_note="old",
        wood="cedar top, walnut back and sides",
        temperature_c=20.5,
        humidity_percent=48,
        strings_age_h=8,
        model=AirTopBack(
            top_mass_kg=0.058,
            back_mass_kg=0.175,
            top_stiffness_n_m=5.812e4,
            back_stiffness_n_m=3.1452e5,
            hole_length_m=0.08286,
            top_q=24.3,
            air_q=36.6,
            back_q=32.0,
        ),
        plate_modes={
            "cross dipole": (290.5, 41.0),
            "long dipole": (374.5, 41.0),
            "first cavity": (405.5, 44.0),
        },
        spoilt={("bridge centre", "2"): "double hit", ("treble wing", "1"): "clipped"},
        n_strums=3,
        n_plucks=1,
    ),
)
