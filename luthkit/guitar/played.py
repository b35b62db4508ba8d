"""What a guitar sounds like when it is played: its strums, and the plucks of each string."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import log

from .._frozen import frozen_dict
from ..signal.notes import cents, nearest_note, note_hz, note_in
from ..signal.partials import Note, read_note
from ..signal.stroke_tone import StrokeTone
from ..signal.strokes import Stroke
from ..signal.taps import Rejection

_OTHER_PITCH_CENTS = 60.0


@dataclass(frozen=True, eq=False)
class PluckReading:
    """One pluck: its tone, its note, and the string it is."""

    tone: StrokeTone
    note: Note
    string: str  # the note it should sound: as was said, or the nearest to its pitch
    cents: float  # from that note in equal temperament, A4 = 440 Hz
    cents_u: float


@dataclass(frozen=True)
class ToneMean:
    """One measure of a guitar, averaged over its strums."""

    measure: str
    value_unit: str
    value: float
    u: float  # of the mean, from the scatter of the strums; NaN for a single one
    n_strokes: int  # in which it could be read


@dataclass(frozen=True, eq=False)
class ToneReading:
    """All strums and plucks of one guitar on one occasion; or what a profile keeps of them."""

    name: str
    strums: tuple[StrokeTone, ...]
    plucks: tuple[PluckReading, ...]
    rejected: tuple[Rejection, ...]
    sources: Mapping[str, str]  # recording -> SHA-256
    parameters: Mapping[str, object]  # "conditions": what session.toml says
    version: str
    notes: tuple[str, ...] = ()
    means: tuple[ToneMean, ...] = ()  # over the strums, where these are not at hand but in a profile

    @property
    def by_string(self) -> Mapping[str, tuple[PluckReading, ...]]:
        """The plucks of each string, the lowest first."""
        names = sorted({pluck.string for pluck in self.plucks}, key=note_hz)
        return frozen_dict({name: tuple(p for p in self.plucks if p.string == name) for name in names})


def read_pluck(stroke: Stroke, tone: StrokeTone, *, string: str = "") -> tuple[PluckReading, str]:
    """The note of one pluck, and a sentence where another pitch is heard than was said, "" otherwise.

    `string` is the note it should sound, such as "E2"; "" where session.toml says none: then the file's name may.
    The pitch heard is believed.
    """
    note = read_note(stroke.after_onset(), stroke.sample_rate_hz, noise=stroke.noise.mean(axis=1))
    said = string or note_in(stroke.source)
    heard = nearest_note(note.frequency_hz)
    other = bool(said) and abs(cents(note.frequency_hz, note_hz(said))) > _OTHER_PITCH_CENTS
    named = heard if other or not said else said
    u = 1200 / log(2) * note.frequency_u_hz / note.frequency_hz
    sentence = (
        f"{stroke.source}: {'session.toml' if string else 'its name'} says {said}, but {heard} is heard "
        f"({note.frequency_hz:.1f} Hz); the pitch heard is believed."
    )
    return PluckReading(tone, note, named, cents(note.frequency_hz, note_hz(named)), u), sentence if other else ""
