"""Evidence for names: what each kind of tap says of each mode, weighed against a mode without a name.

Each function looks at one thing and gives an `Evidence`, or None where there is nothing to look at.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import pi

import numpy as np

from .._frozen import frozen_array
from ..errors import LuthkitError
from ..signal.modes import ModeSet
from . import priors
from .merging import merged
from .priors import CONDITIONS

ROOM_KNOCK = "room knock"
LOW_HZ = 300.0  # the strongest mode below this is what levels are measured from
DELAY_S = 0.0003  # how well two onsets can be told, one standard deviation (common practice, no source)
SLIP = 0.03  # chance that a piece of evidence is spoilt and says nothing: a tap elsewhere, a leaking plug
OUTLIER = 0.08  # share of readings of a phase that say nothing


@dataclass(frozen=True, eq=False)
class Reading:
    """The modes of the same guitar read in another condition, or of the room without it ("room knock").

    Two modes that cannot be told apart are one there (`merging.merged`). Raises `LuthkitError` for another condition,
    or a mass without grams.
    """

    condition: str
    modeset: ModeSet
    added_mass_g: float = 0.0

    def __post_init__(self):
        if self.condition not in (*CONDITIONS, ROOM_KNOCK):
            allowed = ", ".join((*CONDITIONS, ROOM_KNOCK))
            raise LuthkitError(f"condition {self.condition!r} is not known; allowed are {allowed}")
        if self.condition == "mass at bridge" and not self.added_mass_g > 0:
            raise LuthkitError(f"the mass at the bridge is {self.added_mass_g!r} g; give the mass in grams")
        object.__setattr__(self, "modeset", merged(self.modeset))

    @property
    def kind(self) -> str:
        """'soundhole plugged', 'mass at bridge, 10 g'."""
        return f"{self.condition}, {self.added_mass_g:g} g" if self.added_mass_g else self.condition


@dataclass(frozen=True, eq=False)
class Evidence:
    """What one kind of evidence says: `log_ratio` (n_modes, 8) is the natural logarithm of how much likelier it is
    under each of `priors.ALL_NAMES` than without a name; `words` what was seen, by mode, "" for nothing. What is
    `shared` says the same of air, top and back as `pistons`, which then stands in its place."""

    kind: str
    log_ratio: np.ndarray
    words: tuple[str, ...]
    shared: bool = False

    def __post_init__(self):
        object.__setattr__(self, "log_ratio", frozen_array(self.log_ratio, ndim=2))


def by_frequency(modeset: ModeSet, body_kind: str) -> Evidence:
    """Frequency and Q against what is usual for one body kind."""
    frequency, quality = _hz(modeset.modes), np.array([mode.q_factor for mode in modeset.modes])
    likely = _by_table(np.log(frequency), [priors.in_range(*pair) for pair in priors.FREQUENCY_HZ[body_kind]])
    likely = np.column_stack([likely, priors.unnamed_modes(frequency)])
    likely *= _by_table(np.log(quality), [priors.in_range(*pair) for pair in priors.Q_FACTOR])
    words = tuple(f"{f:.0f} Hz and Q {q:.0f} are usual for it" for f, q in zip(frequency, quality, strict=True))
    return _evidence("frequency and Q", likely, words, slip=0.0)


def by_level(modeset: ModeSet) -> Evidence | None:
    """How loud each mode is against the loudest low mode, at the wings of the bridge or else at its centre."""
    level, where, table = level_at_bridge(modeset)
    if level is None:
        return None
    words = tuple("loudest of the low modes" if x == 0 else f"{x:+.0f} dB at {where}" for x in level)
    return _evidence("level at the bridge", _by_table(level, table), words, shared=True)


def level_at_bridge(modeset: ModeSet):
    """Levels (n_modes,) in dB against the loudest low mode, or None; where that was, and the table for it."""
    found, where, table = _at_wings(modeset), "the wings of the bridge", priors.LEVEL_AT_WINGS_DB
    if found is None:
        found, where, table = heights(modeset, "bridge centre"), "the bridge centre", priors.LEVEL_AT_CENTRE_DB
    low = _hz(modeset.modes) < LOW_HZ
    level = None if found is None or not low.any() else _db(found) - _db(found[low]).max()
    return level, where, table


def by_wings(modeset: ModeSet) -> Evidence | None:
    """Whether the two wings of the bridge move together or against each other."""
    bass, treble = heights(modeset, "bass wing"), heights(modeset, "treble wing")
    if bass is None or treble is None:
        return None
    frequency = _hz(modeset.modes)
    angle = np.angle(bass * np.conj(treble) * np.exp(-1j * onset_phase(frequency, bass, treble)))
    strength = np.sqrt(np.abs(bass * treble))
    spread = np.hypot(0.45, 0.1 * strength.max() / np.maximum(strength, 1e-9))[:, None]
    together, against = wrapped(angle[:, None], spread), wrapped(angle[:, None] - pi, spread)
    opposite = np.array(priors.OPPOSITE_WINGS)
    likely = OUTLIER / (2 * pi) + (1 - OUTLIER) * ((1 - opposite) * together + opposite * against)
    words = tuple(_wing_words(a) for a in angle)
    return _evidence("wings of the bridge", likely, words)


def onset_phase(frequency_hz, first, second) -> np.ndarray:
    """Phase (n,) between two positions that is owed to their onsets, which were found apart from each other.

    The delay that makes the phases of all low modes come nearest to 0 or half a turn; delays beyond `DELAY_S` are
    held unlikely.
    """
    frequency, ratio = np.asarray(frequency_hz, float), first * np.conj(second)
    weight = np.sqrt(np.abs(ratio)) * (frequency < 500)
    weight = weight / max(weight.max(), 1e-300)
    delays = np.linspace(-3 * DELAY_S, 3 * DELAY_S, 121)
    turns = np.angle(ratio)[None] - 2 * pi * delays[:, None] * frequency[None]
    score = 2 * (weight * np.cos(2 * turns)).sum(axis=1) - 0.5 * (delays / DELAY_S) ** 2
    return 2 * pi * frequency * delays[np.argmax(score)]


def by_place(modeset: ModeSet, place: str) -> Evidence | None:
    """How loud each mode is at one place ("wings", "back" or "rim") against the centre of the bridge."""
    kind, table, words = {
        "wings": ("centre against wings", priors.CENTRE_TO_WING_DB, "bridge centre against its wings"),
        "back": ("tapped on the back", priors.BACK_TO_CENTRE_DB, "back against the bridge centre"),
        "rim": ("tapped at the rim", priors.RIM_TO_CENTRE_DB, "rim against the bridge centre"),
    }[place]
    step = step_from_bridge(modeset, place)
    if step is None:
        return None
    step = -step if place == "wings" else step
    said = tuple(f"{x:+.0f} dB at the {words}" for x in step)
    return _evidence(kind, _by_table(step, table), said, shared=place == "back")


def step_from_bridge(modeset: ModeSet, place: str):
    """Levels (n_modes,) in dB at a place against the centre of the bridge, None where one of them was not struck."""
    centre = heights(modeset, "bridge centre")
    other = _at_wings(modeset) if place == "wings" else heights(modeset, place)
    return None if centre is None or other is None else _db(other) - _db(centre)


def by_condition(modeset: ModeSet, reading: Reading) -> Evidence:
    """Where each mode went when the hole was plugged, the back blocked or a mass put on the bridge."""
    words = []
    for row in _shifts(modeset, reading):
        near = row[(row > -9) & (row < 5)]
        words.append(shift_words(near[np.argmin(np.abs(near))] / 100 if len(near) else None, reading))
    return _evidence(reading.kind, moved(modeset, reading), tuple(words), shared=True)


def shift_words(shift: float | None, reading: Reading) -> str:
    """'falls 3.1 % when the hole is plugged'; None for a mode that is gone."""
    done = {
        "soundhole plugged": "when the hole is plugged",
        "back blocked": "when the back is blocked",
        "mass at bridge": f"under {reading.added_mass_g:g} g at the bridge",
    }[reading.condition]
    if shift is None:
        return f"vanishes {done}"
    if abs(shift) < 0.0035:
        return f"stays {done}"
    return f"{'falls' if shift < 0 else 'rises'} {100 * abs(shift):.1f} % {done}"


def moved(modeset: ModeSet, reading: Reading) -> np.ndarray:
    """How likely (n_modes, 8) is what each mode did in another condition, under each name.

    Which mode of the other reading answers is not known: each may, and there may be none. For a mode found there
    with the chance D, whose shift has the density p, likelihood = 1 - D + D sum p(shift to each) / density of modes
    (probabilistic data association, Bar-Shalom and Tse 1975, from memory).
    """
    tables = dict(zip(CONDITIONS, (priors.PLUGGED, priors.BACK_BLOCKED, priors.MASS_10_G), strict=True))
    share = reading.added_mass_g / 10 if reading.condition == "mass at bridge" else 1.0
    shift, crowd = _shifts(modeset, reading), crowding(_hz(modeset.modes))
    likely = []
    for found, centre, spread in tables[reading.condition]:
        p = priors.density(shift, centre * share, np.hypot(spread * max(share, 0.3), 0.2)).sum(axis=1)
        likely.append(1 - found + found * p / crowd)
    return np.stack(likely, axis=1)


def crowding(frequency_hz) -> np.ndarray:
    """How many modes there are to one percent of frequency."""
    return priors.unnamed_modes(frequency_hz) / 100 + 0.02


def by_knock(modeset: ModeSet, reading: Reading) -> Evidence:
    """Whether the room alone rings where the mode stands (a knock without the guitar)."""
    near = [_stands_at(_hz(reading.modeset.modes), mode) for mode in modeset.modes]
    words = tuple("the room alone rings here too" if x else "" for x in near)
    return _evidence("room knock", _yes_or_no(near, priors.KNOCK_MATCH), words)


def by_kind(modeset: ModeSet) -> Evidence:
    """What the reading itself suspects: the room, a string, and a narrow line at the pitch of an open string."""
    modes = modeset.modes
    pitches = np.outer(priors.OPEN_STRINGS_HZ, (1, 2, 3)).ravel()
    narrow = [_stands_at(pitches, mode) and mode.q_factor > 80 for mode in modes]
    signs = (
        ([mode.kind == "room" for mode in modes], priors.ROOM_KIND, "perhaps the room: clear in some placements only"),
        ([mode.kind == "string" for mode in modes], priors.STRING_KIND, "rings as long as a string"),
        (narrow, priors.STRING_MATCH, "stands at the pitch of an open string"),
    )
    likely = np.prod([_yes_or_no(yes, chance) for yes, chance, _ in signs], axis=0)
    words = tuple("; ".join(word for yes, _, word in signs if yes[k]) for k in range(len(modes)))
    return _evidence("room and strings", likely, words, slip=0.0)


def all_evidence(modeset: ModeSet, readings: Sequence[Reading]) -> tuple[Evidence, ...]:
    """Everything but the frequency, in the order of the table."""
    found = [by_level(modeset), by_wings(modeset)]
    found += [by_place(modeset, place) for place in ("wings", "back", "rim")]
    found += [by_knock(modeset, r) if r.condition == ROOM_KNOCK else by_condition(modeset, r) for r in readings]
    return tuple(e for e in (*found, by_kind(modeset)) if e is not None)


def _evidence(kind: str, likely, words, *, slip: float = SLIP, shared: bool = False) -> Evidence:
    likely = np.asarray(likely, float)
    log_likely = np.log((1 - slip) * likely + slip * likely.mean(axis=1, keepdims=True))
    return Evidence(kind, log_likely - log_likely[:, -1:], words, shared)


def _shifts(modeset: ModeSet, reading: Reading) -> np.ndarray:
    """From each mode to each of another reading, in percent (n_modes, n_there)."""
    there = _hz([mode for mode in reading.modeset.modes if mode.kind != "room"])
    return 100 * np.log(there[None, :] / _hz(modeset.modes)[:, None])


def _hz(modes) -> np.ndarray:
    return np.array([mode.frequency_hz for mode in modes])


def _stands_at(lines_hz, mode) -> bool:
    return bool(np.any(np.abs(lines_hz / mode.frequency_hz - 1) < 0.006))


def _by_table(x, table) -> np.ndarray:
    return np.stack([priors.density(x, centre, spread) for centre, spread in table], axis=1)


def _yes_or_no(yes, chance) -> np.ndarray:
    return np.where(np.array(yes)[:, None], np.array(chance), 1 - np.array(chance))


def heights(modeset: ModeSet, position: str):
    """Complex peak heights (n_modes,) at one position, None where it was not struck."""
    if modeset.amplitudes is None or position not in modeset.positions:
        return None
    return np.asarray(modeset.amplitudes)[:, modeset.positions.index(position)]


def _at_wings(modeset: ModeSet):
    """Root mean square height (n_modes,) over the wings that were struck, None where none was."""
    wings = [h for h in (heights(modeset, "bass wing"), heights(modeset, "treble wing")) if h is not None]
    return np.sqrt(np.mean(np.abs(wings) ** 2, axis=0)) if wings else None


def _db(x) -> np.ndarray:
    return 20 * np.log10(np.maximum(np.abs(x), 1e-6))


def wrapped(angle, spread) -> np.ndarray:
    """Normal density on the circle."""
    turns = angle[..., None] + 2 * pi * np.array([-2, -1, 0, 1, 2])
    return (np.exp(-0.5 * (turns / spread[..., None]) ** 2) / (np.sqrt(2 * pi) * spread[..., None])).sum(axis=-1)


def _wing_words(angle: float) -> str:
    if abs(angle) < pi / 3:
        return "in phase across the bridge"
    return "opposite in phase across the bridge" if abs(angle) > 2 * pi / 3 else "neither in phase nor opposite"
