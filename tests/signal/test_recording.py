"""Recordings are read bit for bit, and what cannot be used says so in one sentence."""

import builtins
import hashlib
import re

import numpy as np
import pytest
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st

from luthkit import LuthkitError, RecordingError
from luthkit.signal.recording import Recording, find_recordings, open_recording

INTEGER = [("WAV", 16), ("WAV", 24), ("WAV", 32), ("WAVEX", 24), ("RF64", 24), ("AIFF", 16), ("AIFF", 24)]
INTEGER += [("FLAC", 16), ("FLAC", 24)]
RATES = [16000, 22050, 44100, 48000, 96000, 192000]


def one_sentence(error) -> bool:
    text = str(error)
    return "\n" not in text and text.endswith(".") and ". " not in text


def write(path, samples, rate=48000, **options):
    soundfile.write(path, samples, rate, **options)
    return path


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("recordings")


@settings(deadline=None, max_examples=40)
@given(
    kind=st.sampled_from(INTEGER),
    rate=st.sampled_from(RATES),
    shape=st.tuples(st.integers(1, 300), st.integers(1, 2)),
    seed=st.integers(0, 2**32 - 1),
)
def test_integers_are_read_bit_for_bit(folder, kind, rate, shape, seed):
    container, bits = kind
    full = 2 ** (bits - 1)
    wanted = np.random.default_rng(seed).integers(-full, full, shape)
    wanted[0] = -full  # the one value that has no positive counterpart
    path = folder / "exact.dat"
    write(path, (wanted << (32 - bits)).astype(np.int32), rate, format=container, subtype=f"PCM_{bits}")
    recording = open_recording(path)
    assert (recording.sample_rate_hz, recording.n_samples, recording.n_channels) == (rate, *shape)
    got = recording.read()
    assert got.dtype == np.float64
    assert np.array_equal(got * full, wanted)


@settings(deadline=None, max_examples=30)
@given(
    container=st.sampled_from(["WAV", "AIFF", "RF64"]),
    double=st.booleans(),
    shape=st.tuples(st.integers(1, 300), st.integers(1, 2)),
    seed=st.integers(0, 2**32 - 1),
)
def test_floats_are_read_bit_for_bit_even_above_full_scale(folder, container, double, shape, seed):
    wanted = 3 * np.random.default_rng(seed).standard_normal(shape)
    wanted = wanted if double else wanted.astype(np.float32)
    path = write(folder / "float.dat", wanted, format=container, subtype="DOUBLE" if double else "FLOAT")
    assert np.array_equal(open_recording(path).read(), wanted.astype(np.float64))


@settings(deadline=None, max_examples=40)
@given(n=st.integers(1, 5000), block=st.integers(1, 900), share=st.floats(0, 0.9), in_memory=st.booleans())
def test_blocks_cover_the_recording_once(folder, n, block, share, in_memory):
    samples = np.arange(n * 2, dtype=float).reshape(n, 2) / (2 * n)
    recording = Recording.from_samples(samples, 16000)
    if not in_memory:
        recording = open_recording(write(folder / "blocks.wav", samples, 16000, subtype="DOUBLE"))
    overlap = int(share * block)
    end = 0
    for start, part in recording.blocks(block_s=block / 16000, overlap_s=overlap / 16000):
        assert start == max(0, end - overlap)
        assert np.array_equal(part, samples[start : start + len(part)])
        assert len(part) == block or start + len(part) == n
        end = start + len(part)
    assert end == n


def test_a_part_is_the_same_as_the_whole_cut(folder):
    samples = np.random.default_rng(3).uniform(-1, 1, (4000, 1))
    recording = open_recording(write(folder / "part.flac", samples, subtype="PCM_24"))
    whole = recording.read()
    assert np.array_equal(recording.read(1234, 2345), whole[1234:2345])
    assert recording.read(4000).shape == (0, 1)
    for start, stop in [(-1, 5), (5, 4), (0, 4001)]:
        with pytest.raises(LuthkitError, match="holds 0 to 4000"):
            recording.read(start, stop)


def test_the_file_is_named_hashed_and_left_alone(folder):
    path = write(folder / "kept.wav", np.zeros(480), subtype="PCM_16")
    before = path.read_bytes()
    recording = open_recording(path)
    recording.read()
    assert recording.name == path.as_posix()
    assert open_recording(path, name="wings/3").name == "wings/3"
    assert recording.sha256 == hashlib.sha256(before).hexdigest()
    assert path.read_bytes() == before
    assert recording.duration_s == 0.01
    assert recording.encoding == "PCM_16"


def test_samples_in_memory_are_copied():
    samples = np.ones(100)
    recording = Recording.from_samples(samples, 44100, name="bench")
    samples[:] = 7
    recording.read()[:] = 8
    assert recording.read().max() == 1
    assert recording.sha256 == hashlib.sha256(np.ones(100).tobytes()).hexdigest()
    with pytest.raises(RecordingError, match="3 dimensions"):
        Recording.from_samples(np.zeros((2, 2, 2)), 44100)


def test_other_chunks_before_the_sound_do_no_harm(folder):
    path = folder / "titled.wav"
    with soundfile.SoundFile(path, "w", 48000, 1, "PCM_16") as file:
        file.title = "odd length"
        file.comment = "x" * 77
        file.write(np.full(500, 0.25))
    assert np.array_equal(open_recording(path).read(), np.full((500, 1), 0.25))


