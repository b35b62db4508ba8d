"""Modes of other conditions found by the model: the right ones, or none."""

from dataclasses import replace

import numpy as np
import pytest
from bodies import PLAIN, reading

from luthkit.errors import LuthkitError
from luthkit.guitar.body_fit import AIR, BACK, TOP
from luthkit.guitar.body_readings import fit_conditions, reading_by_hand, reading_by_names
from luthkit.guitar.evidence import Reading
from luthkit.guitar.naming import name_modes, overrule
from luthkit.signal.modes import Mode, ModeSet

OTHERS = ((285.0, -14.0), (372.0, -8.0), (404.0, -9.0))  # dipoles and cavity mode: Hz, level


def modeset(*modes):
    """A set of modes given as (frequency, level); errors 0.1 %, Q 30."""
    made = [Mode(f, 0.001 * f, 1 / 60, 1e-3, level, 1.0) for f, level in sorted(modes)]
    return ModeSet(tuple(made), 10, (), 2, {}, {}, "0", name="invented", positions=("bridge centre",))


def heard(condition="", *, grams=0.0, more=()):
    body = replace(PLAIN, top_mass_kg=PLAIN.top_mass_kg + grams / 1000)
    modes = body.modes(soundhole_plugged=condition == "soundhole plugged", back_blocked=condition == "back blocked")
    f = list(modes.frequency_hz)
    levels = {3: [-6.0, 0.0, -8.0], 2: [0.0, -8.0] if condition == "soundhole plugged" else [-6.0, 0.0]}[len(f)]
    made = modeset(*zip(f, levels, strict=True), *OTHERS, *more)
    return Reading(condition, made, grams) if condition else made


FIRST = dict(reading(PLAIN).frequency_hz)


def test_all_conditions_are_taken_in():
    usual = heard()
    conditions = [heard("mass at bridge", grams=10.0), heard("back blocked"), heard("soundhole plugged")]
    conditions.append(Reading("room knock", modeset((150.0, 0.0))))
    fit = fit_conditions(reading_by_hand(usual, FIRST), usual, conditions)
    assert [r.condition for r in fit.readings] == [
        "as it is",
        "with the soundhole plugged",
        "with the back blocked",
        "with 10 g on the bridge",
    ]
    assert fit.readings[1].frequency_hz[TOP] == PLAIN.modes(soundhole_plugged=True).frequency_hz[0]
    assert fit.readings[3].frequency_hz[BACK] == pytest.approx(
        replace(PLAIN, top_mass_kg=0.070).modes().frequency_hz[2], rel=1e-9
    )
    assert fit.numbers["top_mass_kg"].value == pytest.approx(0.060, rel=0.05) and fit.notes == ()


def test_two_that_would_do_are_not_guessed():
    """A second mode as strong as the top and a little beside it, with the hole plugged."""
    usual, plugged = heard(), PLAIN.modes(soundhole_plugged=True).frequency_hz[0]
    unsure = heard("soundhole plugged", more=[(plugged * 1.01, -0.5)])
    fit = fit_conditions(reading_by_hand(usual, FIRST), usual, [unsure])
    assert TOP not in fit.readings[-1].frequency_hz
    assert any("cannot be told which mode is main top" in note for note in fit.notes)


def test_a_plug_that_did_nothing_is_noticed():
    usual = heard()
    empty = Reading("soundhole plugged", modeset((262.0, 0.0), (275.0, 0.0), *OTHERS))
    fit = fit_conditions(reading_by_hand(usual, FIRST), usual, [empty])
    assert len(fit.readings) == 1 and any("no modes lie where they should" in note for note in fit.notes)
    few = Reading("soundhole plugged", modeset((PLAIN.modes(soundhole_plugged=True).frequency_hz[0], 0.0)))
    fit = fit_conditions(reading_by_hand(usual, FIRST), usual, [few])
    assert list(fit.readings[1].frequency_hz) == [TOP]
    assert any("no mode answers to main back" in note for note in fit.notes)


def test_by_hand():
    usual = heard()
    found = reading_by_hand(usual, {name: f * 1.01 for name, f in FIRST.items()})
    assert dict(found.frequency_hz) == pytest.approx(FIRST, rel=1e-3)
    with pytest.raises(LuthkitError, match="main top is said to be at 140 Hz, but no mode"):
        reading_by_hand(usual, {TOP: 140.0})


def test_by_names_with_doubt():
    """A mode that naming leaves open is taken when its likeliest name is an even bet, and the doubt is told."""
    naming = name_modes(heard())
    sure = [replace(named, name=name, probability=0.95) if (name := _truth(named)) else named for named in naming.modes]
    found, doubts = reading_by_names(replace(naming, modes=tuple(sure)))
    assert dict(found.frequency_hz) == pytest.approx(FIRST, rel=1e-3) and doubts == ()

    def unsure(probability, names):
        open_ = [
            replace(n, name="cannot tell", probability=probability, posterior={_truth(n): probability})
            if _truth(n) in names
            else n
            for n in sure
        ]
        return reading_by_names(replace(naming, modes=tuple(open_)))

    found, doubts = unsure(0.6, {BACK})
    assert BACK in found.frequency_hz and "60% likely" in doubts[0]
    found, doubts = unsure(0.4, {BACK})
    assert BACK not in found.frequency_hz and doubts == ()
    with pytest.raises(LuthkitError, match="which mode is air; tap again"):
        unsure(0.4, {AIR})


def test_a_back_that_the_makers_word_takes_away_is_told():
    usual = heard()
    naming = name_modes(usual, [heard("soundhole plugged")])
    back = naming.mode_named(BACK).mode.frequency_hz
    found, doubts = reading_by_names(overrule(naming, back, "long dipole", "so I heard"))
    assert BACK not in found.frequency_hz
    assert any(f"favours main back for the mode at {back:.0f} Hz; your word, long dipole" in doubt for doubt in doubts)
    assert BACK not in reading_by_names(overrule(naming, back, "cannot tell", "who knows"))[0].frequency_hz


def _truth(named):
    near = [name for name, f in FIRST.items() if abs(f / named.mode.frequency_hz - 1) < 1e-3]
    return near[0] if near else ""


def test_strength_decides_where_place_cannot():
    usual, plugged = heard(), PLAIN.modes(soundhole_plugged=True).frequency_hz[0]
    faint = heard("soundhole plugged", more=[(plugged * 1.01, -34.0)])
    fit = fit_conditions(reading_by_hand(usual, FIRST), usual, [faint])
    assert fit.readings[-1].frequency_hz[TOP] == pytest.approx(plugged)
    assert np.isfinite(fit.chi_square)
