"""Names of notes: ISO 16, mir_eval's definition of the cent, file names."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from luthkit.errors import LuthkitError
from luthkit.signal.notes import cents, nearest_note, note_hz, note_in


@pytest.mark.parametrize(
    ("name", "hz"),
    [("E2", 82.4069), ("A2", 110.0), ("D3", 146.8324), ("G3", 195.9977), ("B3", 246.9417), ("E4", 329.6276)],
)
def test_open_strings(name, hz):
    """Equal temperament, A4 = 440 Hz (ISO 16, from memory)."""
    assert note_hz(name) == pytest.approx(hz, abs=1e-4)
    assert nearest_note(hz) == name


def test_cents():
    assert cents(442, 440) == pytest.approx(7.851415, abs=1e-6)
    assert cents(3, 2) == pytest.approx(701.9550, abs=1e-4)


@given(st.floats(30, 4000))
def test_the_nearest_note_is_within_half_a_semitone(hz):
    assert abs(cents(hz, note_hz(nearest_note(hz)))) <= 50 + 1e-6


@pytest.mark.parametrize(
    ("file", "note"),
    [
        ("plucks/E2.flac", "E2"),
        ("low E2 take 3.wav", "E2"),
        ("F#3_1.wav", "F#3"),
        ("Bb2-soft.wav", "Bb2"),
        ("TAKE2.wav", ""),
        ("E2_and_A2.wav", ""),
        ("e2.wav", ""),
        ("folder_E2/strum.wav", ""),
    ],
)
def test_notes_in_file_names(file, note):
    assert note_in(file) == note


def test_what_is_no_note_is_refused():
    for bad in ("H2", "E", "E22", ""):
        with pytest.raises(LuthkitError, match="not the name of a note"):
            note_hz(bad)
    with pytest.raises(LuthkitError, match="above 0"):
        nearest_note(0.0)
