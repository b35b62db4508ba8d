"""The desk: ear, sitting and draft together, and what is said and sounded."""

from pathlib import Path

import numpy as np
import pytest

from luthkit.shop.desk import NEWS, Desk, chime
from luthkit.shop.draft import Draft
from luthkit.shop.ear import Ear
from luthkit.shop.live import Block, blocks_of
from luthkit.shop.session import read_session
from luthkit.shop.sitting import Plan
from luthkit.signal.recording import Recording, open_recording

SAMPLES = Path(__file__).parents[2] / "sample_audio/build_seven/taps"


@pytest.fixture(scope="module")
def bridge():
    return open_recording(SAMPLES / "bridge_centre_2.flac")


def test_a_round_from_sound_to_session(tmp_path, bridge):
    plan = Plan(n_taps=4, n_placements=2)
    desk = Desk(plan, bridge.sample_rate_hz, draft=Draft(tmp_path / "day"), chimes=False)
    said = [(news.kind, news.reason.split(":")[0]) for block in blocks_of(bridge) for news in desk.hear(block)]
    assert said == [("kept", "")] * 3 + [("left out", "clipped"), ("kept", ""), ("place again", "")]
    assert [news.kind for news in desk.ready()] == ["ready"] and desk.ready() == []
    assert [news.kind for news in desk.skip()] == ["done"]
    assert len(read_session(desk.draft.finish()).find_taps().taps) == 4


def test_each_kept_take_is_on_disk_when_it_is_said(tmp_path, bridge):
    desk = Desk(Plan(n_taps=9), bridge.sample_rate_hz, draft=Draft(tmp_path / "day"), chimes=False)
    kept = 0
    for block in blocks_of(bridge):
        for news in desk.hear(block):
            kept += news.kind == "kept"
            assert len(list(desk.draft.folder.glob("bridge_centre_1/*.flac"))) == kept
    assert kept == 6


def test_lost_sound_is_told_at_once_and_set_apart(tmp_path, bridge):
    desk = Desk(Plan(), bridge.sample_rate_hz, draft=Draft(tmp_path / "day"), chimes=False)
    blocks = [Block(block.samples, k == 20) for k, block in enumerate(blocks_of(bridge))][:60]
    said = [news for block in blocks for news in desk.hear(block)]
    assert said[0].kind == "left out" and "sound was lost" in said[0].reason
    assert [path.parent.name for path in desk.draft.folder.glob("*/*.flac")] == ["left_out"]


def test_strums_are_heard_as_long_as_they_ring(tmp_path):
    """Three strokes, 4.5 s apart, through ear, desk and draft; the knocks for "ready" come before."""
    strums = open_recording(SAMPLES.parent / "strums/E_major.flac")
    desk = Desk(Plan(n_taps=0, n_strums=3), strums.sample_rate_hz, draft=Draft(tmp_path / "day"), chimes=False)
    said = [news for block in blocks_of(strums) for news in desk.hear(block)]
    assert [news.kind for news in said] == ["kept", "kept", "kept", "done"]
    lengths = [len(one.take.samples) / strums.sample_rate_hz for one in desk.sitting.judged]
    assert all(4.4 < length < 5.5 for length in lengths)
    assert len(read_session(desk.draft.finish()).of_kind("strum")) == 3


def test_taking_back_needs_something_to_take_back(bridge):
    desk = Desk(Plan(), bridge.sample_rate_hz)
    assert desk.take_back() == []


@pytest.mark.parametrize("kind", NEWS)
def test_a_chime_begins_and_ends_softly_and_is_over_before_the_next_tap_counts(kind):
    sound = chime(kind, sample_rate_hz=44100)
    assert abs(sound[0]) < 1e-12 and abs(sound[-1]) < 1e-6 and np.abs(sound).max() <= 0.25
    assert 0.1 < len(sound) / 44100 < 0.45


def test_a_chime_in_the_microphone_is_not_taken_for_a_tap(bridge):
    """The loudspeaker stands beside the microphone: each chime comes back 0.1 s later, as loud as a tap."""
    heard = bridge.read()[:, 0].copy()
    desk = Desk(Plan(n_taps=9), bridge.sample_rate_hz)
    size, news, start = round(0.05 * bridge.sample_rate_hz), [], 0
    while start < len(heard):
        found = desk.hear(Block(heard[start : start + size, None]))
        start += size
        for item in found:
            news.append(item)
            ring = chime(item.kind, sample_rate_hz=bridge.sample_rate_hz)
            at = start + round(0.1 * bridge.sample_rate_hz)
            heard[at : at + len(ring)] += ring[: max(0, len(heard) - at)]
    assert len(news) >= 3
    assert {item.reason.split(":")[0] for item in news} <= {"", "clipped"}
    deaf = Ear(bridge.sample_rate_hz)  # without the pause the chimes themselves would be takes
    takes = [take for block in blocks_of(Recording.from_samples(heard, 44100)) for take in deaf.hear(block)]
    assert len(takes) != len(news)
