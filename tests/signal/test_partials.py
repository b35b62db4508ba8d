"""Notes of plucked strings: closed forms, made strings with two motions, real notes whose pitch is known."""

import numpy as np
import pytest
from fixtures import real_sounds
from hypothesis import given, settings
from hypothesis import strategies as st

from luthkit.errors import LuthkitError
from luthkit.signal.notes import cents, note_hz
from luthkit.signal.partials import find_pitch, read_note
from luthkit.signal.recording import open_recording
from luthkit.signal.strokes import find_strokes
from luthkit.simulate.recipe import STRINGS
from luthkit.simulate.strings import String

RATE = 44_100


def stiff_string(f0, stretch, *, n=14, length_s=4.0, rates=None, noise=1e-5, seed=0):
    """Partials at n f0 sqrt(1 + B n^2), one slope each, in white noise."""
    rng = np.random.default_rng(seed)
    t = np.arange(round(length_s * RATE)) / RATE
    x = noise * rng.standard_normal(t.size)
    for k in range(1, n + 1):
        f = k * f0 * np.sqrt(1 + stretch * k**2)
        rate = 1.0 + 0.15 * k if rates is None else rates[k - 1]
        x += 0.2 / k * np.cos(2 * np.pi * f * t + rng.uniform(0, 6)) * np.exp(-rate * t)
    return x


@settings(max_examples=15, deadline=None)
@given(st.floats(75.0, 350.0), st.floats(5e-6, 3e-4), st.integers(0, 99))
def test_a_stiff_string_comes_out(f0, stretch, seed):
    """f_n = n f0 sqrt(1 + B n^2), Fletcher, J. Acoust. Soc. Am. 36 (1964) 203 (from memory)."""
    note = read_note(stiff_string(f0, stretch, seed=seed), RATE)
    assert note.inharmonicity == pytest.approx(stretch, rel=0.02, abs=5e-7)
    assert cents(note.frequency_hz, f0 * np.sqrt(1 + stretch)) == pytest.approx(0, abs=0.2)
    for partial in note.partials:
        assert partial.shape == "one slope"
        assert partial.early.decay_time_s == pytest.approx(3 * np.log(10) / (1.0 + 0.15 * partial.number), rel=0.02)


def test_steel_strings_have_the_stretch_of_their_wire():
    """B = pi^3 E d^4 / (64 T L^2) of plain steel wire, E 200 GPa, density 7850 kg/m^3, 648 mm: 0.012 inch at E4
    1.905270e-5, 0.016 inch at B3 6.035380e-5, 0.017 inch at G3 1.081517e-4 (computed by hand from the formula)."""
    for inch, name, stretch in ((0.012, "E4", 1.905270e-5), (0.016, "B3", 6.035380e-5), (0.017, "G3", 1.081517e-4)):
        wire = String(name, note_hz(name), 0.0254 * inch, 7850 * np.pi / 4 * (0.0254 * inch) ** 2)
        assert wire.inharmonicity == pytest.approx(stretch, rel=2e-4)
        sound = wire.pull().impulse_response(4.0, RATE)
        note = read_note(sound / np.abs(sound).max(), RATE)
        assert note.inharmonicity == pytest.approx(stretch, rel=0.05)


def test_two_motions_are_told_apart_and_not_averaged():
    """Plucks of the invented strings without a body: both decay rates, and the beat, of most partials."""
    early, late, beats, averaged = [], [], [], []
    for string in STRINGS[2:]:
        force = string.pull(angle_deg=55.0).impulse_response(5.0, RATE)
        sound = force / np.abs(force).max() + 1e-4 * np.random.default_rng(0).standard_normal(force.size)
        for partial in read_note(sound, RATE).partials[:8]:
            frequency_hz = string.partials_hz()[partial.number - 1]
            up_s = 3 * np.log(10) / string.decay_rates_per_s(frequency_hz)
            if len(partial.lines) == 2:
                early.append(partial.early.decay_time_s / up_s - 1)
                late.append(partial.late.decay_time_s * string.across_loss / up_s - 1)
                beats.append(abs(partial.lines[0].frequency_hz - partial.lines[1].frequency_hz) / frequency_hz)
            elif partial.lines:
                averaged.append(partial.number)
    assert len(early) >= 20 and len(averaged) <= 4
    assert np.median(np.abs(early)) < 0.03 and np.median(np.abs(late)) < 0.03
    assert np.median(beats) == pytest.approx(6e-4, rel=0.05)


