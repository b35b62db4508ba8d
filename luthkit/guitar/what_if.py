"""What a change would do: hole, box, bridge, top or back are altered, and air, top and back move.

The change is made on the fitted model, and its uncertainty follows from that of the fit. Only below RANGE_HZ, and
only for changes of at most a third: beyond that three oscillators are no guitar, and the answer is "cannot tell".
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from math import isfinite

import numpy as np

from .._frozen import frozen_array
from ..errors import LuthkitError
from .air_top_back import RANGE_HZ, BodyModel
from .body_fit import BACK, BodyFit, body_model, low_modes
from .helmholtz import TOP_THICKNESS_M
from .propagation import propagate

LARGEST_CHANGE = 1 / 3
SHIFT_DOUBT, LEAST_DOUBT = 0.10, 0.0005  # of each shift, and of the frequency: dipoles and standing waves take part
# in it (measured on simulated guitars that have them)


@dataclass(frozen=True)
class Change:
    """What is altered, as factors of what is there now; `bridge_mass_kg` is added to (or taken from) the bridge.

    Raises `LuthkitError` for a change of more than a third.
    """

    hole_radius_factor: float = 1.0
    volume_factor: float = 1.0
    bridge_mass_kg: float = 0.0
    top_stiffness_factor: float = 1.0
    top_mass_factor: float = 1.0
    back_stiffness_factor: float = 1.0
    back_mass_factor: float = 1.0

    def __post_init__(self):
        low, high = 1 - LARGEST_CHANGE, 1 + LARGEST_CHANGE
        for entry in fields(self):
            value = getattr(self, entry.name)
            if entry.name.endswith("_factor") and not low - 1e-9 <= value <= high + 1e-9:
                raise LuthkitError(
                    f"{entry.name} is {value:g}; allowed is a change of up to a third, {low:.2f} to {high:.2f}"
                )
        if not isfinite(self.bridge_mass_kg):
            raise LuthkitError(f"bridge_mass_kg is {self.bridge_mass_kg}; give a mass")

    def on(self, model: BodyModel) -> BodyModel:
        """The altered model. Each part by itself keeps its Q: what a change does to the losses in wood and air nobody
        knows; the Q of a mode moves only as the parts share in it anew."""
        radius = model.hole_radius_m * self.hole_radius_factor
        ends = (model.hole_length_m - TOP_THICKNESS_M) * self.hole_radius_factor
        return replace(
            model,
            hole_radius_m=radius,
            hole_length_m=TOP_THICKNESS_M + ends,
            volume_m3=model.volume_m3 * self.volume_factor,
            top_mass_kg=model.top_mass_kg * self.top_mass_factor + self.bridge_mass_kg,
            top_stiffness_n_m=model.top_stiffness_n_m * self.top_stiffness_factor,
            back_mass_kg=model.back_mass_kg * self.back_mass_factor,
            back_stiffness_n_m=model.back_stiffness_n_m * self.back_stiffness_factor,
        )


@dataclass(frozen=True, eq=False)
class WhatIf:
    """Air, main top and main back now and after a change, in the order of `names`; NaN where the model cannot tell.

    The `shift` is the part of the change, after over now less 1; it is known better than either frequency.
    """

    change: Change
    names: tuple[str, ...]
    now_hz: np.ndarray
    now_u_hz: np.ndarray
    after_hz: np.ndarray
    after_u_hz: np.ndarray
    shift: np.ndarray
    shift_u: np.ndarray
    now_q_factor: np.ndarray
    after_q_factor: np.ndarray
    after_q_factor_u: np.ndarray
    notes: tuple[str, ...] = ()

    def __post_init__(self):
        for entry in fields(self):
            if isinstance(getattr(self, entry.name), np.ndarray):
                object.__setattr__(self, entry.name, frozen_array(getattr(self, entry.name), ndim=1))


def what_if(fit: BodyFit, change: Change) -> WhatIf:
    """Where air, main top and main back of a fitted guitar go when something is altered, with errors.

    Covariance of the fit, to first order, and a tenth of each shift for what the model lacks. A mode that would
    leave RANGE_HZ is not told (NaN, and a note). Raises `LuthkitError` for a mass that leaves less than two thirds
    of the top, or adds more than a third to it.
    """
    top = fit.model.top_mass_kg
    if abs(change.bridge_mass_kg) > LARGEST_CHANGE * top:
        raise LuthkitError(
            f"the bridge is changed by {1000 * change.bridge_mass_kg:g} g; it has {1000 * top:.0f} g to move, for "
            f"which this model answers for up to {1000 * LARGEST_CHANGE * top:.0f} g more or less"
        )
    temperature = fit.model.temperature_c
    names, _ = low_modes(fit.model, fit.order)
    n = len(names)

    def told(logs):
        now = body_model(logs, temperature_c=temperature)
        _, before = low_modes(now, fit.order)
        _, after = low_modes(change.on(now), fit.order)
        rows = [np.log(each) for each in (before.frequency_hz, after.frequency_hz, before.q_factor, after.q_factor)]
        return np.concatenate([*rows[:2], rows[1] - rows[0], *rows[2:]], axis=-1)

    logs, covariance = propagate(told, fit.log_values, fit.covariance)
    logs, variance = logs.reshape(5, n), np.diag(covariance).copy().reshape(5, n)
    if change != Change():
        variance[1:3] += (SHIFT_DOUBT * logs[2]) ** 2 + LEAST_DOUBT**2
    u = np.sqrt(variance)
    now_hz, after_hz, ratio, now_q, after_q = np.exp(logs)
    beyond = (after_hz < RANGE_HZ[0]) | (after_hz > RANGE_HZ[1])
    known = np.where(beyond, np.nan, 1.0)
    notes = [
        f"{name} would lie near {f:.0f} Hz, outside {RANGE_HZ[0]:.0f} to {RANGE_HZ[1]:.0f} Hz where this model holds: "
        "cannot tell."
        for name, f, out in zip(names, after_hz, beyond, strict=True)
        if out
    ]
    unsure = (np.abs(logs[2]) < 2 * u[2]) & (u[2] > 0.005)
    if unsure.any():
        which = " and ".join(np.array(names)[unsure])
        notes.append(f"Which way {which} would move cannot be told from what was measured.")
    if BACK in names and fit.model.top_is_lower != change.on(fit.model).top_is_lower:
        notes.append("main top and main back trade places: what was mostly top becomes mostly back, and the reverse.")
    if BACK not in names and (change.back_stiffness_factor, change.back_mass_factor) != (1.0, 1.0):
        notes.append("No main back was read, so a change of the back shows nothing.")
    return WhatIf(
        change=change,
        names=tuple(names),
        now_hz=now_hz,
        now_u_hz=now_hz * u[0],
        after_hz=after_hz * known,
        after_u_hz=after_hz * u[1] * known,
        shift=(ratio - 1) * known,
        shift_u=ratio * u[2] * known,
        now_q_factor=now_q,
        after_q_factor=after_q * known,
        after_q_factor_u=after_q * u[4] * known,
        notes=tuple(notes),
    )


def mobility_level(fit: BodyFit, frequency_hz, change: Change | None = None) -> tuple[np.ndarray, np.ndarray]:
    """Mobility at the bridge in dB over 1 m/s/N and its standard uncertainty in dB, each (n_frequencies,).

    Frequencies outside RANGE_HZ raise `LuthkitError`. Uncertainty to first order, so too narrow in the dips.
    """
    frequency = np.atleast_1d(np.asarray(frequency_hz, float))
    if not np.all((frequency >= RANGE_HZ[0]) & (frequency <= RANGE_HZ[1])):
        raise LuthkitError(
            f"frequencies from {frequency.min():g} to {frequency.max():g} Hz were asked for; this model holds from "
            f"{RANGE_HZ[0]:.0f} to {RANGE_HZ[1]:.0f} Hz only"
        )
    altered = change or Change()

    def told(logs):
        model = altered.on(body_model(logs, temperature_c=fit.model.temperature_c))
        return 20 * np.log10(np.abs(model.mobility(frequency, back_blocked=BACK not in fit.order)))

    level, covariance = propagate(told, fit.log_values, fit.covariance)
    return level, np.sqrt(np.diag(covariance))
