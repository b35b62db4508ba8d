"""Alarm: a fault is found in two sessions, a damp week is not taken for one, an event explains itself."""

import datetime
from dataclasses import replace

import numpy as np
import pytest
from guitar.histories import made, until

from luthkit.guitar.alarm import AGAIN, CANNOT_TELL, DAMP, LOOK, QUIET, watch
from luthkit.guitar.history import Event, History, Occasion
from luthkit.simulate.histories import MODES, Seasons

MONTHS = tuple(range(0, 481, 30))
ALL = tuple(MODES)
STEADY = {"days": MONTHS, "kind": "no change", "modes": ALL, "scatter": 0.002}


def changed(history, which, frequency=1.0, damping=1.0, last=2):
    """The last sessions with some modes moved."""
    occasions = list(history.occasions)
    for k in range(len(occasions) - last, len(occasions)):
        modes = dict(occasions[k].modes)
        for name in which:
            mode = modes[name]
            modes[name] = replace(
                mode, frequency_hz=mode.frequency_hz * frequency, damping_ratio=mode.damping_ratio * damping
            )
        occasions[k] = replace(occasions[k], modes=modes)
    return History(history.name, tuple(occasions), history.events)


def test_a_fall_of_two_modes_is_seen_at_once_and_confirmed_by_the_next_session():
    history, truth = made(3, fault_day=430, **STEADY)
    first = watch(until(history, history.occasions[-2].date))
    assert first.state == AGAIN and {sign.mode for sign in first.signs} <= set(truth.faulty)
    alarm = watch(history)
    assert alarm.state == LOOK
    falls = {sign.mode: sign.size for sign in alarm.signs if sign.what == "frequency"}
    assert set(falls) == set(truth.faulty)
    assert list(falls.values()) == pytest.approx([-0.03, -0.03], abs=0.012)
    assert "repairer" in alarm.sentence and "lower than the weather explains" in alarm.sentence


def test_no_fault_no_alarm():
    states = []
    for seed in range(4):
        history, _ = made(seed, **{**STEADY, "scatter": None})
        states += [watch(until(history, o.date)).state for o in history.occasions[-4:]]
    assert set(states) <= {QUIET, DAMP} and states.count(QUIET) >= 15


def test_a_damp_guitar_lowers_all_modes_and_is_no_fault():
    """The wood holds 2.2 % more moisture than the room tells: every mode falls by its own slope."""
    history, _ = made(5, **STEADY)
    from luthkit.guitar.alarm import _gap
    from luthkit.guitar.history import series

    slopes = {name: _gap(series(history, name), 1).slope for name in ALL}
    damp = history
    for name in ALL:
        damp = changed(damp, [name], frequency=np.exp(2.2 * slopes[name]), last=1)
    alarm = watch(damp)
    assert alarm.state == DAMP and alarm.damp_percent == pytest.approx(2.2, abs=0.8) and "Weigh" in alarm.sentence
    # the same fall in one mode alone is out of proportion
    alone = watch(changed(history, ["main top"], frequency=np.exp(2.2 * min(slopes.values())), last=1))
    assert alone.state == AGAIN


def test_q_down_is_a_sign():
    history, _ = made(6, **STEADY)
    alarm = watch(changed(history, ["main back"], damping=1.8))
    assert alarm.state == LOOK and [(s.mode, s.what) for s in alarm.signs] == [("main back", "damping")]
    assert "Q of main back is down by" in alarm.sentence
    assert alarm.signs[0].size == pytest.approx(np.log(1.8), abs=0.3)
    assert watch(changed(history, ["main back"], damping=1.1)).state == QUIET  # less than a quarter
    assert watch(changed(history, ["main back"], frequency=1.03)).state == QUIET  # a rise is no loose brace


def test_wings_and_hard_taps_are_signs():
    history, _ = made(7, **STEADY)
    rng = np.random.default_rng(0)
    last = len(MONTHS) - 2
    wings = [
        replace(o, wing_balance_db={"main top": rng.normal(0, 0.5) + (6.0 if k >= last else 0.0)})
        for k, o in enumerate(history.occasions)
    ]
    (sign,) = watch(History("x", tuple(wings))).signs
    assert sign.what == "wings" and sign.size == pytest.approx(6.0, abs=1.0)
    hard = [replace(o, hard_over_soft={"main top": (-0.01, 0.001)}) for o in history.occasions]
    (sign,) = watch(History("x", tuple(hard))).signs
    assert sign.what == "hard taps" and sign.size == pytest.approx(-0.01)
    soft = [replace(o, hard_over_soft={"main top": (-0.01, 0.01)}) for o in history.occasions]
    assert watch(History("x", tuple(soft))).signs == ()


def test_an_event_between_explains_a_change():
    history, _ = made(3, fault_day=430, **STEADY)
    date = history.occasions[-1].date - datetime.timedelta(days=3)
    alarm = watch(History(history.name, history.occasions, (Event(date, "set-up", "new saddle"),)))
    assert alarm.state == CANNOT_TELL and "set-up (new saddle)" in alarm.sentence


def test_few_sessions_cannot_tell():
    history, _ = made(1, days=(0, 30, 60, 90), kind="no change")
    assert watch(history).state == CANNOT_TELL
    assert watch(History("x", (Occasion(datetime.date(2024, 1, 1), {}),))).state == CANNOT_TELL


def test_a_dry_season_is_no_fault():
    dry = Seasons(swing_percent=22.0)
    history, _ = made(9, seasons=dry, **STEADY)
    assert {watch(until(history, o.date)).state for o in history.occasions[-5:]} <= {QUIET, DAMP}
