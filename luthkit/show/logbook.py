"""The logbook as a page, as plain text and as data: what is in hand, what is due, and whether all sound is there."""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from pathlib import Path

from .._text import one_line
from ..shop.overview import InHand
from ..shop.verify import Verification
from .data import picked
from .page import Page, box, bullets, identity_of, image, table
from .plots.logbook import plot_logbook
from .words import text_table

_HEAD = ("Guitar", "Role", "Stage", "Sessions", "Last session", "Due next", "On")
_ASIDE = (
    "What a program left that was ended while writing (hidden folders; if the sound in one is nowhere else, make its "
    "sound files into a session, else delete it)"
)
_EMPTY = (
    "The logbook is empty. Record a guitar with notebook 0, which keeps what it records here. Recordings that you have "
    "already: choose under “I want to” to keep them."
)
_EMPTY_TEXT = (
    "The logbook is empty: record a guitar with luthkit record --guitar NAME, or keep recordings that you have with "
    "luthkit keep FOLDER --guitar NAME"
)
_LONG_PAST_DAYS = 30
_WHAT = {
    "changed": "has changed since it was kept: bring it back from a copy, or from the recorder",
    "vanished": (
        "has vanished: bring it back from a copy, or from the recorder "
        "(deleted on purpose: take its line out of sessions.csv or guitars.csv)"
    ),
    "unreadable": "cannot be read: bring it back from a copy, or from the recorder",
    "not listed": "came after the session was kept; it is read, but no checksum guards it",
    "conflict copy": "looks like the copy of a synchronising program; it is not read: compare the two, keep one",
    "link": "is a link and not sound of its own: put the file itself there",
    "no checksums": "was laid here by hand: add it as a session, and its sound will be guarded",
}


def _row(line: InHand, today: datetime.date) -> tuple[str, ...]:
    due, day = _due(line, today)
    last = line.last.isoformat() if line.last else "-"
    name, role, stage = line.guitar.name, line.guitar.role or "-", line.stage or "-"
    return one_line(name), role, one_line(stage), str(len(line.sessions)), last, due, day


def _due(line: InHand, today: datetime.date) -> tuple[str, str]:
    """What is due and when; a day long past is not caught up with, so that a session now is what is due."""
    if line.due_on is None:
        return line.due, "-"
    late = (today - line.due_on).days
    if late < 1:
        return line.due, line.due_on.isoformat() + (" (today)" if late == 0 else "")
    due = line.due if late <= _LONG_PAST_DAYS else "a session, now"
    return due, f"overdue since {line.due_on} ({_span(late)})"


def _span(days: int) -> str:
    """A number of days in round words.

    >>> _span(1), _span(13), _span(20), _span(100), _span(809)
    ('1 day', '13 days', '2 weeks', '3 months', '2 years')
    """
    for unit, length, least in (("year", 365, 730), ("month", 30.44, 60), ("week", 7, 14)):
        if days >= least:
            return _count(int(days / length), unit)
    return _count(days, "day")


def overview_text(lines: Sequence[InHand], *, today: datetime.date) -> str:
    """The overview as a table of plain text."""
    if not lines:
        return _EMPTY_TEXT
    text = text_table(_HEAD, [_row(line, today) for line in lines])
    problems = [f"  {one_line(problem)}" for line in lines for problem in line.problems]
    return "\n".join([text, *(["", "Cannot be read:", *problems] if problems else [])])


def overview_data(lines: Sequence[InHand]) -> dict:
    """The overview as plain data for JSON."""
    return {
        "guitars": [
            {
                **picked(line.guitar, "name role"),
                **picked(line, "stage last due due_on problems"),
                "sessions": [picked(session, "path date stage conditions") for session in line.sessions],
                "events": [picked(event, "date kind note") for event in line.events],
            }
            for line in lines
        ]
    }


def overview_page(lines: Sequence[InHand], *, path, today: datetime.date, remarks: Sequence[str] = ()) -> Page:
    """The overview of the logbook at `path`; `remarks` stand at the top."""
    n_sessions = sum(len(line.sessions) for line in lines)
    late = sum(line.due_on is not None and line.due_on <= today for line in lines)
    short = f"{_count(len(lines), 'guitar')}, {_count(n_sessions, 'session')}; {late} due by today."
    body = [box([*remarks, short if lines else _EMPTY])]
    if lines:
        axes = plot_logbook(lines, today=today)
        body.append(image(axes, f"Sessions of {_count(len(lines), 'guitar')} by date, and what is due"))
        body.append(table(_HEAD, [_row(line, today) for line in lines]))
        body.append(
            '<p class="grey">Due: the next stage of the build; after stringing days 0, 1, 3, 7, 14, 30, 60, 90, 180 '
            "and 365, then twice a year at opposite seasons (common practice, no published source).</p>"
        )
    problems = [problem for line in lines for problem in line.problems]
    if problems:
        body.append("<h2>Cannot be read</h2>" + bullets(problems))
    identity = identity_of("overview", Path(path).resolve())
    return Page("The logbook", "".join(body), "logbook", identity, done="Looked through the logbook")


def verification_lines(result: Verification) -> list[str]:
    """What was found, one sentence each; the first sums up."""
    lost = len(result.lost)
    verdict = (
        "all of it is as it was kept" if not lost else f"{_count(lost, 'thing')} changed or gone since it was kept"
    )
    said = [f"{_count(result.n_files, 'sound file')} of {_count(result.n_sessions, 'session')} read: {verdict}."]
    said += [f"{finding.name} {_WHAT[finding.what]}." for finding in result.findings]
    if result.unfinished:
        said.append(f"{_ASIDE}: {', '.join(str(path) for path in result.unfinished)}.")
    return said


def verification_data(result: Verification) -> dict:
    """The same as plain data for JSON."""
    return {
        "sessions": result.n_sessions,
        "files": result.n_files,
        "lost": len(result.lost),
        "findings": [picked(finding, "name what path") for finding in result.findings],
        "unfinished": result.unfinished,
    }


def verification_page(result: Verification, *, path) -> Page:
    """The same as a page."""
    first, *rest = verification_lines(result)
    identity = identity_of("verify", Path(path).resolve())
    return Page("The sound in the logbook", box([first]) + bullets(rest), "logbook_checked", identity)


def _count(n: int, what: str) -> str:
    return f"{n} {what}{'' if n == 1 else 's'}"
