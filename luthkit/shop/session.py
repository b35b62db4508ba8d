"""A session: a folder of recordings of one instrument, and what the maker wrote down about them.

The folder may hold a plain text file, `session.toml`. All of it is optional:

    guitar = "Number 12"
    date = 2024-03-09
    stage = "strung"                   # one of STAGES where one fits
    stage_note = "day 30"              # what else is to be said of it
    operator = "A. N."                 # who tapped
    repeat_study = true                # belongs to the repeat study of this guitar
    temperature_c = 20.5
    relative_humidity_percent = 47
    body_kind = "classical"            # or "small steel-string", "large steel-string"
    soundhole_diameter_mm = 86
    body_volume_l = 14.5               # of the air inside

    [[recording]]
    file = "bridge_centre_1.flac"      # a file, or a sub-folder for all that is in it
    position = "bridge centre"
    placement = "1"                    # guitar and microphone were put back between "1" and "2"

    [[recording]]
    file = "plugged"
    position = "bridge centre"
    condition = "soundhole plugged"    # or "back blocked", or "mass at bridge" with added_mass_g = 10

    [[recording]]
    file = "strums"
    kind = "strum"                     # or "pluck"; "knock": a knock in the room without the guitar;
                                       # "bar": a metal bar; "left out": spoilt, kept and never read
    pluck_point = "a fifth of the scale"

    [[recording]]
    file = "low_string.flac"
    kind = "pluck"
    string = "E2"                      # the note it should sound

A file name alone says nothing: where a recording is not listed, its position is unknown.
"""

from __future__ import annotations

import datetime
import os
import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from .._frozen import frozen_dict
from ..errors import LuthkitError
from ..guitar.priors import BODY_KINDS, CONDITIONS
from ..signal.notes import note_hz
from ..signal.recording import find_recordings
from ..signal.taps import TapSet, find_taps
from .checksums import is_conflict_copy
from .texts import is_number, one_of, other_date, read_toml

FILE_NAME = "session.toml"
POSITIONS = ("bridge centre", "bass wing", "treble wing", "back", "rim")
PLATE = ("corner", "end", "side")  # where a free plate of wood is struck
# the stages of a build in their order: common practice, no source
STAGES = ("joined", "thicknessed", "braced", "on the rims", "closed box", "bridge on", "finished", "strung")
MASS = CONDITIONS[2]
KINDS = ("tap", "strum", "pluck", "knock", "bar", "left out")
_TEXTS = (
    "guitar",
    "stage",
    "stage_note",
    "strings",
    "microphone",
    "room",
    "support",
    "mallet",
    "maker",
    "operator",
    "player",
    "pluck_point",
    "notes",
    "kind",
    "body_kind",
)
NUMBERS = {  # key: lowest and highest value that makes sense
    "strings_age_h": (0, 1e6),
    "temperature_c": (-30, 60),
    "relative_humidity_percent": (0, 100),
    "mass_g": (0, 1e5),
    "soundhole_diameter_mm": (40, 150),
    "body_volume_l": (4, 40),
    "microphone_distance_cm": (0, 1e4),
}
_RULES = {  # key: kinds of value that fit, and what to write
    **dict.fromkeys(_TEXTS, (str, "text in double quotes")),
    "date": ((datetime.date, str), "a date such as 2024-03-09"),
    **dict.fromkeys(("strings_on", "repeat_study"), (bool, "true or false, without quotes")),
    **{key: ((int, float), f"a number from {low:g} to {high:g}") for key, (low, high) in NUMBERS.items()},
}
_RECORDING_KEYS = ("file", "kind", "position", "placement", "condition", "added_mass_g", "string", "pluck_point")


