"""Poles: candidates from a subspace method, refined by weighted least squares on all cells at once.

Model of a cell: y(t) = sum over modes of Re[a exp(s t)] + mains lines + noise. The poles s are shared by all
cells, the amplitudes a belong to each cell and are projected out (variable projection, Golub and Pereyra 1973).
What a cell looks like at given poles, and with which weights, is for a `Look` to say: here in white hiss
(`in_hiss`), in a room frequency by frequency (`heard.py`).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.linalg import cho_factor, cho_solve, eigh

from .cells import Cell


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
    pole); `mains` (n_cells, n_lines) the hum; `solvers` (2 n, n_data) map a change of a cell's whitened data to
    a change of the poles. With no step asked for, `covariance` and `solvers` are empty.
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


class Look:
    """A cell's linear problem at given poles: amplitudes, what is left, and slopes by the poles.

    `columns` (n, 2 m) stand for the real and imaginary parts of the amplitudes of `n_poles` poles, then of mains
    lines; `data` (n,). `slopes(amplitudes)` gives derivatives (n, 2 n_poles [+ 1]) by (Re s, Im s) of each pole and
    by the mains. All are whitened.
    """

    def __init__(self, columns: np.ndarray, data: np.ndarray, n_poles: int, slopes: Callable):
        self.columns, self.n_poles, self._slopes = columns, n_poles, slopes
        gram = columns.T @ columns
        self.scale = np.sqrt(np.diag(gram)) + 1e-300
        gram /= np.outer(self.scale, self.scale)
        gram[np.diag_indices_from(gram)] += 1e-11
        self.gram = cho_factor(gram, check_finite=False)
        coefficients = cho_solve(self.gram, (columns.T @ data) / self.scale) / self.scale
        self.residual = data - columns @ coefficients
        self.amplitudes = coefficients[0::2] + 1j * coefficients[1::2]
        self.misfit = float(self.residual @ self.residual)

    def slopes(self):
        """Derivatives of the whitened model, amplitudes held."""
        return self._slopes(self.amplitudes)

    def shadow(self, slopes):
        """Coefficients (n_columns, m) of the part of `slopes` that the amplitudes can take up."""
        return cho_solve(self.gram, (self.columns.T @ slopes) / self.scale[:, None]) / self.scale[:, None]

    def normal(self):
        """Normal matrix and gradient of the projected problem."""
        slopes = self.slopes()
        cross = (self.columns.T @ slopes) / self.scale[:, None]
        return slopes.T @ slopes - cross.T @ cho_solve(self.gram, cross), slopes.T @ self.residual

    def amplitude_blocks(self):
        """Covariance (n_poles, 2, 2) of (Re a, Im a) of each pole, poles held."""
        inverse = cho_solve(self.gram, np.eye(len(self.scale))) / np.outer(self.scale, self.scale)
        return diagonal_blocks(inverse, self.n_poles)


def in_hiss(cells: Sequence[Cell], data: Sequence[np.ndarray], hiss: Sequence[float], n_mains: int = 0) -> Callable:
    """What `refine` asks at poles and mains frequency: cells in white noise with standard deviations `hiss`."""

    def look_at(poles, mains_hz: float) -> list[Look]:
        lines = 2j * np.pi * mains_hz * np.arange(1, n_mains + 1)
        return [one(*each, np.concatenate([poles, lines])) for each in zip(cells, data, hiss, strict=True)]

    def one(cell: Cell, y, rms: float, rates) -> Look:
        n = len(rates) - n_mains
        each = exponentials(rates, cell)

        def slopes(amplitudes):
            moved = cell.time_s[:, None] * each * amplitudes
            out = np.empty((cell.n, 2 * n + (n_mains > 0)))
            out[:, : 2 * n] = real_columns(moved[:, :n])
            if n_mains:
                out[:, -1] = -2 * np.pi * (moved[:, n:].imag @ np.arange(1, n_mains + 1))
            return out / rms

        return Look(real_columns(each) / rms, y / rms, n, slopes)

    return look_at


def real_columns(values: np.ndarray) -> np.ndarray:
    """What the real and imaginary parts of amplitudes multiply, (n, 2 m), in the real part of values (n, m)."""
    columns = np.empty((values.shape[0], 2 * values.shape[1]), order="F")
    columns[:, 0::2] = values.real
    columns[:, 1::2] = -values.imag
    return columns


def decaying(poles: np.ndarray, before: np.ndarray) -> np.ndarray:
    """`poles` after a step from `before`, held to the decaying half-plane: a rate falls by a factor of four at most."""
    rate = np.clip(-poles.real, np.maximum(-0.25 * before.real, 0.05), 4000.0)
    return -rate + 1j * np.maximum(poles.imag, 1.0)


def refine(
    look_at: Callable, poles, *, mains_hz: float = 50.0, max_steps: int = 12, tolerance: float = 0.02
) -> PoleFit:
    """Levenberg-Marquardt on the projected problem, until a step is below `tolerance` standard deviations.

    `look_at(poles, mains_hz)` gives a `Look` for each cell.
    """
    poles = np.asarray(poles, complex).copy()
    n_poles = len(poles)
    looks = look_at(poles, mains_hz)
    misfit = sum(each.misfit for each in looks)
    damping, size = 1e-3, np.inf
    for _ in range(max_steps):
        normal, gradient = (sum(parts) for parts in zip(*(each.normal() for each in looks), strict=True))
        scale = np.sqrt(np.maximum(np.diag(normal), 1e-300))
        unit = normal / np.outer(scale, scale)
        better = False
        while not better and damping < 1e3:
            step = np.linalg.solve(unit + damping * np.eye(len(unit)), gradient / scale)
            size = float(np.max(np.abs(step), initial=0.0))
            step = step / scale
            trial = decaying(poles + step[0 : 2 * n_poles : 2] + 1j * step[1 : 2 * n_poles : 2], poles)
            trial_mains = mains_hz + (float(step[-1]) if len(step) > 2 * n_poles else 0.0)
            trial_looks = look_at(trial, trial_mains)
            trial_misfit = sum(each.misfit for each in trial_looks)
            better = trial_misfit <= misfit * (1 + 1e-12)
            damping = max(damping / 8, 1e-9) if better else damping * 8
        if not better:
            break
        gained = misfit - trial_misfit
        poles, mains_hz, looks, misfit = trial, trial_mains, trial_looks, trial_misfit
        if size < tolerance or gained < 0.02:
            break

    amplitudes = np.array([each.amplitudes[:n_poles] for each in looks])
    blocks = np.array([each.amplitude_blocks() for each in looks])
    covariance, solvers = np.empty((0, 0)), ()
    if max_steps:
        slopes = [each.slopes() for each in looks]
        projected = [s - each.columns @ each.shadow(s) for each, s in zip(looks, slopes, strict=True)]
        normal = sum(p.T @ p for p in projected)
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
        strength=chi_squares(amplitudes, blocks),
        mains=np.array([each.amplitudes[n_poles:] for each in looks]),
        residuals=tuple(each.residual for each in looks),
        misfit=misfit,
        n_data=sum(len(each.residual) for each in looks),
        solvers=solvers,
    )


def chi_squares(amplitudes: np.ndarray, covariances: np.ndarray) -> np.ndarray:
    """Chi-square, two degrees of freedom, of amplitudes (n_cells, n) with covariances (n_cells, n, 2, 2)."""
    pairs = np.stack([amplitudes.real, amplitudes.imag], axis=-1)
    return np.einsum("cki,ckij,ckj->ck", pairs, np.linalg.inv(covariances), pairs)
