"""What is in hand: each guitar with its stage and last session, and what is due next.

The stages and the rhythm after stringing (days 0, 1, 3, 7, 14, 30, 60, 90, 180, 365, then twice a year at
opposite seasons) are common practice, without a published source.
"""

from __future__ import annotations

import datetime
import re
from collections.abc import Sequence
from dataclasses import dataclass

from ..errors import LuthkitError
from ..guitar.history import Event
from .logbook import EVENTS, LoggedGuitar, LoggedSession, as_logbook, read_events
from .session import STAGES

RHYTHM_DAYS = (0, 1, 3, 7, 14, 30, 60, 90, 180, 365)  # after stringing; from then on
HALF_YEAR_DAYS = 182  # twice a year, at opposite seasons
_DAY = re.compile(r"\bday (\d{1,4})\b", re.IGNORECASE)


@dataclass(frozen=True)
class InHand:
    """One line of the overview."""

    guitar: LoggedGuitar
    sessions: tuple[LoggedSession, ...]  # by date, those without one last
    events: tuple[Event, ...]
    stage: str  # of the last session that says one
    last: datetime.date | None  # the last session with a date
    due: str  # what is due next, in words
    due_on: datetime.date | None  # None where it goes by the work, not by the calendar
    problems: tuple[str, ...] = ()  # what cannot be read, one sentence each


def overview(logbook) -> tuple[InHand, ...]:
    """All guitars of a logbook, what is due first at the top, those without a day after them by name."""
    logbook = as_logbook(logbook)
    sessions: dict[str, list[LoggedSession]] = {}
    for session in logbook.sessions():
        sessions.setdefault(session.path.parent.name, []).append(session)
    lines = []
    for guitar in logbook.guitars():
        mine, events = sessions.get(guitar.path.name, []), ()
        problems = [each.problem for each in (guitar, *mine) if each.problem]
        try:
            events = read_events(guitar.path / EVENTS)
        except LuthkitError as error:
            problems.append(str(error))
        last = max((session.date for session in mine if session.date), default=None)
        due = what_is_due(mine, events, role=guitar.role)
        lines.append(InHand(guitar, tuple(mine), events, _stage(mine), last, *due, tuple(problems)))
    far = datetime.date.max
    return tuple(sorted(lines, key=lambda line: (line.due_on or far, line.guitar.name.casefold())))


def what_is_due(
    sessions: Sequence[LoggedSession], events: Sequence[Event] = (), *, role: str = ""
) -> tuple[str, datetime.date | None]:
    """What to record next, in words, and the day; None for the day where it waits for the work.

    Before stringing: the stage after the last one recorded. After it: the next day of the rhythm that no
    session is near to; a session counts for a day when it lies nearer to it than to the day before it in the
    rhythm. A reference, or a guitar nobody knows the stringing of: half a year after the last session.
    """
    dated = sorted((s for s in sessions if s.date), key=lambda s: s.date)
    strung = _strung_on(dated, events, role)
    stage = _stage(dated)
    if strung is None and stage in STAGES[:-1]:
        return f"the next stage: {STAGES[STAGES.index(stage) + 1]}", None
    if strung is not None:
        last = max(((s.date - strung).days for s in dated if s.date >= strung), default=-1)
        for before, day in zip((0, *RHYTHM_DAYS), RHYTHM_DAYS, strict=False):
            if last < (before + day) / 2:
                words = f"day {day} after stringing" if day else "the day it was strung"
                return words, strung + datetime.timedelta(days=day)
    if not dated:
        return "the first session", None
    return "half a year after the last, at the opposite season", dated[-1].date + datetime.timedelta(HALF_YEAR_DAYS)


def _stage(sessions: Sequence[LoggedSession]) -> str:
    """The stage of the last session that says one."""
    said = [s for s in sessions if s.stage]
    return max(said, key=lambda s: s.date or datetime.date.min).stage if said else ""


def _strung_on(dated: Sequence[LoggedSession], events: Sequence[Event], role: str) -> datetime.date | None:
    """The day of the first stringing: as noted, by "day 30" in a session's words, or by its first strung session.

    The last only where a session before it shows the guitar at an earlier stage. None for a reference.
    """
    if role == "reference":
        return None
    if noted := [event.date for event in events if event.kind == "strung"]:
        return min(noted)
    for session in dated:
        if session.stage == "strung" and (match := _DAY.search(str(session.conditions.get("stage_note", "")))):
            return session.date - datetime.timedelta(days=int(match[1]))
    stages = [session.stage for session in dated if session.stage in STAGES]
    if "strung" in stages and stages[0] != "strung":
        return next(session.date for session in dated if session.stage == "strung")
    return None
