"""Which poles there are in a room, and what the room is like.

Reverberation looks like a crowd of modes. In the likelihood of `room_likelihood.py` the room is a relative noise, so
one question settles every pole: how much less likely is the record without it, when the others have made the best of
that? Poles that chance would match leave, what the record still asks for comes in, until neither happens.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from .cells import Cell
from .heard import BLOCK, WIDE_BLOCK, Heard, covariance, hear, recorded_covariance, weighed
from .pole_search import Search, least_strength
from .poles import PoleFit, refine
from .room import Mains, Room
from .room_likelihood import USUAL_RATIO, Outcome, RoomLikelihood, State, restricted_cost

FIRST = 5e-3  # odds at which chance makes a pole as strong that stays for the time being
KEPT = 2e-3  # odds at which chance makes a pole as likely that stays in the fit
FLOOR = 10 ** (-60 / 20)  # of the level of a tap: no room is so exactly what it is taken for
GAIN = 1.15  # a pole that comes in must better the likelihood by so much more than one that stays
PLAIN = 150.0  # drop of -2 ln L, the other poles held, beyond which nobody asks how they would make up for a pole
GRID_HZ, GRID_STEP = 60.0, 0.02  # lowest of the poles that are asked for, and the step to the next
STEPS = 5
ROUNDS = 8
TRIES = 3


@dataclass(frozen=True, eq=False)
class RoomFit:
    """The likeliest state, and `presence` (n_cells, n): how much -2 ln L of a cell rises without each pole."""

    state: State
    presence: np.ndarray


class RoomSearch:
    """The poles of cells that hear one another's room, up to `top_hz`."""

    def __init__(self, cells: Sequence[Cell], hiss: Sequence[float], mains: Mains, top_hz: float):
        self.cells, self.top_hz = tuple(cells), top_hz
        loud = [np.sqrt(np.mean(cell.mean[: round(0.25 * cell.sample_rate_hz)] ** 2)) for cell in cells]
        hiss = [max(h, FLOOR * level) for h, level in zip(hiss, loud, strict=True)]
        given = list(zip(cells, hiss, _shares(cells), strict=True))
        self.heard, self.wide = (
            [hear(cell, rms, mains, top_hz, share, block) for cell, rms, share in given]
            for block in (BLOCK, WIDE_BLOCK)
        )
        self.n_counted = sum(each.share for each in self.heard)
        self.least = least_strength(KEPT, self.n_counted)
        self._still = replace(mains, n_lines=0)  # hum is part of the covariance
        omega = 2 * np.pi * np.exp(np.arange(np.log(GRID_HZ), np.log(top_hz), GRID_STEP))
        self._grid = omega * (-USUAL_RATIO + 1j)

    def estimate(self, fit) -> Room:
        """Decay time and strength of the room around a fit's or state's poles and amplitudes."""
        return estimate_room(self.heard, fit)

    def begin(self, fit: PoleFit, room: Room) -> State | None:
        """A first state from a fit without a room, whose poles have taken up the room as well as the body; None when
        nothing is strong enough."""
        tails, first = [each.tail(room) for each in self.heard], least_strength(FIRST, self.n_counted)
        covariances = [recorded_covariance(each, tail) for each, tail in zip(self.heard, tails, strict=True)]
        poles = fit.poles[np.abs(fit.poles) < 1.1 * 2 * np.pi * self.top_hz]
        for _ in range(2):
            found = Search(weighed(self.heard, covariances), self.cells, self._still, least=first).run(poles)
            if found is None:
                return None
            poles = found.poles
            covariances = [
                covariance(each, tail, each.sound(poles, a))
                for each, tail, a in zip(self.heard, tails, found.amplitudes, strict=True)
            ]
        found = refine(weighed(self.heard, covariances), poles, max_steps=2)
        return RoomLikelihood(self.heard, room).at(found.poles, found.amplitudes)

    def run(self, state: State, room: Room) -> RoomFit:
        """The likeliest state with every pole that is present, from `state` on."""
        likelihood = RoomLikelihood(self.heard, room)
        state = likelihood.climb(likelihood.at(state.poles, state.amplitudes), 8)
        for _ in range(ROUNDS):
            state, presence = self._leave(likelihood, state)
            more = self._enter(likelihood, state)
            if more is None:
                break
            state = more
        else:
            state, presence = self._leave(likelihood, state)
        return RoomFit(state, presence)

    def finish(self, state: State, room: Room) -> tuple[State, Outcome]:
        """The likeliest state near `state` and its errors, in wide blocks."""
        likelihood = RoomLikelihood(self.wide, room)
        state = likelihood.climb(likelihood.at(state.poles, state.amplitudes), 12)
        return state, likelihood.outcome(state)

    def _leave(self, likelihood: RoomLikelihood, state: State) -> tuple[State, np.ndarray]:
        """The state without poles that chance would match, and the presence of those that stay."""
        while True:
            others = ~np.eye(len(state.poles), dtype=bool)
            amplitudes = likelihood.with_amplitudes(state, state.poles, others)
            without = [likelihood.at(state.poles[keep], a) for keep, a in zip(others, amplitudes, strict=True)]
            presence = np.array([each.costs - state.costs for each in without]).reshape(-1, len(self.cells)).T
            for k in np.argsort([each.cost for each in without]):
                if without[k].cost - state.cost > PLAIN:
                    return state, presence
                rest = likelihood.climb(without[k], STEPS)
                if rest.cost - state.cost < self.least:
                    state = rest
                    break
                presence[:, k] = rest.costs - state.costs
            else:
                return state, presence

    def _enter(self, likelihood: RoomLikelihood, state: State) -> State | None:
        """The state with one more pole that betters it by far enough, or None."""
        asked_for = np.nan_to_num(likelihood.score(state, self._grid))
        for _ in range(TRIES):
            k = int(np.argmax(asked_for))
            if asked_for[k] < self.least:
                return None
            poles = np.append(state.poles, self._grid[k])
            (amplitudes,) = likelihood.with_amplitudes(state, poles, [np.ones(len(poles), bool)])
            more = likelihood.climb(likelihood.at(poles, amplitudes), STEPS)
            if state.cost - more.cost > GAIN * self.least:
                return more
            asked_for[np.abs(np.abs(self._grid) / np.abs(self._grid[k]) - 1) < 2 * GRID_STEP] = 0
        return None


