"""A sitting on disk: whole takes or none, whatever ends the program."""

import csv
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest

from luthkit.errors import LuthkitError
from luthkit.shop.checksums import SUMS, check_folder
from luthkit.shop.draft import TABLE, Draft, flac_bytes
from luthkit.shop.ear import Ear, Take, whole_steps
from luthkit.shop.live import blocks_of
from luthkit.shop.logbook import start_logbook
from luthkit.shop.session import POSITIONS, read_session
from luthkit.shop.sitting import LOST, Plan, Sitting
from luthkit.shop.spots import folder_spot
from luthkit.shop.tone_reading import read_tone
from luthkit.signal.recording import open_recording

SAMPLES = Path(__file__).parents[2] / "sample_audio/build_seven/taps"
WORDS = {"guitar": 'Number "12" \\ é', "temperature_c": 20.5, "stage": "strung", "notes": "line\none\x7f"}
PLAN = Plan(("bridge centre", "bass wing"), n_placements=1, n_taps=3)


@pytest.fixture(scope="module")
def takes():
    found = []
    for name in ("bridge_centre_2", "bass_wing_1"):
        recording = open_recording(SAMPLES / f"{name}.flac")
        ear = Ear(recording.sample_rate_hz)
        found.append([take for block in blocks_of(recording) for take in ear.hear(block)])
    return found


def sit(takes, draft, sitting):
    for take in takes:
        sitting = sitting.hear(take)
        draft.keep(sitting)
    return sitting


def test_what_is_kept_is_a_session_and_reads_as_it_was_judged(tmp_path, takes):
    draft = Draft(tmp_path / "day one", words=WORDS)
    sitting = sit(takes[0], draft, Sitting(Plan(("bridge centre",), n_placements=1, n_taps=6)))
    assert not (tmp_path / "day one").exists()
    folder = draft.finish()
    assert [path.name for path in tmp_path.iterdir()] == ["day one"]
    session = read_session(folder)
    assert session.name == WORDS["guitar"] and session.conditions["temperature_c"] == 20.5
    assert session.conditions["notes"] == WORDS["notes"]
    found = session.find_taps()
    kept = [one for one in sitting.judged if one.kept]
    assert [tap.source for tap in found.taps] == [one.name for one in kept] and len(kept) == 6
    assert {(tap.position, tap.placement) for tap in found.taps} == {("bridge centre", "1")}
    for one in kept:
        assert np.array_equal(open_recording(folder / one.name).read(), one.take.samples)
    with open(folder / TABLE, newline="") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == 7 and sum("clipped" in row["verdict"] for row in rows) == 1
    (spoilt,) = [one for one in sitting.judged if not one.kept]
    assert [row["file"] for row in rows if "clipped" in row["verdict"]] == [spoilt.left_out_name]
    assert np.array_equal(open_recording(folder / spoilt.left_out_name).read(), spoilt.take.samples)
    assert [r.name for r in session.of_kind("left out")] == [spoilt.left_out_name]
    assert check_folder(folder) == () and spoilt.left_out_name in (folder / SUMS).read_text()


def test_a_sitting_goes_into_the_logbook(tmp_path, takes):
    logbook = start_logbook(tmp_path / "book")
    draft = Draft(logbook.path / "Number 12", words={**WORDS, "guitar": "Number 12"})
    sit(takes[0][:3], draft, Sitting(PLAN))
    assert logbook.unfinished() == (draft.folder,) and logbook.sessions() == ()
    path = draft.finish(logbook=logbook)
    (kept,) = logbook.sessions("Number 12")
    assert kept.path == path and logbook.unfinished() == ()
    assert len(read_session(path).find_taps().taps) == 3
    assert (path / TABLE).is_file() and check_folder(path) == ()


def test_words_that_a_session_does_not_know_are_refused_before_the_first_tap(tmp_path):
    with pytest.raises(LuthkitError, match="humidity"):
        Draft(tmp_path / "day", words={"humidity": 50})
    assert list(tmp_path.iterdir()) == []


