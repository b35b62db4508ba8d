"""All guitars with three given modes: each has them, and does elsewhere what coupled oscillators do."""

from dataclasses import replace

import numpy as np
import pytest
from bodies import PLAIN
from hypothesis import given, settings
from hypothesis import strategies as st

from luthkit.guitar.answers import answers
from luthkit.guitar.assignment import give_out
from luthkit.guitar.evidence import Reading
from luthkit.guitar.merging import merged, under_one_peak
from luthkit.guitar.pistons import Pistons, told_together
from luthkit.signal.modes import Mode, ModeSet
from luthkit.simulate import AirTopBack

SIM = AirTopBack(top_q=1e6, air_q=1e6, back_q=1e6)


def modeset(*modes, q=30.0, u=0.001, positions=(), amplitudes=None):
    """Of (frequency, level); relative errors u."""
    made = tuple(Mode(f, u * f, 0.5 / q, 0.001, level, 1.0) for f, level in modes)
    return ModeSet(made, 8, (), 2, {}, {}, "x", positions=positions, amplitudes=amplitudes)


def hz(model, **condition):
    poles, heights = model.modes(**condition)
    return np.abs(poles) / (2 * np.pi), heights


@settings(max_examples=25, deadline=None)
@given(air=st.floats(80, 120), top=st.floats(1.2, 1.9), back=st.floats(1.03, 1.4), point=st.integers(0, 10**6))
def test_every_guitar_of_the_plane_has_the_three_modes(air, top, back, point):
    """Its matrix, put together and solved by numpy: open, plugged, the back held and with 10 g on the bridge."""
    low = np.array([air, air * top, air * top * back])
    guitars = Pistons(low, masses=True)
    k = point % guitars.log_weight.size
    matrix = np.diag(guitars._alone[:, k]) + np.sqrt(np.outer(guitars._pull[:, k], guitars._pull[:, k]))
    lighter = np.diag([1 / np.sqrt(1 + 0.010 / guitars._top_mass_kg[k]), 1, 1])
    for condition, keep, inner in (
        ("", [0, 1, 2], matrix),
        ("soundhole plugged", [0, 2], matrix),
        ("back blocked", [0, 1], matrix),
        ("mass at bridge", [0, 1, 2], lighter @ matrix @ lighter),
    ):
        expected = np.sqrt(np.linalg.eigvalsh(inner[np.ix_(keep, keep)])) / (2 * np.pi)
        grams = 10.0 if condition == "mass at bridge" else 0.0
        told = guitars.frequencies_hz(Reading(condition, modeset(), grams))[:, k] if condition else low
        assert told == pytest.approx(expected, rel=1e-6), condition


def test_a_known_guitar_lies_in_the_plane():
    """The simulator's own guitar (Christensen 1984, from memory): at its point the plane says its plugged modes, its
    heights with their signs, and which of the upper two is mostly top."""
    low, heights = hz(SIM)
    guitars = Pistons(low)
    alone = np.array([SIM.top_stiffness_n_m / SIM.top_mass_kg, SIM.back_stiffness_n_m / SIM.back_mass_kg])
    k = np.argmin(np.sum(np.log(guitars._alone[[0, 2]] / alone[:, None]) ** 2, axis=0))
    plugged = guitars.frequencies_hz(Reading("soundhole plugged", modeset()))[:, k]
    assert plugged == pytest.approx(hz(SIM, plugged=True)[0], rel=0.01)
    for part, column in ((0, 0), (2, 1)):
        told = guitars.heights(np.full(3, 0.01), part)[:, k]
        true = heights[:, column] / low
        assert told / told[1] == pytest.approx((true / true[1]).real, rel=0.1, abs=0.02)
    assert guitars.top_is_lower[k] == (SIM.top_share()[1] > SIM.top_share()[2])


