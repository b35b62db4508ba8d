"""What disturbs a tap: hiss, mains hum and the room, and whiteners that give each stretch its right weight.

Reverberation is taken as a Gaussian tail that dies at the room's rate: the microphone hears the sound s plus
s run through that tail. The covariance of this disturbance follows from s, so a least-squares fit that uses it
counts late and loud stretches for as much as they are worth, and for no more.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.fft import irfft, next_fast_len, rfft
from scipy.linalg import blas, cholesky, toeplitz
from scipy.stats import f as f_distribution

from .cells import Cell
from .poles import exponentials

FIRST_REFLECTION_S = 0.003  # detour of the first reflection, a metre or so: common practice, no source
MAINS_HZ = (50.0, 60.0)
BY_CHANCE = 1e-5
BESIDE = 0.04  # of the mains frequency: mains hold theirs to a thousandth (from memory)


@dataclass(frozen=True)
class Room:
    """Reverberation as a decaying Gaussian tail: decay time, and energy against the direct sound."""

    t60_s: float
    reverberant_to_direct: float

    @property
    def decay_per_s(self) -> float:
        """Amplitude decay rate 3 ln 10 / T60 in 1/s."""
        return 3 * np.log(10) / self.t60_s

    @property
    def direct_to_reverberant_db(self) -> float:
        """Energy of the direct sound over that of the tail."""
        return -10 * np.log10(self.reverberant_to_direct)


class Whitener:
    """Turns a cell's noise into unit white noise: divides by a standard deviation or solves a Cholesky factor."""

    def __init__(self, noise_rms: float | None = None, covariance: np.ndarray | None = None):
        if covariance is None:
            self._rms, self._factor, self.log_determinant = float(noise_rms), None, 0.0
        else:
            # a symmetric matrix: its transpose is the same and lies in memory as the library below wants it
            factor = cholesky(covariance.T, lower=True, overwrite_a=True, check_finite=False)
            self.log_determinant = 2 * float(np.sum(np.log(np.diag(factor))))
            self._rms, self._factor = 1.0, factor

    def __call__(self, values: np.ndarray) -> np.ndarray:
        """Whitened copy of `values` (n,) or (n, m)."""
        return self._solve(values, transposed=False)

    def transposed(self, values: np.ndarray) -> np.ndarray:
        """`values` (n,) or (n, m) multiplied by the transposed whitener."""
        return self._solve(values, transposed=True)

    def _solve(self, values, *, transposed: bool) -> np.ndarray:
        if self._factor is None:
            return values / self._rms
        solved = blas.dtrsm(1.0, self._factor, values.reshape(len(values), -1), lower=1, trans_a=int(transposed))
        return solved.reshape(values.shape)


def tail_covariance(sound: np.ndarray, n: int, rate_hz: float, room: Room) -> np.ndarray:
    """Covariance (n, n) of the last n samples of the room's answer to `sound`.

    C[i, j] = sum over u of w(u) s(i - u) s(j - u) with w(u) = exp(-2 u decay), summed along the diagonals.
    """
    keep = np.exp(-2 * room.decay_per_s / rate_hz)
    n_late = round(FIRST_REFLECTION_S * rate_hz)
    late = np.concatenate([np.zeros(n_late), sound[: len(sound) - n_late]])
    late *= np.sqrt(room.reverberant_to_direct * (1 - keep))
    total = np.outer(late, late)
    for i in range(1, len(late)):
        total[i, 1:] += keep * total[i - 1, :-1]
    return total[len(late) - n :, len(late) - n :].copy()


def recorded_sound(cell: Cell) -> np.ndarray:
    """The average from before the onset on: a first stand-in for the direct sound."""
    return np.concatenate([cell.lead, cell.mean])


def fitted_sound(cell: Cell, poles: np.ndarray, amplitudes: np.ndarray) -> np.ndarray:
    """The recorded start, then what the fit says the guitar does: the direct sound without the room."""
    return np.concatenate([cell.lead, (np.exp(np.outer(cell.time_s, poles)) @ amplitudes).real])


def roomy(
    cell: Cell, noise_rms: float, room: Room, sound: np.ndarray, mains: Mains, taper_s: float | None = None
) -> Whitener:
    """Whitener for hiss, hum and the reverberation of `sound` (n_lead + n,).

    `taper_s` blurs the covariance over about 1 / (2 pi taper) Hz: needed while `sound` still holds the room
    itself, whose dips would otherwise pass for quiet spots.
    """
    covariance = tail_covariance(sound, cell.n, cell.sample_rate_hz, room)
    if taper_s:
        covariance *= toeplitz(np.exp(-0.5 * (np.arange(cell.n) / cell.sample_rate_hz / taper_s) ** 2))
    if mains.n_lines:
        lines, power = _hum(cell, mains)
        covariance += toeplitz(lines.real @ power)
    covariance[np.diag_indices_from(covariance)] += noise_rms**2
    return Whitener(covariance=covariance)


