"""Which poles are there: the number of modes found blind, by what each pole adds to the weighted fit.

Candidates come from a subspace method at a generous order. A pole stays while its amplitudes lower the weighted
squares by more than chance would (chi-square with two degrees of freedom a cell and two for the pole, at odds that
allow for the many candidates tried), and what the fit leaves over is searched for more. In a room weaker poles
stay in the fit but are not told, for a missing pole bends its neighbours; told are poles that chance and the room's
answer to the other poles would not make so strong.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.stats import chi2

from .cells import Cell
from .poles import PoleFit, amplitude_solver, refine, subspace_poles
from .room import Mains, Room, Whitener, chance_amplitudes, find_mains, fitted_sound, hiss_rms, recorded_sound, roomy

# odds at which chance alone makes a pole look as strong: told for its strength; kept in a room, and told there for
# its presence
TOLD = 2e-5
KEPT_IN_ROOM = 5e-3
ORDER = 90
ROOM_LENGTH_S = 0.4
TAPER_S = 0.03
EXCESS = 1.6  # misfit per degree of freedom above which there is more than hiss
BROADEST = 0.06  # damping ratio, Q about 8
CROWD = 28  # poles above which they may fit a room: a quiet made body takes 19 to 23, in a room 27 to 45
NO_DECAY = 0.2  # 1/s: 35 s to die; where no hum was heard, wood and metal may well ring beside one of its lines
LEAST_ROOM = 10 ** (-2.8)


@dataclass(frozen=True, eq=False)
class TapFit:
    """A joint fit with what it was made from: cells as cut, hiss and whitener of each, and the room if one is heard.

    `poles` is None when nothing stands out of the noise. `presence` (n_cells, n), in a room only, is chi-square
    with two degrees of freedom where a pole is not there and hiss, hum and the room's answer to the others stand in.
    """

    poles: PoleFit | None
    cells: tuple[Cell, ...]
    hiss: tuple[float, ...]
    whiteners: tuple[Whitener, ...]
    mains: Mains
    room: Room | None = None
    presence: np.ndarray | None = None

    @property
    def certain(self) -> np.ndarray:
        """Which poles (n,) are strong enough to be reported."""
        scale = 1.0 if self.room else max(1.0, self.poles.variance)
        strong = self.poles.strength.sum(axis=0) / scale > _least_strength(TOLD, self.cells)
        if self.room:
            strong |= self.presence.sum(axis=0) > _least_strength(KEPT_IN_ROOM, self.cells)
        return strong & ~_is_line(self.poles.poles, replace(self.mains, frequency_hz=self.poles.mains_hz))


def fit_taps(cells: Sequence[Cell], *, top_hz: float) -> TapFit:
    """Joint fit of all cells, the number of poles found blind, first for hiss alone, then for the room as well.

    The covariance of the reverberation follows from the recorded sound, then from the fit, twice.
    """
    mains = find_mains(cells, top_hz)
    hiss = [hiss_rms(cell, mains) for cell in cells]
    means = [cell.mean for cell in cells]
    first = _Search(cells, means, [Whitener(h) for h in hiss], mains, top_hz, scaled=True)
    fit = first.run(_candidates(cells, mains))
    dry = TapFit(fit, tuple(cells), tuple(hiss), tuple(first.whiteners), mains)
    if fit is None or (fit.variance < EXCESS and len(fit.poles) <= CROWD):
        return dry
    short = [cut(cell, ROOM_LENGTH_S) for cell in cells]
    mains = replace(mains, frequency_hz=fit.mains_hz)
    room = estimate_room(short, hiss, fit, mains)
    if room.reverberant_to_direct < LEAST_ROOM:
        return replace(dry, poles=first.complete(fit)) if len(fit.poles) > CROWD else dry
    data = [cell.mean for cell in short]
    noise = [(cell, h, _shared(room, cell, short)) for cell, h in zip(short, hiss, strict=True)]
    whiteners = [roomy(c, h, r, recorded_sound(c), mains, TAPER_S) for c, h, r in noise]
    for last in (False, True):
        search = _Search(short, data, whiteners, replace(mains, n_lines=0), top_hz)
        better = search.run(fit.poles, finish=last)
        if better is None:
            return dry
        fit = better
        parts = zip(noise, fit.amplitudes, strict=True)
        whiteners = [roomy(c, h, r, fitted_sound(c, fit.poles, a), mains) for (c, h, r), a in parts]
    fit = refine(short, data, whiteners, fit.poles, max_steps=6, usual=True)
    presence = []
    for (cell, h, r), whitener, a in zip(noise, whiteners, fit.amplitudes, strict=True):
        solver = amplitude_solver(cell, whitener, fit.poles)
        chance = chance_amplitudes(cell, h, r, mains, fit.poles, a, solver)
        pairs = np.stack([a.real, a.imag], axis=-1)
        presence.append(np.einsum("ki,kij,kj->k", pairs, np.linalg.inv(chance), pairs))
    return TapFit(fit, tuple(short), tuple(hiss), tuple(whiteners), mains, room, np.array(presence))


def _least_strength(odds: float, cells: Sequence[Cell]) -> float:
    """Chi-square of two amplitudes a cell and one pole that chance exceeds with these odds."""
    return float(chi2.isf(odds, 2 * len(cells) + 2))


def _shared(room: Room, cell: Cell, cells: Sequence[Cell]) -> Room:
    """The room as strong as it counts for one of several cells that hear the very same reverberation.

    Positions tapped in one placement share it, so together they say no more about it than one of them would.
    """
    n_sharing = sum((c.placement, c.channel) == (cell.placement, cell.channel) for c in cells)
    return replace(room, reverberant_to_direct=n_sharing * room.reverberant_to_direct)


def cut(cell: Cell, length_s: float) -> Cell:
    """The first `length_s` of a cell."""
    return replace(cell, taps=cell.taps[:, : int(length_s * cell.sample_rate_hz)])


def _candidates(cells: Sequence[Cell], mains: Mains) -> np.ndarray:
    rates = {cell.sample_rate_hz for cell in cells}
    groups = [[c for c in cells if c.sample_rate_hz == rate] for rate in sorted(rates)]
    poles = subspace_poles(max(groups, key=len), ORDER)
    ratio = -poles.real / np.abs(poles)
    return poles[(ratio > 0.0005) & (ratio < 0.15) & ~_is_line(poles, mains)]


def _is_line(poles: np.ndarray, mains: Mains) -> np.ndarray:
    """Which poles are lines of the mains: at a multiple, and hardly decaying."""
    frequency = poles.imag / (2 * np.pi)
    off_line = np.abs(frequency - mains.frequency_hz * np.round(frequency / mains.frequency_hz))
    slow = np.maximum(3.0, poles.imag / 400) if mains.n_lines else NO_DECAY  # 1/s; Q above 200 higher up
    return (off_line < 1.5) & (-poles.real < slow)


def _is_broad(poles: np.ndarray) -> np.ndarray:
    """Which poles are too heavily damped for a body: they stand for something else, or for two modes at once."""
    return -poles.real > BROADEST * np.abs(poles)


class _Search:
    """Prune, refine and complete a set of poles under one noise model."""

    def __init__(self, cells, data, whiteners, mains: Mains, top_hz: float, *, scaled: bool = False):
        self.cells, self.data, self.whiteners = cells, data, whiteners
        self.mains, self.top_hz = mains, top_hz
        self.least = _least_strength(TOLD if scaled else KEPT_IN_ROOM, cells)
        self.scaled = scaled  # the noise model is known to leave something out: judge by the misfit

    def run(self, poles, *, finish: bool = True) -> PoleFit | None:
        """The fit with every pole that is strong enough, or None when none is.

        Without `finish` what is left over is not searched; without the room in the noise model no further than to a
        crowd: one pole too few leaves as much misfit as a room does, but more poles mend only the first.
        """
        fit = self._refine(poles, self.mains.frequency_hz, 1)
        fit = self._settle(self._prune(fit), fit.mains_hz)
        if not finish or not len(fit.poles):
            return fit if len(fit.poles) else None
        return self.complete(fit, most=CROWD if self.scaled else np.inf)

    def complete(self, fit: PoleFit, *, most: float = np.inf) -> PoleFit | None:
        """`fit` with poles for what it leaves over, searched for while there are no more than `most`."""
        for _ in range(4):
            if len(fit.poles) > most:
                return fit
            broad = _is_broad(fit.poles)
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
        return refine(
            self.cells,
            self.data,
            self.whiteners,
            poles,
            mains_hz=mains_hz,
            n_mains=self.mains.n_lines,
            max_steps=steps,
        )

    def _scale(self, fit: PoleFit) -> float:
        return max(1.0, fit.variance) if self.scaled else 1.0

    def _prune(self, fit: PoleFit) -> np.ndarray:
        """Leave out the weakest, a third of the weak ones at a time, until all are strong enough."""
        scale = self._scale(fit)
        while len(fit.poles):
            strength = np.where(_is_line(fit.poles, self.mains), 0.0, fit.strength.sum(axis=0) / scale)
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


def estimate_room(cells: Sequence[Cell], hiss: Sequence[float], fit: PoleFit, mains: Mains) -> Room:
    """Decay time and strength of the room's tail by maximum likelihood, poles held at the fit's.

    Asks the loudest cell of each placement. Climbs a grid of factors in both from 0.4 s and -10 dB, halving the
    step.
    """
    loudest: dict[tuple[str, int], int] = {}
    for k in sorted(range(len(cells)), key=lambda k: np.sum(cells[k].mean ** 2)):
        loudest[cells[k].placement, cells[k].channel] = k
    asked = list(loudest.values())
    cells, hiss = [cut(cells[k], 0.3) for k in asked], [hiss[k] for k in asked]
    data = [cell.mean for cell in cells]
    sounds = [fitted_sound(c, fit.poles, a) for c, a in zip(cells, fit.amplitudes[asked], strict=True)]
    known: dict[tuple[float, float], float] = {}

    def cost(at: tuple[float, float]) -> float:
        if at not in known:
            room = Room(0.4 * 2 ** at[0], 10 ** (-1 + at[1]))
            whiteners = [roomy(c, h, room, s, mains) for c, h, s in zip(cells, hiss, sounds, strict=True)]
            trial = refine(cells, data, whiteners, fit.poles, max_steps=0)
            known[at] = trial.misfit + sum(w.log_determinant for w in whiteners)
        return known[at]

    at = _climb(cost, (0.0, 0.0), steps=(1.0, 0.5, 0.25))
    return Room(0.4 * 2 ** at[0], 10 ** (-1 + at[1]))


def _climb(cost: Callable, at: tuple[float, float], steps: Sequence[float]) -> tuple[float, float]:
    for step in steps:
        for _ in range(8):
            around = [(at[0] + i * step, at[1] + j * step) for i, j in ((1, 0), (-1, 0), (0, 1), (0, -1))]
            around = [p for p in around if -2 <= p[0] <= 2.5 and -3 <= p[1] <= 1]
            best = min(around, key=cost)
            if cost(best) >= cost(at):
                break
            at = best
    return at
