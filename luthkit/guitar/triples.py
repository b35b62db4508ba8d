"""Air, main top and main back given out together, for what they say together; the other names one by one."""

from __future__ import annotations

from collections.abc import Callable
from itertools import product

import numpy as np

from .assignment import assign
from .priors import NAMES, ORDER

WORTH = 9.0  # natural logarithm: what is so much less likely than the best is left out


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
