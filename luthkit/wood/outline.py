"""The outline of a plate: half its width as a smooth function of the place along it, and sums over its area.

x runs along the grain from the tail, y across from the centre line. The half width w is kept as

    w(x)^2 = e(x) p(x),    e = x (L - x) for round ends, 1 for square ends,

with a polynomial p. A circle is p = 1, a rectangle a constant p with square ends, and the body of a guitar a
p of degree five: width and a level tangent at lower bout, waist and upper bout. Then w^2 - y^2 is smooth and zero
on the edge, which is what the plates of `braced_plate` need. Cutaways are not handled.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import pi

import numpy as np
from numpy.polynomial import Polynomial
from numpy.polynomial.legendre import leggauss

from .._frozen import frozen_array
from ..errors import LuthkitError
from .bars import positive


@dataclass(frozen=True, eq=False)
class Outline:
    """A plate's outline, alike on both sides of the centre line.

    `coefficients` of p in powers of 2 x / L - 1, lowest first; in m^2 for square ends, without unit for round ones.
    """

    length_m: float
    coefficients: np.ndarray
    square_ends: bool = False

    def __post_init__(self):
        positive("length_m", self.length_m)
        object.__setattr__(self, "coefficients", frozen_array(self.coefficients, ndim=1, name="coefficients"))
        if not np.all(self._p(np.linspace(0, self.length_m, 401)) > 0):
            raise LuthkitError("the widths given make no smooth outline; check that each is a full width, in metres")

    @classmethod
    def rectangle(cls, length_m: float, width_m: float) -> Outline:
        """A rectangle, its length along the grain."""
        positive("length_m", length_m)
        positive("width_m", width_m)
        return cls(length_m, np.array([width_m**2 / 4]), square_ends=True)

    @classmethod
    def circle(cls, radius_m: float) -> Outline:
        """A disc."""
        positive("radius_m", radius_m)
        return cls(2 * radius_m, np.array([1.0]))

    @classmethod
    def guitar(
        cls,
        length_m: float,
        *,
        lower_bout_m: float,
        waist_m: float,
        upper_bout_m: float,
        places=(0.23, 0.60, 0.82),
    ) -> Outline:
        """A guitar's body from four sizes: its length and three full widths.

        `places` are where lower bout, waist and upper bout lie, from the tail, as parts of the length.
        Raises LuthkitError when the sizes make no smooth outline.

        >>> body = Outline.guitar(0.49, lower_bout_m=0.37, waist_m=0.235, upper_bout_m=0.28)
        >>> round(float(2 * body.half_width_m(0.23 * 0.49)), 3)
        0.37
        """
        sizes = {"length_m": length_m, "lower_bout_m": lower_bout_m, "waist_m": waist_m, "upper_bout_m": upper_bout_m}
        for name, size in sizes.items():
            positive(name, size)
        at = 2 * np.asarray(places, float) - 1
        if at.shape != (3,) or not np.all(np.diff(at) > 0) or at[0] <= -1 or at[-1] >= 1:
            raise LuthkitError(f"places is {places!r}; give three rising parts of the length, each between 0 and 1")
        square = (np.array([lower_bout_m, waist_m, upper_bout_m]) / length_m) ** 2
        ends = 1 - at**2  # w^2 = L^2 / 4 (1 - t^2) p, with t = 2 x / L - 1
        value, slope = square / ends, 2 * at * square / ends**2
        powers = np.arange(6)
        rows = at[:, None] ** powers
        slopes = powers * at[:, None] ** np.maximum(powers - 1, 0)
        return cls(length_m, np.linalg.solve(np.vstack([rows, slopes]), np.concatenate([value, slope])))

    @classmethod
    def from_points(cls, points_m) -> Outline:
        """The outline through measured points, shape (n, 2): along from the tail, and across from the centre line.

        Points on both sides of the centre line are taken together; those at the two ends of the centre line are
        among them. A polynomial is laid through them.
        Raises LuthkitError for fewer than 12 points, or when it misses one by more than 4 mm, as at a cutaway.
        """
        points = np.asarray(points_m, float)
        if points.ndim != 2 or points.shape[1] != 2 or len(points) < 12 or not np.all(np.isfinite(points)):
            raise LuthkitError("an outline needs at least 12 points, each a pair: along, across, in metres")
        x, half = points[:, 0] - points[:, 0].min(), np.abs(points[:, 1])
        length = float(x.max())
        positive("length_m", length)
        t = 2 * x / length - 1
        inner = np.abs(t) < 0.999
        ends = length**2 / 4 * (1 - t[inner] ** 2)
        # w^2 = e p; an error of w is an error of 2 w in w^2
        fit = Polynomial.fit(t[inner], half[inner] ** 2 / ends, 7, [-1, 1], w=ends / (2 * half[inner] + 0.02 * length))
        found = cls(length, fit.coef)
        worst = float(np.max(np.abs(found.half_width_m(x) - half)))
        if worst > 0.004:
            raise LuthkitError(
                f"the smooth outline misses a point by {1000 * worst:.1f} mm; check the points (metres, from the tail "
                "and from the centre line); a cutaway cannot be handled"
            )
        return found

    def _p(self, x_m):
        return np.polynomial.polynomial.polyval(2 * np.asarray(x_m, float) / self.length_m - 1, self.coefficients)

    def square_and_slopes(self, x_m) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """w^2 and its first and second derivative along x, each the shape of `x_m`; units m^2, m, 1."""
        t = 2 * np.asarray(x_m, float) / self.length_m - 1
        p = Polynomial(self.coefficients)
        square = p if self.square_ends else p * Polynomial([1, 0, -1]) * (self.length_m**2 / 4)
        per_m = 2 / self.length_m
        return square(t), square.deriv()(t) * per_m, square.deriv(2)(t) * per_m**2

    def half_width_m(self, x_m) -> np.ndarray:
        """Half the width at a place along the plate; 0 outside it."""
        x = np.asarray(x_m, float)
        inside = (x >= 0) & (x <= self.length_m)
        return np.where(inside, np.sqrt(np.maximum(self.square_and_slopes(x)[0], 0)), 0.0)

    @property
    def area_m2(self) -> float:
        """The area within the outline."""
        return float(self.interior()[2].sum())

    def interior(self, n_along: int = 44, n_across: int = 28) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """x, y and weight (m^2) of points whose weighted sum is an integral over the area (Gauss quadrature)."""
        x, dx = self._along(n_along)
        node, weight = leggauss(n_across)
        half = np.sqrt(self.square_and_slopes(x)[0])
        y = half[:, None] * node
        return np.repeat(x, n_across), y.ravel(), (dx[:, None] * half[:, None] * weight).ravel()

    def edge(self, n: int = 60) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """x, y and weight (m) of points whose weighted sum is an integral along the edge."""
        x, dx = self._along(n)
        square, slope, _ = self.square_and_slopes(x)
        half = np.sqrt(square)
        step = dx * np.sqrt(1 + (slope / (2 * half)) ** 2)
        x, y, step = np.tile(x, 2), np.concatenate([half, -half]), np.tile(step, 2)
        if self.square_ends:
            node, weight = leggauss(n)
            for place in (0.0, self.length_m):
                end = float(np.sqrt(self.square_and_slopes(place)[0]))
                x = np.concatenate([x, np.full(n, place)])
                y, step = np.concatenate([y, end * node]), np.concatenate([step, end * weight])
        return x, y, step

    def _along(self, n: int):
        """Places along x with their weights; for round ends close together where the outline turns."""
        node, weight = leggauss(n)
        if self.square_ends:
            return self.length_m * (node + 1) / 2, self.length_m / 2 * weight
        angle = pi * (node + 1) / 2
        return self.length_m * (1 - np.cos(angle)) / 2, self.length_m / 2 * np.sin(angle) * pi / 2 * weight
