"""Poles: candidates from a subspace method, refined by generalised least squares on all cells at once.

Model of a cell: y(t) = sum over modes of Re[a exp(s t)] + mains lines + noise. The poles s are shared by all
cells, the amplitudes a belong to each cell and are projected out (variable projection, Golub and Pereyra 1973).
The noise is white hiss plus, where there is a room, reverberation: the sound itself run through a Gaussian tail
that dies at the room's rate. That tail's covariance follows from the sound, so late and loud stretches count
for as much as they are worth, and for no more.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.linalg import cho_factor, cho_solve, eigh

from .cells import Cell

USUAL_RATIO = 1 / 60  # of a body mode: Q 30 within a factor of two (Fletcher and Rossing, ch. 9, from memory: 15 to 60)
RATIO_SPREAD = np.log(2)  # one standard deviation of ln(damping ratio)


def subspace_poles(cells: Sequence[Cell], order: int, *, window_s: float = 0.125, length_s: float = 0.7):
    """Candidate poles (n,) in rad/s with positive imaginary part, by ESPRIT (Roy and Kailath 1989).

    Sums the Hankel covariances of the cells' averages; `order` is the number of complex exponentials.
    """
    rate = cells[0].sample_rate_hz
    rows = int(window_s * rate)
    covariance = np.zeros((rows, rows))
    for cell in cells:
        y = cell.mean[: int(length_s * rate)]
        hankel = np.lib.stride_tricks.sliding_window_view(y, rows)
        covariance += hankel.T @ hankel / np.mean(y**2)
    order = min(order, rows // 2)
    _, basis = eigh(covariance, subset_by_index=[rows - order, rows - 1])
    shift = np.linalg.lstsq(basis[:-1], basis[1:], rcond=None)[0]
    z = np.linalg.eigvals(shift)
    z = z[(z.imag > 0) & (np.abs(z) > 0.5)]
    poles = np.log(z) * rate
    return poles[np.argsort(poles.imag)]


@dataclass(frozen=True, eq=False)
class PoleFit:
    """Outcome of a joint fit: poles (n,), amplitudes (n_cells, n) at the onset, and how good they are.

    `covariance` (2 n, 2 n) of (Re s, Im s) interleaved; `strength` (n_cells, n) is the drop in weighted squares
    that the amplitudes of a pole bring in a cell (chi-square with two degrees of freedom where there is no such
    pole); `mains` (n_cells, n_lines) the hum; `solvers` (2 n, n_samples) map a change of a cell's whitened data to
    a change of the poles, empty when no step was asked for.
    """

    poles: np.ndarray
    mains_hz: float
    amplitudes: np.ndarray
    amplitude_covariance: np.ndarray  # (n_cells, n, 2, 2)
    covariance: np.ndarray
    strength: np.ndarray
    mains: np.ndarray
    residuals: tuple[np.ndarray, ...]  # whitened, one per cell
    misfit: float  # sum of squared whitened residuals
    n_data: int
    solvers: tuple[np.ndarray, ...]

    @property
    def variance(self) -> float:
        """Misfit per degree of freedom: 1 where the noise model is right."""
        n_linear = 2 * self.amplitudes.size
        return self.misfit / max(1, self.n_data - n_linear - 2 * len(self.poles))


def exponentials(poles: np.ndarray, cell: Cell) -> np.ndarray:
    """exp(pole t) on a cell's time axis, (n, n_poles)."""
    block = 64
    rate = cell.sample_rate_hz
    coarse = np.exp(np.outer(cell.start_s + np.arange(0, cell.n, block) / rate, poles))
    fine = np.exp(np.outer(np.arange(block) / rate, poles))
    return (coarse[:, None, :] * fine[None]).reshape(len(coarse) * block, len(poles))[: cell.n]


def diagonal_blocks(matrix: np.ndarray, n: int) -> np.ndarray:
    """The first n blocks (n, 2, 2) on the diagonal."""
    k = 2 * np.arange(n)[:, None, None] + np.arange(2)
    return matrix[k.transpose(0, 2, 1), k]


