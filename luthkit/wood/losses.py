"""Loss factors of the wood from the losses of its modes, by the share of each deformation in a mode's energy
(McIntyre and Woodhouse, Acta Metallurgica 36, 1988, 1397; from memory).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from .plates import PlateModes

LOSS_U = 0.02  # of each loss: supports and air (judgement, no source)


def loss_shares(modes: PlateModes) -> np.ndarray:
    """What bending along and across and shear have of each mode's energy, (n, 3); the coupling half and half."""
    shares = modes.energy_shares
    return shares[:, :3] + 0.5 * shares[:, 3:] * np.array([1, 1, 0])


def fit_losses(shares: np.ndarray, modes: Sequence, expected: Sequence[float]) -> tuple[np.ndarray, np.ndarray]:
    """Loss factors along, across and in shear with standard uncertainties, (3,) each; NaN where not heard.

    shares: (n, 3) of the modes heard, `modes`. Least squares in which a mode that is far off counts less (Cauchy
    weights), from wide to narrow, beginning with what is `expected`.
    """
    loss = np.array([2 * mode.damping_ratio for mode in modes])
    u = np.array([2 * mode.damping_ratio_u for mode in modes])
    usable = np.isfinite(loss) & np.isfinite(u) & (loss > 0)
    shares, loss = shares[usable], loss[usable]
    u = np.hypot(u[usable], LOSS_U * loss)
    found = np.array(expected, float)
    for loose in (*np.geomspace(0.3, 0.01, 8), *np.zeros(12)):
        wide = np.hypot(u, loose * shares @ found)
        trust = 1 / (1 + ((loss - shares @ found) / (3 * wide)) ** 2)
        inverse = np.linalg.inv((shares.T * trust / u**2) @ shares + np.eye(3))  # 1: finite, and weighs nothing
        found = inverse @ (shares.T @ (trust * loss / u**2))
    free = trust.sum() - 3
    birge = max(1.0, np.sum(trust * ((loss - shares @ found) / u) ** 2) / free) if free > 0.5 else 1.0
    found_u = np.sqrt(birge * np.diag(inverse))
    poor = (found_u > 0.5 * np.abs(found)) | (found <= 0)
    return np.where(poor, np.nan, found), np.where(poor, np.nan, found_u)
