"""A piece, measured: budgets, indices, one climate, and days compared."""

from dataclasses import replace

import numpy as np
import pytest
from test_inversion import LOSS, PLATE, SPRUCE, heard_on

from luthkit import LuthkitError
from luthkit.wood.budget import budget_of
from luthkit.wood.indices import wood_indices
from luthkit.wood.moisture import stiffness_factor
from luthkit.wood.piece import Measurement, Piece, Quantity
from luthkit.wood.reading import change_between, measure_wood
from luthkit.wood.species import find_species

DAY = Measurement(
    day=None,
    length_m=Quantity(PLATE.length_m, 0.5e-3),
    width_m=Quantity(PLATE.width_m, 0.5e-3),
    thickness_m=Quantity(PLATE.thickness_m, 0.02e-3),
    mass_kg=Quantity(PLATE.mass_kg, 0.1e-3),
    moisture_percent=Quantity(11.0, 0.5),
)
PIECE = Piece("Spruce", "Sitka spruce", "top", measurements=(DAY,))
READING = measure_wood(PIECE, heard_on(PLATE, SPRUCE))


def part(name, of):
    return next(p.relative_u for p in READING.values[of].parts if p.name == name)


def test_thickness_counts_three_times_in_stiffness_and_not_at_all_in_the_radiation_ratio():
    """E = const m f^2 L^3 / (b h^3): twice by bending, once more by density (JCGM 100, 5.1.6)."""
    h = 0.02 / 3.0
    assert part("thickness", "density") == pytest.approx(-h, rel=1e-3)
    for name in ("along", "across", "shear"):
        assert part("thickness", name) == pytest.approx(-3 * h)
    assert part("thickness", "sound_speed") == pytest.approx(-h, rel=1e-3)
    assert part("thickness", "radiation_ratio") == pytest.approx(0, abs=1e-5)
    assert part("length", "along") == pytest.approx(3 * 0.5 / 550)
    assert part("width", "across") == pytest.approx(3 * 0.5 / 200)
    assert READING.values["along"].parts[0].name == "thickness"


def test_the_parts_add_up_as_squares():
    for budget in READING.values.values():
        squares = sum(p.relative_u**2 for p in budget.parts)
        assert budget.relative_u == pytest.approx(squares**0.5)
        assert budget.u == pytest.approx(budget.value * budget.relative_u)


def test_values_come_back_but_for_what_shear_adds():
    """Sounds of a thin plate: the reading corrects for shear, 0.03 % along and 0.7 % across."""
    assert READING.values["along"].value == pytest.approx(SPRUCE.along_pa, rel=4e-3)
    assert READING.values["across"].value == pytest.approx(1.0065 * SPRUCE.across_pa, rel=4e-3)
    assert READING.values["shear"].value == pytest.approx(SPRUCE.shear_pa, rel=4e-3)
    for name, loss in zip(("loss_along", "loss_across", "loss_shear"), LOSS, strict=True):
        assert READING.values[name].value == pytest.approx(loss, rel=0.02)


def test_indices_by_hand():
    """Spruce of 420 kg/m3 and 11.9 GPa: c 5323 m/s, radiation ratio 12.67, impedance 2.236e6."""
    found = wood_indices(budget_of("", 420.0, {}), budget_of("", 11.9e9, {}))
    assert found["sound_speed"].value == pytest.approx(5323, abs=1)
    assert found["radiation_ratio"].value == pytest.approx(12.67, abs=0.01)
    assert found["impedance"].value == pytest.approx(2.2356e6, rel=1e-3)


def test_brought_to_one_climate():
    """11 % to 9 % (20 C, 48 %): E_L by eq. 5-3 of the Wood Handbook, across and shear by its middle trend."""
    sitka = find_species("Sitka spruce")
    step = READING.at_climate["along"].value / READING.values["along"].value
    assert step == pytest.approx(stiffness_factor(from_percent=11, to_percent=8.95, slope=sitka.slope_along), abs=1e-4)
    assert READING.at_climate["across"].value / READING.values["across"].value == pytest.approx(1.067, abs=2e-3)
    assert READING.at_climate["density"].value < READING.values["density"].value
    assert READING.at_climate["along"].relative_u > READING.values["along"].relative_u
    assert "loss_along" not in READING.at_climate
    parts = {p.name: p.relative_u for p in READING.at_climate["along"].parts}
    assert parts["moisture"] == pytest.approx(-sitka.slope_along * 0.5)  # known to 0.5 %
    assert abs(parts["answer to moisture"]) == pytest.approx(0.3 * abs(np.log(step)), rel=1e-3)
    nobody = replace(DAY, moisture_percent=Quantity(float("nan"), float("nan")))
    assert dict(measure_wood(PIECE, heard_on(PLATE, SPRUCE), measurement=nobody).at_climate) == {}


def test_in_one_climate_two_days_of_a_piece_agree():
    dry = 9.0
    moved = [stiffness_factor(from_percent=11, to_percent=dry, slope=s) for s in (-0.0160, -0.0317, -0.0290)]
    wood = replace(
        SPRUCE,
        along_pa=SPRUCE.along_pa * moved[0],
        across_pa=SPRUCE.across_pa * moved[1],
        shear_pa=SPRUCE.shear_pa * moved[2],
    )
    lighter = replace(PLATE, mass_kg=PLATE.mass_kg * 0.989)
    later = replace(DAY, mass_kg=Quantity(lighter.mass_kg, 1e-4), moisture_percent=Quantity(dry, 0.5))
    other = measure_wood(PIECE, heard_on(lighter, wood), measurement=later)
    for name, (change, u) in change_between(READING, other).items():
        assert abs(change) < 0.006 + 0.5 * u, name
    raw = other.values["across"].value / READING.values["across"].value - 1
    assert raw > 0.05
    with pytest.raises(LuthkitError, match="cannot be compared"):
        change_between(READING, measure_wood(replace(PIECE, name="Other"), heard_on(PLATE, SPRUCE)))


def test_without_taps_density_alone():
    found = measure_wood(PIECE)
    assert set(found.values) == {"density"} and "no taps: density only" in found.notes


def test_pitches_written_down_without_q():
    modes = heard_on(PLATE, SPRUCE)
    day = replace(DAY, heard=tuple((mode.frequency_hz, float("nan")) for mode in modes))
    found = measure_wood(PIECE, measurement=day)
    assert found.values["along"].value == pytest.approx(SPRUCE.along_pa, rel=4e-3)
    assert "loss_along" not in found.values


def test_a_strip_is_read_as_a_bar():
    strip = replace(DAY, width_m=Quantity(0.03, 1e-4), heard=((35.0, 100.0), (96.0, 95.0)))
    found = measure_wood(Piece("strip", measurements=(replace(strip, mass_kg=Quantity(0.0208, 1e-4)),)))
    assert found.strip is not None and found.plate is None
    assert "across" not in found.values and np.isfinite(found.values["along"].value)
