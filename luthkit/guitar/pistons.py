"""Air, top and back named together: every guitar that has three given modes, and what else such a guitar would do.

Three oscillators on one cavity (`air_top_back`), without losses and in coordinates scaled by the roots of the masses,
are diag(D) + v v' with D = (P, 0, B) and v^2 = (a, H, b), the squares of `uncoupled`. Choose the top alone P and
the back alone B; the squared frequencies l_n of the three modes then fix all the rest (the secular equation of a
diagonal plus one product: Golub, SIAM Review 15, 318, 1973, from memory):

    v_j^2 = prod_n (l_n - D_j) / prod_(i != j) (D_i - D_j),    u_jn ~ v_j / (l_n - D_j),    v' u_n ~ 1.

So one plane (P, B) holds all guitars with these modes; where a v_j^2 is not above 0 there are none. Each of its points
is weighed by what is usual (`body_fit.TYPICAL`), and says how loud and with which sign each mode answers a tap on the
bridge or the back, and where it goes when the hole is plugged, the back held, the bridge made heavier. And it says
which of the upper two has more of the plates' energy in the top: that one is the main top.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations
from math import hypot, log, pi

import numpy as np

from ..signal.modes import Mode, ModeSet
from . import priors
from .air_top_back import air_density_kg_m3, speed_of_sound_m_s
from .body_fit import TYPICAL
from .evidence import OUTLIER, Reading, crowding, heights, level_at_bridge, moved, step_from_bridge, wrapped
from .helmholtz import TOP_THICKNESS_M

SIDE = 40  # points along each side of the plane's two halves
LEVEL_U_DB, PLACE_U_DB = 3.0, 5.0  # how far heights, and back against bridge, lie from those of three pistons
SHIFT_U = 0.6  # percent: how far a mode in another condition lies from theirs
PHASE_U = 0.6
MISSED = 0.12  # chance that a mode of another condition was not read


class Pistons:
    """All guitars whose air, main top and main back, in some order of the last two, have three frequencies; or, before
    a back that is still, whose air and main top have two. With `masses` each comes with several masses of its top."""

    def __init__(self, frequency_hz, *, masses: bool = False):
        low = (2 * pi * np.asarray(frequency_hz, float)) ** 2
        step = (np.arange(SIDE) + 0.5) / SIDE
        one = low[0] * (low[1] / low[0]) ** step
        if len(low) == 3:
            one, other = (each.ravel() for each in np.meshgrid(one, low[1] * (low[2] / low[1]) ** step))
            alone = [np.concatenate([one, other]), np.zeros(2 * len(one)), np.concatenate([other, one])]
        else:
            alone = [one, np.zeros(SIDE)]
        middle, spread = TYPICAL["top_mass_kg"]
        z = np.linspace(-2, 2, 9) if masses else np.zeros(1)
        self._alone = alone = np.repeat(alone, len(z), axis=1)  # (part, point); parts are top, air, back
        self._top_mass_kg = np.tile(middle * np.exp(spread * z), alone.shape[1] // len(z))
        gaps = low[:, None] - alone[:, None]  # (part, mode, point)
        apart = np.stack([np.prod(alone[j] - np.delete(alone, j, axis=0), axis=0) for j in range(len(low))])
        self._pull = np.abs(gaps.prod(axis=1) / apart)  # v^2
        moved = self._pull[:, None] / gaps**2  # u^2, part's share of the energy
        self._push = np.sqrt(self._pull)[:, None] / gaps / moved.sum(axis=0)
        top_share = moved[0] / (moved[0] + moved[-1])
        self.top_is_lower = top_share[1] > top_share[-1] if len(low) == 3 else np.full(alone.shape[1], True)
        squares = (self._pull[1], alone[0], self._pull[0], alone[-1], self._pull[-1])[: 2 * len(low) - 1]
        usual = sum(((np.log(x) - m) / spread) ** 2 for x, (m, spread) in zip(squares, _USUAL, strict=False))
        # d ln v_j^2 / d l_n = 1 / (l_n - D_j) is Cauchy's matrix; its determinant carries the density over to l_n
        cauchy = np.log(np.abs(apart)).sum(axis=0) / 2 - np.log(np.abs(gaps)).sum(axis=(0, 1))
        weight = cauchy - usual / 2 - np.tile(z**2, len(self._top_mass_kg) // len(z)) / 2
        self.log_weight = weight - np.logaddexp.reduce(weight)

    def heights(self, damping_ratio, part: int) -> np.ndarray:
        """Heights (n_modes, n) of the modes' peaks, with sign, for a tap on the top (0) or the back (2)."""
        return self._push[part] / np.asarray(damping_ratio)[:, None]

    def frequencies_hz(self, reading: Reading) -> np.ndarray:
        """Where the modes lie (n_modes, n) in the condition of a reading."""
        gone = {"soundhole plugged": 1, "back blocked": 2}.get(reading.condition)
        parts = [part for part in range(len(self._alone)) if part != gone]
        lighter = np.ones((len(parts), 1)) * np.ones_like(self._top_mass_kg)
        lighter[0] = 1 / (1 + reading.added_mass_g / 1000 / self._top_mass_kg)
        return _roots(self._alone[parts] * lighter, self._pull[parts] * lighter)


