"""From a folder of strums and plucks to what they sound like."""

from __future__ import annotations

from dataclasses import replace

from .. import __version__
from .._frozen import frozen_dict
from .._threads import one_thread
from ..errors import LuthkitError
from ..guitar.played import ToneReading, read_pluck
from ..signal.partials import find_pitch
from ..signal.stroke_tone import read_stroke
from ..signal.strokes import find_strokes
from ..signal.taps import Rejection
from . import cache
from .session import Session, read_session

_GUESSED = "Nobody said what is a strum and what a pluck; what sounds a single note is taken for a pluck."


@one_thread
def read_tone(paths) -> ToneReading:
    """The strums and plucks of one folder (or of files) with what its session.toml says of them.

    Files named one by one, or in a folder without session.toml, say not what they are: they are taken for
    plucks where they sound a single note, else for strums. The string of a pluck is what session.toml says, or
    the nearest note to its pitch; where a file's name says another pitch than is heard, a note says so.

    In a logbook all is read once and kept (`cache`).

    Raises `LuthkitError` as `read_session` does, and when no recording is a strum or a pluck. A stroke that
    cannot be read is left out with its reason, and the rest goes on.
    """
    session = read_session(paths)
    kinds = {r.name: r.kind for r in session.recordings if r.kind in ("strum", "pluck")}
    guessed = not kinds and not session.conditions and all(r.kind == "tap" for r in session.recordings)
    if guessed:
        kinds = {r.name: "" for r in session.recordings}
    if not kinds:
        raise LuthkitError(
            f"{session.name} has {len(session.recordings)} recordings, but none is called a strum or a pluck; "
            'list them in session.toml with kind = "strum" or kind = "pluck"'
        )
    used = [recording for recording in session.recordings if recording.name in kinds]
    place = cache.place_of("tone", used, {"name": session.name, "guessed": guessed})
    reading = cache.remembered(place, ToneReading, lambda: _worked_out(session.name, used, kinds))
    said = {"conditions": dict(session.conditions), "pluck_points": _pluck_points(session)}
    return replace(reading, parameters=frozen_dict(said))


def _worked_out(name: str, recordings, kinds) -> ToneReading:
    strums, plucks, rejected, notes, sources = [], [], [], [], {}
    for recording in recordings:
        kind = kinds[recording.name]
        found = find_strokes({recording.name: recording.path}, kind=kind or "strum")
        rejected += found.rejected
        sources.update(found.sources)
        for stroke in found.strokes:
            if not kind and len(strums) == len(plucks) == 0:
                notes.append(_GUESSED)
            try:
                tone = read_stroke(stroke)
                if kind == "pluck" or (not kind and _single_note(stroke)):
                    pluck, warning = read_pluck(stroke, tone, string=recording.string)
                    plucks.append(pluck)
                    notes += [warning] if warning and warning not in notes else []
                else:
                    strums.append(tone)
            except LuthkitError as error:
                rejected.append(Rejection(stroke.source, stroke.time_s, str(error).rstrip(".")))
    parts = tuple(strums), tuple(plucks), tuple(rejected), frozen_dict(sources), frozen_dict({})
    return ToneReading(name, *parts, version=__version__, notes=tuple(notes))


def _single_note(stroke) -> bool:
    """Whether it has a pitch, as one string has and a chord has not."""
    try:
        return find_pitch(stroke.after_onset(), stroke.sample_rate_hz, least=0.9) > 0
    except LuthkitError:
        return False


def _pluck_points(session: Session) -> tuple[str, ...]:
    """Where the strings were plucked, in the maker's words, each once."""
    own = [r.pluck_point for r in session.recordings if r.kind in ("strum", "pluck")]
    usual = str(session.conditions.get("pluck_point", ""))
    return tuple(dict.fromkeys(point or usual for point in own if point or usual))
