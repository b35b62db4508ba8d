"""A session: what is in the folder, and what the maker wrote beside it."""

import numpy as np
import pytest
import soundfile

from luthkit import LuthkitError
from luthkit.shop.session import FILE_NAME, KINDS, POSITIONS, read_session, session_text


@pytest.fixture
def folder(tmp_path):
    home = tmp_path / "Number 12"
    for name in ("1.wav", "2.wav", "strums/open E.flac", "wing/1.wav"):
        path = home / name
        path.parent.mkdir(parents=True, exist_ok=True)
        soundfile.write(path, np.zeros(4800), 48000)
    return home


def write(folder, text):
    (folder / FILE_NAME).write_text(text, encoding="utf-8")


FULL = """
guitar = 'Nylon "No. 12" <b>'
date = 2024-03-09
stage = "strung, day 30"
temperature_c = 20.5
relative_humidity_percent = 47
strings_age_h = 12
microphone = "omni, 40 cm"
notes = "rain"

[[recording]]
file = "1.wav"
position = "bridge centre"
placement = "1"

[[recording]]
file = "wing"
position = "bass wing"
placement = "2"

[[recording]]
file = "wing/1.wav"
position = "treble wing"
condition = "soundhole plugged"

[[recording]]
file = "strums"
kind = "strum"
"""


def test_a_folder_without_a_word(folder):
    session = read_session(folder)
    assert session.name == "Number 12"
    assert [r.name for r in session.recordings] == ["1.wav", "2.wav", "strums/open E.flac", "wing/1.wav"]
    assert {r.kind for r in session.recordings} == {"tap"}
    assert set(session.positions.values()) == {""}
    assert "No recording says where" in session.notes[0]
    assert "modes that cancel across the bridge may be missing" in session.notes[0]
    assert "one placement" in session.notes[1]


def test_what_is_written_is_taken(folder):
    write(folder, FULL)
    session = read_session(str(folder))
    assert session.name == 'Nylon "No. 12" <b>'
    assert session.conditions["temperature_c"] == 20.5
    assert str(session.conditions["date"]) == "2024-03-09"
    assert session.positions == {"1.wav": "bridge centre", "2.wav": "", "wing/1.wav": "treble wing"}
    assert session.placements["1.wav"] == "1"
    assert [r.name for r in session.of_kind("strum")] == ["strums/open E.flac"]
    assert [r.name for r in session.of_kind("tap", condition="soundhole plugged")] == ["wing/1.wav"]
    assert "1 of 3 tap recordings do not say" in session.notes[0] and "cancel" not in session.notes[0]
    with pytest.raises(TypeError):
        session.conditions["temperature_c"] = 30


def test_a_sub_folder_speaks_for_what_is_in_it(folder):
    write(folder, '[[recording]]\nfile = "wing"\nposition = "bass wing"\nplacement = "2"\n')
    (wing,) = [r for r in read_session(folder).recordings if r.name == "wing/1.wav"]
    assert (wing.position, wing.placement) == ("bass wing", "2")


def test_the_usual_kind(folder):
    write(folder, 'kind = "pluck"\n[[recording]]\nfile = "1.wav"\nkind = "tap"\n')
    session = read_session(folder)
    assert [r.name for r in session.of_kind("tap")] == ["1.wav"]
    assert len(session.of_kind("pluck")) == 3


def test_files_named_one_by_one(folder):
    session = read_session([folder / "1.wav", folder / "2.wav"])
    assert [r.name for r in session.recordings] == ["1.wav", "2.wav"]
    assert session.name == "Number 12"
    same = read_session([folder / "1.wav", folder / "wing" / "1.wav"])
    assert len({r.name for r in same.recordings}) == 2
    assert read_session(folder / "2.wav").name == "2"


