"""The maker's repeat study in the logbook: made from recordings, kept as a plain table, found by all that judges.

A file `repeat_study_2024-03-09.csv` in the folder of the logbook holds the readings, a row for each mode of each
reading; its date says since when it is in use, and the latest one that is large enough counts. Older ones stay.
"""

from __future__ import annotations

import datetime
import os
import re
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from pathlib import Path

from ..errors import LuthkitError
from ..guitar.merging import merged
from ..guitar.pairing import track
from ..guitar.profile import LEAST_SHARE
from ..guitar.repeat_study import RepeatStudy, repeat_study
from ..guitar.thresholds import Thresholds
from ..signal.modes import read_modes
from ..signal.taps import TapSet
from .history import dated_sessions, halves, name_of, names_of, read_rows
from .logbook import as_logbook, day_of, logbook_around
from .safe import free_name, locked, told, write_whole
from .texts import csv_text

COLUMNS = ("guitar", "mode", "day", "hanging", "operator", "session", "frequency_hz", "damping_ratio")
_NAME = re.compile(r"repeat_study_(\d{4}-\d{2}-\d{2})(?:_(\d+))?\.csv")


def read_repeat_study(table) -> RepeatStudy:
    """The maker's own repeat study from a table (`guitar.repeat_study` names the columns).

    Raises `LuthkitError` for what is no table, lacks a column, or has a cell that is no number.
    """
    rows = read_rows(table)
    study = _study_of(rows, table)
    guitars = list(dict.fromkeys(row["guitar"] for row in rows if row.get("guitar")))
    named = _NAME.fullmatch(Path(table).name)
    of = f" of {' and '.join(guitars)}" if guitars else ""
    since = f", in use since {named[1]}" if named and not study.too_small else ""
    retire = "to retire it, move this file out of the logbook; for once, untick it in the form, or --no-repeat-study"
    told = study.too_small.rstrip(".") or (retire if named else "")
    return replace(study, words=f"your repeat study{of}{since} ({Path(table).name}{told and f': {told}'})")


def _study_of(rows, table) -> RepeatStudy:
    for key in ("mode", "frequency_hz", "damping_ratio"):
        if rows and key not in rows[0]:
            raise LuthkitError(f"{table} has no column {key}; it has {', '.join(rows[0])}")
    try:
        return repeat_study(rows)
    except LuthkitError as error:
        raise LuthkitError(f"{table}: {error}") from error
    except ValueError as error:
        raise LuthkitError(f"{table} has a cell that is no number: {error}; correct it") from error


def study_rows(guitar, *, since: datetime.date | None = None, until: datetime.date | None = None) -> list[dict]:
    """The readings of a repeat study from the recordings of one guitar, as rows of a table with `COLUMNS`.

    guitar : its folder. With days all sessions of those days and between are taken, without them those whose
        session.toml says repeat_study = true.

    The day is that of the session, a hanging one of its placements, the operator who session.toml says. Each
    hanging is read twice without being touched: from the first half of its taps at each position, and from the
    second, or once where that leaves fewer than four taps. Half the taps scatter more than all do, so what is told of
    "nothing touched" is on the cautious side. A mode that fewer than half of the readings show is left out: what the
    room adds comes and goes, and would pass for scatter.

    Raises `LuthkitError` when there is no such session.
    """
    asked = since is not None or until is not None
    low, high = since or datetime.date.min, until or datetime.date.max

    def belongs(day, session) -> bool:
        return low <= day <= high if asked else session.conditions.get("repeat_study") is True

    sessions, notes = dated_sessions(Path(guitar), belongs)
    if not sessions:
        which = "was recorded on these days" if asked else "says repeat_study = true in its session.toml"
        raise LuthkitError(
            f"no session in {guitar} {which}; record the guitar on three days, hung up anew three times each, and say "
            f"which days these were. {' '.join(notes)}"
        )
    labels, modesets, names = [], [], []
    for day, folder, session in sessions:
        for placement, taps in _readings(session.find_taps()):
            hanging = f"{folder.name}: {placement}" if placement else folder.name
            operator = session.conditions.get("operator", "")
            labels.append({"day": day.isoformat(), "hanging": hanging, "operator": operator, "session": folder.name})
            modesets.append(merged(read_modes(taps)))
            names.append(names_of(folder, modesets[-1]))
    found = track(modesets, names)
    seen = Counter(name for one in found for name in one.values())
    return [
        {
            "guitar": name_of(Path(guitar)),
            "mode": name,
            **label,
            "frequency_hz": round(modeset.modes[k].frequency_hz, 4),
            "damping_ratio": round(modeset.modes[k].damping_ratio, 7),
        }
        for label, modeset, tracked in zip(labels, modesets, found, strict=True)
        for k, name in tracked.items()
        if seen[name] >= LEAST_SHARE * len(found)
    ]


