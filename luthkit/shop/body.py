"""From a folder to the body of a guitar in physical units."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from .. import __version__
from .._frozen import frozen_dict
from ..errors import LuthkitError
from ..guitar.body_fit import BACK, NAMES, TOP, BodyFit
from ..guitar.body_readings import fit_conditions, reading_by_hand, reading_by_names
from ..guitar.helmholtz import BoxCheck, check_box
from ..guitar.uncoupled import uncouple
from ..signal.modes import ModeSet
from .names import name_instrument
from .reading import read_conditions, read_instrument

VOLUME_U, HOLE_RADIUS_U = 0.03, 0.01  # relative: how well a maker measures the air inside, and a hole with a rule


@dataclass(frozen=True, eq=False)
class BodySheet:
    """All that a folder says about the body of one guitar."""

    name: str
    fit: BodyFit
    box_check: BoxCheck | None  # None where hole and volume, or the plugged taps, are not known
    notes: tuple[str, ...]
    sources: Mapping[str, str]  # file -> SHA-256
    version: str = __version__


def read_body(
    paths,
    *,
    by_hand: Mapping[str, float] | None = None,
    hole_diameter_mm: float | None = None,
    volume_l: float | None = None,
    modeset: ModeSet | None = None,
) -> BodySheet:
    """Masses, stiffnesses, areas and the box of one guitar, from every condition its folder holds.

    Air, main top and main back go by their names (`luthkit name`), or by frequencies in hertz given `by_hand`.
    Soundhole and volume are those of session.toml unless given; temperature is that of session.toml, else 20 degrees.
    `modeset` saves reading the usual taps again.

    Raises `LuthkitError` when air or main top cannot be told, and as the reading of a session does.
    """
    modeset = modeset or read_instrument(paths)
    if not modeset.modes:
        raise LuthkitError(f"there is no usable tap in {modeset.name}; record at least 5 clean taps at the bridge")
    said = dict(modeset.parameters.get("conditions", {}))
    by_hand = {name: value for name, value in (by_hand or {}).items() if value}
    if unknown := set(by_hand) - set(NAMES):
        unknown = ", ".join(map(repr, unknown))
        raise LuthkitError(f"{unknown} is no name the model knows; allowed are {', '.join(NAMES)}")
    conditions = read_conditions(paths)
    if by_hand:
        first, notes = reading_by_hand(modeset, by_hand), ()
    else:
        first, notes = reading_by_names(name_instrument(paths, modeset=modeset, conditions=conditions))
    hole, volume = hole_diameter_mm or said.get("soundhole_diameter_mm"), volume_l or said.get("body_volume_l")
    known = {}
    if hole:
        known["hole_radius_m"] = (hole / 2000, HOLE_RADIUS_U)
    if volume:
        known["volume_m3"] = (volume / 1000, VOLUME_U)
    temperature = float(said.get("temperature_c", 20.0))
    fit = fit_conditions(first, modeset, conditions, known=known, temperature_c=temperature)
    if "temperature_c" not in said:
        taken = "No temperature is noted in session.toml; 20 degrees is taken. A degree moves the box by 0.2 %."
        notes = (*notes, taken)
    check = _box_check(fit, hole, volume, temperature)
    if isinstance(check, str):
        notes, check = (*notes, check), None
    sources = {file: sha for each in (modeset, *(c.modeset for c in conditions)) for file, sha in each.sources.items()}
    notes = (*notes, *fit.notes)
    return BodySheet(modeset.name, replace(fit, notes=()), check, notes, frozen_dict(sources), modeset.version)


def _box_check(fit: BodyFit, hole_mm, volume_l, temperature_c) -> BoxCheck | str | None:
    """The box by the sum of squares against its measures; None where something for it is missing."""
    plugged = next((r for r in fit.readings if r.soundhole_plugged and not r.added_mass_kg), None)
    plates = [name for name in (TOP, BACK) if name in fit.order]
    if plugged is None or not (hole_mm and volume_l) or any(name not in plugged.frequency_hz for name in plates):
        return None
    first = fit.readings[0]
    names = [NAMES[0], *plates]
    try:
        alone = uncouple(
            [first.frequency_hz[name] for name in names],
            [plugged.frequency_hz[name] for name in plates],
            open_u_hz=[first.frequency_u_hz.get(name, 0.005 * first.frequency_hz[name]) for name in names],
            plugged_u_hz=[plugged.frequency_u_hz.get(name, 0.005 * plugged.frequency_hz[name]) for name in plates],
        )
    except LuthkitError as error:
        return f"The box cannot be checked: {error}."
    return check_box(
        from_taps_hz=alone.box_frequency_hz,
        from_taps_u_hz=alone.box_frequency_u_hz,
        volume_m3=volume_l / 1000,
        hole_radius_m=hole_mm / 2000,
        volume_u=VOLUME_U,
        hole_radius_u=HOLE_RADIUS_U,
        temperature_c=temperature_c,
    )
