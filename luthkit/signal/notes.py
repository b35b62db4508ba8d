"""Names of notes in equal temperament, A4 = 440 Hz (ISO 16, from memory)."""

from __future__ import annotations

import re
from math import log2

from ..errors import LuthkitError

_NAMES = ("C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B")
_NOTE = re.compile(r"([A-G])([#♯sb♭]?)([0-8])")
_STANDING_ALONE = re.compile(r"(?<![A-Za-z0-9#♯♭])([A-G][#♯sb♭]?[0-8])(?![A-Za-z0-9])")


def cents(frequency_hz: float, reference_hz: float) -> float:
    """1200 log2(f / f_ref).

    >>> round(cents(442.0, 440.0), 3)
    7.851
    """
    return 1200 * log2(frequency_hz / reference_hz)


def note_hz(name: str) -> float:
    """Frequency in Hz of a note called E2, F#3, Fs3 or Bb4. Another name raises `LuthkitError`.

    >>> round(note_hz("E2"), 3), note_hz("Bb3") == note_hz("A#3")
    (82.407, True)
    """
    found = _NOTE.fullmatch(name.strip())
    if not found:
        raise LuthkitError(
            f"{name!r} is not the name of a note; write a letter from A to G, # or b, and the octave: E2."
        )
    letter, sign, octave = found.groups()
    step = _NAMES.index(letter) + (sign in ("#", "♯", "s") and 1) - (sign in ("b", "♭") and 1)
    return 440.0 * 2 ** ((step - 9) / 12 + int(octave) - 4)


def nearest_note(frequency_hz: float) -> str:
    """The note nearest to a frequency.

    >>> nearest_note(82.0), nearest_note(370.0)
    ('E2', 'F#4')
    """
    if not frequency_hz > 0:
        raise LuthkitError(f"frequency_hz is {frequency_hz}; a note has one above 0.")
    number = round(12 * log2(frequency_hz / 440.0)) + 57
    return f"{_NAMES[number % 12]}{number // 12}"


def note_in(file_name: str) -> str:
    """The note that stands alone in a file's name, "" where there is none or more than one.

    >>> note_in("plucks/A2.flac"), note_in("pluck_Fs3-take_2.wav"), note_in("bridge_centre_1.wav")
    ('A2', 'Fs3', '')
    """
    stem = file_name.replace("\\", "/").rsplit("/", 1)[-1].rsplit(".", 1)[0].replace("_", " ")
    found = set(_STANDING_ALONE.findall(stem))
    return found.pop() if len(found) == 1 else ""
