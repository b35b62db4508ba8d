"""From the modes heard on a free strip or bar of wood to E along it, and to its shear stiffness where twist is heard.

Bending after Timoshenko on all heard bending modes at once: the higher ones tell how soft the wood is in shear.
The air is that of a flat strip, pi / 4 rho b^2 a length (Lamb, *Hydrodynamics*, art. 71).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import nan, pi

import numpy as np

from .._frozen import frozen_dict
from ..errors import LuthkitError
from .air import AIR_DENSITY_KG_M3
from .bars import SHEAR_FACTOR, Bar, bending_frequencies_hz, torsion_frequency_hz
from .inversion import ANY_WOOD, MODEL_U, Expectation
from .losses import LOSS_U

RATIO, RATIO_U = 15.0, 5.0  # E / G of wood along the grain, and its scatter (Wood Handbook, table 5-1)
_NEAR = 0.04  # a heard mode this near to a computed one is that one


@dataclass(frozen=True)
class StripReading:
    """What the heard modes say of the wood of a strip.

    Names in `values`: along and shear (Pa: E_L and G), loss_along, loss_shear; what was not heard is missing.
    """

    values: Mapping[str, tuple[float, float]]  # name -> (value, relative error by the taps alone)
    modulus_ratio: float  # E / G in the plane of bending
    bending: tuple[int, ...]  # indices among the heard, the first bending mode first
    torsion: int | None  # index among the heard
    air_share: float  # of the strip's mass
    notes: tuple[str, ...] = ()


def invert_strip(
    bar: Bar,
    modes: Sequence,
    *,
    expected: Expectation = ANY_WOOD,
    air_density_kg_m3: float = AIR_DENSITY_KG_M3,
) -> StripReading:
    """E along a free strip from its modes (`Mode`s of `read_modes`, in any order).

    Raises LuthkitError when nothing was heard, or no heard mode can be the first bending of such wood.
    """
    if not modes:
        raise LuthkitError("no mode was heard on the strip; lay it on its nodes, 0.224 of its length from each end")
    frequency = np.array([mode.frequency_hz for mode in modes])
    u = np.array([mode.frequency_u_hz for mode in modes]) / frequency
    u = np.hypot(np.where(np.isfinite(u), u, MODEL_U), MODEL_U)
    share = air_density_kg_m3 * pi / 4 * bar.width_m / (bar.density_kg_m3 * bar.thickness_m)
    wood = expected.stiffness
    best = None
    for first in frequency:
        along = 1e9 * (first / _bending(bar, 1e9, RATIO, share)[0]) ** 2
        surprise = (np.log(along / wood.along_pa) / expected.along_spread) ** 2
        if surprise > 9:
            continue
        pairs = _pairs(_bending(bar, along, RATIO, share), frequency)
        score = surprise - 9 * len(pairs)
        if best is None or score < best[0]:
            best = score, along, pairs
    if best is None:
        heard = ", ".join(f"{f:.0f}" for f in frequency)
        raise LuthkitError(
            f"no sound heard ({heard} Hz) can be the first bending of a strip of wood "
            "of this size and mass; check length, thickness and mass"
        )
    _, along, pairs = best
    for _ in range(3):  # once shear is known better, a higher mode may prove to be one more of bending
        log_along, ratio, covariance = _fit(bar, along, pairs, frequency, u, share)
        model = _bending(bar, float(np.exp(log_along)), ratio, share)
        again = _pairs(model, frequency)
        if again == pairs or not again:
            break
        pairs, along = again, float(np.exp(log_along))
    torsion, shear, shear_u = _torsion(bar, frequency, u, pairs, expected, air_density_kg_m3)
    values = {
        "along": (float(np.exp(log_along)), float(np.sqrt(covariance[0, 0]))),
        "shear": (shear, shear_u),
        "loss_along": _mean_loss([modes[k] for _, k in pairs]),
        "loss_shear": _mean_loss([modes[torsion]] if torsion is not None else []),
    }
    notes = []
    if len(pairs) == 1:
        notes.append("one bending mode only: nothing checks it, and shear is taken as wood usually has it")
    if bar.length_m < 20 * bar.thickness_m:
        notes.append("the strip is short against its thickness: shear tells much, and E hangs on it")
    return StripReading(
        values=frozen_dict({name: told for name, told in values.items() if np.isfinite(told[0])}),
        modulus_ratio=ratio,
        bending=tuple(k for _, k in pairs),
        torsion=torsion,
        air_share=float(share),
        notes=tuple(notes),
    )


def _bending(bar, along, ratio, share) -> np.ndarray:
    """The lowest six bending modes, with the air."""
    found = bending_frequencies_hz(bar, modulus_pa=along, modulus_ratio=ratio, shear_factor=SHEAR_FACTOR, n_modes=6)
    return found / np.sqrt(1 + share)


def _pairs(model, frequency) -> list[tuple[int, int]]:
    """(bending mode, heard) for each computed mode that has a heard one near it."""
    nearest = np.abs(np.log(model[:, None] / frequency)).argmin(axis=1)
    return [(n, int(k)) for n, k in enumerate(nearest) if abs(np.log(model[n] / frequency[k])) < _NEAR]


def _fit(bar, along, pairs, frequency, u, share):
    """ln E, E / G and their covariance (2, 2): Gauss-Newton on all bending modes, E / G held near that of wood."""
    rows, heard = np.array(pairs).T
    theta = np.array([np.log(along), RATIO])
    prior = np.diag([0.0, RATIO_U**-2])
    for _ in range(6):
        model = np.log(_bending(bar, np.exp(theta[0]), theta[1], share)[rows])
        softer = np.log(_bending(bar, np.exp(theta[0]), theta[1] + 0.5, share)[rows])
        slopes = np.stack([np.full(len(rows), 0.5), (softer - model) / 0.5], axis=1)
        residual = np.log(frequency[heard]) - model
        inverse = np.linalg.inv((slopes.T / u[heard] ** 2) @ slopes + prior)
        step = inverse @ (slopes.T @ (residual / u[heard] ** 2) + prior @ (np.array([0, RATIO]) - theta))
        theta = theta + step
        theta[1] = np.clip(theta[1], 2.0, 40.0)
    free = len(rows) - 1
    birge = max(1.0, np.sum((residual / u[heard]) ** 2) / free) if free else 1.0
    return theta[0], float(theta[1]), birge * inverse


def _torsion(bar, frequency, u, pairs, expected, air):
    """(index of the heard twist or None, G, relative error): the heard mode, not a bending one, nearest to wood's G."""
    taken = {k for _, k in pairs}
    share = 3 * pi / 32 * air * bar.width_m / (bar.density_kg_m3 * bar.thickness_m)  # of its inertia (Lamb, art. 72)
    found = []
    for k in range(len(frequency)):
        shear = 1e9 * (frequency[k] / torsion_frequency_hz(bar, shear_modulus_pa=1e9)) ** 2 * (1 + share)
        surprise = abs(np.log(shear / expected.stiffness.shear_pa)) / expected.shear_spread
        if k not in taken and surprise < 2.5:
            found.append((surprise, k, shear))
    if not found:
        return None, nan, nan
    _, k, shear = min(found)
    return k, float(shear), float(2 * u[k])


def _mean_loss(modes) -> tuple[float, float]:
    """Weighted mean of the loss factors and its relative error, NaN without any."""
    loss = np.array([2 * mode.damping_ratio for mode in modes])
    u = np.array([2 * mode.damping_ratio_u for mode in modes])
    good = np.isfinite(loss) & np.isfinite(u) & (loss > 0)
    if not good.any():
        return nan, nan
    loss, u = loss[good], np.hypot(u[good], LOSS_U * loss[good])
    mean = np.sum(loss / u**2) / np.sum(u**-2)
    spread = np.sqrt(np.sum(((loss - mean) / u) ** 2) / (len(loss) - 1)) if len(loss) > 1 else 1.0
    return float(mean), float(max(1.0, spread) * np.sum(u**-2) ** -0.5 / mean)
