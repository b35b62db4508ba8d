"""The sentinel: a metal bar that is never altered, tapped in each session, checks microphone, card and computer.

A bar of metal rings at one pitch and for many seconds, today as in ten years. When its reading changes, the
chain of microphone and computer has changed (or the bar was damped), and so may the readings of guitars.

Lay it on soft foam at its nodes, 0.224 of its length from each end, tap the middle, and quiet it with a finger
before the next tap.
"""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from dataclasses import dataclass
from math import hypot, isfinite, log, nan, pi, sqrt

import numpy as np
from scipy.stats import t as student

from ..errors import LuthkitError
from ..signal.taps import TapSet
from ..wood.bars import Bar, astm_modulus_pa

TAP_OPTIONS = {"max_q": 1e9, "min_fall_db": -200.0, "min_length_s": 1.0}  # for find_taps: a bar rings for long
WITHIN = 0.0005  # a change of frequency by less is not told: sound cards and bars are not better (common practice)
WITHIN_DAMPING = 0.25  # the same for damping: foam and fingers (common practice, no source)
_TEMPERATURE_UNKNOWN_U_C = 4.0  # how far an unheated day may be from another, where nobody noted it
_STEP_S, _SKIP_S = 0.08, 0.3  # the room has died away before the ring is read
_LOWEST_HZ, _HIGHEST_HZ = 80.0, 1000.0
_SIZES_U = {  # its power in the modulus, and how well a maker measures it (common practice, no source)
    "length_m": (3, 0.5e-3),
    "thickness_m": (3, 0.05e-3),
    "width_m": (1, 0.1e-3),
    "mass_kg": (1, 0.5e-3),
}


@dataclass(frozen=True)
class Metal:
    """What a bar is made of; figures from memory, wide enough for the common alloys."""

    modulus_low_pa: float
    modulus_high_pa: float
    poisson_ratio: float
    per_kelvin: float  # change of frequency with temperature, as a fraction
    per_kelvin_u: float


METALS = {
    "steel": Metal(188e9, 216e9, 0.29, -1.4e-4, 0.4e-4),
    "aluminium": Metal(66e9, 75e9, 0.33, -2.6e-4, 0.6e-4),
    "brass": Metal(95e9, 115e9, 0.34, -1.9e-4, 0.6e-4),
}


@dataclass(frozen=True)
class BarReading:
    """Pitch and damping of the bar in one session, with standard uncertainties from the taps."""

    frequency_hz: float
    frequency_u_hz: float
    damping_ratio: float
    damping_ratio_u: float
    n_taps: int
    temperature_c: float = nan  # NaN = not noted
    date: datetime.date | None = None


@dataclass(frozen=True)
class BarCheck:
    """Whether the bar reads as it should, in words; `change` and `change_u` are fractions, NaN = no comparison."""

    verdict: str  # "as it should be", "not as it should be" or "cannot tell"
    reasons: tuple[str, ...]
    frequency_change: float = nan
    frequency_change_u: float = nan
    damping_change: float = nan
    damping_change_u: float = nan
    modulus_pa: float = nan
    modulus_u_pa: float = nan


def read_bar(
    tapset: TapSet, *, expected_hz: float | None = None, temperature_c: float = nan, date: datetime.date | None = None
) -> BarReading:
    """Frequency and damping of the strongest line of a struck bar (or the strongest within 10 % of `expected_hz`).

    From 0.3 s after each blow on, the line is brought down to zero frequency and averaged over 0.08 s at a time; a
    straight line through its phase gives the frequency, one through the logarithm of its amplitude the decay rate
    alpha, both weighted by the amplitude squared: zeta = alpha / (2 pi f). A steady room does not change either
    of them. Uncertainty: scatter over the taps, widened by Student's t, and the residuals of the lines.

    The taps must have been found with `TAP_OPTIONS`. Raises `LuthkitError` when there is none, or no line stands
    out.

    >>> import numpy as np
    >>> from luthkit.signal.recording import Recording
    >>> from luthkit.signal.taps import find_taps
    >>> t = np.arange(0, 2, 1 / 48000)
    >>> sound = np.concatenate([np.zeros(24000), 0.3 * np.exp(-2 * t) * np.sin(2 * np.pi * 440 * t)])
    >>> sound += 1e-5 * np.random.default_rng(1).standard_normal(len(sound))
    >>> reading = read_bar(find_taps(Recording.from_samples(sound, 48000), **TAP_OPTIONS))
    >>> round(reading.frequency_hz, 2), round(reading.damping_ratio * 2 * np.pi * 440, 2)
    (440.0, 2.0)
    """
    if not tapset.taps:
        why = f": {tapset.rejected[0].reason}" if tapset.rejected else ""
        raise LuthkitError(f"there is no usable tap of the bar{why}")
    low, high = (_LOWEST_HZ, _HIGHEST_HZ) if expected_hz is None else (0.9 * expected_hz, 1.1 * expected_hz)
    if not 20 <= low < high <= 8000:
        raise LuthkitError(f"expected_hz is {expected_hz}; a bar of 25 to 7000 Hz can be read")
    start_hz = _strongest(tapset, low, high)
    lines = np.array([_line(tap, start_hz) for tap in tapset.taps])
    lines = lines[np.isfinite(lines).all(axis=1)]
    if not len(lines):
        raise LuthkitError("no line of the bar stands out of the noise for long enough; tap harder, in a quiet moment")
    frequency, frequency_u = _mean(lines[:, 0], lines[:, 1])
    rate, rate_u = _mean(lines[:, 2], lines[:, 3])
    undamped_hz = hypot(frequency, rate / (2 * pi))
    ratio, ratio_u = np.array([rate, rate_u]) / (2 * pi * undamped_hz)
    return BarReading(undamped_hz, frequency_u, float(ratio), float(ratio_u), len(lines), temperature_c, date)