def test_a_sitting_goes_on_where_it_was_left(tmp_path, takes):
    first = Draft(tmp_path / "day")
    sit(takes[0][:2], first, Sitting(PLAN))
    again = Draft(tmp_path / "day")
    sitting = again.resume(PLAN)
    assert sitting.good(PLAN.spots[0]) == 2 and sitting.spot == PLAN.spots[0]
    sitting = sit(takes[0][2:4], again, sitting)
    assert sitting.spot == PLAN.spots[1]
    sitting = sit(takes[1], again, sitting)
    assert sitting.spot is None
    assert len(read_session(again.finish()).find_taps().taps) == 6


def test_a_take_taken_back_leaves_no_file(tmp_path, takes):
    draft = Draft(tmp_path / "day")
    sitting = sit(takes[0][:2], draft, Sitting(PLAN))
    draft.keep(sitting.without_last())
    assert len(list(draft.finish().glob("*/*.flac"))) == 1


def test_nothing_kept_leaves_nothing(tmp_path):
    draft = Draft(tmp_path / "day")
    draft.keep(Sitting(PLAN))
    with pytest.raises(LuthkitError, match="nothing good was kept"):
        draft.finish()
    assert list(tmp_path.iterdir()) == []


def test_sound_that_was_left_out_stays_left_out_and_is_never_lost(tmp_path, takes):
    """A take with lost sound seems good by its samples alone: the reason must outlive the program."""
    good, spoilt = takes[0][0], next(take for take in takes[0] if take.peak_db > -0.1)
    lost = Take(takes[0][1].samples, good.sample_rate_hz, 3.0, lost=True)
    draft = Draft(tmp_path / "day")
    sit([spoilt, lost], draft, Sitting(PLAN))
    with pytest.raises(LuthkitError, match="left_out"):
        draft.finish()
    again = Draft(tmp_path / "day")
    sitting = again.resume(PLAN)
    assert [one.reason.split(":")[0] for one in sitting.judged] == ["clipped", LOST] and sitting.good(
        PLAN.spots[0]
    ) == 0
    sitting = sit([good], again, sitting)
    assert sitting.judged[-1].name == "bridge_centre_1/tap_03.flac"
    logbook = start_logbook(tmp_path / "book")
    session = read_session(again.finish(logbook=logbook))
    assert [tap.source for tap in session.find_taps().taps] == ["bridge_centre_1/tap_03.flac"]
    for one, number in ((spoilt, 1), (lost, 2)):
        kept = open_recording(session.recordings[0].path.parents[1] / f"left_out/bridge_centre_1_tap_{number:02d}.flac")
        assert np.array_equal(kept.read(), one.samples)


def test_a_condition_strums_and_plucks_become_a_session_that_reads_so(tmp_path, takes):
    plan = Plan(n_placements=1, n_taps=2, condition="mass at bridge", added_mass_g=7.5, n_strums=1, n_plucks=1)
    draft, sitting = Draft(tmp_path / "day"), Sitting(plan)
    sitting = sit([take for take in takes[0] if take.peak_db < -0.1][:2], draft, sitting).ready()
    sitting = sit([take for take in takes[0] if take.peak_db < -0.1][2:4], draft, sitting).ready()
    home = SAMPLES.parent
    for name in ("strums/E_major", *(f"plucks/{string}" for string in plan.strings)):
        recording = open_recording(home / f"{name}.flac")
        sound = whole_steps(recording.read(0, round(5 * recording.sample_rate_hz)))
        sitting = sit([Take(sound, recording.sample_rate_hz, 0.0)], draft, sitting)
    assert sitting.spot is None and all(one.kept == 1 for one in sitting.judged)
    resumed = Draft(tmp_path / "day").resume(plan)
    assert resumed.spot is None and [one.name for one in resumed.judged] == [one.name for one in sitting.judged]
    session = read_session(draft.finish())
    assert [tap.source for tap in session.find_taps().taps] == [f"bridge_centre_1/tap_0{k}.flac" for k in (1, 2)]
    heavy = session.find_taps(condition="mass at bridge", added_mass_g=7.5)
    assert [tap.source.split("/")[0] for tap in heavy.taps] == ["bridge_centre_1_mass_at_bridge_7_5_g"] * 2
    tone = read_tone(tmp_path / "day")
    assert len(tone.strums) == 1 and sorted(pluck.string for pluck in tone.plucks) == sorted(plan.strings)


