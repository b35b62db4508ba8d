"""Names that every system takes, and writing in one step.

What Windows forbids: "Naming Files, Paths, and Namespaces", Microsoft Learn, Windows App Development (the
characters < > : " / \\ | ? *, characters 0 to 31, the devices CON, PRN, AUX, NUL, COM0-9, LPT0-9 with any
ending, also with superscript 1 to 3, and names that end in a dot or space; from memory).
"""

import os
import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from luthkit.errors import LuthkitError
from luthkit.shop import safe
from luthkit.shop.safe import folder_aside, free_name, locked, safe_name, same_name, settle, told, write_whole

DEVICES = ["CON", "prn", "Aux", "NUL", "com1", "LPT9", "COM¹", "lpt³", "nul.txt", "con.tar.gz"]


@given(
    st.text(st.characters(), max_size=120) | st.sampled_from(DEVICES) | st.sampled_from(["..", ".", "../x", "a/../b"])
)
def test_a_safe_name_is_taken_everywhere(text):
    name = safe_name(text)
    assert 0 < len(name) <= 81 and len(name.encode("utf-8")) <= 255
    assert not set(name) & set('<>:"/\\|?*') and name.isprintable()
    assert name not in (".", "..") and not name.startswith(".") and name[-1] not in ". "
    stem = name.split(".")[0].rstrip().upper()
    assert stem not in {"CON", "PRN", "AUX", "NUL"} and stem[:-1] not in ("COM", "LPT")
    assert safe_name(name) == name
    assert unicodedata.is_normalized("NFC", name)


def test_ordinary_names_stay_as_they_are():
    for name in ("Number 12", "Élan", "bridge_centre_1.flac", "小鳥.wav", "No. 7 (old)", "computer", "console.wav"):
        assert safe_name(name) == name


@given(st.lists(st.sampled_from(["a.wav", "A.WAV", "é.wav", "e\u0301.wav", "tap", "TAP", "tap_2"]), max_size=12))
def test_free_names_differ_also_where_letter_case_does_not_count(names):
    taken = []
    for name in names:
        taken.append(free_name(name, taken))
    assert len({same_name(name) for name in taken}) == len(names)


def test_a_file_that_windows_holds_for_a_moment_is_waited_for(tmp_path, monkeypatch):
    """There a file that another program has open cannot be moved or replaced (from memory)."""
    path, refused, replace = tmp_path / "x.toml", [], os.replace

    def busy(*names):
        if len(refused) < 3:
            refused.append(names)
            raise PermissionError(13, "used by another process")
        replace(*names)

    monkeypatch.setattr(os, "replace", busy)
    with pytest.raises(LuthkitError, match="cannot be written to"), told("x"):
        write_whole(path, "new")  # other systems mean it
    assert len(refused) == 1 and os.listdir(tmp_path) == []
    monkeypatch.setattr(safe, "WINDOWS", True)
    write_whole(path, "new")
    assert len(refused) == 3 and path.read_text() == "new" and os.listdir(tmp_path) == ["x.toml"]


def test_a_fault_while_writing_leaves_the_old_file(tmp_path, monkeypatch):
    path = tmp_path / "x.toml"
    write_whole(path, "old")

    def full(_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(LuthkitError, match="the disk is full"), told("x"):
        write_whole(path, "new")
    assert path.read_text() == "old" and os.listdir(tmp_path) == ["x.toml"]


def test_of_two_folders_one_settles(tmp_path):
    for number, expected in ((1, True), (2, False)):
        with folder_aside(tmp_path) as aside:
            (aside / "content").write_text(str(number))
            assert settle(aside, tmp_path / "there") is expected
    assert (tmp_path / "there" / "content").read_text() == "1"
    assert os.listdir(tmp_path) == ["there"]


def test_it_settles_on_nothing_that_comes_in_between(tmp_path, monkeypatch):
    (tmp_path / "there").mkdir()
    (tmp_path / "there" / "mine").write_text("1")
    answers = iter([False, True])  # it came between the look and the renaming
    monkeypatch.setattr(safe.os.path, "lexists", lambda _: next(answers))
    with folder_aside(tmp_path) as aside:
        (aside / "content").write_text("2")
        assert settle(aside, tmp_path / "there") is False
    assert os.listdir(tmp_path / "there") == ["mine"]


def test_a_lock_is_held_by_one_and_let_go(tmp_path, monkeypatch):
    monkeypatch.setattr(safe, "LOCK_WAIT_S", 0.05)
    with (
        locked(tmp_path / "lock"),
        pytest.raises(LuthkitError, match="another luthkit holds"),
        locked(tmp_path / "lock"),
    ):
        pass
    with locked(tmp_path / "lock"):
        pass
