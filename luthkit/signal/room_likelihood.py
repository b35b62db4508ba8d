"""How likely a record in a room is, given poles and amplitudes, and the way to the likeliest ones.

A cell's spectrum Y (`heard.py`) is Gaussian with mean S, the direct sound, and covariance C = S K S^H + N: the room's
tail K, hiss and hum N. Both depend on poles and amplitudes, so the reverberation tells of them as well as the direct
sound does: -ln L = (Y - S)^H C^-1 (Y - S) + ln det C (circular complex Gaussian, Goodman 1963). The likeliest values
are climbed to by Fisher scoring with the information of mean and covariance together (Kay, Fundamentals of
Statistical Signal Processing, vol. 1, eq. 3.31 and 15.52, from memory), damped after Levenberg and Marquardt. The
damping of body modes in general counts as one more observation of each pole.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from .heard import Heard, covariance, pair_columns, stacked
from .poles import decaying, diagonal_blocks
from .room import Room

USUAL_RATIO = 1 / 60  # of a body mode: Q 30 within a factor of two (Fletcher and Rossing, ch. 9, from memory: 15 to 60)
RATIO_SPREAD = np.log(2)  # one standard deviation of ln(damping ratio)
HOLD = 1e-7  # of its own information, added to that of each unknown where two in one spot leave it nearly singular
BARELY = 0.04  # a step that gains less in -2 ln L ends the climb


@dataclass(frozen=True, eq=False)
class State:
    """Poles (n,), amplitudes (n_cells, n), and `costs` (n_cells,): -2 ln L of each cell, for what it counts.

    `cost` is their sum and what the damping of the poles costs for being unusual.
    """

    poles: np.ndarray
    amplitudes: np.ndarray
    costs: np.ndarray
    cost: float


@dataclass(frozen=True, eq=False)
class Local:
    """A cell around a state: `gradient` (4 n,) of ln L and `information` (4 n, 4 n) by (Re, Im) of poles, then of
    amplitudes; the rest is what these were made of, for further unknowns."""

    gradient: np.ndarray
    information: np.ndarray
    sound: np.ndarray
    slopes: np.ndarray  # of the sound, (n_blocks, m, 4 n)
    inverse: np.ndarray  # of the covariance
    spread: np.ndarray  # information of the covariance about relative changes of the sound
    pull: np.ndarray  # slope of -ln L by relative changes of the sound, (n_blocks, m)


class RoomLikelihood:
    """The likelihood of cells that were `heard` in a `room`."""

    def __init__(self, heard: Sequence[Heard], room: Room):
        self.heard, self.room = tuple(heard), room
        self._tails = [each.tail(room) for each in heard]

    def at(self, poles, amplitudes) -> State:
        """The state at these poles and amplitudes; a cost of infinity where a covariance is not positive definite."""
        costs = np.array([self._cost(*each, poles) for each in zip(self.heard, self._tails, amplitudes, strict=True)])
        away, _ = unusual(poles)
        return State(poles, amplitudes, costs, float(costs.sum() + away @ away))

    def _cost(self, heard: Heard, tail, amplitudes, poles) -> float:
        sound = heard.sound(poles, amplitudes)
        try:
            factor = np.linalg.cholesky(covariance(heard, tail, sound))
        except np.linalg.LinAlgError:
            return np.inf
        white = np.linalg.solve(factor, (heard.spectrum - sound)[..., None])
        diagonal = np.diagonal(factor, axis1=1, axis2=2).real
        return 2 * heard.share * float(np.sum(np.abs(white) ** 2) + 2 * np.sum(np.log(diagonal)))

    def local(self, state: State) -> list[Local]:
        """Gradient and information of each cell."""
        parts = zip(self.heard, self._tails, state.amplitudes, strict=True)
        return [self._local(*each, state.poles) for each in parts]

    def _local(self, heard: Heard, tail, amplitudes, poles) -> Local:
        sound, slopes = heard.around(poles, amplitudes)
        total = covariance(heard, tail, sound)
        inverse = np.linalg.inv(total)
        noisy = heard.noise @ inverse
        weighed = (inverse @ (heard.spectrum - sound)[..., None])[..., 0]
        rest = heard.spectrum - (heard.noise @ weighed[..., None])[..., 0]
        pull = 1 - np.diagonal(noisy, axis1=1, axis2=2) - weighed.conj() * rest
        spread = inverse * (total - 2 * heard.noise + noisy @ heard.noise).transpose(0, 2, 1)
        relative = slopes / sound[..., None]
        information = _informed(slopes, relative, slopes, relative, inverse, spread)
        gradient = -2 * np.einsum("bj,bjp->p", pull, relative).real
        return Local(heard.share * gradient, heard.share * information, sound, slopes, inverse, spread, pull)

    def climb(self, state: State, steps: int) -> State:
        """The likeliest state within so many steps."""
        damping, n = 1e-3, 2 * len(state.poles)
        for _ in range(steps):
            cells = self.local(state)
            away, tilt = unusual(state.poles)
            better = False
            while not better and damping < 1e4:
                solved = [_without_amplitudes(each, n, damping) for each in cells]
                information = tilt.T @ tilt + sum(each[0] for each in solved)
                gradient = sum(each[1] for each in solved) - tilt.T @ away
                step = _solve(information, gradient)
                poles = decaying(state.poles + step[0::2] + 1j * step[1::2], state.poles)
                moves = np.array([taken[:, -1] - taken[:, :-1] @ step for *_, taken in solved])
                trial = self.at(poles, state.amplitudes + moves[:, 0::2] + 1j * moves[:, 1::2])
                better = trial.cost <= state.cost + 1e-9
                damping = max(damping / 8, 1e-9) if better else damping * 8
            if not better:
                break
            gained, state = state.cost - trial.cost, trial
            if gained < BARELY:
                break
        return state

    def with_amplitudes(self, state: State, poles, keep) -> list[np.ndarray]:
        """Amplitudes (n_cells, n) of those of `poles` that each mask of `keep` (n_sets, n_poles) names, by least
        squares with the covariance of `state`: one array a set."""
        grams = []
        for heard, tail, amplitudes in zip(self.heard, self._tails, state.amplitudes, strict=True):
            sound = heard.sound(state.poles, amplitudes)
            whitener = np.linalg.inv(np.linalg.cholesky(covariance(heard, tail, sound)))
            here, _, there, _ = heard.waves(poles)
            columns = stacked(whitener @ pair_columns(here, there))
            data = stacked(whitener @ (heard.spectrum - heard.lead)[..., None])[:, 0]
            scale = np.linalg.norm(columns, axis=0)
            columns = columns / scale
            grams.append((columns.T @ columns + 1e-9 * np.eye(len(scale)), columns.T @ data, scale))
        found = []
        for mask in keep:
            pairs = np.flatnonzero(np.repeat(mask, 2))
            values = np.array([np.linalg.solve(g[np.ix_(pairs, pairs)], b[pairs]) / s[pairs] for g, b, s in grams])
            found.append(values[:, 0::2] + 1j * values[:, 1::2])
        return found

    def score(self, state: State, poles) -> np.ndarray:
        """Chi-square (n,) by which each of further `poles` alone would better the likelihood, to first order in its
        amplitudes: the score test (Rao 1948), with the poles and amplitudes that are there free to give way."""
        n, cells = 2 * len(state.poles), self.local(state)
        shared, pushed, slots = 0.0, 0.0, []
        for heard, cell in zip(self.heard, cells, strict=True):
            here, _, there, _ = heard.waves(poles)
            extra = pair_columns(here, there)
            relative = extra / cell.sound[..., None]
            parts = (cell.inverse, cell.spread)
            cross = heard.share * _informed(cell.slopes, cell.slopes / cell.sound[..., None], extra, relative, *parts)
            own = heard.share * _informed_pairs(extra, relative, *parts)
            push = -2 * heard.share * np.einsum("bj,bjp->p", cell.pull, relative).real
            information = cell.information
            taken = np.linalg.solve(
                information[n:, n:], np.column_stack([information[n:, :n], cross[n:], cell.gradient[n:]])
            )
            by_poles, by_extra, by_push = taken[:, :n], taken[:, n:-1], taken[:, -1]
            shared = shared + information[:n, :n] - information[:n, n:] @ by_poles
            pushed = pushed + cell.gradient[:n] - information[:n, n:] @ by_push
            leaning = (cross[:n] - information[:n, n:] @ by_extra).reshape(n, -1, 2)
            amplitudes, both = cross[n:].reshape(len(by_extra), -1, 2), by_extra.reshape(len(by_extra), -1, 2)
            own -= np.einsum("aku,akv->kuv", amplitudes, both)
            slots.append((leaning, own, (push - cross[n:].T @ by_push).reshape(-1, 2)))
        tilt = unusual(state.poles)[1]
        solve = np.linalg.inv(shared + tilt.T @ tilt + 1e-9 * np.diag(np.diag(shared)))
        leaning = np.concatenate([each[0] for each in slots], axis=2)  # (n, n_poles, 2 n_cells)
        own = np.zeros((leaning.shape[1], leaning.shape[2], leaning.shape[2]))
        for k, (_, block, _) in enumerate(slots):
            own[:, 2 * k : 2 * k + 2, 2 * k : 2 * k + 2] = block
        own *= 1 + HOLD * np.eye(own.shape[1])
        push = np.concatenate([each[2] for each in slots], axis=1) - np.einsum("aku,a->ku", leaning, solve @ pushed)
        own -= np.einsum("aku,ab,bkv->kuv", leaning, solve, leaning, optimize=True)
        return np.einsum("ku,ku->k", push, np.linalg.solve(own, push[..., None])[..., 0])

    def outcome(self, state: State) -> Outcome:
        """Errors of the state's values, and what each cell alone says."""
        n, cells = 2 * len(state.poles), self.local(state)
        solved = [_without_amplitudes(each, n, HOLD) for each in cells]
        tilt = unusual(state.poles)[1]
        total = sum(each[0] for each in solved) + tilt.T @ tilt
        scale = np.sqrt(np.diag(total))
        inverse = np.linalg.inv(total / np.outer(scale, scale)) / np.outer(scale, scale)
        solvers, blocks = [], []
        for heard, cell, (_, _, taken) in zip(self.heard, cells, solved, strict=True):
            amplitudes = cell.information[n:, n:] * (1 + HOLD * np.eye(n))
            blocks.append(diagonal_blocks(np.linalg.inv(amplitudes), n // 2))
            moved = 2 * heard.share * heard.samples(cell.inverse.transpose(0, 2, 1) @ cell.slopes.conj()).real.T
            solvers.append(inverse @ (moved[:n] - taken[:, :-1].T @ moved[n:]))
        return Outcome(
            inverse,
            np.array(blocks),
            tuple(each[0] for each in solved),
            tuple(each[1] for each in solved),
            tuple(solvers),
        )


@dataclass(frozen=True, eq=False)
class Outcome:
    """`covariance` (2 n, 2 n) of the poles, `amplitude_covariance` (n_cells, n, 2, 2); of each cell the information
    (2 n, 2 n) and gradient (2 n,) about the poles, and the solver (2 n, n_samples) by which the poles follow its
    samples while the covariances are held."""

    covariance: np.ndarray
    amplitude_covariance: np.ndarray
    informations: tuple[np.ndarray, ...]
    gradients: tuple[np.ndarray, ...]
    solvers: tuple[np.ndarray, ...]


def unusual(poles) -> tuple[np.ndarray, np.ndarray]:
    """How unusual damping ratios are for a body, in standard deviations (n,), and the slopes of that (n, 2 n)."""
    square, k = np.abs(poles) ** 2, np.arange(len(poles))
    slopes = np.zeros((len(poles), 2 * len(poles)))
    slopes[k, 2 * k] = poles.imag**2 / (poles.real * square)
    slopes[k, 2 * k + 1] = -poles.imag / square
    return np.log(-poles.real / np.sqrt(square) / USUAL_RATIO) / RATIO_SPREAD, slopes / RATIO_SPREAD


def restricted_cost(heard: Sequence[Heard], state: State, room: Room) -> float:
    """-2 ln of the restricted likelihood (Patterson and Thompson 1971) of a room, but for a constant: of what no
    change of amplitudes or, to first order, of poles can take up.

    Poles that have fitted a part of the room would else make it look weaker than it is.
    """
    n, total, shared = 2 * len(state.poles), 0.0, 0.0
    for each, amplitudes in zip(heard, state.amplitudes, strict=True):
        sound, columns = each.around(state.poles, amplitudes)
        try:
            factor = np.linalg.cholesky(covariance(each, each.tail(room), sound))
        except np.linalg.LinAlgError:
            return np.inf
        white = np.linalg.solve(factor, np.concatenate([columns, (each.spectrum - sound)[..., None]], axis=-1))
        white = stacked(white) * np.sqrt(2 * each.share)
        columns, left = white[:, :-1], white[:, -1]
        gram, scale = columns.T @ columns, np.linalg.norm(columns, axis=0)
        gram = gram / np.outer(scale, scale) + 1e-9 * np.eye(len(scale))
        solved = np.linalg.solve(gram[n:, n:], gram[n:, :n])
        own = (gram[:n, :n] - gram[:n, n:] @ solved) * np.outer(scale[:n], scale[:n])
        shared = shared + own
        diagonal = np.diagonal(factor, axis1=1, axis2=2).real
        total += left @ left + 4 * each.share * np.sum(np.log(diagonal))
        total += np.linalg.slogdet(gram[n:, n:])[1] + 2 * np.sum(np.log(scale[n:]))
    return float(total + np.linalg.slogdet(shared)[1])


def _informed(slopes, relative, others, other_relative, inverse, spread) -> np.ndarray:
    """Information (p, q) about two groups of unknowns, slopes of the sound (n_blocks, m, p) and (n_blocks, m, q).

    Products of two relative changes, neither conjugated, would belong to it too; decaying sounds are analytic on one
    side of the frequency axis, so their sum is nought but for a thousandth.
    """
    by_mean = slopes.conj().transpose(0, 2, 1) @ (inverse @ others)
    by_spread = relative.conj().transpose(0, 2, 1) @ (spread @ other_relative)
    return 2 * np.sum(by_mean + by_spread, axis=0).real


def _informed_pairs(slopes, relative, inverse, spread) -> np.ndarray:
    """The blocks (n, 2, 2) on the diagonal of `_informed` of (n_blocks, m, 2 n) with themselves."""

    def pairs(left, right):
        shape = (*left.shape[:2], -1, 2)
        return np.einsum("bjku,bjkv->kuv", left.reshape(shape), right.reshape(shape))

    return 2 * (pairs(slopes.conj(), inverse @ slopes) + pairs(relative.conj(), spread @ relative)).real


def _without_amplitudes(cell: Local, n: int, damping: float):
    """Information (n, n) and gradient (n,) about the poles once the amplitudes give way, and how these do:
    (n_amplitudes, n + 1), by a step of the poles and of themselves."""
    information = cell.information.copy()
    information[np.diag_indices_from(information)] *= 1 + damping
    across = information[:n, n:]
    taken = np.linalg.solve(information[n:, n:], np.column_stack([across.T, cell.gradient[n:]]))
    return information[:n, :n] - across @ taken[:, :-1], cell.gradient[:n] - across @ taken[:, -1], taken


def _solve(information: np.ndarray, gradient: np.ndarray) -> np.ndarray:
    scale = np.sqrt(np.diag(information))
    return np.linalg.solve(information / np.outer(scale, scale), gradient / scale) / scale