def _shares(cells: Sequence[Cell]) -> list[float]:
    """What each cell counts for: positions tapped in one placement hear the very same room."""
    heard_by = [(cell.placement, cell.channel) for cell in cells]
    return [1 / heard_by.count(each) for each in heard_by]


def estimate_room(heard: Sequence[Heard], state) -> Room:
    """Decay time and strength of the room's tail by restricted likelihood, around the poles and amplitudes of
    `state`. Searches a grid of factors in both from 0.4 s and -10 dB on, halving the step.
    """
    known: dict[tuple[float, float], float] = {}

    def room(at: tuple[float, float]) -> Room:
        return Room(0.4 * 2 ** at[0], 10 ** (-1 + at[1]))

    def cost(at: tuple[float, float]) -> float:
        if at not in known:
            known[at] = restricted_cost(heard, state, room(at))
        return known[at]

    return room(_lowest(cost, (0.0, 0.0), steps=(1.0, 0.5, 0.25)))


def _lowest(cost: Callable, at: tuple[float, float], steps: Sequence[float]) -> tuple[float, float]:
    for step in steps:
        for _ in range(8):
            around = [(at[0] + i * step, at[1] + j * step) for i, j in ((1, 0), (-1, 0), (0, 1), (0, -1))]
            around = [p for p in around if -2 <= p[0] <= 2.5 and -3 <= p[1] <= 1]
            best = min(around, key=cost)
            if cost(best) >= cost(at):
                break
            at = best
    return at
