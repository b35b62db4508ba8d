"""A braced plate of wood on its own outline: its modes by the method of Rayleigh and Ritz.

A thin orthotropic plate w(x, y), x along the grain, with rigidities in N m,

    2 U = integral of D11 w_xx^2 + 2 D12 w_xx w_yy + D22 w_yy^2 + 4 D66 w_xy^2        over the wood
        + sum over beams of the integral of E I w_ss^2 along them + integral of k w_n^2 along the edge,
    2 T = omega^2 (integral of rho h w^2 over the wood + of the beams' mass per length w^2 along them).

(Plate theory: Timoshenko and Woinowsky-Krieger, Theory of Plates and Shells, from memory; Ritz: Leissa, Vibration
of Plates, from memory.) Braces and bridge are beams glued to one face, without torsion. The functions are
polynomials, times w^2 - y^2 of the `Outline` once where the edge is held, twice where it is clamped. Each part of
2 U and 2 T is put together once for a geometry; another piece of wood is other factors before the same matrices.
Arching, shear, and the air are left out.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite, pi

import numpy as np
from numpy.polynomial.legendre import legder, leggauss, legval
from scipy.linalg import eigh, qr, solve_triangular

from .._frozen import frozen_array
from .._threads import one_thread
from ..errors import LuthkitError
from .bars import positive
from .outline import Outline
from .plates import TERMS, Stiffness

EDGES = ("free", "held", "clamped")
STIFFNESS_PARTS = (*TERMS, "braces", "bridge", "edge")
MASS_PARTS = ("plate", "braces", "bridge")


@dataclass(frozen=True)
class PlateWood:
    """What a plate is made of: its stiffness in the plane and its density."""

    stiffness: Stiffness
    density_kg_m3: float

    def __post_init__(self):
        positive("density_kg_m3", self.density_kg_m3)


@dataclass(frozen=True)
class Beam:
    """A brace or a bridge, glued along its length to one face of a plate. Places are (x, y) in metres.

    The height falls as a parabola from the middle to `end_height_m` at both ends. `extra_mass_kg` lies evenly along
    it (a saddle, a bridge plate).
    """

    start_m: tuple[float, float]
    end_m: tuple[float, float]
    width_m: float
    height_m: float
    young_pa: float
    density_kg_m3: float
    end_height_m: float | None = None
    extra_mass_kg: float = 0.0
    name: str = ""

    def __post_init__(self):
        sizes = (self.width_m, self.height_m, self.young_pa, self.density_kg_m3, self.length_m)
        if not all(isfinite(size) and size > 0 for size in sizes):
            raise LuthkitError(f"{self.called}: width, height, length, E and density must be above 0")
        if self.end_height_m is not None and not 0 <= self.end_height_m <= self.height_m:
            raise LuthkitError(f"{self.called}: its ends must be no higher than its middle, and not below 0")

    @property
    def called(self) -> str:
        """Its name in a sentence."""
        return self.name or "a brace without a name"

    @property
    def length_m(self) -> float:
        """From end to end."""
        return float(np.hypot(self.end_m[0] - self.start_m[0], self.end_m[1] - self.start_m[1]))

    def heights_m(self, part) -> np.ndarray:
        """The height at parts of the length from 0 to 1."""
        end = self.height_m if self.end_height_m is None else self.end_height_m
        return self.height_m - (self.height_m - end) * (2 * np.asarray(part, float) - 1) ** 2

    def bending_n_m2(self, part, *, wood: PlateWood, thickness_m: float) -> np.ndarray:
        """E I about the plane that neither stretches nor shrinks, of the beam and the strip of plate it stiffens.

        The strip is a fifth of the beam's length wide (a planning figure, no source), its modulus along the beam
        between those along and across the grain. What the strip bends by itself is counted with the plate.
        """
        height = self.heights_m(part)
        cosine = (self.end_m[0] - self.start_m[0]) / self.length_m
        modulus = wood.stiffness.along_pa * cosine**4 + wood.stiffness.across_pa * (1 - cosine**2) ** 2
        beam = self.young_pa * self.width_m * height
        strip = modulus * thickness_m * 0.2 * self.length_m
        apart = (height + thickness_m) / 2
        return beam * height**2 / 12 + apart**2 * beam * strip / (beam + strip)


@dataclass(frozen=True, eq=False)
class BracedModes:
    """Modes of a braced plate, the lowest first; shapes carry 1 kg of modal mass, so they have the unit kg^-1/2."""

    frequency_hz: np.ndarray  # (n_modes,)
    volume_m2: np.ndarray  # (n_modes,): integral of each shape over the area, m^2 kg^-1/2
    shape: np.ndarray  # (n_modes, n_points) at the points asked for
    share: np.ndarray  # (n_modes, 7): each part's share of the elastic energy, in the order of STIFFNESS_PARTS

    def __post_init__(self):
        for name, value in vars(self).items():
            object.__setattr__(self, name, frozen_array(value))

    def effective_mass_kg(self, point: int = 0) -> np.ndarray:
        """Mass that stands for each mode at a point, 1 / shape^2."""
        with np.errstate(divide="ignore"):
            return 1 / self.shape[:, point] ** 2

    def effective_area_m2(self, point: int = 0) -> np.ndarray:
        """Piston area that goes with it: volume / shape there."""
        with np.errstate(divide="ignore"):
            return np.abs(self.volume_m2 / self.shape[:, point])


@dataclass(frozen=True, eq=False)
class BracedPlate:
    """Matrices of a geometry, of which each piece of wood makes its own sum; made by `assemble`.

    `stiffness` (7, n, n) and `mass` (3, n, n) in the order of STIFFNESS_PARTS and MASS_PARTS, the first four for a
    rigidity of 1 N m, the plate's mass for 1 kg/m^2; `volume` (n,); `points` (n_points, n).
    """

    stiffness: np.ndarray
    mass: np.ndarray
    volume: np.ndarray
    points: np.ndarray

    def __post_init__(self):
        for name, value in vars(self).items():
            object.__setattr__(self, name, frozen_array(value))

    @one_thread
    def modes(self, stiffness_factors, mass_factors, *, n_modes: int = 6, rigid: int = 0) -> BracedModes:
        """The lowest modes for factors (7,) and (3,) before the parts; `rigid` modes at the bottom are left out."""
        factors = np.asarray(stiffness_factors, float)
        stiffness = np.tensordot(factors, self.stiffness, 1)
        mass = np.tensordot(np.asarray(mass_factors, float), self.mass, 1)
        last = min(rigid + n_modes, len(mass)) - 1
        value, vector = eigh(stiffness, mass, subset_by_index=[rigid, last])
        energy = np.einsum("im,kij,jm->mk", vector, self.stiffness, vector) * factors
        return BracedModes(
            np.sqrt(np.maximum(value, 0)) / (2 * pi),
            self.volume @ vector,
            (self.points @ vector).T,
            energy / energy.sum(axis=1, keepdims=True),
        )

    @one_thread
    def reduced(self, stiffness_factors, mass_factors, n: int = 24) -> BracedPlate:
        """The same plate in its own lowest `n` modes for one wood: small, and close for woods not far from it."""
        stiffness = np.tensordot(np.asarray(stiffness_factors, float), self.stiffness, 1)
        mass = np.tensordot(np.asarray(mass_factors, float), self.mass, 1)
        _, basis = eigh(stiffness, mass, subset_by_index=[0, min(n, len(mass)) - 1])
        return BracedPlate(
            basis.T @ self.stiffness @ basis, basis.T @ self.mass @ basis, basis.T @ self.volume, self.points @ basis
        )


def plate_factors(wood: PlateWood, thickness_m: float, *, braces: float = 1.0, bridge: float = 1.0, edge: float = 1.0):
    """Factors before the parts, ((7,), (3,)), of a plate of this wood and thickness; 0 leaves a part off.

    `braces` multiplies the stiffness of the braces, not their mass unless it is 0; `bridge` both.
    """
    if not (isfinite(thickness_m) and 0 < thickness_m < 0.02):
        raise LuthkitError(f"the plate is {thickness_m!r} m thick; give its thickness in metres, such as 0.0027")
    stiffness = np.concatenate([wood.stiffness.bending_n_m(thickness_m), [braces, bridge, edge]])
    return stiffness, np.array([wood.density_kg_m3 * thickness_m, float(braces > 0), bridge])


@one_thread
def assemble(
    outline: Outline,
    *,
    edge: str = "held",
    edge_stiffness_n: float = 0.0,
    braces: tuple[Beam, ...] = (),
    bridge: Beam | None = None,
    soundhole_m: tuple[float, float] | None = None,
    points_m=(),
    wood: PlateWood | None = None,
    thickness_m: float = 0.0028,
    degree: int = 13,
) -> BracedPlate:
    """Put the matrices of a geometry together.

    edge: "free"; "held", which cannot move but can tilt against `edge_stiffness_n`, the torque per length and
        radian, N m / (m rad); or "clamped".
    soundhole_m: (x of its centre, radius); it is cut out. points_m: (n, 2) places where shapes are wanted.
    wood, thickness_m: of the usual plate; the braces' grip on the plate is reckoned with them (none without braces).

    Raises LuthkitError for an unknown edge, a brace or a hole that leaves the outline, braces without `wood`.
    """
    if edge not in EDGES:
        raise LuthkitError(f"edge is {edge!r}; choose one of: {', '.join(EDGES)}")
    basis = _Basis(outline, EDGES.index(edge), degree)
    x, y, weight = outline.interior(degree * 2 + 26, degree + 16)
    if soundhole_m is not None:
        cut = _disc(outline, *soundhole_m)
        x, y, weight = np.append(x, cut[0]), np.append(y, cut[1]), np.append(weight, -cut[2])
    value, xx, yy, xy = (basis.at(x, y, order) for order in ((0, 0), (2, 0), (0, 2), (1, 1)))
    n = value.shape[1]

    def pair(left, right):
        product = left.T @ (weight[:, None] * right)
        return (product + product.T) / 2

    stiffness, mass = np.zeros((7, n, n)), np.zeros((3, n, n))
    stiffness[:4] = pair(xx, xx), pair(yy, yy), 4 * pair(xy, xy), 2 * pair(xx, yy)
    mass[0] = pair(value, value)
    for part, beam in [*((4, beam) for beam in braces), *([(5, bridge)] if bridge else [])]:
        if wood is None:
            raise LuthkitError("braces need the wood of the plate they are glued to; give wood=PlateWood(...)")
        bending, lying = _beam(basis, outline, beam, wood, thickness_m)
        stiffness[part] += bending
        mass[part - 3] += lying
    if edge == "held" and edge_stiffness_n > 0:
        ex, ey, step = outline.edge()
        wx, wy = basis.at(ex, ey, (1, 0)), basis.at(ex, ey, (0, 1))
        # on a held edge the slope along the edge is zero, so the whole gradient is across it
        stiffness[6] = edge_stiffness_n * (wx.T @ (step[:, None] * wx) + wy.T @ (step[:, None] * wy))
    points = np.asarray(points_m, float).reshape(-1, 2)
    return BracedPlate(stiffness, mass, weight @ value, basis.at(points[:, 0], points[:, 1], (0, 0)))


class _Basis:
    """Polynomials on an outline, times (w^2 - y^2) to a power, made orthonormal over the area."""

    def __init__(self, outline: Outline, power: int, degree: int):
        self.outline, self.power = outline, power
        pairs = [(i, j) for i in range(degree + 1) for j in range(degree + 1) if i + j <= degree + 2]
        self.along, self.across = np.array(pairs).T
        self.half_m = float(outline.half_width_m(np.linspace(0, outline.length_m, 201)).max())
        self.triangle = np.eye(len(pairs))
        x, y, weight = outline.interior(2 * degree + 26, degree + 16)
        self.triangle = qr(np.sqrt(weight)[:, None] * self.at(x, y, (0, 0)), mode="r")[0][: len(pairs)]

    def at(self, x, y, order) -> np.ndarray:
        """Values of the functions, or of a derivative (times along x, times along y), shape (n_points, n)."""
        fx = [self._legendre(2 * x / self.outline.length_m - 1, 2 / self.outline.length_m, k) for k in range(3)]
        fy = [self._legendre(y / self.half_m, 1 / self.half_m, k) for k in range(3)]
        edge = self._edge(x, y)
        kx, ky = order
        total = 0
        for a in range(kx + 1):  # Leibniz' rule for edge times polynomial
            for b in range(ky + 1):
                times = (1, 2)[kx == 2 and a == 1] * (1, 2)[ky == 2 and b == 1]
                poly = fx[kx - a][:, self.along] * fy[ky - b][:, self.across]
                total = total + times * edge[a, b][:, None] * poly
        return solve_triangular(self.triangle, total.T, trans="T", check_finite=False).T

    def _legendre(self, t, per_m, order):
        eye = np.eye(self.along.max() + 1)
        return legval(t, legder(eye, order) if order else eye).reshape(len(eye), len(t)).T * per_m**order

    def _edge(self, x, y):
        """The factor that is zero on the edge, and its derivatives; w^2 - y^2, times x (L - x) for square ends."""
        zero = np.zeros_like(x)
        if self.power == 0:
            return {(a, b): np.ones_like(x) if a == b == 0 else zero for a in range(3) for b in range(3)}
        scale = 1 / self.half_m**2
        square, slope, bend = self.outline.square_and_slopes(x)
        f = {(0, 0): (square - y**2) * scale, (1, 0): slope * scale, (2, 0): bend * scale}
        f |= {(0, 1): -2 * y * scale, (0, 2): zero - 2 * scale, (1, 1): zero}
        if self.outline.square_ends:
            length = self.outline.length_m
            end = (4 * x * (length - x) / length**2, 4 * (length - 2 * x) / length**2, zero - 8 / length**2)
            g = {(a, 0): end[a] for a in range(3)}
            f = _product(f, g)
        return f if self.power == 1 else _product(f, f)


def _product(f, g):
    """Derivatives up to the second of a product, by Leibniz' rule; a derivative not in a dictionary is zero."""
    binomial = ((1,), (1, 1), (1, 2, 1))
    out = {}
    for kx, ky in ((0, 0), (1, 0), (0, 1), (2, 0), (0, 2), (1, 1)):
        total = 0.0
        for a in range(kx + 1):
            for b in range(ky + 1):
                one, two = f.get((a, b)), g.get((kx - a, ky - b))
                if one is not None and two is not None:
                    total = total + binomial[kx][a] * binomial[ky][b] * one * two
        out[kx, ky] = total + np.zeros_like(f[0, 0])
    return out


