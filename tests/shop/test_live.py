"""The microphone, with PortAudio played by a stand-in; the real path is in tests/cli/test_record.py."""

import sys
from types import SimpleNamespace

import numpy as np
import pytest

from luthkit.errors import LuthkitError
from luthkit.shop import live
from luthkit.shop.live import Input, Microphone, list_inputs

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