def weighed(
    modeset: ModeSet, readings: Sequence[Reading], places: Sequence[int], *, masses: bool = False
) -> tuple[Pistons, np.ndarray]:
    """The guitars whose modes are those at `places` of `modeset.modes` (air lowest), and for each the logarithm (n,) of
    how much likelier it makes their levels, signs and shifts than they are for modes without a name."""
    places = list(places)
    frequency, ratio = np.array([[modeset.modes[k].frequency_hz, modeset.modes[k].damping_ratio] for k in places]).T
    readings = [reading for reading in readings if reading.condition in priors.CONDITIONS]
    guitars = Pistons(frequency, masses=masses or any(reading.added_mass_g for reading in readings))
    likely = guitars.log_weight
    told = 20 * np.log10(np.abs(guitars.heights(ratio, 0)))
    level, _, table = level_at_bridge(modeset)
    if level is not None:
        likely = likely + _near(level[places], told - told.max(axis=0) - 1, LEVEL_U_DB, table[-1])
    step = step_from_bridge(modeset, "back")
    if step is not None and len(places) == 3:
        back = 20 * np.log10(np.abs(guitars.heights(ratio, 2)))
        likely = likely + _near(step[places], back - told, PLACE_U_DB, priors.BACK_TO_CENTRE_DB[-1])
    for part, struck in ((0, ("bridge centre", "bass wing", "treble wing")), (2, ("back",)))[: len(places) - 1]:
        seen = next((h for h in (heights(modeset, place) for place in struck) if h is not None), None)
        if seen is not None:
            likely = likely + _signs(seen[places], guitars.heights(ratio, part))
    for reading in readings:
        likely = likely - np.log(moved(modeset, reading)[places, -1]).sum()
        low = [m for m in reading.modeset.modes if m.kind != "room" and m.frequency_hz < 1.3 * frequency[-1]]
        for told_hz in guitars.frequencies_hz(reading):
            each = found_there(told_hz, low)
            likely = likely + np.log(MISSED + each.sum(axis=0))
    return guitars, likely


def told_together(modeset: ModeSet, readings: Sequence[Reading], places: Sequence[int]) -> tuple[float, float]:
    """`weighed`, summed over the guitars whose lower plate mode is the main top, and over those whose upper is."""
    guitars, likely = weighed(modeset, readings, places)
    either = [guitars.top_is_lower, ~guitars.top_is_lower]
    return tuple(float(np.logaddexp.reduce(likely, where=each, initial=-np.inf)) for each in either)


