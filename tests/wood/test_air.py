"""Air on a free plate against the added mass of rigid rectangles."""

import numpy as np
import pytest

from luthkit.wood.air import air_mass
from luthkit.wood.plates import Plate, Stiffness, plate_modes

SPRUCE = Stiffness(along_pa=11.9e9, across_pa=0.9282e9, shear_pa=0.7616e9, poisson_ratio=0.372)
PLATE = Plate(length_m=0.55, width_m=0.2, thickness_m=0.003, mass_kg=0.1386)


def heaving(aspect):
    """Air swung by the rigid shape, over rho pi / 4 a b^2 with b the shorter side."""
    return air_mass(aspect, 2)[0][0, 0] / (np.pi / 4)


@pytest.mark.parametrize(
    ("aspect", "coefficient"),
    [(1, 0.579), (1.25, 0.642), (1.5, 0.690), (2, 0.757), (2.5, 0.801), (3.17, 0.840), (5, 0.897), (10, 0.947)],
)
def test_a_rigid_rectangle_swings_the_air_that_is_known(aspect, coefficient):
    """Added mass of a rectangular plate moving broadside, DNV-RP-C205 appendix D (from memory)."""
    assert heaving(aspect) == pytest.approx(coefficient, rel=0.01)


def test_a_long_strip_swings_a_cylinder_of_air():
    """Flat strip in a plane flow: pi / 4 rho b^2 a length (Lamb, Hydrodynamics, art. 71)."""
    assert 0.95 < heaving(40) < 1.0


def test_turned_round_the_plate_swings_the_same_air():
    one, other = air_mass(2.5, 3), air_mass(1 / 2.5, 3)
    turned = other[1].reshape(3, 3, 3, 3).transpose(1, 0, 3, 2).reshape(9, 9) * 2.5
    np.testing.assert_allclose(one[2], turned, rtol=0.03, atol=0.01)


def test_air_lowers_every_mode_by_some_per_cent_and_the_more_the_lighter():
    free = plate_modes(PLATE, SPRUCE, air_density_kg_m3=0).frequency_hz
    swinging = plate_modes(PLATE, SPRUCE).frequency_hz
    assert np.all(swinging < 0.995 * free) and np.all(swinging > 0.93 * free)
    half = plate_modes(PLATE, SPRUCE, air_density_kg_m3=0.6).frequency_hz
    np.testing.assert_allclose(half**-2.0 - free**-2.0, (swinging**-2.0 - free**-2.0) / 2, rtol=0.05)


def test_every_shape_needs_work_to_move_air():
    for matrix in air_mass(2.75, 7):
        assert np.linalg.eigvalsh(matrix).min() > 0
