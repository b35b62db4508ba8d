"""The commands of the logbook, typed as a maker would."""

import json
import shutil

import numpy as np
import pytest
import soundfile
from shop.conftest import make_source
from shop.test_profile_file import OLD, OLDER

from luthkit.cli import main
from luthkit.guitar.profile import make_profile
from luthkit.shop import reading
from luthkit.shop.profile_file import read_profile, write_profile
from luthkit.shop.session import read_session


@pytest.fixture
def shop(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    make_source(tmp_path / "recorder")
    assert main(["logbook", "--start", "logbook"]) == 0
    return tmp_path


def test_keep_look_note_pack_and_unpack(shop, capsys):
    said = ["--temperature-c", "20.5", "--repeat-study", "--operator", "A. N."]
    assert main(["keep", "recorder", "--guitar", "Wren", "--role", "build", *said]) == 0
    assert "Wren/2024-03-09" in capsys.readouterr().out
    text = (shop / "logbook" / "Wren" / "2024-03-09" / "session.toml").read_text()
    assert "repeat_study = true" in text and 'operator = "A. N."' in text
    assert "temperature_c = 20.5" in text and 'guitar = "Wren"' in text
    assert main(["keep", "--event", "set-up", "--guitar", "wren", "--date", "2024-03-20", "--notes", "lower"]) == 0
    capsys.readouterr()
    assert main(["logbook", "--json", "--report", "out.html"]) == 0
    said = json.loads(capsys.readouterr().out)
    assert said["guitars"][0]["events"] == [{"date": "2024-03-20", "kind": "set-up", "note": "lower"}]
    assert said["guitars"][0]["due"] == "day 60 after stringing" and (shop / "out.html").is_file()
    assert main(["parcel", "Wren", "wren.zip"]) == 0
    assert main(["logbook", "--start", "other"]) == 0
    capsys.readouterr()
    assert main(["keep", "wren.zip", "--logbook", "other", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["added"] == ["2024-03-09"]
    assert main(["logbook", "--logbook", "other"]) == 0
    assert "Wren    build  strung  1         2024-03-09" in capsys.readouterr().out


def test_which_latest_session_is_read_is_said_with_its_kind(shop, capsys):
    assert main(["keep", "recorder", "--guitar", "Wren", "--date", "2024-03-09"]) == 0
    sound = 0.1 * np.random.default_rng(0).standard_normal(48_000)
    (shop / "strums").mkdir()
    soundfile.write(shop / "strums" / "e.wav", sound, 48_000)
    (shop / "strums" / "session.toml").write_text('guitar = "Wren"\nkind = "strum"\n', encoding="utf-8")
    assert main(["keep", "strums", "--guitar", "Wren", "--date", "2024-02-01"]) == 0
    capsys.readouterr()
    for command, said in (("tone", "strums or plucks is read, "), ("modes", "taps is read, ")):
        main([command, "Wren"])
        assert f"the latest session with {said}" in capsys.readouterr().err


def test_loose_taps_are_kept_with_their_place_or_the_want_of_it_is_told(shop, capsys):
    assert main(["keep", "recorder/b.wav", "--guitar", "Wren", "--date", "2024-03-10"]) == 0
    text = shop / "logbook" / "Wren" / "2024-03-10" / "session.toml"
    said = capsys.readouterr().out
    assert "Where and in which placement the taps were struck is not noted: name it with --position" in said
    assert str(text.parent) in said and "names suggest" not in said and "of Wren" not in said  # --guitar was given
    text.write_text(text.read_text() + 'position = "rim"\n', encoding="utf-8")  # as the sentence says
    assert dict(read_session(text.parent).positions) == {"b.wav": "rim"} and main(["verify"]) == 0
    placed = ["--guitar", "Wren", "--date", "2024-03-11", "--position", "bridge centre", "--placement", "2"]
    capsys.readouterr()
    assert main(["keep", "recorder/taps/a.wav", *placed]) == 0
    assert "not noted" not in capsys.readouterr().out
    (tap,) = read_session(shop / "logbook" / "Wren" / "2024-03-11").recordings
    assert (tap.position, tap.placement) == ("bridge centre", "2")
    shutil.rmtree(shop / "logbook" / "Wren")
    (shop / "recorder" / "session.toml").write_text(
        '[[recording]]\nfile = "b.wav"\nposition = "rim"\nplacement = "1"\n'
    )
    assert main(["keep", "recorder", "--guitar", "Wren"]) == 0
    assert "in which placement 1 of 2 recordings of taps were struck is not noted" in capsys.readouterr().out


def test_keep_says_what_it_assumes_and_what_the_names_of_the_files_suggest(shop, capsys):
    (shop / "wren taps").mkdir()
    for number, name in enumerate(("bass_wing_1", "bass_wing_2", "Bridge Center", "trim")):
        make_source(shop / name, seed=10 * number)
        shutil.copy(shop / name / "b.wav", shop / "wren taps" / f"{name}.wav")
    assert main(["keep", "wren taps"]) == 0
    said = capsys.readouterr().out
    assert "of wren taps (so called by the folder; another name: --guitar)" in said
    assert "the names suggest bass wing (2 of 4 files), bridge centre (1 of 4 files)" in said and "rim (" not in said
    assert 'position = "bass wing" and placement = "1"' in said and "--placement" in said
    assert main(["keep", "recorder"]) == 0
    assert "of Number 12 (so called by its session.toml; another" in capsys.readouterr().out
    assert main(["keep", "wren taps", "--guitar", "Wren", "--role", "build"]) == 1  # no second guitar
    assert "already, as wren taps/undated; nothing was added" in capsys.readouterr().err
    assert not (shop / "logbook" / "Wren").exists()


def test_a_wrong_keep_is_undone_by_hand(shop, capsys):
    """As the README says: the folder goes, verify misses it, and is content once its line is gone."""
    main(["keep", "recorder"])
    home = shop / "logbook" / "Number 12"
    shutil.rmtree(home / "2024-03-09")
    capsys.readouterr()
    assert main(["verify"]) == 1
    assert "take its line out of sessions.csv" in capsys.readouterr().out
    (home / "sessions.csv").write_text((home / "sessions.csv").read_text().splitlines()[0] + "\n")
    assert main(["verify"]) == 0 and main(["keep", "recorder", "--guitar", "Wren"]) == 0


@pytest.mark.usefixtures("blank_pictures")
def test_a_guitar_of_the_logbook_is_read_by_its_latest_session(shop, capsys, monkeypatch):
    for day, sound in (("2024-03-09", "taps/a.wav"), ("2024-06-01", "b.wav")):
        assert main(["keep", f"recorder/{sound}", "--guitar", "Wren", "--date", day, "--position", "rim"]) == 0
    read = []
    monkeypatch.setattr("luthkit.shop.reading.read_instrument", lambda paths, **_: read.append(paths) or OLD)
    monkeypatch.setattr("luthkit.shop.names.read_conditions", lambda paths: ())
    capsys.readouterr()
    for typed in ("wren", "logbook/Wren"):
        assert main(["modes", typed, "--json"]) == 0
        told = capsys.readouterr()
        assert json.loads(told.out)["modes"] and told.err.count("\n") == 1 and "2024-06-01" in told.err
    assert main(["name", "Wren"]) == 0 and main(["body", "Wren"]) == 0
    assert main(["compare", "Wren", "recorder"]) == 0
    assert {str(one) for each in read for one in (each if isinstance(each, list) else [each])} == {
        str(shop / "logbook" / "Wren" / "2024-06-01"),
        "recorder",
    }
    capsys.readouterr()
    assert main(["tone", "Wren"]) == 2
    assert "Wren has no session with a strum or pluck in the logbook" in capsys.readouterr().err
    assert main(["modes", "Wern"]) == 2
    assert (
        "Wern does not exist, and: no guitar in the logbook is called 'Wern'; there is Wren" in capsys.readouterr().err
    )


def test_verify_says_what_is_lost_with_its_exit_code(shop, capsys):
    main(["keep", "recorder"])
    assert main(["verify"]) == 0
    assert "2 sound files of 1 session read: all of it is as it was kept." in capsys.readouterr().out
    (shop / "logbook" / "Number 12" / "2024-03-09" / "b.wav").write_bytes(b"x")
    assert main(["verify", "number 12"]) == 1
    assert "b.wav has changed since it was kept" in capsys.readouterr().out
    assert main(["verify", "--json"]) == 1
    assert json.loads(capsys.readouterr().out)["findings"][0]["what"] == "changed"


@pytest.mark.parametrize(
    ("words", "code", "sentence"),
    [
        (["keep"], 2, "name what is to be kept"),
        (["keep", "recorder", "--event", "repair"], 2, "name what is to be kept"),
        (["keep", "nowhere"], 2, "nowhere does not exist"),
        (["keep", "recorder", "--date", "9.3.2024"], 2, "is no date"),
        (["keep", "--event", "repair"], 2, "needs --guitar"),
        (["keep", "recorder", "--temperature-c", "200"], 1, "temperature_c is 200"),
        (["keep", "recorder", "--logbook", "recorder"], 1, "is no logbook"),
        (["keep", "recorder/b.wav", "--position", "soundhole"], 1, "allowed are bridge centre"),
        (["keep", "recorder", "--position", "rim"], 1, "no tap of Number 12 is in want of a position"),
        (["keep", "--event", "repair", "--guitar", "Wren", "--position", "rim"], 2, "are for recordings of taps"),
        (["verify", "Wren"], 1, "no guitar in the logbook is called 'Wren'"),
        (["logbook", "--start", "recorder"], 1, "is not an empty folder"),
        (["parcel", "Wren", "x.zip"], 1, "no guitar in the logbook"),
        (["profile", "Old", "nowhere"], 2, "nowhere does not exist"),
        (["compare", "old.toml", "recorder"], 2, "the first place is for the folder of the build"),
    ],
)
def test_misuse_is_one_sentence(shop, capsys, words, code, sentence):
    write_profile(make_profile("old", [OLD]), shop / "old.toml")
    assert main(words) == code
    said = capsys.readouterr().err
    assert sentence in said and said.count("\n") == 1


def test_without_a_logbook_nearby(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    assert main(["logbook"]) == 1
    said = capsys.readouterr().err
    assert "there is no logbook in or around" in said and "luthkit logbook --start logbook" in said


@pytest.mark.usefixtures("blank_pictures")
def test_a_profile_is_made_and_a_build_held_against_it(shop, capsys, monkeypatch):
    sets = {"a": OLD, "b": OLDER, "recorder": OLD}
    monkeypatch.setattr(reading, "read_instrument", lambda folder, **_: sets[folder.name])
    monkeypatch.setattr("luthkit.shop.names.read_conditions", lambda paths: ())
    for name in ("a", "b"):
        shutil.copytree(shop / "recorder", shop / name)
    assert main(["profile", "Old ones", "a", "b"]) == 0
    table = capsys.readouterr().out
    assert "101.00 ± 0." in table and " Hz to 102.0" in table and "Old, Older" in table and "± is one standard" in table
    assert [guitar.name for guitar in read_profile(shop / "Old ones.toml").guitars] == ["Old", "Older"]
    assert main(["compare", "recorder", "Old ones.toml", "--json", "--report", "c.html"]) == 0
    said = json.loads(capsys.readouterr().out)
    assert [pair["reference"]["n_references"] for pair in said["pairs"]] == [2, 2, 2, 2]
    assert said["names"]["references"][1] == "Older"