def test_taps_of_one_condition_and_of_no_other_kind(folder):
    rate, t = 48000, np.arange(48000) / 48000
    tap = 0.3 * np.exp(-25 * t) * np.sin(2 * np.pi * 190 * t)
    samples = np.concatenate([np.zeros(4800), tap])
    samples += 1e-4 * np.random.default_rng(0).standard_normal(len(samples))
    for name in ("1.wav", "2.wav", "strums/open E.flac", "wing/1.wav"):
        soundfile.write(folder / name, samples, rate)
    write(folder, FULL)
    session = read_session(folder)
    usual = session.find_taps()
    assert [(tap.source, tap.position, tap.placement) for tap in usual.taps] == [
        ("1.wav", "bridge centre", "1"),
        ("2.wav", "", ""),
    ]
    plugged = session.find_taps(condition="soundhole plugged", length_s=0.5)
    assert [tap.position for tap in plugged.taps] == ["treble wing"]
    assert plugged.parameters["length_s"] == 0.5


def recording(**words):
    return "[[recording]]\n" + "\n".join(f"{key} = {value}" for key, value in words.items())


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("guitar = unquoted", "not valid TOML"),
        ('# "\nguitar = "Number 12\ndate = 2024-03-09', 'line 2: guitar = "Number 12; a quote is not closed'),
        ('room = "den"\nguitar = "Number 12', 'line 2: guitar = "Number 12; a quote is not closed'),
        ("guitar = 'Number 12\nroom = 'den'", "line 1: guitar = 'Number 12; a quote is not closed"),
        ('guitar = Number 12"  # the last', 'line 1: guitar = Number 12"; a quote is not closed'),
        ('guitra = "x"', "'guitra' is not known; allowed are guitar"),
        ("temperature_c = 20,5", "session.toml, line 1: temperature_c = 20,5; write a decimal point: 20.5."),
        (
            "mass_g = 1\n# 1,5\ntemperature_c = -2,50 # cold",
            "line 3: temperature_c = -2,50; write a decimal point: -2.50.",
        ),
        ("date = 12.03.2024", "line 1: date = 12.03.2024; write 2024-03-12."),
        ('date = "12.03.2024"', "date is '12.03.2024'; write 2024-03-12."),
        ("date = 2024-3-9", "write 2024-03-09."),
        ("date = 12/03/2024", "write year, month and day, such as"),
        ("date = 9.3.24", "write year, month and day, such as"),
        ("date = 31.02.2024", "write year, month and day, such as"),
        ('temperature_c = "warm"', "write a number from -30 to 60"),
        ("relative_humidity_percent = 130", "write a number from 0 to 100"),
        ("temperature_c = true", "write a number"),
        ("guitar = 12", "write text in double quotes"),
        ("date = 2024", "write a date such as 2024-03-09"),
        ('kind = "song"', f"allowed are {', '.join(KINDS)}"),
        ('[recording]\nfile = "1.wav"', "[[recording]], in double brackets"),
        (recording(position='"back"'), "names no file"),
        (recording(file='"gone.wav"'), "'gone.wav' is not in"),
        (recording(file='"../1.wav"'), "must lie in the folder"),
        (recording(file='"wing/../../1.wav"'), "must lie in the folder"),
        (recording(file='"/etc/hostname"'), "must lie in the folder"),
        (recording(file="'C:\\x.wav'"), "must lie in the folder"),
        (recording(file='"link"'), "leads out of the folder"),
        (recording(file='"1.wav"', position='"soundhole"'), f"allowed are {', '.join(POSITIONS)}"),
        (recording(file='"1.wav"', placement="1"), "write text in double quotes"),
        (recording(file='"1.wav"', place='"1"'), "'place' is not known"),
        (recording(file='"1.wav"') + "\n" + recording(file='"./1.wav"'), "listed twice"),
    ],
)
def test_what_is_wrong_in_the_text_is_said(folder, text, words):
    (folder / "link").symlink_to(folder.parent)
    write(folder, text)
    with pytest.raises(LuthkitError) as caught:
        read_session(folder)
    assert words in str(caught.value)
    assert FILE_NAME in str(caught.value)
    assert "\n" not in str(caught.value)


def test_text_that_is_not_utf8(folder):
    (folder / FILE_NAME).write_bytes(b'guitar = "\xe4\xff"')
    with pytest.raises(LuthkitError, match="not UTF-8"):
        read_session(folder)


