"""Settling: did a mode change over the years beyond the weather, how, and where does it come to rest?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import inf, nan

import numpy as np

from .._frozen import frozen_array
from .._threads import one_thread
from ..errors import LuthkitError
from .exponential import fit_rate, rate_interval
from .history import Series
from .shapes import (
    DRIFT,
    LONGEST_DAYS,
    NO_CHANGE,
    SETTLING,
    SHORTEST_DAYS,
    TWICE,
    ShapeFit,
    System,
    find_system,
    fit_shapes,
    shape_columns,
)
from .verdicts import CANNOT_TELL
from .weather import WeatherTerms, weather_terms

UNTOLD = "changing, shape not told"
FEWEST_SESSIONS = 4  # below this nothing is said of change
FEW_SESSIONS = 8  # below this the bands are called wide
CHANCE = 0.05  # of calling a guitar changed that is not
CLEARER = 2.0  # difference of the information criterion from which on one shape is preferred
COVERAGE = 0.95  # of the band about where it comes to rest
PERCENTILES = (50 - 50 * COVERAGE, 50, 50 + 50 * COVERAGE)
_MADE = 1999  # series without a change that the real one is held against


@dataclass(frozen=True)
class Interval:
    """A value with the ends of its interval, NaN where there is none; `coverage` is the probability."""

    value: float
    low: float
    high: float
    coverage: float = 0.95


@dataclass(frozen=True, eq=False)
class Course:
    """How one quantity of one mode went over time, and what can be said of it.

    `change` is the change from the first to the last session with weather and events taken out, as a difference
    of logarithms (0.01 is 1 %); `no_more_than` is the largest change these sessions leave possible. `settled_log`
    is where it comes to rest. `chance` is how often a guitar that does not change would look so changed.
    """

    series: Series
    weather: WeatherTerms
    shape: str  # one of `shapes.SHAPES`, "changing, shape not told" or "cannot tell"
    chance: float
    change: Interval
    no_more_than: float
    settled_log: Interval
    time_constant_days: Interval  # of the settling, the faster one of two
    corrected_log: np.ndarray  # (n,) at the reference climate and as after the last event
    corrected_log_u: np.ndarray
    scatter: float  # between sessions, as a fraction
    system: System
    fits: tuple[ShapeFit, ...]
    notes: tuple[str, ...] = ()

    @property
    def changed(self) -> bool:
        """Whether a change was seen."""
        return self.shape not in (NO_CHANGE, CANNOT_TELL)


@one_thread
def settle(series: Series, *, chance: float = CHANCE, reference_climate: tuple[float, float] | None = None) -> Course:
    """How a series went over time: no change, drift or settling (`shapes` has the formula), with intervals.

    A change is called seen when at most the fraction `chance` of series without a change, made for the very same
    days and weather (parametric bootstrap, seeded), would gain as much by a drift or a settling. Which shape it
    is, the corrected Akaike criterion tells if it tells them apart by more than `CLEARER`. Intervals of the
    change and of the time constant are profile likelihoods at 95 %, with Student's t for the scatter that is only
    estimated; `settled_log` averages the shapes that come to rest (see `draws`).

    The reference climate is the mean over the sessions unless told (see `weather_terms`). With fewer than
    `FEWEST_SESSIONS` sessions the shape is "cannot tell". Raises `LuthkitError` without a session.
    """
    if len(series.day) == 0:
        raise LuthkitError(f"{series.mode} was never read; there is nothing to follow")
    weather = weather_terms(series, reference_climate=reference_climate)
    system = find_system(series, weather)
    fits = fit_shapes(system)
    still, drift, settling, twice = fits
    few = len(series.day) < FEWEST_SESSIONS
    seen = nan if few else _chance(system)
    shape = CANNOT_TELL if few else NO_CHANGE if seen > chance else _shape(drift, settling, twice)
    likelier = drift if drift.criterion < settling.criterion else settling
    told = {NO_CHANGE: still, CANNOT_TELL: still, DRIFT: drift, SETTLING: settling, TWICE: twice}.get(shape, likelier)
    moves = {fit.shape: _move(system, fit) for fit in fits}
    corrected, corrected_u = _correct(system, told)
    at_rest = draws(fits, system, [inf])[:, 0]
    low, middle, high = np.percentile(at_rest, PERCENTILES)
    return Course(
        series=series,
        weather=weather,
        shape=shape,
        chance=seen,
        change=moves[(likelier if told is still else told).shape],
        no_more_than=max(abs(end) for s in (DRIFT, SETTLING) for end in (moves[s].low, moves[s].high)),
        settled_log=Interval(float(middle), float(low), float(high)),
        time_constant_days=_time_constant(system, told) if shape in (SETTLING, TWICE) else Interval(nan, nan, nan),
        corrected_log=frozen_array(corrected),
        corrected_log_u=frozen_array(corrected_u),
        scatter=system.scatter,
        system=system,
        fits=fits,
        notes=(*weather.notes, *_few_words(len(series.day))),
    )


def _few_words(count):
    if count < FEWEST_SESSIONS:
        yield f"Only {count} sessions: at least {FEWEST_SESSIONS} are needed to speak of change."
    elif count < FEW_SESSIONS:
        yield f"Only {count} sessions: the bands are wide for that."


def _chance(system: System) -> float:
    """How often a series without a change would gain as much by a drift or settling (parametric bootstrap).

    The gain is the fall in squares over the squares themselves: it does not depend on the scatter, so only the
    days, the weather and what is known beforehand matter.
    """
    (design,), target = system.rows(np.zeros((1, len(system.value), 0)))
    base, _ = np.linalg.qr(design)
    trials = []
    for shape in (DRIFT, SETTLING):
        _, columns, reach = system.grid(shape)
        trial = np.zeros((len(columns), len(design)))
        trial[:, : len(system.value)] = columns[:, :, 0] @ system.whiten.T
        trial -= (trial @ base) @ base.T
        trials.append(trial / np.sqrt((trial**2).sum(axis=1) + reach[0] ** -2)[:, None])
    trials = np.vstack(trials)

    def gain(rest, extra):
        rest = rest - (rest @ base) @ base.T
        return ((rest @ trials.T) ** 2).max(axis=-1) / ((rest**2).sum(axis=-1) + extra)

    rng = np.random.default_rng(1)
    known = system.series.scatter_dof
    made = gain(rng.standard_normal((_MADE, len(design))), rng.chisquare(known, _MADE))
    return float((1 + np.sum(made >= gain(target, known))) / (1 + _MADE))


def _shape(drift, settling, twice) -> str:
    if twice.criterion + CLEARER < min(drift.criterion, settling.criterion):
        return TWICE
    if settling.criterion + CLEARER < drift.criterion:
        return SETTLING
    return DRIFT if drift.criterion + CLEARER < settling.criterion else UNTOLD


def _limit(system: System, squares: float) -> float:
    """The squares up to which a profile interval of 95 % reaches."""
    from scipy.stats import t

    return squares + (squares + system.series.scatter_dof) / system.dof * t.ppf(0.975, system.dof) ** 2


def _move(system, fit) -> Interval:
    """g(last) - g(first) with its 95 % profile interval."""
    columns = shape_columns(fit.shape, system.series.day[[0, -1]], fit.time_constants_days)
    row, p = columns[:, 1] - columns[:, 0], system.columns.shape[1]
    values = np.einsum("jq,jq->j", row, fit.coefficients[:, p:])
    variances = np.einsum("jq,jqr,jr->j", row, fit.covariance[:, p:, p:], row)
    room = _limit(system, fit.squares.min()) - fit.squares
    inside = room >= 0
    reach = np.sqrt((room * variances)[inside])
    ends = (values[inside] - reach).min(), (values[inside] + reach).max()
    return Interval(*map(float, (values[fit.best], *ends)))


def _time_constant(system, fit) -> Interval:
    """The (faster) time constant with its 95 % profile interval; the slower one is held at its best."""
    _, columns, reach = system.grid(fit.shape)
    _, target = system.rows(columns[:1], reach)
    slow = fit.time_constants_days[fit.best, 1:]

    def basis(rate):
        return system.rows(shape_columns(fit.shape, system.series.day, [[1 / rate, *slow]]), reach)[0][0]

    span = {"lowest": 1 / LONGEST_DAYS, "highest": 1 / SHORTEST_DAYS, "points": 32}
    rate, squares = fit_rate(basis, target, **span)
    slowest, fastest = rate_interval(basis, target, limit=_limit(system, squares), **span)
    return Interval(1 / rate, 1 / fastest, inf if slowest == 0 else 1 / slowest)


def _correct(system, fit):
    """Values at the reference climate and as after the last event; errors hold reading, session and correction."""
    columns, known = system.columns[:, 1:], slice(1, system.columns.shape[1])
    variance = np.einsum("ij,jk,ik->i", columns, fit.covariance[fit.best, known, known], columns)
    corrected = system.series.value_log - columns @ fit.coefficients[fit.best, known]
    return corrected, np.sqrt(np.diag(system.covariance) + variance)


def draws(fits: Sequence[ShapeFit], system: System, day) -> np.ndarray:
    """(2000, n_days) courses in logarithms that the readings bear out, each as often as it deserves.

    Shapes that come to rest by their weights, time constants by their likelihood, coefficients from Student's t;
    at the reference climate and as after the last event. An infinite day is where it comes to rest.
    """
    rng = np.random.default_rng(7)
    day = np.atleast_1d(np.asarray(day, dtype=float))
    resting = [fit for fit in fits if fit.weight > 0]
    found, p = [], system.columns.shape[1]
    counts = rng.multinomial(2000, np.array([fit.weight for fit in resting]) / sum(f.weight for f in resting))
    for fit, number in zip(resting, counts, strict=True):
        chosen = rng.choice(len(fit.likely), size=number, p=fit.likely)
        columns = shape_columns(fit.shape, day, fit.time_constants_days)
        scale = (fit.squares + system.series.scatter_dof) / system.dof
        stretch = np.sqrt(scale[chosen] * system.dof / rng.chisquare(system.dof, number))
        for k in np.unique(chosen):
            mine = chosen == k
            root = np.linalg.cholesky(fit.covariance[k])
            noise = rng.standard_normal((int(mine.sum()), len(root))) @ root.T
            coefficients = fit.coefficients[k] + noise * stretch[mine, None]
            found.append(coefficients[:, :1] + coefficients[:, p:] @ columns[k].T)
    return np.vstack(found)


def band(course: Course, day) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """(middle, low, high), each (n_days,), of the course at some days in logarithms: percentiles of `draws`."""
    low, middle, high = np.percentile(draws(course.fits, course.system, day), PERCENTILES, axis=0)
    return middle, low, high
