"""Checksums: the SHA-256 of each raw sound file of a session, kept beside it, and what has become of them.

The file `SHA256SUMS` is in the form that `sha256sum -c` of any Unix reads: the hash, a space, an asterisk, the name.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from ..errors import LuthkitError
from ..signal.recording import SUFFIXES

SUMS = "SHA256SUMS"
_LINE = re.compile(r"([0-9a-fA-F]{64}) [ *](.+)")
_CHUNK_BYTES = 1 << 20
_CONFLICT = re.compile(r"conflict(ed)?[ _-]copy|[ ._-]sync[ _-]?conflict|\(.*conflict.*\)", re.IGNORECASE)


@dataclass(frozen=True)
class Finding:
    """One thing that is not as it was: `name` is the file, relative to the folder that was checked."""

    name: str
    what: str  # changed, vanished, unreadable; not listed, conflict copy, link, no checksums
    path: Path

    @property
    def lost(self) -> bool:
        """Whether sound that was kept is changed or gone, rather than something added or never listed."""
        return self.what in ("changed", "vanished", "unreadable")


def sha256_of(path: Path) -> str:
    """SHA-256 of a file's bytes, in hexadecimal; read piece by piece. Raises `OSError` as `open` does."""
    digest = hashlib.sha256()
    with open(path, "rb") as file:
        while piece := file.read(_CHUNK_BYTES):
            digest.update(piece)
    return digest.hexdigest()


def sums_text(sums: Mapping[str, str]) -> str:
    """The contents of SHA256SUMS for name -> SHA-256."""
    return "".join(f"{digest} *{name}\n" for name, digest in sorted(sums.items()))


def read_sums(folder: Path) -> dict[str, str]:
    """Name -> SHA-256 as kept in a session's folder; empty when nothing was kept there.

    Raises `LuthkitError` for a file that is no such list, or lists a name outside the folder.
    """
    where = folder / SUMS
    try:
        text = where.read_text(encoding="utf-8")
    except FileNotFoundError:
        return {}
    except (OSError, UnicodeDecodeError) as error:
        raise LuthkitError(f"{where} cannot be read: {error}; bring it back from a copy of the logbook") from error
    found = {}
    for number, line in enumerate(text.splitlines(), start=1):
        match = _LINE.fullmatch(line)
        name = match[2] if match else ""
        if not match or PurePosixPath(name).is_absolute() or ".." in PurePosixPath(name).parts or "\\" in name:
            raise LuthkitError(
                f"{where}, line {number} is no checksum of a file in this folder; bring the file back from a copy"
            )
        found[name] = match[1].lower()
    return found


def is_conflict_copy(path: Path) -> bool:
    """Whether a synchronising program seems to have left this as the other version of a file beside it.

    The name speaks of a conflict, and what stands before that is the name of another file there.
    """
    match = _CONFLICT.search(path.name)
    if not match:
        return False
    stem = path.name[: match.start()]
    stem = stem[: stem.rindex("(")] if "(" in stem else stem
    return (path.parent / (stem.rstrip(" ._-") + path.suffix)).is_file()


def check_folder(folder: Path) -> tuple[Finding, ...]:
    """What of a session's raw sound has changed or vanished since it was kept, and what came since; nothing is written.

    Each kept file is read in full. Raises `LuthkitError` when SHA256SUMS itself is damaged.
    """
    sums = read_sums(folder)
    sounds = {path.relative_to(folder).as_posix(): path for path in _sounds(folder)}
    if sounds and not sums:
        return (Finding(folder.name, "no checksums", folder),)
    kept = [(name, _of_kept(folder / name, digest, folder)) for name, digest in sums.items()]
    new = [(name, _of_new(path)) for name, path in sounds.items() if name not in sums]
    return tuple(Finding(name, what, folder / name) for name, what in (*kept, *new) if what)


def _of_kept(path: Path, digest: str, folder: Path) -> str:
    """What has become of a file whose SHA-256 is kept; "" where it is as it was."""
    if path.is_symlink() or not path.resolve().is_relative_to(folder.resolve()):
        return "link"
    try:
        return "" if sha256_of(path) == digest else "changed"
    except (FileNotFoundError, NotADirectoryError):
        return "vanished"
    except OSError:
        return "unreadable"


def _of_new(path: Path) -> str:
    return "link" if path.is_symlink() else "conflict copy" if is_conflict_copy(path) else "not listed"


def _sounds(folder: Path) -> Iterable[Path]:
    """Sound files in a folder and one level down, links among them."""
    for path in sorted(folder.glob("*")) + sorted(folder.glob("*/*")):
        if path.suffix.lower() in SUFFIXES and not path.name.startswith(".") and not path.is_dir():
            yield path
