"""Following and tracking: many courses judged together, modes found again, tables read."""

import datetime
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from guitar.histories import made

from luthkit import LuthkitError, Mode, ModeSet, Thresholds
from luthkit.guitar.alarm import LOOK, QUIET
from luthkit.guitar.follow import _not_enough, _summary, course_words, follow
from luthkit.guitar.forecast import look_ahead
from luthkit.guitar.history import Event, History, history_from_rows, series
from luthkit.guitar.pairing import track
from luthkit.guitar.priors import UNNAMED
from luthkit.guitar.settling import Interval
from luthkit.guitar.shapes import DRIFT, NO_CHANGE, SETTLING

OCCASIONS = [SimpleNamespace(date=datetime.date(2024, month, 1)) for month in (1, 2, 3, 4)]
DAYS = (0, 1, 3, 7, 14, 30, 60, 90, 130, 180, 240, 300, 365, 430)


@pytest.fixture(scope="module")
def settling():
    history, truth = made(3, kind="settling", scatter=0.002)
    return follow(history), truth


def test_what_settled_is_told_and_what_did_not_is_not(settling):
    following, truth = settling
    large = {mode for mode, terms in truth.settling.items() if abs(terms[0][0]) > 0.025}
    assert large
    seen = {course.series.mode for course in following.of("frequency") if course.changed}
    assert large <= seen
    assert not any(course.changed for course in following.of("damping"))
    assert len(following.courses) == 2 * len(following.outlooks) == 6
    words = {course.series.mode: course_words(course) for course in following.of("frequency")}
    for mode in large:
        assert words[mode].startswith(("fell by", "rose by"))
    assert all("no slow change seen; one larger than" in course_words(c) for c in following.of("damping"))
    lead, each, *_ = following.summary
    assert lead.startswith("made ") and "settled to within 0.5 %" in lead and "something has come loose" not in lead
    assert each.startswith(f"Since {following.history.occasions[0].date} (14 sessions over 14 months)")
    for course in following.of("frequency"):  # which way and how far, with the standard uncertainty
        low, value, high = (100 * np.expm1(x) for x in (course.change.low, course.change.value, course.change.high))
        if course.changed:
            assert f"{course.series.mode} {value:+.1f} ± {(high - low) / 2 / 1.96:.1f} %" in each


def test_the_fault_comes_first():
    history, _ = made(3, kind="no change", days=range(0, 481, 30), modes=("main top", "main back", "long dipole"),
                      fault_day=430, scatter=0.002)  # fmt: skip
    following = follow(history)
    assert following.alarm.state == LOOK and following.summary[1] == following.alarm.sentence
    assert following.summary[0].startswith(f"{history.name}: something may have come loose, have it looked at")


def test_many_courses_are_judged_together():
    """Guitars that do not change: with six courses each at 2 % alone, one in nine would be called changed."""
    called = [any(c.changed for c in follow(made(seed, kind="no change", days=DAYS)[0]).courses) for seed in range(12)]
    assert sum(called) <= 2


def test_holm_by_hand():
    """Holm 1979: the smallest chance against 2 % / n, the next against 2 % / (n - 1), until one fails; then all do."""
    courses = [SimpleNamespace(chance=chance, changed=chance < 0.02) for chance in (0.015, 0.004, 0.6, 0.009, np.nan)]
    # 0.004 < 0.02 / 4, but 0.009 > 0.02 / 3: that one and 0.015 are taken back
    assert [course.chance for course in _not_enough(courses)] == [0.009, 0.015]
    assert _not_enough([SimpleNamespace(chance=0.015, changed=True)]) == []


def test_few_sessions_say_so():
    history, _ = made(1, kind="settling", days=(0, 7, 30))
    following = follow(history)
    assert following.too_few and len(following.summary) == 1 and "too few sessions" in following.summary[0]
    assert course_words(following.courses[0]).startswith("cannot tell")
    assert {outlook.sentence for outlook in following.outlooks} == {"Cannot tell: too few sessions."}


def test_what_holds_for_one_mode_names_it():
    history, _ = made(1, kind="settling", days=(0, 7, 30, 60))
    seldom, *others = history.mode_names
    first, *rest = history.occasions
    lacking = replace(first, modes={name: mode for name, mode in first.modes.items() if name != seldom})
    notes = follow(replace(history, occasions=(lacking, *rest))).notes
    (few,) = [note for note in notes if "Only 3 sessions" in note]
    assert few.startswith(f"{seldom}: Only 3 sessions: at least 4 are needed")
    (wide,) = [note for note in notes if "Only 4 sessions" in note]
    assert all(name in wide for name in others) and seldom not in wide
    (same,) = [note for note in follow(history).notes if "Only 4 sessions" in note]
    assert same.startswith("Only 4 sessions: the bands")


def test_a_change_is_told_by_its_way_and_its_size(settling):
    course = settling[0].courses[0]
    for ends, words in (
        ((0.974, 0.970, 0.978), "fell by 2.6 % (95 %: 2.2 to 3.0), not yet at rest"),
        ((1.026, 1.022, 1.030), "rose by 2.6 % (95 %: 2.2 to 3.0), not yet at rest"),
        ((0.990, 0.979, 1.001), "fell by 1.0 % (95 %: -0.1 to 2.1), not yet at rest"),
    ):
        assert course_words(replace(course, shape=DRIFT, change=Interval(*np.log(ends)))) == words


