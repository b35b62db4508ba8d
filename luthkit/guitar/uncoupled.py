"""Box, top and back, each by itself, in closed form from the frequencies they make together.

Two facts about coupled oscillators without losses do the work (invariants of their matrix, see `air_top_back`):
the squares of all open frequencies add up to those of the plugged ones plus that of the box, and the product of
all frequencies is that of box, top and back, each by itself. Mass on the bridge makes every such product
fall as one over the root of the top's mass, whatever air and back do meanwhile.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..errors import LuthkitError
from .propagation import propagate

_ORDER = "give air, main top and main back (two plugged, without the air), or without the back where it was held"


@dataclass(frozen=True)
class Uncoupled:
    """What three coupled oscillators would do one by one, with standard uncertainties; NaN for a back held still.

    A coupling f_a says how hard the air in a closed box pushes on a plate: the plate alone over the plugged box,
    the other held still, rings at sqrt(f_plate^2 + f_a^2), f_a^2 = rho c^2 A^2 / (4 pi^2 V m).
    """

    box_frequency_hz: float  # rigid box with its soundhole
    box_frequency_u_hz: float
    top_frequency_hz: float  # without any air
    top_frequency_u_hz: float
    top_coupling_hz: float
    top_coupling_u_hz: float
    back_frequency_hz: float = float("nan")
    back_frequency_u_hz: float = float("nan")
    back_coupling_hz: float = float("nan")
    back_coupling_u_hz: float = float("nan")


def uncouple(open_hz, plugged_hz, *, open_u_hz, plugged_u_hz) -> Uncoupled:
    """Solve for box, top and back from the frequencies with the soundhole open and plugged.

    `open_hz` are air, main top, main back and `plugged_hz` main top, main back; where the back was held still for
    both, they are air, main top and main top. Frequencies are undamped natural frequencies; their standard
    uncertainties are carried through to first order, as if independent. With P, B, H the squares of top, back
    and box, and a, b those of the couplings, the symmetric functions of the squared frequencies are

        plugged:  d1 = P + a + B + b,   d2 = P B + P b + a B;
        open:     e1 = d1 + H,          e2 = d2 + H (P + B),      e3 = P B H.

    Equations from the matrices in `air_top_back` (two oscillators: euphonics.org, section 4.2.2).
    Raises `LuthkitError` for frequencies that no three oscillators can have: a wrong name, or a plug that leaks.
    """
    opened, plugged = np.asarray(open_hz, float), np.asarray(plugged_hz, float)
    shape = (len(opened), len(plugged)) if opened.ndim == plugged.ndim == 1 else None
    if shape not in {(3, 2), (2, 1)}:
        raise LuthkitError(f"open_hz is {open_hz} and plugged_hz is {plugged_hz}; {_ORDER}")
    values = np.concatenate([opened, plugged])
    u = np.concatenate([np.broadcast_to(open_u_hz, shape[0]), np.broadcast_to(plugged_u_hz, shape[1])]).astype(float)
    if not (np.all(np.isfinite(values) & (values > 0)) and np.all(np.isfinite(u) & (u >= 0))):
        raise LuthkitError(f"frequencies {values} Hz with errors {u} Hz; all must be finite and above 0; {_ORDER}")
    top_first = shape == (2, 1) or plugged[0] <= plugged[1]
    solve = _two if shape == (2, 1) else lambda f: _three(f, top_first)
    squares = solve(values[None])[0]
    if not (np.all(np.isfinite(squares)) and np.all(squares > 0)):
        raise LuthkitError(
            f"open at {_listed(opened)} and plugged at {_listed(plugged)} Hz cannot be one guitar with air, top and "
            "back: a mode has the wrong name, the plug leaks, or the errors are too large; check the plug, tap again"
        )
    found, covariance = propagate(lambda f: np.sqrt(np.abs(solve(f))), values, np.diag(u**2), step=1e-5 * values)
    pairs = zip(found, np.sqrt(np.diag(covariance)), strict=True)
    return Uncoupled(*(float(number) for pair in pairs for number in pair))


def _two(f) -> np.ndarray:
    """Squares H, P, a from open air, open top, plugged top, rows of `f` (k, 3)."""
    low, high, closed = (f**2).T
    box = low + high - closed
    top = low * high / box
    return np.stack([box, top, closed - top], axis=1)


def _three(f, top_first: bool) -> np.ndarray:
    """Squares H, P, a, B, b from three open and two plugged frequencies, rows of `f` (k, 5)."""
    e1, (d1, d2) = np.sum(f[:, :3] ** 2, axis=1), (np.sum(f[:, 3:] ** 2, axis=1), np.prod(f[:, 3:] ** 2, axis=1))
    x, y, z = (f[:, :3] ** 2).T
    box = e1 - d1
    plates, product = (x * y + y * z + z * x - d2) / box, x * y * z / box
    with np.errstate(invalid="ignore", divide="ignore"):
        half = np.sqrt(plates**2 / 4 - product)
        one, other = plates / 2 - half, plates / 2 + half
        a = (d2 - product - one * (d1 - plates)) / (other - one)
        b = d1 - plates - a
    lower_is_one = (one + a <= other + b)[:, None]  # which of them is mostly the lower plugged mode
    straight, crossed = np.stack([one, a, other, b], axis=1), np.stack([other, b, one, a], axis=1)
    return np.concatenate([box[:, None], np.where(lower_is_one == top_first, straight, crossed)], axis=1)


@dataclass(frozen=True)
class EffectiveMass:
    """The mass that the bridge has to move, from what known masses on it did."""

    mass_kg: float
    mass_u_kg: float
    chi_square: float  # of the straight line; NaN with one mass only
    degrees_of_freedom: int


def effective_mass(added_mass_kg, frequency_hz, *, frequency_u_hz) -> EffectiveMass:
    """Effective mass at the bridge from frequencies with known masses there; one of the masses is 0.

    `added_mass_kg` (n,); `frequency_hz` and `frequency_u_hz` (n,), the top held apart from air and back, or
    (n, n_modes): air, main top and main back (or main top and main back, plugged), all of which are then needed.
    The inverse square of their product is a straight line over the added mass, 1 / F^2 ~ m + dm (product rule
    above), and its zero lies at -m. With one mass that is m = dm / ((F0 / F)^2 - 1). Weighted least squares; where
    the points lie farther off the line than their errors, the error grows to match (Birge ratio).
    Raises `LuthkitError` for fewer than two masses, none of them 0, or frequencies that do not fall.
    """
    mass = np.asarray(added_mass_kg, float)
    f = np.asarray(frequency_hz, float).reshape(len(mass), -1)
    relative_u = np.broadcast_to(frequency_u_hz, np.shape(frequency_hz)).reshape(f.shape) / f
    if len(mass) < 2 or mass.min() != 0 or len(np.unique(mass)) < 2:
        raise LuthkitError(f"added masses are {mass * 1000} g; give at least one reading without mass and one with it")
    scale = f[np.argmin(mass)]
    y = np.prod((scale / f) ** 2, axis=1)
    y_u = 2 * y * np.sqrt(np.sum(relative_u**2, axis=1))
    (slope, offset), covariance = np.polyfit(mass, y, 1, w=1 / y_u, cov="unscaled")
    if not slope > 0:
        raise LuthkitError("the frequencies do not fall with the mass on the bridge; check their names and the masses")
    dof = len(mass) - 2
    chi2 = float(np.sum(((y - offset - slope * mass) / y_u) ** 2))
    gradient = np.array([-offset / slope**2, 1 / slope])
    variance = gradient @ covariance @ gradient * max(1.0, chi2 / dof if dof else 1.0)
    return EffectiveMass(offset / slope, float(np.sqrt(variance)), chi2 if dof else float("nan"), dof)


def _listed(values) -> str:
    return ", ".join(f"{value:.1f}" for value in values)
