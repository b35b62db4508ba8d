"""Onsets: where in a recording something was struck, to a fraction of a millisecond.

Three looks, each finer than the one before: the energy in a few bands, millisecond by millisecond, read once
over the whole recording in blocks; an information criterion on the wave near each rise; and, for a second
blow hidden in the ringing of the first, what linear prediction cannot explain.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy.linalg import solve_toeplitz
from scipy.ndimage import maximum_filter1d, percentile_filter, uniform_filter1d
from scipy.signal import butter, lfilter, resample_poly, sosfilt

from .recording import Recording

_BANDS_HZ = ((60.0, 250.0), (250.0, 1000.0), (1000.0, 4000.0))
_AFTER_HOPS, _BEFORE_HOPS = 8, 30
_REACH_HOPS = 50  # one onset at most within this many milliseconds; closer ones are left to `second_hit`
_RISE_LIMIT_DB = 20.0
_RELATIVE_SILENCE = 1e-12  # of the loudest moment: below that there is nothing but rounding
_FAINT = 1e-5  # of the loudest moment: what is 50 dB below it is no tap worth a look


@lru_cache(maxsize=32)
def band_filter(low_hz: float, high_hz: float, sample_rate_hz: float) -> np.ndarray:
    """2nd-order Butterworth band-pass as second-order sections."""
    return butter(2, (low_hz, high_hz), "bandpass", fs=sample_rate_hz, output="sos")


@dataclass(frozen=True, eq=False)
class Envelope:
    """Energy of a whole recording, hop by hop, and what was noticed on the way."""

    energy: np.ndarray  # (n_hops, n_bands), mean square summed over the channels
    hop: int  # samples per hop, about 1 ms
    peak: float  # largest sample, without the constant offset of its block
    same_channels: bool  # two channels, equal sample for sample

    @property
    def quietest(self) -> int:
        """Sample where the quietest 30 ms begin."""
        total = uniform_filter1d(self.energy.sum(axis=1), 30, mode="nearest")
        inner = total[15:-15] if len(total) > 60 else total[:1]
        return int(np.argmin(inner)) * self.hop


def read_envelope(recording: Recording, *, block_s: float = 10.0) -> Envelope:
    """Read a recording once, block by block, and keep the energy of each millisecond in a few bands."""
    rate = recording.sample_rate_hz
    hop = round(rate / 1000)
    filters = [band_filter(*band, rate) for band in _BANDS_HZ]
    states = [np.zeros((sos.shape[0], 2, recording.n_channels)) for sos in filters]
    rows, peak, same, offset = [], 0.0, recording.n_channels == 2, None
    left = [np.zeros((0, recording.n_channels)) for _ in filters]
    for _, block in recording.blocks(block_s=block_s):
        same = same and np.array_equal(block[:, 0], block[:, 1])
        if offset is None:  # a constant offset must not look like a blow at the very start
            offset = np.median(block, axis=0)
        block = block - offset  # noqa: PLW2901
        peak = max(peak, float(np.abs(block).max()))
        row = []
        for k, sos in enumerate(filters):
            filtered, states[k] = sosfilt(sos, block, axis=0, zi=states[k])
            filtered = np.concatenate([left[k], filtered])
            n_hops = len(filtered) // hop
            left[k] = filtered[n_hops * hop :]
            hops = filtered[: n_hops * hop].reshape(n_hops, hop, recording.n_channels)
            row.append(np.mean(hops**2, axis=1).sum(axis=1))
        rows.append(np.stack(row, axis=1))
    return Envelope(np.concatenate(rows), hop, peak, same)


def rises(envelope: Envelope, *, min_rise_db: float, min_over_floor_db: float) -> list[int]:
    """Samples near which the energy leaps: the first look, good to a few milliseconds.

    The leap is the mean over the bands of the rise from the loudest 8 ms of the 30 ms before to the 8 ms
    after, each band counted up to 20 dB, so that two body modes that beat do not look like a blow. The energy
    after it must also stand over the floor, the quiet fifth of the ten seconds around, and within 50 dB of
    the loudest moment.
    """
    energy = envelope.energy
    if len(energy) < 2 * _AFTER_HOPS:
        return []
    n = len(energy)
    total = uniform_filter1d(energy.sum(axis=1), 50, mode="nearest")
    step = 50
    coarse = total[::step]
    floor = percentile_filter(coarse, 20, size=min(len(coarse), 10_000 // step), mode="nearest")
    floor = np.repeat(floor, step)[:n]
    nothing = max(_RELATIVE_SILENCE * float(energy.max()), np.finfo(float).tiny)
    rise_db, level = np.zeros(n), np.zeros(n)
    for band in energy.T:  # one at a time: an hour must fit into memory
        after, before = _either_side(band)
        level += after
        leap_db = 10 * np.log10(np.maximum(after, nothing) / np.maximum(before, nothing))
        rise_db += np.clip(leap_db, 0, _RISE_LIMIT_DB)
    rise_db /= energy.shape[1]
    enough = np.maximum(floor * 10 ** (min_over_floor_db / 10), _FAINT * level.max())
    rise_db = np.where(level > enough, rise_db, 0.0)
    is_top = (rise_db >= min_rise_db) & (rise_db == maximum_filter1d(rise_db, 2 * _REACH_HOPS + 1))
    found: list[int] = []
    for hop in np.flatnonzero(is_top):
        if not found or hop - found[-1] > _REACH_HOPS:
            found.append(int(hop))
    return [hop * envelope.hop for hop in found]


def _either_side(energy: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Mean of the 8 hops from each hop (n,) on, and the loudest such mean that ends before it, of 30 hops."""
    n, lead = len(energy), _BEFORE_HOPS + _AFTER_HOPS
    padded = np.concatenate([np.zeros(lead + 1), energy, np.zeros(_AFTER_HOPS)])
    padded = np.cumsum(padded)
    mean = (padded[_AFTER_HOPS:] - padded[:-_AFTER_HOPS]) / _AFTER_HOPS  # mean[i]: hops i - lead to i - lead + 8
    width = _BEFORE_HOPS - _AFTER_HOPS + 1
    loudest = maximum_filter1d(mean, width)
    centre = lead - _BEFORE_HOPS + width // 2
    return mean[lead : lead + n], loudest[centre : centre + n]