@pytest.mark.parametrize("lower", ["top", "back"])
def test_heights_and_signs_tell_top_from_back(lower):
    """Two guitars with nearly the same three modes; in one the top is the lower, in the other the back."""
    stiff = {"top": {}, "back": {"top_stiffness_n_m": 1.1e5, "back_stiffness_n_m": 2.2e5}}[lower]
    model = replace(SIM, **stiff)
    assert (model.top_share()[1] > 0.6) == (lower == "top")
    low, heights = hz(model)
    height = heights[:, :1] / low[:, None]
    levels = 20 * np.log10(np.abs(height[:, 0]) / np.abs(height).max())
    usual = modeset(*zip(low, levels, strict=True), positions=("bridge centre",), amplitudes=height.astype(complex))
    plugged = Reading("soundhole plugged", modeset(*((f, 0.0) for f in hz(model, plugged=True)[0])))
    for readings in ((), (plugged,)):
        top_lower, top_upper = told_together(usual, readings, (0, 1, 2))
        lead = top_lower - top_upper if lower == "top" else top_upper - top_lower
        assert lead > np.log(4)
        turned = told_together(replace(usual, amplitudes=usual.amplitudes * [[-1], [1], [1]]), readings, (0, 1, 2))
        assert max(turned) < max(top_lower, top_upper) - 2, "no guitar has the air move like that"


def test_given_out_together_counts_in_place_of_the_odds():
    """Four modes; what three say together is followed, and the second result leaves it out."""
    odds = np.zeros((4, 7))
    odds[0, 0] = odds[1, 1] = odds[2, 2] = 2.0
    absent = np.log(np.full(7, 0.2))
    (swapped, _), (alone, _) = give_out(odds, absent, lambda t: 9.0 if t == (0, 2, 1) else 0.0)
    assert alone[[0, 1, 2], [0, 1, 2]].min() > 0.5 and swapped[2, 1] > 0.9 and swapped[1, 2] > 0.9
    for posterior in (swapped, alone):
        assert posterior.sum(axis=1) == pytest.approx(1) and np.all(posterior[:, :-1].sum(axis=0) < 1 + 1e-9)
    (followed, total), (again, total_again) = give_out(
        odds, absent, lambda t: sum(odds[k, n] if k >= 0 else absent[n] for n, k in enumerate(t)) - order(t)
    )
    assert followed == pytest.approx(again, abs=1e-9) and total == pytest.approx(total_again)


def order(triple):
    """What odds lose for top and back out of their usual order."""
    return np.log(2) if triple[2] >= 0 and triple[1] > triple[2] else 0.0


def test_two_that_cannot_be_told_apart_are_one():
    heights = np.array([[1.0 + 0j], [0.5], [0.2]])
    split = modeset((188.8, 0.0), (190.0, -6.0), (215.0, -15.0), u=0.005, positions=("back",), amplitudes=heights)
    one = merged(split)
    assert len(one.modes) == 2 and one.amplitudes[:, 0].tolist() == [1.5, 0.2]
    mode = one.modes[0]
    assert (
        188.8 < mode.frequency_hz < 189.4
        and mode.frequency_u_hz > 0.8
        and mode.level_db == pytest.approx(0.97, abs=0.01)
    )
    for clear in (modeset((188.8, 0.0), (190.0, -6.0), u=0.0005), modeset((180.0, 0.0), (190.0, -6.0), u=0.05)):
        assert merged(clear) is clear
    assert Reading("soundhole plugged", split).modeset.modes == one.modes


def test_the_wider_of_two_peaks_decides_whether_they_are_one():
    """Half the half-power width is zeta f: 4 Hz at 200 Hz for 0.02, 2 Hz for 0.01."""
    wide, narrow, far = (Mode(f, 0.1, ratio, 0.001, 0.0, 1.0) for f, ratio in ((200, 0.02), (203, 0.01), (204.2, 0.01)))
    assert under_one_peak(wide, narrow) and under_one_peak(narrow, wide)
    assert not under_one_peak(wide, far) and not under_one_peak(far, wide)


def test_answers_are_found_among_strangers_or_left_open():
    low = PLAIN.modes().frequency_hz
    usual = modeset(*zip(low, (-6.0, 0.0, -8.0), strict=True))
    places = {"air": 0, "main top": 1, "main back": 2}
    top, back = PLAIN.modes(soundhole_plugged=True).frequency_hz

    def plugged(*modes):
        (answer,) = answers(usual, [Reading("soundhole plugged", modeset(*modes))], places)
        return answer

    found = plugged((140.0, -10.0), (top, 0.0), (back, -8.0), (285.0, -14.0))
    assert [found.modes[name].frequency_hz for name in ("main top", "main back")] == [top, back]
    assert plugged((top, 0.0), (top * 1.012, 0.0), (back, -8.0)).unsure == ("main top",)
    assert plugged((262.0, 0.0)).missing == ("main top", "main back")
