"""Whether all sound that a logbook was given is still there, bit for bit, and the registers that tell.

SHA256SUMS (`checksums`) knows the files of a session. So that a whole session, or a whole guitar, that vanishes is
missed, `sessions.csv` in a guitar's folder has a line for each session, its folder and the SHA-256 of its SHA256SUMS,
and `guitars.csv` in the logbook a line for each guitar with such a register, its folder.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path

from ..errors import LuthkitError
from .checksums import SUMS, Finding, check_folder, read_sums, sha256_of
from .index import folders_in
from .logbook import as_logbook
from .texts import add_text, csv_text, read_cells

REGISTER = "sessions.csv"
GUITARS = "guitars.csv"


@dataclass(frozen=True)
class Verification:
    """What was checked, and what was found; `name` of a finding is relative to the logbook."""

    n_sessions: int
    n_files: int  # raw sound files whose checksum is kept
    findings: tuple[Finding, ...]
    unfinished: tuple[Path, ...]  # hidden folders that a program left which was ended while writing

    @property
    def lost(self) -> tuple[Finding, ...]:
        """The findings that tell of sound changed or gone."""
        return tuple(finding for finding in self.findings if finding.lost)


def verify(logbook, guitar: str | None = None) -> Verification:
    """Read every sound file of a guitar, or of all (None), and hold it against the SHA-256 kept with it.

    Finds files that changed or vanished, whole sessions and whole guitars that vanished, changed lists of checksums,
    links, copies that a synchronising program left, and sound that came later. Nothing is written.
    """
    logbook = as_logbook(logbook)
    homes = [logbook.guitar(guitar).path] if guitar is not None else [each.path for each in logbook.guitars()]
    findings = list(_against_guitars(logbook.path)) if guitar is None else []
    sessions = [home / name for home in homes for name in folders_in(home)]
    n_files = 0
    for folder in sessions:
        try:
            n_files += len(read_sums(folder))
            found = check_folder(folder)
        except LuthkitError:
            found = (Finding(SUMS, "unreadable", folder / SUMS),)
        findings += found
    for home in homes:
        findings += _against_register(home)
    findings = tuple(replace(each, name=each.path.relative_to(logbook.path).as_posix()) for each in findings)
    unfinished = tuple(path for path in logbook.unfinished() if guitar is None or path.parent == homes[0])
    return Verification(sum((folder / SUMS).is_file() for folder in sessions), n_files, findings, unfinished)


def _against_guitars(logbook: Path) -> Iterator[Finding]:
    try:
        gone = [logbook / name for name in read_guitars(logbook) if not (logbook / name).is_dir()]
        yield from (Finding(path.name, "vanished", path) for path in gone)
    except LuthkitError:
        yield Finding(GUITARS, "unreadable", logbook / GUITARS)


def _against_register(home: Path) -> Iterator[Finding]:
    try:
        register = read_register(home)
    except LuthkitError:
        yield Finding(REGISTER, "unreadable", home / REGISTER)
        return
    for name, digest in register.items():
        where = home / name / SUMS
        if not (home / name).is_dir():
            yield Finding(name, "vanished", home / name)
        elif not where.is_file():
            yield Finding(SUMS, "vanished", where)
        elif sha256_of(where) != digest:
            yield Finding(SUMS, "changed", where)


def read_register(guitar: Path) -> dict[str, str]:
    """Folder of each session that was kept -> SHA-256 of its SHA256SUMS. `LuthkitError` for a damaged register."""
    rows = _below_the_head(guitar / REGISTER)
    for number, row in rows.items():
        if len(row) != 2 or not re.fullmatch("[0-9a-f]{64}", row[1]):
            where = f"{guitar / REGISTER}, line {number}"
            raise LuthkitError(f"{where} is damaged; bring it back from a copy of the logbook")
    return dict(rows.values())


def read_guitars(logbook: Path) -> tuple[str, ...]:
    """Folder of each guitar that had a session. `LuthkitError` for a register that cannot be read."""
    return tuple(row[0] for row in _below_the_head(logbook / GUITARS).values())


def _below_the_head(where: Path) -> dict[int, list[str]]:
    cells = read_cells(where) if where.exists() else {}
    return {number: row for number, row in cells.items() if number > 1}


def enlist(guitar: Path) -> None:
    """Write the sessions of a guitar, and the guitars of its logbook, that are in no register yet into it.

    Nothing is said where that cannot be: the sessions are kept all the same, and come in the next time.
    """

    def sessions() -> str:
        new = [name for name in _missing(guitar, read_register(guitar)) if (guitar / name / SUMS).is_file()]
        return csv_text([name, sha256_of(guitar / name / SUMS)] for name in new)

    def guitars() -> str:
        home = guitar.parent
        return csv_text([name] for name in _missing(home, read_guitars(home)) if (home / name / REGISTER).is_file())

    with suppress(OSError, LuthkitError):
        add_text(guitar / REGISTER, "session,sha256_of_its_list\n", sessions)
    with suppress(OSError, LuthkitError):
        add_text(guitar.parent / GUITARS, "guitar\n", guitars)


def _missing(home: Path, known) -> list[str]:
    return [name for name in folders_in(home) if name not in known]
