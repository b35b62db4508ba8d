"""Least squares with one rate that enters as an exponent: the rest is linear and projected out.

Only the rate is searched, on a grid over the whole range and then between grid points, so no start value can lead
astray (variable projection: Golub & Pereyra, SIAM Journal on Numerical Analysis 10, 1973).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import exp, inf, log, sqrt

import numpy as np

from .._frozen import frozen_array
from ..errors import LuthkitError


@dataclass(frozen=True, eq=False)
class RateFit:
    """The best rate and the linear coefficients with it; standard uncertainties by linearisation there."""

    rate: float
    rate_u: float
    coefficients: np.ndarray  # (n_columns,)
    coefficients_u: np.ndarray
    residual_squares: float
    dof: int

    @property
    def residual_sd(self) -> float:
        """sqrt(sum of squares / degrees of freedom)."""
        return sqrt(self.residual_squares / self.dof)


def fit_rate(
    basis: Callable[[float], np.ndarray], value, *, lowest: float, highest: float, points: int = 60
) -> RateFit:
    """Minimise |value - basis(rate) @ coefficients|^2 over rate in [lowest, highest] and all coefficients.

    `basis` gives an array of shape (n, n_columns), `value` has shape (n,). The uncertainties take the scatter from
    the residuals: covariance = s^2 inv(J'J), with J the derivative of the model by rate and coefficients.

    Raises `LuthkitError` for a range that is not positive and rising, or with no degree of freedom left.
    """
    from scipy.optimize import minimize_scalar

    if not 0 < lowest < highest:
        raise LuthkitError(f"rates from {lowest} to {highest} were asked for; give 0 < lowest < highest")
    value = np.asarray(value, dtype=float)

    def solve(log_rate):
        design = basis(exp(log_rate))
        found = np.linalg.lstsq(design, value, rcond=None)[0]
        rest = value - design @ found
        return float(rest @ rest), found

    grid = np.linspace(log(lowest), log(highest), points)
    squares = np.array([solve(g)[0] for g in grid])
    best = (np.inf, grid[0])
    for k in range(points):
        around = squares[max(0, k - 1) : k + 2]
        if squares[k] > around.min():
            continue
        ends = (grid[max(0, k - 1)], grid[min(points - 1, k + 1)])
        tried = minimize_scalar(lambda g: solve(g)[0], bounds=ends, method="bounded", options={"xatol": 1e-12})
        best = min(best, (float(tried.fun), float(tried.x)), (float(squares[k]), float(grid[k])))
    log_rate = best[1]
    squares, found = solve(log_rate)
    step = 1e-5
    slope = (basis(exp(log_rate + step)) - basis(exp(log_rate - step))) @ found / (2 * step)
    jacobian = np.column_stack([slope, basis(exp(log_rate))])
    dof = len(value) - jacobian.shape[1]
    if dof < 1:
        raise LuthkitError(
            f"{len(value)} values cannot tell a rate and {len(found)} coefficients apart; "
            f"{jacobian.shape[1] + 1} are needed"
        )
    scale = np.linalg.norm(jacobian, axis=0)
    scale[scale == 0] = 1.0
    spread = np.linalg.pinv(jacobian / scale)
    u = np.sqrt(squares / dof * (spread**2).sum(axis=1)) / scale
    rate = exp(log_rate)
    return RateFit(rate, rate * float(u[0]), frozen_array(found), frozen_array(u[1:]), squares, dof)


def rate_interval(
    basis: Callable[[float], np.ndarray], value, *, limit: float, lowest: float, highest: float, points: int = 60
) -> tuple[float, float]:
    """The lowest and highest rate at which the least squares stay at or below `limit`: a profile interval.

    Everything linear is free to take what fits best at each rate. An end that is not met in [lowest, highest]
    is 0 or infinite: the data leave that side open.
    """
    from scipy.optimize import brentq

    value = np.asarray(value, dtype=float)

    def over(log_rate):
        design = basis(exp(log_rate))
        rest = value - design @ np.linalg.lstsq(design, value, rcond=None)[0]
        return float(rest @ rest) - limit

    grid = np.linspace(log(lowest), log(highest), points)
    inside = np.flatnonzero([over(g) <= 0 for g in grid])
    if len(inside) == 0:  # narrower than the grid: both ends lie around the best rate
        best = log(fit_rate(basis, value, lowest=lowest, highest=highest, points=points).rate)
        low, high, middle = grid[grid < best].max(), grid[grid > best].min(), best
        return exp(brentq(over, low, middle)), exp(brentq(over, middle, high))
    first, last = inside[0], inside[-1]
    low = 0.0 if first == 0 else exp(brentq(over, grid[first - 1], grid[first]))
    high = inf if last == points - 1 else exp(brentq(over, grid[last], grid[last + 1]))
    return low, high
