"""From a folder to modes: one instrument, or several at once on all cores."""

from __future__ import annotations

import os
from collections.abc import Sequence
from concurrent.futures import FIRST_EXCEPTION, Executor, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager, nullcontext, suppress
from dataclasses import replace
from pathlib import Path

from .. import __version__
from .._frozen import frozen_dict
from ..errors import LuthkitError
from ..guitar.evidence import ROOM_KNOCK, Reading
from ..guitar.merging import merged
from ..signal.modes import ModeSet, read_modes
from ..signal.taps import TapSet
from . import cache
from .session import Session, read_session

BAND_HZ = (60.0, 1000.0)  # lowest and highest mode that is looked for
POOL_FROM_BYTES = 1_000_000  # some ten seconds of sound: reading them takes as long as starting processes


def read_instrument(paths, *, band_hz: tuple[float, float] = BAND_HZ) -> ModeSet:
    """The modes of one instrument from a folder of recordings (or files), with what its session.toml says.

    The conditions of the session are kept under "conditions" in the parameters, the session's notes among the
    notes. Without a single usable tap the set has no modes, and `rejected` says why.

    Raises `LuthkitError` as `read_session` and `find_taps` do, and when no recording is of the kind "tap".
    """
    session = read_session(paths)
    if not session.of_kind(condition=""):
        raise LuthkitError(
            f"{session.name} has {len(session.recordings)} recordings, but none is called a tap in its usual "
            'condition; list the taps in session.toml with kind = "tap"'
        )
    return _read(session, band_hz)


def read_conditions(paths) -> tuple[Reading, ...]:
    """What a folder holds beside the taps made as usual: the same guitar in other conditions, and the room alone.

    One `Reading` for each condition and mass that session.toml names, and one "room knock" for recordings of
    the kind "knock". A condition whose taps are not usable has a set without modes, and `rejected` says why.

    Raises `LuthkitError` as `read_session` does.
    """
    session = read_session(paths)
    asked = dict.fromkeys((r.condition, r.added_mass_g) for r in session.of_kind() if r.condition)
    readings = [Reading(name, _read(session, BAND_HZ, condition=name, added_mass_g=mass), mass) for name, mass in asked]
    if session.of_kind("knock"):
        readings.append(Reading(ROOM_KNOCK, _read(session, BAND_HZ, kind="knock")))
    return tuple(readings)


def _read(session: Session, band_hz, **which) -> ModeSet:
    """The modes of some taps of a session, with what the session says; a set without modes where no tap is usable.
    Two modes that cannot be told apart are one (`guitar.merging`), here for all who ask.

    `which` as in `Session.find_taps`. In a logbook the modes are read once and kept (`cache`).
    """
    place = _place(session, band_hz, **which)
    modeset = cache.remembered(place, ModeSet, lambda: _worked_out(session.find_taps(**which), band_hz, session.name))
    return _with_words(modeset, session)


def _place(session: Session, band_hz, *, kind="tap", condition="", added_mass_g=None) -> Path | None:
    used = session.of_kind(kind, condition=condition, added_mass_g=added_mass_g)
    return cache.place_of("modes", used, {"name": session.name, "band_hz": tuple(band_hz)})


def _worked_out(tapset: TapSet, band_hz, name: str) -> ModeSet:
    if tapset.taps:
        modeset = read_modes(tapset, band_hz=band_hz, name=name)
    else:
        parameters = {"band_hz": band_hz}
        modeset = ModeSet((), 0, tapset.rejected, 0, tapset.sources, parameters, version=__version__, name=name)
    return replace(modeset, notes=(*modeset.notes, *tapset.notes))


def _with_words(modeset: ModeSet, session: Session) -> ModeSet:
    notes = dict.fromkeys((*modeset.notes, *session.notes))
    parameters = {**modeset.parameters, "conditions": dict(session.conditions)}
    return replace(merged(modeset), notes=tuple(notes), parameters=frozen_dict(parameters))


def _kept(folder, *, band_hz: tuple[float, float] = BAND_HZ) -> ModeSet | None:
    """What `read_instrument` would give, if a logbook holds it already."""
    try:
        session = read_session(folder)
        modeset = cache.recall(_place(session, band_hz), ModeSet)
    except LuthkitError:
        return None
    return _with_words(modeset, session) if modeset is not None else None


def read_instruments(folders: Sequence, *, executor: Executor | None = None, **options) -> tuple[ModeSet, ...]:
    """`read_instrument` of each folder, in the order given, several at a time.

    `executor` is any `concurrent.futures.Executor`; it is used as it is and left open. Without one, several
    folders are read in a pool of processes of our own if they hold enough sound to be worth it (starting
    processes takes as long as reading a few short sessions), else one after the other in this process.

    What a logbook keeps of earlier readings is not read again.

    Raises `LuthkitError` for the first folder that cannot be read, as if it had been read alone.
    """
    folders = [Path(folder) if isinstance(folder, (str, os.PathLike)) else list(folder) for folder in folders]
    kept = [_kept(folder, **options) for folder in folders]
    missing = [folder for folder, known in zip(folders, kept, strict=True) if known is None]
    new = iter(_read_anew(missing, executor, options))
    return tuple(known if known is not None else next(new) for known in kept)


def _read_anew(folders, executor, options) -> tuple[ModeSet, ...]:
    if executor is None and not _worth_a_pool(folders):
        return tuple(read_instrument(folder, **options) for folder in folders)
    with _pool(len(folders)) if executor is None else nullcontext(executor) as workers:
        try:
            jobs = [workers.submit(read_instrument, folder, **options) for folder in folders]
            while (state := wait(jobs, timeout=0.2, return_when=FIRST_EXCEPTION)).not_done:
                if any(job.exception() for job in state.done):  # short waits: whoever asked for this may stop it
                    break
            return tuple(job.result() for job in jobs)
        except BrokenProcessPool as error:
            raise LuthkitError(
                "reading was cut short because a helper process was ended from outside, perhaps for want of "
                "memory; close other programs and try again"
            ) from error


def _worth_a_pool(folders) -> bool:
    """More than one folder and `POOL_FROM_BYTES` of files in all; what cannot be read counts nothing."""
    total = 0
    for path in (Path(path) for item in folders for path in (item if isinstance(item, list) else [item])):
        with suppress(OSError):
            total += sum(file.stat().st_size for file in [*path.glob("*"), *path.glob("*/*")] or [path])
    return len(folders) > 1 and total >= POOL_FROM_BYTES


@contextmanager
def _pool(n_folders: int):
    """A pool of fresh processes, ended at once when we are interrupted."""
    import multiprocessing

    before = set(multiprocessing.active_children())
    count = min(n_folders, os.cpu_count() or 1)
    pool = ProcessPoolExecutor(count, mp_context=multiprocessing.get_context("spawn"), initializer=_quiet)
    try:
        yield pool
    except BaseException:
        pool.shutdown(wait=False, cancel_futures=True)
        for child in set(multiprocessing.active_children()) - before:
            child.terminate()
        raise
    pool.shutdown()


def _quiet() -> None:
    """A helper process ends without a word on Ctrl-C, and never outlives the process that started it."""
    import multiprocessing
    import signal
    import threading

    signal.signal(signal.SIGINT, signal.SIG_DFL)
    threading.Thread(target=_end_with, args=(multiprocessing.parent_process(),), daemon=True).start()


def _end_with(parent) -> None:
    parent.join()
    os._exit(1)
