"""From a folder to a history: the sessions of one guitar in the logbook, or a table of readings.

A table is `readings.csv` (any spreadsheet writes it): a row for each mode of each session, with the columns date,
mode, frequency_hz, frequency_u_hz, damping_ratio, damping_ratio_u, temperature_c, relative_humidity_percent, mass_g;
only the first three must be there. `events.csv` beside it tells what was done to the guitar, and when.
"""

from __future__ import annotations

import csv
from dataclasses import replace
from math import log, nan, sqrt
from pathlib import Path

import numpy as np

from ..errors import LuthkitError
from ..guitar.history import History, Occasion, history_from_rows
from ..guitar.naming import CANNOT_TELL
from ..guitar.repeat_study import RepeatStudy, repeat_study
from ..guitar.tracking import track
from ..signal.modes import ModeSet, read_modes
from ..signal.taps import TapSet
from .events import EVENTS, read_events
from .index import folders_in, holds_sound
from .logbook import GUITAR, day_of, read_guitar
from .names import name_instrument
from .reading import read_instruments
from .session import FILE_NAME, read_session

READINGS = "readings.csv"
_SAME_MODE = 0.03  # as a fraction: hard and soft taps are paired no farther apart
_LEAST_TAPS = 4  # of hard and of soft ones, to compare the two


def read_history(path, *, hard_and_soft: bool = False) -> History:
    """The history of one guitar: from a table of readings, a folder that holds one, or a folder of sessions.

    Sessions are read from their sound, and the same mode is found again in each (`guitar.tracking`); it takes the
    name it was given most often. `hard_and_soft` also reads the harder and the softer half of each session's taps by
    themselves, which takes twice the time. A session that cannot be read, or has no date, is left out with a note.

    Raises `LuthkitError` when there is nothing to follow, or for a table with a cell that cannot be read.
    """
    path = Path(path)
    if path.is_file():
        return _from_table(path, path.stem if path.name != READINGS else path.resolve().parent.name)
    if not path.is_dir():
        raise LuthkitError(f"{path} does not exist; check the spelling of the folder or file")
    name = path.resolve().name
    if (path / GUITAR).is_file():
        name = read_guitar(path / GUITAR).get("name") or name
    if (path / READINGS).is_file():
        return _from_table(path / READINGS, name)
    return _from_sessions(path, name, hard_and_soft)


def history_rows(history: History) -> list[dict]:
    """The rows of a table of readings, as `read_history` reads them."""
    return [
        {
            "date": occasion.date.isoformat(),
            "session": occasion.source,
            "mode": name,
            "frequency_hz": mode.frequency_hz,
            "frequency_u_hz": mode.frequency_u_hz,
            "damping_ratio": mode.damping_ratio,
            "damping_ratio_u": mode.damping_ratio_u,
            "temperature_c": occasion.temperature_c,
            "relative_humidity_percent": occasion.relative_humidity_percent,
            "mass_g": occasion.mass_g,
            "wing_balance_db": occasion.wing_balance_db.get(name, nan),
        }
        for occasion in history.occasions
        for name, mode in occasion.modes.items()
    ]


def read_rows(path) -> list[dict]:
    """The rows of a table as dictionaries of text; `LuthkitError` for what is no table in UTF-8."""
    try:
        with open(path, encoding="utf-8-sig", newline="") as file:
            return [{(k or "").strip(): (v or "") for k, v in row.items() if k} for row in csv.DictReader(file)]
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise LuthkitError(f"{path} cannot be read as a table: {error}; save it as CSV in UTF-8") from error


def read_repeat_study(table) -> RepeatStudy:
    """The maker's own repeat study from a table (`guitar.repeat_study` names the columns).

    Raises `LuthkitError` for what is no table, lacks a column, or has a cell that is no number.
    """
    rows = read_rows(table)
    for key in ("mode", "frequency_hz", "damping_ratio"):
        if rows and key not in rows[0]:
            raise LuthkitError(f"{table} has no column {key}; it has {', '.join(rows[0])}")
    try:
        return repeat_study(rows)
    except LuthkitError as error:
        raise LuthkitError(f"{table}: {error}") from error
    except ValueError as error:
        raise LuthkitError(f"{table} has a cell that is no number: {error}; correct it") from error


