"""What a guitar was measured to be, in the quantities of a plan: from its taps, or from a reference profile."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import exp, hypot, log, sqrt

import numpy as np

from .._frozen import frozen_dict
from ..guitar.body_fit import TOP, BodyFit, BodyReading, body_model, low_modes
from ..guitar.body_readings import reading_by_names
from ..guitar.naming import name_modes
from ..guitar.propagation import propagate
from ..guitar.thresholds import Thresholds
from ..signal.modes import ModeSet
from .body import read_body
from .profile_file import is_profile, read_profile
from .reading import read_instrument

NO_MOBILITY = (
    "{name}: how readily its bridge yields (mobility) is not known from these taps, so it does not count; taps with 10 "
    "and 20 g of putty at the bridge tell it (never on an old finish; only where the finish is known to bear it)"
)
ONE_PLACEMENT = "{name}: one placement only, so the usual scatter of hanging it up again is added to its errors"


@dataclass(frozen=True)
class TappedGuitar:
    """Air, main top, main back and, where the taps tell it, mobility, of one guitar or the mean of several."""

    name: str
    measured: Mapping[str, tuple[float, float]]  # quantity -> (value, standard uncertainty), Hz or s/kg
    notes: tuple[str, ...]
    sources: Mapping[str, str]  # file -> SHA-256

    def __post_init__(self):
        for name in ("measured", "sources"):
            object.__setattr__(self, name, frozen_dict(getattr(self, name)))


def read_tapped(path) -> TappedGuitar:
    """What a folder of taps, or a reference profile, says of air, main top, main back and mobility.

    Modes go by their names (`luthkit name`); a profile of several guitars gives their mean. Mobility comes from taps
    with a known mass at the bridge, else it is left out with a note.

    Raises LuthkitError when air or main top cannot be told, and as the reading of a session or profile does.
    """
    if not is_profile(path):
        modeset = read_instrument([path])
        sheet = read_body([path], modeset=modeset)
        measured, notes = _frequencies(sheet.fit.readings[0], modeset)
        found = _mobility(sheet.fit)
        if found:
            measured["mobility"] = found
        else:
            notes.append(NO_MOBILITY.format(name=sheet.name))
        return TappedGuitar(sheet.name, measured, (*notes, *_doubts(sheet.notes)), sheet.sources)
    profile = read_profile(path)
    each, notes, sources = [], [], {}
    for guitar in profile.guitars:
        reading, doubts = reading_by_names(name_modes(guitar))
        measured, said = _frequencies(reading, guitar)
        each.append(measured)
        notes += [*said, *doubts]
        sources |= guitar.sources
    notes.append(NO_MOBILITY.format(name=profile.name))
    return TappedGuitar(profile.name, _mean(each), tuple(dict.fromkeys(notes)), sources)


def _frequencies(reading: BodyReading, modeset: ModeSet) -> tuple[dict[str, tuple[float, float]], list[str]]:
    """Frequencies with errors that hold hanging the guitar up again, from its own placements or as is usual."""
    again = 0.0 if modeset.placements > 1 else Thresholds().frequency_rehung.value
    measured = {}
    for name, frequency in reading.frequency_hz.items():
        own = reading.frequency_u_hz.get(name, Thresholds().frequency_rehung.value * frequency)
        measured[name] = (frequency, hypot(own, again * frequency))
    return measured, [ONE_PLACEMENT.format(name=modeset.name)] if again else []


def _mobility(fit: BodyFit) -> tuple[float, float] | None:
    """1 / (m omega) of the main top at the bridge, m its effective mass there; None where no taps told the masses.

    Mobility without damping, as in `guitar.design`; (value, standard uncertainty) in s/kg.
    """
    if not fit.numbers["top_mass_kg"].is_measured:
        return None
    row = low_modes(fit.model, fit.order)[0].index(TOP)

    def told(logs):
        mass, _, stiffness = body_model(logs, temperature_c=fit.model.temperature_c).matrices()
        keep = [0, 1, 2] if len(fit.order) == 3 else [0, 1]
        root = np.sqrt(mass[..., keep])
        inner = stiffness[..., keep, :][..., :, keep] / (root[..., :, None] * root[..., None, :])
        square, vector = np.linalg.eigh(inner)
        yielding = vector[..., 0, row] ** 2 / mass[..., 0] / np.sqrt(square[..., row])
        return np.log(yielding)[..., None]

    logs, covariance = propagate(told, fit.log_values, fit.covariance)
    value = exp(logs[0])
    return value, value * sqrt(covariance[0, 0])


def _mean(each) -> dict[str, tuple[float, float]]:
    """The mean of several guitars, in logarithms, of what all of them have, with the error of that mean."""
    mean = {}
    for name in each[0]:
        if all(name in measured for measured in each):
            values = [measured[name] for measured in each]
            value = exp(sum(log(v) for v, _ in values) / len(values))
            mean[name] = (value, value * sqrt(sum((u / v) ** 2 for v, u in values)) / len(values))
    return mean


def _doubts(notes) -> list[str]:
    """What a body sheet says of names; what it says of masses and the box is no matter here."""
    return [note for note in notes if "likely" in note]
