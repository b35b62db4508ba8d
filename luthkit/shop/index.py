"""A quick list of many session.toml: what was read is remembered by time and size of each file.

The memory is one JSON file that anyone may delete; the list is then read anew and comes out the same.
"""

from __future__ import annotations

import datetime
import json
import os
import time
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path

from ..errors import LuthkitError
from ..signal.recording import SUFFIXES
from .safe import write_if_possible

HOME = ".luthkit"  # in the logbook: all that can be made anew
FILE_NAME = "index.json"
_FORM = 2
_KIND = "~"  # key of what stands for a date
_FRESH_NS = 2_000_000_000  # a file written so shortly before it was read may change again within the clock's tick


class Index:
    """Remembered contents of small text files under `root`. `save` writes what is new, where that is possible."""

    def __init__(self, root: Path):
        self._root = os.fspath(root)
        self._where = root / HOME / FILE_NAME
        self._known = self._load()
        self._seen: dict[str, list] = {}
        self._new = False

    def words(self, name: str, read: Callable[[Path], Mapping]) -> tuple[dict, str] | None:
        """(words, "") of the file, or ({}, the sentence of its error); None where there is no such file.

        `name` is relative to the root, with "/"; `read` is called when the file is new or was changed.
        """
        path = f"{self._root}/{name}"
        try:
            found = os.stat(path)
        except OSError:
            return None
        known = self._known.get(name)
        if known is None or known[0] != found.st_mtime_ns or known[1] != found.st_size:
            try:
                words, problem = dict(read(Path(path))), ""
            except LuthkitError as error:
                words, problem = {}, str(error)
            known = [found.st_mtime_ns, found.st_size, words, problem]
            self._new = True
        if time.time_ns() - found.st_mtime_ns > _FRESH_NS:
            self._seen[name] = known
        return known[2], known[3]

    def save(self, *, complete: bool) -> None:
        """Remember what was seen, and unless the list was `complete` what was known; no fault where it cannot be."""
        keep = self._seen if complete else {**self._known, **self._seen}
        if not self._new and len(keep) == len(self._known):
            return
        write_if_possible(self._where, json.dumps({"form": _FORM, "files": keep}, default=_from_date))

    def _load(self) -> dict[str, list]:
        try:
            told = json.loads(self._where.read_text(encoding="utf-8"), object_hook=_to_date)
            entries = told["files"].items() if told["form"] == _FORM else ()
            return {name: [time_ns, size, words, problem] for name, (time_ns, size, words, problem) in entries}
        except (OSError, ValueError, KeyError, TypeError, AttributeError):
            return {}  # none yet, or damaged: it is made anew


def folders_in(path) -> Iterator[str]:
    """Names of the visible folders in a folder, sorted; links are left out."""
    try:
        with os.scandir(path) as entries:
            return iter(sorted(e.name for e in entries if e.name[0] != "." and e.is_dir(follow_symlinks=False)))
    except OSError:
        return iter(())


def holds_sound(path) -> bool:
    """Whether there is a sound file in the folder or one level down."""
    try:
        with os.scandir(path) as entries:
            inside = [entry for entry in entries if entry.name[0] != "."]
    except OSError:
        return False
    return any(entry.name.lower().endswith(SUFFIXES) for entry in inside) or any(
        name.lower().endswith(SUFFIXES) for entry in inside if entry.is_dir() for name in os.listdir(entry.path)
    )


def _from_date(date: datetime.date) -> dict:
    """Only a date, with or without a time, is no JSON; it is kept with its kind."""
    return {_KIND: type(date).__name__, "text": date.isoformat()}


def _to_date(plain: dict):
    return getattr(datetime, plain[_KIND]).fromisoformat(plain["text"]) if _KIND in plain else plain
