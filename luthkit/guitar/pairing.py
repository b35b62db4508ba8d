"""Pairing: which mode of one guitar answers to which mode of another, one to one, with some left alone."""

from __future__ import annotations

from dataclasses import dataclass
from math import isnan, log, log2

import numpy as np

from ..signal.modes import Mode, ModeSet

# How far the same mode commonly lies apart on two guitars of one pattern (standard deviations).
# Frequency: factory build scatter of 2 to 3 % a mode, French & Brubaker 2007, times sqrt(2) for two guitars.
# Damping and pattern: common practice, no source.
FREQUENCY_SPREAD_CENTS = 70.0
DAMPING_SPREAD_LOG = 0.5
PATTERN_SPREAD = 0.4
GATE_COST = 9.0  # three standard deviations: about 210 cents apart with all else equal
UNSURE_COST = 0.5  # another pairing that costs no more than this extra is nearly as good


@dataclass(frozen=True)
class Candidate:
    """What the pairing looks at: a frequency, a damping ratio, and the amplitudes by position where known."""

    frequency_hz: float
    damping_ratio: float
    pattern: tuple[tuple[str, complex], ...] = ()


def candidate(modeset: ModeSet, mode: Mode) -> Candidate:
    """The candidate of one mode of a set, with its amplitude pattern when the set has one."""
    pattern = ()
    if modeset.amplitudes is not None and len(modeset.positions) > 1:
        row = modeset.amplitudes[modeset.modes.index(mode)]
        pattern = tuple(
            (place, complex(value))
            for place, value in zip(modeset.positions, row, strict=True)
            if place and np.isfinite(value)
        )
    return Candidate(mode.frequency_hz, mode.damping_ratio, pattern)


def pattern_likeness(first: Candidate, second: Candidate) -> float:
    """|a^H b|^2 / (|a|^2 |b|^2) over the positions both have: 1 = same shape; NaN with fewer than two."""
    mine, yours = dict(first.pattern), dict(second.pattern)
    shared = [place for place in mine if place in yours]
    if len(shared) < 2:
        return float("nan")
    a = np.array([mine[place] for place in shared])
    b = np.array([yours[place] for place in shared])
    size = np.vdot(a, a).real * np.vdot(b, b).real
    return float(abs(np.vdot(a, b)) ** 2 / size) if size > 0 else float("nan")


def pairing_cost(first: Candidate, second: Candidate) -> float:
    """Squared distance in frequency, damping and pattern, each over its spread; an unknown term adds 0."""
    cost = (1200 * log2(first.frequency_hz / second.frequency_hz) / FREQUENCY_SPREAD_CENTS) ** 2
    if first.damping_ratio > 0 and second.damping_ratio > 0:
        # a damping read badly must not tear a pair apart that fits in frequency
        cost += min((log(first.damping_ratio / second.damping_ratio) / DAMPING_SPREAD_LOG) ** 2, 4.0)
    likeness = pattern_likeness(first, second)
    if not isnan(likeness):
        cost += ((1 - likeness) / PATTERN_SPREAD) ** 2
    return cost


def pair_up(first, second) -> tuple[tuple[int, int, bool], ...]:
    """Pair two sequences of `Candidate` one to one at the least total cost, leaving alone what does not fit.

    Returns (index in first, index in second, sure) sorted by the first index. `sure` is False when another
    pairing, with this pair forbidden, costs at most `UNSURE_COST` more.
    """
    from scipy.optimize import linear_sum_assignment

    if not first or not second:
        return ()
    cost = np.array([[min(pairing_cost(a, b), GATE_COST) for b in second] for a in first])

    def best(matrix):
        rows, columns = linear_sum_assignment(matrix)
        return rows, columns, matrix[rows, columns].sum()

    rows, columns, total = best(cost)
    pairs = []
    for row, column in zip(rows, columns, strict=True):
        if cost[row, column] >= GATE_COST:
            continue
        without = cost.copy()
        without[row, column] = GATE_COST
        pairs.append((int(row), int(column), bool(best(without)[2] - total > UNSURE_COST)))
    return tuple(sorted(pairs))
