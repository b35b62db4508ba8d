"""The microphone, with PortAudio played by a stand-in, and a real path that loses sound."""

import signal
import subprocess
import sys
import time
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
import soundfile
from audio_path import RATE, audio_path
from hypothesis import given
from hypothesis import strategies as st

from luthkit.errors import LuthkitError
from luthkit.shop import live
from luthkit.shop.live import Input, Microphone, list_inputs
from luthkit.shop.sitting import LOST

SAMPLE = Path(__file__).parents[2] / "sample_audio/build_seven/taps/bridge_centre_2.flac"
HEAR_ONE_MORE = """
import sys
from luthkit.shop.desk import Desk, Plan
from luthkit.shop.live import Block, Microphone
with Microphone("pulse", sample_rate_hz=int(sys.argv[1]), n_channels=32) as microphone:
    desk = Desk(Plan(n_taps=1, n_placements=1), microphone.sample_rate_hz, chimes=False)
    print("open", flush=True)
    loud = False
    for block in microphone.blocks():
        news = desk.hear(Block(block.samples[:, :1], block.lost))
        if not loud and desk.ear.level_db > -30:
            loud = True
            print("loud", flush=True)
        for one in news:
            print(one.kind, one.reason, sep="; ", flush=True)
        if desk.sitting.spot is None or len(desk.sitting.judged) > 1:
            break
"""

DEVICES = [
    {"name": "loudspeaker", "max_input_channels": 0, "default_samplerate": 48000.0},
    {"name": "built in", "max_input_channels": 2, "default_samplerate": 44100.0},
    {"name": "desk", "max_input_channels": 1, "default_samplerate": 96000.0},
]


class FakeSound(SimpleNamespace):
    """What luthkit uses of sounddevice; `sent` is handed to the callback when the stream starts."""

    class PortAudioError(Exception):
        pass

    def __init__(self, devices=DEVICES, sent=()):
        super().__init__(default=SimpleNamespace(device=[1, 0]), opened=[])
        self.devices, self.sent = devices, sent

    def query_devices(self):
        return self.devices

    def InputStream(self, **options):
        if options["samplerate"] == 11:
            raise self.PortAudioError("Invalid sample rate")
        self.opened.append(options)

        def start():
            for samples, overflow in self.sent:
                options["callback"](samples, len(samples), None, SimpleNamespace(input_overflow=overflow))

        return SimpleNamespace(start=start, close=lambda **_: None)


@pytest.fixture
def sound(monkeypatch):
    fake = FakeSound()
    monkeypatch.setitem(sys.modules, "sounddevice", fake)
    return fake


def test_inputs_are_listed_and_loudspeakers_are_not(sound):
    assert list_inputs() == (Input("built in", 2, 44100.0, True), Input("desk", 1, 96000.0, False))
    sound.devices = DEVICES[:1]
    assert list_inputs() == ()
    sound._initialize, sound._terminate = (lambda: setattr(sound, "devices", DEVICES)), lambda: None
    assert list_inputs() == () and len(list_inputs(anew=True)) == 2
    sound.devices = []
    with pytest.raises(LuthkitError, match="no microphone was found"):
        Microphone().__enter__()


def test_blocks_come_in_order_and_a_lost_one_is_marked(sound):
    blocks = [np.full((5, 1), k / 8, dtype=np.float32) for k in range(4)]
    sound.sent = list(zip(blocks, (False, False, True, False), strict=True))
    with Microphone("desk") as microphone:
        found = [block for _, block in zip(range(4), microphone.blocks(), strict=False)]
    assert [block.lost for block in found] == [False, False, True, False]
    assert [block.samples[0, 0] for block in found] == [0, 0.125, 0.25, 0.375]
    assert not found[0].samples.flags.writeable
    blocks[0][:] = 1  # PortAudio uses its buffer again; what was heard stays
    assert found[0].samples[0, 0] == 0
    assert sound.opened[0]["device"] == 2 and microphone.sample_rate_hz == 96000


def test_a_queue_that_is_full_marks_the_block_after_the_gap(sound, monkeypatch):
    monkeypatch.setattr(live, "_MOST_BLOCKS_KEPT", 2)
    block = np.zeros((5, 1), dtype=np.float32)
    sound.sent = [(block, False)] * 3
    with Microphone() as microphone:
        blocks = microphone.blocks()
        assert [next(blocks).lost, next(blocks).lost] == [False, False]
        microphone._take(block, 5, None, SimpleNamespace(input_overflow=False))
        assert next(blocks).lost is True


@pytest.mark.parametrize(
    ("options", "words"),
    [({"name": "attic"}, "'attic'; there are built in, desk"), ({"sample_rate_hz": 11}, "cannot be opened at 11 Hz")],
)
def test_what_cannot_be_opened_says_why(sound, options, words):
    with pytest.raises(LuthkitError, match=words):
        Microphone(**options).__enter__()


def test_a_microphone_that_went_away_is_told(sound, monkeypatch):
    monkeypatch.setattr(live, "_PATIENCE_S", 0.01)
    with Microphone() as microphone, pytest.raises(LuthkitError, match="still plugged in"):
        next(microphone.blocks())


def test_without_the_package_or_the_library_one_sentence_says_what_to_install(monkeypatch):
    monkeypatch.setitem(sys.modules, "sounddevice", None)
    with pytest.raises(LuthkitError, match="pip install"):
        list_inputs()


def test_sound_that_a_real_path_lost_without_a_word_spoils_its_tap_and_no_other(tmp_path):
    """PulseAudio keeps four megabytes for a program that is held up, 0.74 s, then drops the rest without a word."""
    sound, _ = soundfile.read(SAMPLE)
    soundfile.write(tmp_path / "taps.wav", sound[: round(9 * RATE)], RATE, subtype="PCM_24")
    with audio_path(tmp_path / "sound", n_channels=32) as (environment, play):
        command = [sys.executable, "-c", HEAR_ONE_MORE, str(RATE)]
        job = subprocess.Popen(command, env=environment, stdout=subprocess.PIPE, text=True)
        try:
            assert job.stdout.readline() == "open\n"
            player = play(tmp_path / "taps.wav")
            assert job.stdout.readline() == "loud\n"
            job.send_signal(signal.SIGSTOP)
            time.sleep(1.5)
            job.send_signal(signal.SIGCONT)
            printed, _ = job.communicate(timeout=60)
        finally:
            job.kill()
        player.terminate()
        player.wait()
    assert printed.splitlines() == [f"left out; {LOST}", "kept; ", "done; "]


@given(
    st.lists(st.floats(0, 0.04), min_size=30, max_size=60),
    st.integers(5, 20),
    st.floats(0.3, 2.0),
    st.floats(0.15, 3.0) | st.just(0.0),
)
def test_sound_that_is_late_is_not_lost_and_sound_that_stays_behind_is(jitter_s, held_at, held_s, lost_s):
    """Blocks of 0.05 s, held up once for a while; what was not lost comes then, a hundred times faster."""
    now, count, found = 0.0, live._Count(), []
    for k, late_s in enumerate(jitter_s):
        held = held_at <= k
        due = 0.05 * k + (lost_s if held else 0.0)  # when the block is there to be had
        free = 0.05 * held_at + held_s + lost_s if held else 0.0
        now = max(now + 0.0005, due, free) + (late_s if due > free else 0.0)
        found.append(count.misses(now, 0.05))
    settled = 0.05 * (len(jitter_s) - 5) > 0.05 * held_at + held_s
    assert not any(found[:held_at]) and sum(found) <= 1
    if not lost_s:
        assert not any(found)
    elif settled:
        assert any(found)
