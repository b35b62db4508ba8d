"""Results kept in a logbook: found again, equal in every bit, and gone without harm."""

import datetime
import json
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays

from luthkit import simulate
from luthkit.shop import cache, reading, tone_reading
from luthkit.shop.cache import from_plain, to_plain
from luthkit.shop.keeping import add_session
from luthkit.shop.reading import read_instrument, read_instruments
from luthkit.shop.tone_reading import read_tone
from luthkit.signal.modes import Mode

RATE = 16000


@pytest.fixture(scope="module")
def taps(tmp_path_factory):
    """Three synthetic taps in a file, with a date."""
    folder = tmp_path_factory.mktemp("taps") / "Wren"
    folder.mkdir()
    body = simulate.Body(simulate.pole(np.array([100.0, 200.0]), 0.02), np.ones((2, 1)))
    bench = simulate.Bench(n_taps=3, sample_rate_hz=RATE, length_s=0.7, hum_db=None)
    for k, (samples, _, _) in enumerate(simulate.tap_sounds(np.random.default_rng(3), body, bench)):
        soundfile.write(folder / f"{k}.wav", samples, RATE)
    (folder / "session.toml").write_text('guitar = "Wren"\ndate = 2024-03-09\ntemperature_c = 20\n')
    return folder


@pytest.fixture
def readings(monkeypatch):
    """How often modes were really read."""
    done = []
    real = reading.read_modes
    monkeypatch.setattr(reading, "read_modes", lambda *a, **k: done.append(1) or real(*a, **k))
    return done


def same(first, second):
    """Equal in every bit, types included; two NaN are equal."""
    return json.dumps(to_plain(first)) == json.dumps(to_plain(second))


def test_delete_it_and_it_comes_back_equal(taps, logbook, readings):
    folder = add_session(logbook, taps).path
    first = read_instrument(folder)
    again = read_instrument(folder)
    assert len(readings) == 1 and again is not first
    assert same(first, again) and repr(first.modes) == repr(again.modes)
    np.testing.assert_array_equal(again.amplitudes, first.amplitudes)
    np.testing.assert_array_equal(again.spectrum.value, first.spectrum.value)
    assert not again.amplitudes.flags.writeable and not again.spectrum.value.flags.writeable
    shutil.rmtree(logbook.path / ".luthkit")
    assert same(read_instrument(folder), first) and len(readings) == 2
    assert same(read_instrument(taps), first), "outside a logbook the same is read"
    assert len(readings) == 3


