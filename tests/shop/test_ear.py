"""The ear on the sample guitars: taps cut out of a stream are the taps found in the file."""

from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from luthkit.shop.ear import Ear, whole_steps
from luthkit.shop.live import Block, blocks_of
from luthkit.signal.recording import Recording, open_recording
from luthkit.signal.taps import find_taps

SAMPLES = Path(__file__).parents[2] / "sample_audio/build_seven/taps"


def takes_of(recording, *, lost=()):
    ear = Ear(recording.sample_rate_hz)
    blocks = list(blocks_of(recording))
    return [take for k, block in enumerate(blocks) for take in ear.hear(Block(block.samples, k in lost))]


def heard(takes):
    """(time, reason) of all that is in the takes, by the code that judges files."""
    sounds = {str(k): Recording.from_samples(t.samples, t.sample_rate_hz, name=str(k)) for k, t in enumerate(takes)}
    found = find_taps(list(sounds.values()))
    events = [(tap.source, tap.time_s, "") for tap in found.taps]
    events += [(r.source, r.time_s, r.reason.split(":")[0]) for r in found.rejected]
    return sorted((takes[int(source)].start_s + time, reason) for source, time, reason in events)


@pytest.mark.parametrize("name", ["bridge_centre_2", "treble_wing_2", "bass_wing_1"])
def test_the_ear_hears_what_is_found_in_the_file(name):
    recording = open_recording(SAMPLES / f"{name}.flac")
    whole = find_taps(recording)
    expected = [(tap.time_s, "") for tap in whole.taps]
    expected += [(r.time_s, r.reason.split(":")[0]) for r in whole.rejected]
    found = heard(takes_of(recording))
    assert len(found) == 7 and len(whole.rejected) == 1
    for (time, reason), (true_time, true_reason) in zip(found, sorted(expected), strict=True):
        assert time == pytest.approx(true_time, abs=2e-4) and reason == true_reason


def test_samples_of_24_bits_come_through_bit_for_bit():
    recording = open_recording(SAMPLES / "bridge_centre_1.flac")
    for take in takes_of(recording):
        start = round(take.start_s * take.sample_rate_hz)
        assert np.array_equal(take.samples, recording.read(start, start + len(take.samples)))
        assert not take.samples.flags.writeable


def test_a_lost_block_marks_the_take_it_falls_into_and_no_other():
    recording = open_recording(SAMPLES / "bridge_centre_1.flac")
    clean = takes_of(recording)
    block = round((clean[2].start_s + 0.7) / 0.05)
    assert [take.lost for take in takes_of(recording, lost={block})] == [False, False, True, False, False, False]


def test_silence_and_steady_noise_hold_no_take():
    rng = np.random.default_rng(5)
    noise = 0.01 * rng.standard_normal(48000 * 6)
    assert takes_of(Recording.from_samples(noise, 48000)) == []
    assert takes_of(Recording.from_samples(np.zeros(48000 * 2), 48000)) == []


def test_while_the_ear_pauses_nothing_is_taken():
    recording = open_recording(SAMPLES / "bridge_centre_1.flac")
    ear, takes = Ear(recording.sample_rate_hz), []
    for block in blocks_of(recording):
        for take in ear.hear(block):
            takes.append(take)
            ear.pause(1.0)
    every = [take.start_s for take in takes_of(recording)]
    assert 1 <= len(takes) < len(every)
    assert all(later.start_s - earlier.start_s > 2.0 for earlier, later in pairwise(takes))


def test_blows_close_together_stay_in_one_take_of_bounded_length():
    rng = np.random.default_rng(6)
    sound = 1e-4 * rng.standard_normal(48000 * 12)
    for k in range(10):
        start = 48000 + k * 36000
        sound[start : start + 9600] += 0.3 * np.exp(-np.arange(9600) / 1200) * np.sin(np.arange(9600) * 0.026)
    takes = takes_of(Recording.from_samples(sound, 48000))
    assert len(takes[0].samples) / 48000 == pytest.approx(6.5, abs=0.01)
    assert len(takes) >= 1 and takes[0].peak_db > -20


def test_whole_steps_keep_within_what_a_file_holds():
    values = whole_steps([-1.5, -1.0, 0.3, 1.0, 2.0])
    assert values[0] == values[1] == -1.0 and values[3] == values[4] == 1 - 2.0**-23
    assert np.array_equal(values * 2**23, np.round(values * 2**23))