@dataclass(frozen=True)
class SessionRecording:
    """One recording of a session. `name` is its path relative to the folder of the session."""

    name: str
    path: Path
    kind: str = "tap"  # one of KINDS
    position: str = ""  # one of POSITIONS, or of PLATE; "" when nobody said
    placement: str = ""
    condition: str = ""  # one of CONDITIONS; "" = as usual
    added_mass_g: float = 0.0  # what was put on the bridge, with the condition "mass at bridge"
    string: str = ""  # of a pluck: the note it should sound, such as "E2"
    pluck_point: str = ""  # of a strum or pluck: where on the string, in the maker's words


@dataclass(frozen=True)
class Session:
    """The recordings of one instrument on one occasion, and the conditions they were made in."""

    name: str  # what the maker calls the instrument; the folder's name when nobody said
    recordings: tuple[SessionRecording, ...]
    conditions: Mapping[str, object]  # what session.toml says beside the recordings
    notes: tuple[str, ...] = ()  # plain sentences, e.g. that no position is known

    def of_kind(
        self, kind: str = "tap", *, condition: str | None = None, added_mass_g: float | None = None
    ) -> tuple[SessionRecording, ...]:
        """The recordings of one kind, in any condition and with any mass at the bridge where None.

        An unknown kind raises `LuthkitError`.
        """
        one_of("kind", kind, KINDS, self.name)
        wanted = {"kind": kind, "condition": condition, "added_mass_g": added_mass_g}
        wanted = {key: value for key, value in wanted.items() if value is not None}
        return tuple(r for r in self.recordings if all(getattr(r, key) == value for key, value in wanted.items()))

    @property
    def positions(self) -> Mapping[str, str]:
        """Name of each tap recording -> where it was struck, "" when nobody said."""
        return frozen_dict({r.name: r.position for r in self.of_kind()})

    @property
    def placements(self) -> Mapping[str, str]:
        """Name of each tap recording -> name of the set-up."""
        return frozen_dict({r.name: r.placement for r in self.of_kind()})

    def find_taps(
        self, *, condition: str = "", added_mass_g: float | None = None, kind: str = "tap", **options
    ) -> TapSet:
        """The taps, or knocks, made in one `condition` ("" = as usual), with one mass on the bridge or any (None);
        `options` as in `luthkit.find_taps`."""
        chosen = {r.name: r.path for r in self.of_kind(kind, condition=condition, added_mass_g=added_mass_g)}
        return find_taps(chosen, positions=self.positions, placements=self.placements, **options)


def read_session(paths) -> Session:
    """Find the recordings in one folder (or the files named) and read its session.toml, if there is one.

    Raises `LuthkitError` for a missing path, a folder without sound files, and for a session.toml that is no
    TOML, has an unknown key or value, or lists a file that is not there or lies outside the folder.
    """
    paths = [Path(paths)] if isinstance(paths, (str, os.PathLike)) else [Path(path) for path in paths]
    found = find_recordings(paths)
    folders = [path for path in paths if path.is_dir()]
    if len(folders) > 1:
        raise LuthkitError(
            f"{len(folders)} folders were named ({', '.join(map(str, folders))}); "
            "a session is one folder, or one or more files."
        )
    if not folders:
        recordings = _named_files(found)
        name = found[0].stem if len(found) == 1 else found[0].resolve().parent.name
        return Session(name, recordings, frozen_dict({}), _notes_on(recordings))
    folder = folders[0]
    where = folder / FILE_NAME
    said = read_words(where) if where.is_file() else {}
    copies = [path for path in found if is_conflict_copy(path)]
    found = [path for path in found if path not in copies]
    listed = _listed(said.pop("recording", []), folder, where, said.get("kind", "tap"))
    recordings = tuple(_described(path, folder, listed, said.get("kind", "tap")) for path in found)
    name = said.get("guitar") or folder.resolve().name
    notes = [f"{path.name} looks like a copy that a synchronising program left, and is not read." for path in copies]
    return Session(name, recordings, frozen_dict(said), (*notes, *_notes_on(recordings)))


