"""From a folder to a history: the sessions of one guitar in the logbook, or a table of readings.

A table is `readings.csv` (any spreadsheet writes it): a row for each mode of each session, with the columns date,
mode, frequency_hz, frequency_u_hz, damping_ratio, damping_ratio_u, temperature_c, relative_humidity_percent, mass_g;
only the first three must be there. `events.csv` beside it tells what was done to the guitar, and when.
"""

from __future__ import annotations

import datetime
from collections.abc import Callable, Sequence
from dataclasses import replace
from itertools import zip_longest
from math import hypot, log, log10, nan
from pathlib import Path

import numpy as np

from ..errors import LuthkitError
from ..guitar.history import History, Occasion, history_from_rows
from ..guitar.merging import merged
from ..guitar.pairing import track
from ..guitar.priors import NAMES
from ..signal.modes import Mode, ModeSet, read_modes
from ..signal.taps import Tap, TapSet
from . import cache
from .index import folders_in, holds_sound
from .logbook import EVENTS, GUITAR, day_of, read_events, read_guitar
from .names import name_instrument
from .reading import read_instruments
from .session import FILE_NAME, Session, read_session
from .texts import read_cells

READINGS = "readings.csv"
_READ = ("frequency_hz", "frequency_u_hz", "damping_ratio", "damping_ratio_u")
_AROUND = ("temperature_c", "relative_humidity_percent", "mass_g")
_SAME_MODE = 0.03  # as a fraction: hard and soft taps are paired no farther apart
_LEAST_TAPS = 4  # of hard and of soft ones, to compare the two
_LEAST_STEP_DB = 4.0  # from soft to hard taps, in the middle; less shows nothing (common practice, no source)
_JUDGED = 2  # sessions at the end of a history that `guitar.alarm` looks at


def read_history(path) -> History:
    """The history of one guitar: from a table of readings, a folder that holds one, or a folder of sessions.

    Sessions are read from their sound, and the same mode is found again in each (`guitar.pairing.track`); it takes the
    name it was given most often. Of the last two sessions the harder and the softer half of the taps are read by
    themselves too, where they differ enough. A session that cannot be read, or has no date, is left out with a note.

    Raises `LuthkitError` when there is nothing to follow, or for a table with a cell that cannot be read.
    """
    path = Path(path)
    if path.is_file():
        return _from_table(path, path.stem if path.name != READINGS else path.resolve().parent.name)
    if not path.is_dir():
        raise LuthkitError(f"{path} does not exist; check the spelling of the folder or file")
    if (path / READINGS).is_file():
        return _from_table(path / READINGS, name_of(path))
    return _from_sessions(path)


def history_rows(history: History) -> list[dict]:
    """The rows of a table of readings, as `read_history` reads them."""
    return [
        {
            "date": occasion.date.isoformat(),
            "session": occasion.source,
            "mode": name,
            **{key: getattr(mode, key) for key in _READ},
            **{key: getattr(occasion, key) for key in _AROUND},
            "wing_balance_db": occasion.wing_balance_db.get(name, nan),
        }
        for occasion in history.occasions
        for name, mode in occasion.modes.items()
    ]


def read_rows(path) -> list[dict]:
    """The rows of a table as dictionaries of text; `LuthkitError` for what is no table in UTF-8."""
    head, *rows = list(read_cells(Path(path)).values()) or [[]]
    keys = [key.strip() for key in head]
    return [{key: cell for key, cell in zip_longest(keys, row, fillvalue="") if key} for row in rows]


def _from_table(path: Path, name: str) -> History:
    rows = read_rows(path)
    if not rows:
        raise LuthkitError(f"{path} has no rows; write one for each mode of each session")
    return replace(history_from_rows(name, rows), events=read_events(path.parent / EVENTS))


def _from_sessions(path: Path) -> History:
    dated, notes = dated_sessions(path)
    modesets = read_instruments([folder for _, folder, _ in dated])
    read = [(*item, modeset) for item, modeset in zip(dated, modesets, strict=True)]
    kept = [item for item in read if item[-1].modes]
    notes += [f"{item[1].name} was left out: no mode was found in its taps." for item in read if not item[-1].modes]
    if not kept:
        why = " ".join(notes) or "name the folder of one guitar"
        raise LuthkitError(f"{path} holds no dated session that can be read; {why}")
    tracked = track([item[3] for item in kept], [names_of(folder, modeset) for _, folder, _, modeset in kept])
    last = len(kept) - _JUDGED
    occasions = tuple(
        _occasion(*item, names, hard_and_soft=number >= last)
        for number, (item, names) in enumerate(zip(kept, tracked, strict=True))
    )
    return History(name_of(path), occasions, read_events(path / EVENTS), (*notes, _strengths_note(occasions[-1])))


def dated_sessions(
    path: Path, wanted: Callable[[datetime.date, Session], bool] | None = None
) -> tuple[list[tuple[datetime.date, Path, Session]], list[str]]:
    """The sessions with taps in the folder of one guitar, all or those `wanted`, by date; and why others are not."""
    folders = [path / f for f in folders_in(path) if (path / f / FILE_NAME).is_file() or holds_sound(path / f)]
    notes, dated = [], []
    for folder in folders:
        try:
            session = read_session(folder)
            day = day_of(session.conditions.get("date")) or day_of(folder.name[:10])
            if day is None:
                raise LuthkitError("nobody said on which day it was recorded")
            if wanted is None or wanted(day, session):
                if not session.of_kind(condition=""):
                    raise LuthkitError("it holds no taps in their usual condition")
                dated.append((day, folder, session))
        except LuthkitError as error:
            notes.append(f"{folder.name} was left out: {str(error).rstrip('.')}.")
    return sorted(dated, key=lambda item: (item[0], item[1].name)), notes