@settings(deadline=None, max_examples=30)
@given(kind=st.sampled_from([k for k in INTEGER if k[0] != "FLAC"]), keep=st.floats(0.1, 0.99))
def test_a_file_cut_short_is_refused(folder, kind, keep):
    container, bits = kind
    path = write(folder / "short.dat", np.zeros((2000, 2)), format=container, subtype=f"PCM_{bits}")
    whole = path.read_bytes()
    path.write_bytes(whole[: int(keep * len(whole))])
    with pytest.raises(RecordingError, match=r"short\.dat") as caught:
        open_recording(path).read()
    assert one_sentence(caught.value)


def test_a_flac_file_cut_short_is_refused_when_read(folder):
    noise = np.random.default_rng(0).uniform(-0.5, 0.5, 50_000)
    path = write(folder / "short.flac", noise, subtype="PCM_16")
    path_size = path.stat().st_size
    path.write_bytes(path.read_bytes()[:40_000])
    recording = open_recording(path)
    with pytest.raises(RecordingError, match=r"damaged or cut short|is cut short") as caught:
        list(recording.blocks(block_s=0.1))
    assert one_sentence(caught.value)
    kept = 40_000 / path_size * recording.duration_s  # noise: as many bytes in each second
    for block_s in (0.1, 10.0):
        with pytest.raises(RecordingError, match="bring it back from a copy") as caught:
            list(recording.blocks(block_s=block_s))
        place = re.search(r"at about ([0-9.]+) s", str(caught.value))
        assert float(place[1]) == pytest.approx(kept, abs=0.15)


def text_file(path):
    path.write_text("tap 1, bridge centre\n" * 50)


def empty_file(path):
    path.write_bytes(b"")


def no_samples(path):
    write(path, np.zeros((0, 1)), format="WAV")


def telephone(path):
    write(path, np.zeros(800), 8000, format="WAV")


def too_fast(path):
    write(path, np.zeros(800), 384000, format="WAV")


def many_channels(path):
    write(path, np.zeros((800, 32)), format="WAV")


def companded(path):
    write(path, np.zeros(800), format="WAV", subtype="ULAW")


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (text_file, "not a sound file"),
        (empty_file, "empty"),
        (no_samples, "0 samples"),
        (telephone, "8 kHz; allowed are 16 to 192 kHz: record at 44.1 or 48 kHz"),
        (too_fast, "384 kHz"),
        (many_channels, "32 channels"),
        (companded, "ULAW"),
    ],
)
def test_files_that_cannot_be_used(tmp_path, make, words):
    path = tmp_path / "tap.wav"
    make(path)
    with pytest.raises(RecordingError) as caught:
        open_recording(path)
    assert words in str(caught.value)
    assert str(path) in str(caught.value)
    assert one_sentence(caught.value)


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf])
def test_samples_that_are_not_numbers(tmp_path, bad):
    samples = np.zeros(1000)
    samples[480] = bad
    recording = open_recording(write(tmp_path / "bad.wav", samples, subtype="FLOAT"))
    for taken in (recording, Recording.from_samples(samples, 48000)):
        with pytest.raises(RecordingError, match=r"first at 0\.010 s") as caught:
            taken.read()
        assert one_sentence(caught.value)
        assert len(taken.read(0, 480)) == 480


def test_a_file_that_may_not_be_read(tmp_path, monkeypatch):
    path = write(tmp_path / "locked.wav", np.zeros(100))

    def refuse(*_):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(builtins, "open", refuse)
    with pytest.raises(RecordingError, match="permission denied") as caught:
        open_recording(path)
    assert one_sentence(caught.value)


def test_a_folder_or_nothing_is_no_recording(tmp_path):
    with pytest.raises(RecordingError, match="is a folder"):
        open_recording(tmp_path)
    with pytest.raises(RecordingError, match="does not exist"):
        open_recording(tmp_path / "gone.wav")


def test_recordings_are_found_in_a_folder_and_one_level_down(tmp_path, monkeypatch):
    names = ["b.WAV", "a.flac", "wing/2.aif", "wing/1.AIFF", ".hidden.wav", ".cache/x.wav", "notes.txt"]
    for name in [*names, "wing/deep/3.wav", "wing/.hidden.wav"]:
        path = tmp_path / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.touch()
    monkeypatch.setattr(builtins, "open", None)  # nothing may be opened
    found = find_recordings(tmp_path)
    wanted = ["a.flac", "b.WAV", "wing/1.AIFF", "wing/2.aif"]
    assert [path.relative_to(tmp_path).as_posix() for path in found] == wanted
    assert find_recordings([tmp_path / "b.WAV", tmp_path]) == [
        tmp_path / "b.WAV",
        *[path for path in found if path.name != "b.WAV"],
    ]
    assert find_recordings(str(tmp_path / "notes.txt")) == [tmp_path / "notes.txt"]


def test_five_hundred_files(tmp_path):
    for k in range(500):
        (tmp_path / f"tap_{k:03d}.wav").touch()
    assert len(find_recordings(tmp_path)) == 500


def test_nothing_to_find(tmp_path):
    with pytest.raises(LuthkitError, match="holds no sound files; put recordings"):
        find_recordings(tmp_path)
    with pytest.raises(LuthkitError, match="does not exist; check the spelling"):
        find_recordings(tmp_path / "gone")
    with pytest.raises(LuthkitError, match="No folder or file was named"):
        find_recordings([])
