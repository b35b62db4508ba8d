"""The next best test: which further recording would tell most about the names that are still open."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ..signal.modes import ModeSet
from . import priors

SOFT = "Tap with a soft mallet or a padded knuckle."
PLUG_CARE = (
    "The plug must not press on the rosette or touch the braces: soft foam in thin film, held by its own size, "
    "and only where the finish bears it."
)
MASS_CARE = (
    "No lump of mass on an old finish. A few grams of removable putty only where the finish is known to bear it; "
    "take it off at once. If in doubt, leave this test out and ask a qualified repairer."
)
BLOCK_CARE = "Hold the back still with soft cushions, flat and without force; never clamp it."
WORTH_BITS = 0.15  # less than this is not worth a recording
HIGHEST_HZ = 500.0  # above it the names do not go


@dataclass(frozen=True)
class Test:
    """A further recording, what it is expected to tell, and what to mind."""

    __test__ = False  # for pytest: this is no test of ours

    what: str
    gain_bits: float  # expected information on the names of all modes together (Shannon 1948)
    settles_hz: tuple[float, ...]  # the modes it is expected to tell most about, the most first
    care: str

    @property
    def sentence(self) -> str:
        """What to do and which modes it is for, in one sentence."""
        modes = " and ".join(f"{f:.0f} Hz" for f in self.settles_hz)
        plural = "s" if len(self.settles_hz) > 1 else ""
        return f"{self.what[0].upper()}{self.what[1:]}: that would tell most about the mode{plural} at {modes}."


def next_tests(posterior, modeset: ModeSet, readings: Sequence = (), *, named: Sequence[int] = ()) -> tuple[Test, ...]:
    """Tests not yet made, those that tell most for the trouble first; none where little is open.

    The expected gain of a test is the mutual information between the name of a mode and the outcome, over the
    probabilities `posterior` (n_modes, 8) that it has now and the outcomes that `guitar.priors` expects; gains
    of the modes are added, but for those the maker has `named`. Tests are ranked by gain over effort; the efforts are
    a judgement of our own.
    """
    posterior = np.asarray(posterior, float)
    frequency = np.array([mode.frequency_hz for mode in modeset.modes])
    is_open = (frequency < HIGHEST_HZ) & ~np.isin(np.arange(len(frequency)), named)
    tests = []
    for what, channel, effort, care in _possible(modeset, {r.condition for r in readings}):
        gains = np.array([information_bits(row, channel) for row in posterior]) * is_open
        if gains.sum() > WORTH_BITS:
            best = [k for k in np.argsort(gains)[::-1][:2] if gains[k] > 0.25 * gains.max()]
            settles = tuple(float(frequency[k]) for k in best)
            tests.append((gains.sum() / effort, Test(what, float(gains.sum()), settles, care)))
    return tuple(test for _, test in sorted(tests, key=lambda entry: -entry[0]))


def information_bits(chances, channel) -> float:
    """Mutual information in bits of a name, with `chances` (n_names,), and an outcome, `channel` (n_names, n).

    >>> bool(information_bits([0.5, 0.5], [[1.0, 0.0], [0.0, 1.0]]) == 1.0)
    True
    """
    chances, channel = np.asarray(chances, float), np.asarray(channel, float)
    outcome = chances @ channel
    with np.errstate(divide="ignore", invalid="ignore"):
        terms = np.where(channel > 0, channel * np.log2(channel / outcome), 0.0)
    return float(max(0.0, np.sum(chances[:, None] * terms)))


def _possible(modeset: ModeSet, made: set[str]):
    """(what to do, chance of each outcome under each name (8, n), effort, care) of each test not yet made."""
    struck, match = set(modeset.positions), np.array(priors.KNOCK_MATCH)
    against = 0.04 + 0.92 * np.array(priors.OPPOSITE_WINGS)
    sign = np.stack([against, 1 - against], axis=1)
    wings = (sign[:, :, None] * _steps(priors.CENTRE_TO_WING_DB, (-30, 20))[:, None, :]).reshape(8, -1)
    plug, mass, block = "soundhole plugged", "mass at bridge", "back blocked"
    every = (
        ("bridge centre", "tap the bridge at its centre", _steps(priors.LEVEL_AT_CENTRE_DB, (-50, 10)), 1.0, SOFT),
        ("treble wing", "tap the bass wing and the treble wing of the bridge", wings, 1.0, SOFT),
        ("back", "tap the middle of the back", _steps(priors.BACK_TO_CENTRE_DB, (-40, 30)), 1.2, SOFT),
        ("rim", "tap the rim at the tail", _steps(priors.RIM_TO_CENTRE_DB, (-45, 20)), 1.2, SOFT),
        ("room knock", "knock in the room without the guitar", np.stack([match, 1 - match], axis=1), 1.0, ""),
        (plug, "plug the soundhole airtight and tap again", _moves(priors.PLUGGED), 1.5, PLUG_CARE),
        (mass, "put a known mass of about 10 g on the bridge and tap again", _moves(priors.MASS_10_G), 4.0, MASS_CARE),
        (block, "hold the back still and tap again", _moves(priors.BACK_BLOCKED), 3.0, BLOCK_CARE),
    )
    done = struck | made if "bass wing" in struck else (struck | made) - {"treble wing"}
    return [test for what, *test in every if what not in done]


def _steps(table, span) -> np.ndarray:
    """Chances (8, n) of levels in steps of 1 dB."""
    x = np.arange(*span, 1.0)
    chances = np.stack([priors.density(x, *pair) for pair in table])
    return chances / chances.sum(axis=1, keepdims=True)


def _moves(table) -> np.ndarray:
    """Chances (8, n): the mode is gone, or has moved by so many fifths of a percent."""
    x = np.arange(-12, 8, 0.2)
    rows = []
    for found, centre, spread in table:
        moved = priors.density(x, centre, np.hypot(spread, 0.2))
        rows.append(np.append(found * moved / moved.sum(), 1 - found))
    return np.array(rows)
