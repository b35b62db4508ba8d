"""Guitars of the logbook named on the command line, where a command reads one session."""

from __future__ import annotations

import datetime
import os
import sys
from pathlib import Path

from ..errors import LuthkitError
from .common import BadUse


def add_paths(command, metavar="FOLDER|FILE") -> None:
    """What a command reads that reads one guitar."""
    words = "one folder of recordings, sound files, or a guitar of the logbook"
    command.add_argument("paths", nargs="+", metavar=metavar, help=words)


def one_guitar(options, *, kinds=("tap",), others="not several folders") -> list[str]:
    """The paths of a command that reads one guitar, `located`; several folders are `BadUse`."""
    paths = located(options.paths, kinds=kinds)
    if len(paths) > 1 and any(os.path.isdir(path) for path in paths):
        raise BadUse(f"{options.command} reads one guitar: name one folder, or several files; {others}")
    return paths


def located(paths, *, kinds=("tap",)) -> list[str]:
    """The paths as typed; in place of a guitar of the logbook, its last session with a recording of these `kinds`.

    A guitar is meant by its name where nothing here is called so, or by its folder. Which session was taken is told
    on standard error. Raises `BadUse` for a guitar without such a session, and for a name that nothing has.
    """
    return [_located(path, kinds) for path in paths]


def _located(path: str, kinds) -> str:
    logbook, guitar = _guitar(path)
    if guitar is None:
        return path
    from ..shop.session import read_session

    sessions = logbook.sessions(guitar.name)
    for session in sorted(sessions, key=lambda s: (s.date or datetime.date.min, len(s.path.name), s.path.name))[::-1]:
        if any(recording.kind in kinds for recording in read_session(session.path).recordings):
            told = f"of {guitar.name} the latest session with {' or '.join(kind + 's' for kind in kinds)} is read"
            print(f"luthkit: {told}, {session.path}", file=sys.stderr, flush=True)
            return os.fspath(session.path)
    raise BadUse(f"{guitar.name} has no session with a {' or '.join(kinds)} in the logbook; keep one with luthkit keep")


def _guitar(path: str):
    """(logbook, guitar) that a folder or a name means; (None, None) for any other path."""
    if not os.path.isdir(path) and (os.path.exists(path) or os.path.basename(path) != path):
        return None, None
    from ..shop.logbook import find_logbook, logbook_around

    if os.path.isdir(path):
        logbook, here = logbook_around(path), Path(path).resolve()
        found = [guitar for guitar in logbook.guitars() if guitar.path.resolve() == here] if logbook else []
        return (logbook, found[0]) if found else (None, None)
    try:
        logbook = find_logbook()
    except LuthkitError:
        return None, None
    try:
        return logbook, logbook.guitar(path)
    except LuthkitError as error:
        raise BadUse(f"{path} does not exist, and: {error}") from error
