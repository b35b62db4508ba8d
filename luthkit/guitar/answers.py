"""Which mode of another condition answers to air, main top and main back: decided here, for names and for the body."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise, product

import numpy as np

from .._frozen import frozen_dict
from ..signal.modes import Mode, ModeSet
from .evidence import Reading
from .pistons import MISSED, found_there, weighed
from .priors import AIR, BACK, CONDITIONS, TOP

SURE_ENOUGH = 0.8  # of an answer
LEVEL_SPREAD_DB = 8.0  # how much the strength of a mode changes with the condition


@dataclass(frozen=True, eq=False)
class Answer:
    """What became of air, main top and main back in one condition."""

    reading: Reading
    modes: Mapping[str, Mode]  # name -> the mode that answers
    unsure: tuple[str, ...]  # names that more than one mode may answer
    missing: tuple[str, ...]  # names that no mode answers, though one should


def answers(modeset: ModeSet, readings: Sequence[Reading], places: Mapping[str, int]) -> tuple[Answer, ...]:
    """An `Answer` for each reading in one of `priors.CONDITIONS`.

    `places` says which of `modeset.modes` are air (the lowest), main top and, where it was read, main back. Every
    guitar that has these modes (`pistons.Pistons`) expects the others somewhere; an answer is as likely as the guitars
    are that expect it there, by all that the other readings say, and as its strength is alike. All ways to pick
    answers, each mode for one name at most and none out of order, are summed.
    """
    readings = [reading for reading in readings if reading.condition in CONDITIONS]
    names = sorted(places, key=places.get)
    return tuple(
        _answer(modeset, each, [other for other in readings if other is not each], places, names) for each in readings
    )


def _answer(modeset: ModeSet, reading: Reading, others, places, names) -> Answer:
    guitars, likely = weighed(modeset, others, [places[name] for name in names], masses=reading.added_mass_g > 0)
    if BACK in places:
        likely = np.where(guitars.top_is_lower == (places[TOP] < places[BACK]), likely, -np.inf)
    gone = {"soundhole plugged": AIR, "back blocked": BACK}.get(reading.condition)
    expected = guitars.frequencies_hz(reading)
    still = [name for name in names if name != gone]
    span = 0.9 * expected.min(), 1.1 * expected.max()
    modes = [mode for mode in reading.modeset.modes if mode.kind == "body" and span[0] < mode.frequency_hz < span[1]]
    strongest = max((mode.level_db for mode in modes), default=0.0)
    usual = max(modeset.modes[places[name]].level_db for name in still)
    tables = []
    for name, told_hz in zip(still, expected, strict=True):
        own = modeset.modes[places[name]].level_db - usual
        quiet = np.array([(mode.level_db - strongest - own) / LEVEL_SPREAD_DB for mode in modes])
        found = np.log(found_there(told_hz, modes)) - 0.5 * quiet[:, None] ** 2
        tables.append(np.vstack([found, np.full_like(told_hz, np.log(MISSED))[None]]))
    nobody = len(modes)
    ways = [way for way in product(range(nobody + 1), repeat=len(still)) if _in_order(way, nobody)]
    weight = np.array(
        [np.logaddexp.reduce(likely + sum(t[k] for t, k in zip(tables, way, strict=True))) for way in ways]
    )
    weight = np.exp(weight - np.logaddexp.reduce(weight))
    picked, unsure, missing = {}, [], []
    for n, name in enumerate(still):
        shares = np.bincount([way[n] for way in ways], weights=weight, minlength=nobody + 1)
        best = int(np.argmax(shares))
        if best == nobody:
            missing.append(name)
        elif shares[best] < SURE_ENOUGH:
            unsure.append(name)
        else:
            picked[name] = modes[best]
    return Answer(reading, frozen_dict(picked), tuple(unsure), tuple(missing))


def _in_order(way, nobody) -> bool:
    found = [k for k in way if k != nobody]
    return all(a < b for a, b in pairwise(found))
