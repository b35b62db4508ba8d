"""Players that are equally loud, and the panel of the blind test, worked as a hand would."""

import base64
import io
import re
from pathlib import Path

import numpy as np
import pytest
import soundfile

from luthkit.errors import LuthkitError
from luthkit.show.forms.listening import _Blind
from luthkit.show.listening import listening_page, players, read_played
from luthkit.signal.listening import loudness_lufs

SAMPLES = Path(__file__).resolve().parents[2] / "sample_audio"


@pytest.fixture(scope="module")
def page():
    read = read_played(SAMPLES / "build_seven"), read_played(SAMPLES / "reference_marlpit")
    return listening_page(*read, players(*read))


def test_three_players_of_one_loudness_and_length(page):
    found = re.findall(r'src="data:audio/wav;base64,([^"]+)"', page.body)
    sounds = [soundfile.read(io.BytesIO(base64.b64decode(each))) for each in found]
    assert len(sounds) == 3
    loudness = [loudness_lufs(x, rate) for x, rate in sounds]
    assert np.ptp(loudness) < 0.1 and len({len(x) for x, _ in sounds}) == 1
    assert not np.array_equal(sounds[0][0], sounds[2][0])


def test_the_simulation_is_called_one_and_the_picture_has_words(page):
    assert "(simulation)" in page.body and "SIMULATION" in page.body
    alt = re.search(r'<img alt="([^"]+)"', page.body)[1]
    assert "third octaves" in alt and "dB at" in alt
    assert "://" not in page.body


def test_a_guitar_without_strums(tmp_path):
    soundfile.write(tmp_path / "a.wav", np.zeros(48000), 48000)
    (tmp_path / "session.toml").write_text('guitar = "Mute"\nkind = "strum"\n')
    with pytest.raises(LuthkitError, match="Mute has no strum"):
        read_played(tmp_path)


def test_a_blind_test_to_the_end():
    blind = _Blind()
    blind._begin.click()
    assert "Press Listen first" in blind._said.value
    blind.use(b"sound of A", b"sound of B")
    blind._n_trials.value = 6
    blind._begin.click()
    heard = []
    for _ in range(6):
        (player,) = blind._boxes["X"].children
        heard.append(bytes(player.value))
        assert "right" not in blind._said.value
        blind._answers[0 if player.value == b"sound of A" else 1].click()
    assert sorted(heard) == [b"sound of A"] * 3 + [b"sound of B"] * 3
    assert "6 of 6 right" in blind._said.value and all(button.disabled for button in blind._answers)
    blind.use(b"other", b"sounds")
    assert blind._boxes["X"].children == ()
