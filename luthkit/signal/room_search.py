"""Which poles are there in a room: each must show against the room's answer to the others.

Reverberation looks like a crowd of modes. A covariance made from a fit takes every pole of that fit for granted and
hides it behind its own reverberation; one made without a pole that is there cries out for it. So presence is asked
for the other way round: how far does a pole lower the weighted squares where hiss, hum and the room's answer to the
*other* poles are the noise? Candidates left out before are asked again, and poles of little presence leave.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np

from .cells import Cell
from .pole_search import Search, is_broad, least_strength
from .poles import PoleFit, amplitude_solver, extra_strength, refine, restricted_likelihood
from .room import Mains, Room, Whitener, chance_amplitudes, fitted_sound, recorded_sound, roomy

KEPT = 5e-3  # odds at which chance alone makes a pole as strong that stays for the time being
PRESENT = 1e-3  # odds at which chance and the room's answer to the other poles alone make a pole look as present
SURE = 40.0  # chi-square of presence, estimated with the pole in the fit, above which nobody asks without it
APART = 0.5  # of the broader pole's decay rate: a candidate nearer to a pole than that is taken for the same
TAPER_S = 0.03
ROUNDS = 3


class RoomSearch:
    """The poles of cells that hear one another's room."""

    def __init__(self, cells: Sequence[Cell], hiss: Sequence[float], room: Room, mains: Mains):
        self.cells, self.mains = tuple(cells), mains
        self.data = [cell.mean for cell in cells]
        self.least = least_strength(PRESENT, cells)
        self._noise = [(cell, h, _shared(room, cell, cells)) for cell, h in zip(cells, hiss, strict=True)]

    def run(self, candidates) -> tuple[PoleFit, list[Whitener], np.ndarray] | None:
        """The fit with every pole that is present, the whiteners it was made with, and the presence of each pole
        in each cell (n_cells, n): chi-square with two degrees of freedom where a pole is not there.

        `candidates` (n,) are the poles of a fit without a room, which has taken up the room as well as the body.
        None when nothing is strong enough.
        """
        poles, whiteners = candidates, [roomy(*n, recorded_sound(n[0]), self.mains, TAPER_S) for n in self._noise]
        for _ in range(2):
            still = replace(self.mains, n_lines=0)  # hum is part of the covariance
            fit = Search(self.cells, self.data, whiteners, still, odds=KEPT).run(poles)
            if fit is None:
                return None
            poles, whiteners = fit.poles, self._whiteners(fit)
        for _ in range(ROUNDS):
            fit = self._fit(poles, whiteners, 3)
            whiteners = self._whiteners(fit)
            more = self._missing(self._fit(fit.poles, whiteners, 0), whiteners, candidates)
            if len(more):
                fit = self._fit(np.concatenate([fit.poles, more]), whiteners, 4)
                whiteners = self._whiteners(fit)
            fit, whiteners, presence = self._present(fit, whiteners)
            if not len(fit.poles):
                return None
            poles = fit.poles
            if not len(more):
                break
        return refine(self.cells, self.data, whiteners, poles, max_steps=6, usual=True), whiteners, presence

    def _fit(self, poles, whiteners, steps: int) -> PoleFit:
        return refine(self.cells, self.data, whiteners, poles, max_steps=steps)

    def _whiteners(self, fit: PoleFit) -> list[Whitener]:
        """Hiss, hum and the room's answer to what `fit` says the guitar does."""
        parts = zip(self._noise, fit.amplitudes, strict=True)
        return [roomy(*noise, fitted_sound(noise[0], fit.poles, a), self.mains) for noise, a in parts]

    def _missing(self, fit: PoleFit, whiteners, candidates) -> np.ndarray:
        """Those of `candidates` that are strong enough beside `fit` and apart from its poles and from each other."""

        def gaps(poles, others):
            reach = np.maximum(-poles.real[:, None], -others.real)
            return np.min(np.abs(poles[:, None] - others) / reach, axis=1, initial=np.inf)

        candidates = candidates[~is_broad(candidates)]
        candidates = candidates[gaps(candidates, fit.poles) >= APART]
        strength = extra_strength(fit, self.cells, self.data, whiteners, candidates).sum(axis=0)
        more = candidates[:0]
        for pole in candidates[np.argsort(-strength)][: np.sum(strength > self.least)]:
            if gaps(np.array([pole]), more)[0] >= 1:
                more = np.append(more, pole)
        return more

    def _present(self, fit: PoleFit, whiteners) -> tuple[PoleFit, list[Whitener], np.ndarray]:
        """`fit` without the poles of too little presence, its whiteners, and the presence of each pole in each cell."""
        presence = self._glance(fit, whiteners)
        for pole in fit.poles[np.argsort(presence.sum(axis=0))]:
            k = int(np.argmin(np.abs(fit.poles - pole)))
            if presence[:, k].sum() > SURE:
                continue
            rest, shown, without = self._ask_without(fit, whiteners, k)
            if shown.sum() < self.least:
                fit, whiteners, presence = rest, without, np.delete(presence, k, axis=1)
            else:
                presence[:, k] = shown
        return fit, self._whiteners(fit), presence

    def _ask_without(self, fit: PoleFit, whiteners, k: int) -> tuple[PoleFit, np.ndarray, list[Whitener]]:
        """The fit without pole `k`, that pole's presence (n_cells,) beside it, and the whiteners of that fit."""
        rest = self._fit(np.delete(fit.poles, k), whiteners, 0)
        for steps in (0, 2):
            whiteners = self._whiteners(rest)
            rest = self._fit(rest.poles, whiteners, steps)
        shown = extra_strength(rest, self.cells, self.data, whiteners, fit.poles[k : k + 1])[:, 0]
        return rest, shown, whiteners

    def _glance(self, fit: PoleFit, whiteners) -> np.ndarray:
        """Presence (n_cells, n) as well as it can be told while the poles are all in the covariance."""
        presence = []
        for noise, whitener, a in zip(self._noise, whiteners, fit.amplitudes, strict=True):
            solver = amplitude_solver(noise[0], whitener, fit.poles)
            chance = chance_amplitudes(*noise, self.mains, fit.poles, a, solver)
            pairs = np.stack([a.real, a.imag], axis=-1)
            presence.append(np.einsum("ki,kij,kj->k", pairs, np.linalg.inv(chance), pairs))
        return np.array(presence)


