"""Taps compared with their fellows: one that differs too much from others at the same spot is an outlier."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.signal import resample_poly

from .faults import BAND_HZ, FIRST_S, in_band

_MAD_TO_SD = 1.4826  # median absolute deviation to standard deviation of a normal distribution
_STRETCH_S = 0.2
_SHIFTS_S = (0.15, 0.08, 0.04)


@dataclass(frozen=True)
class OutlierLimits:
    """How far a tap may lie from the median of its fellows, at least; wider scatter widens each limit."""

    frequency: float  # relative
    damping: float  # relative
    level_db: float
    widest_level_db: float
    deviations: float  # in robust standard deviations


def outliers(taps: Sequence, limits: OutlierLimits) -> list[str]:
    """For each tap of one group "" or the reason why it is an outlier.

    The strongest peak of the group (60 to 1000 Hz, median spectrum of taps brought to equal energy) is
    followed in each tap through two overlapping Hann stretches: the turn of the phase gives its frequency,
    the fall of the amplitude its damping. Both carry whatever bias the neighbours cause, but the same for all
    taps. Limits are the larger of the stated floor and `deviations` times the robust standard deviation
    (1.4826 times the median absolute deviation).
    """
    waves, rates = [], []
    for tap in taps:
        q = max(1, int(tap.sample_rate_hz // 6000))
        onset = round(tap.onset_s * tap.sample_rate_hz)
        body = in_band(tap.samples, tap.sample_rate_hz)[onset:]
        waves.append(resample_poly(body, 1, q, axis=0))
        rates.append(tap.sample_rate_hz / q)
    frequency_hz = _strongest_peak(waves, rates)
    for shift_s in _SHIFTS_S:
        ratios = np.array([_step(w, r, frequency_hz, shift_s) for w, r in zip(waves, rates, strict=True)])
        if np.median(np.abs(ratios)) > 0.25:
            break
    frequency = frequency_hz + np.angle(ratios) / (2 * np.pi * shift_s)
    damping = -np.log(np.maximum(np.abs(ratios), 1e-9)) / shift_s / (2 * np.pi * frequency)
    level = np.array([_level_db(w, r) for w, r in zip(waves, rates, strict=True)])

    reasons = [""] * len(taps)
    centre = np.median(frequency)
    limit = max(limits.frequency * centre, limits.deviations * _robust_sd(frequency))
    for i in np.flatnonzero(np.abs(frequency - centre) > limit):
        reasons[i] = (
            f"outlier: its strongest peak is at {frequency[i]:.1f} Hz, its fellows' at {centre:.1f} Hz "
            f"({100 * (frequency[i] / centre - 1):+.1f} %)"
        )
    centre = np.median(damping)
    limit = max(limits.damping * abs(centre), limits.deviations * _robust_sd(damping))
    for i in np.flatnonzero(np.abs(damping - centre) > limit):
        reasons[i] = reasons[i] or (
            f"outlier: the strongest peak ({frequency_hz:.0f} Hz) is damped {damping[i] / centre:.2g} times "
            "as much as in its fellows; was a hand on the guitar?"
        )
    centre = np.median(level)
    limit = max(limits.level_db, min(limits.deviations * _robust_sd(level), limits.widest_level_db))
    for i in np.flatnonzero(np.abs(level - centre) > limit):
        reasons[i] = reasons[i] or f"outlier: {level[i] - centre:+.0f} dB against its fellows"
    return reasons


def _robust_sd(values: np.ndarray) -> float:
    return float(_MAD_TO_SD * np.median(np.abs(values - np.median(values))))


def _strongest_peak(waves, rates) -> float:
    """Frequency in Hz of the strongest peak of the group."""
    grid = np.arange(BAND_HZ[0], BAND_HZ[1], 0.5)
    spectra = []
    for wave, rate in zip(waves, rates, strict=True):
        size = 1 << 15
        power = np.sum(np.abs(np.fft.rfft(wave, size, axis=0)) ** 2, axis=1)
        power = np.interp(grid, np.arange(len(power)) * rate / size, power)
        spectra.append(power / max(power.sum(), np.finfo(float).tiny))
    return float(grid[np.argmax(np.median(spectra, axis=0))])


def _step(wave: np.ndarray, rate: float, frequency_hz: float, shift_s: float) -> complex:
    """Ratio of the line at `frequency_hz` in a stretch to that in the stretch `shift_s` earlier."""
    n, shift = round(_STRETCH_S * rate), round(shift_s * rate)
    n = min(n, len(wave) - shift)
    window = np.hanning(n + 2)[1:-1] * np.exp(-2j * np.pi * frequency_hz * np.arange(n) / rate)
    early, late = window @ wave[:n], window @ wave[shift : shift + n]
    power = np.sum(np.abs(early) ** 2)
    if power <= 0:
        return 0j
    return complex(np.vdot(early, late) / power * np.exp(-2j * np.pi * frequency_hz * shift / rate))


def _level_db(wave: np.ndarray, rate: float) -> float:
    power = np.sum(np.mean(wave[: round(FIRST_S * rate)] ** 2, axis=0))
    return float(10 * np.log10(max(power, np.finfo(float).tiny)))
