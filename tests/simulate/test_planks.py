"""Tapped plates: their modes are those of the plate, lower by shear, with losses between those of its directions."""

import numpy as np
import pytest

from luthkit.simulate.planks import PLACES, plate_body
from luthkit.simulate.woodpile import LOSS_FACTORS, PLATE, SPRUCE, wood_texts, wood_truth
from luthkit.wood.plates import plate_modes


def test_without_shear_the_modes_are_those_of_the_thin_plate():
    body = plate_body(PLATE, SPRUCE, LOSS_FACTORS, long_ratio=0.0, cross_ratio=0.0, n_modes=10)
    thin = plate_modes(PLATE, SPRUCE).frequency_hz
    np.testing.assert_allclose(body.frequency_hz, thin, rtol=6e-4)  # rotary inertia is left
    soft = plate_body(PLATE, SPRUCE, LOSS_FACTORS, n_modes=10).frequency_hz
    assert np.all(soft < thin) and np.all(soft > 0.99 * thin)


def test_losses_lie_between_those_of_the_directions():
    body = plate_body(PLATE, SPRUCE, LOSS_FACTORS)
    loss = 2 * body.damping_ratio
    assert np.all(loss > 0.95 * min(LOSS_FACTORS)) and np.all(loss < 1.05 * max(LOSS_FACTORS))
    assert loss[body.labels.index("(2, 0)")] == pytest.approx(LOSS_FACTORS[0], rel=0.03)
    assert loss[body.labels.index("(0, 2)")] == pytest.approx(LOSS_FACTORS[1], rel=0.03)


def test_struck_near_a_nodal_line_a_mode_is_weak():
    body = plate_body(PLATE, SPRUCE, LOSS_FACTORS)
    twist, end, corner = body.labels.index("(1, 1)"), list(PLACES).index("end"), list(PLACES).index("corner")
    assert np.abs(body.residues[twist, end]) < 0.2 * np.abs(body.residues[twist, corner])


def test_uneven_wood_is_drawn_anew_and_again_the_same():
    one, other, same = (
        plate_body(PLATE, SPRUCE, LOSS_FACTORS, rng=np.random.default_rng(k)).frequency_hz for k in (1, 2, 1)
    )
    assert np.array_equal(one, same) and not np.allclose(one, other, rtol=1e-6)
    np.testing.assert_allclose(one, other, rtol=0.01)


def test_papers_of_the_wood():
    assert wood_truth()["loss_factors"] == LOSS_FACTORS
    assert all(text.startswith("# SYNTHETIC") for text in wood_texts().values())
