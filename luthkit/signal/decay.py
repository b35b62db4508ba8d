"""Damping and decay times read from the decay itself: band envelopes and Schroeder curves.

Both know two things that are easily taken for damping: the ringing of the filter and the noise at the end.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import log, pi, sqrt

import numpy as np
import scipy.fft
import scipy.signal
import scipy.special

from .._frozen import frozen_array
from ..errors import LuthkitError

_LN10 = log(10)
# the Gaussian band filter has settled to 0.1 % this many of its own time constants after the onset
_RISE = 3.0
_EXCESS = 0.9  # nepers (8 dB): a line that misses the beginning by more is not the line of this mode
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
    reason: str = ""  # why there is no value, or no uncertainty

    @property
    def damping_ratio(self) -> float:
        """zeta = 3 ln 10 / (2 pi f T60) for light damping."""
        return 3 * _LN10 / (2 * pi * self.frequency_hz * self.decay_time_s)

    @property
    def damping_ratio_u(self) -> float:
        """Standard uncertainty of the damping ratio: zeta u(T60) / T60."""
        return self.damping_ratio * self.decay_time_u_s / self.decay_time_s


# ---- one band: Gaussian filter, logarithm of the envelope, straight line --------


def band_envelope(
    samples, sample_rate_hz: float, frequency_hz: float, *, bandwidth_hz: float
) -> tuple[np.ndarray, np.ndarray]:
    """Time from the first sample and the envelope of one band, by a Gaussian filter without delay.

    samples: shape (n,). bandwidth_hz is the filter's width between its -3 dB points. Its impulse response is
    a Gaussian of standard deviation s = sqrt(ln 2) / (pi bandwidth_hz), so its ringing dies faster than any
    exponential: a decay exp(-a t) that starts at 0 comes out as exp(-a t + (a s)^2 / 2) Phi(t / s - a s),
    that is with its true slope to 0.1 % from t = a s^2 + 3 s on (Phi: the normal distribution).
    """
    x = _one_channel(samples, sample_rate_hz)
    sigma_hz = _filter_sigma_hz(bandwidth_hz)
    if not 0 < frequency_hz < sample_rate_hz / 2:
        raise LuthkitError(f"frequency_hz is {frequency_hz}; it lies between 0 and {sample_rate_hz / 2:g} Hz.")
    padded_s = len(x) / sample_rate_hz + 8 / (2 * pi * sigma_hz)
    n_fft = scipy.fft.next_fast_len(int(np.ceil(padded_s * sample_rate_hz)), real=True)
    spectrum = scipy.fft.rfft(x, n_fft)[None, :]
    step_hz = sample_rate_hz / n_fft
    envelope = np.abs(filtered_bands(spectrum, step_hz, frequency_hz, sigma_hz))[0] / n_fft
    time = np.arange(envelope.size) / (envelope.size * step_hz)
    kept = time <= len(x) / sample_rate_hz
    return time[kept], envelope[kept]


def filtered_bands(spectrum, step_hz, frequency_hz, sigma_hz):
    """Complex envelopes of real sounds given by their `rfft` rows; scaled by the length of that fft.

    The Gaussian exp(-(f - f0)^2 / (2 sigma^2)) is kept to 4.5 sigma (-88 dB); the rows come out at the low
    rate n step_hz, n the number of columns.
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
    range_db: float = 20.0,
) -> Decay:
    """Decay time of the band around `frequency_hz`, by a straight line through its logarithmic envelope.

    samples: shape (n,), one decay that starts at `onset_s`. bandwidth_hz: -3 dB width of the band (default: a
    fifth of the frequency); it must hold one mode only, and be at least about as wide as the mode.

    The line starts when the filter has settled (see `band_envelope`), which is checked against the decay
    found, and stops `range_db` lower, or 10 dB over the noise, or shortly before the end. Noise: before the
    onset where there is enough, else the last tenth. Where less than 10 dB is left, or the envelope is the
    filter's own, there is no value but a reason. The uncertainty comes from the noise and from the difference
    between the slopes of the two halves of the line (a bend is doubt).
    """
    x = _one_channel(samples, sample_rate_hz, onset_s)
    width = 0.2 * frequency_hz if bandwidth_hz is None else bandwidth_hz
    time, envelope = band_envelope(x, sample_rate_hz, frequency_hz, bandwidth_hz=width)
    sigma_s = 1 / (2 * pi * _filter_sigma_hz(width))
    power = envelope**2
    before = (time > 3 * sigma_s) & (time < onset_s - 4 * sigma_s)
    end_s = time[-1] - _RISE * sigma_s
    tail = (time > end_s - 0.1 * (end_s - onset_s)) & (time <= end_s)
    quiet = before if before.sum() >= 8 and time[before][-1] - time[before][0] > 6 * sigma_s else tail
    noise = float(power[quiet].mean()) if quiet.any() else 0.0
    line = fit_line(time - onset_s, power[None, :], noise, sigma_s=sigma_s, end_s=end_s - onset_s, range_db=range_db)
    return line.decay(frequency_hz, 0.0)