def test_strums_and_plucks_come_back_equal(logbook, tmp_path, monkeypatch):
    rate, t = 22050, np.arange(22050) / 22050
    sound = 0.2 * sum(np.exp(-4 * t) * np.sin(2 * np.pi * 110 * k * t) / k for k in range(1, 12))
    (tmp_path / "strums").mkdir()
    noise = 1e-5 * np.random.default_rng(1).standard_normal(rate // 2 + 2 * rate)
    soundfile.write(tmp_path / "strums" / "a.wav", noise + np.concatenate([np.zeros(rate // 2), sound, sound]), rate)
    words = 'guitar = "Wren"\nkind = "pluck"\npluck_point = "a fifth"\nstrings_age_h = 5\n'
    (tmp_path / "strums" / "session.toml").write_text(words)
    folder = add_session(logbook, tmp_path / "strums").path
    first = read_tone(folder)
    assert first.plucks and first.parameters["pluck_points"] == ("a fifth",)
    monkeypatch.setattr(tone_reading, "find_strokes", None)  # nothing is read again
    assert same(read_tone(folder), first)
    (folder / "session.toml").write_text(words.replace("age_h = 5", "age_h = 50"))
    assert read_tone(folder).parameters["conditions"]["strings_age_h"] == 50
    monkeypatch.undo()
    shutil.rmtree(logbook.path / ".luthkit")
    (folder / "session.toml").write_text(words)
    assert same(read_tone(folder), first)


def test_words_that_no_number_depends_on_are_taken_fresh(taps, logbook, readings):
    folder = add_session(logbook, taps).path
    read_instrument(folder)
    text = (folder / "session.toml").read_text()
    (folder / "session.toml").write_text(text.replace("temperature_c = 20", "temperature_c = 25"))
    assert read_instrument(folder).parameters["conditions"]["temperature_c"] == 25
    assert len(readings) == 1
    (folder / "session.toml").write_text(text + '[[recording]]\nfile = "1.wav"\nplacement = "2"\n')
    assert read_instrument(folder).placements == 2
    assert len(readings) == 2


def test_other_sound_parameters_or_programs_are_read_anew(taps, logbook, readings, monkeypatch):
    folder = add_session(logbook, taps).path
    read_instrument(folder)
    read_instrument(folder, band_hz=(80.0, 1000.0))
    assert len(readings) == 2
    samples, _ = soundfile.read(folder / "1.wav")
    soundfile.write(folder / "1.wav", 0.9 * samples, RATE)
    changed = read_instrument(folder)
    assert len(readings) == 3
    monkeypatch.setattr(cache, "programs", lambda: "a later version")
    assert same(read_instrument(folder), changed) and len(readings) == 4


def test_what_is_kept_is_told_apart_by_all_code_it_comes_from(monkeypatch, tmp_path):
    modules = "reading", "tone_reading", "history"  # which work out what is kept
    ask = f"import sys, luthkit.shop.{', luthkit.shop.'.join(modules)}; print(*[m.__file__ for n, m in "
    ask += "sys.modules.items() if n.partition('.')[0] == 'luthkit'], sep='\\n')"
    loaded = subprocess.run([sys.executable, "-c", ask], capture_output=True, text=True, check=True).stdout.split("\n")
    assert {Path(name) for name in loaded if name} <= set(cache.code()) and len(loaded) > 30
    before, changed = cache.programs(), tmp_path / "merging.py"
    changed.write_text("# another merging")
    monkeypatch.setattr(cache, "code", lambda: [changed])
    cache.programs.cache_clear()
    assert cache.programs() != before
    cache.programs.cache_clear()


def test_a_damaged_result_is_read_anew(taps, logbook, readings):
    folder = add_session(logbook, taps).path
    first = read_instrument(folder)
    (kept,) = (logbook.path / ".luthkit" / "results").glob("*/*.json")
    whole = kept.read_text()
    for text in (
        "",
        whole[: len(whole) // 2],
        "[]",
        '{"~": "os:system", "parts": {}}',
        '{"~": "luthkit.cli:main", "parts": {}}',
    ):
        kept.write_text(text)
        again = read_instrument(folder)
        assert same(again, first)


def test_where_nothing_can_be_written_it_is_read_all_the_same(taps, logbook, readings):
    folder = add_session(logbook, taps).path
    (logbook.path / ".luthkit").mkdir(exist_ok=True)
    (logbook.path / ".luthkit" / "results").write_text("in the way")
    assert same(read_instrument(folder), read_instrument(folder)) and len(readings) == 2


def test_several_at_once_take_what_is_there(taps, logbook, readings):
    folder = add_session(logbook, taps).path
    alone = read_instrument(folder)
    both = read_instruments([folder, taps])
    assert len(readings) == 2 and same(both[0], alone) and same(both[1], alone)


PLAIN = (
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats()
    | st.text()
    | st.complex_numbers()
    | st.dates()
    | st.datetimes()
)
VALUES = st.recursive(
    PLAIN | arrays.arrays(st.sampled_from([np.float64, np.complex128, np.int32, np.bool_]), (2, 3)),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.lists(inner, max_size=3).map(tuple)
        | st.dictionaries(st.text(), inner, max_size=3)
    ),
    max_leaves=8,
)


@given(VALUES)
def test_whatever_is_kept_comes_back_equal(value):
    back = from_plain(json.loads(json.dumps(to_plain(value))))
    assert type(back) is type(value) and same(back, value)


def test_what_has_no_text_is_not_kept(logbook):
    with pytest.raises(TypeError, match="object cannot be kept as text"):
        to_plain({"x": [object()]})
    assert from_plain(to_plain(datetime.date(2024, 1, 1))) == datetime.date(2024, 1, 1)
    mode = Mode(100.0, float("nan"), 0.02, 0.001, -3.0, 0.1)
    assert repr(from_plain(to_plain(mode))) == repr(mode)
