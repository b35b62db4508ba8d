"""From folders and tables to a history: sessions of real sound files, tables of any spreadsheet, what goes wrong."""

import csv
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile

from luthkit import LuthkitError, Mode, ModeSet, read_modes, read_session, simulate
from luthkit.shop.history import hard_over_soft, history_rows, read_history, read_rows, wing_balance

SAMPLES = Path(__file__).parent.parent.parent / "sample_audio"


def record(folder, *, seed, stretch=1.0, words="", softer=1.0, spread_db=6.0):
    """A session of made taps at two places; every mode `stretch` times as high, at the soft half of the taps times
    `softer` as well; taps differ in strength by up to `spread_db` either way."""
    folder.mkdir(parents=True)
    rng = np.random.default_rng(seed)
    frequency = np.array([100.0, 200.0, 330.0])
    shapes = np.array([[0.6, 0.6], [1.0, 0.7], [0.5, 0.5]])
    hard, soft = (simulate.Body(simulate.pole(frequency * stretch * each, 0.02), shapes) for each in (1.0, softer))
    bench = simulate.Bench(n_taps=4, sample_rate_hz=16000, length_s=0.8, hum_db=None, level_spread_db=spread_db)
    if softer != 1.0:
        bench = replace(bench, n_taps=2, level_spread_db=1.0)
    lines = [words]
    for k, place in enumerate(("bass wing", "treble wing")):
        sounds = [samples for samples, _, _ in simulate.tap_sounds(rng, hard, bench, position=k)]
        if softer != 1.0:
            sounds += [0.4 * samples for samples, _, _ in simulate.tap_sounds(rng, soft, bench, position=k)]
        name = f"{place.replace(' ', '_')}.wav"
        soundfile.write(folder / name, np.concatenate(sounds), 16000, subtype="PCM_24")
        lines += ["[[recording]]", f'file = "{name}"', f'position = "{place}"', 'placement = "1"']
    (folder / "session.toml").write_text("\n".join(lines), encoding="utf-8")


def test_sessions_of_sound_become_a_history(tmp_path):
    climate = "temperature_c = 21.0\nrelative_humidity_percent = 45\nmass_g = 2100"
    record(tmp_path / "2024-01-01", seed=1, words=climate)
    record(tmp_path / "b", seed=2, stretch=0.985, words=f"date = 2024-03-01\n{climate}")
    record(tmp_path / "2024-06-01_2", seed=3, stretch=0.97)
    record(tmp_path / "undated", seed=4)
    (tmp_path / "2024-07-01").mkdir()
    (tmp_path / "2024-07-01" / "session.toml").write_text("no toml", encoding="utf-8")
    (tmp_path / "guitar.toml").write_text('name = "Number 12"', encoding="utf-8")
    (tmp_path / "events.csv").write_text("date,kind,note\n2024-05-01,repair,brace\n", encoding="utf-8")
    history = read_history(tmp_path)
    assert history.name == "Number 12"
    assert [o.date.isoformat() for o in history.occasions] == ["2024-01-01", "2024-03-01", "2024-06-01"]
    assert history.occasions[1].mass_g == 2100 and np.isnan(history.occasions[2].mass_g)
    assert [event.words for event in history.events] == ["repair (brace)"]
    assert "undated" in history.notes[1] and "2024-07-01" in history.notes[0]
    assert len(history.mode_names) == 3
    for k, name in enumerate(history.mode_names):
        found = [o.modes[name].frequency_hz for o in history.occasions]
        assert found == pytest.approx([f * (100, 200, 330)[k] for f in (1, 0.985, 0.97)], rel=0.002)
    middle = history.mode_names[1]
    assert history.occasions[0].wing_balance_db[middle] == pytest.approx(20 * np.log10(1 / 0.7), abs=0.5)


