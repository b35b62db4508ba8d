"""Second opinions on the damping of modes: the width of the peak and the decay of the band.

Neither shares estimator code with the joint fit. Both look at every mode of a list at once, from all taps, and say
why where they have no opinion.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil, exp, log, pi, sqrt

import numpy as np
import scipy.fft
from scipy.optimize import brentq

from ..errors import LuthkitError
from .decay import filtered_bands, fit_line
from .modes import Witness
from .spectrum import tap_samples
from .taps import TapSet

_NAN = float("nan")
_LEAD_S = 0.002
_PAD = 4


def read_witnesses(tapset: TapSet, frequency_hz, damping_ratio) -> tuple[tuple[Witness, Witness], ...]:
    """For each mode (frequency and expected damping ratio, shape (m,)): its peak width and band decay opinions.

    The expected damping and the neighbours in the list only choose where to look and how wide the filter may be;
    the values come from the sound. Standard uncertainty: scatter between taps (jackknife), noise, and a part for
    neighbours that lean on the mode (a lopsided peak, a bent decay). One tap shows no scatter: its uncertainty is NaN.
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
        decay, noise_density = _band_decay(sound, frequency[k], damping[k], gap)
        witnesses.append((_peak_width(sound, frequency[k], damping[k], gap, noise_density), decay))
    return tuple(witnesses)


# ---- the taps on one grid -------------------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class _Sound:
    spectrum: (
        np.ndarray
    )  # (n_rows, n_bins) Fourier coefficients, one row per tap and channel, taps of equal energy
    first_row: np.ndarray  # (n_taps,) where the rows of each tap begin
    step_hz: float
    fine: np.ndarray  # (n_taps, n_fine) energy density, finely zero-padded
    fine_step_hz: float
    duration_s: float  # of the shortest cut

    def per_tap(self, row_values):
        """Sum over the channels of each tap."""
        return np.add.reduceat(row_values, self.first_row, axis=0)