@dataclass(frozen=True, eq=False)
class Line:
    """What `fit_line` found: the amplitude decay rate a (1/s) of the mean and of averages over fewer rows."""

    rate: float
    rates_left_out: np.ndarray  # one per row of `left_out`
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


def fit_line(time_s, power, noise, *, sigma_s, end_s, range_db=20.0, left_out=()) -> Line:
    """Straight line through 1/2 ln(mean power - noise) against time, from the filter's rise to the noise.

    power: (n_rows, n_times) squared envelopes; noise: their mean noise power; left_out: (n_sets, n_rows)
    weights of averages over fewer rows, to be fitted over the same stretch. The start t0 = a s^2 + 3 s
    depends on the slope a found: repeated until both agree; a band that rings only with the filter never
    agrees, and is refused. So is one that begins far louder than the line and the filter's rise explain.
    """
    n_rows = len(power)
    mean = power.mean(axis=0)
    floor = max(noise, 1e-20 * mean.max())
    first_s, nan = _RISE * sigma_s, float("nan")
    top_db = float(10 * np.log10(mean.max() / floor)) if mean.max() > 0 and floor > 0 else 0.0

    def log_amplitude(values):
        return 0.5 * np.log(np.maximum(values - noise, 0.1 * floor))

    def none(reason):
        return Line(nan, np.full(len(left_out), nan), nan, nan, nan, -top_db, reason)

    if not mean.max() > 0:
        return none("the band is silent")
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
        log_mean = log_amplitude(mean[begin:stop])
        rate = -float(slope @ log_mean)
        needed_s = rate * sigma_s**2 + _RISE * sigma_s
        if needed_s <= first_s * 1.001:
            break
        first_s = needed_s
    else:
        return none("the filter's ringing cannot be told from the decay")
    if rate <= 0:
        return none("the band does not decay")
    early = time_s < first_s
    centre_s, centre = np.average(np.vstack([t, log_mean]), weights=weight, axis=1)
    rise = scipy.special.log_ndtr(time_s[early] / sigma_s - rate * sigma_s)  # of the filter, see band_envelope
    excess = 0.5 * log(mean[early].max()) - np.max(centre + rate * (centre_s - time_s[early]) + rise)
    if excess > _EXCESS:
        return none(f"it begins {8.686 * excess:.0f} dB louder than this decay explains: a room or a loud neighbour")
    half = (stop - begin) // 2
    bend_row = np.concatenate([_slope_row(t[:half], weight[:half]), -_slope_row(t[half:], weight[half:])])
    bend = float(bend_row @ log_mean)  # below 0: slower later, as in a room, and the early slope is nearer the truth
    rows = np.vstack([slope, bend_row]) * np.sqrt(0.5 * noise / n_rows / np.maximum(mean[begin:stop], floor))
    alike = np.exp(-((t[:, None] - t[None, :]) ** 2) / (4 * sigma_s**2))  # the filter makes neighbours alike
    noise_var, bend_var = np.sum(rows @ alike * rows, axis=1)
    bend_u = (1.0 if bend < 0 else 0.3) * sqrt(max(0.0, bend**2 - 4 * bend_var))  # what noise cannot explain
    return Line(
        rate=rate,
        rates_left_out=np.array([-slope @ log_amplitude(row @ power[:, begin:stop]) for row in left_out]),
        rate_u=sqrt(noise_var + bend_u**2),
        start_s=float(t[0]),
        stop_s=float(t[-1]),
        noise_db=-top_db,
    )


# ---- the sound as it is, or an octave: backward integration --------

