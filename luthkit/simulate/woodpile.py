"""The wood of the invented workshop: a plate that is tapped, and pieces whose pitches were written down. Synthetic."""

from __future__ import annotations

from dataclasses import asdict
from math import pi

import numpy as np
from scipy.signal import fftconvolve

from ..wood.bars import Bar, bending_frequencies_hz
from ..wood.moisture import equilibrium_moisture_percent, stiffness_factor
from ..wood.plates import Plate, Stiffness, plate_modes
from .bench import force_pulse, in_band_rms
from .body import Body
from .planks import PLACES, plate_body, shares_of
from .recipe import SEED

FOLDER = "stock"
SAMPLE_RATE_HZ = 22_050
N_TAPS, GAP_S, SNR_DB = 5, 1.5, 40.0
RING_S = 8.0  # the lowest bending rings for seconds: each tap falls into what is left of those before
PLATE = Plate(length_m=0.550, width_m=0.200, thickness_m=0.00300, mass_kg=0.1392)
SPRUCE = Stiffness(along_pa=12.4e9, across_pa=0.86e9, shear_pa=0.79e9, poisson_ratio=0.38)
LOSS_FACTORS = (0.0072, 0.0205, 0.0163)
EARLIER = {"relative_humidity_percent": 58, "mass_kg": 0.1408, "date": "2023-04-14"}  # of the same plate
LATER = {"relative_humidity_percent": 47, "date": "2024-03-11"}


def wood_truth() -> dict:
    """What is true of the tapped plate, at its moisture on the later day, for truth.json."""
    return {"plate": asdict(PLATE), "stiffness": asdict(SPRUCE), "loss_factors": LOSS_FACTORS}


def wood_body() -> Body:
    """The tapped plate."""
    return plate_body(PLATE, SPRUCE, LOSS_FACTORS, rng=np.random.default_rng([SEED, 31]))


def wood_sounds() -> dict:
    """Name of each sound file -> a function that makes (samples, what is true of it)."""
    return {f"{FOLDER}/spruce_31/{place}.flac": lambda p=place: _taps(p) for place in PLACES}


def _taps(place: str):
    """Five taps at one place of the plate, in a dead room."""
    body, number = wood_body(), list(PLACES).index(place)
    rng = np.random.default_rng([SEED, 31, number])
    dry = body.impulse_response(RING_S, SAMPLE_RATE_HZ, number)
    first = fftconvolve(dry, force_pulse(0.8e-3, SAMPLE_RATE_HZ))
    gain = 0.25 / np.abs(first).max()
    onsets = 0.6 + np.cumsum([0.0, *rng.uniform(GAP_S, GAP_S + 0.2, N_TAPS - 1)])
    samples = np.zeros(round((onsets[-1] + GAP_S) * SAMPLE_RATE_HZ))
    for onset in onsets:
        blow = fftconvolve(dry, force_pulse(rng.uniform(0.6e-3, 1.0e-3), SAMPLE_RATE_HZ))
        start = round(onset * SAMPLE_RATE_HZ)
        part = samples[start : start + len(blow)]
        part += gain * 10 ** (rng.uniform(-3, 3) / 20) * blow[: len(part)]
    rms = gain * in_band_rms(first[: round(0.25 * SAMPLE_RATE_HZ)], SAMPLE_RATE_HZ, (30.0, 1000.0))
    hiss = rng.standard_normal(len(samples))
    hiss *= rms * 10 ** (-SNR_DB / 20) / in_band_rms(hiss, SAMPLE_RATE_HZ, (30.0, 1000.0))
    told = {"onsets_s": [float(f"{round(t * SAMPLE_RATE_HZ) / SAMPLE_RATE_HZ:.7g}") for t in onsets], "spoilt": {}}
    return samples + hiss, told


def wood_texts() -> dict[str, str]:
    """Name of each text file -> its text."""
    return {
        f"{FOLDER}/spruce_31.toml": _spruce_text(),
        f"{FOLDER}/maple_12.toml": _maple_text(),
        f"{FOLDER}/mahogany_4.toml": _mahogany_text(),
    }


HEAD = "# SYNTHETIC: this piece of wood is invented, its pitches and sounds are made by a computer.\n"


