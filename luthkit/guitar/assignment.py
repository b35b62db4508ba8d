"""One name once: the probability of each name for each mode, over every way to give the names out.

Air, main top and main back are given out together, for what they say together; the other names one by one.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import product

import numpy as np

from .priors import NAMES, ORDER

WORTH = 9.0  # natural logarithm: what is so much less likely than the best is left out


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


def give_out(log_odds, log_absent, together: Callable) -> tuple:
    """Posteriors (n_modes, 8) and logarithms of the total weight, twice: with what air, top and back say together,
    and from `log_odds` alone.

    `log_odds` (n_modes, 7) and `log_absent` (7,) as in `assign`, in the order of `priors.NAMES`. `together` takes
    the places of air, main top and main back (-1 where no mode is), the air lowest, and gives their weight in place of
    the sum of their odds.
    """
    odds = np.asarray(log_odds, float)
    n_modes, order = len(odds), [(NAMES.index(a), NAMES.index(b), -np.log(times)) for a, b, times in ORDER]
    worth = [[-1, *np.flatnonzero(column > column.max() - WORTH)] for column in odds[:, :3].T]  # -1: no mode has it
    where = np.array([t for t in product(*worth) if len({k for k in t if k >= 0}) == sum(k >= 0 for k in t)])
    there = where >= 0
    alone = np.where(there, odds[where, range(3)], log_absent[:3]).sum(axis=1)
    rest = np.repeat(odds[None, :, 3:], len(where), axis=0)  # (n_triples, n_modes, 4)
    place = np.arange(n_modes)
    for a, b, factor in order:
        if b < 3:
            alone += factor * (there[:, a] & there[:, b] & (where[:, a] > where[:, b])) if a < 3 else 0.0
        if a < 3 <= b:
            rest[..., b - 3] += factor * (there[:, a, None] & (place < where[:, a, None]))
        if b < 3 <= a:
            rest[..., a - 3] += factor * (there[:, b, None] & (place > where[:, b, None]))
    taken = (place[:, None] == where[:, None, :]).any(axis=2)
    rest[taken] = -np.inf
    others, total = assign(rest, log_absent[3:], order=[(a - 3, b - 3, x) for a, b, x in order if a > 2 and b > 2])
    posterior = np.concatenate([place[:, None] == where[:, None, :], others], axis=2)
    posterior[taken, 3:] = 0.0

    joint = alone.copy()
    lowest = np.where(there, where, n_modes).argmin(axis=1) == 0  # the air
    for t in np.flatnonzero(there[:, 0] & there[:, 1] & lowest & (alone > alone.max() - WORTH)):
        joint[t] = together(tuple(where[t].tolist()))
    found = []
    for weight in (joint + total, alone + total):
        whole = np.logaddexp.reduce(weight)
        found.append((np.tensordot(np.exp(weight - whole), posterior, 1), float(whole)))
    return tuple(found)