def _from_table(path: Path, name: str) -> History:
    rows = read_rows(path)
    if not rows:
        raise LuthkitError(f"{path} has no rows; write one for each mode of each session")
    return replace(history_from_rows(name, rows), events=read_events(path.parent / EVENTS))


def _from_sessions(path: Path, name: str, hard_and_soft: bool) -> History:
    folders = [path / f for f in folders_in(path) if (path / f / FILE_NAME).is_file() or holds_sound(path / f)]
    notes, dated = [], []
    for folder in folders:
        try:
            session = read_session(folder)
            day = day_of(session.conditions.get("date")) or day_of(folder.name[:10])
            if day is None:
                notes.append(f"{folder.name} was left out: nobody said on which day it was recorded.")
            elif not session.of_kind(condition=""):
                notes.append(f"{folder.name} was left out: it holds no taps in their usual condition.")
            else:
                dated.append((day, folder, session))
        except LuthkitError as error:
            notes.append(f"{folder.name} was left out: {error}")
    dated.sort(key=lambda item: (item[0], item[1].name))
    modesets = read_instruments([folder for _, folder, _ in dated])
    kept = []
    for item, modeset in zip(dated, modesets, strict=True):
        if modeset.modes:
            kept.append((*item, modeset))
        else:
            notes.append(f"{item[1].name} was left out: no mode was found in its taps.")
    if not kept:
        raise LuthkitError(
            f"{path} holds no dated session that can be read; {' '.join(notes) or 'name the folder of one guitar'}"
        )
    tracked = track([item[3] for item in kept], [_names(folder, modeset) for _, folder, _, modeset in kept])
    occasions = tuple(
        _occasion(day, folder, session, modeset, names, hard_and_soft)
        for (day, folder, session, modeset), names in zip(kept, tracked, strict=True)
    )
    return History(name, occasions, read_events(path / EVENTS), tuple(notes))


def _names(folder, modeset) -> dict[int, str]:
    """Index of each mode that could be named -> its name."""
    named = name_instrument(folder, modeset=modeset).modes
    return {k: one.name for k, one in enumerate(named) if one.name and one.name != CANNOT_TELL}


def _occasion(day, folder, session, modeset, names, hard_and_soft) -> Occasion:
    said = session.conditions
    climate = {key: float(said[key]) for key in ("temperature_c", "relative_humidity_percent", "mass_g") if key in said}
    return Occasion(
        day,
        {name: modeset.modes[k] for k, name in names.items()},
        **climate,
        wing_balance_db=wing_balance(modeset, names),
        hard_over_soft=hard_over_soft(session.find_taps(), modeset, names) if hard_and_soft else {},
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


def hard_over_soft(tapset: TapSet, modeset: ModeSet, names) -> dict[str, tuple[float, float]]:
    """For each named mode: ln of its frequency at the harder half of the taps over the softer half, and its error.

    Halves are taken within each position and placement. What sits loose rattles or stiffens with force.
    """
    groups: dict = {}
    for tap in tapset.taps:
        groups.setdefault((tap.position, tap.placement), []).append(tap)
    halves: tuple[list, list] = ([], [])
    for taps in groups.values():
        ranked = sorted(taps, key=lambda tap: float(np.abs(tap.samples).max()))
        halves[0].extend(ranked[: len(ranked) // 2])
        halves[1].extend(ranked[len(ranked) - len(ranked) // 2 :])
    if min(map(len, halves)) < _LEAST_TAPS:
        return {}
    soft, hard = (read_modes(replace(tapset, taps=tuple(half))).modes for half in halves)
    found = {}
    for k, name in names.items():
        pair = [_nearest(modeset.modes[k].frequency_hz, modes) for modes in (hard, soft)]
        if None not in pair:
            u = sqrt(sum((mode.frequency_u_hz / mode.frequency_hz) ** 2 for mode in pair))
            if u > 0:
                found[name] = (log(pair[0].frequency_hz / pair[1].frequency_hz), u)
    return found


def _nearest(frequency_hz, modes):
    near = [mode for mode in modes if abs(mode.frequency_hz / frequency_hz - 1) < _SAME_MODE]
    return min(near, key=lambda mode: abs(mode.frequency_hz - frequency_hz), default=None)
