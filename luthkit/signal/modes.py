"""Modes: one set of poles estimated jointly from all accepted taps, with uncertainty and independent witnesses."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from math import log, pi

import numpy as np

from .taps import Rejection


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