def test_a_sample_table_is_read_with_its_name_and_events():
    history = read_history(SAMPLES / "build_four_over_time")
    assert history.name == "Build Four" and len(history.occasions) == 19
    assert history.mode_names == ("air", "main top", "main back", "cross dipole", "long dipole")
    assert [event.words for event in history.events] == ["strings changed (same gauge)"]
    assert 2000 < history.occasions[0].mass_g < 2300


def test_a_table_written_and_read_again_is_the_same(tmp_path):
    history = read_history(SAMPLES / "reference_fallowfield_over_time")
    rows = history_rows(history)
    where = tmp_path / "other name.csv"
    with open(where, "w", newline="", encoding="utf-8-sig") as file:  # with the mark some spreadsheets put
        writer = csv.DictWriter(file, rows[0])
        writer.writeheader()
        writer.writerows(rows)
    again = read_history(where)
    assert again.name == "other name"
    assert str(history_rows(again)) == str(rows)


def test_what_cannot_be_followed_says_so(tmp_path):
    with pytest.raises(LuthkitError, match="does not exist"):
        read_history(tmp_path / "nowhere")
    with pytest.raises(LuthkitError, match="no dated session"):
        read_history(tmp_path)
    (tmp_path / "readings.csv").write_text("date,mode\n")
    with pytest.raises(LuthkitError, match="has no rows"):
        read_history(tmp_path)
    (tmp_path / "latin.csv").write_bytes("date,mode\n2024-01-01,täp\n".encode("latin-1"))
    with pytest.raises(LuthkitError, match="UTF-8"):
        read_rows(tmp_path / "latin.csv")


def test_two_modes_are_balanced_against_the_median():
    modes = tuple(Mode(f, 0.1, 0.01, 0.001, 0, 0) for f in (100.0, 200.0, 300.0))
    amplitudes = np.array([[1.0, 1.0], [1.0, 0.5], [1.0, 1.0]], dtype=complex)
    places = ("bass wing", "treble wing")
    known = ModeSet(modes, 9, (), 2, {}, {}, "0", positions=places, amplitudes=amplitudes)
    balance = wing_balance(known, {0: "air", 1: "main top"})
    assert balance == pytest.approx({"air": 0.0, "main top": 20 * np.log10(2)})
    harder = ModeSet(modes, 9, (), 2, {}, {}, "0", positions=places, amplitudes=amplitudes * [1.0, 3.0])
    assert wing_balance(harder, {1: "main top"}) == pytest.approx({"main top": 20 * np.log10(2)})
    assert wing_balance(ModeSet(modes, 9, (), 2, {}, {}, "0"), {0: "air"}) == {}


def test_hard_and_soft_taps_of_a_sound_guitar_agree(tmp_path):
    record(tmp_path / "a", seed=1)
    session = read_session(tmp_path / "a")
    modeset = read_modes(session.find_taps())
    found = hard_over_soft(session, modeset, {0: "air", 1: "main top"})
    assert set(found) == {"air", "main top"}
    for value, u in found.values():
        assert abs(value) < 4 * u + 0.001 and 0 < u < 0.005
    few = read_session(tmp_path / "a" / "bass_wing.wav")
    assert hard_over_soft(few, modeset, {0: "air"}) == {}  # two taps a half are too few


def test_a_mode_that_moves_with_force_is_found_by_the_history_itself(tmp_path):
    record(tmp_path / "2024-01-01", seed=1)
    record(tmp_path / "2024-02-01", seed=2, softer=0.99)
    record(tmp_path / "2024-03-01", seed=3, spread_db=1.0)
    history = read_history(tmp_path)
    first, moved, alike = (occasion.hard_over_soft for occasion in history.occasions)
    assert first == {}  # only the last two are judged
    assert moved
    for value, u in moved.values():
        assert value == pytest.approx(-np.log(0.99), abs=4 * u + 0.001) and 0 < u < 0.003
    assert alike == {} and "could not be compared" in history.notes[-1]
