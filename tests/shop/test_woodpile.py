"""From a piece on disk and its sounds to its stiffness, with and without a force hammer."""

from pathlib import Path

import numpy as np
import pytest
import soundfile

from luthkit import LuthkitError
from luthkit.shop import woodpile
from luthkit.shop.desk import Desk
from luthkit.shop.draft import Draft
from luthkit.shop.ear import Ear
from luthkit.shop.live import blocks_of
from luthkit.shop.new_piece import add_piece
from luthkit.shop.session import PLATE
from luthkit.shop.sitting import Plan
from luthkit.shop.woodpile import band_of, read_history, read_pieces, read_wood
from luthkit.signal.modes import read_modes
from luthkit.signal.recording import open_recording
from luthkit.simulate.bench import force_pulse
from luthkit.simulate.woodpile import LOSS_FACTORS, SPRUCE, wood_body
from luthkit.wood.reading import change_between
from luthkit.wood.stock import read_stock

STOCK = Path(__file__).parent.parent.parent / "sample_audio" / "stock"


@pytest.fixture(scope="module")
def spruce():
    return next(piece for piece in read_stock(STOCK) if piece.name == "Spruce 31")


@pytest.fixture(scope="module")
def reading(spruce):
    return read_wood(spruce)


def test_the_sample_plate_is_what_it_was_made_of(reading):
    """Made with air, shear and uneven wood, none of them told to the reader but the air."""
    for name, true in (("along", SPRUCE.along_pa), ("across", SPRUCE.across_pa), ("shear", SPRUCE.shear_pa)):
        found = reading.values[name]
        assert found.value == pytest.approx(true, rel=0.015), name
        assert abs(found.value - true) < 2 * found.u
    for name, true in zip(("loss_along", "loss_across", "loss_shear"), LOSS_FACTORS, strict=True):
        assert reading.values[name].value == pytest.approx(true, rel=0.05)
    assert reading.plate.certain and reading.plate.foreign == ()
    assert set(reading.sources) == {"corner.flac", "end.flac", "side.flac"}


def test_its_two_days_agree_in_one_climate(spruce):
    earlier, later = read_history(spruce)
    for name, (change, u) in change_between(earlier, later).items():
        assert abs(change) < 2 * u, name


def test_all_pieces_and_one_that_cannot_be_read(tmp_path):
    readings = read_pieces(read_stock(STOCK))
    assert [r.piece.name for r in readings] == ["Mahogany 4", "Maple 12", "Spruce 31"]
    assert all("along" in r.values for r in readings)
    text = (STOCK / "spruce_31.toml").read_text(encoding="utf-8")
    (tmp_path / "spruce_31.toml").write_text(text, encoding="utf-8")  # its sound is not there
    (lost,) = read_pieces(read_stock(tmp_path))
    assert set(lost.values) == {"density"} and "is not there" in lost.notes[0]


def test_the_band_holds_the_modes_of_the_plate(spruce):
    low, high = band_of(spruce.latest, spruce)
    body = wood_body()
    assert low < body.frequency_hz[0] and body.frequency_hz[8] < high


def hammered(folder, spruce, *, broken=False):
    """A stereo recording a place: channel 0 the hammer's force, channel 1 the sound."""
    rng, rate, body = np.random.default_rng(4), 22_050, wood_body()
    (folder / "taps").mkdir()
    for number, place in enumerate(("corner", "end", "side")):
        dry = body.impulse_response(8.0, rate, number)  # it rings on into the next taps
        samples = 2e-5 * rng.standard_normal((round(8.6 * rate), 2))
        for k in range(5):
            start = round((0.6 + 1.6 * k) * rate)
            pulse = force_pulse(rng.uniform(6e-4, 9e-4), rate) * rng.uniform(0.6, 1.4)
            burst = rng.standard_normal(round(0.1 * rate)) / 30  # of a loose cable
            force = burst if broken else 3 * pulse
            samples[start : start + len(force), 0] += force
            blow = np.convolve(dry, pulse)
            stop = min(start + len(blow), len(samples))
            samples[start:stop, 1] += 0.3 * (blow / np.abs(blow).max())[: stop - start]
        soundfile.write(folder / "taps" / f"{place}.wav", samples, rate, subtype="FLOAT")
    text = (STOCK / "spruce_31.toml").read_text(encoding="utf-8")
    text = text.replace('taps = "spruce_31"', 'taps = "taps"\nforce_channel = 0')
    (folder / "piece.toml").write_text(text, encoding="utf-8")
    return read_stock(folder)[0]


def test_two_channel_hammer_taps(tmp_path, spruce):
    found = read_wood(hammered(tmp_path, spruce))
    assert found.values["along"].value == pytest.approx(SPRUCE.along_pa, rel=0.015)
    assert not any("hammer" in note for note in found.notes)


def test_a_hammer_that_tells_another_tale_is_named(tmp_path, spruce):
    found = read_wood(hammered(tmp_path, spruce, broken=True))
    assert any("hammer and sound agree badly" in note for note in found.notes)


def test_a_channel_that_is_not_there(tmp_path, spruce):
    hammered(tmp_path, spruce)
    text = (tmp_path / "piece.toml").read_text(encoding="utf-8").replace("force_channel = 0", "force_channel = 5")
    (tmp_path / "piece.toml").write_text(text, encoding="utf-8")
    with pytest.raises(LuthkitError, match="force_channel is 5"):
        read_wood(read_stock(tmp_path)[0])


def test_a_plate_recorded_live_is_read_from_its_session(tmp_path, spruce, monkeypatch):
    """Corner, end and side through the ear, kept as a session in the stock, then written down as a piece's taps."""
    draft = Draft(tmp_path / "stock" / "taps", words={"guitar": "Spruce 31"})
    desk = Desk(Plan(PLATE, n_placements=1), 22_050, draft=draft, chimes=False)
    for place in PLATE:
        sound = open_recording(STOCK / "spruce_31" / f"{place}.flac")
        assert desk.sitting.spot.position == place and not desk.sitting.must_place_again
        desk.ear = Ear(sound.sample_rate_hz)
        for block in blocks_of(sound):
            desk.hear(block)
    assert desk.sitting.spot is None
    sizes = {"length_mm": 550, "width_mm": 200, "thickness_mm": [3.0, 3.0, 3.0], "mass_g": 139.2}
    piece = add_piece(tmp_path / "stock", {"name": "A", "species": "Sitka spruce"}, sizes, sounds=draft.finish())
    was, heard = read_wood(spruce), []
    monkeypatch.setattr(woodpile, "read_modes", lambda *a, **more: heard.append(read_modes(*a, **more)) or heard[0])
    found = read_wood(piece)
    assert set(heard[0].positions) == {"corner_1", "end_1", "side_1"}  # five takes of each are one place
    assert len(found.sources) == 15 and found.plate.certain
    for name in ("along_pa", "across_pa", "shear_pa"):
        assert getattr(found.plate.stiffness, name) == pytest.approx(getattr(was.plate.stiffness, name), rel=0.01), name
