"""Three coupled oscillators against the identities of the literature, and against the made guitar's own code."""

from dataclasses import replace
from math import pi

import numpy as np
import pytest
from bodies import PLAIN
from hypothesis import given
from hypothesis import strategies as st

from luthkit.errors import LuthkitError
from luthkit.guitar.air_top_back import (
    PLACES,
    WAVE_HZ,
    BodyModel,
    air_density_kg_m3,
    speed_of_sound_m_s,
    wave_log_shifts,
)
from luthkit.simulate import AirTopBack

# Round figures of plausible size, no published guitar.
HOLE_M2, AIR_KG, TOP_AREA_M2 = 0.0064, 1.2e-3, 0.040
ROUND = BodyModel(
    top_mass_kg=0.110,
    top_stiffness_n_m=6e4,
    top_area_m2=TOP_AREA_M2,
    back_mass_kg=0.150,
    back_stiffness_n_m=1.35e5,
    back_area_m2=0.030,
    volume_m3=0.0150,
    hole_radius_m=np.sqrt(HOLE_M2 / pi),
    hole_length_m=AIR_KG / (1.205 * HOLE_M2),
    top_q=1e9,
    air_q=1e9,
    back_q=1e9,
)
bodies = st.builds(
    BodyModel,
    top_mass_kg=st.floats(0.04, 0.2),
    top_stiffness_n_m=st.floats(2e4, 2e5),
    top_area_m2=st.floats(0.02, 0.06),
    back_mass_kg=st.floats(0.1, 0.4),
    back_stiffness_n_m=st.floats(5e4, 8e5),
    back_area_m2=st.floats(0.0, 0.06),
    volume_m3=st.floats(0.01, 0.025),
    hole_radius_m=st.floats(0.03, 0.06),
    hole_length_m=st.floats(0.06, 0.11),
    top_q=st.floats(10, 80),
    air_q=st.floats(10, 80),
    back_q=st.floats(10, 80),
    temperature_c=st.floats(0, 40),
)


def lossless(model):
    return replace(model, top_q=1e9, air_q=1e9, back_q=1e9)


def test_two_oscillators():
    """Equations: euphonics.org 4.2.2 (Christensen and Vistisen, JASA 68, 758, 1980, from memory); figures
    worked out from them for the round values above."""
    assert ROUND.modes(back_blocked=True).frequency_hz == pytest.approx([75.623466, 140.587753], abs=2e-6)
    assert ROUND.box_frequency_hz == pytest.approx(90.449185, abs=2e-6)
    assert ROUND.top_frequency_hz == pytest.approx(117.543715, abs=2e-6)
    closed = ROUND.modes(soundhole_plugged=True, back_blocked=True)
    assert closed.frequency_hz == pytest.approx([131.539994], abs=2e-6)
    loaded = replace(ROUND, top_mass_kg=0.120).modes(back_blocked=True)
    assert loaded.frequency_hz == pytest.approx([75.009931, 135.703492], abs=2e-6)


def test_three_oscillators():
    """Christensen 1984; Fletcher and Rossing, ch. 9 (from memory): figures for the round values above."""
    found = ROUND.modes().frequency_hz
    assert found == pytest.approx([73.855364, 134.009857, 162.190971], abs=2e-6)
    assert np.sum(found**2) == pytest.approx(49719.1674, abs=1e-3)
    assert np.prod(found) == pytest.approx(1605260.27, abs=0.05)


def test_mobility_of_three_oscillators():
    """Same source; resistances of 1.6, 0.05 and 2.5 kg/s. Its dips are the two air-back modes."""
    mass, _, stiffness = ROUND.matrices()
    q = np.sqrt(np.diag(stiffness) * mass) / [1.6, 0.05, 2.5]
    found = replace(ROUND, top_q=q[0], air_q=q[1], back_q=q[2]).mobility([80, 100, 90.449185, 120, 200])
    assert np.abs(found) == pytest.approx([1.056435e-2, 9.454669e-3, 4.070971e-3, 3.339344e-2, 1.358832e-2], rel=1e-6)
    assert np.abs(ROUND.mobility([86.480846, 157.915993])).max() < 1e-6 * np.abs(found).min()
    assert np.abs(ROUND.mobility(ROUND.box_frequency_hz, back_blocked=True)) < 1e-8


@given(body=bodies)
def test_sum_rule_and_product_rule(body):
    """Sum of f^2, open, = sum plugged + box^2; f1 f2 f3 = f_top f_box f_back, the plates without air."""
    body = lossless(body)
    opened, plugged = body.modes().frequency_hz, body.modes(soundhole_plugged=True).frequency_hz
    assert np.sum(opened**2) == pytest.approx(np.sum(plugged**2) + body.box_frequency_hz**2, rel=1e-9)
    alone = body.box_frequency_hz * body.top_frequency_hz * body.back_frequency_hz
    assert np.prod(opened) == pytest.approx(alone, rel=1e-9)
    low, high = body.modes(back_blocked=True).frequency_hz
    area2 = np.square(body.top_area_m2)
    coupling = body.cavity_stiffness_pa_m3 * area2 / body.top_mass_kg / (4 * pi**2)
    box2 = body.box_frequency_hz**2
    assert (high**2 - box2) * (box2 - low**2) == pytest.approx(box2 * coupling, rel=1e-6)