EVALUATIONS = {"EDT": (0.0, -10.0), "T20": (-5.0, -25.0), "T30": (-5.0, -35.0)}  # dB, ISO 3382-1


@dataclass(frozen=True, eq=False)
class DecayCurve:
    """A Schroeder curve: the energy still to come, 0 dB at the onset."""

    time_s: np.ndarray  # (n,) from the onset
    level_db: np.ndarray  # (n,)
    noise_db: float  # where the decay meets the noise, on the same scale; the curve ends there


def schroeder_curve(samples, sample_rate_hz: float, *, onset_s: float = 0.0, band_hz=None) -> DecayCurve:
    """Energy decay curve L(t) = 10 lg (int_t^inf p^2 / int_0^inf p^2), freed of noise.

    samples: shape (n,), one decay that starts at `onset_s`. band_hz: (low, high) of a Butterworth band
    (8th order in all).

    Backward integration: Schroeder, J. Acoust. Soc. Am. 37 (1965) 409. The noise (before the onset where
    there are 50 ms, else from the end) is taken off the squared pressure; integration stops where the decay
    meets the noise, found by iteration after Lundeby, Vigran, Bietz and Vorlaender, Acustica 81 (1995) 344
    (from memory), and the energy after that point is added as if the decay went on.
    """
    x = _one_channel(samples, sample_rate_hz, onset_s)
    if band_hz is not None:
        low, high = band_hz
        if not 0 < low < high < sample_rate_hz / 2:
            raise LuthkitError(f"band_hz is {band_hz}; it rises and lies between 0 and {sample_rate_hz / 2:g} Hz.")
        sos = scipy.signal.butter(4, band_hz, "bandpass", fs=sample_rate_hz, output="sos")
        x = scipy.signal.sosfilt(sos, x)
    onset = round(onset_s * sample_rate_hz)
    energy = x[onset:] ** 2
    if energy.size < 64 or not energy.max() > 0:
        raise LuthkitError("There is no decay after the onset: the sound is silent or shorter than 64 samples.")
    before = x[: max(0, onset - round(0.005 * sample_rate_hz))]
    noise = float(np.mean(before**2)) if before.size > 0.05 * sample_rate_hz else None
    stop, noise, rate = _noise_crossing(energy, sample_rate_hz, noise)
    still = max(noise, 1e-30 * energy.max())
    per_level = sample_rate_hz / (2 * rate)
    tail = still * per_level
    if stop == energy.size:  # cut off before it met the noise: what was cut off is more than that
        last = energy[-max(1, min(round(0.05 * sample_rate_hz), energy.size // 20)) :].mean() - noise
        tail = max(tail, last * per_level)
    left = np.cumsum((energy[:stop] - noise)[::-1])[::-1] + tail
    left = left[: int(np.flatnonzero(left > 0)[-1]) + 1] if np.any(left <= 0) else left
    level = 10 * np.log10(np.maximum(left, tail) / left[0])
    return DecayCurve(
        time_s=frozen_array(np.arange(level.size) / sample_rate_hz),
        level_db=frozen_array(level),
        noise_db=float(10 * np.log10(still * per_level / left[0])),
    )


def decay_time(samples, sample_rate_hz: float, evaluation: str = "T20", *, onset_s: float = 0.0, band_hz=None) -> Decay:
    """Decay time after ISO 3382-1: a line through a stretch of the Schroeder curve, extended to 60 dB.

    evaluation: "EDT" (0 to -10 dB), "T20" (-5 to -25 dB) or "T30" (-5 to -35 dB). The noise must lie at least
    10 dB below the lower end, and bandwidth times decay time be at least 16, or the filter rings as long as
    the sound (ISO 3382-1, both from memory); otherwise there is no value but the reason. One decay shows no
    scatter, so its uncertainty is NaN: take several. Other arguments: see `schroeder_curve`.
    """
    if evaluation not in EVALUATIONS:
        raise LuthkitError(f"evaluation is {evaluation!r}; use one of {', '.join(EVALUATIONS)}.")
    upper, lower = EVALUATIONS[evaluation]
    curve = schroeder_curve(samples, sample_rate_hz, onset_s=onset_s, band_hz=band_hz)
    centre = float("nan") if band_hz is None else sqrt(band_hz[0] * band_hz[1])

    def none(reason):
        return Decay(float("nan"), float("nan"), centre, evaluation, noise_db=curve.noise_db, reason=reason)

    needed_db = lower - _HEADROOM_DB
    if curve.noise_db > needed_db:
        return none(f"the noise lies at {curve.noise_db:.0f} dB; {evaluation} needs {needed_db:.0f} dB or lower")
    if curve.level_db[-1] > lower:
        return none(
            f"it is cut off {-curve.level_db[-1]:.0f} dB down; {evaluation} needs {-lower:.0f} dB: record it longer"
        )
    inside = (curve.level_db <= upper) & (curve.level_db >= lower)
    if inside.sum() < 3:
        return none("the decay is over within three samples")
    time, level = curve.time_s[inside], curve.level_db[inside]
    slope = float(_slope_row(time, np.ones(time.size)) @ level)
    if band_hz is not None and -60 / slope * (band_hz[1] - band_hz[0]) < 16:
        return none("the band is so narrow that the filter's own ringing would be taken for the decay")
    return Decay(
        decay_time_s=-60 / slope,
        decay_time_u_s=float("nan"),
        frequency_hz=centre,
        method=evaluation,
        start_s=float(time[0]),
        stop_s=float(time[-1]),
        noise_db=curve.noise_db,
        reason="one decay shows no scatter, so no uncertainty",
    )


def _noise_crossing(energy, sample_rate_hz, noise):
    """Where the decay meets the noise (sample), the noise power, the amplitude decay rate before (1/s)."""
    n, known = energy.size, noise is not None
    stop, block = n, max(1, min(round(0.02 * sample_rate_hz), n // 50))
    if not known:
        noise = float(energy[-max(1, n // 10) :].mean())
    for _ in range(6):
        mean = energy[: n // block * block].reshape(-1, block).mean(axis=1)
        peak = int(np.argmax(mean))
        quiet = np.flatnonzero(mean[peak:] < noise * 10**0.8)
        last = max(peak + 3, peak + int(quiet[0]) if quiet.size else mean.size)
        level = 0.5 * np.log(np.maximum(mean[peak:last], 1e-300))
        late = np.flatnonzero(level < level[0] - 0.5)  # 4 dB down: past the direct sound
        fitted = late if late.size >= 3 else np.arange(level.size)
        time = (peak + fitted + 0.5) * block / sample_rate_hz
        rate = -float(_slope_row(time, np.ones(time.size)) @ level[fitted])
        rate = max(rate, 1e-3 * sample_rate_hz / n)
        crossing_s = time.mean() + (level[fitted].mean() - 0.5 * log(max(noise, 1e-300))) / rate
        settled, stop = stop, int(np.clip(crossing_s * sample_rate_hz, min(4 * block, n), n))
        if not known:  # the noise is what comes 10 dB after the crossing, at least the last tenth
            begin = min(int(stop + 0.5 * _LN10 / rate * sample_rate_hz), n - max(1, n // 10))
            noise = float(energy[begin:].mean())
        if abs(settled - stop) < block:
            break
        block = max(1, min(round(0.25 * _LN10 / rate * sample_rate_hz), n // 30))
    return stop, noise, rate


# ---- shared ------


def _slope_row(t, weight):
    """The row s with s @ y the weighted least-squares slope of y against t."""
    centred = weight * (t - np.sum(weight * t) / np.sum(weight))
    return centred / np.sum(centred * t)


def _filter_sigma_hz(bandwidth_hz):
    if not bandwidth_hz > 0:
        raise LuthkitError(f"bandwidth_hz is {bandwidth_hz}; use a positive width, e.g. a tenth of the frequency.")
    return bandwidth_hz / (2 * sqrt(log(2)))


def _one_channel(samples, sample_rate_hz, onset_s=0.0):
    x = np.asarray(samples, float)
    if x.ndim != 1 or x.size < 16 or not np.all(np.isfinite(x)):
        raise LuthkitError(f"A decay is read from one channel of 16 finite samples or more, not from shape {x.shape}.")
    if not sample_rate_hz > 0:
        raise LuthkitError(f"sample_rate_hz is {sample_rate_hz}; it must be positive.")
    if not 0 <= onset_s < x.size / sample_rate_hz:
        raise LuthkitError(f"onset_s is {onset_s}; the sound goes from 0 to {x.size / sample_rate_hz:g} s.")
    return x
