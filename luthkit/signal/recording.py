"""Recordings: sound files read exactly as they are, whole or in blocks.

Nothing here resamples, normalises or drops a channel, and nothing writes to a recording.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np


@dataclass(frozen=True, eq=False)
class Recording:
    """A mono or stereo recording, on disk or in memory.

    `read` returns float64 of shape (n_samples, n_channels), full scale = 1.0; integer files are scaled by a
    power of two only, so that every sample is exact.
    """

    name: str  # what the maker calls it: the path as given, relative to the folder that was named
    sample_rate_hz: int
    n_samples: int
    n_channels: int
    encoding: str  # e.g. "PCM_24", "FLOAT", "memory"
    sha256: str  # of the file's bytes; of the samples' bytes when in memory
    path: Path | None = None
    _samples: np.ndarray | None = None
