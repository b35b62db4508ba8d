"""Levels in third octaves (IEC 61260-1) and after A-weighting (IEC 61672-1), uncalibrated."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import scipy.fft

from .._frozen import frozen_array
from ..errors import LuthkitError

_BLOCK_S, _FADE_PART = 3.0, 4  # about; long against the ringing of the narrowest band; blocks overlap by a quarter
_POLES_HZ = (20.598997, 107.65265, 737.86223, 12194.217)  # IEC 61672-1, annex E, from memory
_PREFERRED = (1.0, 1.25, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0, 6.3, 8.0)  # ISO 266, R 10


@dataclass(frozen=True, eq=False)
class BandLevels:
    """Mean level of each third octave over a stretch of sound, dB of full scale (a full sine is -3 dB)."""

    mid_hz: np.ndarray  # (n_bands,) exact: 10^(n / 10)
    level_db: np.ndarray  # (n_bands,) -inf where silent
    whole_db: float  # the same without any filter
    a_weighted_db: float  # after A-weighting

    @property
    def nominal_hz(self) -> tuple[float, ...]:
        """What the bands are called: 31.5, 40, 50 Hz and so on (ISO 266)."""
        return tuple(nominal_hz(mid) for mid in self.mid_hz)

    def between(self, low_hz: float, high_hz: float) -> float:
        """Level in dB of all bands whose middle lies from `low_hz` to `high_hz`."""
        inside = (self.mid_hz >= low_hz * 0.99) & (self.mid_hz <= high_hz * 1.01)
        if not inside.any():
            raise LuthkitError(f"No third octave has its middle between {low_hz:g} and {high_hz:g} Hz.")
        with np.errstate(divide="ignore"):
            return float(10 * np.log10(np.sum(10 ** (self.level_db[inside] / 10))))


def third_octave_mids_hz(low_hz: float, high_hz: float) -> np.ndarray:
    """Exact mid-band frequencies 10^(n / 10) from about `low_hz` to about `high_hz` (IEC 61260-1, base ten).

    >>> third_octave_mids_hz(100, 160).round(2).tolist()
    [100.0, 125.89, 158.49]
    """
    if not 0 < low_hz <= high_hz:
        raise LuthkitError(f"low_hz is {low_hz} and high_hz {high_hz}; give two rising frequencies above 0.")
    return 10 ** (np.arange(round(10 * np.log10(low_hz)), round(10 * np.log10(high_hz)) + 1) / 10)


def nominal_hz(mid_hz: float) -> float:
    """The preferred number nearest to a mid-band frequency (ISO 266).

    >>> nominal_hz(10**2.5)
    315.0
    """
    n = round(10 * np.log10(mid_hz))
    return round(_PREFERRED[n % 10] * 10.0 ** (n // 10), 4)


def third_octave_gain(frequency_hz, mid_hz: float) -> np.ndarray:
    """Power gain of the third octave around `mid_hz`, shaped like `frequency_hz`: half of it at the edges.

    1 / (1 + ((f / fm - fm / f) / (f2 / fm - f1 / fm))^8) with f1, f2 = fm 10^(-+1/20): Butterworth's curve of
    a band-pass made from a 4th-order low-pass, inside the class 1 mask of IEC 61260-1.
    """
    ratio = np.maximum(np.asarray(frequency_hz, float), 1e-9) / mid_hz
    power = ((ratio - 1 / ratio) / (10**0.05 - 10**-0.05)) ** 2
    for _ in range(2):  # to the eighth by squaring: much faster than a power
        power *= power
    return 1 / (1 + power)


def a_weighting_db(frequency_hz) -> np.ndarray:
    """A-weighting in dB, 0 at 1 kHz, from its four poles (IEC 61672-1, annex E).

    >>> a_weighting_db([100.0, 1000.0]).round(1).tolist()
    [-19.1, 0.0]
    """
    f2 = np.maximum(np.asarray(frequency_hz, float), 1e-3) ** 2
    p1, p2, p3, p4 = (pole**2 for pole in _POLES_HZ)

    def gain(f2):
        return p4 * f2**2 / ((f2 + p1) * np.sqrt((f2 + p2) * (f2 + p3)) * (f2 + p4))

    return 20 * np.log10(gain(f2) / gain(1e6))


def third_octaves(samples, sample_rate_hz: float, *, low_hz: float = 50.0, high_hz: float = 10_000.0) -> BandLevels:
    """Mean level of the third octaves from `low_hz` to `high_hz` (those that fit under half the rate).

    samples: shape (n,), at least 0.1 s. The mean square is taken over the whole stretch, so two stretches
    compare only where they are equally long. The filters work on the spectrum of blocks of some 3 s that fade into
    each other so that their squared weights add up to one: no energy is lost or counted twice (Parseval).

    Raises `LuthkitError` for another shape, for samples that are not finite, and for a stretch too short.
    """
    x = np.asarray(samples)
    if x.ndim != 1 or x.size < 0.1 * sample_rate_hz:
        raise LuthkitError(f"Third octaves take one channel of 0.1 s or more, not samples of shape {x.shape}.")
    mids = third_octave_mids_hz(low_hz, high_hz)
    mids = mids[mids * 10**0.05 < sample_rate_hz / 2]
    power = _mean_power(x.astype(np.float32), sample_rate_hz)
    if not np.all(np.isfinite(power)):
        raise LuthkitError("Third octaves take finite samples; some are not numbers.")
    filters, a_gain = _gains(2 * (power.size - 1), float(sample_rate_hz), tuple(mids))
    levels = np.array([power[first : first + gain.size] @ gain for first, gain in filters])
    weighted = power @ a_gain
    with np.errstate(divide="ignore"):
        level_db, whole_db, a_db = (10 * np.log10(v) for v in (levels, power.sum(), weighted))
    return BandLevels(frozen_array(mids), frozen_array(level_db), float(whole_db), float(a_db))


@lru_cache(maxsize=4)
def _gains(size, sample_rate_hz, mids):
    """((first bin, power gains) of each third octave, A-weighting of every bin as power gains)."""
    frequency = np.arange(size // 2 + 1) * sample_rate_hz / size
    filters = []
    for mid in mids:  # two octaves off, a filter is below -96 dB
        first, last = np.searchsorted(frequency, [mid / 4, mid * 4])
        filters.append((int(first), third_octave_gain(frequency[first:last], mid)))
    return tuple(filters), 10 ** (a_weighting_db(frequency) / 10)


def _mean_power(x, sample_rate_hz):
    """One-sided mean square of each bin of x (n,), block by block; the number of bins belongs to an even length."""
    n = x.size
    length = 2 ** round(np.log2(_BLOCK_S * sample_rate_hz))  # the transform is quickest for a power of two
    if n <= length:
        size, starts, fade = 2 * scipy.fft.next_fast_len(-(-n // 2), real=True), [0], 0
    else:
        size, fade = length, length // _FADE_PART
        starts = range(0, n - fade, length - fade)
    rise = np.sin(0.5 * np.pi * (np.arange(fade) + 0.5) / max(fade, 1)).astype(x.dtype)
    total = np.zeros(size // 2 + 1)
    for start in starts:
        block = x[start : start + size].copy()
        if start:
            block[:fade] *= rise[: block.size]
        if start + size < n:
            block[-fade:] *= rise[::-1]
        spectrum = scipy.fft.rfft(block, size)
        total += np.square(spectrum.real)
        total += np.square(spectrum.imag)
    total *= 2 / (float(size) * n)
    total[[0, -1]] /= 2
    return total
