"""Losses of a wood from those of its modes: exact, with one mode that is not its own, and where nothing was heard."""

from types import SimpleNamespace

import numpy as np
from test_inversion import LOSS, PLATE, SPRUCE

from luthkit.wood.losses import fit_losses, loss_shares
from luthkit.wood.plates import plate_modes

SHARES = loss_shares(plate_modes(PLATE, SPRUCE))
EXPECTED = (0.008, 0.021, 0.017)


def rung(losses):
    return [SimpleNamespace(damping_ratio=loss / 2, damping_ratio_u=0.005 * loss) for loss in losses]


def test_shares_add_up_and_losses_come_back():
    np.testing.assert_allclose(SHARES.sum(axis=1), 1)
    found, u = fit_losses(SHARES, rung(SHARES @ LOSS), EXPECTED)
    np.testing.assert_allclose(found, LOSS, rtol=1e-3)
    assert np.all(u < 0.04 * found)


def test_one_mode_that_is_far_off_hardly_counts():
    for k in range(len(SHARES)):
        losses = SHARES @ LOSS
        losses[k] *= 3
        found, _ = fit_losses(SHARES, rung(losses), EXPECTED)
        np.testing.assert_allclose(found, LOSS, rtol=0.08)


def test_what_was_not_heard_is_nan():
    alone = SHARES[[1]]  # bending along the grain
    found, u = fit_losses(alone, rung(alone @ LOSS), EXPECTED)
    assert abs(found[0] / LOSS[0] - 1) < 0.05
    assert np.all(np.isnan(found[1:])) and np.all(np.isnan(u[1:]))
