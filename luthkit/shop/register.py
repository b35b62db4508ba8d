"""Registers, so that a whole session, or a whole guitar, that vanishes is missed.

`sessions.csv` in a guitar's folder: a line for each session, its folder and the SHA-256 of its SHA256SUMS.
`guitars.csv` in the logbook: a line for each guitar with such a register, its folder.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

from ..errors import LuthkitError
from .checksums import SUMS, sha256_of
from .index import folders_in
from .safe import locked, write_whole

REGISTER = "sessions.csv"
GUITARS = "guitars.csv"
_HEADS = {REGISTER: "session,sha256_of_its_list\n", GUITARS: "guitar\n"}


def read_register(guitar: Path) -> dict[str, str]:
    """Folder of each session that was kept -> SHA-256 of its SHA256SUMS. `LuthkitError` for a damaged register."""
    rows = _rows(guitar / REGISTER)
    for number, row in rows.items():
        if len(row) != 2 or not re.fullmatch("[0-9a-f]{64}", row[1]):
            raise LuthkitError(
                f"{guitar / REGISTER}, line {number} is damaged; bring it back from a copy of the logbook"
            )
    return {row[0]: row[1] for row in rows.values()}


def read_guitars(logbook: Path) -> tuple[str, ...]:
    """Folder of each guitar that had a session. `LuthkitError` for a register that cannot be read."""
    return tuple(row[0] for row in _rows(logbook / GUITARS).values())


def _rows(where: Path) -> dict[int, list[str]]:
    """Number of each line below the first that is not empty -> its cells; none where there is no file."""
    try:
        rows = list(csv.reader(io.StringIO(where.read_text(encoding="utf-8-sig"))))
    except FileNotFoundError:
        return {}
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise LuthkitError(f"{where} cannot be read: {error}; bring it back from a copy of the logbook") from error
    return {number: row for number, row in enumerate(rows[1:], start=2) if row}


def enlist(guitar: Path) -> None:
    """Write the sessions of a guitar, and the guitars of its logbook, that are in no register yet into it.

    Nothing is said where that cannot be: the sessions are kept all the same, and come in the next time.
    """
    _add_rows(
        guitar / REGISTER,
        lambda: [
            [name, sha256_of(guitar / name / SUMS)]
            for name in _missing(guitar, read_register(guitar))
            if (guitar / name / SUMS).is_file()
        ],
    )
    home = guitar.parent
    _add_rows(
        home / GUITARS,
        lambda: [[name] for name in _missing(home, read_guitars(home)) if (home / name / REGISTER).is_file()],
    )


def _missing(home: Path, known) -> list[str]:
    return [name for name in folders_in(home) if name not in known]


def _add_rows(where: Path, missing: Callable[[], list[list[str]]]) -> None:
    with suppress(OSError, LuthkitError), locked(where.with_name(f".{where.name}.lock")):
        new = missing()
        if not new:
            return
        lines = io.StringIO()
        csv.writer(lines, lineterminator="\n").writerows(new)
        text = where.read_text(encoding="utf-8-sig") if where.exists() else _HEADS[where.name]
        write_whole(where, text + ("" if text.endswith("\n") else "\n") + lines.getvalue())
