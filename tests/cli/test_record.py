"""`luthkit record`, through a real audio path where there is one, and what it says when there is none."""

import json
import subprocess
import sys
from pathlib import Path

import pytest
import soundfile
from audio_path import RATE, audio_path

from luthkit import cli, find_taps, read_modes
from luthkit.shop.reading import read_instrument
from luthkit.shop.session import read_session

SAMPLE = Path(__file__).parents[2] / "sample_audio/build_seven/taps/bridge_centre_2.flac"
PLAYED_S = (3.9, 9.4)  # three taps, the second clipped


@pytest.fixture(scope="module")
def recorded(tmp_path_factory):
    """(the file that was played, the session that was recorded from it, what the command printed)."""
    folder = tmp_path_factory.mktemp("record")
    sound, rate = soundfile.read(SAMPLE)
    assert rate == RATE
    soundfile.write(
        folder / "played.wav", sound[slice(*(round(end * RATE) for end in PLAYED_S))], RATE, subtype="PCM_24"
    )
    words = ["record", folder / "day", "--taps", "2", "--placements", "1", "--input", "pulse", "--silent"]
    words += ["--stage", "strung", "--temperature", "21", "--report", folder / "report.html"]
    with audio_path(folder / "sound") as (environment, play):
        command = [sys.executable, "-m", "luthkit", *words]
        job = subprocess.Popen(command, env=environment, stdout=subprocess.PIPE, stdin=subprocess.PIPE, text=True)
        printed = job.stdout.readline()
        player = play(folder / "played.wav")
        printed += job.communicate(timeout=60)[0]
        player.wait()
    assert job.returncode == 0, printed
    return folder, printed


def test_the_modes_come_out_as_from_the_file_itself(recorded):
    folder, _ = recorded
    taps = find_taps(folder / "played.wav")
    assert len(taps.taps) == 2 and len(taps.rejected) == 1
    band_hz = (60.0, 400.0)
    truth, live = read_modes(taps, band_hz=band_hz), read_instrument(folder / "day", band_hz=band_hz)
    assert live.taps_accepted == 2 and len(live.modes) == len(truth.modes) >= 4
    for ours, theirs in zip(live.modes, truth.modes, strict=True):
        assert abs(ours.frequency_hz - theirs.frequency_hz) < 0.05 * theirs.frequency_u_hz
        assert abs(ours.damping_ratio - theirs.damping_ratio) < 0.05 * theirs.damping_ratio_u


def test_each_tap_was_judged_aloud(recorded):
    folder, printed = recorded
    assert printed.count("Kept") == 2 and "Left out  (clipped" in printed
    assert "2 good taps are kept" in printed and "Done" in printed
    session = read_session(folder / "day")
    assert session.conditions["stage"] == "strung" and session.conditions["temperature_c"] == 21
    assert {recording.position for recording in session.of_kind()} == {"bridge centre"}
    assert [recording.name for recording in session.of_kind("left out")] == ["left_out/bridge_centre_1_tap_02.flac"]
    page = (folder / "report.html").read_text(encoding="utf-8")
    assert "clipped" in page and "data:image/png" in page


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["record"], "name a new FOLDER"),
        (["record", "x", "--logbook", "y"], "name either a new FOLDER"),
        (["record", "--guitar", "Twelve"], "there is no logbook"),
        (["record", "x", "--position", "soundboard"], "'soundboard' is not known"),
        (["record", "x", "--taps", "0"], "n_taps is 0"),
        (["record", "x", "--condition", "mass at bridge"], "added_mass_g is 0"),
        (["record", "x", "--plucks", "3", "--strings", "E2 Q"], "'Q' is not the name of a note"),
        (["record", "--guitar", "Twelve", "--logbook", "/nowhere/at/all"], "is no logbook"),
    ],
)
def test_slips_of_the_hand_are_one_sentence(words, said, capsys, monkeypatch, tmp_path):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr("luthkit.shop.live.Microphone.__enter__", lambda self: self)
    assert cli.main(words) in (1, 2)
    shown = capsys.readouterr()
    assert said in shown.err and len(shown.err.splitlines()) == 1
    assert list(tmp_path.iterdir()) == []


def test_without_a_microphone_it_says_so(capsys, monkeypatch, tmp_path):
    monkeypatch.setattr("luthkit.shop.live.list_inputs", lambda: ())
    assert cli.main(["record", "--inputs", "--json"]) == 1
    shown = capsys.readouterr()
    assert json.loads(shown.out) == {"inputs": []} and "no microphone was found" in shown.err
    assert cli.main(["record", str(tmp_path / "day")]) == 1
    assert "no microphone was found" in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []
