"""How uncertain a result is when what it was reckoned from is uncertain (JCGM 100, the law of propagation)."""

from __future__ import annotations

import numpy as np


def slopes(function, values, *, step=1e-4) -> np.ndarray:
    """Derivatives (m, n) of `function` at `values` (n,), by central differences.

    `function` takes (k, n) and gives (k, m), one row for each row. `step` is a number or an array (n,).
    """
    values = np.asarray(values, float)
    steps = np.diag(np.broadcast_to(np.asarray(step, float), values.shape))
    moved = function(np.concatenate([values + steps, values - steps]))
    up, down = np.split(moved, 2)
    return ((up - down) / (2 * np.diag(steps)[:, None])).T


def propagate(function, values, covariance, *, step=1e-4) -> tuple[np.ndarray, np.ndarray]:
    """`function` at `values`, shape (m,), and its covariance J C J', shape (m, m), to first order.

    >>> area, variance = propagate(lambda x: x[:, :1] * x[:, 1:], [2.0, 3.0], [[0.01, 0.0], [0.0, 0.04]])
    >>> print(area.round(3), variance.round(3))
    [6.] [[0.25]]
    """
    values = np.asarray(values, float)
    jacobian = slopes(function, values, step=step)
    return function(values[None])[0], jacobian @ np.asarray(covariance, float) @ jacobian.T
