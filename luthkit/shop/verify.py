"""Whether all sound that a logbook was given is still there, bit for bit."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

from ..errors import LuthkitError
from .checksums import SUMS, Finding, check_folder, read_sums, sha256_of
from .index import folders_in
from .logbook import as_logbook
from .register import GUITARS, REGISTER, read_guitars, read_register


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
    n_sessions = n_files = 0
    findings = [] if guitar is not None else list(_guitars_gone(logbook.path))
    for home in homes:
        for name in folders_in(home):
            findings += (_named(finding, f"{home.name}/{name}") for finding in _checked(home / name))
            n_sessions += (home / name / SUMS).is_file()
            n_files += _count(home / name)
        findings += (_named(finding, home.name) for finding in _against_register(home))
    unfinished = tuple(path for path in logbook.unfinished() if guitar is None or path.parent == homes[0])
    return Verification(n_sessions, n_files, tuple(findings), unfinished)


def _named(finding: Finding, folder: str) -> Finding:
    own = finding.what == "no checksums"
    return replace(finding, name=folder if own else f"{folder}/{finding.name}")


def _checked(folder: Path) -> tuple[Finding, ...]:
    try:
        return check_folder(folder)
    except LuthkitError:
        return (Finding(SUMS, "unreadable", folder / SUMS),)


def _count(folder: Path) -> int:
    try:
        return len(read_sums(folder))
    except LuthkitError:
        return 0


def _guitars_gone(logbook: Path) -> Iterator[Finding]:
    try:
        yield from (
            Finding(name, "vanished", logbook / name) for name in read_guitars(logbook) if not (logbook / name).is_dir()
        )
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
            yield Finding(f"{name}/{SUMS}", "vanished", where)
        elif sha256_of(where) != digest:
            yield Finding(f"{name}/{SUMS}", "changed", where)
