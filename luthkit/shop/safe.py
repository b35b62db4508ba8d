"""Writing so that nothing is lost: aside, to the disk, then renamed into place; and names that open anywhere.

A process may be killed, a disk may fill, two notebooks may write at once: what stood there before still stands,
and what is new is there as a whole or not at all.
"""

from __future__ import annotations

import errno
import itertools
import os
import re
import secrets
import shutil
import time
import unicodedata
from collections.abc import Sequence
from contextlib import contextmanager, suppress
from pathlib import Path

from ..errors import LuthkitError

COMING = ".coming-"  # begins the name of what is still being written; never read as part of a logbook
LOCK_WAIT_S = 20.0
WINDOWS = os.name == "nt"
NAME_LENGTH = 80
_WHY = {
    (errno.ENOSPC, errno.EDQUOT, errno.EFBIG): "the disk is full; make room and try again, "
    "nothing that was there is lost",
    (errno.EROFS, errno.EACCES, errno.EPERM): "the folder cannot be written to; check its permissions, or use one on "
    "a disk that can be written to",
    (errno.ENOENT, errno.ENOTDIR): "there is no such folder; name one that is there",
}
_FORBIDDEN = re.compile(r'[<>:"/\\|?*]')  # in names, on Windows
_RESERVED = re.compile(r"(con|prn|aux|nul|com[0-9¹²³]|lpt[0-9¹²³])(\..*)?", re.IGNORECASE)  # the same, as whole names


def safe_name(text: str) -> str:
    """A name for a file or folder that every common system takes, as near to `text` as can be.

    Letters of all languages stay (composed, Unicode NFC). What Windows forbids becomes "_" (the characters
    < > : " / \\ | ? * and control characters, devices such as NUL, dots and spaces at the end), as do bytes that
    are no text and a dot at the start, which would hide the file. At most 80 characters and 200 bytes, the
    ending kept. "unnamed" where nothing remains.

    >>> safe_name("No. 12: élan?"), safe_name("../../etc"), safe_name("nul.wav"), safe_name(" ")
    ('No. 12_ élan_', '_.._.._etc', '_nul.wav', 'unnamed')
    """
    text = text.encode("utf-8", "replace").decode("utf-8")
    text = unicodedata.normalize("NFC", text).strip()
    text = "".join(letter if letter.isprintable() else "_" for letter in text)
    text = _FORBIDDEN.sub("_", text).rstrip(". ")
    if text.startswith("."):
        text = "_" + text
    if _RESERVED.fullmatch(text):
        text = "_" + text
    stem, ending = os.path.splitext(text)
    if len(ending) > 9:
        stem, ending = text, ""
    while len(stem) > 1 and (len(stem + ending) > NAME_LENGTH or len((stem + ending).encode()) > 200):
        stem = stem[:-1].rstrip(". ")
    return stem + ending or "unnamed"


def leaves_a_name(text: str) -> bool:
    """Whether anything of `text` stays in its `safe_name`.

    >>> leaves_a_name("Élan?"), leaves_a_name("???/.."), leaves_a_name(" .. ")
    (True, False, False)
    """
    return bool(text.strip(". ") and safe_name(text).strip("_. "))


def same_name(text: str) -> str:
    """Two names with the same `same_name` are one name on systems that ignore case or how accents are stored."""
    return unicodedata.normalize("NFC", unicodedata.normalize("NFC", text).casefold())


def free_name(name: str, taken) -> str:
    """`name`, or with "_2", "_3" ... before its ending, whichever is not among the names `taken`.

    >>> free_name("tap.wav", ["TAP.wav"])
    'tap_2.wav'
    """
    used = {same_name(other) for other in taken}
    stem, ending = os.path.splitext(name)
    names = itertools.chain([name], (f"{stem}_{number}{ending}" for number in itertools.count(2)))
    return next(found for found in names if same_name(found) not in used)


@contextmanager
def told(what: str):
    """Faults of the disk become one sentence, a `LuthkitError` that begins with `what`, e.g. "the session"."""
    try:
        yield
    except OSError as error:
        why = f"{(error.strerror or type(error).__name__).lower()}; nothing that was there is lost"
        why = next((words for numbers, words in _WHY.items() if error.errno in numbers), why)
        where = f" ({error.filename})" if error.filename and COMING not in str(error.filename) else ""
        raise LuthkitError(f"{what} was not written{where}: {why}") from error


