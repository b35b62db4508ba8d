"""Pairing: which mode of one guitar answers to which of another, or of itself on another day, one to one, with some
left alone; and what a pair is called.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from math import isnan, log, log2, pi, sqrt

import numpy as np

from ..signal.modes import Mode, ModeSet
from .cautions import conditions
from .merging import under_one_peak
from .naming import Naming, name_modes
from .priors import NAMES, UNNAMED

# How far the same mode commonly lies apart on two guitars of one pattern (standard deviations).
# Frequency: 2.2 % for the lowest mode of factory guitars (French & Brubaker 2007), about 3 % for the main top
# (common practice), times sqrt(2) for two guitars. Damping and pattern: common practice, no source.
FREQUENCY_SPREAD_CENTS = 70.0
DAMPING_SPREAD_LOG = 0.5
DAMPING_MOST = 2.0  # a damping read badly must not tear a pair apart that fits in frequency
PATTERN_SPREAD = 0.4
PRESENT_ODDS = 9.0  # a mode of one guitar has its like on the other in nine of ten cases: common practice
WIDEST_GATE = 9.0  # three standard deviations, however sparse the modes are
NARROWEST_GATE = DAMPING_MOST + 0.5  # modes of one frequency are paired in any crowd
FEWEST = 3  # a mode found in fewer sessions is not followed (all of them when there are fewer)
UNSURE_COST = 0.5  # another pairing that costs no more than this extra is nearly as good


@dataclass(frozen=True)
class Candidate:
    """What the pairing looks at: a frequency, a damping ratio, and where known amplitudes by position, and a name."""

    frequency_hz: float
    damping_ratio: float
    pattern: tuple[tuple[str, complex], ...] = ()
    name: str = ""  # the one that `naming` or the maker gave it


def candidate(modeset: ModeSet, mode: Mode, name: str = "") -> Candidate:
    """The candidate of one mode of a set, with its amplitude pattern when the set has one."""
    pattern = ()
    if modeset.amplitudes is not None and len(modeset.positions) > 1:
        row = modeset.amplitudes[modeset.modes.index(mode)]
        pattern = tuple(
            (place, complex(value))
            for place, value in zip(modeset.positions, row, strict=True)
            if place and np.isfinite(value)
        )
    return Candidate(mode.frequency_hz, mode.damping_ratio, pattern, name)


def pattern_likeness(first: Candidate, second: Candidate) -> float:
    """|a^H b|^2 / (|a|^2 |b|^2) over the positions both have: 1 = same shape; NaN with fewer than two."""
    mine, yours = dict(first.pattern), dict(second.pattern)
    shared = [place for place in mine if place in yours]
    if len(shared) < 2:
        return float("nan")
    a = np.array([mine[place] for place in shared])
    b = np.array([yours[place] for place in shared])
    size = np.vdot(a, a).real * np.vdot(b, b).real
    return float(abs(np.vdot(a, b)) ** 2 / size) if size > 0 else float("nan")


def pairing_cost(first: Candidate, second: Candidate) -> float:
    """Squared distance in frequency, damping and pattern, each over its spread; an unknown term adds 0."""
    cost = (1200 * log2(first.frequency_hz / second.frequency_hz) / FREQUENCY_SPREAD_CENTS) ** 2
    if first.damping_ratio > 0 and second.damping_ratio > 0:
        apart = log(first.damping_ratio / second.damping_ratio) / DAMPING_SPREAD_LOG
        cost += min(apart**2, DAMPING_MOST)
    likeness = pattern_likeness(first, second)
    if not isnan(likeness):
        cost += ((1 - likeness) / PATTERN_SPREAD) ** 2
    return cost


def pair_up(first, second) -> tuple[tuple[int, int, bool], ...]:
    """Pair two sequences of `Candidate` one to one at the least total cost, leaving alone what does not fit.

    A pair must be likelier than a chance meeting. Where modes stand d cents apart, a strange mode falls as near
    as a true partner would with the odds s sqrt(2 pi) / d (s = `FREQUENCY_SPREAD_CENTS`); the gate is twice the
    logarithm of `PRESENT_ODDS` over these odds, so it closes where modes crowd. What is minimised is the sum of
    cost - gate over the pairs.

    Of two modes under one peak the one that bears the other side's name is taken, wherever frequency falls.

    Returns (index in first, index in second, sure) sorted by the first index. `sure` is False when another
    pairing, or none, with this pair forbidden costs at most `UNSURE_COST` more.
    """
    from scipy.optimize import linear_sum_assignment

    if not first or not second:
        return ()
    spacing = np.minimum.outer(_spacing_cents(first), _spacing_cents(second))
    chance = FREQUENCY_SPREAD_CENTS * sqrt(2 * pi) / spacing
    with np.errstate(divide="ignore"):
        gate = np.clip(2 * np.log(PRESENT_ODDS / chance), NARROWEST_GATE, WIDEST_GATE)
    cost = np.array([[pairing_cost(a, b) for b in second] for a in first])
    gain = np.minimum(cost - gate, 0.0)

    def least(matrix):
        rows, columns = linear_sum_assignment(matrix)
        return rows, columns, matrix[rows, columns].sum()

    rows, columns, total = least(gain)
    pairs = []
    for row, column in zip(rows, columns, strict=True):
        if gain[row, column] < 0:
            without = gain.copy()
            without[row, column] = 0.0
            pairs.append((int(row), int(column), bool(least(without)[2] - total > UNSURE_COST)))
    taken = {i for i, _, _ in pairs}, {j for _, j, _ in pairs}
    pairs = [(_namesake(i, second[j].name, first, taken[0]), j, sure) for i, j, sure in pairs]
    return tuple(sorted((i, _namesake(j, first[i].name, second, taken[1]), sure) for i, j, sure in pairs))


def _namesake(k: int, name: str, among, taken) -> int:
    """The free mode of that name under one peak with mode k; else k itself."""
    if not name or among[k].name:
        return k
    free = [n for n, one in enumerate(among) if one.name == name and n not in taken]
    return next((n for n in free if under_one_peak(among[n], among[k])), k)


def _spacing_cents(candidates) -> np.ndarray:
    """How far apart modes stand around each candidate: mean distance to its neighbours; inf for a lone one."""
    if len(candidates) < 2:
        return np.full(len(candidates), np.inf)
    pitch = np.array([1200 * log2(c.frequency_hz) for c in candidates])
    order = np.argsort(pitch)
    gaps = np.pad(np.diff(pitch[order]), 1, mode="edge")  # an end has one neighbour
    spacing = np.empty(len(pitch))
    spacing[order] = np.maximum((gaps[:-1] + gaps[1:]) / 2, 1.0)
    return spacing


def track(modesets: Sequence[ModeSet], names: Sequence[Mapping[int, str]] = ()) -> tuple[Mapping[int, str], ...]:
    """For each session, by date: index of a body mode -> the name it keeps over time.

    Sessions are paired one to one with what was known of each mode when it was last seen; a mode without a partner
    begins a track of its own. `names` may say for each session what a mode is called: of two under one peak the one of
    that name is taken, and a track bears the name that most sessions give it, else it is "no name at" its mean
    frequency. Pairs that may be otherwise as well are left out of the track rather than guessed.
    """
    tracks: list[dict] = []
    for number, modeset in enumerate(modesets):
        body = [k for k, mode in enumerate(modeset.modes) if mode.kind == "body"]
        called = names[number] if number < len(names) else {}
        new = [candidate(modeset, modeset.modes[k], called.get(k, "")) for k in body]
        taken = set()
        for i, j, sure in pair_up(new, [one["last"] for one in tracks]):
            taken.add(i)
            if sure:
                tracks[j]["found"][number] = body[i]
                tracks[j]["last"] = replace(new[i], name=new[i].name or tracks[j]["last"].name)
        tracks.extend({"last": new[i], "found": {number: body[i]}} for i in range(len(body)) if i not in taken)
    least = min(FEWEST, len(modesets))
    kept = sorted((one for one in tracks if len(one["found"]) >= least), key=lambda one: _mean_hz(one, modesets))
    result: list[dict[int, str]] = [{} for _ in modesets]
    used: set[str] = set()
    for one in kept:
        name = _name(one, modesets, names)
        name = name if name not in used else f"{name} at {_mean_hz(one, modesets):.0f} Hz"
        used.add(name)
        for number, k in one["found"].items():
            result[number][k] = name
    return tuple(result)


def _mean_hz(one, modesets) -> float:
    found = [modesets[number].modes[k].frequency_hz for number, k in one["found"].items()]
    return sum(found) / len(found)


def _name(one, modesets, names) -> str:
    said = [names[number].get(k, "") for number, k in one["found"].items() if number < len(names)]
    said = [name for name in said if name]
    name = max(sorted(set(said)), key=said.count, default=UNNAMED)
    return f"{UNNAMED} at {_mean_hz(one, modesets):.0f} Hz" if name == UNNAMED else name


def namings_of(modesets: Sequence[ModeSet], given: Sequence[Naming] = ()) -> tuple[Naming, ...]:
    """A naming for each mode set: the one of `given` that was made of the same modes, else what its own taps say."""
    found = []
    for modeset in modesets:
        known = [naming for naming in given if naming.modeset.modes == modeset.modes]
        found.append(known[0] if known else _by_its_own_taps(modeset))
    return tuple(found)


def names_given(naming: Naming) -> dict[Mode, str]:
    """The modes that bear a name of their own."""
    return {named.mode: named.name for named in naming.modes if named.name in NAMES}


def name_of_pair(members: Sequence[tuple[str, Mode]], told: Mapping[str, Mapping[Mode, str]]) -> tuple[str, str]:
    """(name, doubt) of modes that were paired: the one name given among them, or why they may not be the same mode.

    `members` are (instrument, mode); `told` is the names given, by instrument. A name that not every guitar's own
    taps bear out ends in "?".
    """
    called = [(told[instrument].get(mode, ""), instrument) for instrument, mode in members]
    given = dict.fromkeys(name for name, _ in called if name)
    if len(given) < 2:
        name = next(iter(given), "")
        return (name if all(each for each, _ in called) or not name else f"{name}?"), ""
    words = " and ".join(f"{name} on {instrument}" for name, instrument in called if name)
    return "", f"called {words}: this may not be the same mode"


def _by_its_own_taps(modeset: ModeSet) -> Naming:
    return name_modes(modeset, body_kind=str(conditions(modeset).get("body_kind", "")))
