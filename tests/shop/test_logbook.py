"""The list of a logbook: what it tells, its filters, and the memory that makes it quick."""

import datetime
import json
import os
import shutil

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from luthkit.errors import LuthkitError
from luthkit.shop import index
from luthkit.shop import logbook as module
from luthkit.shop.keeping import add_guitar, add_session
from luthkit.shop.logbook import Logbook, day_of, find_logbook, logbook_around, open_logbook, start_logbook

TABLES = ("", "[[recording]]\nfile = 'x'\n", " [[recording]]\nfile = 'x'\n")
LONG_AGO = 1_000_000_000  # so that the memory trusts the file


def lay(logbook, guitar, folder, text, when=LONG_AGO):
    """A session as it may lie there: its text alone."""
    home = logbook.path / guitar / folder
    home.mkdir(parents=True, exist_ok=True)
    (home / "session.toml").write_text(text, encoding="utf-8")
    os.utime(home / "session.toml", (when, when))
    return home


@pytest.fixture
def filled(logbook):
    add_guitar(logbook, "Wren", role="build")
    lay(logbook, "Wren", "2024-01-01", 'date = 2024-01-01\nstage = "braced"\n[[recording]]\nfile = "a"\n')
    lay(logbook, "Wren", "2024-03-01", 'date = 2024-03-01T10:30:00\nstage = "strung, day 3"\nmass_g = 1450\n')
    lay(logbook, "Wren", "undated", 'notes = """\n[no table]\n"""\n')
    lay(logbook, "Marlpit", "2024-02-01", 'date = "2024-02-01"\nstage = "old, strung"\nstrings_on = true\n')
    lay(logbook, "Marlpit", "2024-02-02", "guitar = unquoted")
    return logbook


def listed(logbook, *arguments, **filters):
    return [f"{s.guitar} {s.path.name}" for s in logbook.sessions(*arguments, **filters)]


def test_what_the_list_tells_and_its_filters(filled):
    assert listed(filled) == [
        "Marlpit 2024-02-01",
        "Marlpit 2024-02-02",
        "Wren 2024-01-01",
        "Wren 2024-03-01",
        "Wren undated",
    ]
    assert listed(filled, "WREN") == listed(filled)[2:]
    assert listed(filled, stage="strung") == ["Marlpit 2024-02-01", "Wren 2024-03-01"]
    assert listed(filled, since=datetime.date(2024, 2, 2)) == ["Marlpit 2024-02-02", "Wren 2024-03-01"]
    assert listed(filled, until=datetime.date(2024, 2, 1)) == ["Marlpit 2024-02-01", "Wren 2024-01-01"]
    broken = filled.sessions("Marlpit")[1]
    assert "not valid TOML" in broken.problem and broken.date == datetime.date(2024, 2, 2)
    third = filled.sessions("Wren")[2]
    assert third.conditions["notes"] == "[no table]\n" and third.date is None
    with pytest.raises(TypeError):
        third.conditions["notes"] = ""
    with pytest.raises(LuthkitError, match="is called 'Wrenn'; there is Wren"):
        filled.sessions("Wrenn")


def test_the_memory_may_be_deleted_or_damaged_and_the_list_is_the_same(filled, monkeypatch):
    reads = []
    real = module.read_words
    monkeypatch.setattr(module, "read_words", lambda *a, **k: reads.append(a) or real(*a, **k))
    first = filled.sessions()
    assert len(reads) == 5
    assert filled.sessions() == first and len(reads) == 5, "nothing is read twice"
    memory = filled.path / ".luthkit" / "index.json"
    for text in (None, "", "[]", "{}", '{"form": 2, "files": {"Wren/2024-01-01/session.toml": [1]}}', '{"form": 99}'):
        if text is None:
            shutil.rmtree(memory.parent)
        else:
            memory.write_text(text)
        assert filled.sessions() == first
    assert isinstance(first[3].conditions["date"], datetime.datetime)
    filled.sessions("Wren")
    assert len(json.loads(memory.read_text())["files"]) == 5, "a part of the list does not forget the rest"