def chance_amplitudes(
    cell: Cell, noise_rms: float, room: Room, mains: Mains, poles, amplitudes, solver: np.ndarray
) -> np.ndarray:
    """What hiss, hum and the room's answer to the other poles let `solver` (2 n_poles, n) read of each pole that is
    not there: covariance (n_poles, 2, 2) of (Re a, Im a).

    A pole that rings longer than the room cannot be told from its own reverberation by its amplitude, and yet it is
    there: nothing else would sound so. The room's part is, as in `tail_covariance`, sum over u of
    w(u) (sum over t of solver(t) s(t - u))^2, with s the sound without the pole.
    """
    n_lead, n_all = len(cell.lead), len(cell.lead) + cell.n
    n_late = round(FIRST_REFLECTION_S * cell.sample_rate_hz)
    each = (exponentials(poles, cell) * amplitudes).real
    sounds = np.empty((n_all, len(poles)))
    sounds[:n_lead], sounds[n_lead:] = cell.lead[:, None], each.sum(axis=1, keepdims=True) - each
    pairs = solver.reshape(len(poles), 2, cell.n)
    asked = np.zeros((2, n_all, len(poles)))
    asked[:, n_lead:] = pairs.transpose(1, 2, 0)
    size = next_fast_len(2 * n_all, real=True)
    heard = irfft(rfft(asked, size, axis=1) * np.conj(rfft(sounds, size, axis=0)), size, axis=1)[:, n_late:n_all]
    keep = np.exp(-2 * room.decay_per_s / cell.sample_rate_hz)
    weight = room.reverberant_to_direct * (1 - keep) * keep ** np.arange(n_all - n_late)
    covariance = np.einsum("u,iuk,juk->kij", weight, heard, heard)
    covariance += noise_rms**2 * pairs @ pairs.transpose(0, 2, 1)
    if mains.n_lines:
        lines, power = _hum(cell, mains)
        hum = pairs @ (lines * np.sqrt(power))
        covariance += (hum @ hum.conj().transpose(0, 2, 1)).real
    return covariance


def _hum(cell: Cell, mains: Mains) -> tuple[np.ndarray, np.ndarray]:
    """Lines of the mains on a cell's time axis (n, n_lines), and their mean squares in the average (n_lines,)."""
    _, _, power = _without_comb(cell, mains)
    weights = cell.gains / np.sum(cell.gains**2)
    t = np.arange(cell.n) / cell.sample_rate_hz
    lines = np.exp(2j * np.pi * mains.frequency_hz * np.outer(t, np.arange(1, mains.n_lines + 1)))
    return lines, weights**2 @ power


@dataclass(frozen=True)
class Mains:
    """Mains frequency and how many of its lines disturb the taps (0: no hum)."""

    frequency_hz: float
    n_lines: int


def find_mains(cells: Sequence[Cell], top_hz: float) -> Mains:
    """Mains hum in the noise before the taps: a comb of harmonics that explains more than chance would (F test).

    A body that still rings from the tap before looks like a comb too, near 50 Hz: where a comb a little lower or higher
    explains as much, it is not the mains.
    """
    best = (1.0, MAINS_HZ[0], 0)
    for mains_hz in MAINS_HZ:
        n_lines = int(top_hz // mains_hz)
        by_chance, explained = _comb(cells, Mains(mains_hz, n_lines))
        beside = (_comb(cells, Mains(mains_hz * (1 + way * BESIDE), n_lines))[1] for way in (-1, 1))
        if by_chance < BY_CHANCE and explained > max(beside):
            best = min(best, (by_chance, mains_hz, n_lines))
    return Mains(*best[1:])


def _comb(cells: Sequence[Cell], mains: Mains) -> tuple[float, float]:
    """How likely chance alone would explain as much of the noise before the taps, and the squares explained."""
    explained = rest = n_comb = n_rest = 0.0
    for cell in cells:
        if cell.before.shape[1] <= 3 * mains.n_lines:
            continue
        left, n_used, _ = _without_comb(cell, mains)
        centred = cell.before - cell.before.mean(axis=1, keepdims=True)
        explained += np.sum(centred**2) - np.sum(left**2)
        rest += np.sum(left**2) / _passed(cell)
        n_comb += (n_used - 1) * len(left)
        n_rest += left.size - n_used * len(left)
    if not (n_rest > 0 and rest > 0):
        return 1.0, explained
    return f_distribution.sf((explained / n_comb) / (rest / n_rest), n_comb, n_rest), explained


def _without_comb(cell: Cell, mains: Mains):
    """What the comb leaves of the noise before the taps, columns used, mean square of each line (n_taps, n_lines)."""
    t = np.arange(cell.before.shape[1]) / cell.sample_rate_hz
    comb = np.exp(2j * np.pi * mains.frequency_hz * np.outer(t, np.arange(1, mains.n_lines + 1)))
    columns = np.concatenate([comb.real, comb.imag, np.ones((len(t), 1))], axis=1)
    coefficients, *_ = np.linalg.lstsq(columns, cell.before.T, rcond=None)
    squares = 0.5 * coefficients[:-1] ** 2
    power = (squares[: mains.n_lines] + squares[mains.n_lines :]).T
    return cell.before - (columns @ coefficients).T, columns.shape[1], power


def hiss_rms(cell: Cell, mains: Mains) -> float:
    """Root mean square of the noise in the cell's average, hum left out, from the stretch before the taps.

    It stands for the noise density in the band that is read: what the decimation filter took away above that band
    is put back. Where that stretch is too short, the last tenth of the cut stands in; never below 24-bit rounding.
    """
    weights = cell.gains / np.sum(cell.gains**2)
    if cell.before.shape[1] > 3 * max(mains.n_lines, 10):
        left, n_used, _ = _without_comb(cell, mains)
        power = np.sum(left**2, axis=1) / (left.shape[1] - n_used)
    else:
        power = np.mean(cell.taps[:, -cell.n // 10 :] ** 2, axis=1)
    return float(np.sqrt(np.sum(weights**2 * (power / _passed(cell) + 2.0**-48))))


def _passed(cell: Cell) -> float:
    """Share of white noise, up to the decimated rate's Nyquist frequency, that the decimation filter lets through."""
    return float(np.sum(cell.filter_**2) * cell.source_rate_hz / cell.sample_rate_hz)
