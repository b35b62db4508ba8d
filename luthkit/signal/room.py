"""What disturbs a tap: hiss, mains hum and the room."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.stats import f as f_distribution

from .cells import Cell

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
        return 10 * np.log10(1 / self.reverberant_to_direct)


@dataclass(frozen=True)
class Mains:
    """Mains frequency and how many of its lines disturb the taps (0: no hum)."""

    frequency_hz: float
    n_lines: int


def hum_lines(cell: Cell, mains: Mains, n: int) -> tuple[np.ndarray, np.ndarray]:
    """Lines of the mains (n_lines, n) at a cell's rate, complex of size 1, and their mean squares in the average."""
    _, _, power = _without_comb(cell, mains)
    weights = cell.gains / np.sum(cell.gains**2)
    turns = mains.frequency_hz * np.outer(np.arange(1, mains.n_lines + 1), np.arange(n)) / cell.sample_rate_hz
    return np.exp(2j * np.pi * turns), weights**2 @ power


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
