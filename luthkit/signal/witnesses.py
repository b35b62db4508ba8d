"""Second opinions on the damping of modes: the width of the peak and the decay of the band.

Neither shares estimator code with the joint fit. Both look at every mode of a list at once, from all taps,
and say why where they have no opinion.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil, pi, sqrt

import numpy as np
import scipy.fft

from ..errors import LuthkitError
from .decay import filtered_bands, fit_line
from .modes import Witness
from .peaks import damping_from_width, half_power
from .spectrum import noise_density, tap_samples
from .taps import TapSet

_NAN = float("nan")
_LEAD_S = 0.002
_ONE_TAP = "one tap shows no scatter, so no uncertainty"
_PAD = 4
_QUIET_STEP_HZ = 5.0


def read_witnesses(tapset: TapSet, frequency_hz, damping_ratio) -> tuple[tuple[Witness, Witness], ...]:
    """For each mode (frequency and expected damping ratio, shape (m,)): peak width and band decay.

    The expected damping and the neighbours in the list only choose where to look and how wide the filter may
    be; the values come from the sound. Standard uncertainty: scatter between taps (jackknife), noise, and a
    part for neighbours that lean on the mode (a lopsided peak, a bent decay). What a room does to all taps of
    one placement alike does not show in their scatter: move guitar and microphone between placements. One tap
    shows no scatter: its uncertainty is NaN.
    """
    frequency = np.atleast_1d(np.asarray(frequency_hz, float))
    damping = np.atleast_1d(np.asarray(damping_ratio, float))
    if frequency.shape != damping.shape or frequency.ndim != 1:
        raise LuthkitError(
            f"frequency_hz and damping_ratio have shapes {frequency.shape} and {damping.shape}; use one row."
        )
    if not frequency.size:
        return ()
    if not tapset.taps:
        raise LuthkitError("No tap to read witnesses from.")
    sound = _common_grid(tapset, 1.25 * frequency.max() + 100)
    witnesses = []
    for k in range(frequency.size):
        gap = np.min(np.abs(np.delete(frequency, k) - frequency[k]), initial=np.inf)
        decay, density = _band_decay(sound, frequency[k], damping[k], gap)
        witnesses.append((_peak_width(sound, frequency[k], damping[k], gap, density), decay))
    return tuple(witnesses)


# ---- the taps on one grid --------


@dataclass(frozen=True, eq=False)
class _Sound:
    spectrum: np.ndarray  # (n_rows, n_bins), a row per tap and channel, all taps of equal energy
    first_row: np.ndarray  # (n_taps,) where the rows of each tap begin
    step_hz: float
    fine: np.ndarray  # (n_taps, n_fine) energy density, finely zero-padded
    fine_step_hz: float
    duration_s: float  # of the shortest cut
    quiet: np.ndarray  # (n,) power density before the onsets every _QUIET_STEP_HZ from 0 on; NaN where unknown
    left_out: np.ndarray  # (n_taps + n_placements, n_taps) weights of the averages that leave one of them out

    def per_tap(self, row_values):
        """Sum over the channels of each tap."""
        return np.add.reduceat(row_values, self.first_row, axis=0)

    def scatter(self, values):
        """Standard uncertainty of the mean from the values of the averages that leave one out (jackknife).

        u^2 = (n - 1) / n sum (value - mean)^2 (Efron and Tibshirani, An Introduction to the Bootstrap, 1993,
        ch. 11), over the taps and over the placements; the larger counts, since taps of one placement share
        its room.
        """
        n_taps = len(self.fine)
        groups = [group for group in (values[:n_taps], values[n_taps:]) if len(group) > 1]
        if not groups:
            return _NAN
        return max(sqrt((len(g) - 1) / len(g) * float(np.sum((g - g.mean()) ** 2))) for g in groups)


def _leave_one_out(tapset):
    """Weights of averages without each tap, then without each placement (where there is more than one)."""
    placement = np.array([tap.placement for tap in tapset.taps])
    kept = ~np.eye(len(placement), dtype=bool)
    names = np.unique(placement)
    if names.size > 1:
        kept = np.vstack([kept, placement[None, :] != names[:, None]])
    return kept / np.maximum(kept.sum(axis=1, keepdims=True), 1)


def _common_grid(tapset, top_hz):
    """All taps, cut from just before the onset, brought to one low rate in the frequency domain."""
    top_hz = min(top_hz, min(tap.sample_rate_hz for tap in tapset.taps) / 2)
    durations = [len(tap_samples(tap, lead_s=_LEAD_S)) / tap.sample_rate_hz for tap in tapset.taps]
    whole_s = ceil(max(durations) + 0.2)
    n_low = 2 * scipy.fft.next_fast_len(int(top_hz * whole_s) + 1)
    rows, quiet = [], []
    coarse = np.arange(0, top_hz + _QUIET_STEP_HZ, _QUIET_STEP_HZ)
    for tap in tapset.taps:
        cut = tap_samples(tap, lead_s=_LEAD_S)
        n_fft = tap.sample_rate_hz * whole_s
        spectrum = np.zeros((cut.shape[1], n_low // 2 + 1), complex)
        full = scipy.fft.rfft(cut.T, n_fft, axis=1)[:, : n_low // 2]
        spectrum[:, : full.shape[1]] = full
        gain = 1 / (np.sqrt(np.sum(np.abs(spectrum) ** 2)) or 1.0)
        rows.append(gain * spectrum)
        quiet.append(noise_density(tap, coarse, None) * cut.shape[1] * (gain * n_fft) ** 2)
    spectrum = np.concatenate(rows)
    first_row = np.cumsum([0] + [len(row) for row in rows[:-1]])
    low = scipy.fft.irfft(spectrum, n_low, axis=1) * n_low
    n_fine = n_low * max(1, ceil(_PAD * max(durations) / whole_s))
    rate_hz = n_low / whole_s
    density = 2 / rate_hz**2 * np.abs(scipy.fft.rfft(low, n_fine, axis=1)) ** 2
    fine = np.add.reduceat(density, first_row, axis=0)
    return _Sound(
        spectrum=spectrum,
        first_row=first_row,
        step_hz=1 / whole_s,
        fine=fine,
        fine_step_hz=rate_hz / n_fine,
        duration_s=min(durations),
        quiet=np.mean(quiet, axis=0),
        left_out=_leave_one_out(tapset),
    )


# ---- band decay --------


def _band_decay(sound, frequency, damping, gap_hz):
    """The band decay witness, and the power density of the noise in the band."""
    sigma_hz = min(0.1 * frequency, gap_hz / 2.6)
    sigma_s = 1 / (2 * pi * sigma_hz)
    envelope = filtered_bands(sound.spectrum, sound.step_hz, frequency, sigma_hz)
    power = sound.per_tap(np.abs(envelope) ** 2)
    time = np.arange(power.shape[1]) / (power.shape[1] * sound.step_hz) - _LEAD_S
    end_s = sound.duration_s - _LEAD_S - 3 * sigma_s
    tail = (time > 0.85 * end_s) & (time <= end_s)
    band_hz = 2 * sigma_hz * sqrt(pi)  # of the filter for noise, and 2 for the squared envelope
    late = float(power[:, tail].mean()) / band_hz if tail.any() else np.inf
    density = float(np.fmin(sound.quiet[round(frequency / _QUIET_STEP_HZ)], late))

    def none(reason):
        return Witness("band decay", _NAN, _NAN, _NAN, reason), density

    if 2 * pi * damping * frequency * sigma_s > 1.2:
        return none(f"a neighbour {gap_hz:.0f} Hz away: a filter that keeps it out rings as long as the mode")
    line = fit_line(time, power, density * band_hz, sigma_s=sigma_s, end_s=end_s, left_out=sound.left_out)
    if line.reason:
        return none(line.reason)
    u = sqrt(line.rate_u**2 + sound.scatter(line.rates_left_out) ** 2)
    per_hz = 1 / (2 * pi * float(frequency))
    reason = _ONE_TAP if np.isnan(u) else ""
    return Witness("band decay", _NAN, line.rate * per_hz, u * per_hz, reason), density


# ---- peak width --------


def _peak_width(sound, frequency, damping, gap_hz, density):
    def none(reason):
        return Witness("peak width", _NAN, _NAN, _NAN, reason)

    if gap_hz < 2 * damping * frequency:
        return none(f"a neighbour {gap_hz:.0f} Hz away stands under the same peak")
    step, duration = sound.fine_step_hz, sound.duration_s
    reach = max(min(2 * damping * frequency, 0.5 * gap_hz), 2 * step)
    far = reach + 3 * damping * frequency + 2 / duration
    low, high = (
        max(1, int((frequency - far) / step)),
        min(sound.fine.shape[1] - 1, ceil((frequency + far) / step)),
    )
    curves = sound.fine[:, low:high]
    inside = slice(max(0, int((frequency - reach) / step) - low), ceil((frequency + reach) / step) - low + 1)
    mean = curves.mean(axis=0)
    if mean[inside].max(initial=0.0) < 16 * density * duration:
        return none("it stands less than 12 dB over the noise")
    whole = half_power(mean, inside, step)
    if whole is None:
        return none("no peak of its own, or a neighbour hides where it has fallen by 3 dB")
    peak_bins, left, right = whole
    peak_hz = (low + peak_bins) * step
    zeta = damping_from_width(left + right, duration, peak_hz)
    if not np.isfinite(zeta):
        return none(f"the cut of {duration:.2f} s is too short: its own width rules")
    if len(curves) < 2:
        return Witness("peak width", peak_hz, zeta, _NAN, _ONE_TAP)
    sides = [half_power(row @ curves, inside, step) for row in sound.left_out]
    if any(side is None for side in sides):
        return none("a neighbour or noise hides in some taps where it has fallen by 3 dB")
    scatter = sound.scatter(np.array([damping_from_width(side[1] + side[2], duration, frequency) for side in sides]))
    lopsided = zeta * abs(left - right) / (left + right)
    return Witness("peak width", peak_hz, zeta, sqrt(scatter**2 + lopsided**2))
