"""Figures that the literature makes of density and stiffness. None of them is a mark out of ten; none says "good".

Schelleng, JASA 35 (1963) 326; Wegst, American Journal of Botany 93 (2006) 1439 (both from memory):

    speed of sound along the grain   c = sqrt(E_L / rho)
    radiation ratio                  c / rho = sqrt(E_L / rho^3)   large: light for its stiffness
    impedance                        sqrt(E_L rho)                 large: hard to set in motion
    loss factor                      eta = 1 / Q                   large: dies away soon
"""

from __future__ import annotations

from collections.abc import Mapping

from .budget import Budget, combine


def wood_indices(density: Budget, along: Budget) -> Mapping[str, Budget]:
    """The first three from density in kg/m3 and E_L in Pa; errors that both share are counted once.

    >>> from luthkit.wood.budget import budget_of
    >>> found = wood_indices(budget_of("", 420, {"thickness": -0.01}), budget_of("", 11.9e9, {"thickness": -0.03}))
    >>> [(name, round(b.value, 1), round(100 * b.relative_u, 1)) for name, b in found.items()][:2]
    [('sound_speed', 5322.9, 1.0), ('radiation_ratio', 12.7, 0.0)]
    """
    powers = {"sound_speed": (0.5, -0.5), "radiation_ratio": (0.5, -1.5), "impedance": (0.5, 0.5)}
    return {name: combine(name, {along: stiff, density: heavy}) for name, (stiff, heavy) in powers.items()}