def check_with_history(now: BarReading, earlier: Sequence[BarReading], *, metal: str = "steel") -> BarCheck:
    """The bar now beside its own earlier readings, each brought to the temperature of now.

    A change is told when it is larger than twice its standard uncertainty and than `WITHIN` (frequency) or
    `WITHIN_DAMPING`; one that is only larger than the latter leaves "cannot tell". The uncertainty holds the
    scatter of the earlier readings, both readings' own, and that of the temperature. With one earlier reading
    only, its own uncertainty stands for the scatter.
    Raises `LuthkitError` for an unknown metal.
    """
    kind = _metal(metal)
    if not earlier:
        return BarCheck("cannot tell", ("This is the first reading of the bar; there is nothing to hold it against.",))
    shifts, shifts_u = zip(*(_warmed(one, now, kind) for one in earlier), strict=True)
    frequency = [one.frequency_hz * (1 + shift) for one, shift in zip(earlier, shifts, strict=True)]
    expected, scatter = _expected(frequency, [one.frequency_u_hz for one in earlier])
    change = now.frequency_hz / expected - 1
    change_u = hypot(scatter / expected, now.frequency_u_hz / expected, min(shifts_u))
    damping, damping_scatter = _expected([one.damping_ratio for one in earlier], [o.damping_ratio_u for o in earlier])
    damping_change = now.damping_ratio / damping - 1
    damping_change_u = hypot(damping_scatter, now.damping_ratio_u) / damping
    reasons = []
    if abs(change) > max(2 * change_u, WITHIN):
        reasons.append(
            f"The bar reads {100 * change:+.3f} % (± {200 * change_u:.3f} %) against its own history. A bar does not "
            "change: look at the sample rate set in the computer and the recorder, and whether it is the same bar."
        )
    if abs(log(1 + damping_change)) > max(2 * damping_change_u, log(1 + WITHIN_DAMPING)):
        more = "faster" if damping_change > 0 else "more slowly"
        reasons.append(
            f"The bar dies away {more} than before (damping {100 * damping_change:+.0f} %, ± "
            f"{200 * damping_change_u:.0f} %): look at its foam and fingers, then at the system's gain control "
            "and noise suppression."
        )
    verdict = "not as it should be" if reasons else "as it should be"
    perhaps = abs(change) > WITHIN or abs(log(1 + damping_change)) > log(1 + WITHIN_DAMPING)
    blunt = 2 * change_u > 4 * WITHIN or 2 * damping_change_u > 2 * WITHIN_DAMPING
    if not reasons and (perhaps or blunt):
        verdict = "cannot tell"
        reasons.append(
            "The readings of the bar scatter too much to say whether anything changed; tap it five times, and write "
            "down the temperature."
        )
    return BarCheck(verdict, tuple(reasons), change, change_u, damping_change, damping_change_u)


def check_with_size(now: BarReading, bar: Bar, *, metal: str = "steel") -> BarCheck:
    """The modulus of the bar from its pitch, size and mass after ASTM E1876, beside what the metal has.

    u(E)/E adds up 2 u(f)/f, 3 u(L)/L, 3 u(t)/t, u(b)/b and u(m)/m as squares (JCGM 100). The reading must be the
    first bending mode. Raises `LuthkitError` for an unknown metal.
    """
    kind = _metal(metal)
    modulus = astm_modulus_pa(bar, frequency_hz=now.frequency_hz, poisson_ratio=kind.poisson_ratio)
    parts = [power * u / getattr(bar, size) for size, (power, u) in _SIZES_U.items()]
    modulus_u = modulus * float(np.linalg.norm([2 * now.frequency_u_hz / now.frequency_hz, *parts]))
    reads = f"By its size and pitch the bar has {modulus / 1e9:.0f} ± {2 * modulus_u / 1e9:.0f} GPa"
    usual = f"{metal} has {kind.modulus_low_pa / 1e9:.0f} to {kind.modulus_high_pa / 1e9:.0f}"
    if modulus_u > 0.1 * modulus:
        verdict, reason = "cannot tell", f"{reads}: too wide to say anything; measure its thickness to 0.05 mm."
    elif kind.modulus_low_pa - 2 * modulus_u <= modulus <= kind.modulus_high_pa + 2 * modulus_u:
        verdict, reason = "as it should be", f"{reads}; {usual}."
    else:
        verdict = "not as it should be"
        reason = f"{reads}; {usual}: look at the sizes and the metal, then at the sample rate of the recording."
    return BarCheck(verdict, (reason,), modulus_pa=modulus, modulus_u_pa=modulus_u)


