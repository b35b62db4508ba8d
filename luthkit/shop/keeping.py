"""Keeping things in the logbook: a guitar, a session, an event. Each appears whole or not at all."""

from __future__ import annotations

import datetime
import hashlib
import os
import re
from collections import Counter
from collections.abc import Iterable, Mapping
from contextlib import suppress
from dataclasses import replace
from itertools import takewhile
from pathlib import Path, PurePosixPath

from .._frozen import frozen_dict
from ..errors import LuthkitError
from ..guitar.history import EVENT_KINDS, Event
from ..signal.recording import SUFFIXES
from .checksums import SUMS, read_sums, sums_text
from .index import folders_in
from .logbook import (
    EVENTS,
    GUITAR,
    PROFILES,
    ROLES,
    Logbook,
    LoggedGuitar,
    LoggedSession,
    as_logbook,
    called,
    day_of,
    read_events,
    read_guitar,
)
from .safe import (
    folder_aside,
    free_name,
    locked,
    safe_name,
    settle_as,
    told,
    write_new,
)
from .session import FILE_NAME, POSITIONS, Session, check_words, read_session, session_text
from .texts import add_text, csv_text, one_of
from .verify import enlist

UNDATED = "undated"
COMING_IN = ".coming_in.lock"  # held while sound that is whole on the disk takes its place: not twice, by two at once
_CHUNK_BYTES = 1 << 20


def add_session(
    logbook,
    source,
    *,
    guitar: str | None = None,
    words: Mapping[str, object] | None = None,
    position: str = "",
    placement: str = "",
    role: str = "",
) -> LoggedSession:
    """Copy a session into the logbook; the source is not touched.

    logbook : a `Logbook`, or its folder.
    source : a folder of recordings (or sound files) with or without a session.toml, or a `Session`, whose
        recordings lie anywhere. Texts and pictures that lie in the folder beside the recordings come along.
    guitar : what the guitar is called, where the source does not say so. It is new in the logbook if need be.
    words : what session.toml is to say beyond what the source says, e.g. date, stage, temperature_c.
    position, placement : where all taps were struck that do not say it, one of `POSITIONS`, and in which set-up.
    role : of the guitar, one of `ROLES`, if it is new.

    The session appears in one step when all of it is on the disk; of two programs that keep the same sound at once,
    one is refused. Its folder is called by its date; names of files that some system would not take are changed. A
    session.toml to which nothing is added is copied as it is.

    Raises `LuthkitError` for words that are not known, a position or placement that no tap is in want of, a source that
    cannot be read, a session whose sound is in the logbook already, of this or another guitar, and a logbook that
    cannot be written to.
    """
    logbook = as_logbook(logbook)
    folder = Path(source).expanduser() if isinstance(source, (str, os.PathLike)) else None
    given = source if isinstance(source, Session) else read_session(folder if folder else source)
    session = _filled(given, position=position, placement=placement)
    extras = _papers_in(folder) if folder and folder.is_dir() else []
    said = {**session.conditions, **(words or {})}
    name = guitar or str(said.get("guitar") or session.name)
    said = {**said, "guitar": name} if guitar or "guitar" in said else said
    conditions = check_words(said, "the session to be kept")
    taken: list[str] = []
    for recording in session.recordings:
        taken.append(free_name(_safe_path(recording.name), taken))
    recordings = tuple(replace(one, name=new) for one, new in zip(session.recordings, taken, strict=True))
    wanted = Session(name, recordings, frozen_dict(conditions))
    own = folder / FILE_NAME if folder and (folder / FILE_NAME).is_file() else None
    if own and recordings == given.recordings and not words and not guitar:
        text = own.read_bytes()
    else:
        text = (_first_remarks(own) + session_text(wanted)).encode("utf-8", "backslashreplace")

    day = day_of(conditions.get("date"))
    with told(f"the session of {name}"), folder_aside(logbook.path) as aside:
        sums = {}
        for recording in recordings:
            target = aside / recording.name
            target.parent.mkdir(exist_ok=True)
            sums[recording.name] = _copy(recording.path, target)
        for path in extras:
            names = [FILE_NAME, SUMS, *(other.name for other in aside.iterdir())]
            _copy(path, aside / free_name(safe_name(path.name), names))
        write_new(aside / SUMS, sums_text(sums).encode())
        write_new(aside / FILE_NAME, text)
        kept = read_session(aside)
        if sorted(r.name for r in kept.recordings) != sorted(taken):
            raise LuthkitError(f"the session of {name} does not read back as it was given; nothing was kept")
        with locked(logbook.path / COMING_IN):
            _refuse_twins(logbook, set(sums.values()))
            home = add_guitar(logbook, name, role=role)
            target = settle_as(aside, home.path, day.isoformat() if day else UNDATED)
    enlist(home.path)
    return LoggedSession(home.name, target, day, str(conditions.get("stage", "")), wanted.conditions)


