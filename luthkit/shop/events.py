"""What was done to a guitar between sessions: a table that any spreadsheet opens, `events.csv`."""

from __future__ import annotations

import csv
import datetime
import io
from pathlib import Path

from ..errors import LuthkitError
from ..guitar.history import EVENT_KINDS, Event

EVENTS = "events.csv"
HEAD = "date,kind,note\n"


def read_events(where: Path) -> tuple[Event, ...]:
    """The events in a table with the columns date, kind and note, by date; none where there is no file.

    Raises `LuthkitError`, naming the line, for a date or kind that is not known.
    """
    try:
        text = where.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        return ()
    except (OSError, UnicodeDecodeError) as error:
        raise LuthkitError(f"{where} cannot be read: {error}; save it again as UTF-8 text") from error
    found = []
    for number, row in enumerate(csv.reader(io.StringIO(text)), start=1):
        cells = [cell.strip() for cell in row]
        if not any(cells) or cells[0].lower() == "date":
            continue
        try:
            date = datetime.date.fromisoformat(cells[0])
        except ValueError:
            raise LuthkitError(f"{where}, line {number}: {cells[0]!r} is no date; write one as 2024-03-09") from None
        kind = cells[1] if len(cells) > 1 else ""
        if kind not in EVENT_KINDS:
            raise LuthkitError(f"{where}, line {number}: {kind!r} is not known; allowed are {', '.join(EVENT_KINDS)}")
        found.append(Event(date, kind, ", ".join(cells[2:])))
    return tuple(sorted(found, key=lambda event: event.date))
