"""One name once: the probability of each name for each mode, over every way to give the names out."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np


def assign(log_odds, log_absent, *, order: Sequence[tuple] = ()) -> tuple[np.ndarray, np.ndarray]:
    """Posterior (..., n_modes, n_names + 1), the last column for no name, and the logarithm (...) of the total weight.

    `log_odds` (..., n_modes, n_names): weight of a name against no name, for modes sorted by frequency; `log_absent`
    (n_names,): weight of a name that no mode has. Each of `order` is (lower, upper, log factor): what the weight is
    multiplied by when a mode named `lower` lies above one named `upper`. All ways to give each name to one mode
    at most are summed exactly, by running over the modes with the set of names given so far (2^n_names sets)
    forwards and backwards; leading axes go their ways side by side.

    Two modes and two names, all weights 1: seven ways, three of which leave the first mode without a name:

    >>> posterior, total = assign(np.zeros((2, 2)), np.zeros(2))
    >>> round(float(np.exp(total)), 6), (7 * posterior[0]).round(6).tolist()
    (7.0, [2.0, 2.0, 3.0])
    """
    odds = np.asarray(log_odds, float)
    *many, n_modes, n_names = odds.shape
    sets = np.arange(2**n_names)
    has = (sets[:, None] >> np.arange(n_names)) & 1 == 1  # (n_sets, n_names)
    factor = np.zeros((len(sets), n_names))
    for lower, upper, log_factor in order:
        factor[:, lower] += np.where(has[:, upper], log_factor, 0.0)
    free = [np.flatnonzero(~has[:, name]) for name in range(n_names)]

    forward = np.full((n_modes + 1, *many, len(sets)), -np.inf)
    forward[0, ..., 0] = 0.0
    for k in range(n_modes):
        forward[k + 1] = forward[k]
        for name, without in enumerate(free):
            given = without + (1 << name)
            step = forward[k][..., without] + odds[..., k, name, None] + factor[without, name]
            forward[k + 1][..., given] = np.logaddexp(forward[k + 1][..., given], step)
    backward = np.where(has, 0.0, np.asarray(log_absent, float)).sum(axis=1) + np.zeros((*many, 1))
    total = np.logaddexp.reduce(forward[-1] + backward, axis=-1)
    posterior = np.zeros((*many, n_modes, n_names + 1))
    for k in reversed(range(n_modes)):
        posterior[..., k, -1] = np.exp(np.logaddexp.reduce(forward[k] + backward, axis=-1) - total)
        before = backward.copy()
        for name, without in enumerate(free):
            path = odds[..., k, name, None] + factor[without, name] + backward[..., without + (1 << name)]
            posterior[..., k, name] = np.exp(np.logaddexp.reduce(forward[k][..., without] + path, axis=-1) - total)
            before[..., without] = np.logaddexp(before[..., without], path)
        backward = before
    return posterior, total
