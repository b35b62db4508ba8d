"""Shapes of a course over time, each fitted to a series with all that is linear solved exactly.

    value_log(t) = c + g(t) + slopes of the weather + a step at each event + session effect + error of the reading

with g(t) = 0, a straight drift b t, one settling a exp(-t / tau), or two: the first weeks under string tension and
a slow drying over years. The time constants go over a grid that covers all there can be, so there is no start
value to be misled by. What is known beforehand (usual weather slopes, how far guitars commonly settle) enters as
one observation each.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import log

import numpy as np

from .history import Series
from .weather import LAG_DAYS, WeatherTerms

NO_CHANGE, DRIFT, SETTLING, TWICE = "no change", "drift", "settling", "settling twice"
SHAPES = (NO_CHANGE, DRIFT, SETTLING, TWICE)
DAYS_A_YEAR = 365.25
SHORTEST_DAYS, LONGEST_DAYS = 4.0, 1500.0
_NONE = np.zeros((1, 0))
_ONE = np.geomspace(SHORTEST_DAYS, LONGEST_DAYS, 32)[:, None]
_TWO = np.array([(fast, slow) for fast in np.geomspace(4, 90, 9) for slow in np.geomspace(400, 1800, 5)])
_GRID = {
    NO_CHANGE: (_NONE, ()),
    DRIFT: (_NONE, ("drift",)),
    SETTLING: (_ONE, ("fast",)),
    TWICE: (_TWO, ("fast", "slow")),
}
# How far a guitar may settle, drift in a year, dry slowly, and step at an event: standard deviations about zero
# of ln(value); -1 to +4 % in the first weeks and 0.3 % a year later are from memory, the rest common practice.
_REACH = {
    "frequency": {"fast": 0.03, "drift": 0.02, "slow": 0.01, "step": 0.02},
    "damping": {"fast": 0.4, "drift": 0.2, "slow": 0.15, "step": 0.2},
}
_SCATTERS = np.geomspace(0.25, 4.0, 9)  # times the figure known beforehand


@dataclass(frozen=True, eq=False)
class ShapeFit:
    """One shape fitted at every time constant of its grid: J grid points, p coefficients.

    `criterion` is the corrected Akaike criterion (Hurvich & Tsai, Biometrika 76, 1989) at the best time constants.
    `weight` is the share of the shape among those that come to rest, by the likelihood averaged over coefficients
    and time constants, all shapes held equally likely beforehand.
    """

    shape: str
    time_constants_days: np.ndarray  # (J, number of time constants)
    coefficients: np.ndarray  # (J, p): level, weather slopes, steps, then those of g
    covariance: np.ndarray  # (J, p, p)
    squares: np.ndarray  # (J,) weighted squares left over, prior knowledge included
    evidence: np.ndarray  # (J,) logarithm of the likelihood averaged over the coefficients, but for a constant
    criterion: float
    weight: float = 0.0

    @property
    def best(self) -> int:
        """The grid point with the least squares."""
        return int(np.argmin(self.squares))

    @property
    def likely(self) -> np.ndarray:
        """Share (J,) of each grid point in the likelihood of the shape."""
        likely = np.exp(self.evidence - self.evidence.max())
        return likely / likely.sum()


def shape_columns(shape: str, day: np.ndarray, time_constants_days) -> np.ndarray:
    """The columns of g, shape (J, n, q), for J sets of time constants (J, k); a drift is counted in years."""
    day, constants = np.asarray(day, dtype=float)[:, None], np.asarray(time_constants_days)[:, None, :]
    if shape in (NO_CHANGE, DRIFT):
        columns = day[:, : int(shape == DRIFT)] / DAYS_A_YEAR
        return np.broadcast_to(columns, (len(constants), *columns.shape))
    return np.exp(-day / constants)


class System:
    """The series as a weighted linear system without g, for one scatter between sessions (a fraction).

    `lag` is the share of the weather's `lag_u` that is there. Rows are the sessions, then one for each thing known
    beforehand. `dof` counts the sessions beyond the free coefficients, and what the scatter known beforehand is
    worth.
    """

    def __init__(self, series: Series, weather: WeatherTerms, *, scatter: float, lag: float = 1.0):
        day = series.day
        self.series, self.scatter, self.lag_u = series, float(scatter), float(lag * weather.lag_u)
        self.steps = step_days(series)
        self.reach = _REACH[series.quantity]
        late = self.lag_u**2 * np.exp(-abs(np.subtract.outer(day, day)) / LAG_DAYS)
        self.covariance = late + np.diag(series.value_log_u**2 + weather.extra_u**2 + scatter**2)
        self.whiten = np.linalg.inv(np.linalg.cholesky(self.covariance))
        self.centre = float(np.mean(series.value_log))  # taken off for the sake of accuracy
        self.value = series.value_log - self.centre
        self.columns = np.column_stack(
            [np.ones(len(day)), *weather.terms.T, *[(day < step).astype(float) for step in self.steps]]
        )
        self.mean = np.array([0.0, *weather.slope, *[0.0] * len(self.steps)])
        self.precision = np.array([0.0, *(1 / weather.slope_u**2), *[self.reach["step"] ** -2] * len(self.steps)])
        self.dof = float(max(len(day) - np.sum(self.precision == 0) + series.scatter_dof, 1.0))

    def rows(self, columns, reach=()) -> tuple[np.ndarray, np.ndarray]:
        """(designs, target), whitened, with J sets of extra columns (J, n, q) that are about zero by `reach` (q,)."""
        precision = np.concatenate([self.precision, np.asarray(reach, dtype=float) ** -2])
        mean = np.concatenate([self.mean, np.zeros(len(reach))])
        known = np.diag(np.sqrt(precision))[precision > 0]
        plain = np.broadcast_to(self.columns, (len(columns), *self.columns.shape))
        design = self.whiten @ np.concatenate([plain, columns], axis=2)
        design = np.concatenate([design, np.broadcast_to(known, (len(columns), *known.shape))], axis=1)
        return design, np.concatenate([self.whiten @ self.value, known @ mean])

    def grid(self, shape: str):
        """(time constants (J, k), columns (J, n, q), reach (q,)) of a shape."""
        constants, names = _GRID[shape]
        return constants, shape_columns(shape, self.series.day, constants), [self.reach[name] for name in names]

    def solve(self, columns, reach):
        """Least squares for J sets of columns (J, n, q): coefficients, covariance, squares, log det of the normal
        matrix.
        """
        design, target = self.rows(columns, reach)
        across = design.transpose(0, 2, 1)
        normal = across @ design
        found = np.linalg.solve(normal, (across @ target)[..., None])
        squares = ((target - (design @ found)[..., 0]) ** 2).sum(axis=1)
        return found[..., 0], np.linalg.inv(normal), squares, np.linalg.slogdet(normal)[1]


def step_days(series: Series) -> tuple[float, ...]:
    """The days of events that part the sessions; several between the same two sessions are one step."""
    found = {}
    for day, _ in series.steps:
        before = int(np.searchsorted(series.day, day, side="left"))
        if 0 < before < len(series.day):
            found.setdefault(before, day)
    return tuple(found.values())


def find_system(series: Series, weather: WeatherTerms) -> System:
    """The scatter between sessions, and the system with it, by restricted maximum likelihood
    (Patterson & Thompson, Biometrika 58, 1971).

    The scatter known beforehand takes part with its degrees of freedom. One or two settlings are allowed
    for, so that it does not pass for scatter.
    """
    best = None
    for lag in (0.0, 1.0) if weather.lag_u else (0.0,):
        for factor in _SCATTERS:
            system = System(series, weather, scatter=factor * series.scatter, lag=lag)
            misfit = []
            for shape in (SETTLING, TWICE):
                _, columns, reach = system.grid(shape)
                _, _, squares, logdet = system.solve(columns[::3], reach)
                misfit.append((squares + logdet).min() + 2 * np.sum(np.log(reach)))
            known = -0.5 * series.scatter_dof * (2 * log(factor) + factor**-2)
            likelihood = known + np.log(np.diag(system.whiten)).sum() - 0.5 * min(misfit)
            if best is None or likelihood > best[0]:
                best = (likelihood, system)
    return best[1]


def fit_shapes(system: System) -> tuple[ShapeFit, ...]:
    """All shapes fitted and weighed, in the order of `SHAPES`."""
    fits = [_fit(system, shape) for shape in SHAPES]
    evidence = [np.logaddexp.reduce(fit.evidence) - log(len(fit.evidence)) for fit in fits]
    evidence = np.where([fit.shape == DRIFT for fit in fits], -np.inf, evidence)
    odds = np.exp(evidence - evidence.max())
    return tuple(replace(fit, weight=float(w)) for fit, w in zip(fits, odds / odds.sum(), strict=True))


def _fit(system, shape) -> ShapeFit:
    constants, columns, reach = system.grid(shape)
    found, covariance, squares, logdet = system.solve(columns, reach)
    found[:, 0] += system.centre
    dof = system.dof
    evidence = -0.5 * (dof * np.log1p(squares / dof) + logdet + 2 * np.sum(np.log(reach)))
    n = len(system.series.day) + system.series.scatter_dof
    k = found.shape[1] + constants.shape[1] + 1
    left = float(squares.min()) + system.series.scatter_dof
    criterion = n * log(left / n) + 2 * k + (2 * k * (k + 1) / (n - k - 1) if n - k > 1.5 else np.inf)
    return ShapeFit(shape, constants, found, covariance, squares, evidence, criterion)
