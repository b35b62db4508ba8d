"""An uncertainty budget: which measured quantity brings how much of a result's error.

First-order propagation after JCGM 100:2008 (the GUM), clause 5: u^2 = sum over (df/dx u(x))^2, inputs independent.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from math import hypot, isfinite

from ..errors import LuthkitError


@dataclass(frozen=True)
class Part:
    """What one input brings to the error of a result, as a fraction of the result.

    Its sign says whether the result rises or falls with the input.
    """

    name: str
    relative_u: float


@dataclass(frozen=True)
class Budget:
    """A value, and where its standard uncertainty comes from; the parts add up as squares."""

    name: str
    value: float
    parts: tuple[Part, ...]  # the largest first

    @property
    def relative_u(self) -> float:
        """Standard uncertainty over the value."""
        return hypot(*(part.relative_u for part in self.parts))

    @property
    def u(self) -> float:
        """Standard uncertainty, in the unit of the value."""
        return abs(self.value) * self.relative_u


def propagate(function: Callable, inputs: Mapping[str, tuple[float, float]], *, name: str = "") -> Budget:
    """Value and budget of `function(**values)`, from name -> (value, standard uncertainty).

    Slopes are central differences over one standard uncertainty either way.
    Raises LuthkitError for an input that is not finite, an uncertainty below zero, or a result of 0.

    >>> budget = propagate(lambda side: side**3, {"side": (2.0, 0.01)}, name="volume")
    >>> round(budget.value, 6), round(100 * budget.relative_u, 2)
    (8.0, 1.5)
    """
    for label, (value, u) in inputs.items():
        if not (isfinite(value) and isfinite(u) and u >= 0):
            raise LuthkitError(f"{label} is {value} with standard uncertainty {u}; both must be numbers, u 0 or more")
    values = {label: value for label, (value, _) in inputs.items()}
    result = float(function(**values))
    if not isfinite(result) or result == 0:
        raise LuthkitError(f"{name or 'the result'} comes out as {result}: it has no relative error")
    parts = []
    for label, (value, u) in inputs.items():
        up, down = function(**{**values, label: value + u}), function(**{**values, label: value - u})
        parts.append(Part(label, (float(up) - float(down)) / 2 / result))
    return budget_of(name, result, {part.name: part.relative_u for part in parts})


def budget_of(name: str, value: float, relative_us: Mapping[str, float]) -> Budget:
    """A budget from parts that are known already, each as a fraction of the value."""
    parts = sorted((Part(label, float(u)) for label, u in relative_us.items()), key=lambda part: -abs(part.relative_u))
    return Budget(name, float(value), tuple(parts))


def combine(name: str, factors: Mapping[Budget, float]) -> Budget:
    """The product of results to given powers: parts of one name move together, so that they may cancel.

    >>> side = budget_of("side", 2.0, {"ruler": 0.01})
    >>> area = budget_of("area", 4.0, {"ruler": 0.02})
    >>> combine("area over side squared", {area: 1, side: -2}).relative_u
    0.0
    """
    value, parts = 1.0, {}
    for budget, power in factors.items():
        value *= budget.value**power
        for part in budget.parts:
            parts[part.name] = parts.get(part.name, 0.0) + power * part.relative_u
    return budget_of(name, value, parts)