def _readings(taps: TapSet) -> Iterator[tuple[str, TapSet]]:
    """(placement, taps) of each hanging, in two halves, the earlier and the later; in one where that leaves too few."""
    for placement in dict.fromkeys(tap.placement for tap in taps.taps):
        here = tuple(tap for tap in taps.taps if tap.placement == placement)
        for part in halves(here, by=lambda tap: (tap.source, tap.time_s)) or (here,):
            yield placement, replace(taps, taps=part)


def keep_study(logbook, rows: Iterable[Mapping], *, date: datetime.date | None = None) -> Path:
    """Keep the rows of a study in the logbook, in use from now on; nothing that is there is written over.

    date : since when it counts; without one that of its last reading, else today. Rows that are there already under
    that date are not kept twice.

    Raises `LuthkitError` for rows that are no repeat study, and a logbook that cannot be written to.
    """
    logbook, rows = as_logbook(logbook), [dict(row) for row in rows]
    _study_of(rows, "the table")
    days = [day for row in rows if (day := day_of(row.get("day")))]
    date = date or max(days, default=datetime.date.today())
    columns = list(dict.fromkeys((*COLUMNS, *(key for row in rows for key in row))))
    text = csv_text([columns, *([row.get(key, "") for key in columns] for row in rows)])
    with told("the repeat study"), locked(logbook.path / ".repeat_study.lock"):
        for path in _studies(logbook.path):
            if path.read_text(encoding="utf-8-sig") == text and _NAME.fullmatch(path.name)[1] == f"{date}":
                return path
        where = logbook.path / free_name(f"repeat_study_{date}.csv", os.listdir(logbook.path))
        write_whole(where, text)
    return where


def kept_words(path) -> str:
    """That a study was kept, and whether it is used from now on."""
    used = "Compare and history use it from now on for the guitars of this logbook; to retire it, move this file out."
    return f"Kept as {path}. {read_repeat_study(path).too_small or used}"


def find_study(path) -> Path | None:
    """The repeat study in use for a guitar in a logbook: the latest there that is large enough, else the latest.

    None elsewhere: how well the maker repeats says nothing of recordings by another hand.
    """
    book = logbook_around(path)
    found = _studies(book.path)[::-1] if book else []
    return next((each for each in found if not read_repeat_study(each).too_small), next(iter(found), None))


def _studies(logbook: Path) -> list[Path]:
    """The tables of studies in a logbook, the oldest first."""
    found = [(match[1], int(match[2] or 1), path) for path in logbook.glob("repeat_study_*.csv")
             if (match := _NAME.fullmatch(path.name))]  # fmt: skip
    return [path for _, _, path in sorted(found)]


def own_thresholds(path, *, table=None, use: bool = True, thresholds: Thresholds | None = None) -> Thresholds:
    """Thresholds with the maker's own repeatability for a build, or a guitar followed: `table`, else `find_study`.

    Unless `use`, or where there is no study, `thresholds` as they are. Raises `LuthkitError` as `read_repeat_study`.
    """
    thresholds = thresholds or Thresholds()
    where = (table or find_study(path)) if use else None
    return thresholds if where is None else read_repeat_study(where).thresholds(thresholds)
