"""The repeat study: how far two readings of one guitar fall apart in this maker's hands, and what change can be seen.

A small plan: the same guitar on some days, hung up anew a few times each day, read more than once without
touching it, perhaps by two people. Nested analysis of variance splits the scatter (ISO 5725-2; clause not seen).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from math import isfinite, sqrt

import numpy as np

from ..errors import LuthkitError
from .thresholds import OWN, SEEN, Figure, Thresholds

LEVELS = ("operator", "day", "hanging", "reading")  # from the outermost to the reading itself
FEWEST_DAYS = 3  # with two hangings or more each, before the study is used (common practice, no source)
FEWEST_DOF = 3.0  # below this an own figure is no better than a planning value


@dataclass(frozen=True)
class Component:
    """The scatter that one level adds, as a standard deviation, and the degrees of freedom it was found with."""

    level: str
    sd: float
    dof: float


@dataclass(frozen=True)
class RepeatStudy:
    """Components of scatter, pooled over modes, as fractions of frequency and of damping; plain notes."""

    frequency: tuple[Component, ...]
    damping: tuple[Component, ...]
    n_readings: int
    modes: tuple[str, ...]
    notes: tuple[str, ...] = ()
    words: str = "your repeat study"  # which one, such as "your repeat study of Number 12, in use since 2024-03-09"
    n_days: int = FEWEST_DAYS  # on which the guitar was hung up twice or more

    @property
    def too_small(self) -> str:
        """One sentence where there are too few days for the study to be used, "" otherwise."""
        if self.n_days >= FEWEST_DAYS:
            return ""
        return (
            f"It is too small and is NOT used: {self.n_days} day{'s' * (self.n_days != 1)} with two hangings or more, "
            f"and {FEWEST_DAYS} such days are needed; until then the planning values hold."
        )

    def scatter(self, quantity: str, level: str) -> tuple[float, float]:
        """(standard deviation, degrees of freedom) of one reading when all from `level` inwards is new.

        Degrees of freedom after Welch and Satterthwaite (JCGM 100, G.4).
        """
        found = [c for c in getattr(self, quantity) if LEVELS.index(c.level) >= LEVELS.index(level)]
        return combine([c.sd for c in found], [c.dof for c in found])

    def smallest_change(self, quantity: str = "frequency", level: str = "hanging") -> float:
        """The smallest change between two single readings that can be told from scatter: 1.96 sqrt(2) s."""
        return SEEN * self.scatter(quantity, level)[0]

    def thresholds(self, thresholds: Thresholds | None = None) -> Thresholds:
        """Thresholds with the maker's own repeatability where the study has enough readings to show it.

        A study that is `too_small` changes none. They hold for the modes of the study (`Thresholds.holds`); modes that
        it lacks may scatter otherwise. What the study did not vary (another room, another person) keeps its planning
        value.
        """
        thresholds = thresholds or Thresholds()
        if self.too_small:
            return replace(thresholds, study=self.words)
        own = {}
        for quantity in ("frequency", "damping"):
            for field, level in (("same_setup", "reading"), ("rehung", "hanging"), ("other_operator", "operator")):
                if level not in [c.level for c in getattr(self, quantity)]:
                    continue
                sd, dof = self.scatter(quantity, level)
                if sd > 0 and round(dof, 6) >= FEWEST_DOF:
                    words = f"measured, to {100 / sqrt(2 * dof):.0f} %"
                    low, high = _limits(sd, dof)
                    own[f"{quantity}_{field}"] = Figure(sd, low, high, OWN, words, dof)
        return replace(thresholds, **own, modes=self.modes if own else thresholds.modes, study=self.words)


def _limits(sd, dof):
    """68 % interval of a standard deviation (chi-square)."""
    from scipy.stats import chi2

    return tuple(sd * sqrt(dof / chi2.ppf(q, dof)) for q in (0.84, 0.16))


def combine(sds: Sequence[float], dofs: Sequence[float]) -> tuple[float, float]:
    """Root of the sum of squares, and its effective degrees of freedom after Welch and Satterthwaite.

    >>> u, dof = combine([0.25, 0.57, 0.82], [9, 4, 14])  # JCGM 100, G.4.1 (figures from memory): 1.03, 19.0
    >>> round(u, 4), round(dof, 1)
    (1.0295, 19.0)
    """
    total = sum(sd**2 for sd in sds)
    share = sum(sd**4 / dof for sd, dof in zip(sds, dofs, strict=True) if dof > 0)
    return sqrt(total), (total**2 / share if share > 0 else 0.0)


def nested_components(values, groups: Sequence[Sequence]) -> tuple[tuple[float, float, float], ...]:
    """Nested analysis of variance of `values` (n,): for each level (mean square, degrees of freedom, variance).

    `groups` holds one label for each value and level, from the outermost inwards; the values within the innermost
    are the last level. A label counts within its outer labels only. Unequal groups are allowed: the variances
    solve the equations expected mean square = found mean square (Henderson's method 1, Biometrics 9, 1953); a negative
    one is 0. With one level of equal groups this is ISO 5725-2: variance = (MS between - MS within) / n.

    Raises `LuthkitError` when labels and values differ in number.
    """
    values = np.asarray(values, dtype=float)
    values = values - values.mean()  # for the sake of accuracy
    n = len(values)
    if any(len(labels) != n for labels in groups):
        raise LuthkitError(f"{n} values and {[len(g) for g in groups]} labels; give one label a value and level")
    keys: list[tuple] = [()] * n
    designs = [np.ones((n, 1))]
    for labels in groups:
        keys = [(*key, label) for key, label in zip(keys, labels, strict=True)]
        names = sorted(set(keys), key=str)
        designs.append(np.array([[key == name for name in names] for key in keys], dtype=float))
    designs.append(np.eye(n))
    projections = [z @ np.diag(1 / z.sum(axis=0)) @ z.T for z in designs]
    steps = [b - a for a, b in pairwise(projections)]
    ranks = [round(float(np.trace(step))) for step in steps]
    squares = [float(values @ step @ values) for step in steps]
    found = [0.0] * len(steps)
    for k in reversed(range(len(steps))):
        if ranks[k] == 0:
            continue
        shares = [float(np.einsum("ij,jk,ik->", steps[k], z @ z.T, np.eye(n))) for z in designs[1:]]
        inner = sum(found[j] * shares[j] for j in range(k + 1, len(steps)))
        found[k] = max(0.0, (squares[k] - inner) / shares[k])
    return tuple((s / r if r else float("nan"), float(r), v) for s, r, v in zip(squares, ranks, found, strict=True))


def repeat_study(rows: Sequence[Mapping]) -> RepeatStudy:
    """Components of scatter from a table: one row for each mode of each reading.

    Each row has `mode`, `frequency_hz`, `damping_ratio`, and what was new: `day`, `hanging` and, when two people took
    part, `operator`. Readings that share all labels were made without touching the guitar. Each mode has its own
    level; the components, of logarithms, are averaged over modes with their degrees of freedom. Modes of one guitar
    share their scatter to a good part, so the degrees of freedom are those of one mode.

    Raises `LuthkitError` with fewer than four readings, or when nothing was repeated.
    """
    rows = list(rows)
    counts = Counter(str(row["mode"]) for row in rows)
    n_readings = max(counts.values(), default=0)
    if n_readings < 4:
        raise LuthkitError(
            f"the repeat study has {n_readings} readings of a mode; make at least 4, better 3 days x 3 hangings x 2"
        )
    varied = [
        level
        for level in LEVELS[:-1]
        if all(str(row.get(level, "")) for row in rows) and len({str(row[level]) for row in rows}) > 1
    ]
    if not varied:
        raise LuthkitError("no label of the repeat study varies; say for each reading on which day and hanging it was")
    few = sorted(mode for mode, count in counts.items() if count < 4)
    modes = sorted(counts.keys() - few)
    found = {"frequency": [], "damping": []}
    for mode in modes:
        mine = [row for row in rows if str(row["mode"]) == mode]
        labels = [[str(row[level]) for row in mine] for level in varied]
        for quantity, key in (("frequency", "frequency_hz"), ("damping", "damping_ratio")):
            values = np.array([float(row[key]) for row in mine])
            if np.all(np.isfinite(values) & (values > 0)):
                found[quantity].append(nested_components(np.log(values), labels))
    levels = (*varied, "reading")
    notes = [f"{mode} was read fewer than 4 times and is left out." for mode in few]
    if "operator" not in varied:
        notes.append("One person tapped throughout: another hand may scatter more.")
    if not any(np.isfinite(c[-1][0]) and c[-1][1] > 0 for c in found["frequency"]):
        notes.append("No reading was repeated without touching the guitar: hanging and reading cannot be told apart.")
    hung = Counter(day for day, _ in {(str(row.get("day", "")), str(row.get("hanging", ""))) for row in rows})
    n_days = sum(bool(day) and count > 1 for day, count in hung.items())
    pooled = {quantity: _pooled(levels, sets) for quantity, sets in found.items()}
    return RepeatStudy(pooled["frequency"], pooled["damping"], n_readings, tuple(modes), tuple(notes), n_days=n_days)


def _pooled(levels, sets) -> tuple[Component, ...]:
    components = []
    for k, level in enumerate(levels):
        parts = [(found[k][1], found[k][2]) for found in sets if found[k][1] > 0 and isfinite(found[k][2])]
        if parts:
            dof = np.array([d for d, _ in parts])
            variance = float(dof @ np.array([v for _, v in parts]) / dof.sum())
            components.append(Component(level, sqrt(variance), float(np.median(dof))))
    return tuple(components)
