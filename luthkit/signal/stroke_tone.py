"""What one stroke sounds like in numbers: brightness, balance, level, attack and decay."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .._frozen import frozen_array
from ..errors import LuthkitError
from .bands import BandLevels, third_octaves
from .decay import Decay, decay_time
from .strokes import Stroke
from .tone import CentroidTrack, centroid_track

LEVEL_S = 2.0  # the stretch whose levels are compared; a shorter stroke has its own
BALANCE_HZ = (  # middles of the third octaves at both ends of each group
    ("80 to 250 Hz", 80, 200),
    ("250 to 500 Hz", 250, 400),
    ("500 to 1000 Hz", 500, 800),
    ("1 to 4 kHz", 1000, 3150),
    ("4 to 10 kHz", 4000, 8000),
)
_OVER_NOISE_DB = 6.0
_RINGING_DB = 15.0  # what sounded before must lie so far below, or it is heard in the reading


@dataclass(frozen=True, eq=False)
class StrokeTone:
    """The tone of one stroke. Levels are uncalibrated; compare `balance_db` and `relative_db`, freed of loudness."""

    source: str
    time_s: float
    kind: str  # "strum" or "pluck"
    centroid: CentroidTrack  # weighted by amplitude
    centroid_by_power: CentroidTrack
    bands: BandLevels  # of the first 2 s
    relative_db: np.ndarray  # (n_bands,) against the whole; NaN where the noise of the room hides the band
    attack_s: float  # from 10 to 90 % of the loudest moment
    decay_early: Decay  # EDT: the first 10 dB
    decay_late: Decay  # T20: from 5 to 25 dB down
    notes: tuple[str, ...] = ()

    @property
    def balance_db(self) -> dict[str, float]:
        """Level of a few wide bands against the whole, by name; NaN where noise hides one."""
        balance = {}
        for name, low, high in BALANCE_HZ:
            inside = (self.bands.mid_hz > low * 0.95) & (self.bands.mid_hz < high * 1.05)
            power = 10 ** (self.relative_db[inside] / 10)
            heard = np.isfinite(power)
            balance[name] = float(10 * np.log10(power[heard].sum())) if heard.any() else float("nan")
        return balance

    @property
    def a_weighted_db(self) -> float:
        """Level after A-weighting against the level without: how much of the sound lies where ears are keen."""
        return self.bands.a_weighted_db - self.bands.whole_db


def read_stroke(stroke: Stroke) -> StrokeTone:
    """Read the tone of one stroke.

    The centroid is the mean from 0.2 to 1.2 s after the onset; levels are those of the first 2 s; the decays
    those of ISO 3382-1 for the whole sound, each with a reason where it cannot be had. The attack is read from
    the energy in steps of 1 ms, smoothed over 25 ms, two periods of the lowest string.

    Raises `LuthkitError` when nothing of the stroke stands over the noise.
    """
    rate = stroke.sample_rate_hz
    x = stroke.after_onset()
    noise = stroke.noise.mean(axis=1)
    noise = noise - noise.mean()
    tracks = [centroid_track(x, rate, weighting=weighting, noise=noise) for weighting in ("amplitude", "power")]
    bands = third_octaves(x[: round(LEVEL_S * rate)], rate)
    relative = bands.level_db - bands.whole_db
    notes = []
    if noise.size >= 0.1 * rate and np.any(noise):
        hidden = bands.level_db < third_octaves(noise, rate).level_db + _OVER_NOISE_DB
        relative = np.where(hidden, np.nan, relative)
    if stroke.over_before_db < _RINGING_DB:
        notes.append(
            f"what rang before lies less than {_RINGING_DB:g} dB lower and is heard with it; "
            "let the strings fall silent between strokes"
        )
    if stroke.length_s < LEVEL_S:
        notes.append(f"shorter than {LEVEL_S:g} s, the stretch from which levels are read otherwise")
    whole = stroke.samples.mean(axis=1)
    early, late = (decay_time(whole, rate, name, onset_s=stroke.onset_s) for name in ("EDT", "T20"))
    return StrokeTone(
        source=stroke.source,
        time_s=stroke.time_s,
        kind=stroke.kind,
        centroid=tracks[0],
        centroid_by_power=tracks[1],
        bands=bands,
        relative_db=frozen_array(relative),
        attack_s=_attack_s(x, rate),
        decay_early=early,
        decay_late=late,
        notes=tuple(notes),
    )


def _attack_s(x, rate) -> float:
    """Rise of the amplitude from 10 to 90 % of its crest in the first half second."""
    hop = max(1, round(0.001 * rate))
    part = x[: round(0.5 * rate) // hop * hop]
    if part.size < 50 * hop:
        raise LuthkitError("A stroke shorter than 50 ms has no attack to read.")
    energy = np.mean(part.reshape(-1, hop) ** 2, axis=1)
    amplitude = np.sqrt(np.convolve(energy, np.ones(25) / 25)[: energy.size])
    crest = int(np.argmax(amplitude))
    rising = amplitude[: crest + 1] / amplitude[crest]
    low, high = int(np.argmax(rising >= 0.1)), int(np.argmax(rising >= 0.9))
    return (high - low) / 1000
