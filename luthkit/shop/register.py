"""The register of a guitar's sessions, `sessions.csv`, so that a whole session that vanishes is missed.

One line for each session: its folder, and the SHA-256 of its SHA256SUMS.
"""

from __future__ import annotations

import csv
import io
import re
from contextlib import suppress
from pathlib import Path

from ..errors import LuthkitError
from .checksums import SUMS, sha256_of
from .index import folders_in
from .safe import locked, write_whole

REGISTER = "sessions.csv"
_HEAD = "session,sha256_of_its_list\n"


def read_register(guitar: Path) -> dict[str, str]:
    """Folder of each session that was kept -> SHA-256 of its SHA256SUMS. `LuthkitError` for a damaged register."""
    where = guitar / REGISTER
    try:
        rows = list(csv.reader(io.StringIO(where.read_text(encoding="utf-8-sig"))))
    except FileNotFoundError:
        return {}
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise LuthkitError(f"{where} cannot be read: {error}; bring it back from a copy of the logbook") from error
    for number, row in enumerate(rows[1:], start=2):
        if row and (len(row) != 2 or not re.fullmatch("[0-9a-f]{64}", row[1])):
            raise LuthkitError(f"{where}, line {number} is damaged; bring it back from a copy of the logbook")
    return {row[0]: row[1] for row in rows[1:] if row}


def enlist(guitar: Path) -> None:
    """Write the sessions of a guitar that are not in its register yet into it, below what stands there.

    Nothing is said where that cannot be: the sessions are kept all the same, and come in the next time.
    """
    with suppress(OSError, LuthkitError), locked(guitar / f".{REGISTER}.lock"):
        known = read_register(guitar)
        new = [name for name in folders_in(guitar) if name not in known and (guitar / name / SUMS).is_file()]
        if not new:
            return
        lines = io.StringIO()
        csv.writer(lines, lineterminator="\n").writerows([name, sha256_of(guitar / name / SUMS)] for name in new)
        where = guitar / REGISTER
        text = where.read_text(encoding="utf-8-sig") if where.exists() else _HEAD
        write_whole(where, text + ("" if text.endswith("\n") else "\n") + lines.getvalue())
