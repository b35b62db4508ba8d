"""Cells: taps of one position, placement and channel, aligned, decimated and averaged for the joint fit of poles.

After the mallet has left, a tap is a sum of decaying sinusoids plus noise. Decimation keeps it one only if no
sample from before that moment enters. The filter used here therefore looks ahead: it is minimum-phase and runs
backwards in time, so that an output sample depends on its own and later input samples, with nearly all weight
on the first millisecond. Poles stay exactly where they are, and the loud start of the sound is not lost.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy.fft import irfft, next_fast_len, rfft, rfftfreq
from scipy.signal import firwin, kaiserord, minimum_phase, upfirdn

from .taps import Tap

SETTLE_S = 0.003  # after the onset: the mallet has left (contact of 0.5 to 2 ms: common practice, no source)


@lru_cache(maxsize=16)
def decimator(sample_rate_hz: int, top_hz: float) -> tuple[int, np.ndarray]:
    """Decimation factor and look-ahead filter (n,) that pass up to `top_hz` and alias nothing below it."""
    factor = max(1, int(sample_rate_hz // (2.8 * top_hz)))
    stop_hz = sample_rate_hz / factor / 2
    n_taps, beta = kaiserord(130.0, (stop_hz - top_hz) / (sample_rate_hz / 2))
    prototype = firwin(n_taps | 1, (top_hz + stop_hz) / 2, window=("kaiser", beta), fs=sample_rate_hz)
    filter_ = minimum_phase(prototype, method="homomorphic", n_fft=2**16)  # half the length, half the dB
    return factor, np.concatenate([filter_, np.zeros(-(len(filter_) - 1) % factor)])


def decimate_ahead(samples: np.ndarray, start: int, n_out: int, factor: int, filter_: np.ndarray) -> np.ndarray:
    """Output m = sum over k of filter[k] samples[start + m factor + k], shape (at most n_out,)."""
    used = samples[start : start + (n_out - 1) * factor + len(filter_)]
    n_out = max(0, (len(used) - len(filter_)) // factor + 1)
    skip = (len(filter_) - 1) // factor
    return upfirdn(filter_[::-1], used, 1, factor)[skip : skip + n_out]


def filter_gain(poles: np.ndarray, sample_rate_hz: float, filter_: np.ndarray) -> np.ndarray:
    """Complex gain of the look-ahead filter for exp(pole t), shape like `poles`."""
    steps = np.exp(np.asarray(poles)[:, None] / sample_rate_hz * np.arange(len(filter_)))
    return steps @ filter_


@dataclass(frozen=True, eq=False)
class Cell:
    """Taps that differ only in strength and noise, and their matched average.

    `taps` (n_taps, n) decimated, starting at `start_s` after the onset; `gains` (n_taps,) their strengths against
    the average; `before` (n_taps, n_before) decimated noise before the taps; `mean` (n,).
    """

    position: str
    placement: str
    channel: int
    sample_rate_hz: float  # after decimation
    start_s: float
    taps: np.ndarray
    gains: np.ndarray
    before: np.ndarray
    lead: np.ndarray  # (n_lead,) the average before `start_s`, from where the filter first feels the onset
    source_rate_hz: int
    filter_: np.ndarray

    @property
    def n(self) -> int:
        return self.taps.shape[1]

    @property
    def time_s(self) -> np.ndarray:
        """Time after the onset, (n,)."""
        return self.start_s + np.arange(self.n) / self.sample_rate_hz

    @property
    def mean(self) -> np.ndarray:
        return average(self.taps, self.gains)

    def without(self, k: int) -> np.ndarray:
        """The average with tap `k` left out."""
        keep = np.arange(len(self.gains)) != k
        return average(self.taps[keep], self.gains[keep])


def average(taps: np.ndarray, gains: np.ndarray) -> np.ndarray:
    """Matched average: sum of gain x tap over sum of gain squared."""
    return gains @ taps / np.sum(gains**2)


def make_cells(taps: Sequence[Tap], *, top_hz: float = 1000.0, length_s: float = 1.2) -> list[Cell]:
    """Group taps by position, placement, channel and sample rate, align and decimate each group."""
    groups: dict[tuple, list[Tap]] = {}
    for tap in taps:
        for channel in np.flatnonzero(np.any(tap.samples, axis=0)):  # a silent one tells nothing
            groups.setdefault((tap.position, tap.placement, int(channel), tap.sample_rate_hz), []).append(tap)
    return [_make_cell(key, group, top_hz, length_s) for key, group in groups.items()]


def _make_cell(key, group: list[Tap], top_hz: float, length_s: float) -> Cell:
    position, placement, channel, rate = key
    factor, filter_ = decimator(rate, top_hz)
    sounds = [tap.samples[:, channel] for tap in group]
    offsets = np.array([_offset(tap, channel) for tap in group])[:, None] * np.sum(filter_)

    def decimated(starts, n_out: int) -> np.ndarray:
        rows = [decimate_ahead(x, int(s), n_out, factor, filter_) for x, s in zip(sounds, starts, strict=True)]
        return np.array(rows) - offsets

    onsets = np.array([tap.onset_s for tap in group]) * rate
    lags = _lags(sounds, onsets, rate, top_hz)
    settle = int(np.ceil(SETTLE_S * rate + np.max(np.abs(lags))))
    starts = np.ceil(onsets + lags).astype(int) + settle
    available = min(len(x) - s for x, s in zip(sounds, starts, strict=True))
    n_out = min(int(length_s * rate), available - len(filter_)) // factor
    cut = decimated(starts, n_out)
    n_lead = min(settle + len(filter_), *starts) // factor
    leads = decimated(starts - n_lead * factor, n_lead)
    n_before = int(np.min(onsets) - 0.002 * rate - len(filter_)) // factor
    before = np.zeros((len(group), 0))
    if n_before > 8:
        last = onsets - 0.002 * rate
        before = decimated(last.astype(int) - len(filter_) - (n_before - 1) * factor, n_before)
    early = cut[:, : int(0.25 * rate / factor)]
    _, _, vt = np.linalg.svd(early, full_matrices=False)
    gains = early @ vt[0]
    gains = gains * np.sign(np.sum(gains))
    gains = gains / np.sqrt(np.mean(gains**2))
    return Cell(
        position=position,
        placement=placement,
        channel=channel,
        sample_rate_hz=rate / factor,
        start_s=settle / rate,
        taps=cut,
        gains=gains,
        before=before,
        lead=average(leads, gains),
        source_rate_hz=rate,
        filter_=filter_,
    )


def _offset(tap: Tap, channel: int) -> float:
    """DC offset, from the stretch before the tap where there is one."""
    n = int(0.8 * tap.onset_s * tap.sample_rate_hz)
    return float(np.mean(tap.samples[:n, channel])) if n > 100 else 0.0


def _lags(sounds, onsets, rate: int, top_hz: float) -> np.ndarray:
    """Shifts in samples that line the taps up with the strongest one (pulses of different length start alike)."""
    n = int(0.06 * rate)
    size = next_fast_len(2 * n, real=True)
    frequency = rfftfreq(size, 1 / rate)
    band = (frequency > 60) & (frequency < top_hz)
    spectra = []
    for x, onset in zip(sounds, onsets, strict=True):
        start = max(0, int(np.ceil(onset)) - int(0.002 * rate))
        piece = x[start : start + n]
        spectra.append(rfft(piece - np.mean(piece), size) * band)
    reach = int(0.0015 * rate)
    target = max(spectra, key=lambda s: np.sum(np.abs(s) ** 2))
    lags = np.zeros(len(sounds))
    for _ in range(2):
        for k, spectrum in enumerate(spectra):
            correlation = irfft(spectrum * np.conj(target), size)
            near = np.concatenate([correlation[-reach:], correlation[: reach + 1]])
            lags[k] = np.argmax(near) - reach
        shift = np.exp(2j * np.pi * frequency[None] * lags[:, None] / rate)
        target = np.sum(np.array(spectra) * shift, axis=0)
    return lags - np.median(lags)
