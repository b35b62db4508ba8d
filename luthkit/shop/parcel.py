"""A guitar as one zip file: everything the logbook keeps of it, to be put into a logbook elsewhere."""

from __future__ import annotations

import os
import shutil
import stat
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from ..errors import LuthkitError
from .checksums import SUMS, check_folder, sha256_of
from .index import folders_in
from .keeping import COMING_IN, add_events
from .logbook import EVENTS, GUITAR, PROFILES, as_logbook, called, read_events, read_guitar
from .safe import file_aside, folder_aside, locked, safe_name, same_name, settle_as, told
from .verify import enlist

_DEEPEST = 4  # guitar / session / taps / file


@dataclass(frozen=True)
class Unpacked:
    """What came into a logbook."""

    guitar: str
    path: Path
    added: tuple[str, ...]  # folders of the sessions that are new
    there_already: tuple[str, ...]  # those whose sound the logbook had


def pack(logbook, guitar: str, path) -> Path:
    """Write all that is kept of a guitar into a new zip file: sessions, sound, checksums, events.

    path : the file, or a folder in which it is called by the guitar's name. Links and hidden files stay behind.

    Raises `LuthkitError` when sound is changed or gone (a parcel is always whole), where the file stands
    already, or when it cannot be written; nothing is left then.
    """
    home = as_logbook(logbook).guitar(guitar).path
    path = Path(path).expanduser()
    path = path / f"{home.name}.zip" if path.is_dir() else path
    if path.exists():
        raise LuthkitError(f"{path} exists already; name a new file")
    _refuse_damage(home)
    with told(f"the parcel {path}"), file_aside(path) as aside:
        with zipfile.ZipFile(aside, "x", zipfile.ZIP_DEFLATED, strict_timestamps=False) as parcel:
            for file in _files(home):
                parcel.write(file, f"{home.name}/{file.relative_to(home).as_posix()}")
        with open(aside, "rb+") as file:
            os.fsync(file.fileno())
    return path


def unpack(logbook, path) -> Unpacked:
    """Put the guitar of a parcel into a logbook. The sound is held against its checksums before anything appears.

    Where the guitar is there already, sessions that are new are added, events too, and nothing is changed.

    Raises `LuthkitError` for a file that is no parcel, a damaged one, one with names that lead elsewhere or
    links, and where there is no room; nothing is left then.
    """
    logbook, path = as_logbook(logbook), Path(path).expanduser()
    try:
        with zipfile.ZipFile(path) as parcel:
            entries = _checked(parcel, path)
            room = shutil.disk_usage(logbook.path).free
            if sum(entry.file_size for entry, _ in entries) > room:
                raise LuthkitError(
                    f"{path} needs more room than the {room / 1e6:.0f} MB that are free; make room first"
                )
            with told(f"the guitar in {path}"), folder_aside(logbook.path) as aside:
                for entry, name in entries:
                    _extract(parcel, entry, aside / name)
                (folder,) = aside.iterdir()
                _refuse_damage(folder)
                with locked(logbook.path / COMING_IN):
                    return _bring_in(logbook, folder)
    except FileNotFoundError:
        raise LuthkitError(f"{path} does not exist; check the spelling of the file") from None
    except (zipfile.BadZipFile, NotImplementedError, EOFError) as error:
        raise LuthkitError(f"{path} is no whole zip file ({error}); copy it again") from error


def _files(home: Path) -> Iterator[Path]:
    """Visible files of a guitar, sorted; nothing behind a link."""
    for entry in sorted(home.iterdir()):
        if entry.name.startswith(".") or entry.is_symlink():
            continue
        if entry.is_dir():
            yield from _files(entry)
        elif entry.is_file():
            yield entry


def _refuse_damage(home: Path) -> None:
    for name in folders_in(home):
        lost = [finding for finding in check_folder(home / name) if finding.lost]
        if lost:
            raise LuthkitError(
                f"{home.name}/{name}/{lost[0].name} is {lost[0].what} since it was kept "
                f"({len(lost)} in this session); bring it back from a copy first"
            )


def _checked(parcel: zipfile.ZipFile, path: Path) -> list[tuple[zipfile.ZipInfo, PurePosixPath]]:
    """The files in a parcel and where they go, none of them out of one folder."""
    found, seen = [], set()
    for entry in parcel.infolist():
        raw = entry.filename
        parts = PurePosixPath(raw).parts
        bad = raw.startswith("/") or "\\" in raw or ".." in parts or ":" in raw or "\0" in raw
        if bad or stat.S_ISLNK(entry.external_attr >> 16) or entry.flag_bits & 1:
            raise LuthkitError(f"{path} holds {raw!r}, which is no plain file in a folder; it is no parcel of luthkit")
        if entry.is_dir():
            continue
        name = PurePosixPath(*map(safe_name, parts))
        if not 2 <= len(parts) <= _DEEPEST or same_name(str(name)) in seen:
            raise LuthkitError(f"{path} holds {raw!r} where no parcel of luthkit would; ask for it to be packed again")
        seen.add(same_name(str(name)))
        found.append((entry, name))
    tops = {name.parts[0] for _, name in found}
    if len(tops) != 1 or PurePosixPath(*tops, GUITAR) not in {name for _, name in found}:
        raise LuthkitError(f"{path} does not hold one guitar with its {GUITAR}; ask for it to be packed by luthkit")
    return found


def _extract(parcel: zipfile.ZipFile, entry: zipfile.ZipInfo, target: Path) -> None:
    target.parent.mkdir(parents=True, exist_ok=True)
    with parcel.open(entry) as source, open(target, "xb") as file:
        shutil.copyfileobj(source, file)
        file.flush()
        os.fsync(file.fileno())


def _bring_in(logbook, folder: Path) -> Unpacked:
    """A guitar's folder becomes part of the logbook: as a whole where it is new, else session by session."""
    name = read_guitar(folder / GUITAR).get("name") or folder.name
    events = read_events(folder / EVENTS)
    sessions = [each for each in folders_in(folder) if (folder / each / SUMS).is_file()]
    known = called(logbook.guitars(), name)
    if known is None:
        target = settle_as(folder, logbook.path, folder.name, reserved=(PROFILES,))
        enlist(target)
        return Unpacked(name, target, tuple(sessions), ())
    home = known.path
    mine = {sha256_of(home / each / SUMS) for each in folders_in(home) if (home / each / SUMS).is_file()}
    added, there = [], []
    for each in sessions:
        if sha256_of(folder / each / SUMS) in mine:
            there.append(each)
        else:
            added.append(settle_as(folder / each, home, each).name)
    enlist(home)
    add_events(home, events)
    return Unpacked(known.name, home, tuple(added), tuple(there))