def test_what_is_there_is_never_touched(tmp_path, takes):
    draft = Draft(tmp_path / "day")
    sit(takes[0][:1], draft, Sitting(PLAN))
    (tmp_path / "day").mkdir()
    (tmp_path / "day" / "mine.txt").write_text("mine")
    with pytest.raises(LuthkitError, match="the taps are safe"):
        draft.finish()
    assert (tmp_path / "day" / "mine.txt").read_text() == "mine"
    assert len(list(draft.folder.glob("*/*.flac"))) == 1
    with pytest.raises(LuthkitError, match="is there already"):
        Draft(tmp_path / "day")


def test_a_full_disk_is_one_sentence_and_leaves_no_half_file(tmp_path, takes, monkeypatch):
    draft = Draft(tmp_path / "day")
    sitting = sit(takes[0][:1], draft, Sitting(PLAN))

    def full(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(LuthkitError, match="disk is full"):
        draft.keep(sitting.hear(takes[0][1]))
    monkeypatch.undo()
    assert [path.name for path in draft.folder.glob("*/*")] == ["tap_01.flac"]
    draft.keep(sitting.hear(takes[0][1]))  # room was made
    assert len(read_session(draft.finish()).find_taps().taps) == 2


KILLED = """
import sys, pathlib
from luthkit.shop.draft import Draft
from luthkit.shop.sitting import Plan, Sitting
from luthkit.shop.ear import Take, whole_steps
from luthkit.signal.recording import open_recording
sound = open_recording(sys.argv[2])
take = Take(whole_steps(sound.read(0, 80000)), sound.sample_rate_hz, 0.0)
draft, sitting = Draft(sys.argv[1]), Sitting(Plan(("bridge centre",), 1, 50))
while True:
    sitting = sitting.hear(take)
    draft.keep(sitting)
    print(sum(one.kept for one in sitting.judged), flush=True)
"""


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="no kill -9 on this system")
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_kill_9_leaves_the_takes_so_far(tmp_path, seed):
    command = [sys.executable, "-c", KILLED, tmp_path / "day", SAMPLES / "bridge_centre_1.flac"]
    job = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
    for _ in range(2):
        promised = int(job.stdout.readline())
    time.sleep(np.random.default_rng(seed).uniform(0, 0.15))
    job.send_signal(signal.SIGKILL)
    promised = max([promised, *map(int, job.stdout.read().split())])
    job.wait()
    job.stdout.close()
    draft = Draft(tmp_path / "day")
    sitting = draft.resume(Plan(("bridge centre",), 1, 50))
    assert sum(one.kept for one in sitting.judged) >= promised >= 2
    folder = draft.finish()
    assert len(read_session(folder).find_taps().taps) >= promised
    assert check_folder(folder) == () and list(folder.rglob(".coming*")) == []


def test_every_spot_is_known_by_its_folder():
    rest = {"n_bar_taps": 1, "n_knocks": 1, "n_strums": 1, "n_plucks": 1}
    for condition, mass in (("soundhole plugged", 0.0), ("back blocked", 0.0), ("mass at bridge", 12.25)):
        plan = Plan(POSITIONS, n_placements=20, condition=condition, added_mass_g=mass, **rest)
        assert [folder_spot(spot.folder) for spot in plan.spots] == list(plan.spots)
        assert len({spot.folder for spot in plan.spots}) == len(plan.spots) == 2 * 20 * len(POSITIONS) + 3 + 6
    for name in ("strums", "back", "neck_1", "back_0", "left_out", "back_1_plugged", "back_1_mass_at_bridge"):
        assert folder_spot(name) is None


def test_24_bits_are_written_bit_for_bit(tmp_path):
    values = whole_steps(np.array([-2.0, -1, -(2.0**-23), 0, 2.0**-23, 0.1, 1.0])[:, None])
    (tmp_path / "a.flac").write_bytes(flac_bytes(values, 48000))
    assert np.array_equal(open_recording(tmp_path / "a.flac").read(), values)
