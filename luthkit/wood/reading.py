"""A piece of wood, measured: density, stiffness, losses and indices, each with the budget of its error, as it was and
brought to one climate.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from math import isfinite, nan
from types import SimpleNamespace

import numpy as np

from .. import __version__
from .._frozen import frozen_dict
from ..errors import LuthkitError
from .air import AIR_DENSITY_KG_M3, AIR_MASS_U
from .bars import shear_gain
from .budget import Budget, budget_of, combine
from .indices import wood_indices
from .inversion import Inversion, invert_modes
from .moisture import (
    ACROSS_PER_PERCENT,
    ALONG_PER_PERCENT,
    SHEAR_PER_PERCENT,
    density_factor,
    equilibrium_moisture_percent,
    stiffness_factor,
)
from .piece import Measurement, Piece, Quantity
from .species import SPECIES
from .strips import StripReading, invert_strip

CLIMATE = (20.0, 48.0)  # C and percent of humidity that pieces are brought to; about 9 % of moisture
MOST_DENSITY_CHANGE = 0.15  # relative, that seasoned wood can show from day to day (common practice, no source)
SLOPE_U = 0.3  # relative, of how stiffness answers to moisture, piece by piece (judgement, no source)
# E_L / G_LT and E_R / G_RT, or, flatsawn, E_L / G_LR and E_T / G_RT: table 5-1, middle of its softwoods
LONG_GRAIN_RATIO, CROSS_GRAIN_RATIO, FLAT_CROSS_RATIO = 15.0, 20.0, 10.0
_POWERS = {  # of length, width, thickness and mass, from the frequencies: rho w^2 L^4 / h^2 and its like
    "along": (3, -1, -3, 1),
    "across": (-1, 3, -3, 1),
    "shear": (1, 1, -3, 1),
}
STIFF = tuple(_POWERS)
LOSSES = ("loss_along", "loss_across", "loss_shear")


@dataclass(frozen=True, eq=False)
class WoodReading:
    """What is known of one piece on one day. Names in `values`: density (kg/m3), along, across and shear (Pa: E_L, E_R
    or E_T, G), loss_along, loss_across, loss_shear, sound_speed (m/s), radiation_ratio (m4/(kg s)), impedance
    (kg/(m2 s)). What was not heard is missing there, and `notes` say why.
    """

    piece: Piece
    measurement: Measurement
    values: Mapping[str, Budget]  # as measured
    at_climate: Mapping[str, Budget]  # brought to `climate`; empty when the moisture is not known
    climate: tuple[float, float]  # C, percent of humidity
    plate: Inversion | None  # how the modes of a plate were read
    strip: StripReading | None  # how those of a strip were
    notes: tuple[str, ...] = ()
    sources: Mapping[str, str] = field(default_factory=dict)  # file -> SHA-256
    version: str = __version__


def measure_wood(
    piece: Piece,
    modes: Sequence = (),
    *,
    measurement: Measurement | None = None,
    climate: tuple[float, float] = CLIMATE,
    air_density_kg_m3: float = AIR_DENSITY_KG_M3,
    sources: Mapping[str, str] | None = None,
    notes: Sequence[str] = (),
) -> WoodReading:
    """Density and, from the modes of its taps, stiffness and loss of one piece.

    modes: `Mode`s of `read_modes`; without any, those written down (`Measurement.heard`); without these, the density
    alone. measurement: one of the piece, the latest when None.

    Raises LuthkitError for a piece that was never measured, or modes that fit no wood of its size.
    """
    on_day = measurement or piece.latest
    modes = list(modes) or [_as_mode(*heard) for heard in on_day.heard]
    said = [*notes, *on_day.notes]
    values = {"density": on_day.density}
    plate = strip = None
    expected = piece.expected
    if piece.species_name and not piece.species:
        said.append(
            f"{piece.species_name} is not in the list of woods: figures usual of all woods take its place, and it is "
            f"compared with none; in the list are {', '.join(each.name for each in SPECIES.values())}"
        )
    if not modes:
        said.append("no taps: density only")
    elif on_day.is_strip:
        strip = invert_strip(on_day.bar(), modes, expected=expected, air_density_kg_m3=air_density_kg_m3)
        values |= _strip_values(on_day, strip)
        said += strip.notes
    else:
        plate = invert_modes(on_day.plate(), modes, expected=expected, air_density_kg_m3=air_density_kg_m3)
        values |= _plate_values(on_day, plate, piece.sawn)
        said += plate.notes
    moisture = Quantity(equilibrium_moisture_percent(temperature_c=climate[0], relative_humidity_percent=climate[1]), 0)
    at_climate = _brought(values, on_day.moisture_percent, moisture.value, piece)
    for known in (values, at_climate):
        if "along" in known:
            known.update(wood_indices(known["density"], known["along"]))
    return WoodReading(
        piece=piece,
        measurement=on_day,
        values=frozen_dict(values),
        at_climate=frozen_dict(at_climate),
        climate=climate,
        plate=plate,
        strip=strip,
        notes=tuple(dict.fromkeys(said)),
        sources=frozen_dict(sources or {}),
    )


def _as_mode(frequency_hz: float, q_factor: float):
    """A mode that was written down: no error is known for it."""
    return SimpleNamespace(
        frequency_hz=frequency_hz,
        frequency_u_hz=nan,
        damping_ratio=0.5 / q_factor,
        damping_ratio_u=0.05 / q_factor,
    )


def _sizes(on_day: Measurement, powers) -> dict[str, float]:
    """What each size and the mass bring to a product of their powers."""
    return {name: power * u / value for (name, (value, u)), power in zip(on_day.inputs.items(), powers, strict=True)}


def _plate_values(on_day: Measurement, found: Inversion, sawn: str) -> dict[str, Budget]:
    stiffness = found.stiffness
    middle = (stiffness.along_pa, stiffness.across_pa, stiffness.shear_pa)
    taps = np.sqrt(np.diag(found.covariance))
    thick = on_day.thickness_m.value
    across = FLAT_CROSS_RATIO if sawn == "flat" else CROSS_GRAIN_RATIO
    gains = (
        shear_gain(thickness_m=thick, length_m=on_day.length_m.value, modulus_ratio=LONG_GRAIN_RATIO),
        shear_gain(thickness_m=thick, length_m=on_day.width_m.value, modulus_ratio=across),
        1.0,
    )
    values = {}
    for k, name in enumerate(STIFF):
        if found.heard_enough[k]:
            parts = _sizes(on_day, _POWERS[name])
            parts[f"taps ({name})"] = float(taps[k])
            parts["air"] = float(found.air_slopes[k] * AIR_MASS_U)
            if gains[k] > 1:
                parts["thin-plate theory"] = (gains[k] - 1) / 2
            values[name] = budget_of(name, middle[k] * gains[k], parts)
    for name, loss, u in zip(LOSSES, found.loss_factors, found.loss_factors_u, strict=True):
        if isfinite(loss):
            values[name] = budget_of(name, float(loss), {f"taps ({name})": float(u / loss)})
    return values


def _strip_values(on_day: Measurement, found: StripReading) -> dict[str, Budget]:
    air, values = found.air_share / (1 + found.air_share) * AIR_MASS_U, {}
    for name, (value, u) in found.values.items():
        sizes = {**_sizes(on_day, _POWERS[name]), "air": air} if name in STIFF else {}
        values[name] = budget_of(name, value, {**sizes, f"taps ({name})": u})
    return values


def _brought(values: Mapping[str, Budget], moisture: Quantity, to_percent: float, piece: Piece) -> dict[str, Budget]:
    """Density and stiffness at another moisture. Losses are left out: how they answer differs too much.

    Quartersawn and flatsawn share one slope across: table 5-14 has one row for the modulus across the grain.
    """
    if not isfinite(moisture.value):
        return {}
    species = piece.species
    slopes = {
        "along": species.slope_along if species else ALONG_PER_PERCENT,
        "across": ACROSS_PER_PERCENT,
        "shear": SHEAR_PER_PERCENT,
    }
    step = to_percent - moisture.value
    move = {"from_percent": moisture.value, "to_percent": to_percent}
    found = {}
    for name, slope in slopes.items():
        if name in values:
            parts = {"moisture": -slope * moisture.u, "answer to moisture": SLOPE_U * slope * step}
            factor = budget_of("", stiffness_factor(**move, slope=slope), parts)
            found[name] = combine(name, {values[name]: 1, factor: 1})
    shrinkage = species.volume_shrinkage_percent if species else 11.0
    factor = density_factor(**move, volume_shrinkage_percent=shrinkage)
    per_percent = np.log(density_factor(from_percent=9, to_percent=10, volume_shrinkage_percent=shrinkage))
    parts = {"moisture": -float(per_percent) * moisture.u}
    found["density"] = combine("density", {values["density"]: 1, budget_of("", factor, parts): 1})
    return found


def change_between(earlier: WoodReading, later: WoodReading) -> Mapping[str, tuple[float, float]]:
    """Name -> (relative change from one day to another, its standard uncertainty), at one climate where known.

    Sizes and mass were measured anew each time, so that their errors do not cancel.
    Raises LuthkitError for readings of two pieces, or in two climates.
    """
    if earlier.piece.name != later.piece.name or earlier.climate != later.climate:
        raise LuthkitError(
            f"{earlier.piece.name} at {earlier.climate} and {later.piece.name} at {later.climate} cannot be compared; "
            "take two days of one piece, brought to one climate"
        )
    both = (earlier.at_climate, later.at_climate)
    first, last = both if all(both) else (earlier.values, later.values)
    return {
        name: (last[name].value / first[name].value - 1, float(np.hypot(first[name].relative_u, last[name].relative_u)))
        for name in first
        if name in last
    }


def days_apart(history: Sequence[WoodReading]) -> tuple[tuple[WoodReading, Budget], ...]:
    """The days of the lowest and of the highest density, with these, where they differ by more than wood can change.

    One of them is probably written wrongly, and what it says of stiffness with it. Empty where they do not; densities
    are taken in one climate where all days know it.
    """
    one_climate = all(reading.at_climate for reading in history)
    found = [(reading, (reading.at_climate if one_climate else reading.values)["density"]) for reading in history]
    found.sort(key=lambda pair: pair[1].value)
    apart = found[-1][1].value / found[0][1].value > 1 + MOST_DENSITY_CHANGE
    return (found[0], found[-1]) if apart else ()
