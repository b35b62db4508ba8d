"""From a folder with its conditions to names, and the maker's word in names.toml."""

import pytest
from made_session import write_session

from luthkit import LuthkitError
from luthkit.shop.names import LOG, add_overrule, name_instrument, read_overrules, standing, take_back
from luthkit.shop.reading import read_conditions, read_instrument


@pytest.fixture(scope="module")
def wren(tmp_path_factory):
    folder = tmp_path_factory.mktemp("shop") / "wren"
    guitar = write_session(folder)
    return folder, guitar, read_instrument(folder)


@pytest.fixture
def log(tmp_path):
    return tmp_path


def test_every_condition_of_the_session_is_read_apart(wren):
    folder, guitar, usual = wren
    plugged, knock = read_conditions(folder)
    assert (plugged.condition, knock.condition) == ("soundhole plugged", "room knock")
    air = guitar.body().frequency_hz[guitar.body().labels.index("air")]
    assert min(abs(mode.frequency_hz / air - 1) for mode in usual.modes) < 0.01
    assert min(abs(mode.frequency_hz / air - 1) for mode in plugged.modeset.modes) > 0.05
    assert {round(mode.frequency_hz) for mode in knock.modeset.modes} == {131, 263}
    assert not set(plugged.modeset.sources) & set(usual.sources)


def test_names_from_a_folder_are_those_of_the_guitar(wren):
    folder, guitar, usual = wren
    naming = name_instrument(folder, modeset=usual)
    truth = dict(zip(guitar.body().labels, guitar.body().frequency_hz, strict=True))
    for name in ("air", "main top", "cross dipole"):
        assert naming.mode_named(name).mode.frequency_hz == pytest.approx(truth[name], rel=0.01)
    assert dict(naming.body_kinds) == {"classical": 1.0}
    assert {"soundhole plugged", "room knock"} <= set(naming.evidence)
    assert any("vanishes" in reason for reason in naming.mode_named("air").reasons)


def test_an_older_log_says_unnamed(log):
    entry = '[[mode]]\nfrequency_hz = 131.0\nname = "unnamed"\nreason = "a lamp"\ndate = 2024-03-09\n'
    (log / LOG).write_text(entry, encoding="utf-8")
    assert [one.name for one in read_overrules(log)] == ["no name"]


def test_the_log_only_grows_and_the_last_word_counts(wren, log):
    first = add_overrule(log, 196.04, "main top", "I pressed the back")
    add_overrule(log, 220, "main back", 'tapped "behind"')
    text = (log / LOG).read_text(encoding="utf-8")
    add_overrule(log, 196.5, "cannot tell", "not so sure any more")
    assert (log / LOG).read_text(encoding="utf-8").startswith(text.rstrip())
    entries = read_overrules(log)
    assert [entry.name for entry in entries] == ["main top", "main back", "cannot tell"]
    assert entries[0] == first and entries[1].reason == 'tapped "behind"'
    assert [entry.name for entry in standing(entries)] == ["main back", "cannot tell"]


def test_a_name_can_be_taken_back(log):
    add_overrule(log, 196, "main top", "a slip")
    add_overrule(log, 220, "main back", "sure")
    take_back(log, 196.3)
    assert [entry.name for entry in standing(read_overrules(log))] == ["main back"]
    assert "a slip" in (log / LOG).read_text(encoding="utf-8")  # what was said stays readable
    with pytest.raises(LuthkitError, match="names of your own stand at 220 Hz"):
        take_back(log, 196)
    add_overrule(log, 196, "cannot tell", "second thoughts")
    assert [entry.name for entry in standing(read_overrules(log))] == ["main back", "cannot tell"]


def test_the_makers_word_stands_when_the_guitar_is_named_again(wren):
    folder, _, usual = wren
    before = {path.name: path.stat().st_mtime_ns for path in folder.glob("*.wav")}
    frequency_hz = usual.modes[-1].frequency_hz
    add_overrule(folder, frequency_hz, "long dipole", "seen with powder on the top")
    naming = name_instrument(folder, modeset=usual)
    assert naming.modes[-1].name == "long dipole" and "powder" in naming.modes[-1].overruled
    assert {path.name: path.stat().st_mtime_ns for path in folder.glob("*.wav")} == before
    (folder / LOG).unlink()


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("mode = 3", r"\[\[mode\]\]"),
        ("[[mode]]\nname = 'air'", "must say"),
        ("[[mode]]\nname = 'wolf'\nfrequency_hz = 99\nreason = 'x'\ndate = 2024-03-09", "wolf"),
        ("[[mode]]\nname = 'air'\nfrequency_hz = 99\nreason = ' '\ndate = 2024-03-09", "no reason"),
        ("[[mode]]\nname = 'air'\nfrequency_hz = '99'\nreason = 'x'\ndate = 2024-03-09", "20 to 4000"),
        ("[[mode]]\nname = 'air'\nfrequency_hz = 99\nreason = 'x'\ndate = 'today'", "2024-03-09"),
        ("[[mode", "mend"),
    ],
)
def test_a_log_that_makes_no_sense_is_told_and_not_written_over(log, text, words):
    (log / LOG).write_text(text, encoding="utf-8")
    with pytest.raises(LuthkitError, match=words):
        read_overrules(log)
    with pytest.raises(LuthkitError):
        add_overrule(log, 100, "air", "x")
    assert (log / LOG).read_text(encoding="utf-8") == text


def test_a_word_without_reason_or_place_is_refused(log):
    for bad in (
        (log, 100, "wolf", "x"),
        (log, 100, "air", " "),
        (log, -1, "air", "x"),
        (log / "a.wav", 100, "air", "x"),
    ):
        with pytest.raises(LuthkitError):
            add_overrule(*bad)
    assert read_overrules(log) == () and not (log / LOG).exists()
