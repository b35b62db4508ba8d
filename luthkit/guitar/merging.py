"""Two modes that cannot be told apart are one: a joint fit may split a peak that is no pure sinusoid."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from .._frozen import frozen_array
from ..signal.modes import Mode, ModeSet

NEARER = 2.0  # standard uncertainties of their distance
QUANTITIES = ("frequency", "damping")


def value_of(mode: Mode, quantity: str) -> tuple[float, float]:
    """The frequency in Hz or the damping ratio of a mode, and its standard uncertainty."""
    if quantity == "frequency":
        return mode.frequency_hz, mode.frequency_u_hz
    return mode.damping_ratio, mode.damping_ratio_u


def under_one_peak(one, other) -> bool:
    """Whether two modes stand nearer than half the half-power width, zeta f = f / 2 Q, of the wider of the two."""
    widest = max(each.damping_ratio * each.frequency_hz for each in (one, other))
    return bool(abs(one.frequency_hz - other.frequency_hz) < widest)


def merged(modeset: ModeSet) -> ModeSet:
    """The set with neighbours taken as one mode where they are nearer than twice the uncertainty of their distance and
    stand `under_one_peak`.

    Frequency and damping are means weighted with the power of each, and the distance between the two is part of the
    new uncertainty. Strings and suspects of the room stay as they are.
    """
    modes, heights = [], []
    amplitudes = np.zeros((len(modeset.modes), 0)) if modeset.amplitudes is None else np.asarray(modeset.amplitudes)
    for mode, height in zip(modeset.modes, amplitudes, strict=True):
        if modes and _alike(modes[-1], mode):
            modes[-1], heights[-1] = _one(modes[-1], mode), heights[-1] + height
        else:
            modes.append(mode)
            heights.append(height)
    if len(modes) == len(modeset.modes):
        return modeset
    heights = None if modeset.amplitudes is None else frozen_array(np.array(heights), dtype=complex)
    return replace(modeset, modes=tuple(modes), amplitudes=heights)


def _alike(low: Mode, high: Mode) -> bool:
    reach = NEARER * np.hypot(low.frequency_u_hz, high.frequency_u_hz)
    nearer = high.frequency_hz - low.frequency_hz < reach and under_one_peak(low, high)
    return bool(low.kind == high.kind == "body" and nearer)


def _one(low: Mode, high: Mode) -> Mode:
    power = 10 ** (np.array([low.level_db, high.level_db]) / 10)
    share = power / power.sum()
    means = []
    for quantity in QUANTITIES:
        value, u = np.array([value_of(mode, quantity) for mode in (low, high)]).T
        middle = share @ value
        means += [float(middle), float(np.sqrt(np.sum((share * u) ** 2) + share @ (value - middle) ** 2))]
    return Mode(
        *means,
        level_db=float(10 * np.log10(power.sum())),
        level_u_db=max(low.level_u_db, high.level_u_db),
        notes=("read as two modes nearer than their errors, taken as one",),
    )