def _beam(basis, outline, beam: Beam, wood, thickness_m):
    """Stiffness and mass matrices of one beam."""
    start, end = np.array(beam.start_m, float), np.array(beam.end_m, float)
    node, weight = leggauss(24)
    part = (node + 1) / 2
    x, y = start[:, None] + np.outer(end - start, part)
    outside = np.abs(y) - outline.half_width_m(x)
    if outside.max() > 0.003:
        raise LuthkitError(f"{beam.called} leaves the outline by {1000 * outside.max():.0f} mm; check its two ends")
    cosine, sine = (end - start) / beam.length_m
    curve = cosine**2 * basis.at(x, y, (2, 0)) + sine**2 * basis.at(x, y, (0, 2))
    curve = curve + 2 * cosine * sine * basis.at(x, y, (1, 1))
    value = basis.at(x, y, (0, 0))
    step = weight / 2 * beam.length_m
    bending = step * beam.bending_n_m2(part, wood=wood, thickness_m=thickness_m)
    lying = step * (beam.density_kg_m3 * beam.width_m * beam.heights_m(part) + beam.extra_mass_kg / beam.length_m)
    return curve.T @ (bending[:, None] * curve), value.T @ (lying[:, None] * value)


def _disc(outline, centre_m: float, radius_m: float):
    """Points and weights over a disc on the centre line."""
    positive("the soundhole's radius in metres", radius_m)
    around = np.linspace(0, 2 * pi, 40, endpoint=False)
    x, y = centre_m + radius_m * np.cos(around), radius_m * np.sin(around)
    if np.any(np.abs(y) >= outline.half_width_m(x)):
        raise LuthkitError("the soundhole leaves the outline; give the place of its centre from the tail, in metres")
    node, weight = leggauss(14)
    r = radius_m * (node + 1) / 2
    x = centre_m + np.outer(r, np.cos(around)).ravel()
    y = np.outer(r, np.sin(around)).ravel()
    return x, y, np.repeat(radius_m / 2 * weight * r * 2 * pi / len(around), len(around))