def position_remark(kept: LoggedSession, *, how: str) -> str:
    """What to do where taps of a kept session do not say where, or in which set-up, they were struck; "" otherwise.

    how : what the maker can do about it next time, such as "name it with --position and --placement".
    """
    taps = read_session(kept.path).of_kind()
    nowhere, unplaced = [tap for tap in taps if not tap.position], [tap for tap in taps if not tap.placement]
    if not nowhere and not unplaced:
        return ""
    suggested = dict(Counter(place for tap in nowhere if (place := _place_in(tap.name))).most_common())
    wants = " and ".join(["where"] * bool(nowhere) + ["in which placement"] * bool(unplaced))
    lines = [f'position = "{next(iter(suggested), POSITIONS[0])}"'] * bool(nowhere)
    lines += ['placement = "1"'] * bool(unplaced)
    some = {len(nowhere), len(unplaced)} - {0, len(taps)}
    which = f"{max(some)} of {len(taps)} recordings of taps" if some else "the taps"
    names = ", ".join(f"{place} ({count} of {len(nowhere)} files)" for place, count in suggested.items())
    return (
        f"{wants[0].upper()}{wants[1:]} {which} were struck is not noted: "
        f"{f'the names suggest {names}; ' if names else ''}{how} next time, or write it into "
        f"{kept.path / FILE_NAME}, {' and '.join(lines)} in lines of their own under each [[recording]] "
        "(that file may be edited; sound may not)."
    )


def _place_in(name: str) -> str:
    """The position that the name of a file speaks of, "" for none: bass_wing_1.wav was struck at the bass wing."""
    words = f" {' '.join(re.findall('[a-z]+', name.lower()))} ".replace(" center ", " centre ")
    return next((place for place in POSITIONS if f" {place} " in words), "")


def add_guitar(logbook, name: str, *, role: str = "", **words: str) -> LoggedGuitar:
    """The guitar of this name in the logbook, with a new folder if it is new there.

    role : one of `ROLES`. words : what else guitar.toml says, `body_kind` or `notes`. Both are taken for a new
    guitar only. Raises `LuthkitError` for an empty name, or words that are not known.
    """
    logbook, name = as_logbook(logbook), " ".join(name.split())
    if not name:
        raise LuthkitError("a guitar needs a name; give one, such as Number 12")
    if role:
        one_of("role", role, ROLES, name)
    import tomli_w

    text = tomli_w.dumps({"name": name, **({"role": role} if role else {}), **words})
    if known := called(logbook.guitars(), name):
        return known
    with told(f"the guitar {name}"), folder_aside(logbook.path) as aside:
        write_new(aside / GUITAR, text.encode("utf-8", "backslashreplace"))
        read_guitar(aside / GUITAR)
        settle_as(aside, logbook.path, safe_name(name), reserved=(PROFILES,))
    return logbook.guitar(name)


