"""A guitar in a zip file, out of one logbook and into another."""

import datetime
import shutil
import stat
import subprocess
import sys
import time
import zipfile
from concurrent.futures import ThreadPoolExecutor

import pytest
from shop.conftest import make_source
from shop.test_keeping import everything

from luthkit.errors import LuthkitError
from luthkit.shop import safe
from luthkit.shop.keeping import add_event, add_guitar, add_session
from luthkit.shop.logbook import start_logbook
from luthkit.shop.parcel import pack, unpack
from luthkit.shop.verify import verify


@pytest.fixture
def parcel(logbook, source, tmp_path):
    add_guitar(logbook, "Number 12", role="build", notes="hers")
    add_session(logbook, source)
    add_event(logbook, "Number 12", "strung", date=datetime.date(2024, 2, 8))
    return pack(logbook, "number 12", tmp_path / "to a friend.zip")


@pytest.fixture
def elsewhere(tmp_path):
    return start_logbook(tmp_path / "elsewhere")


def contents(folder):
    return {name: held[0] for name, held in everything(folder).items() if not name.startswith(".")}


def test_it_comes_out_as_it_went_in(parcel, logbook, elsewhere):
    result = unpack(elsewhere, parcel)
    assert (result.guitar, result.added, result.there_already) == ("Number 12", ("2024-03-09",), ())
    assert contents(result.path) == contents(logbook.path / "Number 12")
    (guitar,) = elsewhere.guitars()
    assert (guitar.role, guitar.conditions["notes"]) == ("build", "hers")
    assert elsewhere.events("Number 12") == logbook.events("Number 12")
    assert verify(elsewhere).findings == ()
    assert elsewhere.unfinished() == ()
    shutil.rmtree(result.path)
    assert [each.name for each in verify(elsewhere).lost] == ["Number 12"]


def test_any_zip_program_opens_it(parcel, tmp_path):
    subprocess.run([sys.executable, "-m", "zipfile", "-e", parcel, tmp_path / "out"], check=True)
    assert (tmp_path / "out" / "Number 12" / "2024-03-09" / "taps" / "a.wav").is_file()


def test_what_is_new_joins_what_is_there(parcel, logbook, elsewhere, tmp_path):
    unpack(elsewhere, parcel)
    add_event(elsewhere, "Number 12", "repair", date=datetime.date(2024, 4, 1))
    before = contents(elsewhere.path / "Number 12" / "2024-03-09")
    add_session(logbook, make_source(tmp_path / "more", seed=60))
    add_event(logbook, "Number 12", "set-up", date=datetime.date(2024, 3, 1))
    second = pack(logbook, "Number 12", tmp_path / "second.zip")
    result = unpack(elsewhere, second)
    assert (result.added, result.there_already) == (("2024-03-09_2",), ("2024-03-09",))
    assert contents(elsewhere.path / "Number 12" / "2024-03-09") == before
    assert [event.kind for event in elsewhere.events("Number 12")] == ["strung", "set-up", "repair"]
    assert unpack(elsewhere, second).added == ()
    assert len(elsewhere.sessions()) == 2 and verify(elsewhere).findings == ()
    shutil.rmtree(elsewhere.path / "Number 12" / "2024-03-09_2")
    assert [each.name for each in verify(elsewhere).lost] == ["Number 12/2024-03-09_2"]
    shutil.rmtree(elsewhere.path / "Number 12")
    assert [each.name for each in verify(elsewhere).lost] == ["Number 12"]


def test_two_that_unpack_at_once_bring_a_session_once(parcel, elsewhere, monkeypatch):
    add_guitar(elsewhere, "Number 12")
    real = safe.settle  # what comes after the search for the same sound: the other has time to search as well
    monkeypatch.setattr(safe, "settle", lambda *a: (time.sleep(0.3), real(*a))[1])
    with ThreadPoolExecutor(2) as pool:
        both = list(pool.map(lambda _: unpack(elsewhere, parcel), range(2)))
    assert sorted(len(one.added) for one in both) == [0, 1] and len(elsewhere.sessions()) == 1


def test_damaged_sound_is_neither_packed_nor_unpacked(parcel, logbook, elsewhere, tmp_path):
    bent = tmp_path / "bent.zip"
    with zipfile.ZipFile(parcel) as old, zipfile.ZipFile(bent, "w") as new:
        for entry in old.infolist():
            data = old.read(entry)
            new.writestr(entry, data[:-1] + b"\x07" if entry.filename.endswith("b.wav") else data)
    with pytest.raises(LuthkitError, match=r"b\.wav is changed since it was kept"):
        unpack(elsewhere, bent)
    whole = parcel.read_bytes()
    for cut in (b"", b"PK", whole[: len(whole) // 2], whole[:5000] + b"x" * 50 + whole[5050:]):
        bent.write_bytes(cut)
        with pytest.raises(LuthkitError, match=r"no whole zip file|is changed"):
            unpack(elsewhere, bent)
    (logbook.path / "Number 12" / "2024-03-09" / "b.wav").unlink()
    with pytest.raises(LuthkitError, match=r"b\.wav is vanished"):
        pack(logbook, "Number 12", tmp_path / "new.zip")
    assert not (tmp_path / "new.zip").exists()
    assert elsewhere.guitars() == () and elsewhere.unfinished() == ()


def link():
    entry = zipfile.ZipInfo("Wren/link")
    entry.external_attr = (stat.S_IFLNK | 0o777) << 16
    return entry


@pytest.mark.parametrize(
    ("entry", "words"),
    [
        ("../outside.txt", "no plain file"),
        ("Wren/../../outside.txt", "no plain file"),
        ("/outside.txt", "no plain file"),
        ("C:/outside.txt", "no plain file"),
        ("Wren\\..\\..\\outside.txt", "no plain file"),
        (link(), "no plain file"),
        ("outside.txt", "packed again"),
        ("Wren/a/b/c/d.txt", "packed again"),
        ("Wren/GUITAR.TOML", "packed again"),
        ("Other/x.txt", "does not hold one guitar"),
    ],
)
def test_names_that_lead_elsewhere(elsewhere, tmp_path, entry, words):
    path = tmp_path / "bad.zip"
    with zipfile.ZipFile(path, "w") as bad:
        bad.writestr("Wren/guitar.toml", 'name = "Wren"\n')
        bad.writestr(entry, "/etc/passwd")
    before = set(tmp_path.rglob("*"))
    with pytest.raises(LuthkitError, match=words):
        unpack(elsewhere, path)
    assert set(tmp_path.rglob("*")) == before


def test_no_room_an_old_file_and_no_guitar(parcel, logbook, elsewhere, tmp_path, monkeypatch):
    with pytest.raises(LuthkitError, match="exists already"):
        pack(logbook, "Number 12", parcel)
    assert pack(logbook, "Number 12", tmp_path).name == "Number 12.zip"
    with pytest.raises(LuthkitError, match="does not exist"):
        unpack(elsewhere, tmp_path / "gone.zip")
    monkeypatch.setattr(shutil, "disk_usage", lambda _: type("Room", (), {"free": 1000}))
    with pytest.raises(LuthkitError, match="make room first"):
        unpack(elsewhere, parcel)
