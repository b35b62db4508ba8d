"""A plucked string's note: its pitch, its partials, how far they stretch, how each dies away."""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import log, pi, sqrt

import numpy as np
import scipy.fft
import scipy.signal

from .._threads import one_thread
from ..errors import LuthkitError
from .beats import fit_one_and_two

_SIGMA_HZ = 6.0  # of the Gaussian filter around a partial: passes both motions, shuts the neighbours out
_WIDTH_SIGMAS = 3.5
_RISE_S = 3 / (2 * pi * _SIGMA_HZ)  # the filter has settled
_HEADROOM_DB = 6.0  # a decay is read down to so much over the noise
_SURE = 20.0  # half the fall of chi-square that makes a second line believed; chance brings 2, its best place some 10
_LEAST_FALL_DB = 6.0
_MOST_LEFT = 0.1  # of the energy: more, and the model is not the string
_HIDDEN = 0.07  # share of a decay rate by which two motions that look like one can bend it
_FASTEST_PER_S = 25.0  # of two lines: what dies faster is a mode of the body, or the ringing of the filter
_NAN = float("nan")


@dataclass(frozen=True)
class DecayingLine:
    """One of the one or two lines of a partial."""

    frequency_hz: float
    frequency_u_hz: float
    decay_time_s: float  # to fall by 60 dB
    decay_time_u_s: float
    level_db: float  # at the onset, against the strongest line of the note


@dataclass(frozen=True)
class Partial:
    """One partial of a note: its lines, the strongest first; none, and the reason, where it cannot be read."""

    number: int
    frequency_hz: float  # of the strongest line; of the peak where there is no line
    frequency_u_hz: float
    level_db: float
    lines: tuple[DecayingLine, ...]
    shape: str  # "one slope", "two slopes", "beats", or "" when there is no line
    reason: str = ""

    @property
    def early(self) -> DecayingLine | None:
        """The line that is loudest at the onset: how the partial begins to die away."""
        return self.lines[0] if self.lines else None

    @property
    def late(self) -> DecayingLine | None:
        """The line that rings longest."""
        return max(self.lines, key=lambda line: line.decay_time_s) if self.lines else None

    @property
    def beat_hz(self) -> float:
        """How often it swells each second; NaN where it does not beat."""
        return abs(self.lines[0].frequency_hz - self.lines[1].frequency_hz) if self.shape == "beats" else _NAN


@dataclass(frozen=True)
class Note:
    """The note of one string: partial n at n f0 sqrt(1 + B n^2), the law of a stiff string."""

    frequency_hz: float  # of the first partial by that law, f0 sqrt(1 + B): what a tuner would show
    frequency_u_hz: float
    inharmonicity: float  # B; NaN where the partials do not tell it
    inharmonicity_u: float
    partials: tuple[Partial, ...]
    reason: str = ""  # why there is no B


@one_thread
def read_note(
    samples,
    sample_rate_hz: float,
    *,
    noise=None,
    near_hz: float | None = None,
    n_partials: int = 16,
    highest_hz: float = 5000.0,
    start_s: float = 0.15,
    length_s: float = 6.0,
) -> Note:
    """Read the note of one plucked string.

    samples: shape (n,), from the onset on, ended before a hand stops the string. noise: (n,) a stretch
    without the note, at the same gain. near_hz: the pitch, where it is known to a quarter tone; else it is
    found, from 60 to 1400 Hz. n_partials, highest_hz: how many partials to read, and up to where. start_s,
    length_s: the stretch that is read; before it the body's own modes still sound.

    B from f_n = n f0 sqrt(1 + B n^2) (Fletcher, J. Acoust. Soc. Am. 36 (1964) 203, from memory) by weighted
    least squares on (f_n / n)^2 = f0^2 (1 + B n^2), twice, the second time with less weight for partials that
    the body pulls off the law; errors grow by the misfit (Birge ratio).

    Raises `LuthkitError` for another shape or a sound without a pitch.
    """
    x = np.asarray(samples, float)
    if x.ndim != 1 or x.size < 0.4 * sample_rate_hz or not np.all(np.isfinite(x)):
        raise LuthkitError("A note is read from one channel of 0.4 s or more of finite samples, shape (n,).")
    first = round(min(start_s, 0.2 * x.size / sample_rate_hz) * sample_rate_hz)
    spectrum = _line_spectrum(x[first:], sample_rate_hz)
    pitch_hz = _deepest(find_pitch(x, sample_rate_hz), spectrum) if near_hz is None else near_hz
    peaks = _partial_peaks(spectrum, pitch_hz, n_partials, min(highest_hz, 0.45 * sample_rate_hz))
    if not peaks:
        raise LuthkitError(f"No partial of a note near {pitch_hz:.1f} Hz stands out; record the string alone.")
    x = x[: first + round((length_s + 2 * _RISE_S) * sample_rate_hz)]
    partials = _read_partials(x, first, sample_rate_hz, peaks, noise)
    return _note(partials, pitch_hz)


