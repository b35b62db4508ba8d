"""From named modes to readings of air, main top and main back, and on to the other conditions of the same guitar.

In the guitar as it is, modes go by their names. With the hole plugged, the back held or a mass on the bridge `answers`
says which mode is which. Where two would do, none is taken.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from math import isfinite

from ..errors import LuthkitError
from ..signal.modes import Mode, ModeSet
from .answers import Answer, answers
from .body_fit import AIR, NAMES, TOP, BodyFit, BodyReading, fit_body
from .evidence import Reading
from .naming import CANNOT_TELL, Naming
from .priors import CONDITIONS

NEAR = 0.03  # relative: a frequency given by hand means the mode this close to it
LIKELY = 0.5  # a mode whose likeliest name is at least this probable is taken, with a word of doubt


def reading_by_hand(modeset: ModeSet, frequency_hz: Mapping[str, float]) -> BodyReading:
    """The modes that frequencies given by hand mean. Raises `LuthkitError` where no mode lies within 3 %."""
    chosen = {}
    for name, value in frequency_hz.items():
        near = [mode for mode in modeset.modes if abs(mode.frequency_hz / value - 1) < NEAR] if value > 0 else []
        if not near:
            there = ", ".join(f"{mode.frequency_hz:.1f}" for mode in modeset.modes if mode.frequency_hz < 400)
            raise LuthkitError(
                f"{name} is said to be at {value:g} Hz, but no mode lies within 3 % of that; modes are at {there} Hz"
            )
        chosen[name] = min(near, key=lambda mode: abs(mode.frequency_hz - value))
    return _reading(chosen)


def reading_by_names(naming: Naming) -> tuple[BodyReading, tuple[str, ...]]:
    """Air, main top and main back of a guitar as it is, and what there is to doubt.

    What naming notes, such as a word of the maker against the evidence, is among the doubts. A mode of which naming
    "cannot tell" is taken for its likeliest name if that is at least an even bet. Raises `LuthkitError` when air or
    main top cannot be had even so.
    """
    chosen, doubts = {}, [f"{note[0].upper()}{note[1:]}." for note in naming.notes]
    for name in NAMES:
        named = naming.mode_named(name)
        if named is None:
            maybe = [m for m in naming.modes if m.name == CANNOT_TELL and m.likeliest == name and not m.overruled]
            named = max(maybe, key=lambda m: m.probability, default=None)
            if named is None or named.probability < LIKELY:
                continue
            doubts.append(
                f"{name} is taken at {named.mode.frequency_hz:.1f} Hz, which is no more than {named.probability:.0%} "
                "likely: all that follows stands and falls with it."
            )
        chosen[name] = named.mode
    for name in (AIR, TOP):
        if name not in chosen:
            raise LuthkitError(
                f"it cannot be told which mode is {name}; tap again with the soundhole plugged, or give its frequency "
                "by hand"
            )
    return _reading(chosen), tuple(doubts)


def fit_conditions(
    first: BodyReading,
    modeset: ModeSet,
    conditions: Sequence[Reading],
    *,
    known: Mapping[str, tuple[float, float]] | None = None,
    temperature_c: float = 20.0,
) -> BodyFit:
    """Fit the guitar as it is and in all its conditions, in which `answers` says which mode is which.

    `first` is the reading of `modeset`, `conditions` are the other readings of the same guitar; a knock in the room is
    passed over. What could not be told of a condition stands in the notes of the fit.
    """
    places = {
        name: min(range(len(modeset.modes)), key=lambda k: abs(modeset.modes[k].frequency_hz - frequency))
        for name, frequency in first.frequency_hz.items()
    }
    readings, doubts = [first], []
    if min(places, key=places.get) == AIR:  # else the fit itself will say what is wrong
        order = {condition: k for k, condition in enumerate(CONDITIONS)}
        found = answers(modeset, conditions, places)
        for each in sorted(found, key=lambda each: (order[each.reading.condition], each.reading.added_mass_g)):
            condition = {
                "soundhole_plugged": each.reading.condition == "soundhole plugged",
                "back_blocked": each.reading.condition == "back blocked",
                "added_mass_kg": each.reading.added_mass_g / 1000,
            }
            doubts += _doubts(each, BodyReading({}, **condition).condition.capitalize())
            if each.modes:
                readings.append(_reading(each.modes, **condition))
    fit = fit_body(readings, known=known, temperature_c=temperature_c)
    return replace(fit, notes=(*doubts, *fit.notes))


def _doubts(answer: Answer, where: str):
    """What could not be told of a condition, in sentences."""
    if not answer.modes and not answer.unsure:
        yield f"{where} no modes lie where they should: look at the names and the plug."
        return
    if answer.unsure:
        yield f"{where} it cannot be told which mode is {' and '.join(answer.unsure)}."
    if answer.missing:
        yield f"{where} no mode answers to {' and '.join(answer.missing)}."


def _reading(chosen: Mapping[str, Mode], **condition) -> BodyReading:
    """A reading, in some condition, of the modes that were chosen."""
    return BodyReading(
        {name: mode.frequency_hz for name, mode in chosen.items()},
        {name: mode.frequency_u_hz for name, mode in chosen.items() if isfinite(mode.frequency_u_hz)},
        {name: mode.q_factor for name, mode in chosen.items()},
        {name: mode.q_factor_u for name, mode in chosen.items() if isfinite(mode.q_factor_u)},
        **condition,
    )
