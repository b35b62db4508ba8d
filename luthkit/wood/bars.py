"""Free bars and strips of rectangular section: from the pitch of a tap to stiffness, and back.

Bending after Timoshenko, *Philosophical Magazine* 41 (1921) 744: shear and rotary inertia count. Torsion after
Saint-Venant. The formulas of ASTM E1876, for bars that are alike in all directions, stand beside them. Wood is
not alike in all directions: its E / G is 10 to 20, so that its shear must be told (`modulus_ratio`).

Hang or lay a bar at the nodes: 0.224 of its length from each end for bending, in the middle for torsion.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from functools import lru_cache
from math import inf, isfinite, pi

import numpy as np
from scipy.optimize import brentq

from ..errors import LuthkitError

SHEAR_FACTOR = 5 / 6  # of a rectangle, Reissner 1945; Cowper 1966 gives 10 (1 + nu) / (12 + 11 nu)


@dataclass(frozen=True)
class Bar:
    """A bar of rectangular section, alike along its length. `thickness_m` is the side it bends across."""

    length_m: float
    width_m: float
    thickness_m: float
    mass_kg: float

    def __post_init__(self):
        for field in fields(self):
            positive(field.name, getattr(self, field.name))
        if self.thickness_m > self.length_m / 3 or self.width_m > self.length_m:
            raise LuthkitError(
                f"a bar {self.length_m:g} m long, {self.width_m:g} m wide and {self.thickness_m:g} m thick is no bar; "
                "it must be at least as long as wide and three times as long as thick (sizes are in metres)"
            )

    @property
    def density_kg_m3(self) -> float:
        """Mass / (length width thickness)."""
        return self.mass_kg / (self.length_m * self.width_m * self.thickness_m)


def bending_frequencies_hz(
    bar: Bar, *, modulus_pa: float, modulus_ratio: float = 0.0, shear_factor: float = SHEAR_FACTOR, n_modes: int = 4
) -> np.ndarray:
    """The lowest bending modes of a free bar, shape (n_modes,).

    modulus_ratio: E / G, the stiffness along the bar over the shear stiffness: 2 (1 + nu) for metal, 10 to 20
    for wood along the grain. 0 leaves shear out.

    Raises LuthkitError for a modulus that is not positive, or more than six modes.

    >>> bar = Bar(length_m=0.160, width_m=0.025, thickness_m=0.008, mass_kg=0.0864)
    >>> round(float(bending_frequencies_hz(bar, modulus_pa=72e9, modulus_ratio=2.66)[0]), 2)
    1643.74
    """
    positive("modulus_pa", modulus_pa)
    speed = (modulus_pa / bar.density_kg_m3) ** 0.5
    per_lambda = speed * bar.thickness_m / (12**0.5 * 2 * pi * bar.length_m**2)
    return per_lambda * _lambdas(bar, modulus_ratio, shear_factor, n_modes)


def shear_gain(*, thickness_m: float, length_m: float, modulus_ratio: float) -> float:
    """By how much shear and rotary inertia make a bar read too soft: the E of Timoshenko over that of a slender bar.

    >>> round(shear_gain(thickness_m=0.003, length_m=0.2, modulus_ratio=20.0), 4)
    1.0065
    """
    bar = Bar(length_m=length_m, width_m=length_m / 10, thickness_m=thickness_m, mass_kg=1.0)
    return float((22.3732854481 / _lambdas(bar, modulus_ratio, SHEAR_FACTOR, 1)[0]) ** 2)


def torsion_frequency_hz(bar: Bar, *, shear_modulus_pa: float, mode: int = 1) -> float:
    """Torsion of a free bar: f = n / (2 L) sqrt(G J / (rho I_p)), J after Saint-Venant, I_p = b t (b^2 + t^2) / 12."""
    positive("shear_modulus_pa", shear_modulus_pa)
    wide, thin = max(bar.width_m, bar.thickness_m), min(bar.width_m, bar.thickness_m)
    turned = (wide**2 + thin**2) / (12 * thin**2 * torsion_constant(wide / thin))  # I_p / J
    return float(mode * (shear_modulus_pa / (4 * bar.length_m**2 * bar.density_kg_m3 * turned)) ** 0.5)


def astm_modulus_pa(bar: Bar, *, frequency_hz: float, poisson_ratio: float = 0.0) -> float:
    """E of a bar alike in all directions, after ASTM E1876, first bending mode (formula from memory).

    E = 0.9465 (m f^2 / b) (L / t)^3 T1. Its rounded constant reads 0.009 % above the exact 0.946415. It
    corrects wood too little: wood gives way in shear.
    """
    positive("frequency_hz", frequency_hz)
    nu, x = poisson_ratio, (bar.thickness_m / bar.length_m) ** 2
    below = 1 + 6.338 * (1 + 0.1408 * nu + 1.536 * nu**2) * x
    t1 = 1 + 6.585 * (1 + 0.0752 * nu + 0.8109 * nu**2) * x - 0.868 * x**2
    t1 -= 8.340 * (1 + 0.2023 * nu + 2.173 * nu**2) * x**2 / below
    return 0.9465 * bar.mass_kg * frequency_hz**2 / bar.width_m * (bar.length_m / bar.thickness_m) ** 3 * t1


def torsion_constant(ratio: float) -> float:
    """J / (b t^3) of a rectangle with b / t = `ratio` >= 1: Saint-Venant's series (Timoshenko and Goodier).

    >>> round(torsion_constant(1.0), 4), round(torsion_constant(10.0), 4)
    (0.1406, 0.3123)
    """
    odd = np.arange(1, 60, 2)
    return float((1 - 192 / (pi**5 * ratio) * np.sum(np.tanh(odd * pi * ratio / 2) / odd**5)) / 3)


def _lambdas(bar: Bar, modulus_ratio: float, shear_factor: float, n_modes: int) -> np.ndarray:
    """omega L^2 sqrt(rho A / E I) of the lowest modes: 22.373, 61.673, ... for a slender bar."""
    if not 0 <= modulus_ratio < inf or not 0 < shear_factor <= 1:
        raise LuthkitError(
            f"modulus_ratio is {modulus_ratio}, shear_factor {shear_factor}; E / G is 0 or more (about 2.6 for "
            "metal, 10 to 20 for wood), the shear factor lies between 0 and 1"
        )
    if not 1 <= n_modes <= 6:
        raise LuthkitError(f"{n_modes} bending modes are asked for; 1 to 6 can be had")
    inertia = (bar.thickness_m / bar.length_m) ** 2 / 12
    return _timoshenko(inertia, inertia * modulus_ratio / shear_factor)[:n_modes]


@lru_cache(maxsize=256)
def _timoshenko(inertia: float, softness: float) -> np.ndarray:
    """The lowest six roots of the frequency equation of Huang, *Journal of Applied Mechanics* 28 (1961) 579.

    inertia: I / (A L^2); softness: E I / (kappa G A L^2). The roots are found on a grid, then sharpened.
    """

    def equation(root):
        gap = np.sqrt((inertia - softness) ** 2 + 4 / root**2)
        even = root * np.sqrt((gap - inertia - softness) / 2 + 0j)  # imaginary above the cut-off of shear waves
        odd = root * np.sqrt((gap + inertia + softness) / 2)
        factor = (root**2 * inertia * (inertia - softness) ** 2 + 3 * inertia - softness) * root
        factor = factor / np.sqrt(1 - root**2 * inertia * softness + 0j)
        return ((2 - 2 * np.cosh(even) * np.cos(odd) + factor * np.sinh(even) * np.sin(odd)) / np.cosh(even.real)).real

    grid = np.arange(1.0, 425.0, 0.25)
    values = equation(grid)
    starts = np.flatnonzero(values[1:] * values[:-1] < 0)[:6]
    found = np.array([brentq(equation, grid[k], grid[k + 1], xtol=1e-10) for k in starts])
    found.setflags(write=False)
    return found


def positive(name: str, value: float) -> None:
    """Raise LuthkitError unless the value is a positive number."""
    if not (isfinite(value) and value > 0):
        raise LuthkitError(f"{name} is {value}; give a positive number")
