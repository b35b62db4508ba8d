"""The list of woods against other columns of the same book, so that a slip of the pen shows."""

from math import isfinite

import numpy as np
import pytest

from luthkit import LuthkitError
from luthkit.wood.moisture import size_factor
from luthkit.wood.species import FLAT_OVER_QUARTER, SAWN, SPECIES, expected_wood, find_species


def test_densities_and_stiffness_are_those_of_wood():
    for species in SPECIES.values():
        assert 350 < species.density_kg_m3 < 1100
        assert 6e9 < species.modulus_green_pa < species.modulus_dry_pa < 15e9
        if isfinite(species.across_ratio):
            assert 0.05 < species.across_ratio < 0.25 and 0.05 < species.shear_ratio < 0.25
        assert -0.05 < species.slope_along < 0
        expected = expected_wood(species).stiffness
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
    assert expected_wood(sitka).stiffness.along_pa == pytest.approx(11.88e9)
    volume = size_factor(from_percent=8, to_percent=11, shrinkage_percent=sitka.volume_shrinkage_percent)
    assert volume == pytest.approx(1.0125, abs=5e-4)


def test_flatsawn_wood_is_expected_as_the_book_has_it():
    """FPL-GTR-282, tables 5-1 and 5-2, sugar maple: E_T 0.065, G_LT 0.063 of E_L, nu_LT 0.476; E_R 0.132."""
    quarter, flat, between = (expected_wood(find_species("sugar maple"), sawn).stiffness for sawn in SAWN)
    assert flat.across_pa / flat.along_pa == pytest.approx(0.065)
    assert flat.shear_pa / flat.along_pa == pytest.approx(0.063) and flat.poisson_ratio == 0.476
    assert quarter.across_pa / quarter.along_pa == pytest.approx(0.132)
    assert flat.across_pa < between.across_pa < quarter.across_pa
    with pytest.raises(LuthkitError, match="sawn is 'rift'"):
        expected_wood(None, "rift")


def test_woods_without_ratios_take_the_middle_of_those_with():
    """Tables 5-1 and 5-2 again: what FLAT_OVER_QUARTER says is the geometric mean of the rows that have both."""
    rows = [(s.flat_ratios, (s.across_ratio, s.shear_ratio, s.poisson_ratio)) for s in SPECIES.values()]
    logs = np.nanmean([np.log(flat) - np.log(quarter) for flat, quarter in rows], axis=0)
    assert np.exp(logs) == pytest.approx(FLAT_OVER_QUARTER, abs=0.006)
    for species in (None, find_species("sapele")):
        quarter, flat = (expected_wood(species, sawn).stiffness for sawn in SAWN[:2])
        assert flat.across_pa / quarter.across_pa == pytest.approx(FLAT_OVER_QUARTER[0])


def test_what_is_known_by_no_name():
    assert all(find_species(name) is None for name in ("", " - ", "plywood", "spruce", "red"))


@pytest.mark.parametrize(
    ("said", "name"),
    [
        ("western red cedar", "western redcedar"),
        ("Port Orford Cedar", "Port-Orford cedar"),
        ("douglas fir", "Douglas-fir"),
        ("SITKA-SPRUCE", "Sitka spruce"),
        ("red-wood", "redwood"),
        ("spanish  cedar", "Spanish-cedar"),
        ("thuja-plicata", "western redcedar"),
    ],
)
def test_names_forgive_spaces_hyphens_and_case(said, name):
    assert find_species(said).name == name


def test_every_wood_is_found_by_both_its_names():
    for species in SPECIES.values():
        assert find_species(species.name) is species and find_species(species.latin) is species


def test_protected_woods_are_marked():
    assert find_species("Brazilian rosewood").protected and find_species("mahogany").protected
    assert not find_species("Sitka spruce").protected
