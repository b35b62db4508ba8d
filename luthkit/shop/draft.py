"""A sitting on disk while it goes on: every take is safe the moment it was heard.

A draft is a hidden folder beside the session that it will become, laid out as that session. Each take is written
aside, synced and renamed, so that it is there whole or not at all, whatever ends the program. At the end the
folder gets its name in one step.
"""

from __future__ import annotations

import csv
import datetime
import io
import os
import re
import shutil
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import numpy as np

from ..errors import LuthkitError
from ..signal.recording import open_recording
from .checksums import SUMS, sha256_of, sums_text
from .ear import Take
from .keeping import add_session
from .safe import COMING, settle, told, write_whole
from .session import FILE_NAME, POSITIONS, Session, SessionRecording, check_words, read_session
from .session_text import session_text
from .sitting import TAKEN_BACK, Plan, Sitting, Spot

TABLE = "takes.csv"
_HEADINGS = ("file", "kind", "position", "placement", "heard_s", "good_taps", "verdict")


class Draft:
    """The draft of one session folder. `Draft(target)` makes it, or goes on with the one that is there.

    target : the folder that the session will be; it must not exist yet.
    words : what session.toml says beside the recordings, e.g. guitar, stage, temperature_c; today's date is put in.

    Raises `LuthkitError` when the folder exists or cannot be written to, and for words that session.toml does not
    know.
    """

    def __init__(self, target, *, words: Mapping[str, object] | None = None):
        self.target = Path(target)
        if os.path.lexists(self.target):
            raise LuthkitError(f"{self.target} is there already; name a new folder for this session")
        self.folder = self.target.with_name(f"{COMING}{self.target.name}")
        said = {key: value for key, value in (words or {}).items() if value not in ("", None)}
        said = {"date": datetime.date.today(), "guitar": self.target.name, **said}
        self._words = check_words(said, self.target)
        with told(f"the session {self.target}"):
            self.folder.mkdir(parents=True, exist_ok=True)
            for left in self.folder.rglob(f"{COMING}*"):  # a program was ended in the middle of writing it
                left.unlink()
            found = [path.relative_to(self.folder) for path in self.folder.glob("*/tap_*.flac")]
        self._on_disk = {path.as_posix() for path in found if folder_spot(path.parts[0])}

    def resume(self, plan: Plan) -> Sitting:
        """A sitting after `plan`, with the takes that an earlier, unfinished one left here: none in most cases.

        Takes at other spots than the plan's stay on disk and become part of the session.
        """
        sitting, placed = Sitting(plan), 1
        for spot in (folder_spot(path.name) for path in sorted(self.folder.iterdir()) if path.is_dir()):
            takes = {}
            for path in sorted((self.folder / spot.folder).glob("tap_*.flac")) if spot else ():
                recording = open_recording(path)
                takes[int(path.stem.removeprefix("tap_"))] = Take(recording.read(), recording.sample_rate_hz, 0.0)
            if takes and spot in plan.spots:
                sitting = sitting.with_takes(takes, spot)
                placed = max(placed, int(spot.placement or 1))
        return replace(sitting, placed=str(placed))

    def keep(self, sitting: Sitting) -> None:
        """Write what is new: takes worth a file, the table of all takes, and session.toml.

        A take that is spoilt by itself (clipped, no tap at all) is told of in the table only. Raises
        `LuthkitError` when the disk is full or cannot be written to; what was there stays.
        """
        with told(f"the session {self.target}"):
            for one in sitting.judged:
                path = self.folder / one.name
                if one.reason == TAKEN_BACK and one.name in self._on_disk:
                    path.unlink(missing_ok=True)
                    self._on_disk.discard(one.name)
                elif not one.in_itself and one.name not in self._on_disk:
                    path.parent.mkdir(exist_ok=True)
                    write_whole(path, flac_bytes(one.take.samples, one.take.sample_rate_hz))
                    self._on_disk.add(one.name)
            write_whole(self.folder / FILE_NAME, self._session_text())
            write_whole(self.folder / TABLE, _table_text(sitting))

    def finish(self, *, logbook=None) -> Path:
        """Give the folder its name in one step, or add it to a `logbook` (a `Logbook` or its folder); where it went.

        Raises `LuthkitError` when no take was kept (the draft goes away then), or something has that name.
        """
        if not self._on_disk:
            self._go_away()
            raise LuthkitError("no tap was kept, so there is no session; check the microphone's level first")
        with told(f"the session {self.target}"):
            for inner in [path for path in self.folder.iterdir() if path.is_dir() and not any(path.iterdir())]:
                inner.rmdir()
            write_whole(self.folder / FILE_NAME, self._session_text())
        if logbook is not None:
            path = add_session(logbook, self.folder).path
            shutil.rmtree(self.folder, ignore_errors=True)
            return path
        with told(f"the session {self.target}"):
            write_whole(self.folder / SUMS, sums_text({n: sha256_of(self.folder / n) for n in self._on_disk}))
            read_session(self.folder)  # what was written can be read
            settled = settle(self.folder, self.target)
        if not settled:
            raise LuthkitError(f"{self.target} is there already; the takes are safe in {self.folder}: rename that")
        return self.target

    def _go_away(self) -> None:
        for name in (TABLE, FILE_NAME):
            (self.folder / name).unlink(missing_ok=True)
        for inner in [path for path in self.folder.iterdir() if path.is_dir()]:
            inner.rmdir()
        self.folder.rmdir()

    def _session_text(self) -> str:
        folders = sorted({name.split("/")[0] for name in self._on_disk})
        spots = {folder: folder_spot(folder) for folder in folders}
        listed = [SessionRecording(f, self.folder / f, s.kind, s.position, s.placement) for f, s in spots.items()]
        return session_text(Session(str(self._words["guitar"]), tuple(listed), self._words))


def folder_spot(folder: str) -> Spot | None:
    """The spot whose takes are kept in a sub-folder of this name; None for any other folder."""
    found = re.fullmatch(r"(\w+)_([1-9][0-9]?)", folder)
    position = found[1].replace("_", " ") if found else ""
    if position in POSITIONS:
        return Spot(position, found[2])
    return Spot("", "", "bar") if folder == "bar" else None


def flac_bytes(samples, sample_rate_hz: int) -> bytes:
    """A 24-bit FLAC file of samples (n, n_channels) in whole steps of 2^-23; reading it gives the same numbers."""
    import soundfile

    store = io.BytesIO()
    steps = np.round(np.asarray(samples) * 2.0**23).astype(np.int32) << 8
    soundfile.write(store, steps, sample_rate_hz, format="FLAC", subtype="PCM_24")
    return store.getvalue()


def _table_text(sitting: Sitting) -> str:
    store = io.StringIO()
    table = csv.writer(store, lineterminator="\n")
    table.writerow(_HEADINGS)
    for one in sitting.judged:
        file = "" if one.in_itself else one.name
        spot = one.spot
        heard = f"{one.take.start_s:.1f}"
        table.writerow((file, spot.kind, spot.position, spot.placement, heard, one.kept, one.verdict))
    return store.getvalue()
