"""What is due next, by the stages and the rhythm of common practice."""

import datetime
from itertools import pairwise
from pathlib import Path

import pytest
import soundfile
from hypothesis import given
from hypothesis import strategies as st

from luthkit.guitar.history import Event
from luthkit.shop.keeping import add_event, add_guitar, add_session
from luthkit.shop.logbook import LoggedSession
from luthkit.shop.overview import RHYTHM_DAYS, overview, what_is_due
from luthkit.shop.session import STAGES

START = datetime.date(2024, 1, 1)


def day(n):
    return START + datetime.timedelta(days=n)


def sessions(*days, stage="strung", note=""):
    words = {"stage_note": note} if note else {}
    return [LoggedSession("Wren", Path(str(n)), day(n), stage, words) for n in days]


STRUNG = (Event(START, "strung"),)


def test_a_build_goes_from_stage_to_stage():
    for stage, following in pairwise(STAGES):
        assert what_is_due(sessions(0, stage=stage)) == (f"the next stage: {following}", None)
    assert what_is_due([]) == ("the first session", None)


def test_the_rhythm_after_stringing_is_walked_to_its_end():
    due, done = [], []
    while len(due) < len(RHYTHM_DAYS):
        due.append((what_is_due(sessions(*done), STRUNG)[1] - START).days)
        done.append(due[-1])
    assert due == [0, 1, 3, 7, 14, 30, 60, 90, 180, 365]
    words, when = what_is_due(sessions(*done), STRUNG)
    assert "opposite season" in words and 180 <= (when - day(365)).days <= 184


@pytest.mark.parametrize(("last", "following"), [(6, 14), (4, 7), (5, 14), (40, 60), (50, 90), (272, 180), (273, None)])
def test_a_session_near_a_day_counts_for_it(last, following):
    when = what_is_due(sessions(0, last), STRUNG)[1]
    if last >= 273:
        assert when == day(last + 182)
    else:
        assert when == day(365 if last == 272 else following)


@given(st.lists(st.integers(0, 2000), max_size=8))
def test_what_is_due_lies_ahead_of_the_sessions_or_close_behind(days):
    words, when = what_is_due(sessions(*days), STRUNG)
    assert words and when >= START
    if days:
        nearest = max((d for d in RHYTHM_DAYS if d <= max(days)), default=0)
        assert when >= day(nearest)


def test_how_the_day_of_stringing_is_known():
    assert what_is_due(sessions(30, note="day 30"))[1] == day(60)
    braced = sessions(0, stage="braced")
    assert what_is_due([*braced, *sessions(50)])[1] == day(51)
    assert "half a year" in what_is_due(sessions(0, note="old"))[0]
    assert what_is_due(sessions(0, note="day 3"), STRUNG, role="reference")[1] == day(182)


def test_the_overview_of_a_logbook(logbook, source):
    add_session(logbook, source)
    for path in source.rglob("*.wav"):  # another guitar, another sound
        samples, rate = soundfile.read(path)
        soundfile.write(path, 0.5 * samples, rate)
    add_session(logbook, source, guitar="Wren", words={"stage": "braced", "date": "2024-02-01"})
    add_guitar(logbook, "Marlpit", role="reference")
    lines = overview(logbook)
    assert [line.guitar.name for line in lines] == ["Number 12", "Marlpit", "Wren"]
    first, second, third = lines
    assert (first.stage, len(first.sessions), first.last) == ("strung", 1, datetime.date(2024, 3, 9))
    assert (first.due, first.due_on) == ("day 60 after stringing", datetime.date(2024, 4, 8))
    assert second.due == "the first session" and second.last is None
    assert third.due == "the next stage: on the rims"
    add_event(logbook, "Number 12", "strung", date=datetime.date(2024, 3, 8))
    assert overview(logbook)[0].due == "day 3 after stringing"


def test_what_cannot_be_read_is_told_and_the_rest_goes_on(logbook, source):
    kept = add_session(logbook, source)
    (kept.path.parent / "events.csv").write_text("date,kind,note\nsoon,repair,\n")
    (kept.path / "session.toml").write_text("guitar = unquoted")
    soundfile.write(source / "b.wav", [0.2] * 1000, 16000)
    add_session(logbook, source)
    (line,) = overview(logbook)
    assert len(line.sessions) == 2 and line.stage == "strung"
    assert "not valid TOML" in line.problems[0] and "is no date" in line.problems[1]