def name_of(path: Path) -> str:
    """What the guitar in a folder is called."""
    name = read_guitar(path / GUITAR).get("name") if (path / GUITAR).is_file() else None
    return name or path.resolve().name


def names_of(folder, modeset) -> dict[int, str]:
    """Index of each mode that could be named -> its name."""
    named = name_instrument(folder, modeset=modeset).modes
    return {k: one.name for k, one in enumerate(named) if one.name in NAMES}


def _occasion(day, folder, session, modeset, names, *, hard_and_soft: bool) -> Occasion:
    said = session.conditions
    climate = {key: float(said[key]) for key in _AROUND if key in said}
    return Occasion(
        day,
        {name: modeset.modes[k] for k, name in names.items()},
        **climate,
        wing_balance_db=wing_balance(modeset, names),
        hard_over_soft=hard_over_soft(session, modeset, names) if hard_and_soft else {},
        source=folder.name,
    )


def wing_balance(modeset: ModeSet, names) -> dict[str, float]:
    """For each named mode its level at the bass wing over the treble wing in dB, against the median of all modes."""
    places = modeset.positions
    if modeset.amplitudes is None or not {"bass wing", "treble wing"} <= set(places):
        return {}
    bass, treble = (abs(modeset.amplitudes[:, places.index(place)]) for place in ("bass wing", "treble wing"))
    good = np.isfinite(bass) & np.isfinite(treble) & (bass > 0) & (treble > 0)
    if good.sum() < 3:
        return {}
    balance = np.full(len(bass), nan)
    balance[good] = 20 * np.log10(bass[good] / treble[good])
    balance -= np.median(balance[good])
    return {name: float(balance[k]) for k, name in names.items() if good[k]}


def _strengths_note(occasion: Occasion) -> str:
    if not occasion.hard_over_soft:
        return (
            f"Hard and soft taps of {occasion.source} could not be compared: at each place make three or more soft "
            "ones and as many hard ones, twice as strong."
        )
    moves = max(abs(value) for value, _ in occasion.hard_over_soft.values())
    return f"Hard and soft taps of {occasion.source} were compared: no mode moves by more than {100 * moves:.2f} %."


def hard_over_soft(session: Session, modeset: ModeSet, names) -> dict[str, tuple[float, float]]:
    """For each named mode: ln of its frequency at the harder half of the taps over the softer half, and its error.

    Empty where the two differ by less than 4 dB, or a half has fewer than four taps. What sits loose rattles or
    stiffens with force.
    """
    place = cache.place_of("hard and soft taps", session.of_kind(condition=""), {})
    modes = cache.remembered(place, tuple, lambda: _soft_and_hard(session.find_taps()))
    found = {}
    for k, name in names.items() if modes else ():
        soft, hard = (_nearest(modeset.modes[k].frequency_hz, half) for half in modes)
        if soft is not None and hard is not None:
            u = hypot(soft.frequency_u_hz / soft.frequency_hz, hard.frequency_u_hz / hard.frequency_hz)
            if u > 0:
                found[name] = (log(hard.frequency_hz / soft.frequency_hz), u)
    return found


def _soft_and_hard(taps: TapSet) -> tuple[tuple[Mode, ...], ...]:
    """The modes of the softer half of the taps and of the harder half; empty where they are too few or too alike."""
    parts = halves(taps.taps, by=_strength)
    if not parts or 20 * log10(_middle(parts[1]) / _middle(parts[0])) < _LEAST_STEP_DB:
        return ()
    return tuple(merged(read_modes(replace(taps, taps=part))).modes for part in parts)


def _strength(tap: Tap) -> float:
    return float(np.abs(tap.samples).max())


def _middle(taps) -> float:
    return float(np.median([_strength(tap) for tap in taps]))


def halves(taps: Sequence[Tap], *, by: Callable[[Tap], object]) -> tuple[tuple[Tap, ...], ...]:
    """The lower and the upper half of the taps of each position and placement, ranked `by`; a middle one is in neither.

    Empty where a half has fewer than four taps in all.
    """
    groups: dict = {}
    for tap in sorted(taps, key=by):
        groups.setdefault((tap.position, tap.placement), []).append(tap)
    lower = [tap for group in groups.values() for tap in group[: len(group) // 2]]
    upper = [tap for group in groups.values() for tap in group[len(group) - len(group) // 2 :]]
    return (tuple(lower), tuple(upper)) if len(lower) >= _LEAST_TAPS else ()


def _nearest(frequency_hz: float, modes) -> Mode | None:
    """The mode next to a frequency, none farther off than 3 %."""
    near = [mode for mode in modes if abs(mode.frequency_hz / frequency_hz - 1) < _SAME_MODE]
    return min(near, key=lambda mode: abs(mode.frequency_hz - frequency_hz), default=None)
