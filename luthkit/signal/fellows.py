"""Taps compared with their fellows: one that differs too much from others at the same spot is left out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import uniform_filter1d
from scipy.signal import resample_poly

from .faults import BAND_HZ, FIRST_S, doubled, in_band

_MAD_TO_SD = 1.4826  # median absolute deviation to standard deviation of a normal distribution
_N_FFT = 1 << 13
_LOOK_S = 0.6  # how much of a tap is compared
_HIGHEST_HZ = 1200.0
_EARLY_S = 0.003  # the comparison begins this long before the onset, and onsets may be this far out of step
_STRETCH_S = 0.2
_SHIFTS_S = (0.15, 0.08, 0.04)
_SURELY_ALIKE = 0.85  # taps at one spot reach 0.9 (simulated, 25 dB, in a room), at two spots seldom 0.85
_MOST_KINDS = 12  # kinds of sound that are told apart; what is unlike all of them is judged alone


@dataclass(frozen=True, eq=False)
class _Trace:
    """What is kept of a tap for the comparison, at about 6 kHz, up to 1200 Hz."""

    rate: float
    body: np.ndarray  # (n, n_channels) the first 0.6 s after the onset, 60 to 1000 Hz
    noise: float  # power of the noise in a stretch of 0.6 s, as if it were white
    spectrum: np.ndarray  # (bins, n_channels) of 0.6 s
    power: np.ndarray  # (bins,) summed over the channels


def judge(taps: Sequence, *, same_spot: bool, limits: Mapping) -> list[str]:
    """For each tap of one group "" or the reason why it is left out: outlier or double hit.

    `limits` are those of `taps.find_taps`, by name; least distances are widened by wider scatter.

    With `same_spot` the taps were all struck at one place, by what the maker says: one that sounds unlike the
    majority is an outlier. Otherwise nobody knows, and only taps that sound alike are fellows.
    """
    traces = [_trace(tap) for tap in taps]
    kinds = _alike(traces, limits["min_likeness"] if same_spot else max(limits["min_likeness"], _SURELY_ALIKE))
    largest = max(kinds, key=len)
    settled = same_spot and len(largest) > max(limits["min_fellows"], len(taps) / 2)
    reasons = [""] * len(taps)
    for members in [list(range(len(taps)))] if settled else kinds:
        if len(members) >= 3:
            hits = _struck_twice([traces[i] for i in members], limits)
        else:
            hits = [
                doubled(
                    taps[i].samples,
                    taps[i].sample_rate_hz,
                    taps[i].onset_s,
                    double_hit_db=limits["double_hit_db"],
                    range_s=limits["double_hit_range_s"],
                )
                for i in members
            ]
        for i, reason in zip(members, hits, strict=True):
            reasons[i] = reason
        single = [i for i in members if not reasons[i]]
        if len(single) > limits["min_fellows"]:
            for i, reason in zip(single, _outliers([traces[i] for i in single], limits), strict=True):
                stranger = settled and i not in largest
                reasons[i] = reason or ("outlier: it sounds unlike its fellows" if stranger else "")
    return reasons


def robust_sd(values) -> float:
    """1.4826 times the median absolute deviation from the median."""
    values = np.asarray(values)
    return float(_MAD_TO_SD * np.median(np.abs(values - np.median(values))))


def _trace(tap) -> _Trace:
    q = max(1, int(tap.sample_rate_hz // 6000))
    rate = tap.sample_rate_hz / q
    wave = resample_poly(tap.samples - tap.samples.mean(axis=0), 1, q, axis=0)
    band = in_band(wave, rate)
    onset, length = round(tap.onset_s * rate), round(_LOOK_S * rate)
    start = max(0, round((tap.onset_s - _EARLY_S) * rate))
    noise = 0.0
    if start > 0.03 * rate:
        noise = np.sum(np.mean(band[:start] ** 2, axis=0)) * length * rate / 2 / (BAND_HZ[1] - BAND_HZ[0])
    spectrum = np.fft.rfft(wave[start : start + length], _N_FFT, axis=0)[: int(_HIGHEST_HZ * _N_FFT / rate)]
    power = np.sum(np.abs(spectrum) ** 2, axis=1)
    return _Trace(rate, band[onset : onset + length].copy(), float(noise), spectrum.copy(), power)


def _frequencies(trace: _Trace) -> np.ndarray:
    """Frequency in Hz of each bin."""
    return np.arange(len(trace.power)) * trace.rate / _N_FFT


def _in_step(answer: np.ndarray, rate: float) -> tuple[int, float]:
    """(shift, height) of the strongest point near lag zero of a periodic correlation."""
    reach = round(_EARLY_S * rate)
    near = np.roll(answer, reach)[: 2 * reach + 1]
    at = int(np.argmax(np.abs(near)))
    return at - reach, float(near[at])


def _likeness(one: _Trace, other: _Trace) -> float:
    """How alike two taps sound, 60 to 1000 Hz, from 0 to 1 = equal but for force, blow and time.

    Largest value, over small shifts in time, of the correlation of the two spectra, each bin divided by the
    square root of its magnitude: so the many weak modes have a say beside the few strong ones.
    """
    frequency = _frequencies(one)
    inside = (frequency > BAND_HZ[0]) & (frequency < BAND_HZ[1])
    magnitude = np.sqrt(one.power * other.power)[inside]
    if not magnitude.all():
        return 0.0
    cross = np.zeros(len(frequency), complex)
    cross[inside] = np.sum(one.spectrum * other.spectrum.conj(), axis=1)[inside] / np.sqrt(magnitude)
    _, height = _in_step(np.fft.irfft(cross, _N_FFT), one.rate)
    return abs(height) * _N_FFT / 2 / float(np.sum(np.sqrt(magnitude)))


def _alike(traces: list[_Trace], least: float) -> list[list[int]]:
    """Indices sorted into kinds of sound; each kind is led by its first tap."""
    kinds: list[list[int]] = []
    for i, trace in enumerate(traces):
        for members in kinds[:_MOST_KINDS]:
            if _likeness(trace, traces[members[0]]) >= least:
                members.append(i)
                break
        else:
            kinds.append([i])
    return kinds


def _outliers(traces: list[_Trace], limits: Mapping) -> list[str]:
    """For each tap "" or the reason why it is an outlier.

    The strongest peak of the group (60 to 1000 Hz, median spectrum of taps brought to equal energy) is
    followed in each tap through two overlapping Hann stretches: the turn of the phase gives its frequency,
    the fall of the amplitude its damping. Both carry whatever bias the neighbours cause, but the same for all
    taps. Limits are the larger of the stated floor and `deviations` times the robust standard deviation.
    """
    rate = traces[0].rate
    waves = [trace.body for trace in traces]
    frequency_hz = _strongest_peak(waves, rate)
    for shift_s in _SHIFTS_S:
        ratios = np.array([_step(wave, rate, frequency_hz, shift_s) for wave in waves])
        if np.median(np.abs(ratios)) > 0.25:
            break
    frequency = frequency_hz + np.angle(ratios) / (2 * np.pi * shift_s)
    damping = -np.log(np.maximum(np.abs(ratios), 1e-9)) / shift_s / (2 * np.pi * frequency)
    level = np.array([_level_db(wave, rate) for wave in waves])

    reasons = [""] * len(traces)
    centre = np.median(frequency)
    limit = max(limits["outlier_frequency"] * centre, limits["outlier_deviations"] * robust_sd(frequency))
    for i in np.flatnonzero(np.abs(frequency - centre) > limit):
        reasons[i] = (
            f"outlier: its strongest peak is at {frequency[i]:.1f} Hz, its fellows' at {centre:.1f} Hz "
            f"({100 * (frequency[i] / centre - 1):+.1f} %)"
        )
    centre = np.median(damping)
    limit = max(limits["outlier_damping"] * abs(centre), limits["outlier_deviations"] * robust_sd(damping))
    for i in np.flatnonzero(np.abs(damping - centre) > limit):
        reasons[i] = reasons[i] or (
            f"outlier: the strongest peak ({frequency_hz:.0f} Hz) is damped {damping[i] / centre:.2g} times "
            "as much as in its fellows; was a hand on the guitar?"
        )
    centre = np.median(level)
    limit = max(
        limits["outlier_level_db"],
        min(limits["outlier_deviations"] * robust_sd(level), limits["outlier_widest_level_db"]),
    )
    for i in np.flatnonzero(np.abs(level - centre) > limit):
        reasons[i] = reasons[i] or f"outlier: {level[i] - centre:+.0f} dB against its fellows"
    return reasons


def _strongest_peak(waves: list[np.ndarray], rate: float) -> float:
    """Frequency in Hz of the strongest peak of the group."""
    size = 1 << 15
    grid = np.arange(BAND_HZ[0], BAND_HZ[1], 0.5)
    spectra = []
    for wave in waves:
        power = np.sum(np.abs(np.fft.rfft(wave, size, axis=0)) ** 2, axis=1)
        power = np.interp(grid, np.arange(len(power)) * rate / size, power)
        spectra.append(power / max(power.sum(), np.finfo(float).tiny))
    return float(grid[np.argmax(np.median(spectra, axis=0))])


def _step(wave: np.ndarray, rate: float, frequency_hz: float, shift_s: float) -> complex:
    """Ratio of the line at `frequency_hz` in a stretch to that in the stretch `shift_s` earlier."""
    shift = round(shift_s * rate)
    n = min(round(_STRETCH_S * rate), len(wave) - shift)
    window = np.hanning(n + 2)[1:-1] * np.exp(-2j * np.pi * frequency_hz * np.arange(n) / rate)
    early, late = window @ wave[:n], window @ wave[shift : shift + n]
    power = np.sum(np.abs(early) ** 2)
    if power <= 0:
        return 0j
    return complex(np.vdot(early, late) / power * np.exp(-2j * np.pi * frequency_hz * shift / rate))


def _level_db(wave: np.ndarray, rate: float) -> float:
    power = np.sum(np.mean(wave[: round(FIRST_S * rate)] ** 2, axis=0))
    return float(10 * np.log10(max(power, np.finfo(float).tiny)))


def _struck_twice(traces: list[_Trace], limits: Mapping) -> list[str]:
    """For each tap "" or the reason why it holds two blows.

    Taps at one spot share everything but the blow. So the spectrum of one divided by that of another (with a
    floor under the divisor) leaves, back in time, a spike where the blow was and a second one where it was
    struck again; body and room cancel. The median over up to eight fellows is taken, so that a double hit
    among them does no harm. A spike counts when it also stands six robust standard deviations out of the
    rest, and has no rival half as high (a tap of another guitar leaves many).
    """
    rate = traces[0].rate
    shape = np.where(_frequencies(traces[0]) > BAND_HZ[0], 1.0, 0.0)
    shape[shape > 0] = np.hanning(np.count_nonzero(shape) + 2)[1:-1]
    divisors = [_divisor(trace) for trace in traces]
    low, high = (round(limit * rate) for limit in limits["double_hit_range_s"])
    reasons = []
    for i, own in enumerate(traces):
        answers = []
        for j in _some([j for j in range(len(traces)) if j != i], 8):
            ratio = np.sum(own.spectrum * traces[j].spectrum.conj(), axis=1) / divisors[j]
            answer = np.fft.irfft(shape * ratio, _N_FFT)
            at, height = _in_step(answer, rate)
            answers.append(np.roll(answer, -at)[:high] / (height or 1.0))
        later = np.median(answers, axis=0)[low:]
        best = int(np.argmax(later))
        level_db = 20 * np.log10(max(later[best], 1e-9))
        aside = np.abs(np.arange(len(later)) - best) > round(0.003 * rate)
        rival = np.max(np.abs(later[aside]), initial=0.0)
        clear = later[best] > max(6 * robust_sd(later), 2 * rival)
        reasons.append(
            f"double hit: struck again {1000 * (low + best) / rate:.0f} ms later, {level_db:+.0f} dB against the first"
            if clear and level_db > limits["double_hit_db"]
            else ""
        )
    return reasons


def _divisor(trace: _Trace) -> np.ndarray:
    """Power spectrum (bins,) with a floor: the noise before the tap, and a little of the power nearby."""
    nearby = uniform_filter1d(trace.power, round(100 * _N_FFT / trace.rate), mode="nearest")
    return np.maximum(trace.power + 2 * trace.noise + 0.02 * nearby, np.finfo(float).tiny)


def _some(items: list, most: int) -> list:
    """At most so many of the items, evenly spread."""
    return [items[k] for k in np.linspace(0, len(items) - 1, min(most, len(items))).round().astype(int)]
