"""From a piece of the stock to what it is: its taps are read, the rest is `wood`'s."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from ..errors import LuthkitError
from ..guitar.history import Series
from ..guitar.settling import Course, settle
from ..signal.modes import ModeSet, read_modes
from ..signal.taps import TapSet, find_taps
from ..signal.transfer import transfer
from ..wood.bars import bending_frequencies_hz
from ..wood.piece import Measurement, Piece
from ..wood.plates import plate_modes
from ..wood.reading import CLIMATE, WoodReading, measure_wood
from .session import read_session

FOLLOWED = ("density", "along", "across", "shear")
LOW_COHERENCE = 0.8  # hammer and microphone tell different tales below this


def read_wood(
    piece: Piece, *, measurement: Measurement | None = None, climate: tuple[float, float] = CLIMATE
) -> WoodReading:
    """Measure one piece from the sound of its taps on one day (the latest when None).

    Each sound file is one place struck, or each folder of such files. Where a force hammer has a channel, that channel
    only shows whether force and sound belong together; the modes are read from the others. They are those of the plate
    ringing by itself, which the force that set it off does not change; H1 of a cut of 1.2 s tells frequencies 0.8 Hz
    apart, 2 % of the lowest.

    Raises LuthkitError as `measure_wood` and `read_modes` do, and when the folder of taps is not there.
    """
    on_day = measurement or piece.latest
    if not on_day.taps:
        return measure_wood(piece, measurement=on_day, climate=climate)
    modeset, notes = _hear(piece, on_day)
    return measure_wood(
        piece,
        modeset.modes,
        measurement=on_day,
        climate=climate,
        sources=modeset.sources,
        notes=notes,
    )


def read_history(piece: Piece, *, climate: tuple[float, float] = CLIMATE) -> tuple[WoodReading, ...]:
    """The piece on every day it was measured, the oldest first: what tells whether it still moves on the shelf.

    A day whose taps cannot be read says why and keeps its density.
    """
    return tuple(_read_day(piece, day, climate) for day in piece.measurements)


def read_pieces(pieces: Sequence[Piece], *, climate: tuple[float, float] = CLIMATE) -> tuple[WoodReading, ...]:
    """All pieces that were measured, each on its last day, as `read_history` reads it."""
    return tuple(_read_day(piece, piece.latest, climate) for piece in pieces if piece.measurements)


def _read_day(piece: Piece, day: Measurement, climate: tuple[float, float]) -> WoodReading:
    try:
        return read_wood(piece, measurement=day, climate=climate)
    except LuthkitError as error:
        reading = measure_wood(piece, measurement=replace(day, taps="", heard=()), climate=climate)
        return replace(reading, notes=(str(error), *reading.notes))


def shelf_courses(history: Sequence[WoodReading]) -> Mapping[str, Course]:
    """Whether a piece is still moving: density and stiffness over the days it was measured, in one climate.

    `guitar.settling.settle` of each number that every dated day has; fewer than four days say "cannot tell".
    Raises LuthkitError when no day has a date and a known moisture.
    """
    days = [reading for reading in history if reading.measurement.day and reading.at_climate]
    if not days:
        raise LuthkitError("no day of this piece has both a date and a climate; note them to follow it on the shelf")
    first = days[0].measurement.day
    celsius, humidity = (np.full(len(days), value) for value in days[0].climate)
    courses = {}
    for name in FOLLOWED:
        if all(name in reading.at_climate for reading in days):
            budgets = [reading.at_climate[name] for reading in days]
            followed = Series(
                mode=name,
                quantity="frequency",  # whose weather terms vanish in one climate
                first_date=first,
                day=[(reading.measurement.day - first).days for reading in days],
                value_log=np.log([budget.value for budget in budgets]),
                value_log_u=[budget.relative_u for budget in budgets],
                temperature_c=celsius,
                relative_humidity_percent=humidity,
                mass_g=np.full(len(days), np.nan),
            )
            courses[name] = settle(followed)
    return courses


def band_of(on_day: Measurement, piece: Piece) -> tuple[float, float]:
    """Where the lowest dozen modes of such a plate or strip may lie, in Hz, whatever wood it is."""
    expected = piece.expected
    if on_day.is_strip:
        found = bending_frequencies_hz(on_day.bar(), modulus_pa=expected.stiffness.along_pa, modulus_ratio=15.0)
    else:
        found = plate_modes(on_day.plate(), expected.stiffness, n_modes=11).frequency_hz
    return float(np.clip(0.6 * found[0], 20, 2000)), float(np.clip(1.25 * found[-1], 200, 4000))


def _hear(piece: Piece, on_day: Measurement) -> tuple[ModeSet, tuple[str, ...]]:
    folder = (piece.path.parent if piece.path else Path()) / on_day.taps
    if not folder.exists():
        raise LuthkitError(f"the taps of {piece.name} should lie in {folder}, which is not there; correct taps = ...")
    files = {sound.name: sound.path for sound in read_session(folder).of_kind("tap")}
    places = {name: path.stem if path.parent == folder else path.parent.name for name, path in files.items()}
    taps = find_taps(files, positions=places, max_q=400.0)
    notes: list[str] = list(taps.notes)
    if on_day.force_channel is not None and taps.taps:
        taps, said = _without_hammer(taps, on_day.force_channel)
        notes += said
    modeset = read_modes(taps, band_hz=band_of(on_day, piece), name=piece.name)
    notes += [note for note in modeset.notes if not note.startswith("one placement only")]  # a plate hangs but once
    return modeset, tuple(notes)


def _without_hammer(taps: TapSet, channel: int) -> tuple[TapSet, list[str]]:
    """The taps without the channel of the hammer, and where force and sound do not belong together."""
    n_channels = taps.taps[0].samples.shape[1]
    if n_channels < 2 or channel >= n_channels:
        raise LuthkitError(
            f"force_channel is {channel}, but the recordings have {n_channels} channels; count the channels from 0"
        )
    others = [k for k in range(n_channels) if k != channel]
    notes = []
    for place in dict.fromkeys(tap.position for tap in taps.taps):
        struck = replace(taps, taps=tuple(tap for tap in taps.taps if tap.position == place))
        if len(struck.taps) < 3:
            continue
        found = transfer(
            struck, response_kind="pressure", force_channel=channel, response_channel=others[0], max_hz=2e3
        )
        strong = np.abs(found.h1) > 0.1 * np.abs(found.h1).max()
        if np.nanmedian(found.coherence[strong]) < LOW_COHERENCE:
            notes.append(
                f"at {place} hammer and sound agree badly (coherence under {LOW_COHERENCE:g}): check the cable"
            )
    kept = tuple(replace(tap, samples=np.ascontiguousarray(tap.samples[:, others])) for tap in taps.taps)
    return replace(taps, taps=kept), notes
