"""Two modes that cannot be told apart are one: a joint fit may split a peak that is no pure sinusoid."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from .._frozen import frozen_array
from ..signal.modes import Mode, ModeSet

NEARER = 2.0  # standard uncertainties of their distance


def merged(modeset: ModeSet) -> ModeSet:
    """The set with neighbours taken as one mode where they are nearer than twice the uncertainty of their distance and
    stand under one peak, nearer than its half width f / 2 Q.

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
    gap = high.frequency_hz - low.frequency_hz
    nearer = gap < NEARER * np.hypot(low.frequency_u_hz, high.frequency_u_hz)
    return bool(low.kind == high.kind == "body" and nearer and gap < low.damping_ratio * low.frequency_hz)


def _one(low: Mode, high: Mode) -> Mode:
    power = 10 ** (np.array([low.level_db, high.level_db]) / 10)
    share = power / power.sum()

    def mean(name, u_name):
        value, u = (np.array([getattr(mode, each) for mode in (low, high)]) for each in (name, u_name))
        middle = share @ value
        return float(middle), float(np.sqrt(np.sum((share * u) ** 2) + share @ (value - middle) ** 2))

    frequency, frequency_u = mean("frequency_hz", "frequency_u_hz")
    ratio, ratio_u = mean("damping_ratio", "damping_ratio_u")
    return Mode(
        frequency_hz=frequency,
        frequency_u_hz=frequency_u,
        damping_ratio=ratio,
        damping_ratio_u=ratio_u,
        level_db=float(10 * np.log10(power.sum())),
        level_u_db=max(low.level_u_db, high.level_u_db),
        notes=("read as two modes nearer than their errors, taken as one",),
    )