def _metal(name: str) -> Metal:
    if name not in METALS:
        raise LuthkitError(f"metal {name!r} is not known; allowed are {', '.join(METALS)}")
    return METALS[name]


def _warmed(earlier: BarReading, now: BarReading, kind: Metal) -> tuple[float, float]:
    """(relative shift of an earlier frequency to the temperature of now, its standard uncertainty)."""
    difference = now.temperature_c - earlier.temperature_c
    if not isfinite(difference):
        return 0.0, abs(kind.per_kelvin) * _TEMPERATURE_UNKNOWN_U_C
    return kind.per_kelvin * difference, kind.per_kelvin_u * abs(difference)


def _expected(values, errors) -> tuple[float, float]:
    """(mean of earlier values, standard uncertainty of the difference to one more reading without its own error)."""
    n, mean, own = len(values), float(np.mean(values)), float(np.sqrt(np.mean(np.square(errors))))
    if n == 1:
        return mean, own
    widened = student.ppf(0.975, n - 1) / 1.96
    return mean, max(own, float(np.std(values, ddof=1)) * widened) * sqrt(1 + 1 / n)


def _strongest(tapset: TapSet, low_hz: float, high_hz: float) -> float:
    """Frequency of the strongest line late in the taps."""
    rate = tapset.taps[0].sample_rate_hz
    size = 1 << (4 * rate).bit_length()  # a quarter of a hertz or finer
    total = 0.0
    for tap in tapset.taps:
        late = tap.samples[round((tap.onset_s + _SKIP_S) * rate) :]
        total += np.sum(np.abs(np.fft.rfft(late * np.hanning(len(late))[:, np.newaxis], size, axis=0)) ** 2, axis=1)
    frequency = np.fft.rfftfreq(size, 1 / rate)
    inside = (frequency >= low_hz) & (frequency <= high_hz)
    return float(frequency[inside][np.argmax(total[inside])])


def _line(tap, start_hz: float) -> tuple[float, float, float, float]:
    """(frequency, its error, decay rate in 1/s, its error) of the line near `start_hz`; NaN without one."""
    rate = tap.sample_rate_hz
    onset, step = round(tap.onset_s * rate), round(_STEP_S * rate)
    lines = []
    for wave in tap.samples.T:
        carried = wave * np.exp(-2j * pi * start_hz * np.arange(len(wave)) / rate)
        late = carried[onset + round(_SKIP_S * rate) :]
        values = _averages(late, step)
        before = np.abs(_averages(carried[: max(0, onset - round(0.005 * rate))], step))
        noise = max(float(np.median(before)) if len(before) else 0.0, 1e-9)
        count = int(np.argmax(np.abs(values) < 10 * noise)) or len(values)  # up to where noise comes near
        if np.abs(values[:1]).sum() < 10 * noise or count < 5:
            continue
        values, time = values[:count], np.arange(count) * _STEP_S
        turn, turn_u = _slope(time, np.unwrap(np.angle(values)), np.abs(values))
        fall, fall_u = _slope(time, np.log(np.abs(values)), np.abs(values))
        lines.append((start_hz + turn / (2 * pi), turn_u / (2 * pi), -fall, fall_u))
    return min(lines, key=lambda line: line[1], default=(nan,) * 4)


def _averages(wave: np.ndarray, step: int) -> np.ndarray:
    """Hann-weighted averages of one step after the other."""
    window = np.hanning(step + 2)[1:-1]
    count = len(wave) // step
    return wave[: count * step].reshape(count, step) @ window / window.sum()


def _slope(x, y, weight) -> tuple[float, float]:
    """(slope, standard error from the residuals) of a straight line, weights proportional to 1 / error."""
    found, covariance = np.polyfit(x, y, 1, w=weight, cov=True)
    return float(found[0]), float(sqrt(covariance[0, 0]))


def _mean(values: np.ndarray, errors: np.ndarray) -> tuple[float, float]:
    """(mean, standard uncertainty): scatter over the taps, and no less than the taps' own errors."""
    n = len(values)
    own = sqrt(float(np.mean(errors**2)) / n)
    if n == 1:
        return float(values[0]), own
    scatter = float(np.std(values, ddof=1)) / sqrt(n) * student.ppf(0.975, n - 1) / 1.96
    return float(np.mean(values)), max(own, scatter)
