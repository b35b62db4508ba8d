"""An invented design and an invented stock of wood for it, all synthetic."""

from __future__ import annotations

import numpy as np

from ..wood.braced_plate import Beam, PlateWood
from ..wood.outline import Outline
from ..wood.plates import Stiffness
from .shops import PlateRecipe

VOLUME_M3, HOLE_RADIUS_M = 0.0135, 0.0425
BODY = {"length_m": 0.488, "lower_bout_m": 0.366, "waist_m": 0.236, "upper_bout_m": 0.278}
TOP_WOOD = PlateWood(Stiffness(11.0e9, 0.80e9, 0.75e9), 425.0)
BACK_WOOD = PlateWood(Stiffness(12.0e9, 2.2e9, 1.6e9), 810.0)
BRACE_WOOD = {"young_pa": 11.5e9, "density_kg_m3": 430.0}
# E along, E across, G, density: how a merchant's boards of one kind scatter (from memory), and E with density
SPREAD, TOGETHER = np.array([0.12, 0.16, 0.12, 0.07]), 0.6
MEASURED_U = (0.02, 0.04, 0.04, 0.005)  # how well the stock was measured


def design() -> tuple[PlateRecipe, PlateRecipe]:
    """Top and back of the invented design."""
    outline = Outline.guitar(**BODY)
    fan = tuple(
        Beam((0.055, y), (0.250, 0.55 * y), 0.005, 0.0035, end_height_m=0.0015, name=f"fan {k + 1}", **BRACE_WOOD)
        for k, y in enumerate((-0.10, -0.05, 0.0, 0.05, 0.10))
    )
    across = (_across(outline, "lower bar", 0.292, 0.010, 0.013), _across(outline, "upper bar", 0.400, 0.010, 0.013))
    bridge = Beam(
        (0.145, -0.09), (0.145, 0.09), 0.028, 0.007, 11e9, 800.0, extra_mass_kg=0.003, name="bridge with saddle"
    )
    top = PlateRecipe(
        outline,
        TOP_WOOD,
        0.0028,
        (0.145, 0.0),
        (*fan, *across),
        bridge,
        soundhole_m=(0.346, HOLE_RADIUS_M),
        least_thickness_m=0.0024,
    )
    bars = tuple(_across(outline, f"back bar {k + 1}", x, 0.012, 0.013) for k, x in enumerate((0.06, 0.17, 0.30, 0.41)))
    back = PlateRecipe(outline, BACK_WOOD, 0.0028, (0.165, 0.0), bars, least_thickness_m=0.0022)
    return top, back


def board(rng: np.random.Generator, usual: PlateWood) -> PlateWood:
    """A board of one kind; boards scatter, heavier ones are mostly stiffer along the grain."""
    z = rng.standard_normal(4)
    z[0] = TOGETHER * z[3] + np.sqrt(1 - TOGETHER**2) * z[0]
    return _scaled(usual, np.exp(SPREAD * z))


def as_measured(rng: np.random.Generator, wood: PlateWood) -> PlateWood:
    """The same board as a measurement shows it."""
    return _scaled(wood, np.exp(np.array(MEASURED_U) * rng.standard_normal(4)))


def _scaled(wood: PlateWood, factor) -> PlateWood:
    s = wood.stiffness
    stiffness = Stiffness(s.along_pa * factor[0], s.across_pa * factor[1], s.shear_pa * factor[2], s.poisson_ratio)
    return PlateWood(stiffness, wood.density_kg_m3 * factor[3])


def _across(outline: Outline, name: str, x_m: float, width_m: float, height_m: float) -> Beam:
    half = float(outline.half_width_m(x_m)) - 0.004
    return Beam((x_m, -half), (x_m, half), width_m, height_m, end_height_m=0.005, name=name, **BRACE_WOOD)
