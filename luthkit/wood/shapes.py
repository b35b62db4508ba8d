"""Shapes of a free beam, and the integrals a plate needs of them. On -1..1, mean square 1.

They are made from Legendre polynomials: those that minimise the bending energy, so shape k has k nodes; 0 and 1
are the rigid ones. Even and odd shapes are kept apart.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.polynomial import legendre

CLASSES = ((0, 0), (0, 1), (1, 0), (1, 1))  # a plate's shapes: even 0 or odd 1, along and across


@lru_cache(maxsize=8)
def beam_shapes(size: int) -> np.ndarray:
    """Shapes 0 to 2 size - 1 as coefficients of Legendre polynomials, (2 size, 2 size), a row each."""
    n = 2 * size
    points, weights = legendre.leggauss(n + 1)
    norm = np.sqrt(2 * np.arange(n) + 1)
    bent = norm * legendre.legval(points, legendre.legder(np.eye(n), 2)).T
    energy = (bent.T * weights / 2) @ bent
    found = np.zeros((n, n))
    for parity in (0, 1):
        found[parity::2, parity::2] = np.linalg.eigh(energy[parity::2, parity::2])[1].T
    found *= norm
    found.setflags(write=False)
    return found


def shapes_at(points, size: int) -> np.ndarray:
    """Values of all shapes, (2 size, n), at points (n,) in -1..1."""
    return legendre.legval(np.asarray(points, float), beam_shapes(size).T)


@lru_cache(maxsize=8)
def plate_terms(size: int) -> np.ndarray:
    """Bending energies of products of beam shapes, (4 classes, 4 terms, size^2, size^2), on the square -1..1.

    Means over the square of w_xx^2, w_yy^2, 4 w_xy^2 and 2 w_xx w_yy: what Dx, Dy, Dk and D1 multiply.
    """
    n = 2 * size
    points, weights = legendre.leggauss(n + 1)
    value, slope, bent = (legendre.legval(points, legendre.legder(beam_shapes(size).T, order)) for order in (0, 1, 2))
    bend, twist, mixed = ((p * weights / 2) @ q.T for p, q in ((bent, bent), (slope, slope), (bent, value)))
    found = np.empty((4, 4, size * size, size * size))
    for row, (along, across) in enumerate(CLASSES):
        x, y, one = slice(along, None, 2), slice(across, None, 2), np.eye(size)
        found[row, 0] = np.kron(bend[x, x], one)
        found[row, 1] = np.kron(one, bend[y, y])
        found[row, 2] = 4 * np.kron(twist[x, x], twist[y, y])
        found[row, 3] = np.kron(mixed[x, x], mixed[y, y].T) + np.kron(mixed[x, x].T, mixed[y, y])
    found.setflags(write=False)
    return found
