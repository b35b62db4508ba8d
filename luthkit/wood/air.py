"""The air that swings along with a free plate. A thin top moves so much of it that its pitch falls by some per cent.

Air is taken as incompressible (right while the plate is small against the wavelength) and the plate as a sheet of
vortex rings, one a panel, drawn in by a quarter of a panel at the edges (Hough, NASA TN D-7424, 1973, from memory).
The kinetic energy of the air is 1/2 rho integral of jump(potential) w' over the plate (Lamb, *Hydrodynamics*).
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from .._threads import one_thread
from .shapes import CLASSES, shapes_at

AIR_DENSITY_KG_M3 = 1.2  # 20 C at sea level
AIR_MASS_U = 0.10  # relative, of the swung air: a hand, a table or a wall near the plate (judgement, no source)
_PANELS = 14  # across the shorter side


@lru_cache(maxsize=64)
@one_thread
def air_mass(aspect: float, size: int) -> np.ndarray:
    """Air swung by products of beam shapes on a plate of length / width = `aspect`, (4 classes, size^2, size^2).

    In units of air density times width, a mass per area; to be added to that of the plate.
    """
    x, y, potential = _potential_per_velocity(aspect)
    along, across = shapes_at(2 * x / aspect, size), shapes_at(2 * y, size)
    found = []
    for even_x, even_y in CLASSES:
        shapes = np.einsum("ix,jy->ijxy", along[even_x::2], across[even_y::2]).reshape(size * size, -1)
        found.append(shapes @ potential @ shapes.T)
    found = np.array(found)
    found = (found + found.swapaxes(1, 2)) / 2
    found.setflags(write=False)
    return found


def _potential_per_velocity(aspect: float):
    """Panel centres along (nx,) and across (ny,) on a plate `aspect` by 1, and the potential's jump per velocity.

    The matrix (nx ny, nx ny) is weighted so that v P v is the mean of jump times velocity over the plate.
    """
    n_x = int(np.clip(round(_PANELS * max(aspect, 1.0) ** 0.7), 6, 40))
    n_y = int(np.clip(round(_PANELS * max(1 / aspect, 1.0) ** 0.7), 6, 40))
    step_x, step_y = aspect / (n_x + 0.5), 1.0 / (n_y + 0.5)
    x, y = (np.arange(n_x) - (n_x - 1) / 2) * step_x, (np.arange(n_y) - (n_y - 1) / 2) * step_y
    apart_x, apart_y = np.arange(1 - n_x, n_x) * step_x, np.arange(1 - n_y, n_y) * step_y
    velocity = np.zeros((2 * n_x - 1, 2 * n_y - 1))
    for side_x in (-0.5, 0.5):
        for side_y in (-0.5, 0.5):
            corner_x, corner_y = apart_x[:, None] + side_x * step_x, apart_y + side_y * step_y
            velocity += np.sign(side_x * side_y) * np.hypot(corner_x, corner_y) / (corner_x * corner_y)
    rows, columns = (index.ravel() for index in np.indices((n_x, n_y)))
    between = velocity[rows[:, None] - rows + n_x - 1, columns[:, None] - columns + n_y - 1] / (4 * np.pi)
    return x, y, np.linalg.inv(between) * (step_x * step_y / aspect)
