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
from dataclasses import asdict, replace
from pathlib import Path

import numpy as np

from ..errors import LuthkitError
from ..signal.recording import open_recording
from .checksums import SUMS, sha256_of, sums_text
from .ear import Take
from .keeping import add_session
from .safe import COMING, settle, told, write_whole
from .session import FILE_NAME, Session, SessionRecording, check_words, read_session, session_text
from .sitting import LEFT_OUT_FOLDER, TAKEN_BACK, Judged, Plan, Sitting
from .spots import Spot, folder_spot

TABLE = "takes.csv"
_HEADINGS = ("file", "kind", "position", "placement", "condition", "string", "heard_s", "good_taps", "verdict")
_TAKE = re.compile(r"(?:(.+)_)?(?:tap|knock|strum|pluck)_(\d+)\.flac")


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
            found = [path.relative_to(self.folder) for path in sorted(self.folder.glob("*/*.flac"))]
        self._on_disk = {path.as_posix() for path in found if _whence(path.as_posix())}

    def resume(self, plan: Plan) -> Sitting:
        """A sitting after `plan`, with the takes that an earlier, unfinished one left here: none in most cases.

        Takes at other spots than the plan's stay on disk and become part of the session.
        """
        sitting, why, placed = Sitting(plan), self._verdicts(), ""
        for spot in plan.spots:
            takes, spoilt = {}, []
            for name in sorted(self._on_disk):
                its_spot, number = _whence(name)
                if its_spot != spot:
                    continue
                recording = open_recording(self.folder / name)
                take = Take(recording.read(), recording.sample_rate_hz, 0.0)
                if name.startswith(f"{LEFT_OUT_FOLDER}/"):
                    spoilt.append(Judged(take, spot, number, 0, why.get(name, "left out before"), in_itself=True))
                else:
                    takes[number] = take
            if takes:
                sitting = sitting.with_takes(takes, spot)
            sitting = replace(sitting, judged=(*sitting.judged, *spoilt))
            if (takes or spoilt) and spot.set_up:
                placed = spot.set_up
        return replace(sitting, placed=placed)

    def _verdicts(self) -> dict[str, str]:
        """Name of each file -> why it was left out, as far as the table of an earlier, unfinished sitting tells."""
        try:
            with open(self.folder / TABLE, newline="", encoding="utf-8") as file:
                rows = list(csv.DictReader(file))
            return {row["file"]: row["verdict"].removeprefix("left out: ") for row in rows}
        except (OSError, ValueError, KeyError, AttributeError, csv.Error):
            return {}

    def keep(self, sitting: Sitting) -> None:
        """Write what is new: the sound of each take, the table of all takes, and session.toml.

        A take that is spoilt by itself (clipped, no tap at all) goes into a folder of its own, which is never read
        as taps. Only what the maker takes back loses its sound. Raises `LuthkitError` when the disk is full or cannot
        be written to; what was there stays.
        """
        with told(f"the session {self.target}"):
            for one in sitting.judged:
                there = {one.name, one.left_out_name} & self._on_disk
                if one.reason == TAKEN_BACK:
                    for name in there:
                        (self.folder / name).unlink(missing_ok=True)
                        self._on_disk.discard(name)
                elif not there:
                    name = one.left_out_name if one.in_itself else one.name
                    (self.folder / name).parent.mkdir(exist_ok=True)
                    write_whole(self.folder / name, flac_bytes(one.take.samples, one.take.sample_rate_hz))
                    self._on_disk.add(name)
            write_whole(self.folder / FILE_NAME, self._session_text())
            write_whole(self.folder / TABLE, self._table_text(sitting))

    def finish(self, *, logbook=None) -> Path:
        """Give the folder its name in one step, or add it to a `logbook` (a `Logbook` or its folder); where it went.

        Raises `LuthkitError` when no take was kept, or something has that name. A draft without any sound goes away
        then, one with takes that were left out stays to go on with.
        """
        if all(name.startswith(f"{LEFT_OUT_FOLDER}/") for name in self._on_disk):
            said = "nothing good was kept, so there is no session; check the microphone's level first"
            if self._on_disk:
                said += f" (what was left out lies in {self.folder / LEFT_OUT_FOLDER})"
            else:
                self._go_away()
            raise LuthkitError(said)
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
            raise LuthkitError(f"{self.target} is there already; the taps are safe in {self.folder}: rename that")
        return self.target

    def _go_away(self) -> None:
        for name in (TABLE, FILE_NAME):
            (self.folder / name).unlink(missing_ok=True)
        for inner in [path for path in self.folder.iterdir() if path.is_dir()]:
            inner.rmdir()
        self.folder.rmdir()

    def _session_text(self) -> str:
        folders = sorted({name.split("/")[0] for name in self._on_disk})
        listed = []
        for folder in folders:
            spot = folder_spot(folder)
            said = asdict(spot) if spot else {"kind": "left out"}
            listed.append(SessionRecording(folder, self.folder / folder, **said))
        return session_text(Session(str(self._words["guitar"]), tuple(listed), self._words))

    def _table_text(self, sitting: Sitting) -> str:
        store = io.StringIO()
        table = csv.writer(store, lineterminator="\n")
        table.writerow(_HEADINGS)
        for one in sitting.judged:
            file = next((name for name in (one.name, one.left_out_name) if name in self._on_disk), "")
            spot, mass = one.spot, f" {one.spot.added_mass_g:g} g" * bool(one.spot.added_mass_g)
            where = (spot.kind, spot.position, spot.placement, f"{spot.condition}{mass}", spot.string)
            table.writerow((file, *where, f"{one.take.start_s:.1f}", one.kept, one.verdict))
        return store.getvalue()


def _whence(name: str) -> tuple[Spot, int] | None:
    """Spot and number of the take in a file of a draft; None for any other file."""
    folder, _, file = name.rpartition("/")
    found = _TAKE.fullmatch(file)
    spot = folder_spot(found[1] or folder if folder == LEFT_OUT_FOLDER else folder) if found else None
    return (spot, int(found[2])) if spot else None


def flac_bytes(samples, sample_rate_hz: int) -> bytes:
    """A 24-bit FLAC file of samples (n, n_channels) in whole steps of 2^-23; reading it gives the same numbers."""
    import soundfile

    store = io.BytesIO()
    steps = np.round(np.asarray(samples) * 2.0**23).astype(np.int32) << 8
    soundfile.write(store, steps, sample_rate_hz, format="FLAC", subtype="PCM_24")
    return store.getvalue()
