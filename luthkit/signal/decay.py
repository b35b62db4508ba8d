"""Damping and decay times read from the decay itself: band envelopes and Schroeder curves.

Both know two things that are easily taken for damping: the ringing of the filter and the noise at the end.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import log, pi, sqrt

import numpy as np
import scipy.fft

from ..errors import LuthkitError

_LN10 = log(10)
_RISE = (
    3.0  # the Gaussian band filter has settled to 0.1 % this many of its own time constants after the onset
)
_HEADROOM_DB = 10.0  # the fit stops where the envelope comes this close to the noise


@dataclass(frozen=True)
class Decay:
    """A decay time with its standard uncertainty, or NaN and the reason why there is none."""

    decay_time_s: float  # time to fall by 60 dB
    decay_time_u_s: float  # NaN where nothing tells it
    frequency_hz: float  # of the band or mode; NaN for the sound as it is
    method: str  # "band envelope", or "EDT", "T20", "T30" after ISO 3382-1
    start_s: float = float("nan")  # the stretch that was fitted, from the onset
    stop_s: float = float("nan")
    noise_db: float = float("nan")  # noise under the start of the decay
    reason: str = ""  # why there is no value

    @property
    def damping_ratio(self) -> float:
        """zeta = 3 ln 10 / (2 pi f T60) for light damping."""
        return 3 * _LN10 / (2 * pi * self.frequency_hz * self.decay_time_s)

    @property
    def damping_ratio_u(self) -> float:
        """Standard uncertainty of the damping ratio: zeta u(T60) / T60."""
        return self.damping_ratio * self.decay_time_u_s / self.decay_time_s


# ---- one band: Gaussian filter, logarithm of the envelope, straight line -------------------------------------------


def band_envelope(
    samples, sample_rate_hz: float, frequency_hz: float, *, bandwidth_hz: float
) -> tuple[np.ndarray, np.ndarray]:
    """Time from the first sample and the envelope of one band, by a Gaussian filter without delay.

    samples: shape (n,). bandwidth_hz is the filter's width between its -3 dB points. Its impulse response is a
    Gaussian of standard deviation s = sqrt(ln 2) / (pi bandwidth_hz), so its ringing dies faster than any
    exponential: a decay exp(-a t) that starts at 0 comes out as exp(-a t + (a s)^2 / 2) Phi(t / s - a s), that is
    with its true slope to 0.1 % from t = a s^2 + 3 s on (Phi: the normal distribution).
    """
    x = _one_channel(samples)
    sigma_hz = _filter_sigma_hz(bandwidth_hz)
    if not 0 < frequency_hz < sample_rate_hz / 2:
        raise LuthkitError(
            f"frequency_hz is {frequency_hz}; it lies between 0 and {sample_rate_hz / 2:g} Hz."
        )
    padded_s = len(x) / sample_rate_hz + 8 / (2 * pi * sigma_hz)
    n_fft = scipy.fft.next_fast_len(int(np.ceil(padded_s * sample_rate_hz)), real=True)
    spectrum = scipy.fft.rfft(x, n_fft)[None, :]
    step_hz = sample_rate_hz / n_fft
    envelope = np.abs(filtered_bands(spectrum, step_hz, frequency_hz, sigma_hz))[0] / n_fft
    time = np.arange(envelope.size) / (envelope.size * step_hz)
    kept = time <= len(x) / sample_rate_hz
    return time[kept], envelope[kept]


def filtered_bands(spectrum, step_hz, frequency_hz, sigma_hz):
    """Complex envelopes, one a row, of real sounds given by their `rfft` rows; scaled by the length of that fft.

    The Gaussian exp(-(f - f0)^2 / (2 sigma^2)) is kept to 4.5 sigma (-88 dB); the rows come out at the low rate
    n step_hz, n the number of columns.
    """
    low = max(1, int((frequency_hz - 4.5 * sigma_hz) / step_hz))
    high = min(spectrum.shape[1] - 1, int((frequency_hz + 4.5 * sigma_hz) / step_hz) + 1)
    offset_hz = np.arange(low, high + 1) * step_hz - frequency_hz
    weight = 2 * np.exp(-0.5 * (offset_hz / sigma_hz) ** 2)
    n = scipy.fft.next_fast_len(2 * weight.size)
    return scipy.fft.ifft(spectrum[:, low : high + 1] * weight, n, axis=1) * n


def decay_from_envelope(
    samples,
    sample_rate_hz: float,
    frequency_hz: float,
    *,
    onset_s: float = 0.0,
    bandwidth_hz: float | None = None,
    range_db: float = 40.0,
) -> Decay:
    """Decay time of the band around `frequency_hz` from a straight line through the logarithm of its envelope.

    samples: shape (n,), one decay that starts at `onset_s`. bandwidth_hz: -3 dB width of the band (default: a fifth
    of the frequency); it must hold one mode only, and be at least about as wide as the mode.

    The line starts when the filter has settled (see `band_envelope`), which is checked against the decay found,
    and stops `range_db` lower, or 10 dB over the noise, or shortly before the end. Noise: before the onset where
    there is enough, else the last tenth. Where less than 10 dB is left, or the envelope is the filter's own, there
    is no value but a reason. The uncertainty comes from the noise and from the difference between the slopes of
    the two halves of the line (a bend is doubt).
    """
    x = _one_channel(samples)
    width = 0.2 * frequency_hz if bandwidth_hz is None else bandwidth_hz
    time, envelope = band_envelope(x, sample_rate_hz, frequency_hz, bandwidth_hz=width)
    sigma_s = 1 / (2 * pi * _filter_sigma_hz(width))
    power = envelope**2
    before = (time > 3 * sigma_s) & (time < onset_s - 4 * sigma_s)
    end_s = time[-1] - _RISE * sigma_s
    tail = (time > end_s - 0.1 * (end_s - onset_s)) & (time <= end_s)
    quiet = before if before.sum() >= 8 and time[before][-1] - time[before][0] > 6 * sigma_s else tail
    noise = float(power[quiet].mean()) if quiet.any() else 0.0
    line = fit_line(
        time - onset_s, power[None, :], noise, sigma_s=sigma_s, end_s=end_s - onset_s, range_db=range_db
    )
    return line.decay(frequency_hz, 0.0)


@dataclass(frozen=True, eq=False)
class Line:
    """What `fit_line` found: the amplitude decay rate a (1/s) of the mean and of the sets that leave one row out."""

    rate: float
    rates_left_out: np.ndarray
    rate_u: float  # from the noise and from the bend
    start_s: float
    stop_s: float
    noise_db: float
    reason: str = ""

    def decay(self, frequency_hz: float, scatter_u: float) -> Decay:
        """The line as a `Decay`, with `scatter_u` (of the rate) added in quadrature."""
        time_s = 3 * _LN10 / self.rate
        return Decay(
            decay_time_s=time_s,
            decay_time_u_s=time_s * sqrt(self.rate_u**2 + scatter_u**2) / self.rate,
            frequency_hz=frequency_hz,
            method="band envelope",
            start_s=self.start_s,
            stop_s=self.stop_s,
            noise_db=self.noise_db,
            reason=self.reason,
        )


def fit_line(time_s, power, noise, *, sigma_s, end_s, range_db=40.0, noise_rows=1) -> Line:
    """Straight line through 1/2 ln(mean power - noise) against time since the onset, from the filter's rise to the noise.

    power: (n_rows, n_times) squared envelopes; noise: their mean noise power; `noise_rows`: over how many
    independent rows the noise is averaged. The start t0 = a s^2 + 3 s depends on the slope a found: repeated until
    both agree; a band that rings only with the filter never agrees, and is refused.
    """
    n_rows = len(power)
    mean = power.mean(axis=0)
    floor = max(noise, 1e-20 * mean.max())
    first_s, nan = _RISE * sigma_s, float("nan")
    top_db = 10 * np.log10(max(mean[np.searchsorted(time_s, 0.0) :].max(), 1e-300) / floor)

    def none(reason):
        return Line(nan, np.full(n_rows, nan), nan, nan, nan, -top_db, reason)

    for _ in range(12):
        begin = int(np.searchsorted(time_s, first_s))
        last = int(np.searchsorted(time_s, end_s))
        if begin >= last or mean[begin] < floor * 10 ** (_HEADROOM_DB / 10):
            return none("the decay is as short as the ringing of the filter, or under the noise")
        limit = max(floor * 10 ** (_HEADROOM_DB / 10), mean[begin] * 10 ** (-range_db / 10))
        under = np.flatnonzero(mean[begin:last] < limit)
        stop = begin + int(under[0]) if under.size else last
        fall_db = 10 * np.log10(mean[begin] / mean[begin:stop].min()) if stop > begin else 0.0
        if stop - begin < 6 or time_s[stop - 1] - time_s[begin] < 2 * sigma_s:
            return none("too little of the decay stands over the noise")
        if fall_db < 8.0:
            return none("it falls by less than 8 dB before the noise or the end of the cut")
        t = time_s[begin:stop]
        weight = 1 / (floor / np.maximum(mean[begin:stop], floor) + 0.01)
        slope = _slope_row(t, weight)
        rate = -float(slope @ (0.5 * np.log(np.maximum(mean[begin:stop] - noise, 0.1 * floor))))
        needed_s = rate * sigma_s**2 + _RISE * sigma_s
        if needed_s <= first_s * 1.001:
            break
        first_s = needed_s
    else:
        return none("the filter's ringing cannot be told from the decay")
    if rate <= 0:
        return none("the band does not decay")
    left_out = np.full(n_rows, nan)
    if n_rows > 1:
        others = (mean[begin:stop] * n_rows - power[:, begin:stop]) / (n_rows - 1)
        left_out = -(0.5 * np.log(np.maximum(others - noise, 0.1 * floor))) @ slope
    log_mean = 0.5 * np.log(np.maximum(mean[begin:stop] - noise, 0.1 * floor))
    half = (stop - begin) // 2
    bend = (
        _slope_row(t[:half], weight[:half]) @ log_mean[:half]
        - _slope_row(t[half:], weight[half:]) @ log_mean[half:]
    )
    spread = slope * np.sqrt(0.5 * noise / noise_rows / np.maximum(mean[begin:stop], floor))
    alike = np.exp(-((t[:, None] - t[None, :]) ** 2) / (4 * sigma_s**2))
    noise_u = sqrt(max(0.0, float(spread @ alike @ spread)))
    return Line(
        rate=rate,
        rates_left_out=left_out,
        rate_u=sqrt(noise_u**2 + (bend / sqrt(12)) ** 2),
        start_s=float(t[0]),
        stop_s=float(t[-1]),
        noise_db=-top_db,
    )


def _slope_row(t, weight):
    """The row s with s @ y the weighted least-squares slope of y against t."""
    centred = weight * (t - np.sum(weight * t) / np.sum(weight))
    return centred / np.sum(centred * t)


def _filter_sigma_hz(bandwidth_hz):
    if not bandwidth_hz > 0:
        raise LuthkitError(
            f"bandwidth_hz is {bandwidth_hz}; use a positive width, e.g. a tenth of the frequency."
        )
    return bandwidth_hz / (2 * sqrt(log(2)))


def _one_channel(samples):
    x = np.asarray(samples, float)
    if x.ndim != 1 or x.size < 16 or not np.all(np.isfinite(x)):
        raise LuthkitError("A decay is read from one channel of at least 16 finite samples, shape (n,).")
    return x
