"""An uncertainty budget: which measured quantity brings how much of a result's error.

First-order propagation after JCGM 100:2008 (the GUM), clause 5: u^2 = sum over (df/dx u(x))^2, inputs independent.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import hypot


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


def budget_of(name: str, value: float, relative_us: Mapping[str, float]) -> Budget:
    """A budget from parts that are known already, each as a fraction of the value."""
    parts = sorted((Part(label, float(u)) for label, u in relative_us.items()), key=lambda part: -abs(part.relative_u))
    return Budget(name, float(value), tuple(parts))


def known(name: str, value: float, u: float) -> Budget:
    """A measured value as a budget of one part."""
    return budget_of(name, value, {name: u / value})


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