@contextmanager
def file_aside(path: Path):
    """The path of a new hidden file to write, which takes the place of `path` at the end, in one step; after a fault
    nothing stays of it."""
    aside = path.with_name(f"{COMING}{secrets.token_hex(4)}")
    try:
        yield aside
        _patiently(os.replace, aside, path)
    finally:
        aside.unlink(missing_ok=True)
    sync_folder(path.parent)


def _patiently(move, source: Path, target: Path) -> None:
    """`os.replace` or `os.rename`; Windows refuses while a virus scanner or a reader has it open: for 2 s again."""
    deadline = time.monotonic() + 2.0
    while True:
        try:
            return move(source, target)
        except PermissionError:
            if not WINDOWS or time.monotonic() > deadline:
                raise
        time.sleep(0.02)


def write_whole(path: Path, content: bytes | str) -> None:
    """Replace the file by `content` in one step: after a fault it holds the old content or the new one."""
    with file_aside(path) as aside:
        write_new(aside, content.encode("utf-8") if isinstance(content, str) else content)


def write_if_possible(path: Path, content: str) -> None:
    """The same, its folder made if need be, for what can be made anew: where that cannot be, nothing is said."""
    with suppress(OSError):
        path.parent.mkdir(parents=True, exist_ok=True)
        write_whole(path, content)


def write_new(path: Path, content: bytes) -> None:
    """A new file, on the disk when this returns; an existing one is a `FileExistsError`."""
    with open(path, "xb") as file:
        file.write(content)
        file.flush()
        os.fsync(file.fileno())


def sync_folder(folder: Path) -> None:
    """Have the names in a folder written to the disk, where the system knows how (Windows does not)."""
    try:
        handle = os.open(folder, os.O_RDONLY)
    except OSError:
        return
    try:
        with suppress(OSError):  # some network disks
            os.fsync(handle)
    finally:
        os.close(handle)


@contextmanager
def folder_aside(home: Path):
    """A new hidden folder in `home` to fill; what is still there at the end is removed. See `settle`."""
    aside = home / f"{COMING}{time.strftime('%Y%m%d')}-{secrets.token_hex(6)}"
    aside.mkdir()
    try:
        yield aside
    finally:
        shutil.rmtree(aside, ignore_errors=True)


def settle(aside: Path, target: Path) -> bool:
    """Rename a filled folder to `target` in one step; False when something is there already.

    A folder in the logbook is never empty, and no system renames onto a folder that holds something: of two
    that settle at once one is told False.
    """
    for folder in (*(path for path in aside.rglob("*") if path.is_dir()), aside):
        sync_folder(folder)
    if os.path.lexists(target):
        return False
    try:
        _patiently(os.rename, aside, target)
    except OSError:
        if os.path.lexists(target):
            return False
        raise
    sync_folder(target.parent)
    return True


def settle_as(aside: Path, home: Path, name: str, *, reserved: Sequence[str] = ()) -> Path:
    """Rename a filled folder to `name` in `home`, or to the next `free_name` not `reserved`; where it is now."""
    while not settle(aside, target := home / free_name(name, [*reserved, *os.listdir(home)])):
        pass
    return target


@contextmanager
def locked(path: Path):
    """Hold the lock file `path` alone, waiting up to 20 s for another; a killed process lets go of it by itself.

    On a disk that knows no locks the work goes on without. Raises `LuthkitError` when another does not let go.
    """
    with open(path, "ab") as file:
        deadline = time.monotonic() + LOCK_WAIT_S
        while not _take(file):
            if time.monotonic() > deadline:
                raise LuthkitError(f"another luthkit holds {path} for {LOCK_WAIT_S:g} s; close it and try again")
            time.sleep(0.02)
        yield


def _take(file) -> bool:
    try:
        if WINDOWS:
            import msvcrt

            file.seek(0)
            msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)
        else:
            import fcntl

            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        return error.errno not in (errno.EAGAIN, errno.EACCES, errno.EDEADLK)
    return True
