"""Which poles are there, where hiss and hum are all that disturbs: found blind, by what each adds to the weighted fit.

Candidates come from a subspace method at a generous order. A pole stays while its amplitudes lower the weighted
squares by more than chance would (chi-square with two degrees of freedom a cell and two for the pole, at odds that
allow for the many candidates tried), and what the fit leaves over is searched for more.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.stats import chi2

from .cells import Cell
from .poles import PoleFit, refine, subspace_poles
from .room import Mains

ORDER = 90
BROADEST = 0.06  # damping ratio, Q about 8
NO_DECAY = 0.2  # 1/s: 35 s to die; where no hum was heard, wood and metal may well ring beside one of its lines


def least_strength(odds: float, n_cells: float) -> float:
    """Chi-square of two amplitudes a cell and one pole that chance exceeds with these odds."""
    return float(chi2.isf(odds, 2 * n_cells + 2))


def candidates(cells: Sequence[Cell], mains: Mains) -> np.ndarray:
    rates = {cell.sample_rate_hz for cell in cells}
    groups = [[c for c in cells if c.sample_rate_hz == rate] for rate in sorted(rates)]
    poles = subspace_poles(max(groups, key=len), ORDER)
    ratio = -poles.real / np.abs(poles)
    return poles[(ratio > 0.0005) & (ratio < 0.15) & ~is_line(poles, mains)]


def is_line(poles: np.ndarray, mains: Mains) -> np.ndarray:
    """Which poles are lines of the mains: at a multiple, and hardly decaying."""
    frequency = poles.imag / (2 * np.pi)
    off_line = np.abs(frequency - mains.frequency_hz * np.round(frequency / mains.frequency_hz))
    slow = np.maximum(3.0, poles.imag / 400) if mains.n_lines else NO_DECAY  # 1/s; Q above 200 higher up
    return (off_line < 1.5) & (-poles.real < slow)


def is_broad(poles: np.ndarray) -> np.ndarray:
    """Which poles are too heavily damped for a body: they stand for something else, or for two modes at once."""
    return -poles.real > BROADEST * np.abs(poles)


class Search:
    """Prune, refine and complete a set of poles; one of `least` strength stays.

    `look_at` is what `refine` asks at given poles. With `scaled` the noise model is known to leave something out, and
    strength is judged by the misfit.
    """

    def __init__(self, look_at, cells, mains: Mains, *, least: float, top_hz: float = np.inf, scaled: bool = False):
        self.look_at, self.cells, self.mains, self.top_hz = look_at, cells, mains, top_hz
        self.least = least
        self.scaled = scaled

    def run(self, poles) -> PoleFit | None:
        """The fit with every one of `poles` that is strong enough, or None when none is."""
        fit = self._refine(poles, self.mains.frequency_hz, 1)
        fit = self._settle(self._prune(fit), fit.mains_hz)
        return fit if len(fit.poles) else None

    def complete(self, fit: PoleFit, *, most: float = np.inf) -> PoleFit | None:
        """`fit` with poles for what it leaves over, searched for while there are no more than `most`.

        Without the room in the noise model one pole too few leaves as much misfit as a room does, but more poles
        mend only the first.
        """
        for _ in range(4):
            if len(fit.poles) > most:
                return fit
            broad = is_broad(fit.poles)
            extra = np.concatenate([self._left_over(fit), _halves(fit.poles[broad])])
            if not len(extra):
                break
            more = self._settle(np.concatenate([fit.poles[~broad], extra]), fit.mains_hz)
            if more.misfit > fit.misfit - 0.5 * self.least * self._scale(fit):
                break
            fit = more
        fit = self._without_doubles(fit)
        return self._refine(fit.poles, fit.mains_hz, 10) if len(fit.poles) else None

    def _without_doubles(self, fit: PoleFit) -> PoleFit:
        """Leave out a pole so close to another that one alone, refined, does nearly as well.

        Beside its double a pole looks strong: only the fit without it tells.
        """
        tried: set[complex] = set()
        while True:
            poles, strength = fit.poles, fit.strength.sum(axis=0)
            apart = np.abs(poles[:, None] - poles) + 1e9 * np.eye(len(poles))
            reach = np.maximum(-poles.real[:, None], -poles.real)
            doubles = [k for k in np.argsort(strength) if np.any(apart[k] < reach[k]) and poles[k] not in tried]
            if not doubles:
                return fit
            tried.add(poles[doubles[0]])
            fewer = self._refine(np.delete(poles, doubles[0]), fit.mains_hz, 4)
            if fewer.misfit - fit.misfit < self.least * self._scale(fit):
                fit = fewer

    def _refine(self, poles, mains_hz, steps) -> PoleFit:
        return refine(self.look_at, poles, mains_hz=mains_hz, max_steps=steps)

    def _scale(self, fit: PoleFit) -> float:
        return max(1.0, fit.variance) if self.scaled else 1.0

    def _prune(self, fit: PoleFit) -> np.ndarray:
        """Leave out the weakest, a third of the weak ones at a time, until all are strong enough."""
        scale = self._scale(fit)
        while len(fit.poles):
            strength = np.where(is_line(fit.poles, self.mains), 0.0, fit.strength.sum(axis=0) / scale)
            weak = np.flatnonzero(strength < self.least)
            if not len(weak):
                break
            weak = weak[np.argsort(strength[weak])][: max(1, len(weak) // 3)]
            fit = self._refine(np.delete(fit.poles, weak), fit.mains_hz, 0)
        return fit.poles

    def _settle(self, poles, mains_hz) -> PoleFit:
        for _ in range(6):
            poles = _distinct(poles)
            fit = self._refine(poles, mains_hz, 4)
            kept = self._prune(fit)
            if len(kept) == len(fit.poles):
                break
            poles, mains_hz = kept, fit.mains_hz
        return fit

    def _left_over(self, fit: PoleFit) -> np.ndarray:
        """Poles at the peaks of what the fit left over, up to six."""
        size = 8192
        total, frequency = 0.0, None
        for cell, residual in zip(self.cells, fit.residuals, strict=True):
            weight = np.exp(-25.0 * np.arange(len(residual)) / cell.sample_rate_hz)
            power = np.abs(np.fft.rfft(residual * weight, size)) ** 2 / np.sum(weight**2)
            grid = np.fft.rfftfreq(size, 1 / cell.sample_rate_hz)
            frequency = grid if frequency is None else frequency
            total = total + np.interp(frequency, grid, power)
        total = total / len(self.cells) / self._scale(fit)
        total[(frequency < 40) | (frequency > 1.2 * self.top_hz)] = 0
        found = []
        while len(found) < 6 and total.max() > 12:
            peak = frequency[np.argmax(total)]
            found.append(2 * np.pi * peak * (-1 / 60 + 1j))
            total[np.abs(frequency - peak) < max(12.0, 0.03 * peak)] = 0
        return np.array(found)


def _halves(poles: np.ndarray) -> np.ndarray:
    """Two narrower poles beside each other for every one given."""
    rate, spread = 0.5 * poles.real, 0.5j * np.abs(poles.real)
    return np.concatenate([rate + 1j * poles.imag - spread, rate + 1j * poles.imag + spread])


def _distinct(poles) -> np.ndarray:
    """Poles sorted by frequency, one of each pair that has run together left out."""
    kept: list[complex] = []
    for pole in sorted(np.asarray(poles), key=lambda s: s.imag):
        if kept and abs(pole - kept[-1]) < 0.15 * min(-pole.real, -kept[-1].real):
            continue
        kept.append(pole)
    return np.array(kept, complex)