@given(body=bodies)
def test_the_same_guitar_by_other_hands(body):
    """The simulator's own matrices and modes, at 20 degrees."""
    body = replace(body, temperature_c=20.0)
    names = [f for f in AirTopBack.__dataclass_fields__]
    other = AirTopBack(**{name: getattr(body, name) for name in names})
    poles, residues = other.modes()
    found = body.modes()
    assert found.frequency_hz == pytest.approx(np.abs(poles) / (2 * pi), rel=1e-9)
    assert found.damping_ratio == pytest.approx(-poles.real / np.abs(poles), rel=1e-6)
    frequency = np.array([90.0, 150.0, 210.0])
    p = 2j * pi * frequency[:, None]
    parts = residues[:, 0] / (p - poles) + residues[:, 0].conj() / (p - poles.conj())
    volume = parts.sum(axis=1) / 2 + body.top_area_m2 / body.top_mass_kg
    assert body.pressure(frequency, distance_m=2.0) == pytest.approx(1.205 * volume / (8 * pi), rel=1e-6)


@given(body=bodies)
def test_the_bridge_takes_energy_and_gives_none(body):
    """A passive thing: the real part of a driving-point mobility is never negative."""
    assert np.all(body.mobility(np.linspace(40, 400, 90)).real > 0)


def test_many_candidates_at_once():
    masses, hole = np.array([[0.06], [0.07], [0.08]]), np.array([0.045, 0.05])
    many = replace(ROUND, top_mass_kg=masses, hole_radius_m=hole, top_q=30)
    modes, mobility, pressure = many.modes(), many.mobility([90, 180]), many.pressure([90, 180])
    assert modes.frequency_hz.shape == (3, 2, 3) and mobility.shape == pressure.shape == (3, 2, 2)
    one = replace(ROUND, top_mass_kg=0.08, hole_radius_m=0.045, top_q=30)
    assert modes.q_factor[2, 0] == pytest.approx(one.modes().q_factor)
    assert mobility[2, 0] == pytest.approx(one.mobility([90, 180]))
    assert pressure[2, 0] == pytest.approx(one.pressure([90, 180]))
    with pytest.raises(ValueError, match="read-only"):
        modes.frequency_hz[0] = 0


def test_warm_air():
    """ISO 9613-1 (from memory): 331.3 m/s at 0 degrees; dry air 1.293 kg/m^3 at 0 degrees (gas tables)."""
    assert speed_of_sound_m_s(0.0) == pytest.approx(331.3, abs=0.05)
    assert air_density_kg_m3(0.0) == pytest.approx(1.293, abs=0.002)
    warm = replace(ROUND, temperature_c=30.0)
    assert warm.box_frequency_hz / ROUND.box_frequency_hz == pytest.approx(np.sqrt(303.15 / 293.15))
    assert warm.cavity_stiffness_pa_m3 == pytest.approx(ROUND.cavity_stiffness_pa_m3)  # rho c^2 is pressure alone


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"top_mass_kg": 0.0}, "top_mass_kg is 0.0; .*above 0"),
        ({"volume_m3": [0.01, -1.0]}, "volume_m3"),
        ({"back_area_m2": -0.1}, "not below 0"),
        ({"top_q": float("nan")}, "finite"),
        ({"top_mass_kg": [0.1, 0.2], "air_q": [1.0, 2.0, 3.0]}, "do not go together"),
    ],
)
def test_what_no_body_can_be(change, words):
    with pytest.raises(LuthkitError, match=words):
        replace(ROUND, **change)


@pytest.mark.parametrize("still", [{}, {"soundhole_plugged": True}, {"back_blocked": True}])
def test_a_fourth_oscillator_does_the_same(still):
    """Cavity modes of a hard-walled box (Morse and Ingard, ch. 9, from memory): p ~ cos(pi x / L), norm V / 2. The
    wave by itself is the oscillator of stiffness 2 mu w^2 at WAVE_HZ; it pulls on pistons by 2 mu w g A."""
    keep = [0] + [1] * ("soundhole_plugged" not in still) + [2] * ("back_blocked" not in still)
    mass, _, stiffness = PLAIN.matrices()
    own = 1.0
    areas = np.array([PLAIN.top_area_m2, pi * PLAIN.hole_radius_m**2, PLAIN.back_area_m2])
    push = np.append((np.cos(pi * np.array(PLACES)) * areas)[keep], own)
    double = 2 * PLAIN.cavity_stiffness_pa_m3
    full = np.zeros((len(keep) + 1,) * 2)
    full[:-1, :-1] = stiffness[np.ix_(keep, keep)]
    full += double * np.outer(push, push)
    heavy = np.append(mass[keep], double * own**2 / (2 * pi * WAVE_HZ) ** 2)
    root = 1 / np.sqrt(heavy)
    square = np.linalg.eigvalsh(root[:, None] * full * root)
    truth = np.log(np.sqrt(square[:-1]) / (2 * pi) / PLAIN.modes(**still).frequency_hz)
    found = wave_log_shifts(PLAIN, **still)
    assert np.all(truth < 0) and found == pytest.approx(truth, rel=0.25, abs=2e-4)
