"""Taps: onsets found in recordings, cut with the noise before them, kept or rejected with a reason."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True, eq=False)
class Tap:
    """One accepted tap: samples from `onset_s` before the onset (that stretch is room noise) to the end of the cut."""

    samples: np.ndarray  # (n_samples, n_channels), read-only float64, full scale = 1.0
    sample_rate_hz: int
    onset_s: float  # from the first sample of the cut to the onset
    time_s: float  # onset in the recording
    source: str  # Recording.name
    position: str = ""  # where it was struck, e.g. "bridge centre"; "" when nobody said
    placement: str = ""  # taps between two re-placements of guitar and microphone share one name
    snr_db: float = float("nan")  # level of the first 0.25 s over the noise before the tap, 60 to 1000 Hz


@dataclass(frozen=True)
class Rejection:
    """A tap, or a whole file (`time_s` is None), that was left out, with the reason in the maker's words."""

    source: str
    time_s: float | None
    reason: str


@dataclass(frozen=True, eq=False)
class TapSet:
    """Accepted taps of one instrument, in the order of the recordings, and the rejected ones with reasons."""

    taps: tuple[Tap, ...]
    rejected: tuple[Rejection, ...]
    sources: Mapping[str, str]  # Recording.name -> SHA-256
    parameters: Mapping[str, object]
