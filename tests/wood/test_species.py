"""The list of woods against other columns of the same book, so that a slip of the pen shows."""

from math import isfinite

import pytest

from luthkit import LuthkitError
from luthkit.wood.moisture import size_factor
from luthkit.wood.species import SPECIES, find_species, shown_species


def test_densities_and_stiffness_are_those_of_wood():
    for species in SPECIES.values():
        assert 350 < species.density_kg_m3 < 1100
        assert 6e9 < species.modulus_green_pa < species.modulus_dry_pa < 15e9
        if isfinite(species.across_ratio):
            assert 0.05 < species.across_ratio < 0.25 and 0.05 < species.shear_ratio < 0.25
        assert -0.05 < species.slope_along < 0
        expected = species.expected().stiffness
        assert expected.across_pa < expected.along_pa


@pytest.mark.parametrize(
    ("name", "gravity"), [("mahogany", 0.45), ("African mahogany", 0.42), ("Brazilian rosewood", 0.80)]
)
def test_green_gravity_becomes_dry_gravity(name, gravity):
    """G_M = G_b / (1 - 0.265 G_b (1 - M / 30)) at 12 % (Wood Handbook ch. 4, from memory)."""
    assert find_species(name).specific_gravity == pytest.approx(gravity / (1 - 0.265 * gravity * 0.6), abs=6e-4)


def test_sitka_spruce_row_by_row():
    """FPL-GTR-282, tables 5-1, 5-2, 5-3, 5-13: 0.40, 8.5 and 10.8 GPa, 0.078, 0.064, 0.372, 27 %; table 4-3: 11.5 %."""
    sitka = find_species("picea SITCHENSIS")
    assert sitka.density_kg_m3 == pytest.approx(448)
    assert sitka.slope_along == pytest.approx(-0.0160, abs=3e-4)
    assert sitka.expected().stiffness.along_pa == pytest.approx(11.88e9)
    volume = size_factor(from_percent=8, to_percent=11, shrinkage_percent=sitka.volume_shrinkage_percent)
    assert volume == pytest.approx(1.0125, abs=5e-4)


def test_what_is_known_by_no_name():
    assert find_species("") is None and find_species("plywood") is None
    with pytest.raises(LuthkitError, match="Sitka spruce"):
        shown_species("plywood")


def test_protected_woods_are_marked():
    assert find_species("Brazilian rosewood").protected and find_species("mahogany").protected
    assert not find_species("Sitka spruce").protected
