"""Box, top and back in closed form, against the identities and against what the errors say."""

from dataclasses import replace
from math import pi

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from test_air_top_back import ROUND, bodies, lossless

from luthkit.errors import LuthkitError
from luthkit.guitar.uncoupled import effective_mass, uncouple


def couplings_hz(body):
    stiffness = body.cavity_stiffness_pa_m3
    top = np.sqrt(stiffness / body.top_mass_kg) * body.top_area_m2 / (2 * pi)
    return top, np.sqrt(stiffness / body.back_mass_kg) * body.back_area_m2 / (2 * pi)


def named(body, **condition):
    """Frequencies as a maker names them: air, top, back; the top is what is mostly top with the hole plugged."""
    found = body.modes(**condition).frequency_hz
    top, back = couplings_hz(body)
    swap = np.hypot(body.top_frequency_hz, top) > np.hypot(body.back_frequency_hz, back)
    return np.concatenate([found[:-2], found[-2:][::-1]]) if swap else found


def test_the_round_guitar_comes_back():
    """Values worked out from the published equations (euphonics.org 4.2.2), see test_air_top_back."""
    low, high = 75.623466, 140.587753
    found = uncouple([low, high], [131.539994], open_u_hz=0.1, plugged_u_hz=0.1)
    assert found.box_frequency_hz == pytest.approx(90.449185, abs=1e-5)
    assert found.top_frequency_hz == pytest.approx(117.543715, abs=1e-5)
    assert np.isnan(found.back_frequency_hz)
    assert found.top_frequency_hz * found.box_frequency_hz == pytest.approx(low * high)


@given(body=bodies)
def test_any_guitar_comes_back(body):
    body = lossless(body)
    top, back = couplings_hz(body)
    assume(abs(body.top_frequency_hz / body.back_frequency_hz - 1) > 0.03 and back > 5)
    found = uncouple(named(body), named(body, soundhole_plugged=True), open_u_hz=0.3, plugged_u_hz=0.3)
    assert found.box_frequency_hz == pytest.approx(body.box_frequency_hz, rel=1e-6)
    assert found.top_frequency_hz == pytest.approx(body.top_frequency_hz, rel=1e-6)
    assert found.back_frequency_hz == pytest.approx(body.back_frequency_hz, rel=1e-6)
    assert found.top_coupling_hz == pytest.approx(top, rel=1e-4)
    assert found.back_coupling_hz == pytest.approx(back, rel=1e-4)


def test_errors_say_how_far_it_is_off():
    """300 readings of one guitar, 0.1 % error on each frequency: scatter and stated error are the same."""
    rng = np.random.default_rng(11)
    opened, plugged = named(ROUND), named(ROUND, soundhole_plugged=True)
    u = [0.001 * opened, 0.001 * plugged]
    once = uncouple(opened, plugged, open_u_hz=u[0], plugged_u_hz=u[1])
    many = [
        uncouple(rng.normal(opened, u[0]), rng.normal(plugged, u[1]), open_u_hz=u[0], plugged_u_hz=u[1])
        for _ in range(300)
    ]
    for name in ("box_frequency", "top_frequency", "top_coupling", "back_frequency"):
        scatter = np.std([getattr(each, f"{name}_hz") for each in many])
        assert scatter == pytest.approx(getattr(once, f"{name}_u_hz"), rel=0.2), name


def test_a_wrong_name_is_refused():
    with pytest.raises(LuthkitError, match="wrong name, the plug leaks"):
        uncouple([100, 190, 230], [195, 250], open_u_hz=0.5, plugged_u_hz=0.5)
    with pytest.raises(LuthkitError, match="give air, main top and main back"):
        uncouple([100, 190, 230], [195], open_u_hz=0.5, plugged_u_hz=0.5)
    with pytest.raises(LuthkitError, match="finite"):
        uncouple([100, np.nan], [195], open_u_hz=0.5, plugged_u_hz=0.5)


@given(body=bodies, grams=st.floats(3, 40))
def test_mass_on_the_bridge(body, grams):
    """m = dm / ((f / f')^2 - 1) with f = f- f+ / f_box (euphonics.org 4.2.2); with a back, the product of three."""
    body, added = lossless(body), grams / 1000
    loaded = replace(body, top_mass_kg=body.top_mass_kg + added)
    for condition in ({}, {"soundhole_plugged": True}, {"back_blocked": True}):
        f = [body.modes(**condition).frequency_hz, loaded.modes(**condition).frequency_hz]
        assert effective_mass([0, added], f, frequency_u_hz=0.1).mass_kg == pytest.approx(body.top_mass_kg, rel=1e-5)


def test_ten_grams_on_sixty_at_three_per_mille():
    """u(m) / m = 2 sqrt(2) 0.003 (1 + m / dm), first order: 5.9 %."""
    f = 180 / np.sqrt([1.0, 70 / 60])
    found = effective_mass([0, 0.010], f, frequency_u_hz=0.003 * f)
    assert found.mass_kg == pytest.approx(0.060)
    assert found.mass_u_kg / found.mass_kg == pytest.approx(2 * np.sqrt(2) * 0.003 * 7, rel=1e-6)
    assert found.degrees_of_freedom == 0 and np.isnan(found.chi_square)


def test_two_masses_are_better_and_a_bend_is_noticed():
    mass = np.array([0, 0.010, 0.020])
    f = 180 / np.sqrt(1 + mass / 0.060)
    straight = effective_mass(mass, f, frequency_u_hz=0.003 * f)
    assert straight.mass_kg == pytest.approx(0.060) and straight.mass_u_kg < 0.045 * 0.060
    bent = effective_mass(mass, f * [1, 1.03, 1], frequency_u_hz=0.003 * f)
    assert bent.chi_square > 5 and bent.mass_u_kg > 2 * straight.mass_u_kg


def test_masses_that_tell_nothing():
    with pytest.raises(LuthkitError, match="without mass"):
        effective_mass([0.01, 0.02], [180, 170], frequency_u_hz=0.5)
    with pytest.raises(LuthkitError, match="do not fall"):
        effective_mass([0, 0.01], [180, 181], frequency_u_hz=0.5)
