"""`luthkit record`, through a real audio path where there is one, and what it says when there is none."""

import json
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from pathlib import Path
from subprocess import PIPE

import numpy as np
import pytest
import soundfile
from audio_path import RATE, audio_path, heard_at

from luthkit import cli, find_taps, read_modes
from luthkit.guitar.merging import merged
from luthkit.shop.reading import read_instrument
from luthkit.shop.session import read_session
from luthkit.shop.tone_reading import read_tone

SAMPLES = Path(__file__).parents[2] / "sample_audio/build_seven"
QUIET_S = 2.2  # after "ready" nothing is taken for two seconds


def quiet(sound, length_s):
    """The room before the first blow of a sample, over and over."""
    return np.resize(sound[: round(0.4 * RATE)], round(length_s * RATE))


def piece(name, from_s, to_s, *, lead_s=0.0, tail_s=0.4):
    sound, rate = soundfile.read(SAMPLES / f"{name}.flac")
    assert rate == RATE
    return np.concatenate(
        [quiet(sound, lead_s), sound[round(from_s * RATE) : round(to_s * RATE)], quiet(sound, tail_s)]
    )


def knock():
    rng = np.random.default_rng(3)
    sound = 1e-4 * rng.standard_normal(round(2.3 * RATE))
    sound[RATE // 2 : RATE] += 0.2 * rng.standard_normal(RATE // 2) * np.exp(-np.arange(RATE // 2) / 500)
    return sound


SITTINGS = {  # words of the command -> what is played, one after the other, whenever so many more are asked for
    "day": (
        "--taps 2 --stage strung --temperature 21",
        [piece("taps/bridge_centre_2", 3.9, 9.4)],
    ),  # the 2nd is clipped
    "plug": (
        "--taps 1 --condition soundhole_plugged",
        [piece("taps/bridge_centre_2", 0, 2.3), piece("plugged/bridge_centre_1", 0, 2.3, lead_s=QUIET_S)],
    ),
    "strum": ("--taps 0 --strums 1", [piece("strums/E_major", 0, 4.1, tail_s=0.8)]),
    "pluck": (
        "--taps 0 --knocks 1 --plucks 1 --strings E2",
        [knock(), piece("plucks/E2", 0, 4.1, lead_s=QUIET_S, tail_s=0.8)],
    ),
}


def sit(folder, name, environment, play):
    """One sitting as a maker has it: what is asked for is played, Enter is pressed when all is set up."""
    words, pieces = SITTINGS[name]
    files = []
    for number, sound in enumerate(pieces):
        files.append(folder / f"{name}_{number}.wav")
        soundfile.write(files[-1], sound, RATE, subtype="PCM_24")
    command = [sys.executable, "-m", "luthkit", "record", folder / name, "--placements", "1", "--input", "pulse"]
    command += ["--silent", "--report", folder / f"{name}.html", *(word.replace("_", " ") for word in words.split())]
    printed, players = "", []
    with subprocess.Popen(command, env=environment, stdout=PIPE, stdin=PIPE, text=True) as job:
        for line in job.stdout:
            printed += line
            if "or press Ready" in line:
                print(file=job.stdin, flush=True)
            elif " more." in line and len(players) < len(files):
                players.append(play(files[len(players)]))
    assert job.returncode == 0, printed
    for player in players:
        player.wait()
    return printed


@pytest.fixture(scope="module")
def recorded(tmp_path_factory):
    """(folder of all that was played and recorded, what each command printed); all sit at once, each in its room."""
    folder = tmp_path_factory.mktemp("record")
    with audio_path(folder / "sound", n_sinks=len(SITTINGS)) as (environment, play), ThreadPoolExecutor() as pool:
        jobs = {
            name: pool.submit(sit, folder, name, heard_at(environment, k), partial(play, k=k))
            for k, name in enumerate(SITTINGS)
        }
        return folder, {name: job.result() for name, job in jobs.items()}


def test_every_take_is_sample_for_sample_what_was_played(recorded):
    folder, _ = recorded
    seen = set()
    for name in SITTINGS:
        played = np.concatenate([soundfile.read(path)[0] for path in sorted(folder.glob(f"{name}_*.wav"))])
        for path in sorted((folder / name).glob("*/*.flac")):
            take = soundfile.read(path)[0]
            part = take[len(take) // 4 : len(take) // 2]
            assert part.tobytes() in played.tobytes(), path
            seen.add(path.parent.name)
    assert {"bridge_centre_1", "bridge_centre_1_soundhole_plugged", "strum", "knock", "pluck_E2", "left_out"} <= seen


def test_strums_plucks_and_a_plugged_box_read_as_from_the_file_itself(recorded):
    folder, _ = recorded
    (truth,), (heard,) = (read_tone(folder / path).strums for path in ("strum_0.wav", "strum"))
    assert heard.bands.a_weighted_db == pytest.approx(truth.bands.a_weighted_db, abs=0.01)
    assert heard.decay_late.decay_time_s == pytest.approx(truth.decay_late.decay_time_s, rel=0.01)
    (truth,), (heard,) = (read_tone(folder / path).plucks for path in ("pluck_1.wav", "pluck"))
    assert heard.string == "E2" and heard.note.frequency_hz == pytest.approx(truth.note.frequency_hz, rel=1e-6)
    assert heard.note.inharmonicity == pytest.approx(truth.note.inharmonicity, abs=truth.note.inharmonicity_u)
    session = read_session(folder / "plug")
    for condition, file in (("", "plug_0.wav"), ("soundhole plugged", "plug_1.wav")):
        (truth,), (heard,) = find_taps(folder / file).taps, session.find_taps(condition=condition).taps
        assert heard.snr_db == pytest.approx(truth.snr_db, abs=0.5)
        assert np.array_equal(heard.samples[-20000:-2000], truth.samples[-20000:-2000])
    (knock,) = read_session(folder / "pluck").find_taps(kind="knock").taps
    assert knock.snr_db == pytest.approx(find_taps(folder / "pluck_0.wav").taps[0].snr_db, abs=0.5)


def test_the_modes_come_out_as_from_the_file_itself(recorded):
    folder, _ = recorded
    taps = find_taps(folder / "day_0.wav")
    assert len(taps.taps) == 2 and len(taps.rejected) == 1
    band_hz = (60.0, 400.0)
    truth, live = merged(read_modes(taps, band_hz=band_hz)), read_instrument(folder / "day", band_hz=band_hz)
    assert live.taps_accepted == 2 and len(live.modes) == len(truth.modes) >= 4
    for ours, theirs in zip(live.modes, truth.modes, strict=True):
        assert abs(ours.frequency_hz - theirs.frequency_hz) < 0.05 * theirs.frequency_u_hz
        assert abs(ours.damping_ratio - theirs.damping_ratio) < 0.05 * theirs.damping_ratio_u


def test_each_tap_was_judged_aloud(recorded):
    folder, printed = recorded[0], recorded[1]["day"]
    assert printed.count("Kept") == 2 and "Left out  (clipped" in printed
    assert "2 good taps are kept" in printed and "Done" in printed and "What next: luthkit modes" in printed
    session = read_session(folder / "day")
    assert session.conditions["stage"] == "strung" and session.conditions["temperature_c"] == 21
    assert {recording.position for recording in session.of_kind()} == {"bridge centre"}
    assert [recording.name for recording in session.of_kind("left out")] == ["left_out/bridge_centre_1_tap_02.flac"]
    page = (folder / "day.html").read_text(encoding="utf-8")
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
