"""Peaks of a spectrum: where they stand, how high, and how wide (the -3 dB reading of damping)."""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, pi

import numpy as np
import scipy.signal
from scipy.optimize import brentq

from ..errors import LuthkitError
from .spectrum import Spectrum


@dataclass(frozen=True)
class Peak:
    """A local maximum of a spectrum."""

    frequency_hz: float
    level_db: float  # of the interpolated peak, on the scale of the spectrum
    prominence_db: float  # height over the higher of the two valleys beside it
    above_noise_db: float  # over the noise before the taps; NaN where none was measured


@dataclass(frozen=True)
class PeakWidth:
    """Damping read from the width of a peak at half its power, or NaN and the reason why not."""

    frequency_hz: float
    width_hz: float  # as it stands in the spectrum, the window's share in it
    damping_ratio: float  # with the window's share taken out
    damping_ratio_u: float  # from the lopsidedness of the peak; one spectrum shows no scatter
    reason: str = ""


def find_peaks(
    spectrum: Spectrum,
    *,
    prominence_db: float = 3.0,
    above_noise_db: float | None = None,
    band_hz: tuple[float, float] | None = None,
    interpolation: str = "log parabola",
) -> tuple[Peak, ...]:
    """Peaks that stand at least `prominence_db` over the higher of the two valleys beside them, by frequency.

    above_noise_db: leave out peaks that stand less than this over the measured noise.
    interpolation: "log parabola" through the three decibel values around the maximum; "parabola" through the
    three amplitudes; "two-bin" (exact for a steady sine under an unpadded Hann window, only there); or "none".
    The parabolas err by at most 0.016 (log) and 0.053 bins (linear) under an unpadded Hann window
    (Gasior and Gonzalez, CERN-AB-2004-023), and far less when zero-padded.
    Raises `LuthkitError` for a negative prominence, a band whose ends do not rise, an unknown interpolation.
    """
    if not prominence_db >= 0:
        raise LuthkitError(f"prominence_db is {prominence_db}; use 0 for every local maximum, or more.")
    if band_hz is not None and not band_hz[0] < band_hz[1]:
        raise LuthkitError(f"band_hz is {band_hz}; give two frequencies, the lower first.")
    if interpolation not in _INTERPOLATORS:
        raise LuthkitError(f"interpolation is {interpolation!r}; use one of {', '.join(_INTERPOLATORS)}.")
    if interpolation == "two-bin" and (spectrum.window != "hann" or spectrum.parameters.get("zero_padding") != 1):
        raise LuthkitError("'two-bin' needs an unpadded Hann spectrum; use sound_spectrum(..., window='hann').")
    level, frequency = spectrum.level_db, spectrum.frequency_hz
    step = frequency[1] - frequency[0]
    found, _ = scipy.signal.find_peaks(level)
    if band_hz is not None:  # before the prominences, which are slow to find for the many peaks of noise
        found = found[(frequency[found] > band_hz[0] - step) & (frequency[found] < band_hz[1] + step)]
    prominences = scipy.signal.peak_prominences(level, found)[0]
    peaks = []
    for k, prominence in zip(found, prominences, strict=True):
        if prominence < prominence_db:
            continue
        shift, height = _INTERPOLATORS[interpolation](level[k - 1 : k + 2])
        peak = Peak(
            frequency_hz=float(frequency[k] + shift * step),
            level_db=float(height),
            prominence_db=float(prominence),
            above_noise_db=float(height - spectrum.noise_db[k]),
        )
        inside = band_hz is None or band_hz[0] <= peak.frequency_hz <= band_hz[1]
        if inside and (above_noise_db is None or not peak.above_noise_db < above_noise_db):
            peaks.append(peak)
    return tuple(peaks)


def peak_width(spectrum: Spectrum, frequency_hz: float, *, search_hz: float | None = None) -> PeakWidth:
    """Damping of the highest peak within `search_hz` (default 3 %) of a frequency, from its -3 dB width.

    The spectrum must be of free decays seen without a window ("boxcar"), as `average_spectrum` gives; their
    length T adds to the width, which is taken out (see `damping_from_width`). Half power is 3.01 dB: exact
    for a lone viscously damped mode's velocity. Neighbours that lean on the peak make it lopsided: half the
    difference between its two sides, as a share of the width, goes into the uncertainty.
    """
    if spectrum.window != "boxcar":
        raise LuthkitError(f"A {spectrum.window!r} window widens the peak; use average_spectrum, which lays none.")
    step = float(spectrum.frequency_hz[1] - spectrum.frequency_hz[0])
    reach = max(0.03 * frequency_hz if search_hz is None else search_hz, 2 * step)
    n = spectrum.frequency_hz.size
    low, high = max(0, int((frequency_hz - reach) / step)), min(n, int((frequency_hz + reach) / step) + 2)
    if not 0 < low < high <= n or high - low < 3:
        raise LuthkitError(f"frequency_hz is {frequency_hz}; the spectrum goes to {spectrum.frequency_hz[-1]:g} Hz.")
    energy = spectrum.value**2 if spectrum.scaling == "amplitude" else spectrum.value
    nan = float("nan")
    found = half_power(energy, slice(low, high), step)
    if found is None:
        return PeakWidth(nan, nan, nan, nan, "no peak of its own, or a neighbour hides where it has fallen by 3 dB")
    place, left, right = found
    zeta = damping_from_width(left + right, spectrum.duration_s, place * step)
    reason = "" if np.isfinite(zeta) else "the sound is so short that the window's own width rules"
    return PeakWidth(place * step, left + right, zeta, zeta * abs(left - right) / (left + right), reason)


def damping_from_width(width_hz: float, duration_s: float, frequency_hz: float) -> float:
    """Damping ratio of a free decay whose spectrum, cut off after `duration_s`, is `width_hz` wide at -3 dB.

    The spectrum of exp(-a t) cos(2 pi f t) seen for a time T has near f the squared magnitude (1 - 2 exp(-a
    T) cos(d T) + exp(-2 a T)) / (a^2 + d^2), d = 2 pi (f' - f): for long T the half-power width is a / pi = 2
    zeta f, for short T the window's own 0.886 / T. The value of a that gives the measured width is found by
    iteration; NaN where the window rules (a T below 1.5: an error of the width then grows more than
    fourfold).
    """
    x = pi * width_hz * duration_s  # d T at half power
    if x < 2.976:  # a T = 1.5
        return float("nan")

    def excess(s):
        whole = (1 - exp(-s)) ** 2 / s**2
        return (1 - 2 * exp(-s) * np.cos(x) + exp(-2 * s)) / (s * s + x * x) - 0.5 * whole

    s = x if x > 30 else brentq(excess, 1e-6, 2 * x)
    return float(s / duration_s / (2 * pi * frequency_hz))


def half_power(curve, inside: slice, step_hz: float) -> tuple[float, float, float] | None:
    """Place of the highest peak (in bins) and the distances in Hz to half its power below and above.

    curve: energy, shape (n,); inside: the bins in which the peak is sought. None where no peak of its own is
    there, or where the curve rises again before it has fallen to half on either side.

    Between bins sqrt(top / curve - 1) is interpolated, which is a straight line on the side of a resonance.
    """
    k = inside.start + int(np.argmax(curve[inside]))
    if not 0 < k < curve.size - 1 or curve[k] < max(curve[k - 1], curve[k + 1]):
        return None
    shift, top = _parabola(*curve[k - 1 : k + 2])
    fallen = np.sqrt(np.maximum(top / np.maximum(curve, 1e-300) - 1, 0.0))
    found = [float(k + shift)]
    for outward, offset in ((fallen[k::-1], shift), (fallen[k:], -shift)):
        over = np.flatnonzero(outward >= 1)
        j = int(over[0]) if over.size else 0
        if j == 0 or np.any(np.maximum.accumulate(outward[:j]) - outward[:j] > 0.3):  # up again by 1 dB
            return None
        found.append(float(step_hz * (j - (outward[j] - 1) / (outward[j] - outward[j - 1]) + offset)))
    return tuple(found)


def _parabola(left, middle, right):
    bend = left - 2 * middle + right
    shift = 0.0 if bend == 0 else 0.5 * (left - right) / bend
    return shift, middle - 0.25 * (left - right) * shift


def _linear_parabola(level):
    shift, height = _parabola(*10 ** ((level - level[1]) / 20))
    return shift, level[1] + 20 * np.log10(height)


def _two_bin(level):
    """Steady sine under a Hann window: shift (2 r - 1) / (r + 1) from the two largest bins, r their ratio."""
    side = 1 if level[2] >= level[0] else -1
    ratio = 10 ** ((level[1 + side] - level[1]) / 20)
    shift = (2 * ratio - 1) / (ratio + 1)
    lobe = np.sinc(shift) / (1 - shift**2)
    return side * shift, level[1] - 20 * np.log10(lobe)


_INTERPOLATORS = {
    "log parabola": lambda level: _parabola(*level),
    "parabola": _linear_parabola,
    "two-bin": _two_bin,
    "none": lambda level: (0.0, level[1]),
}
