"""A folder of recordings as it comes from a recorder, and a logbook to keep it in."""

import numpy as np
import pytest
import soundfile

from luthkit.shop.logbook import start_logbook

WORDS = """# Synthetic: noise made by a computer.
guitar = "Number 12"
date = 2024-03-09
stage = "strung, day 30"
relative_humidity_percent = 47

[[recording]]
file = "taps/a.wav"
position = "bridge centre"
placement = "1"

[[recording]]
file = "b.wav"
position = "back"
placement = "2"
"""


def make_source(folder, seed=0):
    """Two sounds, a session.toml and a note, in a new folder."""
    (folder / "taps").mkdir(parents=True)
    for name in ("taps/a.wav", "b.wav"):
        seed += 1
        sound = 0.1 * np.random.default_rng(seed).standard_normal(20000)
        soundfile.write(folder / name, sound, 16000, subtype="PCM_16")
    (folder / "session.toml").write_text(WORDS, encoding="utf-8")
    (folder / "remarks.txt").write_text("hung by the window\n", encoding="utf-8")
    return folder


@pytest.fixture
def source(tmp_path):
    return make_source(tmp_path / "from the recorder")


@pytest.fixture
def logbook(tmp_path):
    return start_logbook(tmp_path / "the logbook")
