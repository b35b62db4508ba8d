"""A reference profile: what a build is to come near to, drawn from sessions of one or several guitars.

A profile holds the modes of each guitar, so that a build beside it is judged as beside the guitars themselves.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from math import nan, sqrt

import numpy as np

from .. import __version__
from .._frozen import frozen_array, frozen_dict
from ..errors import LuthkitError
from ..signal.modes import Mode, ModeSet
from .cautions import conditions
from .history import CLIMATE
from .merging import QUANTITIES, value_of
from .played import ToneReading
from .tone_comparison import strum_means

LEAST_SHARE = 0.5  # of its sessions that must show a mode, for it to be the guitar's


@dataclass(frozen=True, eq=False)
class Profile:
    """A reference to build towards. `compare` takes it as it takes a guitar."""

    name: str
    guitars: tuple[ModeSet, ...]  # one for each guitar, its sessions made one
    tone: Mapping[str, ToneReading] = field(default_factory=dict)  # guitar -> its strums in figures (`kept_tone`)
    notes: tuple[str, ...] = ()
    version: str = __version__

    def __post_init__(self):
        object.__setattr__(self, "tone", frozen_dict(self.tone))

    @property
    def bands(self) -> tuple:
        """The `Band` of each mode over the guitars, by frequency."""
        from .comparison import bands_of  # here: that module takes Profile from this one

        return tuple(band for band, _ in bands_of(self.guitars, tuple(guitar.name for guitar in self.guitars)))


def make_profile(name: str, sessions: Sequence[ModeSet], *, tone: Mapping[str, ToneReading] | None = None) -> Profile:
    """A profile from the modes of sessions; those of one guitar (of one name) are made one by `merge_sessions`.

    Raises `LuthkitError` for a profile without a name, without sessions, or with a session without modes.
    """
    if not name.strip():
        raise LuthkitError("a profile needs a name; give one, such as Old spruce guitars")
    if not sessions:
        raise LuthkitError("a profile needs at least one session; name the folder of one")
    guitars: dict[str, list[ModeSet]] = {}
    for session in sessions:
        if not session.modes:
            raise LuthkitError(f"{session.name or 'a session'} has no modes; leave it out of the profile")
        guitars.setdefault(session.name or "nameless", []).append(session)
    merged = tuple(merge_sessions(group) for group in guitars.values())
    return Profile(name.strip(), merged, tone or {})


def kept_tone(reading: ToneReading) -> ToneReading:
    """What a profile keeps of strums and plucks: the means over the strums, and where they came from."""
    return replace(reading, strums=(), plucks=(), rejected=(), notes=(), means=strum_means(reading))


def merge_sessions(sessions: Sequence[ModeSet]) -> ModeSet:
    """Several sessions of one guitar as one set of modes.

    Modes are paired as `compare` pairs those of references; one that fewer than half of the sessions show is
    left out. Frequency and damping are geometric means; the standard uncertainty is the larger of what the
    sessions' own errors give, sqrt(sum u^2) / n, and what they scatter, s / sqrt(n) (JCGM 100, type A). Spectra
    are not kept. A single session comes back as it is, but for its spectrum and second opinions.
    """
    from .comparison import bands_of

    if len(sessions) == 1:
        bare = tuple(replace(mode, witnesses=()) for mode in sessions[0].modes)
        return replace(sessions[0], modes=bare, spectrum=None)
    names = tuple(f"{k}" for k in range(len(sessions)))
    position = tuple(dict.fromkeys(place for session in sessions for place in session.positions))
    kept = []
    for band, _ in bands_of(sessions, names):
        if len(band.members) < LEAST_SHARE * len(sessions):
            continue
        members = [mode for _, mode in band.members]
        means = [x for q in QUANTITIES for x in _mean([value_of(mode, q) for mode in members])]
        n = len(members)
        notes = dict.fromkeys(note for mode in members for note in mode.notes)
        merged = Mode(
            *means,
            level_db=sum(m.level_db for m in members) / n,
            level_u_db=sqrt(sum(m.level_u_db**2 for m in members)) / n,
            notes=tuple(notes) if n == 1 else (f"mean of {n} of {len(sessions)} sessions", *notes),
        )
        kept.append((merged, _pattern(sessions[int(band.members[0][0])], members[0], position)))
    kept.sort(key=lambda pair: pair[0].frequency_hz)
    notes = dict.fromkeys(note for session in sessions for note in session.notes)
    sources = {f"{k}/{name}": sha for k, each in enumerate(sessions, start=1) for name, sha in each.sources.items()}
    return ModeSet(
        modes=tuple(mode for mode, _ in kept),
        taps_accepted=sum(session.taps_accepted for session in sessions),
        rejected=tuple(left for session in sessions for left in session.rejected),
        placements=sum(session.placements for session in sessions),
        sources=frozen_dict(sources),
        parameters=frozen_dict({**sessions[0].parameters, "conditions": _conditions(sessions)}),
        version=__version__,
        name=sessions[0].name,
        positions=position,
        amplitudes=frozen_array([row for _, row in kept], dtype=complex) if position else None,
        notes=(f"{len(sessions)} sessions made one", *notes),
    )


def _mean(readings) -> tuple[float, float]:
    """Geometric mean of (value, u) and its standard uncertainty."""
    if len(readings) == 1:
        return readings[0]
    value, u = np.array(readings).T
    scatter = np.log(value).std(ddof=1) / sqrt(len(value))
    mean = float(np.exp(np.log(value).mean()))
    return mean, mean * float(np.maximum(np.linalg.norm(u / value) / len(value), scatter))


def _pattern(session: ModeSet, mode: Mode, positions) -> list[complex]:
    """The amplitudes of one mode at `positions`, NaN where the session has none."""
    if session.amplitudes is None:
        return [complex(nan, nan)] * len(positions)
    row = dict(zip(session.positions, session.amplitudes[session.modes.index(mode)], strict=True))
    return [complex(row.get(place, complex(nan, nan))) for place in positions]


def _conditions(sessions: Sequence[ModeSet]) -> dict:
    """What all sessions say alike, and the mean of the climate."""
    said = [conditions(session) for session in sessions]
    shared = {key: value for key, value in said[0].items() if all(item.get(key) == value for item in said)}
    for key in CLIMATE:
        known = [float(item[key]) for item in said if key in item]
        if len(known) == len(said):
            shared[key] = round(sum(known) / len(known), 3)
    return shared