class _Look:
    """One cell's linear problem at given poles: amplitudes, what is left, and slopes by the poles."""

    def __init__(self, cell: Cell, whitener, y, poles, mains_hz: float, n_mains: int):
        self.cell, self.whitener, self.n_poles, self.n_mains = cell, whitener, len(poles), n_mains
        lines = 2j * np.pi * mains_hz * np.arange(1, n_mains + 1)
        self.both = exponentials(np.concatenate([poles, lines]), cell)
        self.columns = whitener(_real_columns(self.both))
        gram = self.columns.T @ self.columns
        self.scale = np.sqrt(np.diag(gram)) + 1e-300
        gram /= np.outer(self.scale, self.scale)
        gram[np.diag_indices_from(gram)] += 1e-11
        self.gram = cho_factor(gram, check_finite=False)
        whitened = whitener(y)
        coefficients = cho_solve(self.gram, (self.columns.T @ whitened) / self.scale) / self.scale
        self.residual = whitened - self.columns @ coefficients
        self.amplitudes = coefficients[0::2] + 1j * coefficients[1::2]
        self.misfit = float(self.residual @ self.residual)

    def slopes(self):
        """Derivatives (n, 2 n_poles [+ 1]) of the whitened model by (Re s, Im s) of each pole and by the mains."""
        moved = self.cell.time_s[:, None] * self.both * self.amplitudes
        slopes = np.empty((self.cell.n, 2 * self.n_poles + (self.n_mains > 0)))
        slopes[:, 0 : 2 * self.n_poles : 2] = moved[:, : self.n_poles].real
        slopes[:, 1 : 2 * self.n_poles : 2] = -moved[:, : self.n_poles].imag
        if self.n_mains:
            slopes[:, -1] = -2 * np.pi * (moved[:, self.n_poles :].imag @ np.arange(1, self.n_mains + 1))
        return self.whitener(slopes)

    def shadow(self, slopes):
        """Coefficients (n_columns, m) of the part of `slopes` that the amplitudes can take up."""
        return cho_solve(self.gram, (self.columns.T @ slopes) / self.scale[:, None]) / self.scale[:, None]

    def normal(self):
        """Normal matrix and gradient of the projected problem."""
        slopes = self.slopes()
        cross = (self.columns.T @ slopes) / self.scale[:, None]
        return slopes.T @ slopes - cross.T @ cho_solve(self.gram, cross), slopes.T @ self.residual

    def inverse(self):
        """Covariance of all coefficients, poles held."""
        return cho_solve(self.gram, np.eye(len(self.scale))) / np.outer(self.scale, self.scale)

    def amplitude_blocks(self):
        """Covariance (n_poles, 2, 2) of (Re a, Im a) of each pole, poles held."""
        return diagonal_blocks(self.inverse(), self.n_poles)


def restricted_likelihood(cells: Sequence[Cell], whiteners, poles) -> float:
    """-2 ln of the restricted likelihood (Patterson and Thompson 1971) of the noise behind `whiteners`, but for a
    constant: of what no change of amplitudes or, to first order, of poles can take up.

    Poles that have fitted a part of the noise would else make it look weaker than it is.
    """
    looks = [_Look(cell, w, cell.mean, poles, 0.0, 0) for cell, w in zip(cells, whiteners, strict=True)]
    taken_up = np.linalg.slogdet(sum(each.normal()[0] for each in looks))[1]
    for each in looks:
        taken_up += 2 * np.sum(np.log(each.scale * np.diag(each.gram[0])))
    return float(taken_up + sum(e.misfit + w.log_determinant for e, w in zip(looks, whiteners, strict=True)))


def amplitude_solver(cell: Cell, whitener, poles) -> np.ndarray:
    """What turns a cell's data into (Re a, Im a) of each pole, poles held: (2 n_poles, n)."""
    look = _Look(cell, whitener, cell.mean, poles, 0.0, 0)
    return whitener.transposed(look.columns @ look.inverse()).T


def extra_strength(fit: PoleFit, cells, data, whiteners, poles) -> np.ndarray:
    """Drop in weighted squares (n_cells, n) that the amplitudes of each further pole alone would bring beside `fit`.

    Chi-square with two degrees of freedom in a cell where there is no such pole; the poles themselves stay put.
    """
    drops = np.empty((len(cells), len(poles)))
    for row, cell, whitener, y in zip(drops, cells, whiteners, data, strict=True):
        look = _Look(cell, whitener, y, fit.poles, 0.0, 0)
        extra = whitener(_real_columns(exponentials(poles, cell)))
        extra -= look.columns @ look.shadow(extra)
        gram = diagonal_blocks(extra.T @ extra, len(poles))
        cross = (extra.T @ look.residual).reshape(len(poles), 2)
        row[:] = np.einsum("ki,kij,kj->k", cross, np.linalg.inv(gram), cross)
    return drops


def _real_columns(values: np.ndarray) -> np.ndarray:
    columns = np.empty((values.shape[0], 2 * values.shape[1]), order="F")
    columns[:, 0::2] = values.real
    columns[:, 1::2] = -values.imag
    return columns


