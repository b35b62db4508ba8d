"""What the first standing wave of the air in the box does to air, top and back, which three pistons lack.

Air sloshes lengthwise, pressure ~ cos(pi x / L) at x from the tail: one way at bridge and back, the other at the hole.
Its stiffness for pistons of areas A_j that sit in it with the share g_j is 2 rho c^2 / V g_j A_j g_k A_k (cavity
modes of a hard-walled box, Morse and Ingard, Theoretical Acoustics, ch. 9, from memory); far below its own frequency F
it only loads them with 1 / (2 pi F)^2 of that as mass.
"""

from __future__ import annotations

from math import pi

import numpy as np

from .air_top_back import BodyModel

WAVE_HZ = 385.0  # usual for the first cavity mode (from memory)
PLACES = (
    0.36,
    0.68,
    0.36,
)  # bridge, hole and back, from the tail over the length of the body (common practice, no source)
DOUBT = 0.5  # of all it does: boxes are no bricks, and tops no points


def log_shifts(model: BodyModel, *, soundhole_plugged: bool = False, back_blocked: bool = False) -> np.ndarray:
    """By how much the wave moves the logarithm (n_modes,) of each mode of one model, to first order.

    -1/2 u' m_w u / u' M u for a mode u, over 1 - (f / F)^2 for how near it comes to the wave.
    """
    keep = [0] + [1] * (not soundhole_plugged) + [2] * (not back_blocked)
    mass, _, stiffness = model.matrices()
    areas = np.array([model.top_area_m2, pi * model.hole_radius_m**2, model.back_area_m2])
    push = np.cos(pi * np.array(PLACES)) * areas
    load = 2 * model.cavity_stiffness_pa_m3 * np.outer(push, push) / (2 * pi * WAVE_HZ) ** 2
    root = 1 / np.sqrt(mass[keep])
    square, shapes = np.linalg.eigh(root[:, None] * stiffness[np.ix_(keep, keep)] * root)
    heavier = np.sum(shapes * ((root[:, None] * load[np.ix_(keep, keep)] * root) @ shapes), axis=0)
    return -0.5 * heavier / (1 - square / (2 * pi * WAVE_HZ) ** 2)
