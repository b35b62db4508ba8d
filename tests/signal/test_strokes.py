"""Strokes: made strums with known times, real ones with known counts, and sounds that are none."""

import json
from pathlib import Path

import numpy as np
import pytest
from fixtures import real_sounds

from luthkit.errors import LuthkitError
from luthkit.signal.recording import Recording
from luthkit.signal.strokes import find_strokes

SAMPLE = Path(__file__).resolve().parents[2] / "sample_audio"
TRUTH = json.loads((SAMPLE / "truth.json").read_text())["sounds"]
RATE = 44_100


def ringing(times, *, length_s=8.0, decay_per_s=1.5, noise=1e-4, seed=0, stop_s=None):
    """Several strings of a chord let go at each time, over each other; `stop_s`: a hand falls on them."""
    rng = np.random.default_rng(seed)
    t = np.arange(round(length_s * RATE)) / RATE
    x = np.zeros(t.size)
    for time in times:
        late = np.maximum(t - time, 0)
        for f0 in (110.0, 164.8, 220.0):
            for n in range(1, 25):
                wave = np.sin(2 * np.pi * n * f0 * late + rng.uniform(0, 6)) / n
                x += 0.03 * wave * np.exp(-decay_per_s * (1 + 0.15 * n) * late) * (t >= time)
    if stop_s is not None:
        x *= np.where(t < stop_s, 1.0, np.exp(-40 * (t - stop_s)))
    return Recording.from_samples(x + noise * rng.standard_normal(t.size), RATE, name="made")


@pytest.mark.parametrize("name", [n for n in TRUTH if "strums" in n or n.endswith(("E2.flac", "G3.flac"))])
def test_sample_strokes_are_found_where_they_are(name):
    kind = "strum" if "strums" in name else "pluck"
    found = find_strokes({name: SAMPLE / name}, kind=kind)
    assert [s.time_s for s in found.strokes] == pytest.approx(TRUTH[name]["onsets_s"], abs=0.003)
    assert found.rejected == () and {s.kind for s in found.strokes} == {kind}
    assert all(4.0 < s.length_s <= 5.0 for s in found.strokes)


@pytest.mark.registry
def test_a_strummed_song_of_19_strokes():
    """guitar_chord2 of PyPI audioflux 0.1.9: 17 full strokes and at least 2 grace notes by a careful count; each
    is either kept or left out with its reason, none goes unseen."""
    found = find_strokes(real_sounds("strums") / "guitar_chord2.wav")
    assert len(found.strokes) == 17
    assert len(found.strokes) + sum(r.time_s is not None for r in found.rejected) >= 19
    gaps = np.diff([s.time_s for s in found.strokes])
    assert np.all((gaps > 0.75) & (gaps < 1.0)), gaps
    assert all("over what still rang" in r.reason for r in found.rejected)


@pytest.mark.registry
def test_a_picked_chord_in_eighth_notes():
    """guit_em9 of Debian's sonic-pi-samples: eight notes a quarter of a second apart (120 to the minute)."""
    found = find_strokes(real_sounds("percussion") / "guit_em9.flac", min_length_s=0.2, min_apart_s=0.2)
    times = sorted([s.time_s for s in found.strokes] + [r.time_s for r in found.rejected])
    for k in (0, 1, 2, 4, 5, 6, 8):  # at 3 and 7 a note is held
        assert np.min(np.abs(np.subtract(times, 0.235 + 0.25 * k))) < 0.04, k


@pytest.mark.registry
def test_steady_sound_and_clicks_are_no_strokes():
    """A drone has none. Of the some 40 clicks on a worn record at most one may pass for a string let go."""
    folder = real_sounds("percussion")
    drone = find_strokes(folder / "loop_drone_g_97.flac")
    assert drone.strokes == () and "no stroke found" in drone.rejected[0].reason
    assert len(find_strokes(folder / "vinyl_hiss.flac").strokes) <= 1


def test_a_stroke_over_a_chord_that_rings_is_found_and_said_to_be_so():
    found = find_strokes(ringing([1.0, 2.0, 3.0], decay_per_s=0.5))
    assert [s.time_s for s in found.strokes] == pytest.approx([1.0, 2.0, 3.0], abs=0.02)
    assert found.strokes[0].over_before_db > 30
    assert found.strokes[1].over_before_db < 15
    assert [s.stopped for s in found.strokes] == ["next stroke", "next stroke", "end of the recording"]


def test_a_hand_ends_a_stroke():
    (stroke,) = find_strokes(ringing([1.0], stop_s=4.0, decay_per_s=0.5)).strokes
    assert stroke.stopped == "hand" and stroke.length_s == pytest.approx(2.95, abs=0.06)
    (left_alone,) = find_strokes(ringing([1.0], decay_per_s=0.5)).strokes
    assert left_alone.stopped == "end of the recording" and left_alone.length_s == pytest.approx(7.0, abs=0.01)


def test_each_reject_says_why():
    found = find_strokes(ringing([1.0, 1.3, 3.0]))
    assert [s.time_s for s in found.strokes] == pytest.approx([1.3, 3.0], abs=0.02)
    assert "too short: the next one comes after 0.29 s" in found.rejected[0].reason
    loud = ringing([1.0])
    clipped = Recording.from_samples(np.clip(30 * loud.read(), -1, 1), RATE, name="loud")
    assert "clipped" in find_strokes(clipped).rejected[0].reason
    silent = find_strokes(Recording.from_samples(np.zeros(RATE), RATE, name="still"))
    assert "silence" in silent.rejected[0].reason
    noise = np.random.default_rng(0).standard_normal(4 * RATE) * 0.01
    assert "no stroke found" in find_strokes(Recording.from_samples(noise, RATE)).rejected[0].reason


def test_a_bad_file_among_good_ones_is_left_out(tmp_path):
    bad = tmp_path / "broken.wav"
    bad.write_bytes(b"no sound")
    found = find_strokes({"broken": bad, "good": SAMPLE / "build_seven/strums/E_major.flac"})
    assert len(found.strokes) == 8 and found.rejected[0].source == "broken" and found.rejected[0].time_s is None
    assert set(found.sources) == {"good"}


def test_two_channels_are_one_stroke():
    one = ringing([1.0]).read()
    both = Recording.from_samples(np.concatenate([one, 0.5 * one], axis=1), RATE)
    (stroke,) = find_strokes(both).strokes
    assert stroke.samples.shape[1] == 2 and stroke.after_onset(length_s=1.0).shape == (RATE,)
    assert not stroke.samples.flags.writeable


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"kind": "tap"}, "strum"),
        ({"min_leap_db": 30.0}, "min_leap_db"),
        ({"min_length_s": 20.0}, "min_length_s"),
        ({"pre_s": -1.0}, "pre_s"),
    ],
)
def test_limits_out_of_range_are_refused(options, words):
    with pytest.raises(LuthkitError, match=words):
        find_strokes(ringing([1.0], length_s=2.0), **options)
    with pytest.raises(LuthkitError, match="two recordings"):
        find_strokes([ringing([1.0], length_s=2.0)] * 2)