def _shared(room: Room, cell: Cell, cells: Sequence[Cell]) -> Room:
    """The room as strong as it counts for one of several cells that hear the very same reverberation.

    Positions tapped in one placement share it, so together they say no more about it than one of them would.
    """
    n_sharing = sum((c.placement, c.channel) == (cell.placement, cell.channel) for c in cells)
    return replace(room, reverberant_to_direct=n_sharing * room.reverberant_to_direct)


def cut(cell: Cell, length_s: float) -> Cell:
    """The first `length_s` of a cell."""
    return replace(cell, taps=cell.taps[:, : int(length_s * cell.sample_rate_hz)])


def estimate_room(cells: Sequence[Cell], hiss: Sequence[float], fit: PoleFit, mains: Mains) -> Room:
    """Decay time and strength of the room's tail by restricted maximum likelihood (`restricted_likelihood`).

    Asks the loudest cell of each placement. Climbs a grid of factors in both from 0.4 s and -10 dB, halving the
    step.
    """
    loudest: dict[tuple[str, int], int] = {}
    for k in sorted(range(len(cells)), key=lambda k: np.sum(cells[k].mean ** 2)):
        loudest[cells[k].placement, cells[k].channel] = k
    asked = list(loudest.values())
    cells, hiss = [cut(cells[k], 0.3) for k in asked], [hiss[k] for k in asked]
    sounds = [fitted_sound(c, fit.poles, a) for c, a in zip(cells, fit.amplitudes[asked], strict=True)]
    known: dict[tuple[float, float], float] = {}

    def cost(at: tuple[float, float]) -> float:
        if at not in known:
            room = Room(0.4 * 2 ** at[0], 10 ** (-1 + at[1]))
            whiteners = [roomy(c, h, room, s, mains) for c, h, s in zip(cells, hiss, sounds, strict=True)]
            known[at] = restricted_likelihood(cells, whiteners, fit.poles)
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
