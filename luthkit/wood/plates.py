"""A free rectangular plate of wood: its modes from its stiffness, by Rayleigh-Ritz.

Thin orthotropic plate, grain along its length, all edges free:

    energy = 1/2 integral of Dx w_xx^2 + 2 D1 w_xx w_yy + Dy w_yy^2 + 4 Dk w_xy^2

with Dx = E_L h^3 / 12 (1 - nu_LR nu_RL), Dy = Dx E_R / E_L, D1 = nu_RL Dx, Dk = G h^3 / 12 (Timoshenko and
Woinowsky-Krieger, *Theory of Plates and Shells*, ch. 11). The deflection is a sum of products of free-beam
shapes, even or odd in each direction: four small eigenproblems.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from functools import lru_cache
from math import pi

import numpy as np

from .._frozen import frozen_array
from .._threads import one_thread
from ..errors import LuthkitError
from .air import AIR_DENSITY_KG_M3, air_mass
from .bars import positive
from .shapes import CLASSES, plate_terms, shapes_at

TERMS = ("along", "across", "twist", "coupling")  # what Dx, Dy, Dk and D1 hold
SIZE = 7  # beam shapes a direction and class: the first ten modes are good to 1e-5


@dataclass(frozen=True)
class Plate:
    """A rectangular plate of even thickness. The grain runs along `length_m`, which may be the shorter side."""

    length_m: float
    width_m: float
    thickness_m: float
    mass_kg: float

    def __post_init__(self):
        for field in fields(self):
            positive(field.name, getattr(self, field.name))
        if self.thickness_m > min(self.length_m, self.width_m) / 10:
            raise LuthkitError(
                f"a plate {self.length_m:g} by {self.width_m:g} m is no thin plate at {self.thickness_m:g} m; "
                "thickness must be at most a tenth of its sides (sizes are in metres)"
            )

    @property
    def density_kg_m3(self) -> float:
        """Mass / (length width thickness)."""
        return self.mass_kg / (self.length_m * self.width_m * self.thickness_m)

    @property
    def area_mass_kg_m2(self) -> float:
        """Mass / (length width)."""
        return self.mass_kg / (self.length_m * self.width_m)


@dataclass(frozen=True)
class Stiffness:
    """Elastic constants of wood in the plane of the plate."""

    along_pa: float  # E_L
    across_pa: float  # E_R of a quartersawn plate, E_T of a flatsawn one
    shear_pa: float  # G_LR, or G_LT
    poisson_ratio: float = 0.4  # nu_LR: pulled along the grain, how much it narrows across

    def __post_init__(self):
        for name in ("along_pa", "across_pa", "shear_pa"):
            positive(name, getattr(self, name))
        if not self.poisson_ratio**2 * self.across_pa / self.along_pa < 1:
            raise LuthkitError(f"poisson_ratio is {self.poisson_ratio}: no wood has that; 0.3 to 0.5 is usual")

    def bending_n_m(self, thickness_m: float) -> np.ndarray:
        """Dx, Dy, Dk, D1 of a plate, (4,), in the order of `TERMS`."""
        held = 1 - self.poisson_ratio**2 * self.across_pa / self.along_pa
        cube = thickness_m**3 / 12
        dx, dy = self.along_pa * cube / held, self.across_pa * cube / held
        return np.array([dx, dy, self.shear_pa * cube, self.poisson_ratio * dy])


@dataclass(frozen=True, eq=False)
class PlateModes:
    """The lowest modes of a free plate, by frequency."""

    frequency_hz: np.ndarray  # (n,)
    labels: tuple[tuple[int, int], ...]  # nodal lines across the grain, and along it, of the leading beam product
    purity: np.ndarray  # (n,) share of that product in the motion, 0 to 1
    energy_shares: np.ndarray  # (n, 4) of the strain energy, in the order of TERMS
    shapes: np.ndarray  # (n, k, k) amplitudes of the products of beam shapes

    def __post_init__(self):
        for name in ("frequency_hz", "purity", "energy_shares", "shapes"):
            object.__setattr__(self, name, frozen_array(getattr(self, name)))

    def deflection(self, mode: int, *, n: int = 41) -> np.ndarray:
        """Shape of one mode on a grid over the plate, (n along, n across), largest 1."""
        values = shapes_at(np.linspace(-1, 1, n), self.shapes.shape[1] // 2)
        w = values.T @ self.shapes[mode] @ values
        return w / w.flat[np.argmax(np.abs(w))]


@one_thread
def plate_modes(
    plate: Plate, stiffness: Stiffness, *, n_modes: int = 10, air_density_kg_m3: float = AIR_DENSITY_KG_M3
) -> PlateModes:
    """The modes of a free plate; with `air_density_kg_m3` 0 it hangs in a vacuum.

    Raises LuthkitError for less than one or more than 20 modes.

    >>> spruce = Stiffness(along_pa=11.9e9, across_pa=0.9282e9, shear_pa=0.7616e9, poisson_ratio=0.372)
    >>> plate = Plate(length_m=0.55, width_m=0.2, thickness_m=0.003, mass_kg=0.1386)
    >>> found = plate_modes(plate, spruce, n_modes=4, air_density_kg_m3=0)
    >>> [(label, round(float(f), 2)) for label, f in zip(found.labels, found.frequency_hz)]
    [((1, 1), 38.66), ((2, 0), 54.27), ((2, 1), 95.39), ((0, 2), 115.13)]
    """
    if not 1 <= n_modes <= 20:
        raise LuthkitError(f"n_modes is {n_modes}; 1 to 20 modes of a plate can be had")
    if not 0 <= air_density_kg_m3 < 5:
        raise LuthkitError(f"air_density_kg_m3 is {air_density_kg_m3}; air weighs about 1.2 kg/m3, a vacuum 0")
    rates = per_mass(stiffness.bending_n_m(plate.thickness_m), plate)
    return modes_of(rates, plate, n_modes=n_modes, air_density_kg_m3=air_density_kg_m3)


def per_mass(bending_n_m, plate: Plate) -> np.ndarray:
    """Bending stiffnesses (..., 4) over mass and size: what the frequencies squared are linear in, 1/s^2."""
    x, y = 4 / plate.length_m**2, 4 / plate.width_m**2
    return np.asarray(bending_n_m) * np.array([x * x, y * y, x * y, x * y]) / plate.area_mass_kg_m2


def square_frequencies(rates, plate: Plate, *, air_density_kg_m3: float, size: int = SIZE) -> np.ndarray:
    """omega^2 of all shapes but the rigid ones, ascending, (..., 4 size^2 - 3), for `rates` (..., 4)."""
    terms, _ = _with_air(plate.length_m / plate.width_m, _air_share(plate, air_density_kg_m3), size)
    found = np.linalg.eigvalsh(np.einsum("...t,ctij->...cij", rates, terms))
    return np.sort(found.reshape(*found.shape[:-2], -1), axis=-1)[..., 3:]


def modes_of(rates, plate: Plate, *, n_modes: int, air_density_kg_m3: float, size: int = SIZE) -> PlateModes:
    """`plate_modes` from what `per_mass` gives, (4,)."""
    terms, weights = _with_air(plate.length_m / plate.width_m, _air_share(plate, air_density_kg_m3), size)
    values, vectors = np.linalg.eigh(np.einsum("t,ctij->cij", rates, terms))
    order = np.argsort(values, axis=None)[3 : 3 + n_modes]
    classes, numbers = np.unravel_index(order, values.shape)
    squares = values[classes, numbers]
    picked = vectors[classes, :, numbers]
    shares = rates * np.einsum("ni,ntij,nj->nt", picked, terms[classes], picked) / squares[:, None]
    motion = np.einsum("nij,nj->ni", weights[classes], picked).reshape(-1, size, size)
    part = motion**2 / np.sum(motion**2, axis=(1, 2), keepdims=True)
    leading = np.argmax(part.reshape(len(order), -1), axis=1)
    labels, shapes = [], np.zeros((len(order), 2 * size, 2 * size))
    for k, (row, lead) in enumerate(zip(classes, leading, strict=True)):
        along, across = CLASSES[row]
        shapes[k, along::2, across::2] = motion[k]
        labels.append((2 * int(lead // size) + along, 2 * int(lead % size) + across))
    purity = part.reshape(len(order), -1)[np.arange(len(order)), leading]
    return PlateModes(np.sqrt(squares) / (2 * pi), tuple(labels), purity, shares, shapes)


def _air_share(plate: Plate, air_density_kg_m3: float) -> float:
    return air_density_kg_m3 * plate.width_m / plate.area_mass_kg_m2


@lru_cache(maxsize=32)
@one_thread
def _with_air(aspect: float, share: float, size: int):
    """Energy terms (4, 4, n, n) in coordinates where the mass of plate and air is 1, and the way back (4, n, n)."""
    mass = np.eye(size * size) + (share * air_mass(aspect, size) if share else np.zeros((4, 1, 1)))
    back = np.linalg.inv(np.linalg.cholesky(mass)).swapaxes(1, 2)
    terms = np.einsum("cki,ctkl,clj->ctij", back, plate_terms(size), back, optimize=True)
    return terms, back
