"""The logbook: a plain folder with one folder for each guitar, and in it one for each session.

    my logbook/
      logbook.toml             says that this is one
      guitars.csv              the guitars that had a session, so that one that vanishes is missed
      Number 12/
        guitar.toml            what the guitar is called, and whether it is a build or a reference
        events.csv             strings changed, set-up, repair
        2024-03-09/            a session; a second one of that day is 2024-03-09_2
          session.toml         what the maker wrote down
          SHA256SUMS           a checksum of each sound file
          taps/ ...            the sound as it was recorded
      profiles/                reference profiles
      .luthkit/                results and lists that can be made anew; delete it at will

Nothing here is ever rewritten but small texts, and those in one step. Links inside a logbook are not followed.
"""

from __future__ import annotations

import datetime
import difflib
import os
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import partial
from operator import attrgetter
from pathlib import Path

from .._frozen import frozen_dict
from ..errors import LuthkitError
from ..guitar.history import EVENT_KINDS, Event
from ..guitar.priors import BODY_KINDS
from .index import Index, folders_in, holds_sound
from .safe import COMING, same_name, told, write_whole
from .session import FILE_NAME, read_words
from .texts import one_of, read_cells, read_toml

MARK = "logbook.toml"
GUITAR = "guitar.toml"
EVENTS = "events.csv"  # strings changed, set-up, repair: a table that any spreadsheet opens
PROFILES = "profiles"
LAYOUT = 1
ROLES = ("build", "reference", "other")
_UNFINISHED = (f"{COMING}*", ".*.unfinished")  # of this module's writers, and of a recording that was broken off
_MARK_TEXT = f"""# This folder is a logbook of luthkit: one folder for each guitar, in it one for each session.
# All of it is plain text and sound files. The folder .luthkit may be deleted at any time; nothing is lost with it.
layout = {LAYOUT}
"""


@dataclass(frozen=True)
class LoggedSession:
    """A session in the logbook, as far as its session.toml tells; `read_session(path)` gives the recordings."""

    guitar: str
    path: Path
    date: datetime.date | None  # None when nobody said
    stage: str
    conditions: Mapping[str, object]  # what session.toml says beside the recordings
    problem: str = ""  # why session.toml cannot be read; the other fields are then empty


@dataclass(frozen=True)
class LoggedGuitar:
    """A guitar in the logbook."""

    name: str
    path: Path
    role: str  # one of ROLES, "" when nobody said
    conditions: Mapping[str, object]  # what else guitar.toml says: body_kind, notes
    problem: str = ""  # why guitar.toml cannot be read


@dataclass(frozen=True)
class Logbook:
    """A logbook on disk; nothing is held in memory, so several programs may use one at once."""

    path: Path

    def guitars(self) -> tuple[LoggedGuitar, ...]:
        """All guitars, sorted by name."""
        index = Index(self.path)
        found = sorted(self._guitars(index), key=lambda guitar: guitar.name.casefold())
        index.save(complete=False)
        return tuple(found)

    def guitar(self, name: str) -> LoggedGuitar:
        """The guitar of that name, or of that folder; letter case does not matter. `LuthkitError` if there is none."""
        guitars = self.guitars()
        if found := called(guitars, name) or called(guitars, name, by=lambda guitar: guitar.path.name):
            return found
        names = [guitar.name for guitar in guitars]
        near = difflib.get_close_matches(name, names, n=5, cutoff=0.4) or names[:5]
        there = ", ".join(near) or "none yet: keep a first session with luthkit keep FOLDER --guitar NAME"
        raise LuthkitError(f"no guitar in the logbook is called {name!r}; there is {there}")

    def sessions(
        self,
        guitar: str | None = None,
        *,
        stage: str | None = None,
        since: datetime.date | None = None,
        until: datetime.date | None = None,
    ) -> tuple[LoggedSession, ...]:
        """The sessions of one guitar, or of all (None), by guitar and date, those without a date last.

        stage : only sessions of this stage. since, until : only those of these days and between; a session
        without a date is left out then.
        """
        only = self.guitar(guitar).path.name if guitar is not None else None
        index = Index(self.path)
        guitars = [guitar for guitar in self._guitars(index) if only in (None, guitar.path.name)]
        found = [session for guitar in guitars for session in _sessions_of(guitar, index)]
        index.save(complete=only is None)
        first, last, any_day = datetime.date.min, datetime.date.max, since is None and until is None
        low, high = since or first, until or last
        found = [s for s in found if stage in (None, s.stage) and (any_day or (s.date and low <= s.date <= high))]
        return tuple(sorted(found, key=lambda s: (s.guitar.casefold(), s.date or last, s.path.name)))

    def events(self, guitar: str) -> tuple[Event, ...]:
        """What was done to a guitar, by date: strings changed, set-up, repair."""
        return read_events(self.guitar(guitar).path / EVENTS)

    def unfinished(self) -> tuple[Path, ...]:
        """Hidden folders that a program left which was ended while writing; sound in them may be all there is of it."""
        homes = (self.path, *(self.path / folder for folder in folders_in(self.path)))
        return tuple(p for home in homes for pattern in _UNFINISHED for p in sorted(home.glob(pattern)))

    def _guitars(self, index: Index):
        for folder in folders_in(self.path):
            if folder.lower() == PROFILES:
                continue
            words, problem = index.words(f"{folder}/{GUITAR}", read_guitar) or ({}, "")
            rest = {key: value for key, value in words.items() if key not in ("name", "role")}
            name = words.get("name") or folder
            yield LoggedGuitar(name, self.path / folder, words.get("role", ""), frozen_dict(rest), problem)


