"""The ear: cuts takes, stretches of sound in which something was struck, out of a stream of blocks.

It only decides where to cut; whether a take holds a good tap is for `signal.taps` to say, as with files.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from .._frozen import frozen_array
from .._threads import one_thread
from ..signal.onsets import read_envelope, rises
from ..signal.recording import Recording
from .live import Block

BEFORE_S, AFTER_S = 0.5, 1.3  # a take begins and ends so far from its first and last blow
RING_S = 4.0  # the same for strings that ring on (common practice, no source)
LONGEST_S = 4.7  # from the first blow of a take to the last
_LOOK_EVERY_S = 0.2
_EDGE_S = 0.1  # at the start of what is looked at, anything seems to begin
_MIN_RISE_DB, _MIN_OVER_FLOOR_DB = 6.0, 8.0  # as find_taps


@dataclass(frozen=True, eq=False)
class Take:
    """A stretch of sound with one blow or more."""

    samples: np.ndarray  # (n, n_channels), read-only float64, whole steps of 24 bits
    sample_rate_hz: int
    start_s: float  # from the first sample that the ear heard
    lost: bool = False  # sound is missing in it: the system dropped some

    @property
    def peak_db(self) -> float:
        """Largest sample in dB of full scale: 20 log10 max |x|; -inf for silence."""
        peak = np.abs(self.samples).max(initial=0.0)
        return float(20 * np.log10(peak)) if peak > 0 else float("-inf")


class Ear:
    """Hears blocks and gives back takes, each `after_s` after its last blow; that may be changed at any time.

    Blows closer together stay in one take, of at most `LONGEST_S` more. The first tenth of a second is not heard.
    """

    def __init__(self, sample_rate_hz: int):
        self.sample_rate_hz = sample_rate_hz
        self.after_s = AFTER_S
        self.heard = 0  # samples so far
        self.level_db = float("-inf")  # peak of the last block, dB of full scale
        self._pieces: list[np.ndarray] = []
        self._start = 0  # of the first piece
        self._done = 0  # blows before this were taken, or are not wanted
        self._looked = 0
        self._gaps: list[int] = []

    def hear(self, block: Block) -> Iterator[Take]:
        """Takes that end with this block: none, most of the time."""
        if block.lost:
            self._gaps.append(self.heard)
        self._pieces.append(block.samples)
        self.heard += len(block.samples)
        peak = np.abs(block.samples).max(initial=0.0)
        self.level_db = float(20 * np.log10(peak)) if peak > 0 else float("-inf")
        if self.heard - self._looked >= round(_LOOK_EVERY_S * self.sample_rate_hz):
            self._looked = self.heard
            yield from self._look()

    def pause(self, pause_s: float) -> None:
        """Take no notice of what was and will be struck until `pause_s` from now."""
        self._done = max(self._done, self.heard + round(pause_s * self.sample_rate_hz))

    @one_thread
    def _look(self):
        rate = self.sample_rate_hz
        sound = np.concatenate(self._pieces)
        window = Recording("live", rate, len(sound), sound.shape[1], "memory", "", None, sound)
        edge = self._start + round(_EDGE_S * rate)
        found = rises(read_envelope(window), min_rise_db=_MIN_RISE_DB, min_over_floor_db=_MIN_OVER_FLOOR_DB)
        blows = [self._start + rise for rise in found if self._start + rise > max(edge, self._done)]
        keep_from = self.heard - round((BEFORE_S + self.after_s) * rate)
        if blows:
            first, end = blows[0], blows[-1] + round(self.after_s * rate)
            end = min(end, first + round((LONGEST_S + self.after_s) * rate))
            start = max(self._start, first - round(BEFORE_S * rate))
            keep_from = min(keep_from, start)
            if end <= self.heard:
                samples = whole_steps(sound[start - self._start : end - self._start])
                lost = any(start < gap < end for gap in self._gaps)
                self._done = end
                keep_from = end - round((BEFORE_S + _EDGE_S) * rate)
                yield Take(samples, rate, start / rate, lost)
        self._forget(keep_from - round(_EDGE_S * rate))

    def _forget(self, before: int) -> None:
        while self._pieces and self._start + len(self._pieces[0]) <= before:
            self._start += len(self._pieces.pop(0))
        self._gaps = [gap for gap in self._gaps if gap >= self._start]


def whole_steps(samples) -> np.ndarray:
    """Samples brought to the steps of a 24-bit file, round(2^23 x) / 2^23 within -1 and 1 - 2^-23.

    So what is judged is, bit for bit, what is written. Sound of up to 24 bits is not changed at all.
    """
    return frozen_array(np.clip(np.round(np.asarray(samples) * 2.0**23), -(2.0**23), 2.0**23 - 1) / 2.0**23)
