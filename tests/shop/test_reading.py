"""Several instruments at once, through whatever executor is handed in."""

import pickle
from concurrent.futures import Executor, Future, ThreadPoolExecutor
from concurrent.futures.process import BrokenProcessPool

import numpy as np
import pytest
import soundfile

from luthkit import simulate
from luthkit.errors import LuthkitError
from luthkit.shop import reading
from luthkit.shop.reading import read_instrument, read_instruments
from luthkit.signal.modes import Mode, ModeSet

RATE = 16000


class Counting(Executor):
    """An executor as a cluster's may be: it sends everything through pickle."""

    def __init__(self):
        self.jobs, self.closed = 0, False

    def submit(self, function, /, *arguments, **options):
        self.jobs += 1
        future = Future()
        try:
            function, arguments, options = pickle.loads(pickle.dumps((function, arguments, options)))
            future.set_result(pickle.loads(pickle.dumps(function(*arguments, **options))))
        except Exception as error:
            future.set_exception(pickle.loads(pickle.dumps(error)))
        return future

    def shutdown(self, wait=True, *, cancel_futures=False):
        self.closed = True


@pytest.fixture(scope="module")
def folders(tmp_path_factory):
    root = tmp_path_factory.mktemp("shop")
    for number, stretch in enumerate((1.0, 1.05)):
        folder = root / f"guitar {number}"
        folder.mkdir()
        body = simulate.Body(simulate.pole(np.array([100.0, 200.0]) * stretch, 0.02), np.ones((2, 1)))
        bench = simulate.Bench(n_taps=3, sample_rate_hz=RATE, length_s=0.7, hum_db=None)
        for k, (samples, _, _) in enumerate(simulate.tap_sounds(np.random.default_rng(number), body, bench)):
            soundfile.write(folder / f"{k}.wav", samples, RATE)
    (root / "guitar 0" / "session.toml").write_text('guitar = "First"\nrelative_humidity_percent = 44\n')
    return sorted(root.iterdir())


def numbers(modeset):
    return [(mode.frequency_hz, mode.damping_ratio) for mode in modeset.modes]


def test_conditions_and_notes_of_the_session_stay_with_the_modes(folders):
    modeset = read_instrument(folders[0])
    assert modeset.name == "First"
    assert modeset.parameters["conditions"]["relative_humidity_percent"] == 44
    assert any("placement" in note for note in modeset.notes)
    assert modeset.taps_accepted == 3 and len(modeset.sources) == 3


def test_a_mode_that_shifts_from_hanging_to_hanging_is_read_as_one(folders, monkeypatch):
    """Nearer than their errors and under one peak: one mode for all who read the folder, in whatever condition."""
    split = tuple(Mode(f, 0.34, 0.02, 0.001, level, 1.0) for f, level in ((106.12, -10.0), (106.71, -17.0)))
    monkeypatch.setattr(reading, "read_modes", lambda taps, **_: ModeSet(split, 3, (), 3, {}, {}, "0"))
    (mode,) = read_instrument(folders[0]).modes
    assert 106.12 < mode.frequency_hz < 106.4 and "taken as one" in mode.notes[0]


def test_every_executor_gives_the_same_in_the_order_asked(folders, monkeypatch):
    monkeypatch.setattr(reading, "POOL_FROM_BYTES", 0)
    alone = [read_instrument(folder) for folder in folders]
    counting = Counting()
    with ThreadPoolExecutor(2) as threads:
        for executor in (counting, threads, None):
            found = read_instruments(folders, executor=executor)
            assert [m.name for m in found] == ["First", "guitar 1"]
            assert [numbers(m) for m in found] == [numbers(m) for m in alone]
    assert counting.jobs == 2 and not counting.closed


def test_a_single_folder_or_little_sound_needs_no_helper(folders, monkeypatch):
    monkeypatch.setattr(reading, "ProcessPoolExecutor", None)
    assert len(read_instruments(folders)) == 2
    monkeypatch.setattr(reading, "POOL_FROM_BYTES", 0)
    assert len(read_instruments(folders[:1])) == 1
    with pytest.raises(TypeError):
        read_instruments(folders)


@pytest.mark.parametrize("helpers", ["own", "cluster"])
def test_a_bad_folder_is_the_same_sentence_as_when_read_alone(folders, tmp_path, helpers, monkeypatch):
    monkeypatch.setattr(reading, "POOL_FROM_BYTES", 0)
    with pytest.raises(LuthkitError) as alone:
        read_instrument(tmp_path)
    with pytest.raises(LuthkitError) as together:
        read_instruments([folders[0], tmp_path], executor=Counting() if helpers == "cluster" else None)
    assert str(together.value) == str(alone.value)


def test_a_helper_that_dies_is_said_plainly(folders):
    class Dying(Counting):
        def submit(self, function, /, *arguments, **options):
            future = Future()
            future.set_exception(BrokenProcessPool("a process in the pool was terminated abruptly"))
            return future

    with pytest.raises(LuthkitError, match="want of memory"):
        read_instruments(folders, executor=Dying())


def test_no_usable_tap_gives_an_empty_set_with_the_reasons(tmp_path):
    (tmp_path / "a.wav").write_text("no sound")
    modeset = read_instrument(tmp_path)
    assert modeset.modes == () and modeset.taps_accepted == 0
    assert [left.source for left in modeset.rejected] == ["a.wav"]


def test_a_session_without_taps_says_what_to_write(tmp_path):
    soundfile.write(tmp_path / "a.wav", np.zeros(RATE), RATE)
    (tmp_path / "session.toml").write_text('kind = "strum"\n')
    with pytest.raises(LuthkitError, match=r"list the taps in session\.toml"):
        read_instrument(tmp_path)