def _sessions_of(guitar: LoggedGuitar, index: Index):
    home, root = guitar.path.name, os.fspath(guitar.path)
    for folder in folders_in(root):
        said = index.words(f"{home}/{folder}/{FILE_NAME}", partial(read_words, whole=False))
        if said is not None or holds_sound(f"{root}/{folder}"):
            words, problem = said or ({}, "")
            date, stage = day_of(words.get("date")) or day_of(folder[:10]), words.get("stage", "")
            yield LoggedSession(guitar.name, guitar.path / folder, date, stage, frozen_dict(words), problem)


def called(guitars: Iterable[LoggedGuitar], name: str, *, by=attrgetter("name")) -> LoggedGuitar | None:
    """The guitar of this name; letter case, the number of spaces and how accents are stored do not matter."""
    wanted = same_name(" ".join(name.split()))
    return next((guitar for guitar in guitars if same_name(by(guitar)) == wanted), None)


def read_guitar(where: Path) -> dict:
    """The checked contents of a guitar.toml."""
    words = read_toml(where)
    allowed = {"name": None, "role": ROLES, "body_kind": BODY_KINDS, "notes": None}
    for key, value in words.items():
        one_of("key", key, tuple(allowed), where)
        if not isinstance(value, str):
            raise LuthkitError(f"{where}: {key} is {value!r}; write text in double quotes.")
        one_of(key, value, allowed[key] or (value,), where)
    return words


def read_events(where: Path) -> tuple[Event, ...]:
    """What was done to a guitar, by date, from a table with the columns date, kind and note; none without a file.

    Raises `LuthkitError`, naming the line, for a date or kind that is not known.
    """
    found = []
    for number, row in (read_cells(where) if where.exists() else {}).items():
        text, kind, *note = (cell.strip() for cell in [*row, ""][: max(len(row), 2)])
        if text.lower() == "date":
            continue
        try:
            date = datetime.date.fromisoformat(text)
        except ValueError:
            raise LuthkitError(f"{where}, line {number}: {text!r} is no date; write one as 2024-03-09") from None
        one_of("event", kind, EVENT_KINDS, f"{where}, line {number}")
        found.append(Event(date, kind, ", ".join(note)))
    return tuple(sorted(found, key=lambda event: event.date))


def day_of(date: object) -> datetime.date | None:
    """The day of what session.toml says under `date`, which may be a date, a date with time, or a text."""
    if isinstance(date, datetime.datetime):
        return date.date()
    if isinstance(date, datetime.date):
        return date
    try:
        return datetime.datetime.fromisoformat(str(date).strip()).date()
    except ValueError:
        return None


def start_logbook(path) -> Logbook:
    """Make an empty folder (or one that is not there yet) into a logbook; an existing logbook is opened.

    Raises `LuthkitError` when the folder holds other things or cannot be written to.
    """
    path = Path(path).expanduser()
    if not (path / MARK).is_file():
        if path.exists() and (not path.is_dir() or any(not p.name.startswith(".") for p in path.iterdir())):
            raise LuthkitError(f"{path} is not an empty folder; name a new folder for the logbook")
        with told(f"the logbook {path}"):
            path.mkdir(parents=True, exist_ok=True)
            write_whole(path / MARK, _MARK_TEXT)
    return open_logbook(path)


def open_logbook(path) -> Logbook:
    """The logbook in this folder. Raises `LuthkitError` where there is none, or one of a newer luthkit."""
    path = Path(path).expanduser()
    where = path / MARK
    if not where.is_file():
        raise LuthkitError(
            f"{path} is no logbook (it holds no {MARK}); "
            "start one in a new folder with luthkit logbook --start FOLDER, or name another"
        )
    layout = read_toml(where).get("layout")
    if layout != LAYOUT:
        raise LuthkitError(f"{where} says layout = {layout!r}; this luthkit knows {LAYOUT}: get a newer luthkit")
    return Logbook(path)


def find_logbook(start=None) -> Logbook:
    """The logbook that `start` (default: the current folder) is or lies in, or a folder "logbook" in or beside it.

    Raises `LuthkitError` where there is none.
    """
    start = Path(start) if start is not None else Path.cwd()
    if found := logbook_around(start):
        return found
    for near in (start / "logbook", start.resolve().parent / "logbook"):
        if (near / MARK).is_file():
            return Logbook(near)
    raise LuthkitError(
        f"there is no logbook in or around {start}; "
        "start one with luthkit logbook --start logbook, or name its folder with --logbook FOLDER"
    )


def logbook_around(path) -> Logbook | None:
    """The logbook that a folder or file lies in, or is; None where there is none."""
    path = Path(path).expanduser().resolve()
    return next((open_logbook(folder) for folder in (path, *path.parents) if (folder / MARK).is_file()), None)


def as_logbook(logbook) -> Logbook:
    """The logbook itself, or the one in the folder named."""
    return logbook if isinstance(logbook, Logbook) else open_logbook(logbook)
