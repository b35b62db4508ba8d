"""From named modes to readings of air, main top and main back, and on to the other conditions of the same guitar.

In the guitar as it is, modes go by their names. With the hole plugged, the back held or a mass on the bridge nobody has
named them yet: the model fitted so far says where each should be, with an error, and a mode is taken when
it is clearly the one that fits best in place and in strength. Where two would do, none is taken.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from itertools import permutations
from math import isfinite

import numpy as np

from ..errors import LuthkitError
from ..signal.modes import Mode, ModeSet
from .body_fit import AIR, NAMES, TOP, BodyFit, BodyReading, body_model, fit_body, low_modes
from .evidence import Reading
from .naming import CANNOT_TELL, Naming
from .propagation import propagate

NEAR = 0.03  # relative: a frequency given by hand means the mode this close to it
LIKELY = 0.5  # a mode whose likeliest name is at least this probable is taken, with a word of doubt
FARTHEST = 3.0  # standard errors between a mode and where the model expects it
CLEARLY = 4.0  # by how much (a chi-square) the best mode must beat the next
LEVEL_SPREAD_DB = 8.0  # how much the strength of a mode changes with the condition
RATTLE = 0.01  # relative: what a real guitar does beyond the model in another condition


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

    A mode of which naming "cannot tell" is taken for its likeliest name if that is at least an even bet. Raises
    `LuthkitError` when air or main top cannot be had even so.
    """
    chosen, doubts = {}, []
    for name in NAMES:
        named = naming.mode_named(name)
        if named is None:
            maybe = [m for m in naming.modes if m.name == CANNOT_TELL and m.likeliest == name]
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
    """Fit the guitar as it is, then take in one condition after the other, each found by the model so far.

    `first` is the reading of `modeset`, `conditions` are the other readings of the same guitar; a knock in the room is
    passed over. What could not be told of a condition stands in the notes of the fit.
    """
    levels = {}
    for name, frequency in first.frequency_hz.items():
        levels[name] = min(modeset.modes, key=lambda m: abs(m.frequency_hz - frequency)).level_db
    readings, doubts = [first], []
    fit = fit_body(readings, known=known, temperature_c=temperature_c)
    order = {"soundhole plugged": 0, "back blocked": 1, "mass at bridge": 2}
    todo = [each for each in conditions if each.condition in order]
    for each in sorted(todo, key=lambda each: (order[each.condition], each.added_mass_g)):
        empty = BodyReading(
            {},
            soundhole_plugged=each.condition == "soundhole plugged",
            back_blocked=each.condition == "back blocked",
            added_mass_kg=each.added_mass_g / 1000,
        )
        chosen, doubt = _follow(fit, empty, each.modeset, levels)
        doubts += [doubt] if doubt else []
        if chosen:
            readings.append(_reading(chosen, like=empty))
            fit = fit_body(readings, known=known, temperature_c=temperature_c)
    return replace(fit, notes=(*doubts, *fit.notes))


def _follow(fit: BodyFit, condition: BodyReading, modeset: ModeSet, levels) -> tuple[dict[str, Mode], str]:
    """Which modes of a condition are air, main top and main back by the model; and what could not be told."""
    names, expected, u = expected_modes(fit, condition)
    found = [mode for mode in modeset.modes if mode.kind == "body" and mode.frequency_hz < 1.5 * expected[-1]]
    where = condition.condition.capitalize()
    if len(found) < len(names):
        return {}, f"{where} only {len(found)} of {len(names)} low modes were read: nothing is taken from it."
    strongest = max(mode.level_db for mode in found)
    usual = max(levels.values())
    cost = np.empty((len(names), len(found)))
    for i, name in enumerate(names):
        for k, mode in enumerate(found):
            error = np.hypot(np.hypot(u[i], RATTLE), mode.frequency_u_hz / mode.frequency_hz)
            far = np.log(mode.frequency_hz / expected[i]) / error
            quiet = (mode.level_db - strongest) - (levels.get(name, usual) - usual)
            cost[i, k] = far**2 + (quiet / LEVEL_SPREAD_DB) ** 2 if abs(far) < FARTHEST else np.inf
    ways = [picks for picks in permutations(range(len(found)), len(names)) if list(picks) == sorted(picks)]
    totals = np.array([sum(cost[i, k] for i, k in enumerate(picks)) for picks in ways])
    ranked = np.argsort(totals)
    if not isfinite(totals[ranked[0]]):
        return {}, f"{where} no modes lie where they should: look at the names and the plug."
    rivals = [picks for picks, total in zip(ways, totals, strict=True) if total - totals[ranked[0]] < CLEARLY]
    open_ = [name for i, name in enumerate(names) if len({picks[i] for picks in rivals}) > 1]
    chosen = {name: found[ways[ranked[0]][i]] for i, name in enumerate(names) if name not in open_}
    doubt = f"{where} it cannot be told which mode is {' and '.join(open_)}." if open_ else ""
    return chosen, doubt


def expected_modes(fit: BodyFit, condition: BodyReading) -> tuple[list[str], np.ndarray, np.ndarray]:
    """Names, frequencies in Hz and relative standard uncertainties (n,) that a fit expects in another condition."""
    still = {"soundhole_plugged": condition.soundhole_plugged, "back_blocked": condition.back_blocked}

    def told(logs):
        model = body_model(logs, temperature_c=fit.model.temperature_c)
        model = replace(model, top_mass_kg=model.top_mass_kg + condition.added_mass_kg)
        return np.log(low_modes(model, fit.order, **still)[1].frequency_hz)

    logs, covariance = propagate(told, fit.log_values, fit.covariance)
    return low_modes(fit.model, fit.order, **still)[0], np.exp(logs), np.sqrt(np.diag(covariance))


def _reading(chosen: Mapping[str, Mode], *, like: BodyReading | None = None) -> BodyReading:
    """A reading of the modes that were chosen, in the condition of another."""
    return replace(
        like or BodyReading({}),
        frequency_hz={name: mode.frequency_hz for name, mode in chosen.items() if name in NAMES},
        frequency_u_hz={name: mode.frequency_u_hz for name, mode in chosen.items() if isfinite(mode.frequency_u_hz)},
        q_factor={name: mode.q_factor for name, mode in chosen.items()},
        q_factor_u={name: mode.q_factor_u for name, mode in chosen.items() if isfinite(mode.q_factor_u)},
    )
