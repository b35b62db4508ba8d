"""The maker's fixed dimensions, and what they make of a top and a back: modes of plates, box and finished guitar.

Each plate alone is a `BracedPlate`: freely held for the braced stage, with its edge held on the rims after that.
Its lowest mode gives mass, stiffness and area; the two of them and the air become three coupled oscillators
(`air_top_back`). Everything is reckoned for many plates at once, in logarithms, and with slopes: how much each
quantity moves with each property of the wood and of the work.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from math import pi

import numpy as np

from .._threads import one_thread
from ..errors import LuthkitError
from ..wood.braced_plate import Beam, BracedPlate, PlateWood, assemble, plate_factors
from ..wood.outline import Outline
from .air_top_back import BodyModel
from .helmholtz import END_CORRECTION

FINISHED = ("air", "main top", "main back", "mobility")
BOX = ("box air", "box second", "box third")  # in the white, without a bridge; the upper two by their order
BRACED = ("braced top 1", "braced top 2", "braced back 1", "braced back 2")
QUANTITIES = FINISHED + BOX + BRACED  # frequencies in Hz, and mobility in s/kg (m/s for each newton)

PLATE_PROPERTIES = ("E along", "E across", "G", "density", "thickness", "brace stiffness")
WHOLE = ("stiffness of the main mode", "mass of the main mode")  # edge and arching, bridge and finish
N_PROPERTIES = len(PLATE_PROPERTIES) + len(WHOLE)  # of each plate
_KEPT = 20  # modes that stand for a plate, of the usual wood
_STEP = 0.02  # of the logarithm, for slopes
_SEVERAL = 3  # the lowest modes among which the one that moves most air is the main one


@dataclass(frozen=True, eq=False)
class PlateDesign:
    """A top or a back at its fixed dimensions. `wood` is the usual wood, near which the reckoning is best.

    tap_m: where it is struck, from the tail and from the centre line: the bridge for a top, the loudest spot of a
    back. least_thickness_m: the design's structural limit, nan where none is known.
    """

    outline: Outline
    wood: PlateWood
    thickness_m: float
    tap_m: tuple[float, float]
    braces: tuple[Beam, ...] = ()
    bridge: Beam | None = None
    soundhole_m: tuple[float, float] | None = None
    edge_stiffness_n: float = 50.0
    least_thickness_m: float = float("nan")

    @cached_property
    def on_rims(self) -> BracedPlate:
        """The plate glued to the rims."""
        plate = self._assemble("held", bridge=self.bridge)
        return plate.reduced(*plate_factors(self.wood, self.thickness_m), _KEPT)

    @cached_property
    def free(self) -> BracedPlate:
        """The braced plate, freely held, no bridge on it."""
        plate = self._assemble("free")
        return plate.reduced(*plate_factors(self.wood, self.thickness_m, bridge=0), _KEPT)

    def _assemble(self, edge, **more):
        return assemble(
            self.outline,
            edge=edge,
            edge_stiffness_n=self.edge_stiffness_n if edge == "held" else 0.0,
            braces=self.braces,
            soundhole_m=self.soundhole_m,
            points_m=[self.tap_m],
            wood=self.wood,
            thickness_m=self.thickness_m,
            **more,
        )

    def lumps(self, woods, thicknesses_m, braces, *, finished_only: bool = False) -> np.ndarray:
        """ln of mass, stiffness and area of the main mode, bridge on, then off: shape (n, 6)."""
        out = np.full((len(woods), 6), np.nan)
        for k, bridge in enumerate((1.0,) if finished_only else (1.0, 0.0)):
            factors = _factors(woods, thicknesses_m, braces, bridge)
            value, vector = _lowest(self.on_rims, *factors, _SEVERAL)
            volume = np.abs(np.einsum("i,nim->nm", self.on_rims.volume, vector))
            shape = np.abs(np.einsum("i,nim->nm", self.on_rims.points[0], vector))
            main = np.argmax(volume, axis=1)[:, None]
            value, volume, shape = (np.take_along_axis(a, main, 1)[:, 0] for a in (value, volume, shape))
            mass = 1 / shape**2
            out[:, 3 * k : 3 * k + 3] = np.log(np.column_stack([mass, mass * value, volume / shape]))
        return out

    def freely_held(self, woods, thicknesses_m, braces) -> np.ndarray:
        """ln of the two lowest frequencies of the braced plate by itself, (n, 2)."""
        value, _ = _lowest(self.free, *_factors(woods, thicknesses_m, braces, 0.0), 5)
        return np.log(value[:, 3:5]) / 2 - np.log(2 * pi)


@dataclass(frozen=True, eq=False)
class Design:
    """A guitar at the maker's fixed dimensions.

    volume_m3: of the air inside. hole_radius_m, hole_length_m: of the soundhole, the length with end corrections;
    by default the top's thickness and 1.6 radii.
    """

    top: PlateDesign
    back: PlateDesign
    volume_m3: float
    hole_radius_m: float
    hole_length_m: float | None = None
    name: str = ""

    def __post_init__(self):
        if self.hole_length_m is None:
            length = self.top.thickness_m + END_CORRECTION * self.hole_radius_m
            object.__setattr__(self, "hole_length_m", length)
        self._body(np.zeros((1, 6)), np.zeros((1, 6)))  # refuses sizes that cannot be

    def coupled(self, top_lumps, back_lumps) -> np.ndarray:
        """ln of the finished quantities of pairs, (n, 4), from ln mass, stiffness, area of each, (n, 3).

        Of the two upper modes the main top is the one in which the bridge moves more; mobility is 1 / (m omega)
        of it, m its effective mass at the bridge: Q times that is the height of its peak.
        """
        mass, _, stiffness = self._body(top_lumps, back_lumps).matrices()
        root = np.sqrt(mass)
        value, vector = np.linalg.eigh(stiffness / (root[:, :, None] * root[:, None, :]))
        omega = np.sqrt(np.maximum(value, 1e-9))
        bridge = vector[:, 0, :] ** 2 / mass[:, :1]
        top = 1 + (bridge[:, 2] > bridge[:, 1])
        rows = np.arange(len(top))
        out = np.column_stack([omega[:, 0], omega[rows, top], omega[rows, 3 - top], bridge[rows, top]])
        out = np.log(out)
        out[:, 3] -= out[:, 1]
        out[:, :3] -= np.log(2 * pi)
        return out

    def _body(self, top, back) -> BodyModel:
        m_top, k_top, a_top = np.exp(top[:, :3]).T
        m_back, k_back, a_back = np.exp(back[:, :3]).T
        return BodyModel(
            top_mass_kg=m_top,
            top_stiffness_n_m=k_top,
            top_area_m2=a_top,
            back_mass_kg=m_back,
            back_stiffness_n_m=k_back,
            back_area_m2=a_back,
            volume_m3=self.volume_m3,
            hole_radius_m=self.hole_radius_m,
            hole_length_m=self.hole_length_m,
        )


@dataclass(frozen=True, eq=False)
class PlatesReckoned:
    """What the model says of a list of tops or backs: values and slopes, all of logarithms.

    `lumps` (n, 6) and `lump_slopes` (n, 6, 8) with respect to PLATE_PROPERTIES and WHOLE; `free` (n, 2),
    `free_slopes` (n, 2, 8).
    """

    lumps: np.ndarray
    lump_slopes: np.ndarray
    free: np.ndarray
    free_slopes: np.ndarray

    def __getitem__(self, rows) -> PlatesReckoned:
        return PlatesReckoned(self.lumps[rows], self.lump_slopes[rows], self.free[rows], self.free_slopes[rows])


@one_thread
def reckon_plates(
    plate: PlateDesign, woods, *, thickness_m: float | None = None, finished_only: bool = False
) -> PlatesReckoned:
    """Reckon every wood of a list at the design's thickness, or at another one.

    finished_only: leave out, as nan, what is wanted only before the guitar is finished.
    """
    if not woods:
        raise LuthkitError("there is no wood to reckon with; give at least one set")
    thickness = plate.thickness_m if thickness_m is None else thickness_m
    variants = [list(woods)]
    sizes, braces = [np.full(len(woods), thickness)], [np.ones(len(woods))]
    for k in range(6):
        for step in (np.exp(_STEP), np.exp(-_STEP)):
            variants.append([_with(wood, k, step) for wood in woods])
            sizes.append(np.full(len(woods), thickness * (step if k == 4 else 1)))
            braces.append(np.full(len(woods), step if k == 5 else 1.0))
    every = [wood for part in variants for wood in part]
    given = (every, np.concatenate(sizes), np.concatenate(braces))
    lumps, lump_slopes = _values_and_slopes(plate.lumps(*given, finished_only=finished_only), len(woods))
    free = np.full((len(every), 2), np.nan) if finished_only else plate.freely_held(*given)
    free, free_slopes = _values_and_slopes(free, len(woods))
    whole = np.zeros((len(woods), 6, 2))
    whole[:, [1, 4], 0] = whole[:, 0, 1] = 1.0  # bridge and finish come after the box
    lump_slopes = np.concatenate([lump_slopes, whole], axis=2)
    free_slopes = np.concatenate([free_slopes, np.zeros((len(woods), 2, 2))], axis=2)
    return PlatesReckoned(lumps, lump_slopes, free, free_slopes)


@one_thread
def reckon_guitars(design: Design, tops: PlatesReckoned, backs: PlatesReckoned, *, finished_only: bool = False):
    """Values (n, n_quantities) and slopes (n, n_quantities, 16) of guitars, top k with back k.

    The slopes are with respect to the eight properties of the top, then those of the back. The quantities are
    QUANTITIES, or FINISHED only.
    """
    parts = []
    for state in range(1 if finished_only else 2):
        at = slice(3 * state, 3 * state + 3)
        values, slopes = _coupled_slopes(design, tops.lumps[:, at], backs.lumps[:, at])
        slopes = np.concatenate(
            [slopes[:, :, :3] @ tops.lump_slopes[:, at], slopes[:, :, 3:] @ backs.lump_slopes[:, at]], axis=2
        )
        if state:  # the box: no mobility without a bridge, and its upper two by order, whichever plate leads
            order = np.column_stack([np.zeros(len(values), int), 1 + np.argsort(values[:, 1:3], axis=1)])
            values = np.take_along_axis(values, order, 1)
            slopes = np.take_along_axis(slopes, order[:, :, None], 1)
        parts.append((values, slopes))
    if not finished_only:
        none = np.zeros_like(tops.free_slopes)
        parts.append((tops.free, np.concatenate([tops.free_slopes, none], axis=2)))
        parts.append((backs.free, np.concatenate([none, backs.free_slopes], axis=2)))
    return tuple(np.concatenate(each, axis=1) for each in zip(*parts, strict=True))


def _coupled_slopes(design, top, back):
    """Values (n, 4) and slopes (n, 4, 6) of the coupled guitar with respect to the lumps."""
    values, step = design.coupled(top, back), 1e-3
    slopes = np.zeros((len(top), 4, 6))
    for k in range(6):
        moved = (np.arange(6) == k) * step
        slopes[:, :, k] = (design.coupled(top + moved[:3], back + moved[3:]) - values) / step
    return values, slopes


def _values_and_slopes(stacked, n):
    """Split values of all variants into those of the woods themselves and central differences."""
    parts = stacked.reshape(13, n, -1)
    return parts[0], np.moveaxis((parts[1::2] - parts[2::2]) / (2 * _STEP), 0, 2)


def _with(wood: PlateWood, k: int, step: float) -> PlateWood:
    """The same wood with its k-th property of PLATE_PROPERTIES multiplied; those of the work leave it as it is."""
    if k < 3:
        name = ("along_pa", "across_pa", "shear_pa")[k]
        return replace(wood, stiffness=replace(wood.stiffness, **{name: getattr(wood.stiffness, name) * step}))
    return replace(wood, density_kg_m3=wood.density_kg_m3 * step) if k == 3 else wood


def _factors(woods, thicknesses_m, braces, bridge):
    pairs = [
        plate_factors(wood, h, braces=b, bridge=bridge) for wood, h, b in zip(woods, thicknesses_m, braces, strict=True)
    ]
    return np.array([pair[0] for pair in pairs]), np.array([pair[1] for pair in pairs])


def _lowest(plate: BracedPlate, stiffness_factors, mass_factors, n_modes):
    """omega^2 (n, n_modes) and mass-normalised vectors (n, size, n_modes) of many woods at once."""
    stiffness = np.tensordot(stiffness_factors, plate.stiffness, 1)
    mass = np.tensordot(mass_factors, plate.mass, 1)
    inverse = np.linalg.inv(np.linalg.cholesky(mass))
    value, vector = np.linalg.eigh(inverse @ stiffness @ np.swapaxes(inverse, 1, 2))
    return value[:, :n_modes], np.swapaxes(inverse, 1, 2) @ vector[:, :, :n_modes]
