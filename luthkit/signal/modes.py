"""Modes: one set of poles estimated jointly from all accepted taps, with uncertainty and independent witnesses."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from math import log, pi

import numpy as np
from scipy.stats import t as student

from .. import __version__
from .._frozen import frozen_array, frozen_dict
from .._threads import one_thread
from ..errors import LuthkitError
from .cells import filter_gain, make_cells
from .pole_search import BROADEST, least_strength
from .poles import diagonal_blocks
from .selection import PRESENT, TapFit, fit_taps
from .spectrum import average_spectrum
from .taps import Rejection, TapSet

LENGTH_S = 0.8  # of each tap that the joint fit reads
STRING_Q = 200.0  # above this a line is a string or a machine, not a body (common practice, no source)
ROOM_MARGIN = 1.2  # on variances: the room's covariance is itself estimated (measured on simulated workshops)
LOPSIDED = 10.0  # a mode so much more present in one placement, and hardly in the others, may belong to the room


@dataclass(frozen=True)
class Witness:
    """A second opinion on one mode, from a method that shares no code with the joint fit."""

    method: str  # "peak width" or "band decay"
    frequency_hz: float  # NaN where the method gives none
    damping_ratio: float
    damping_ratio_u: float
    reason: str = ""  # why there is no value, when damping_ratio is NaN


@dataclass(frozen=True)
class Mode:
    """One damped resonance. Uncertainties are standard uncertainties (JCGM 100), NaN with `notes` saying why."""

    frequency_hz: float  # undamped natural frequency |s| / 2 pi of the pole s
    frequency_u_hz: float
    damping_ratio: float  # zeta = -Re s / |s|
    damping_ratio_u: float
    level_db: float  # peak height in the tap spectrum, 0 dB = the strongest mode of the set
    level_u_db: float
    kind: str = "body"  # "body", "room" (suspected) or "string" (Q above 200)
    witnesses: tuple[Witness, ...] = ()
    notes: tuple[str, ...] = ()  # plain sentences, e.g. where the witnesses disagree

    @property
    def q_factor(self) -> float:
        """Quality factor Q = 1 / (2 zeta)."""
        return 0.5 / self.damping_ratio

    @property
    def q_factor_u(self) -> float:
        """Standard uncertainty of Q: Q u(zeta) / zeta."""
        return self.q_factor * self.damping_ratio_u / self.damping_ratio

    @property
    def loss_factor(self) -> float:
        """Loss factor eta = 2 zeta = 1 / Q."""
        return 2 * self.damping_ratio

    @property
    def decay_time_s(self) -> float:
        """Time to fall by 60 dB: 3 ln 10 / (2 pi f zeta)."""
        return 3 * log(10) / (2 * pi * self.frequency_hz * self.damping_ratio)


@dataclass(frozen=True, eq=False)
class ModeSet:
    """The modes of one instrument, sorted by frequency, and what they were read from."""

    modes: tuple[Mode, ...]
    taps_accepted: int
    rejected: tuple[Rejection, ...]
    placements: int  # how many re-placements the taps came from
    sources: Mapping[str, str]  # file -> SHA-256
    parameters: Mapping[str, object]
    version: str
    name: str = ""  # what the maker calls the instrument
    spectrum: object = None  # Spectrum averaged over the taps, with the noise before them
    positions: tuple[str, ...] = ()
    amplitudes: np.ndarray | None = field(default=None)  # complex (n_modes, n_positions), strongest = 1
    notes: tuple[str, ...] = ()  # plain sentences about the whole set


@one_thread
def read_modes(tapset: TapSet, *, band_hz: tuple[float, float] = (60.0, 1000.0), name: str = "") -> ModeSet:
    """Modes of one instrument from all its accepted taps.

    One set of poles is fitted to the taps of every position, placement and channel at once (`selection.fit_taps`);
    amplitudes are free in each. Standard uncertainties add up what the fit makes of hiss, hum and the room's
    reverberation (generalised least squares) and what the taps scatter beyond that (jackknife over taps,
    Efron and Stein 1981, widened for few taps by Student's t). Reverberation that taps of one placement share
    is counted as shared.

    Raises `LuthkitError` when no tap was accepted, or when nothing rises out of the noise.
    """
    from .witnesses import read_witnesses  # here: that module takes Witness from this one

    low_hz, high_hz = band_hz
    if not 20 <= low_hz < high_hz <= 4000:
        raise LuthkitError(f"band_hz is {band_hz}; give two frequencies between 20 and 4000 Hz, the lower first")
    if not tapset.taps:
        reasons = "; ".join(dict.fromkeys(r.reason for r in tapset.rejected)) or "no recording held one"
        raise LuthkitError(f"no usable tap in {name or 'these recordings'}: {reasons}")
    cells = make_cells(tapset.taps, top_hz=high_hz, length_s=LENGTH_S)
    fit = fit_taps(cells, top_hz=high_hz)
    nothing = LuthkitError(f"the taps of {name or 'these recordings'} show no mode above the noise; tap harder")
    if fit.poles is None:
        raise nothing
    frequency, ratio = np.abs(fit.poles) / (2 * pi), -fit.poles.real / np.abs(fit.poles)
    keep = np.flatnonzero((frequency >= low_hz) & (frequency <= high_hz) & (ratio < BROADEST) & fit.certain)
    keep = keep[np.argsort(frequency[keep])]
    if not len(keep):
        raise nothing
    frequency_u, ratio_u = _uncertainties(fit)
    positions, amplitudes, level, level_u = _levels(fit, keep)
    witnesses = read_witnesses(tapset, frequency[keep], ratio[keep])
    modes = []
    for row, k in enumerate(keep):
        kind, notes = _kind(fit, k, ratio[k])
        modes.append(
            Mode(
                frequency_hz=float(frequency[k]),
                frequency_u_hz=float(frequency_u[k]),
                damping_ratio=float(ratio[k]),
                damping_ratio_u=float(ratio_u[k]),
                level_db=float(level[row]),
                level_u_db=float(np.hypot(level_u[row], 8.686 * ratio_u[k] / ratio[k])),
                kind=kind,
                witnesses=witnesses[row],
                notes=notes + _disagreements(ratio[k], ratio_u[k], witnesses[row], roomy=fit.room is not None),
            )
        )
    placements = len({tap.placement for tap in tapset.taps})
    return ModeSet(
        modes=tuple(modes),
        taps_accepted=len(tapset.taps),
        rejected=tapset.rejected,
        placements=placements,
        sources=frozen_dict(tapset.sources),
        parameters=frozen_dict({"band_hz": tuple(band_hz), "length_s": LENGTH_S, **tapset.parameters}),
        version=__version__,
        name=name,
        spectrum=average_spectrum(tapset, scaling="energy density", max_hz=1.5 * high_hz),
        positions=positions,
        amplitudes=frozen_array(amplitudes, dtype=complex),
        notes=_remarks(fit, len(tapset.taps), placements),
    )


def _uncertainties(fit: TapFit) -> tuple[np.ndarray, np.ndarray]:
    """Standard uncertainties of frequency in Hz and of damping ratio, each (n,)."""
    poles = fit.poles
    variance = _to_frequency_and_ratio(poles, fit.covariance)
    variance = variance * _between_placements(fit) * (ROOM_MARGIN if fit.room else 1.0)
    for cell, solver, hiss in zip(fit.cells, fit.solvers, fit.hiss, strict=True):
        n_taps = len(cell.gains)
        if n_taps < 2:
            continue
        mean = cell.mean
        moves = np.array([solver @ (cell.without(k) - mean) for k in range(n_taps)])
        moves = moves - moves.mean(axis=0)
        scatter = (n_taps - 1) / n_taps * _squares(poles, moves).sum(axis=0)
        known = hiss**2 * _squares(poles, solver.T).sum(axis=0)
        widen = (student.ppf(0.975, n_taps - 1) / 1.96) ** 2
        variance += np.maximum(scatter - known, 0.0) * widen
    return tuple(np.sqrt(variance))


def _slopes(poles: np.ndarray) -> np.ndarray:
    """Derivatives (2, n, 2) of frequency and damping ratio by (Re s, Im s)."""
    size = np.abs(poles)
    a, b = poles.real / size, poles.imag / size
    frequency = np.stack([a, b], axis=-1) / (2 * pi)
    ratio = np.stack([-b * b, a * b], axis=-1) / size[:, None]
    return np.array([frequency, ratio])


def _squares(poles, moves) -> np.ndarray:
    """Squared changes (n_moves, 2, n) of frequency and damping ratio for changes (n_moves, 2 n) of the poles."""
    pairs = np.asarray(moves).reshape(len(moves), -1, 2)
    return np.einsum("qki,mki->mqk", _slopes(poles), pairs) ** 2


def _to_frequency_and_ratio(poles, covariance) -> np.ndarray:
    """Variances (2, n) of frequency and damping ratio."""
    slopes = _slopes(poles)
    return np.einsum("qki,kij,qkj->qk", slopes, diagonal_blocks(covariance, len(poles)), slopes)


def _between_placements(fit: TapFit) -> np.ndarray:
    """How much more frequency and damping ratio (2, n) differ between placements than the fit expects, at least 1.

    Each placement alone would move the poles by one scoring step; the ratio is the chi-square of these
    steps over its degrees of freedom (Birge ratio squared).
    """
    placements = sorted({cell.placement for cell in fit.cells})
    poles = fit.poles
    if len(placements) < 2 or not fit.room:
        return np.ones((2, len(poles)))
    steps, variances = [], []
    for placement in placements:
        parts = [own for own, cell in zip(fit.own, fit.cells, strict=True) if cell.placement == placement]
        covariance = np.linalg.pinv(sum(information for information, _ in parts), hermitian=True)
        steps.append(covariance @ sum(gradient for _, gradient in parts))
        variances.append(_to_frequency_and_ratio(poles, covariance))
    variances = np.array(variances)
    steps = np.einsum("qki,pki->pqk", _slopes(poles), np.array(steps).reshape(len(placements), -1, 2))
    mean = np.sum(steps / variances, axis=0) / np.sum(1 / variances, axis=0)
    return np.maximum(1.0, np.sum((steps - mean) ** 2 / variances, axis=0) / (len(placements) - 1))


def _levels(fit: TapFit, keep) -> tuple[tuple[str, ...], np.ndarray, np.ndarray, np.ndarray]:
    """Positions, amplitudes (n_modes, n_positions), levels in dB and their standard uncertainties (n_modes,)."""
    poles = fit.poles[keep]
    height, height_u = [], []
    for cell, amplitudes, blocks in zip(fit.cells, fit.amplitudes, fit.amplitude_covariance, strict=True):
        gain = filter_gain(poles, cell.source_rate_hz, cell.filter_) * -poles.real
        height.append(amplitudes[keep] / gain)
        height_u.append(np.sqrt(blocks[keep, 0, 0] + blocks[keep, 1, 1]) / np.abs(gain))
    height, height_u = np.array(height), np.array(height_u)
    positions = tuple(dict.fromkeys(cell.position for cell in fit.cells))
    columns = [[c for c, cell in enumerate(fit.cells) if cell.position == position] for position in positions]
    amplitudes = np.array([height[rows].mean(axis=0) for rows in columns]).T
    power = np.mean(np.abs(height) ** 2, axis=0)
    power_u = 2 * np.sqrt(np.sum((np.abs(height) * height_u) ** 2, axis=0)) / len(height)
    if len(height) > 1:
        power_u = np.hypot(power_u, power_u / np.sqrt(len(height)))
    level = 10 * np.log10(power / power.max())
    return positions, amplitudes / np.abs(amplitudes).max(), level, 4.343 * power_u / power


def _kind(fit: TapFit, k: int, ratio: float) -> tuple[str, tuple[str, ...]]:
    """What a pole may be, with the reason."""
    if 0.5 / ratio > STRING_Q:
        return "string", (f"rings with Q above {STRING_Q:.0f}: a string or a machine, not the body",)
    placements = sorted({cell.placement for cell in fit.cells})
    if fit.room and len(placements) > 1:
        *others, most = sorted(
            sum(fit.presence[c, k] for c, cell in enumerate(fit.cells) if cell.placement == p) for p in placements
        )
        if np.quantile(others, 0.25) < min(least_strength(PRESENT, 1), most / LOPSIDED):
            return "room", ("clear in some placements only: it may belong to the room",)
    return "body", ()


def _disagreements(ratio: float, ratio_u: float, witnesses, *, roomy: bool) -> tuple[str, ...]:
    """Plain sentences where a witness lies more than 95 % of the joint error away from the fit."""
    notes = []
    for witness in witnesses:
        gap = abs(witness.damping_ratio - ratio)
        if gap > 1.96 * np.hypot(witness.damping_ratio_u, ratio_u):
            why = "the room bends one of them" if roomy else "a neighbour or noise bends one of them"
            said = f"{witness.method} says Q {0.5 / witness.damping_ratio:.0f}"
            notes.append(f"{said}, all taps together Q {0.5 / ratio:.0f}: {why}")
    return tuple(notes)


def _remarks(fit: TapFit, n_taps: int, placements: int) -> tuple[str, ...]:
    remarks = []
    if fit.room:
        remarks.append(
            f"the room is heard: it dies in {fit.room.t60_s:.2f} s (60 dB) and lies "
            f"{fit.room.direct_to_reverberant_db:.0f} dB under the direct sound; errors allow for it"
        )
    if fit.mains.n_lines:
        remarks.append(f"mains hum at {fit.mains.frequency_hz:.0f} Hz and its multiples was fitted and left out")
    if n_taps < 3:
        remarks.append("fewer than 3 taps: the errors rest on the noise alone, repeats cannot be judged")
    if placements < 2:
        remarks.append("one placement only: what lifting and putting back changes is not in the errors")
    return tuple(remarks)