def find_pitch(
    samples, sample_rate_hz: float, *, low_hz: float = 60.0, high_hz: float = 1400.0, least: float = 0.5
) -> float:
    """Pitch in Hz of one note, to a few cents: the first high crest of its normalised autocorrelation.

    2 r(k) / m(k), where m(k) is the energy of both parts that overlap at lag k: McLeod and Wyvill, A smarter
    way to find pitch, ICMC 2005 (from memory). The first 50 ms, the pluck itself, are left out.

    Raises `LuthkitError` when no crest reaches `least` of what equal periods would give: no pitch.
    """
    x = np.asarray(samples, float)
    q = max(1, int(sample_rate_hz // (8 * high_hz)))
    begin = round(0.05 * sample_rate_hz)
    part = x[begin : begin + round(0.6 * sample_rate_hz)]
    rate = sample_rate_hz / q
    slow = scipy.signal.resample_poly(part - part.mean(), 1, q) if q > 1 else part - part.mean()
    n, longest = slow.size, min(int(rate / low_hz * 1.1), slow.size // 2)
    spectrum = scipy.fft.rfft(slow, scipy.fft.next_fast_len(n + longest + 1, real=True))
    power = spectrum.real**2 + spectrum.imag**2
    correlation = scipy.fft.irfft(power, scipy.fft.next_fast_len(n + longest + 1, real=True))[: longest + 1]
    energy = np.concatenate([[0.0], np.cumsum(slow**2)])
    lags = np.arange(longest + 1)
    both = energy[n - lags] + energy[n] - energy[lags]
    shape = 2 * correlation / np.maximum(both, 1e-300)
    shortest = int(rate / high_hz)
    inside = np.arange(shortest, longest)
    crests = inside[(shape[inside] > shape[inside - 1]) & (shape[inside] >= shape[inside + 1])]
    crests = crests[crests > np.argmax(shape < 0)] if np.any(shape < 0) else crests[:0]
    if not crests.size or shape[crests].max() < least:
        raise LuthkitError("This sound has no pitch; record one string alone, the others damped.")
    lag = crests[np.flatnonzero(shape[crests] > 0.9 * shape[crests].max())[0]]
    left, mid, right = shape[lag - 1 : lag + 2]
    return float(rate / (lag + 0.5 * (left - right) / (left - 2 * mid + right)))


def _line_spectrum(x, rate):
    """(magnitudes, their step in Hz) of the first second and a half."""
    part = x[: round(1.5 * rate)]
    size = scipy.fft.next_fast_len(2 * part.size, real=True)
    return np.abs(scipy.fft.rfft(part * np.hanning(part.size), size)), rate / size


def _deepest(pitch_hz, spectrum) -> float:
    """The pitch, or its half or third where partials of that stand between those of the pitch.

    Where the body lifts the second partial far over the first, the sound nearly repeats within half its period.
    """
    for part in (2, 3):
        if pitch_hz / part < 60:
            continue
        numbers = [n for n, _ in _partial_peaks(spectrum, pitch_hz / part, 4 * part, 5000.0, floor=2e-3)]
        if sum(n % part > 0 for n in numbers) >= 3 * (part - 1) and 1 in numbers:
            return pitch_hz / part
    return pitch_hz


def _partial_peaks(spectrum, pitch_hz, n_partials, highest_hz, *, floor=1e-4) -> list[tuple[int, float]]:
    """(number, frequency in Hz) of partials, each sought where those below it foretell it."""
    magnitude, step = spectrum
    floor = floor * magnitude.max()
    found: list[tuple[int, float]] = []
    f0, stretch = pitch_hz, 0.0
    for n in range(1, n_partials + 1):
        expected = n * f0 * sqrt(1 + max(stretch, 0.0) * n * n)
        reach = min(0.03 * expected, 0.25 * f0) if n < 4 else min(0.004 * expected + 2.0, 0.25 * f0)
        low, high = int((expected - reach) / step), int((expected + reach) / step) + 1
        if expected > highest_hz or high >= magnitude.size - 1:
            break
        k = low + int(np.argmax(magnitude[low:high]))
        around = magnitude[int(max(0, (expected - 0.4 * f0) / step)) : int((expected + 0.4 * f0) / step) + 1]
        if not low < k < high - 1 or magnitude[k] < max(floor, 8 * np.median(around)):
            continue
        a, b, c = np.log(magnitude[k - 1 : k + 2])
        found.append((n, (k + 0.5 * (a - c) / (a - 2 * b + c)) * step))
        f0, stretch = _law(np.array(found), np.ones(len(found)))[:2] if len(found) > 3 else (found[-1][1] / n, 0.0)
    return found


def _law(found, weight):
    """(f0, B, covariance of (f0^2, f0^2 B), misfit) by weighted least squares; found: rows (n, f_n)."""
    n, frequency = found.T
    columns = np.stack([np.ones(n.size), n**2], axis=1)
    y = (frequency / n) ** 2
    normal = columns.T @ (weight[:, None] * columns)
    covariance = np.linalg.inv(normal)
    level, slope = covariance @ (columns.T @ (weight * y))
    left = y - columns @ [level, slope]
    return sqrt(level), slope / level, covariance, left


def _read_partials(x, first, rate, peaks, noise) -> list[Partial]:
    """Lines of all partials at once."""
    part = x[first:]
    size = scipy.fft.next_fast_len(part.size + round(8 * _RISE_S * rate), real=True)
    step = rate / size
    half = int(np.ceil(_WIDTH_SIGMAS * _SIGMA_HZ / step))
    spectrum = scipy.fft.rfft(part, size)
    middle = np.array([round(f / step) for _, f in peaks])
    offset = np.arange(-half, half + 1)
    bins = middle[:, None] + offset
    inside = (bins > 0) & (bins < spectrum.size)
    gain = 2 * np.exp(-0.5 * (offset * step / _SIGMA_HZ) ** 2)
    band = np.where(inside, spectrum[np.clip(bins, 0, spectrum.size - 1)], 0) * gain
    n = scipy.fft.next_fast_len(2 * half + 1)
    band = np.concatenate([band[:, half:], np.zeros((len(band), n - band.shape[1])), band[:, :half]], axis=1)
    envelopes = scipy.fft.ifft(band, axis=1) * (n / size)
    band_rate = n * step
    time = np.arange(n) / band_rate
    used = (time >= _RISE_S) & (time <= part.size / rate - _RISE_S)
    envelopes, time = envelopes[:, used], time[used] + first / rate
    noise_power = _noise_power(noise, rate, middle * step)
    weights = _weights(envelopes, noise_power)
    ratio = band_rate / (_SIGMA_HZ * sqrt(pi))
    one, two = fit_one_and_two(envelopes, time, weights, noise_ratio=ratio)
    top = max(np.abs(one.amplitudes[:, 0]).max(), 1e-300)
    partials = []
    energy = np.sum(weights * np.abs(envelopes) ** 2, axis=1)
    for k, (number, peak_hz) in enumerate(peaks):
        count = int(weights[k].sum())
        level = np.abs(envelopes[k][: max(1, count)])
        reason = _unreadable(level, count, two.misfit[k] / max(energy[k], 1e-300))
        if not reason:
            lines, shape = _best_lines(one, two, k, middle[k] * step, top, ratio, count, count / band_rate)
            if lines[0].decay_time_s > 60 / _LEAST_FALL_DB * 2 * count / band_rate:
                reason = "it swells and fades without a steady decay"
        if reason:
            level_db = float(20 * np.log10(max(level[0], 1e-300) / top))
            partials.append(Partial(number, float(peak_hz), _NAN, level_db, (), "", reason))
        else:
            first_line = lines[0]
            told = (first_line.frequency_hz, first_line.frequency_u_hz, first_line.level_db)
            partials.append(Partial(number, *told, lines, shape))
    return partials


def _unreadable(level, count, share) -> str:
    """Why no decay can be read from the amplitudes `level` (count,), of which two lines leave `share` over."""
    if count < 12:
        return "too little of it stands over the noise"
    fall_db = 20 * np.log10(level[: max(3, count // 10)].max() / max(level[-max(3, count // 10) :].max(), 1e-300))
    if fall_db < _LEAST_FALL_DB:
        return f"it falls by {max(fall_db, 0):.0f} dB only before the end; record it longer"
    if share > _MOST_LEFT:
        return f"neither one nor two decays describe it ({100 * share:.0f} % of its energy is left over)"
    return ""


def _best_lines(one, two, k, middle_hz, top, ratio, count, span_s) -> tuple[tuple[DecayingLine, ...], str]:
    """The lines of a partial and what they make together: two where they are sure and do something, else one."""
    variance = two.misfit[k] / max(count - 4, 1) * ratio / 2
    gained = (one.misfit[k] - two.misfit[k]) / max(variance, 1e-300) / 2
    single = _lines(one, k, middle_hz, top)
    if gained < _SURE:
        return (_with_doubt(single[0]),), "one slope"
    pair = _lines(two, k, middle_hz, top)
    if shape := _shape(pair, span_s):
        return pair, shape
    # something is there beside the line that cannot be told apart from it: the doubt goes into the errors
    line, other = single[0], min(pair, key=lambda each: abs(each.frequency_hz - single[0].frequency_hz))
    moved_s = min(abs(line.decay_time_s - other.decay_time_s), line.decay_time_s)
    wider = replace(
        line,
        frequency_u_hz=sqrt(line.frequency_u_hz**2 + (line.frequency_hz - other.frequency_hz) ** 2),
        decay_time_u_s=sqrt(line.decay_time_u_s**2 + moved_s**2),
    )
    return (_with_doubt(wider),), "one slope"


def _with_doubt(line: DecayingLine) -> DecayingLine:
    """A single line with the error of two motions that may hide in it: nearer to each other than half a beat in
    the stretch read, they pass for one (that share was read off simulated plucks)."""
    return replace(
        line,
        frequency_u_hz=sqrt(line.frequency_u_hz**2 + (_HIDDEN * 3 * log(10) / line.decay_time_s / (2 * pi)) ** 2),
        decay_time_u_s=sqrt(line.decay_time_u_s**2 + (_HIDDEN * line.decay_time_s) ** 2),
    )


def _lines(fit, k, middle_hz, top) -> tuple[DecayingLine, ...]:
    lines = []
    for pole, amplitude, u in zip(fit.poles[k], fit.amplitudes[k], fit.pole_u[k], strict=True):
        decay_s = 3 * log(10) / -pole.real
        frequency_hz = middle_hz + pole.imag / (2 * pi)
        level_db = 20 * np.log10(max(abs(amplitude), 1e-300) / top)
        lines.append(
            DecayingLine(
                float(frequency_hz),
                float(u / (2 * pi)),
                float(decay_s),
                float(decay_s * u / -pole.real),
                float(level_db),
            )
        )
    return tuple(lines)


def _shape(lines, span_s) -> str:
    """What two lines make together; "" when the second is none that a string could make, or is not sure."""
    strong, weak = lines
    rates = sorted(3 * log(10) / line.decay_time_s for line in lines)
    unsure = any(line.decay_time_u_s > 0.5 * line.decay_time_s for line in lines)
    if unsure or weak.level_db < strong.level_db - 40 or strong.level_db > 12 or rates[1] > _FASTEST_PER_S:
        return ""
    apart_hz = abs(strong.frequency_hz - weak.frequency_hz)
    if apart_hz > 2 * _SIGMA_HZ:
        return ""
    heard_s = min(span_s, *(line.decay_time_s for line in lines))
    if apart_hz * heard_s > 0.5:
        return "beats"
    return "two slopes" if rates[1] > 1.15 * rates[0] else ""


def _weights(envelopes, noise_power):
    """1 up to the last sample that stands over the noise, 0 after it."""
    power = np.abs(envelopes) ** 2
    over = power > (noise_power * 10 ** (_HEADROOM_DB / 10))[:, None]
    last = power.shape[1] - np.argmax(over[:, ::-1], axis=1)
    last = np.where(over.any(axis=1), last, 0)
    return (np.arange(power.shape[1]) < last[:, None]).astype(float)


def _noise_power(noise, rate, frequency_hz):
    """Mean |envelope|^2 that the noise gives in each band."""
    if noise is None or len(noise) < 0.05 * rate or not np.any(noise):
        return np.zeros(len(frequency_hz))
    noise = np.asarray(noise, float)
    own, density = scipy.signal.welch(noise - noise.mean(), rate, nperseg=min(len(noise), round(0.1 * rate)))
    # one-sided density S: the analytic envelope has 2 S times the noise bandwidth sigma sqrt(pi)
    return 2 * np.interp(frequency_hz, own, density) * _SIGMA_HZ * sqrt(pi)


def _note(partials, pitch_hz) -> Note:
    """Pitch and inharmonicity from the partials' frequencies."""
    known = [p for p in partials if np.isfinite(p.frequency_u_hz)]
    if not known:
        return Note(pitch_hz, _NAN, _NAN, _NAN, tuple(partials), "no partial could be read")
    if len(known) < 4:
        first = known[0]
        reason = f"{len(known)} partials were read; 4 are needed"
        return Note(
            first.frequency_hz / first.number, first.frequency_u_hz / first.number, _NAN, _NAN, tuple(partials), reason
        )
    found = np.array([(p.number, p.frequency_hz) for p in known])
    n, frequency = found.T
    # the body pulls partials about by some 1e-5 of their frequency at least (common experience, no source)
    error = np.hypot([p.frequency_u_hz for p in known], 2e-5 * frequency)
    weight = (n**2 / (2 * frequency * error)) ** 2
    for _ in range(3):
        f0, stretch, covariance, left = _law(found, weight)
        pull = np.abs(left) * np.sqrt((n**2 / (2 * frequency * error)) ** 2)
        scale = max(1.0, 1.4826 * float(np.median(pull)))
        weight = (n**2 / (2 * frequency * error)) ** 2 / np.maximum(1.0, pull / (2 * scale))
    f0, stretch, covariance, left = _law(found, weight)
    birge = max(1.0, float(np.sum(weight * left**2)) / (len(known) - 2))
    covariance = covariance * birge
    level, slope = f0**2, f0**2 * stretch
    stretch_u = sqrt(np.array([-slope / level**2, 1 / level]) @ covariance @ [-slope / level**2, 1 / level])
    tuned_hz = sqrt(level + slope)
    tuned_u_hz = sqrt(np.array([1.0, 1.0]) @ covariance @ [1.0, 1.0]) / (2 * tuned_hz)
    return Note(tuned_hz, tuned_u_hz, float(stretch), stretch_u, tuple(partials))
