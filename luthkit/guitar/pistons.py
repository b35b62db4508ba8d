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
from math import hypot, log, pi

import numpy as np

from ..signal.modes import ModeSet
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
    """All guitars whose air, main top and main back, in some order of the last two, have three frequencies."""

    def __init__(self, frequency_hz):
        low = (2 * pi * np.asarray(frequency_hz, float)) ** 2
        step = (np.arange(SIDE) + 0.5) / SIDE
        between = np.meshgrid(low[0] * (low[1] / low[0]) ** step, low[1] * (low[2] / low[1]) ** step)
        one, other = (each.ravel() for each in between)
        top, back = np.concatenate([one, other]), np.concatenate([other, one])
        self._alone = np.stack([top, np.zeros_like(top), back])
        gaps = low[:, None] - self._alone[:, None]  # (part, mode, point)
        apart = np.stack([top * (top - back), top * back, back * (back - top)])
        self._pull = np.abs(gaps.prod(axis=1) / apart)  # v^2
        self._low = low
        size = (self._pull[:, None] / gaps**2).sum(axis=0)
        self._push = np.sqrt(self._pull)[:, None] / gaps / size  # (part, mode, point): part's share of v'u = 1
        energy = self._pull[[0, 2], None] / gaps[[0, 2]] ** 2
        share = energy[0] / energy.sum(axis=0)
        self.top_is_lower = share[1] > share[2]
        squares = (self._pull[1], top, self._pull[0], back, self._pull[2])
        usual = sum(((np.log(x) - m) / spread) ** 2 for x, (m, spread) in zip(squares, _USUAL, strict=True))
        # d ln v_j^2 / d l_n = 1 / (l_n - D_j) is Cauchy's matrix; its determinant carries the density over to l_n
        cauchy = np.log(np.abs(apart).prod(axis=0)) / 2 - np.log(np.abs(gaps)).sum(axis=(0, 1))
        self.log_weight = cauchy - usual / 2

    def heights(self, damping_ratio, part: int) -> np.ndarray:
        """Heights (3, n) of the modes' peaks, with sign, for a tap on the top (0) or the back (2)."""
        return self._push[part] / np.asarray(damping_ratio)[:, None]

    def frequencies_hz(self, condition: str, *, added_share=0.0) -> np.ndarray:
        """Modes (n_modes, n) in a condition; with mass on the bridge, which is `added_share` of the top's."""
        parts = {"soundhole plugged": [0, 2], "back blocked": [0, 1], "mass at bridge": [0, 1, 2]}[condition]
        lighter = np.array([1 / (1 + added_share), 1.0, 1.0])[parts, None]
        return _roots(self._alone[parts] * lighter, self._pull[parts] * lighter)


def told_together(modeset: ModeSet, readings: Sequence[Reading], triple: Sequence[int]) -> tuple[float, float]:
    """How much likelier the levels, signs and shifts of three modes are for air, main top and main back than for
    modes without a name: natural logarithms, for the lower plate mode as main top and for the upper.

    `triple` holds the three places in `modeset.modes`, lowest first.
    """
    triple = list(triple)
    frequency, ratio = np.array([[modeset.modes[k].frequency_hz, modeset.modes[k].damping_ratio] for k in triple]).T
    guitars = Pistons(frequency)
    likely = guitars.log_weight - np.logaddexp.reduce(guitars.log_weight)
    told = 20 * np.log10(np.abs(guitars.heights(ratio, 0)))
    level, _, table = level_at_bridge(modeset)
    if level is not None:
        likely = likely + _near(level[triple], told - told.max(axis=0) - 1, LEVEL_U_DB, table[-1])
    step = step_from_bridge(modeset, "back")
    if step is not None:
        back = 20 * np.log10(np.abs(guitars.heights(ratio, 2)))
        likely = likely + _near(step[triple], back - told, PLACE_U_DB, priors.BACK_TO_CENTRE_DB[-1])
    for part, places in ((0, ("bridge centre", "bass wing", "treble wing")), (2, ("back",))):
        seen = next((h for h in (heights(modeset, place) for place in places) if h is not None), None)
        if seen is not None:
            likely = likely + _signs(seen[triple], guitars.heights(ratio, part))
    for reading in readings:
        if reading.condition in priors.CONDITIONS:
            likely = likely + _moved(modeset, reading, triple, guitars)
    either = [guitars.top_is_lower, ~guitars.top_is_lower]
    return tuple(float(np.logaddexp.reduce(likely, where=each, initial=-np.inf)) for each in either)


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


def _moved(modeset: ModeSet, reading: Reading, triple, guitars: Pistons) -> np.ndarray:
    """The same for where the modes went in another condition (as `evidence.by_condition`)."""
    plain = np.log(moved(modeset, reading)[triple, -1]).sum()
    there = np.array([mode.frequency_hz for mode in reading.modeset.modes if mode.kind != "room"])
    kilograms, spread = TYPICAL["top_mass_kg"]
    ways = []
    for z in np.linspace(-2, 2, 9) if reading.added_mass_g else (0.0,):
        share = reading.added_mass_g / 1000 / (kilograms * np.exp(spread * z))
        likely = -0.5 * z * z
        for told in guitars.frequencies_hz(reading.condition, added_share=share):
            p = priors.density(100 * np.log(there[:, None] / told[None]), 0.0, SHIFT_U).sum(axis=0)
            likely = likely + np.log(MISSED + (1 - MISSED) * p / crowding(told))
        ways.append(likely)
    return np.logaddexp.reduce(ways, axis=0) - np.log(len(ways)) - plain


def _roots(alone, pull) -> np.ndarray:
    """Frequencies (m, n) in Hz of diag(alone) + v v', v^2 = pull, each (m, n), for two or three parts."""
    trace = (alone + pull).sum(axis=0)
    if len(alone) == 2:
        half = np.sqrt(np.maximum(trace**2 / 4 - _product(alone, pull), 0))
        return np.sqrt(np.stack([trace / 2 - half, trace / 2 + half])) / (2 * pi)
    pairs = sum(_product(alone[[i, j]], pull[[i, j]]) for i, j in ((0, 1), (0, 2), (1, 2)))
    middle = trace / 3  # of a cubic, whose three real roots are cosines (Viete)
    p = np.maximum(middle**2 - pairs / 3, 1e-300)
    q = middle**3 - middle * pairs / 2 + _product(alone, pull) / 2
    angle = np.arccos(np.clip(q / p**1.5, -1, 1)) / 3
    roots = [middle + 2 * np.sqrt(p) * np.cos(angle - turn) for turn in (2 * pi / 3, 4 * pi / 3, 0.0)]
    return np.sqrt(np.maximum(roots, 0)) / (2 * pi)


def _product(alone, pull) -> np.ndarray:
    """Determinant (n,) of diag(alone) + v v'."""
    others = [np.delete(alone, j, axis=0).prod(axis=0) for j in range(len(alone))]
    return alone.prod(axis=0) + sum(v * each for v, each in zip(pull, others, strict=True))