def test_what_could_hide_a_change_that_all_hear_is_no_finding():
    """Upper end of what typical listeners notice (Woodhouse and others 2012, from memory): 3 % and 50 %."""
    course = follow(made(2, kind="no change")[0]).of("frequency")[0]
    assert course.shape == NO_CHANGE
    for no_more_than, start in ((0.029, "no slow change seen; one larger than 2.9 %"), (0.031, "cannot tell")):
        told = replace(course, no_more_than=no_more_than)
        assert course_words(told).startswith(start)
        quiet = SimpleNamespace(state=QUIET, signs=(), sentence="-")
        outlook = look_ahead(told)
        asked = " ".join(_summary(SimpleNamespace(name="Wren", occasions=OCCASIONS), [told], [outlook], quiet))
        assert ("No change seen" in asked) == (no_more_than < 0.03) == ("could hide" not in asked)
        assert asked.startswith(
            "Wren holds to within 2.9 %; " if no_more_than < 0.03 else "Wren holds, or not: cannot tell; "
        )
    assert "a change of 3.1 % could hide" in course_words(told)


def test_own_repeatability_is_used():
    history, _ = made(2, kind="no change")
    usual = Thresholds()
    sharp = replace(usual, frequency_rehung=replace(usual.frequency_rehung, value=0.0005, low=0.0004, dof=500.0))
    assert series(history, "air", thresholds=sharp).scatter_dof == 500.0
    coarse, fine = (follow(history, thresholds=limits).of("frequency")[0] for limits in (usual, sharp))
    assert fine.scatter < coarse.scatter
    assert coarse.shape == NO_CHANGE != SETTLING


def test_a_repeat_study_of_some_modes_is_used_for_these_and_it_is_said():
    history, _ = made(2, kind="no change")
    usual, first, *rest = Thresholds(), *history.mode_names
    own = replace(usual.frequency_rehung, value=0.0007, low=0.0005, dof=90.0)
    partly = follow(history, thresholds=replace(usual, frequency_rehung=own, modes=(first,)))
    known = [course.series.scatter_dof for course in partly.of("frequency")]
    assert known == [90.0] + [usual.frequency_rehung.dof] * len(rest)
    assert any(f"is used for {first}; for the other modes" in note for note in partly.notes)
    none = follow(history, thresholds=replace(usual, frequency_rehung=own, modes=("no such mode",)))
    assert any("holds none of these modes (it holds no such mode)" in note for note in none.notes)
    whole = follow(history, thresholds=replace(usual, modes=history.mode_names))
    assert not any("repeat study" in note for note in whole.notes)


def modeset(frequencies, kinds=None):
    modes = tuple(
        Mode(f, 0.05, 0.012, 0.0005, 0.0, 0.1, (kinds or {}).get(k, "body")) for k, f in enumerate(frequencies)
    )
    return ModeSet(modes, 10, (), 2, {}, {}, "0", "x")


def test_the_same_mode_is_found_again_as_it_wanders():
    sets = [modeset([104 * s, 196 * s, 232 * s, 341 * s]) for s in np.exp(np.linspace(0, -0.06, 7))]
    found = track(sets)
    assert [sorted(names) for names in found] == [[0, 1, 2, 3]] * 7
    assert all(names == found[0] for names in found) and len(set(found[0].values())) == 4
    assert all(name.startswith("no name at ") and name.endswith(" Hz") for name in found[0].values())
    assert track(sets, [{0: "air", 1: UNNAMED}] * 7)[0][0] == "air"
    assert track(sets, [{0: "air", 1: UNNAMED}] * 7)[0][1] == found[0][1]


def test_a_mode_that_comes_and_goes_keeps_its_name_and_strangers_are_left_out():
    sets = [modeset([104, 196, 341]), modeset([104, 341.5]), modeset([104, 197, 341, 600], {3: "room"}),
            modeset([104, 150, 196, 342])]  # fmt: skip
    found = track(sets, [{1: "main top"}, {}, {1: "main top"}, {2: "main back"}])
    assert found[0][1] == found[2][1] == found[3][2] == "main top"
    assert 1 not in found[3], "a mode seen once is not followed"
    assert 3 not in found[2], "the room is not followed"
    assert found[1] == {0: found[0][0], 1: found[0][2]}


def test_a_table_with_a_slip_is_refused_with_its_row():
    good = {"date": "2024-03-09", "mode": "air", "frequency_hz": "104.2", "damping_ratio": "0.016"}
    history = history_from_rows("x", [good, {**good, "date": "2024-03-01"}], [{"date": "2024-03-05", "kind": "repair"}])
    assert [o.date.day for o in history.occasions] == [1, 9] and history.events[0].words == "repair"
    for slip, message in (
        ({"date": "9.3.2024"}, "row 2: date is '9.3.2024'"),
        ({"mode": ""}, "row 2 names no mode"),
        ({"frequency_hz": "high"}, "row 2: frequency_hz is 'high'"),
        ({"frequency_hz": "0"}, "above 0"),
        ({}, "already read in this session"),
    ):
        with pytest.raises(LuthkitError, match=message):
            history_from_rows("x", [good, {**good, **slip}])
    with pytest.raises(LuthkitError, match="no session"):
        History("x", ())
    with pytest.raises(LuthkitError, match="choose one of"):
        Event(datetime.date(2024, 1, 1), "polish")
    with pytest.raises(LuthkitError, match="it has air"):
        series(history, "main top")
    with pytest.raises(LuthkitError, match="frequency, damping"):
        series(history, "air", "level")
