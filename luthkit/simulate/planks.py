"""Plates of wood that are tapped: a `Body` whose modes are those of a free orthotropic plate in air.

What the reading of plates does not know is in here too: shear lowers each mode a little, wood and thickness are
uneven, and a support takes some energy. Losses of bending and shear add up by their shares of the energy.
"""

from __future__ import annotations

import numpy as np

from ..wood.bars import shear_gain
from ..wood.plates import Plate, PlateModes, Stiffness, plate_modes
from ..wood.shapes import shapes_at
from .body import Body, pole

PLACES = {  # struck, as a fraction of the half length and half width from the middle
    "corner": (0.92, 0.88),
    "end": (0.93, 0.10),
    "side": (0.08, 0.92),
}
MICROPHONE = (-0.80, 0.62)  # over the opposite quarter


def plate_body(
    plate: Plate,
    stiffness: Stiffness,
    loss_factors: tuple[float, float, float],
    *,
    rng: np.random.Generator | None = None,
    uneven: float = 0.001,
    long_ratio: float = 15.0,
    cross_ratio: float = 20.0,
    n_modes: int = 18,
) -> Body:
    """A tapped plate; `loss_factors` along, across and in shear.

    long_ratio, cross_ratio: E_L / G_LT and E_R / G_RT, how soft it is in shear; 0 for a thin plate as in books.
    uneven: scatter of each frequency, as a fraction, drawn from `rng`; none without one.
    """
    modes = plate_modes(plate, stiffness, n_modes=n_modes)
    shares = shares_of(modes)
    softer = [
        shear_gain(thickness_m=plate.thickness_m, length_m=side, modulus_ratio=ratio)
        for side, ratio in ((plate.length_m, long_ratio), (plate.width_m, cross_ratio))
    ]
    frequency = modes.frequency_hz * np.prod(np.array([*softer, 1.0]) ** (-shares / 2), axis=1)
    if rng is not None:
        frequency = frequency * np.exp(uneven * rng.standard_normal(n_modes))
    loss = shares @ np.asarray(loss_factors)
    heard = _deflections(modes, MICROPHONE)
    struck = np.array([_deflections(modes, place) for place in PLACES.values()]).T
    poles = pole(frequency, loss / 2)
    residues = (struck * heard[:, None]) * poles[:, None] * 1j  # an impulse gives velocity, pressure its change
    return Body(poles, residues, tuple(PLACES), tuple(f"({m}, {n})" for m, n in modes.labels))


def shares_of(modes: PlateModes) -> np.ndarray:
    """Of each mode's energy, what bends along and across and what shears, half of the coupling to either, (n, 3)."""
    half = modes.energy_shares[:, 3:] / 2
    return modes.energy_shares[:, :3] + np.hstack([half, half, np.zeros_like(half)])


def _deflections(modes: PlateModes, place) -> np.ndarray:
    """Deflection of every mode at one place, the root mean square over the plate 1, (n,)."""
    size = modes.shapes.shape[1] // 2
    along, across = (shapes_at([fraction], size)[:, 0] for fraction in place)
    values = np.einsum("i,nij,j->n", along, modes.shapes, across)
    return values / np.sqrt(np.sum(modes.shapes**2, axis=(1, 2)))