@pytest.mark.parametrize("lifted", [2, 3])
def test_a_body_that_lifts_one_partial_does_not_change_the_pitch(lifted):
    """The second or third partial 20 dB over all others: the sound nearly repeats within a part of its period."""
    x = stiff_string(120.0, 5e-5)
    t = np.arange(x.size) / RATE
    f = lifted * 120.0 * np.sqrt(1 + 5e-5 * lifted**2)
    note = read_note(x + 2.0 * np.cos(2 * np.pi * f * t) * np.exp(-1.2 * t), RATE)
    assert cents(note.frequency_hz, 120.0) == pytest.approx(0, abs=0.5)


def test_a_beating_partial_has_no_single_rate():
    """Two equal lines 1 Hz apart: a straight line through their beat would give nonsense."""
    t = np.arange(5 * RATE) / RATE
    x = sum(stiff_string(f, 5e-5, n=6, length_s=5.0, rates=[1.0] * 6, seed=s) for f, s in ((196.0, 1), (197.0, 2)))
    note = read_note(x[: t.size], RATE)
    first = note.partials[0]
    assert first.shape == "beats" and first.beat_hz == pytest.approx(1.0, abs=0.01)
    for line in first.lines:
        assert line.decay_time_s == pytest.approx(3 * np.log(10), rel=0.03)


def test_noise_is_told_and_shortens_what_is_read():
    quiet = read_note(stiff_string(110.0, 5e-5, noise=1e-5), RATE)
    rng = np.random.default_rng(5)
    loud = read_note(stiff_string(110.0, 5e-5, noise=3e-3), RATE, noise=3e-3 * rng.standard_normal(RATE // 4))
    assert loud.inharmonicity_u > quiet.inharmonicity_u
    assert loud.inharmonicity == pytest.approx(5e-5, abs=4 * loud.inharmonicity_u)
    hidden = read_note(stiff_string(110.0, 5e-5, noise=5e-2), RATE, noise=5e-2 * rng.standard_normal(RATE // 4))
    unread = [p for p in hidden.partials if not p.lines]
    assert len(hidden.partials) < len(quiet.partials) or any(p.reason for p in unread)


def test_what_does_not_fall_has_no_decay():
    note = read_note(stiff_string(110.0, 0.0, rates=[0.01] * 14), RATE)
    assert all(not p.lines and "record it longer" in p.reason for p in note.partials)
    assert np.isnan(note.inharmonicity) and note.reason


# D2 and Ds2 are known to lie flat of their names in some stretches
NOTES = ("C", "Cs", "D", "Ds", "E", "F", "Fs", "G", "Gs", "A", "As", "B")
NAMES = [note + octave for octave in "2345" for note in NOTES][2:39]


@pytest.mark.registry
@pytest.mark.parametrize("name", [n for n in NAMES if n not in ("D2", "Ds2")])
def test_real_notes_have_the_pitch_of_their_names(name):
    """npm tonejs-instrument-guitar-acoustic-wav 1.1.0: within 7 cents; no octave is taken for another."""
    path = real_sounds("guitar") / f"{name}.wav"
    (stroke,) = find_strokes(open_recording(path), kind="pluck").strokes
    note = read_note(stroke.after_onset(), stroke.sample_rate_hz, noise=stroke.noise.mean(axis=1))
    assert abs(cents(note.frequency_hz, note_hz(name))) < 7
    assert 1e-6 < note.inharmonicity < 4e-4  # wire of guitars, by the formula above
    read = [line.decay_time_s for p in note.partials[:6] for line in p.lines]
    assert len(read) >= 3 and 0.1 < np.median(read) < 40


@pytest.mark.registry
@pytest.mark.parametrize(("name", "hz"), [("220", 220.0), ("880", 880.0)])
def test_sounds_named_by_their_frequency(name, hz):
    """220.wav and 880.wav of PyPI audioflux 0.1.9: a guitar's A3 and A5."""
    stroke = find_strokes(open_recording(real_sounds("strums") / f"{name}.wav"), kind="pluck").strokes[0]
    note = read_note(stroke.after_onset(), stroke.sample_rate_hz)
    assert abs(cents(note.frequency_hz, hz)) < 10


def test_noise_has_no_pitch_and_wrong_input_is_refused():
    with pytest.raises(LuthkitError, match="no pitch"):
        find_pitch(np.random.default_rng(0).standard_normal(RATE), RATE)
    for bad in (np.zeros((RATE, 2)), np.zeros(100), np.full(RATE, np.nan)):
        with pytest.raises(LuthkitError, match="or more of finite samples"):
            read_note(bad, RATE)