def _spruce_text() -> str:
    thinner = Plate(PLATE.length_m, PLATE.width_m, PLATE.thickness_m, EARLIER["mass_kg"])
    found = plate_modes(thinner, _at_humidity(EARLIER["relative_humidity_percent"]), n_modes=8)
    return f"""{HEAD}
name = "Spruce 31"
species = "Sitka spruce"
use = "top"
source = "invented"
place = "rack 2, third shelf"
bought = 2021-06-05
grain_lines_per_cm = 8
run_out_degrees = 1
sawn = "quarter"
hardness_n = 1700
hardness_method = "ball of 11.28 mm pressed in by half, on an offcut"

[[measured]]
date = {EARLIER["date"]}
length_mm = 550
width_mm = 200.5
thickness_mm = [3.02, 3.00, 3.01, 2.99, 3.00, 3.02]
mass_g = 140.8
temperature_c = 20
relative_humidity_percent = {EARLIER["relative_humidity_percent"]}
modes_hz = {_list(found.frequency_hz)}
q_factors = {_qualities(found)}

[[measured]]
date = {LATER["date"]}
length_mm = 550
width_mm = 200
thickness_mm = [3.01, 3.00, 3.00, 2.98, 3.00, 3.02]
mass_g = 139.2
temperature_c = 20
relative_humidity_percent = {LATER["relative_humidity_percent"]}
taps = "spruce_31"
"""


def _at_humidity(relative_humidity_percent: float) -> Stiffness:
    """The spruce in another climate; it answers to moisture a little more than the middle of its species."""
    dry, wet = (
        equilibrium_moisture_percent(temperature_c=20, relative_humidity_percent=humidity)
        for humidity in (LATER["relative_humidity_percent"], relative_humidity_percent)
    )
    along, across = (stiffness_factor(from_percent=dry, to_percent=wet, slope=slope) for slope in (-0.018, -0.034))
    return Stiffness(SPRUCE.along_pa * along, SPRUCE.across_pa * across, SPRUCE.shear_pa * across, SPRUCE.poisson_ratio)


def _maple_text() -> str:
    plate = Plate(length_m=0.540, width_m=0.205, thickness_m=0.0030, mass_kg=0.2258)
    wood = Stiffness(along_pa=12.9e9, across_pa=1.71e9, shear_pa=1.38e9, poisson_ratio=0.42)
    found = plate_modes(plate, wood, n_modes=7)
    return f"""{HEAD}
name = "Maple 12"
species = "sugar maple"
use = "back"
source = "invented"
set = "12"
sawn = "quarter"
grain_lines_per_cm = 6

[[measured]]
date = 2024-02-20
length_mm = 540
width_mm = 205
thickness_mm = [3.00, 3.02, 2.98, 3.01]
mass_g = 225.8
moisture_percent = 8.8
modes_hz = {_list(found.frequency_hz)}
q_factors = {_qualities(found, (0.011, 0.024, 0.019))}
"""


def _mahogany_text() -> str:
    bar = Bar(length_m=0.400, width_m=0.030, thickness_m=0.006, mass_kg=0.0371)
    air = 1.2 * pi / 4 * bar.width_m / (bar.density_kg_m3 * bar.thickness_m)
    found = bending_frequencies_hz(bar, modulus_pa=10.9e9, modulus_ratio=14.0, n_modes=3) / np.sqrt(1 + air)
    return f"""{HEAD}
name = "Mahogany 4"
species = "mahogany"
use = "brace"
source = "invented"
place = "offcuts"

[[measured]]
date = 2024-02-20
length_mm = 400
width_mm = 30
thickness_mm = [6.00, 6.02, 5.99]
mass_g = 37.1
width_mm_u = 0.05
relative_humidity_percent = 49
modes_hz = {_list(found)}
q_factors = [105, 98, 90]
"""


def _list(values) -> str:
    return "[" + ", ".join(f"{value:.2f}" for value in values) + "]"


def _qualities(modes, loss_factors=LOSS_FACTORS) -> str:
    return "[" + ", ".join(f"{1 / loss:.0f}" for loss in shares_of(modes) @ np.asarray(loss_factors)) + "]"