def test_two_folders_are_two_sessions(folder):
    with pytest.raises(LuthkitError, match="2 folders were named"):
        read_session([folder, folder / "wing"])


def test_a_mass_at_the_bridge_and_a_knock_in_the_room(folder):
    write(
        folder,
        'body_kind = "classical"\n[[recording]]\nfile = "1.wav"\ncondition = "mass at bridge"\nadded_mass_g = 10\n'
        '[[recording]]\nfile = "2.wav"\nkind = "knock"\n',
    )
    session = read_session(folder)
    assert session.conditions["body_kind"] == "classical"
    (loaded,) = session.of_kind(condition="mass at bridge")
    assert (loaded.name, loaded.added_mass_g) == ("1.wav", 10.0)
    assert [r.name for r in session.of_kind("knock")] == ["2.wav"]
    assert session.find_taps(condition="mass at bridge", added_mass_g=5.0).sources == {}
    assert list(session.find_taps(condition="mass at bridge", added_mass_g=10.0).sources) == ["1.wav"]
    assert list(session.find_taps(kind="knock").sources) == ["2.wav"]


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ('condition = "mass at bridge"', "added_mass_g"),
        ("added_mass_g = 10", "added_mass_g"),
        ('condition = "mass at bridge"\nadded_mass_g = "10"', "added_mass_g"),
        ('condition = "mass at bridge"\nadded_mass_g = 1000', "0.1 to 100"),
        ('condition = "sound hole shut"', "soundhole plugged"),
    ],
)
def test_a_condition_that_makes_no_sense(folder, line, words):
    write(folder, f'[[recording]]\nfile = "1.wav"\n{line}\n')
    with pytest.raises(LuthkitError, match=words):
        read_session(folder)


def test_a_body_kind_nobody_knows(folder):
    write(folder, 'body_kind = "dreamy"')
    with pytest.raises(LuthkitError, match="small steel-string"):
        read_session(folder)


@pytest.mark.parametrize(
    ("text", "stage", "note"),
    [
        ("strung, day 30", "strung", "day 30"),
        ("old, strung", "strung", "old"),
        ("On the rims (mould off)", "on the rims", "mould off"),
        ("strung; new set: light", "strung", "new set, light"),
        ("not yet strung", "not yet strung", ""),
        ("braced, then strung, braced", "braced, then strung, braced", ""),
        ("bridge on", "bridge on", ""),
    ],
)
def test_the_stage_is_a_word_of_the_trade_with_a_note(folder, text, stage, note):
    write(folder, f'stage = "{text}"\nstage_note = "dry week"\n')
    said = read_session(folder).conditions
    assert said["stage"] == stage
    assert said["stage_note"] == (f"{note}, dry week" if note else "dry week")


def test_strings_on_and_the_distance_of_the_microphone(folder):
    write(folder, "strings_on = false\nmicrophone_distance_cm = 40\n")
    said = read_session(folder).conditions
    assert said["strings_on"] is False and said["microphone_distance_cm"] == 40
    for text, words in (('strings_on = "yes"', "true or false"), ("microphone_distance_cm = -1", "from 0 to 10000")):
        write(folder, text)
        with pytest.raises(LuthkitError, match=words):
            read_session(folder)


def test_the_copy_of_a_synchronising_program_is_left_out_and_told(folder):
    soundfile.write(folder / "1 (conflicted copy 2024-03-10).wav", np.zeros(4800), 48000)
    session = read_session(folder)
    assert len(session.recordings) == 4
    assert "1 (conflicted copy 2024-03-10).wav looks like a copy" in session.notes[0]


PLUCK = """
[[recording]]
file = "2.wav"
kind = "pluck"
string = "E2"
pluck_point = "a fifth of the scale"
"""


@pytest.mark.parametrize("said", [FULL, FULL + PLUCK])
def test_a_session_goes_into_text_and_comes_back(folder, said):
    write(folder, said)
    session = read_session(folder)
    write(folder, session_text(session))
    again = read_session(folder)
    assert again.recordings == session.recordings and again.notes == session.notes
    assert dict(again.conditions) == dict(session.conditions)