def _named_files(found: list[Path]) -> tuple[SessionRecording, ...]:
    """Files named one by one: called by their file name, or by the whole path where two have the same."""
    names = [path.name for path in found]
    called = [path.name if names.count(path.name) == 1 else path.as_posix() for path in found]
    return tuple(SessionRecording(name, path) for name, path in zip(called, found, strict=True))


def read_words(where: Path, *, whole: bool = True) -> dict:
    """The checked contents of a session.toml, the stage split into `stage` and `stage_note`.

    Unless `whole`, only what stands before the first [[recording]]: enough for a list of many sessions.
    """
    return check_words(read_toml(where, tomllib.loads if whole else _above_the_tables), where)


def check_words(said: Mapping, where: object) -> dict:
    """The words of a session.toml, checked and the stage split; `where` is named in a `LuthkitError`."""
    said, known = dict(said), (*_RULES, "[[recording]]")
    for key, value in said.items():
        if key == "recording":
            if not isinstance(value, list) or not all(isinstance(item, dict) for item in value):
                raise LuthkitError(f"{where}: write each recording under a line [[recording]], in double brackets.")
            continue
        one_of("key", key, known, where)
        kinds, what = _RULES[key]
        if not isinstance(value, kinds) or (key in NUMBERS and not is_number(value, *NUMBERS[key])):
            raise LuthkitError(f"{where}: {key} is {value!r}; write {what}.")
        if key == "date" and isinstance(value, str) and (right := other_date(value)):
            raise LuthkitError(f"{where}: date is {value!r}; write {right}.")
    if "stage" in said:
        said["stage"], note = split_stage(said["stage"])
        if note:
            said["stage_note"] = ", ".join(text for text in (note, said.get("stage_note")) if text)
    for key, allowed in (("kind", KINDS), ("body_kind", BODY_KINDS)):
        if key in said:
            one_of(key, said[key], allowed, where)
    return said


def _above_the_tables(text: str) -> dict:
    """The keys above the first line that begins with a bracket; the whole where that line is part of a value."""
    head = re.split(r"^\s*\[", text, maxsplit=1, flags=re.MULTILINE)[0]
    try:
        return tomllib.loads(head)
    except tomllib.TOMLDecodeError:  # a text of several lines with a bracket in it, or a fault: the whole tells
        return tomllib.loads(text)


def _listed(items: list[dict], folder: Path, where: Path, usual_kind: str) -> dict[str, dict[str, str]]:
    """What is said of each listed file or sub-folder: path relative to the folder -> the words."""
    listed: dict[str, dict[str, str]] = {}
    for number, item in enumerate(items, start=1):
        entry = f"{where}, recording {number}"
        for key, value in item.items():
            one_of("key", key, _RECORDING_KEYS, entry)
            if key != "added_mass_g" and not isinstance(value, str):
                raise LuthkitError(f'{entry}: {key} is {value!r}; write text in double quotes, such as "1".')
        if "file" not in item:
            raise LuthkitError(f'{entry} names no file; add a line such as file = "tap_1.wav".')
        file = item["file"].replace("\\", "/")
        parts = PurePosixPath(file)
        if parts.is_absolute() or ".." in parts.parts or ":" in file.split("/")[0]:
            raise LuthkitError(f"{entry}: file is {item['file']!r}; it must lie in the folder of the session.")
        if not (folder / parts).resolve().is_relative_to(folder.resolve()):
            raise LuthkitError(f"{entry}: {item['file']!r} leads out of the folder of the session.")
        if not (folder / parts).exists():
            raise LuthkitError(f"{entry}: {item['file']!r} is not in {folder}; correct the name or remove the entry.")
        if str(parts) in listed:
            raise LuthkitError(f"{entry}: {item['file']!r} is listed twice; remove one entry.")
        for key, allowed in (("kind", KINDS), ("position", (*POSITIONS, *PLATE)), ("condition", CONDITIONS)):
            if item.get(key):
                one_of(key, item[key], allowed, entry)
        if item.get("string"):
            try:
                note_hz(item["string"])
            except LuthkitError as error:
                raise LuthkitError(f"{entry}: string is {error}") from error
        mass_g = checked_mass_g(item.get("added_mass_g", 0.0), item.get("condition", ""), entry)
        words = {key: item.get(key, "") for key in ("position", "placement", "condition", "string", "pluck_point")}
        listed[str(parts)] = {"kind": item.get("kind") or usual_kind, **words, "added_mass_g": mass_g}
    return listed


