"""Looking ahead: where a mode will come to rest and when. Looking back: where a new guitar must start.

Both are told with a band. How far guitars settle differs from guitar to guitar; only the shop's own settled guitars
can say how far, and with few of them the band is wide.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import exp, isfinite, sqrt

import numpy as np

from ..errors import LuthkitError
from .settling import CANNOT_TELL, COVERAGE, PERCENTILES, SETTLING, TWICE, Course, Interval, draws

FEWEST_GUITARS = 3  # below this the usual settling is all there is to go by
# How far the main modes settle from the first days to rest, as a fall of ln(frequency): from the range of -1 to
# +4 % (from memory), read as two standard deviations either way.
USUAL_FALL, USUAL_FALL_U = 0.015, 0.0125
_DAYS_AHEAD = np.concatenate([[0.0], np.geomspace(1.0, 10 * 365.25, 160)])


@dataclass(frozen=True)
class Outlook:
    """Where a mode comes to rest, and in how many days from the last session it will be within a distance of that.

    `wait_days` is 0 for a mode that is there already; an end that is not reached within ten years is infinite.
    """

    settled_hz: Interval  # of the damping ratio when the series is of damping
    within: float  # the distance, as a fraction
    wait_days: Interval
    sentence: str


def look_ahead(course: Course, *, within: float = 0.005) -> Outlook:
    """Where a course comes to rest and when it will be within the fraction `within` of that, with bands.

    Raises `LuthkitError` when `within` is no positive fraction.
    """
    if not (isfinite(within) and 0 < within < 1):
        raise LuthkitError(f"within is {within!r}; give a fraction such as 0.005 for 0.5 %")
    last = float(course.series.day[-1])
    paths = draws(course.fits, course.system, np.append(last + _DAYS_AHEAD, np.inf))
    far = np.abs(paths[:, :-1] - paths[:, -1:]) > within
    # the first day after which it stays within
    later = far.shape[1] - np.argmax(far[:, ::-1], axis=1)
    waits = np.where(far.any(axis=1), np.append(_DAYS_AHEAD, np.inf)[later], 0.0)
    low, middle, high = (float(q) for q in np.percentile(waits, PERCENTILES, method="inverted_cdf"))
    rest = course.settled_log
    settled = Interval(exp(rest.value), exp(rest.low), exp(rest.high))
    return Outlook(settled, within, Interval(middle, low, high), _ahead(course, within, low, high))


def _ahead(course, within, low, high) -> str:
    near = f"within {100 * within:g} % of where it comes to rest"
    if course.shape == CANNOT_TELL:
        return "Cannot tell: too few sessions."
    if high == 0:
        return f"It is {near} already."
    told = days_text(high) if isfinite(high) else "more than ten years"
    start = "may be there already" if low == 0 else f"will take {days_text(low)} at least"
    sentence = f"It {start}, and is {near} {told} after the last reading at most ({100 * COVERAGE:.0f} % band)."
    if not isfinite(high):
        sentence = f"It {start}; when it will be {near} cannot be told yet."
    if course.shape not in (SETTLING, TWICE):
        sentence += " No settling was seen so far: the band says what these sessions leave possible."
    return sentence


def days_text(span_days: float) -> str:
    """Days, months or years, as fits.

    >>> days_text(1), days_text(40), days_text(200), days_text(1000)
    ('1 day', '40 days', '7 months', '2.7 years')
    """
    if span_days < 60:
        return f"{span_days:.0f} day{'s' * (round(span_days) != 1)}"
    return f"{span_days / 30.44:.0f} months" if span_days < 730 else f"{span_days / 365.25:.2g} years"


@dataclass(frozen=True)
class Settled:
    """One guitar of the shop that has settled: ln(first reading / value at rest) of one mode, and its error."""

    name: str
    fall_log: float
    fall_log_u: float

    def __post_init__(self):
        if not (isfinite(self.fall_log) and isfinite(self.fall_log_u) and self.fall_log_u > 0):
            raise LuthkitError(
                f"{self.name} settled by {self.fall_log!r} +- {self.fall_log_u!r}; give two numbers, the second above 0"
            )


def settled_from(name: str, course: Course, *, day: float = 0.0) -> Settled:
    """How far a course fell from some day (default: the first session) to rest, from `draws`."""
    paths = draws(course.fits, course.system, [day, np.inf])
    fall = paths[:, 0] - paths[:, 1]
    low, middle, high = np.percentile(fall, [15.865, 50, 84.135])
    return Settled(name, float(middle), float((high - low) / 2))


@dataclass(frozen=True)
class Start:
    """Where a new guitar must start, with its 95 % band, to come to rest where the reference stands."""

    start_hz: Interval
    fall_log: float  # expected settling
    fall_log_u: float  # of one new guitar, not of the mean
    sentence: str


def look_back(reference_hz: float, reference_u_hz: float, guitars: Sequence[Settled] = ()) -> Start:
    """Where must a new guitar start so that it settles to the reference: start = reference * exp(fall).

    The fall is pooled over the shop's own settled guitars with a variance between guitars after Mandel and Paule
    (Journal of Research of the NBS 87, 1982); the band is that of one new guitar: Student's t with n - 1 degrees of
    freedom on the sum of the variance between guitars, the error of their mean and that of the reference. With
    fewer than `FEWEST_GUITARS` guitars the usual fall and its spread, from memory, stand in, and it says so.

    Raises `LuthkitError` for a reference that is no positive frequency.
    """
    if not (isfinite(reference_hz) and reference_hz > 0):
        raise LuthkitError(f"the reference is {reference_hz!r} Hz; give the frequency of its mode, above 0")
    from scipy.stats import norm, t

    guitars, n = tuple(guitars), len(guitars)
    reference_u = reference_u_hz / reference_hz if isfinite(reference_u_hz) else 0.0
    falls = np.array([g.fall_log for g in guitars])
    variances = np.array([g.fall_log_u**2 for g in guitars])
    if n >= FEWEST_GUITARS:
        mean, mean_u, between_u = pool(falls, variances)
        factor = float(t.ppf(0.5 + COVERAGE / 2, n - 1))
    else:  # the usual fall is one guitar's worth of knowledge beside each guitar of the shop
        between_u = USUAL_FALL_U
        weights = np.concatenate([[USUAL_FALL_U**-2], 1 / (variances + between_u**2)])
        mean = float(weights @ np.concatenate([[USUAL_FALL], falls]) / weights.sum())
        mean_u = weights.sum() ** -0.5
        factor = float(norm.ppf(0.5 + COVERAGE / 2))
    u = sqrt(mean_u**2 + between_u**2)
    reach = factor * sqrt(u**2 + reference_u**2)
    start = Interval(*(reference_hz * exp(x) for x in (mean, mean - reach, mean + reach)))
    if n >= FEWEST_GUITARS:
        basis = f"This rests on how {n} of the shop's own guitars settled."
    else:
        many = {0: "none of the shop's own guitars has", 1: "only one of the shop's own guitars has"}
        many = many.get(n, f"only {n} of the shop's own guitars have")
        basis = f"So far {many} settled: the band rests mostly on how far guitars usually settle (from memory)."
    sentence = (
        f"To come to rest at {reference_hz:.1f} Hz a new guitar must start between {start.low:.1f} and "
        f"{start.high:.1f} Hz ({100 * COVERAGE:.0f} % band). {basis}"
    )
    return Start(start, mean, u, sentence)


def pool(values, variances) -> tuple[float, float, float]:
    """(mean, its standard uncertainty, standard deviation between) of values (n,) with known variances (n,).

    Mandel and Paule: the variance between is the one that makes the weighted squares about the mean n - 1, or 0.
    """
    from scipy.optimize import brentq

    values, variances = np.asarray(values, dtype=float), np.asarray(variances, dtype=float)

    def at(between):
        weights = 1 / (variances + between)
        mean = weights @ values / weights.sum()
        return mean, weights.sum() ** -0.5, weights @ (values - mean) ** 2 - (len(values) - 1)

    between = 0.0
    if at(0.0)[2] > 0:
        highest = 10 * (np.var(values) + variances.max())
        between = float(brentq(lambda b: at(b)[2], 0.0, highest, xtol=1e-18, rtol=1e-12))
    mean, u, _ = at(between)
    return float(mean), float(u), sqrt(between)