def refine(
    cells: Sequence[Cell],
    data: Sequence[np.ndarray],
    whiteners,
    poles,
    *,
    mains_hz: float = 50.0,
    n_mains: int = 0,
    max_steps: int = 12,
    tolerance: float = 0.02,
    usual: bool = False,
) -> PoleFit:
    """Levenberg-Marquardt on the projected problem, until a step is below `tolerance` standard deviations.

    With `usual` the damping of body modes in general counts as one more observation of each pole. With `max_steps` 0
    only the amplitudes are fitted and `covariance` and `solvers` are empty.
    """
    poles = np.asarray(poles, complex).copy()
    n_poles = len(poles)

    def look(poles, mains_hz):
        looks = [_Look(cell, w, y, poles, mains_hz, n_mains) for cell, w, y in zip(cells, whiteners, data, strict=True)]
        return looks, sum(each.misfit for each in looks)

    def pull(poles):
        """How unusual the damping ratios are, in standard deviations (n,), and the slopes of that (n, 2 n)."""
        if not usual:
            return np.zeros(0), np.zeros((0, 2 * n_poles))
        square, k = np.abs(poles) ** 2, np.arange(n_poles)
        slopes = np.zeros((n_poles, 2 * n_poles))
        slopes[k, 2 * k] = poles.imag**2 / (poles.real * square)
        slopes[k, 2 * k + 1] = -poles.imag / square
        away = np.log(-poles.real / np.sqrt(square) / USUAL_RATIO)
        return away / RATIO_SPREAD, slopes / RATIO_SPREAD

    looks, misfit = look(poles, mains_hz)
    away, tilt = pull(poles)
    misfit += away @ away
    damping, size = 1e-3, np.inf
    for _ in range(max_steps):
        normal, gradient = (sum(parts) for parts in zip(*(each.normal() for each in looks), strict=True))
        normal[: 2 * n_poles, : 2 * n_poles] += tilt.T @ tilt
        gradient[: 2 * n_poles] -= tilt.T @ away
        scale = np.sqrt(np.maximum(np.diag(normal), 1e-300))
        unit = normal / np.outer(scale, scale)
        better = False
        while not better and damping < 1e3:
            step = np.linalg.solve(unit + damping * np.eye(len(unit)), gradient / scale)
            size = float(np.max(np.abs(step), initial=0.0))
            step = step / scale
            trial = poles + step[0 : 2 * n_poles : 2] + 1j * step[1 : 2 * n_poles : 2]
            # a pole may not leave the decaying half-plane: its rate falls by a factor of four at most
            rate = np.clip(-trial.real, np.maximum(-0.25 * poles.real, 0.05), 4000.0)
            trial = -rate + 1j * np.maximum(trial.imag, 1.0)
            trial_mains = mains_hz + (float(step[-1]) if n_mains else 0.0)
            trial_looks, trial_misfit = look(trial, trial_mains)
            trial_away, trial_tilt = pull(trial)
            trial_misfit += trial_away @ trial_away
            better = trial_misfit <= misfit * (1 + 1e-12)
            damping = max(damping / 8, 1e-9) if better else damping * 8
        if not better:
            break
        gained = misfit - trial_misfit
        poles, mains_hz, looks, misfit = trial, trial_mains, trial_looks, trial_misfit
        away, tilt = trial_away, trial_tilt
        if size < tolerance or gained < 0.02:
            break

    amplitudes = np.array([each.amplitudes[:n_poles] for each in looks])
    blocks = np.array([each.amplitude_blocks() for each in looks])
    pairs = np.stack([amplitudes.real, amplitudes.imag], axis=-1)
    strength = np.einsum("cki,ckij,ckj->ck", pairs, np.linalg.inv(blocks), pairs)
    covariance, solvers = np.empty((0, 0)), ()
    if max_steps:
        slopes = [each.slopes() for each in looks]
        projected = [s - each.columns @ each.shadow(s) for each, s in zip(looks, slopes, strict=True)]
        normal = sum(p.T @ p for p in projected)
        normal[: 2 * n_poles, : 2 * n_poles] += tilt.T @ tilt
        scale = np.sqrt(np.maximum(np.diag(normal), 1e-300))
        inverse = np.linalg.inv(normal / np.outer(scale, scale) + 1e-12 * np.eye(len(scale)))
        inverse /= np.outer(scale, scale)
        covariance = inverse[: 2 * n_poles, : 2 * n_poles]
        solvers = tuple((inverse @ p.T)[: 2 * n_poles] for p in projected)
    return PoleFit(
        poles=poles,
        mains_hz=mains_hz,
        amplitudes=amplitudes,
        amplitude_covariance=blocks,
        covariance=covariance,
        strength=strength,
        mains=np.array([each.amplitudes[n_poles:] for each in looks]),
        residuals=tuple(each.residual for each in looks),
        misfit=misfit - float(away @ away),
        n_data=sum(len(each.residual) for each in looks),
        solvers=solvers,
    )
