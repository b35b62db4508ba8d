"""The maker's dimensions: against the coupled body model, closed limits, and slopes by differences."""

from dataclasses import replace

import numpy as np
import pytest
from guitar.plans import ROSEWOOD, SPRUCE, design

from luthkit import LuthkitError
from luthkit.guitar.air_top_back import BodyModel
from luthkit.guitar.design import FINISHED, N_PROPERTIES, QUANTITIES, reckon_guitars, reckon_plates
from luthkit.wood.braced_plate import PlateWood, plate_factors


@pytest.fixture(scope="module")
def usual():
    d = design()
    plates = reckon_plates(d.top, [SPRUCE]), reckon_plates(d.back, [ROSEWOOD])
    return plates, reckon_guitars(d, *plates)


def test_the_finished_guitar_is_the_coupled_body_without_losses(usual):
    (top, back), (values, _) = usual
    d = design()
    m, k, a = np.exp(top.lumps[0, :3])
    m_b, k_b, a_b = np.exp(back.lumps[0, :3])
    body = BodyModel(
        top_mass_kg=m,
        top_stiffness_n_m=k,
        top_area_m2=a,
        back_mass_kg=m_b,
        back_stiffness_n_m=k_b,
        back_area_m2=a_b,
        volume_m3=d.volume_m3,
        hole_radius_m=d.hole_radius_m,
        hole_length_m=d.hole_length_m,
        top_q=1e6,
        air_q=1e6,
        back_q=1e6,
    )
    assert np.sort(np.exp(values[0, :3])) == pytest.approx(body.modes().frequency_hz, rel=1e-6)
    # Near a lightly damped mode the mobility is v^2 / (m omega (2 zeta)): peak = Q / (m omega)
    peak_hz = np.exp(values[0, 1])
    q = 0.5 / body.modes().damping_ratio[1]
    assert abs(body.mobility(peak_hz)[0]) == pytest.approx(q * np.exp(values[0, 3]), rel=1e-3)


def test_sum_and_product_rules_of_three_oscillators(usual):
    # Christensen 1984, from memory: sum f^2 = closed-box top and back and Helmholtz; product = f_H f_top f_back
    (top, back), (values, _) = usual
    d = design()
    f = np.exp(values[0, :3])
    mass, _, stiffness = d._body(top.lumps, back.lumps).matrices()
    assert np.sum((2 * np.pi * f) ** 2) == pytest.approx(np.sum(np.diagonal(stiffness[0]) / mass[0]), rel=1e-9)
    body = d._body(top.lumps, back.lumps)
    product = body.box_frequency_hz * body.top_frequency_hz[0] * body.back_frequency_hz[0]
    assert np.prod(f) == pytest.approx(product, rel=1e-6)


def test_the_lumps_are_those_of_the_plate(usual):
    (top, _), _ = usual
    d = design()
    modes = d.top.on_rims.modes(*plate_factors(SPRUCE, d.top.thickness_m), n_modes=3)
    main = int(np.argmax(np.abs(modes.volume_m2)))
    assert np.exp(top.lumps[0, 0]) == pytest.approx(modes.effective_mass_kg()[main], rel=1e-6)
    assert np.exp(top.lumps[0, 2]) == pytest.approx(modes.effective_area_m2()[main], rel=1e-6)
    own = np.sqrt(np.exp(top.lumps[0, 1] - top.lumps[0, 0])) / (2 * np.pi)
    assert own == pytest.approx(modes.frequency_hz[main], rel=1e-6)


@pytest.mark.parametrize("k", [0, 2, 3])
def test_slopes_foretell_another_wood(usual, k):
    _, (values, slopes) = usual
    d, factor = design(), 1.03
    s = SPRUCE.stiffness
    woods = {
        0: PlateWood(replace(s, along_pa=s.along_pa * factor), SPRUCE.density_kg_m3),
        2: PlateWood(replace(s, shear_pa=s.shear_pa * factor), SPRUCE.density_kg_m3),
        3: PlateWood(s, SPRUCE.density_kg_m3 * factor),
    }
    other, _ = reckon_guitars(d, reckon_plates(d.top, [woods[k]]), reckon_plates(d.back, [ROSEWOOD]))
    assert other[0] == pytest.approx(values[0] + slopes[0, :, k] * np.log(factor), abs=5e-4)
    assert np.abs(slopes[0, :, k]).max() > 0.02


def test_scaling_all_stiffness_and_density_of_a_free_plate_leaves_its_pitch(usual):
    # free plates: f goes with sqrt(E / rho) h, so slopes of moduli and braces add up to 1/2
    _, (_, slopes) = usual
    at = QUANTITIES.index("braced top 1")
    assert slopes[0, at, [0, 1, 2, 5]].sum() == pytest.approx(0.5, abs=0.01)
    assert np.all(slopes[0, at, N_PROPERTIES:] == 0), "the back has no say in the free top"


def test_many_at_once_are_each_by_itself():
    d = design()
    heavy = PlateWood(SPRUCE.stiffness, 480.0)
    tops, backs = reckon_plates(d.top, [SPRUCE, heavy]), reckon_plates(d.back, [ROSEWOOD, ROSEWOOD])
    both, _ = reckon_guitars(d, tops, backs)
    alone, _ = reckon_guitars(d, reckon_plates(d.top, [heavy]), backs[[0]])
    assert both[1] == pytest.approx(alone[0], abs=1e-9)
    quick, _ = reckon_guitars(d, reckon_plates(d.top, [heavy], finished_only=True), backs[[0]], finished_only=True)
    assert quick[0] == pytest.approx(alone[0, : len(FINISHED)], abs=1e-9)


def test_what_cannot_be_is_refused():
    with pytest.raises(LuthkitError, match="no wood"):
        reckon_plates(design().top, [])
    with pytest.raises(LuthkitError, match="volume_m3"):
        replace(design(), volume_m3=-1.0)
    with pytest.raises(LuthkitError, match="thick"):
        reckon_plates(design().top, [SPRUCE], thickness_m=2.8)