def _common_grid(tapset, top_hz):
    """All taps, cut from just before the onset, brought to one low rate in the frequency domain."""
    top_hz = min(top_hz, min(tap.sample_rate_hz for tap in tapset.taps) / 2)
    cuts = [tap_samples(tap, lead_s=_LEAD_S) for tap in tapset.taps]
    durations = [len(cut) / tap.sample_rate_hz for cut, tap in zip(cuts, tapset.taps, strict=True)]
    whole_s = ceil(max(durations) + 0.2)
    n_low = 2 * scipy.fft.next_fast_len(int(top_hz * whole_s) + 1)
    rows = []
    for cut, tap in zip(cuts, tapset.taps, strict=True):
        n_fft = tap.sample_rate_hz * whole_s
        spectrum = np.zeros((cut.shape[1], n_low // 2 + 1), complex)
        full = scipy.fft.rfft(cut.T, n_fft, axis=1)[:, : n_low // 2]
        spectrum[:, : full.shape[1]] = full
        rows.append(spectrum / (np.sqrt(np.sum(np.abs(spectrum) ** 2)) or 1.0))
    spectrum = np.concatenate(rows)
    first_row = np.cumsum([0] + [len(row) for row in rows[:-1]])
    low = scipy.fft.irfft(spectrum, n_low, axis=1) * n_low
    n_fine = n_low * max(1, ceil(_PAD * max(durations) / whole_s))
    rate_hz = n_low / whole_s
    density = 2 / rate_hz**2 * np.abs(scipy.fft.rfft(low, n_fine, axis=1)) ** 2
    fine = np.add.reduceat(density, first_row, axis=0)
    return _Sound(spectrum, first_row, 1 / whole_s, fine, rate_hz / n_fine, min(durations))


def _jackknife_u(left_out):
    """Standard uncertainty of a mean from the values with one row left out (Efron and Tibshirani 1993, ch. 11)."""
    n = len(left_out)
    if n < 2 or not np.all(np.isfinite(left_out)):
        return _NAN
    return sqrt((n - 1) / n * float(np.sum((left_out - left_out.mean()) ** 2)))


# ---- band decay -----------------------------------------------------------------------------------------------------


def _band_decay(sound, frequency, damping, gap_hz):
    """The band decay witness, and the power density of the noise in the band."""
    sigma_hz = min(0.1 * frequency, gap_hz / 2.6)
    sigma_s = 1 / (2 * pi * sigma_hz)
    envelope = filtered_bands(sound.spectrum, sound.step_hz, frequency, sigma_hz)
    power = sound.per_tap(np.abs(envelope) ** 2)
    time = np.arange(power.shape[1]) / (power.shape[1] * sound.step_hz) - _LEAD_S
    end_s = sound.duration_s - _LEAD_S - 3 * sigma_s
    tail = (time > 0.85 * end_s) & (time <= end_s)
    noise = float(power[:, tail].mean()) if tail.any() else 0.0
    density = noise / (2 * sigma_hz * sqrt(pi))

    def none(reason):
        return Witness("band decay", _NAN, _NAN, _NAN, reason), density

    if 2 * pi * damping * frequency * sigma_s > 1.2:
        return none(f"a neighbour {gap_hz:.0f} Hz away: a filter that keeps it out rings as long as the mode")
    line = fit_line(time, power, noise, sigma_s=sigma_s, end_s=end_s, range_db=25.0, noise_rows=len(power))
    if line.reason:
        return none(line.reason)
    u = sqrt(line.rate_u**2 + _jackknife_u(line.rates_left_out) ** 2)
    scale = 1 / (2 * pi * frequency)
    return Witness("band decay", _NAN, line.rate * scale, u * scale), density


# ---- peak width -----------------------------------------------------------------------------------------------------


def damping_from_width(width_hz: float, duration_s: float, frequency_hz: float) -> float:
    """Damping ratio of a free decay whose spectrum, cut off after `duration_s`, is `width_hz` wide at -3 dB.

    The spectrum of exp(-a t) cos(2 pi f t) seen for a time T has near f the squared magnitude
    (1 - 2 exp(-a T) cos(d T) + exp(-2 a T)) / (a^2 + d^2), d = 2 pi (f' - f): for long T the half-power width is
    a / pi = 2 zeta f, for short T the window's own 0.886 / T. The value of a that gives the measured width is
    found by iteration; NaN where the window rules (a T below 1.5: an error of the width then grows more than fourfold).
    """
    x = pi * width_hz * duration_s  # d T at half power
    if x < 2.976:  # a T = 1.5
        return _NAN

    def excess(s):
        whole = (1 - exp(-s)) ** 2 / s**2
        return (1 - 2 * exp(-s) * np.cos(x) + exp(-2 * s)) / (s * s + x * x) - 0.5 * whole

    s = x if x > 30 else brentq(excess, 1e-6, 2 * x)
    return s / duration_s / (2 * pi * frequency_hz)


def _peak_width(sound, frequency, damping, gap_hz, noise_density):
    def none(reason):
        return Witness("peak width", _NAN, _NAN, _NAN, reason)

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
    top = mean[inside].max(initial=0.0)
    if top < 16 * noise_density * duration:
        return none("it stands less than 12 dB over the noise")
    whole = _half_power(mean, inside, step)
    if whole is None:
        return none("no peak of its own, or a neighbour hides where it has fallen by 3 dB")
    left, right = whole
    zeta = damping_from_width(left + right, duration, frequency)
    if not np.isfinite(zeta):
        return none(f"the cut of {duration:.2f} s is too short: its own width rules")
    if len(curves) < 2:
        return Witness("peak width", frequency, zeta, _NAN, "one tap shows no scatter")
    others = (len(curves) * mean - curves) / (len(curves) - 1)
    sides = [_half_power(other, inside, step) for other in others]
    if any(side is None for side in sides):
        return none("a neighbour or noise hides in some taps where it has fallen by 3 dB")
    scatter = _jackknife_u(np.array([damping_from_width(sum(side), duration, frequency) for side in sides]))
    lopsided = zeta * abs(left - right) / (left + right)
    return Witness("peak width", frequency, zeta, sqrt(scatter**2 + lopsided**2))


def _half_power(curve, inside, step_hz):
    """Distances in Hz from the top of the peak to half its power on both sides; None where it does not fall so far.

    Between bins sqrt(top / curve - 1) is interpolated, which is a straight line on the side of a resonance.
    """
    k = inside.start + int(np.argmax(curve[inside]))
    if not 0 < k < curve.size - 1 or curve[k] < max(curve[k - 1], curve[k + 1]):
        return None
    bend = curve[k - 1] - 2 * curve[k] + curve[k + 1]
    shift = 0.0 if bend == 0 else 0.5 * (curve[k - 1] - curve[k + 1]) / bend
    top = curve[k] - 0.25 * (curve[k - 1] - curve[k + 1]) * shift
    fallen = np.sqrt(np.maximum(top / np.maximum(curve, 1e-300) - 1, 0.0))
    sides = []
    for outward, offset in ((fallen[k::-1], shift), (fallen[k:], -shift)):
        over = np.flatnonzero(outward >= 1)
        if not over.size:
            return None
        j = int(over[0])
        sides.append(step_hz * (j - (outward[j] - 1) / (outward[j] - outward[j - 1]) + offset))
    return sides