def test_a_changed_text_is_read_again(filled):
    filled.sessions()
    same_size = 'date = 2024-01-01\nstage = "joined"\n[[recording]]\nfile = "a"\n'
    lay(filled, "Wren", "2024-01-01", same_size, when=LONG_AGO + 1)
    assert listed(filled, stage="joined") == ["Wren 2024-01-01"]
    shutil.rmtree(filled.path / "Wren" / "2024-01-01")
    assert "Wren 2024-01-01" not in listed(filled)
    memory = json.loads((filled.path / ".luthkit" / "index.json").read_text())
    assert "Wren/2024-01-01/session.toml" not in memory["files"]


def test_a_text_written_this_very_moment_is_not_trusted_to_the_clock(filled, monkeypatch):
    home = lay(filled, "Wren", "2024-05-01", 'stage = "braced"\n')
    now = (home / "session.toml").stat().st_mtime_ns
    monkeypatch.setattr(index.time, "time_ns", lambda: now + 1_000_000_000)
    filled.sessions()
    lay(filled, "Wren", "2024-05-01", 'stage = "joined"\n')  # the same size, and within the tick of the clock
    assert [s.stage for s in filled.sessions("Wren") if s.path == home] == ["joined"]


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(
    notes=st.text(st.characters(blacklist_categories=("Cs",)), max_size=40),
    after=st.sampled_from(TABLES),
)
def test_the_words_above_the_tables_are_those_of_the_whole(tmp_path, notes, after):
    import tomli_w

    from luthkit.shop.session import read_words

    path = tmp_path / "session.toml"
    for lines in (False, True):
        path.write_bytes((tomli_w.dumps({"notes": notes, "mass_g": 2}, multiline_strings=lines) + after).encode())
        whole = read_words(path)
        whole.pop("recording", None)
        head = read_words(path, whole=False)
        head.pop("recording", None)
        assert head == whole


def test_a_logbook_is_found_from_within_and_beside(logbook, tmp_path):
    inner = add_guitar(logbook, "Wren").path
    assert logbook_around(inner / "not there yet") == open_logbook(logbook.path.resolve())
    assert logbook_around(tmp_path) is None
    logbook.path.rename(tmp_path / "logbook")
    (tmp_path / "notebooks").mkdir()
    for start in (tmp_path, tmp_path / "notebooks", tmp_path / "logbook" / "Wren"):
        assert find_logbook(start).path.resolve() == (tmp_path / "logbook").resolve()
    with pytest.raises(LuthkitError, match="there is no logbook in or around"):
        find_logbook(tmp_path / "logbook" / ".." / "..")


def test_what_is_no_logbook(logbook, tmp_path):
    assert start_logbook(logbook.path) == logbook
    (tmp_path / "full").mkdir()
    (tmp_path / "full" / "a.wav").touch()
    with pytest.raises(LuthkitError, match="is not an empty folder"):
        start_logbook(tmp_path / "full")
    with pytest.raises(LuthkitError, match="is no logbook"):
        open_logbook(tmp_path / "full")
    for text, words in (("layout = 2", "get a newer luthkit"), ("layout =", "logbook.toml is not valid TOML")):
        (logbook.path / "logbook.toml").write_text(text)
        with pytest.raises(LuthkitError, match=words):
            open_logbook(logbook.path)


def test_a_guitar_with_a_damaged_text_is_listed_with_the_reason(filled):
    (filled.path / "Wren" / "guitar.toml").write_text('role = "good"')
    (guitar,) = [g for g in filled.guitars() if g.path.name == "Wren"]
    assert guitar.name == "Wren" and "allowed are build, reference, other" in guitar.problem
    assert len(filled.sessions("Wren")) == 3


def test_sound_without_a_text_is_a_session_and_other_folders_are_none(logbook, source):
    kept = add_session(logbook, source)
    (kept.path / "session.toml").unlink()
    (kept.path.parent / "photographs").mkdir()
    (only,) = Logbook(logbook.path).sessions()
    assert only.path == kept.path and only.date == datetime.date(2024, 3, 9) and only.stage == ""


def test_days_in_all_forms():
    day = datetime.date(2024, 3, 9)
    for said in (day, datetime.datetime(2024, 3, 9, 23, 59), "2024-03-09", " 2024-03-09T10:00:00 "):
        assert day_of(said) == day
    for said in (None, "", "spring", "9.3.2024", 20240309.5):
        assert day_of(said) is None