def add_event(logbook, guitar: str, kind: str, *, date: datetime.date, note: str = "") -> Event:
    """Write one event into the guitar's table, below what stands there. Two that write at once both come in.

    Raises `LuthkitError` for a guitar that is not in the logbook, or a kind that is not in `EVENT_KINDS`.
    """
    one_of("event", kind, EVENT_KINDS, guitar)
    event = Event(date, kind, " ".join(note.split()))
    with told(f"the event of {guitar}"):
        add_events(as_logbook(logbook).guitar(guitar).path, [event])
    return event


def add_events(guitar: Path, events: Iterable[Event]) -> None:
    """Write events that are not there yet into the table in a guitar's folder; a damaged table is not written on."""

    def new() -> str:
        there = read_events(guitar / EVENTS)
        return csv_text([each.date.isoformat(), each.kind, each.note] for each in events if each not in there)

    add_text(guitar / EVENTS, "date,kind,note\n", new)


def _filled(session: Session, **words: str) -> Session:
    """The session with `position` and `placement` for its taps that do not say them; what was noted stands."""
    words = {key: text for key, text in words.items() if text}
    one_of("position", words.get("position", POSITIONS[0]), POSITIONS, session.name)
    for key, text in words.items():
        wanting = [r.name for r in session.of_kind() if not getattr(r, key)]
        if not wanting:
            raise LuthkitError(f"no tap of {session.name} is in want of a {key}, but {text!r} was given; leave it out")
        recordings = tuple(replace(r, **{key: text}) if r.name in wanting else r for r in session.recordings)
        session = replace(session, recordings=recordings)
    return session


def _safe_path(name: str) -> str:
    """The name of a recording within its session: no way out, at most one sub-folder, takes on every system."""
    parts = [safe_name(part) for part in PurePosixPath(name.replace("\\", "/")).parts if part not in ("/", ".", "..")]
    return "/".join(parts if len(parts) < 3 else [parts[-2], parts[-1]])


def _first_remarks(where: Path | None) -> str:
    """The lines with # at the head of a session.toml, such as that its sound is synthetic."""
    lines = where.read_text(encoding="utf-8-sig").splitlines(keepends=True) if where else []
    return "".join(takewhile(lambda line: line.startswith("#"), lines))


def _papers_in(folder: Path) -> list[Path]:
    """Texts and pictures beside the recordings: every visible file that is no sound, no link, and not made anew."""
    files = [path for path in sorted(folder.iterdir()) if path.is_file() and not path.is_symlink()]
    files = [path for path in files if path.suffix.lower() not in SUFFIXES and path.name not in (FILE_NAME, SUMS)]
    return [path for path in files if not path.name.startswith(".")]


def _copy(source: Path, target: Path) -> str:
    """Copy a file byte by byte onto the disk and give its SHA-256; its time of change comes along."""
    digest = hashlib.sha256()
    if not os.access(source, os.R_OK):
        raise LuthkitError(f"{source} cannot be read; check that it is there and its permissions")
    with open(source, "rb") as file, open(target, "xb") as copy:
        while piece := file.read(_CHUNK_BYTES):
            digest.update(piece)
            copy.write(piece)
        copy.flush()
        os.fsync(copy.fileno())
        times = os.fstat(file.fileno())
    os.utime(target, ns=(times.st_atime_ns, times.st_mtime_ns))
    return digest.hexdigest()


def _refuse_twins(logbook: Logbook, mine: set[str]) -> None:
    """Sound that is kept already, of whatever guitar, is not kept again; `mine` are its SHA-256."""
    for where in [f"{guitar.path.name}/{name}" for guitar in logbook.guitars() for name in folders_in(guitar.path)]:
        theirs: set[str] = set()
        with suppress(LuthkitError):  # a damaged list is for `verify` to tell of
            theirs = set(read_sums(logbook.path / where).values())
        if mine <= theirs:
            raise LuthkitError(f"this sound is in the logbook already, as {where}; nothing was added")