def checked_mass_g(mass: object, condition: str, where: object) -> float:
    """The mass at the bridge; 0 where there is none, and never one without the other, which is a `LuthkitError`."""
    if not (is_number(mass, 0.1, 100) if condition == MASS else mass == 0):
        raise LuthkitError(
            f"{where}: added_mass_g is {mass!r} and condition is {condition!r}; with the condition {MASS!r} write the "
            "mass as a number from 0.1 to 100, and leave added_mass_g out otherwise."
        )
    return float(mass)


def _described(path: Path, folder: Path, listed: dict, usual_kind: str) -> SessionRecording:
    """A recording with what is said of it, or of the sub-folder it lies in."""
    name = PurePosixPath(path.relative_to(folder) if path.is_relative_to(folder) else path.name)
    words = next((listed[str(each)] for each in (name, *name.parents) if str(each) in listed), {"kind": usual_kind})
    return SessionRecording(str(name), path, **words)


def _notes_on(recordings: tuple[SessionRecording, ...]) -> tuple[str, ...]:
    """What a reader of the results must know."""
    taps = [r for r in recordings if r.kind == "tap"]
    unknown = sum(not r.position for r in taps)
    notes = []
    if unknown:
        which = "No recording says" if unknown == len(taps) else f"{unknown} of {len(taps)} tap recordings do not say"
        lost = "; if they were struck in several places, modes that cancel across the bridge may be missing"
        told = f"{which} where the guitar was struck; taps without a position are taken as one position"
        notes.append(f"{told}{lost if unknown > 1 else ''}.")
    if taps and not any(r.placement for r in taps):
        notes.append("No re-placement of guitar and microphone was noted; the taps are taken as one placement.")
    return tuple(notes)


def session_text(session: Session) -> str:
    """What `read_session` reads back as the same session: conditions first, then one [[recording]] for each file.

    >>> one = SessionRecording("tap_1.wav", Path("tap_1.wav"), position="back")
    >>> print(session_text(Session("Wren", (one,), {"mass_g": 1450})))
    guitar = "Wren"
    mass_g = 1450
    <BLANKLINE>
    [[recording]]
    file = "tap_1.wav"
    kind = "tap"
    position = "back"
    <BLANKLINE>
    """
    import tomli_w

    words = {**session.conditions, "guitar": session.name}
    words.pop("kind", None)  # said of each recording below
    first = ("guitar", "date", "stage", "stage_note")  # what a reader looks for at the top
    parts = [tomli_w.dumps({key: words[key] for key in (*first, *words) if key in words})]
    for recording in session.recordings:
        told = {key: getattr(recording, key) for key in _RECORDING_KEYS[1:]}
        entry = {"file": recording.name, **{key: value for key, value in told.items() if value}}
        parts.append("\n[[recording]]\n" + tomli_w.dumps(entry))
    return "".join(parts)


def split_stage(text: str) -> tuple[str, str]:
    """(a word of `STAGES`, what else was said), from whatever the maker wrote; the text itself where no word fits.

    The words are looked for between commas, so that "not yet strung" stays as it is.

    >>> split_stage("strung, day 30"), split_stage("old, strung"), split_stage("box open")
    (('strung', 'day 30'), ('strung', 'old'), ('box open', ''))
    """
    parts = [part.strip() for part in re.split(r"[,;:()]", text) if part.strip()]
    known = [part for part in parts if part.lower() in STAGES]
    if len(known) != 1:
        return text.strip(), ""
    return known[0].lower(), ", ".join(part for part in parts if part != known[0])
