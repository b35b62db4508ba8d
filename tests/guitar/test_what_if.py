"""What a change does: held against the model itself, and against guitars with more in them than the model."""

from dataclasses import replace

import numpy as np
import pytest
from bodies import PLAIN, reading, readings_of
from rich_guitar import rich_guitar

from luthkit.errors import LuthkitError
from luthkit.guitar.body_fit import BACK, NAMES, BodyReading, fit_body
from luthkit.guitar.what_if import Change, mobility_level, what_if

FIT = fit_body(readings_of(PLAIN), known={"volume_m3": (PLAIN.volume_m3, 0.01), "hole_radius_m": (0.050, 0.01)})
CHANGES = (
    {"hole_radius_factor": 0.9},
    {"bridge_mass_kg": 0.015},
    {"bridge_mass_kg": -0.006},
    {"volume_factor": 0.9},
    {"top_stiffness_factor": 1.15},
)


@pytest.mark.parametrize("change", [*CHANGES, {"top_mass_factor": 0.9}, {"back_stiffness_factor": 1.1}], ids=str)
def test_the_model_answers_for_itself(change):
    told = what_if(FIT, Change(**change))
    truth = Change(**change).on(PLAIN).modes().frequency_hz
    assert told.after_hz == pytest.approx(truth, rel=3e-3)
    assert np.all(np.abs(told.after_hz - truth) < 4 * told.after_u_hz)
    assert told.shift == pytest.approx(truth / PLAIN.modes().frequency_hz - 1, abs=2e-3)


def test_no_change_no_shift():
    told = what_if(FIT, Change())
    assert np.all(told.shift == 0) and np.all(told.shift_u == 0) and told.notes == ()
    assert np.array_equal(told.after_hz, told.now_hz)


def test_five_per_cent_off_the_radius():
    """Air follows the root of the radius nearly (S / L, L mostly end correction); top and back hardly move."""
    told = what_if(FIT, Change(hole_radius_factor=0.95))
    assert -0.03 < told.shift[0] < -0.015
    assert np.all(np.abs(told.shift[1:]) < 0.006)


@pytest.fixture(scope="module")
def rich_fits():
    """Guitars with more in them than the model, and their fits from readings with 0.1 % errors."""
    rng = np.random.default_rng(21)
    pairs = []
    for _ in range(8):
        guitar = rich_guitar(rng)
        readings = []
        for condition in ({}, {"soundhole_plugged": True}, {"added_mass_kg": 0.010}):
            hz = {name: f * (1 + 0.001 * rng.standard_normal()) for name, f in guitar.named(**condition).items()}
            readings.append(BodyReading(hz, {name: 0.001 * f for name, f in hz.items()}, **condition))
        pairs.append((guitar, fit_body(readings)))
    return pairs


@pytest.mark.parametrize("change", CHANGES, ids=str)
def test_guitars_with_dipoles_and_a_standing_wave(change, rich_fits):
    """A change that was not fitted, on what the model does not have: within 1 %, and within three standard errors
    nearly always; the lower and the upper plate mode taken in order."""
    errors, scaled = [], []
    for guitar, fit in rich_fits:
        told = what_if(fit, Change(**change))
        truth = np.sort(list(guitar.named(**change).values()))
        heard = np.isfinite(told.after_hz) & (truth < 290)
        errors += list((told.after_hz / truth - 1)[heard])
        scaled += list(((told.after_hz - truth) / told.after_u_hz)[heard])
    assert len(errors) >= 20
    assert np.mean(np.abs(errors) < 0.01) > 0.9 and np.mean(np.abs(scaled) < 3) > 0.9


def test_what_was_not_measured_makes_wide_bands():
    little = fit_body([reading(PLAIN)])
    much, change = FIT, Change(bridge_mass_kg=0.010)
    assert what_if(little, change).after_u_hz[1] > 3 * what_if(much, change).after_u_hz[1]
    assert what_if(little, Change()).now_u_hz[0] == pytest.approx(what_if(much, Change()).now_u_hz[0], abs=0.3)


def test_beyond_300_hz_it_does_not_tell():
    stiff = fit_body([BodyReading({"air": 120.0, "main top": 230.0, "main back": 285.0})])
    told = what_if(stiff, Change(back_stiffness_factor=1.3))
    assert np.isnan(told.after_hz[2]) and np.isnan(told.shift_u[2]) and np.isfinite(told.after_hz[0])
    assert any("cannot tell" in note and "300 Hz" in note for note in told.notes)


@pytest.mark.parametrize(
    ("change", "words"),
    [({"hole_radius_factor": 0.5}, "up to a third"), ({"bridge_mass_kg": float("nan")}, "give a mass")],
)
def test_changes_that_are_too_large(change, words):
    with pytest.raises(LuthkitError, match=words):
        Change(**change)
    with pytest.raises(LuthkitError, match="it has 60 g to move"):
        what_if(FIT, Change(bridge_mass_kg=0.05))


def test_trading_places_and_a_missing_back():
    near = replace(PLAIN, back_stiffness_n_m=2.6e5, back_area_m2=0.02)
    told = what_if(fit_body(readings_of(near)), Change(top_stiffness_factor=1.33, top_mass_factor=0.9))
    assert any("trade places" in note for note in told.notes)
    two = fit_body([BodyReading({name: f for name, f in reading(PLAIN).frequency_hz.items() if name != BACK})])
    told = what_if(two, Change(back_mass_factor=1.2))
    assert told.names == NAMES[:2] and any("shows nothing" in note for note in told.notes)


def test_mobility_with_its_error():
    frequency = np.linspace(80, 290, 40)
    level, u = mobility_level(FIT, frequency)
    truth = replace(PLAIN, top_q=25.0, air_q=35.0, back_q=30.0).mobility(frequency)
    assert np.median(np.abs(level - 20 * np.log10(np.abs(truth)))) < 0.5
    assert np.all(u > 0) and np.median(u) < 1.5
    heavier, _ = mobility_level(FIT, 280.0, Change(bridge_mass_kg=0.010))
    assert heavier[0] < mobility_level(FIT, 280.0)[0][0]
    with pytest.raises(LuthkitError, match="60 to 300 Hz only"):
        mobility_level(FIT, [100.0, 400.0])
