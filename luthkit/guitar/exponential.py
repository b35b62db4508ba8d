"""Least squares with one rate that enters as an exponent: the rest is linear and projected out.

Only the rate is searched, on a grid over the whole range and then between grid points, so no start value can lead
astray (variable projection: Golub & Pereyra, SIAM Journal on Numerical Analysis 10, 1973).
"""

from __future__ import annotations

from collections.abc import Callable
from math import exp, inf, log

import numpy as np

from ..errors import LuthkitError


def fit_rate(
    basis: Callable[[float], np.ndarray], value, *, lowest: float, highest: float, points: int = 60
) -> tuple[float, float]:
    """(rate, least squares): minimise |value - basis(rate) @ coefficients|^2 over rate in [lowest, highest].

    `basis` gives an array of shape (n, n_columns), `value` has shape (n,); the coefficients are free.
    Raises `LuthkitError` for a range that is not positive and rising.
    """
    from scipy.optimize import minimize_scalar

    squares, grid = _on_a_grid(basis, value, lowest, highest, points)
    found = np.array([squares(g) for g in grid])
    best = min(zip(found, grid, strict=True))
    around = np.pad(found, 1, constant_values=inf)
    for k in np.flatnonzero((found <= around[:-2]) & (found <= around[2:])):
        ends = grid[max(0, k - 1)], grid[min(points - 1, k + 1)]
        tried = minimize_scalar(squares, bounds=ends, method="bounded", options={"xatol": 1e-12})
        best = min(best, (tried.fun, tried.x))
    return exp(best[1]), float(best[0])


def rate_interval(
    basis: Callable[[float], np.ndarray], value, *, limit: float, lowest: float, highest: float, points: int = 60
) -> tuple[float, float]:
    """The lowest and highest rate at which the least squares stay at or below `limit`: a profile interval.

    Everything linear is free to take what fits best at each rate. An end that is not met in [lowest, highest]
    is 0 or infinite: the data leave that side open.
    """
    from scipy.optimize import brentq

    squares, grid = _on_a_grid(basis, value, lowest, highest, points)

    def over(log_rate):
        return squares(log_rate) - limit

    inside = np.flatnonzero([over(g) <= 0 for g in grid])
    if len(inside) == 0:  # narrower than the grid: both ends lie around the best rate
        best = log(fit_rate(basis, value, lowest=lowest, highest=highest, points=points)[0])
        low, high = grid[grid < best].max(), grid[grid > best].min()
        return exp(brentq(over, low, best)), exp(brentq(over, best, high))
    first, last = inside[0], inside[-1]
    low = 0.0 if first == 0 else exp(brentq(over, grid[first - 1], grid[first]))
    high = inf if last == points - 1 else exp(brentq(over, grid[last], grid[last + 1]))
    return low, high


def _on_a_grid(basis, value, lowest, highest, points):
    """The least squares at a logarithm of the rate, and such logarithms over the whole range."""
    if not 0 < lowest < highest:
        raise LuthkitError(f"rates from {lowest} to {highest} were asked for; give 0 < lowest < highest")
    value = np.asarray(value, dtype=float)

    def squares(log_rate):
        design = basis(exp(log_rate))
        rest = value - design @ np.linalg.lstsq(design, value, rcond=None)[0]
        return float(rest @ rest)

    return squares, np.linspace(log(lowest), log(highest), points)