def pick_onset(samples, sample_rate_hz: float) -> float:
    """Onset in seconds from the first of `samples`, shape (n_samples, n_channels), which hold one rise.

    Each channel is high-passed at 120 Hz and low-passed at 5 kHz (causal, so that nothing moves forward in
    time) and the split that makes two stretches of steady noise most likely is taken: the minimum of k log
    var(x[:k]) + (n - k) log var(x[k:]), the AIC picker of Maeda, Zisin 38 (1985) 365, without its model order
    (cited from memory). A soft blow rises out of the noise a little late; 0.1 ms is given back.
    """
    samples = np.asarray(samples, float)
    q = max(1, int(sample_rate_hz // 40_000))
    rate = sample_rate_hz / q
    sos = band_filter(120.0, min(5000.0, 0.4 * rate), sample_rate_hz)
    wave = sosfilt(sos, samples - samples[:1], axis=0)[::q]
    n = len(wave)
    if n < 16:
        return 0.0
    energy = np.sum(wave**2, axis=1)
    stop = int(np.argmax(energy)) + 1  # what comes after the first crest tells nothing of the onset
    stop = min(n, max(stop, 16))
    cumulative = np.cumsum(energy[:stop])
    k = np.arange(1, stop)
    least = np.finfo(float).tiny + 1e-14 * cumulative[-1]
    before = np.maximum(cumulative[:-1], least) / k
    after = np.maximum(cumulative[-1] - cumulative[:-1], least) / (stop - k)
    split = int(np.argmin(k * np.log(before) + (stop - k) * np.log(after)))
    return max(0.0, (split + 1) / rate - 1e-4)


def second_hit(samples, sample_rate_hz: float, onset_s: float, *, range_s=(0.005, 0.2)) -> tuple[float, float]:
    """The strongest later blow: (seconds after the onset, its level over that of the first in dB).

    A struck body only rings, and ringing can be foretold from what went before; a blow cannot. The cut is
    brought to about 8 kHz, linear prediction (autocorrelation method) is fitted from the onset on, and the
    energy of the prediction error in 1.5 ms is compared with that of the first blow. Only a moment that
    stands 8 dB above the error around it, and 12 dB above a lull since the first blow, counts: reverberation
    makes a smooth decay, not a spike. Returns (nan, -inf) when there is nothing of the kind.

    A tap judged alone hides many a second blow that follows within 20 ms; `fellows.judge` sees those.
    """
    samples = np.asarray(samples, float)
    q = max(1, round(sample_rate_hz / 8000))
    rate = sample_rate_hz / q
    error = np.zeros(0)
    for wave in (samples - samples.mean(axis=0)).T:
        slow = resample_poly(wave, 1, q) if q > 1 else wave
        start = max(0, round((onset_s - 0.002) * rate))
        residual = _prediction_error(slow, start, order=48) ** 2
        first = residual[start : start + round(0.005 * rate)].sum()
        if first > 0:
            error = residual / first + (error if len(error) else 0.0)
    if not len(error):
        return float("nan"), float("-inf")
    span = max(1, round(0.0015 * rate))
    smooth = uniform_filter1d(error, span, mode="constant") * span
    at = round(onset_s * rate)
    first = smooth[max(0, at - span) : at + round(0.004 * rate)].max(initial=0.0)
    low, high = at + round(range_s[0] * rate), min(at + round(range_s[1] * rate), len(smooth))
    if first <= 0 or high <= low:
        return float("nan"), float("-inf")
    around = percentile_filter(smooth, 50, size=round(0.016 * rate), mode="nearest")
    lull = np.full(len(smooth), np.inf)
    lull[at + round(0.001 * rate) :] = np.minimum.accumulate(smooth[at + round(0.001 * rate) :])
    spikes = np.where((smooth > 10**0.8 * around) & (smooth > 10**1.2 * lull), smooth, 0.0)[low:high]
    best = int(np.argmax(spikes))
    if spikes[best] <= 0:
        return float("nan"), float("-inf")
    return (low + best - at) / rate, float(10 * np.log10(spikes[best] / first))


def _prediction_error(wave: np.ndarray, start: int, *, order: int) -> np.ndarray:
    """What is left of `wave` (n,) after linear prediction with coefficients fitted from `start` on."""
    part = wave[start:]
    if len(part) < 4 * order or not np.any(part):
        return np.zeros_like(wave)
    size = 1 << (2 * len(part) - 1).bit_length()
    correlation = np.fft.irfft(np.abs(np.fft.rfft(part, size)) ** 2)[: order + 1]
    correlation[0] *= 1 + 1e-6
    coefficients = solve_toeplitz(correlation[:-1], correlation[1:])
    return lfilter(np.concatenate([[1.0], -coefficients]), 1.0, wave)