def found_there(told_hz, modes: Sequence[Mode]) -> np.ndarray:
    """How likely (n_modes, n) each of `modes` is the one expected at `told_hz` (n,), against a mode without a name."""
    there = np.array([mode.frequency_hz for mode in modes])[:, None]
    shift_u = np.hypot(SHIFT_U, [100 * np.nan_to_num(mode.frequency_u_hz) / mode.frequency_hz for mode in modes])
    near = priors.density(100 * np.log(there / told_hz), 0.0, shift_u[:, None])
    return (1 - MISSED) * near / crowding(told_hz)


def _usual() -> list[tuple[float, float]]:
    """Middle and spread of the natural logarithms of H, P, a, B and b, from TYPICAL."""
    middle, spread = ({name: pair[k] for name, pair in TYPICAL.items()} for k in range(2))
    c, density = speed_of_sound_m_s(20.0), air_density_kg_m3(20.0)
    length = TOP_THICKNESS_M + middle["end_correction"] * middle["hole_radius_m"]
    box = c**2 * pi * middle["hole_radius_m"] ** 2 / (middle["volume_m3"] * length)
    found = [(log(box), hypot(spread["volume_m3"], spread["hole_radius_m"], spread["end_correction"]))]
    for part in ("top", "back"):
        mass, area, hz = (f"{part}_{what}" for what in ("mass_kg", "area_m2", "frequency_hz"))
        pull = density * c**2 * middle[area] ** 2 / (middle["volume_m3"] * middle[mass])
        found.append((2 * log(2 * pi * middle[hz]), 2 * spread[hz]))
        found.append((log(pull), hypot(2 * spread[area], spread[mass], spread["volume_m3"])))
    return found


_USUAL = _usual()


def _near(found, told, spread, plain) -> np.ndarray:
    """Logarithm (n,) of how much likelier levels `found` (3,) are for levels `told` (3, n) than without a name."""
    found = np.asarray(found)[:, None]
    return np.log(priors.density(found, told, spread) / priors.density(found, *plain)).sum(axis=0)


def _signs(seen, told) -> np.ndarray:
    """The same for the signs of heights, against that of the loudest; without a name any phase is as likely."""
    first = int(np.argmax(np.abs(seen)))
    angle = np.angle(seen * np.conj(seen[first]))[:, None]
    angle = np.where(told * told[first] > 0, angle, angle - pi)
    likely = OUTLIER + (1 - OUTLIER) * 2 * pi * wrapped(angle, np.full_like(angle, PHASE_U))
    return np.log(np.delete(likely, first, axis=0)).sum(axis=0)


def _roots(alone, pull) -> np.ndarray:
    """Frequencies (m, n) in Hz of diag(alone) + v v', v^2 = pull, each (m, n), for up to three parts."""
    trace = (alone + pull).sum(axis=0)
    pairs = sum(_product(alone[[i, j]], pull[[i, j]]) for i, j in combinations(range(len(alone)), 2))
    if len(alone) == 3:  # a cubic, whose three real roots are cosines (Viete)
        middle = trace / 3
        p = np.maximum(middle**2 - pairs / 3, 1e-300)
        q = middle**3 - middle * pairs / 2 + _product(alone, pull) / 2
        angle = np.arccos(np.clip(q / p**1.5, -1, 1)) / 3
        squares = [middle + 2 * np.sqrt(p) * np.cos(angle - turn) for turn in (4 * pi / 3, 2 * pi / 3, 0.0)]
    elif len(alone) == 2:
        half = np.sqrt(np.maximum(trace**2 / 4 - pairs, 0))
        squares = [trace / 2 - half, trace / 2 + half]
    else:
        squares = [trace]
    return np.sqrt(np.maximum(squares, 0)) / (2 * pi)


def _product(alone, pull) -> np.ndarray:
    """Determinant (n,) of diag(alone) + v v'."""
    others = [np.delete(alone, j, axis=0).prod(axis=0) for j in range(len(alone))]
    return alone.prod(axis=0) + sum(v * each for v, each in zip(pull, others, strict=True))
