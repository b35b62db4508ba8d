"""A piece of wood of the stock: what the maker wrote down about it, and when it was measured.

Sizes and mass come with their standard uncertainties. Several thicknesses, read here and there, give a mean and
its error by themselves.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from math import hypot, isfinite, nan
from pathlib import Path

import numpy as np

from .._frozen import frozen_dict
from ..errors import LuthkitError
from .bars import Bar
from .budget import Budget, combine, known
from .inversion import Expectation
from .moisture import equilibrium_moisture_percent, equilibrium_moisture_u_percent
from .plates import Plate
from .species import SAWN, Species, expected_wood, find_species

USES = ("top", "back", "side", "brace", "neck", "other")
# standard uncertainties when the maker gives none (common practice, no source)
LENGTH_U_M, THICKNESS_U_M, MASS_U_KG, METER_U_PERCENT = 0.5e-3, 0.02e-3, 0.1e-3, 1.0
UNEVEN_U_M = 0.05e-3  # how far a plate's thickness strays from place to place (a planning value; no source)
FEWEST_PLACES = 3  # fewer show no scatter of their own
LAW = "which papers it needs is settled by the law of your place and of your customer; ask before you sell or ship"
DUST = "wear a mask and use extraction when you sand it, as the rules of your place ask"


@dataclass(frozen=True)
class Quantity:
    """A measured value and its standard uncertainty."""

    value: float
    u: float

    def __iter__(self):
        return iter((self.value, self.u))


@dataclass(frozen=True)
class Measurement:
    """Sizes, mass and climate of a piece on one day, and where the sound of its taps lies."""

    day: date | None
    length_m: Quantity  # along the grain
    width_m: Quantity
    thickness_m: Quantity
    mass_kg: Quantity
    moisture_percent: Quantity  # by a meter, or that of the climate; NaN when nobody noted either
    temperature_c: float = nan
    relative_humidity_percent: float = nan
    taps: str = ""  # folder of sound files, beside the file of the piece
    force_channel: int | None = None  # of the force hammer, when there is one
    heard: tuple[tuple[float, float], ...] = ()  # modes read by other means: frequency in Hz, Q (NaN: unknown)
    notes: tuple[str, ...] = ()

    @property
    def inputs(self) -> Mapping[str, tuple[float, float]]:
        """Length, width, thickness and mass, each with its error."""
        return {name: tuple(getattr(self, f"{name}_{unit}")) for name, unit in SIZES.items()}

    @property
    def is_strip(self) -> bool:
        """Whether it is read as a bar: six times as long as wide, or more."""
        return self.length_m.value >= 6 * self.width_m.value

    @property
    def density(self) -> Budget:
        """Mass / (length width thickness) in kg/m3, with its budget."""
        powers = {"length": -1, "width": -1, "thickness": -1, "mass": 1}
        return combine("density", {known(name, *self.inputs[name]): power for name, power in powers.items()})

    def plate(self) -> Plate:
        """As a plate; raises LuthkitError when it is too thick for one."""
        return Plate(*(self.inputs[name][0] for name in SIZES))

    def bar(self) -> Bar:
        """As a bar; raises LuthkitError when it is none."""
        return Bar(*(self.inputs[name][0] for name in SIZES))


SIZES = {"length": "m", "width": "m", "thickness": "m", "mass": "kg"}


@dataclass(frozen=True)
class Piece:
    """One piece of the stock."""

    name: str
    species_name: str = ""
    use: str = "other"  # one of USES
    facts: Mapping[str, object] = field(default_factory=dict)  # what else was written down
    measurements: tuple[Measurement, ...] = ()  # by date, the oldest first
    path: Path | None = None  # of the file that tells of it

    def __post_init__(self):
        object.__setattr__(self, "facts", frozen_dict(self.facts))

    @property
    def species(self) -> Species | None:
        """The wood in the list, None when it is not there."""
        return find_species(self.species_name)

    @property
    def sawn(self) -> str:
        """One of SAWN: quarter where nothing else was written."""
        return str(self.facts.get("sawn", SAWN[0]))

    @property
    def expected(self) -> Expectation:
        """What it may be like before it is heard, by its species and the way it was sawn."""
        return expected_wood(self.species, self.sawn)

    @property
    def latest(self) -> Measurement:
        """The last measurement; raises LuthkitError when there is none."""
        if not self.measurements:
            raise LuthkitError(f"{self.name} was never measured; add length, width, thickness and mass under a date")
        return self.measurements[-1]

    @property
    def missing_papers(self) -> bool:
        """Whether its species is protected and no papers, or no file of them, are at hand."""
        if not (self.species and self.species.protected):
            return False
        file = str(self.facts.get("papers_file", ""))
        gone = bool(file) and self.path is not None and not (self.path.parent / file).exists()
        return gone or not (self.facts.get("papers") or file)

    def cautions(self) -> tuple[str, ...]:
        """Plain sentences: papers, dust, grain that runs out."""
        said = []
        if self.missing_papers:
            file = self.facts.get("papers_file")
            state = f"their file {file} is not there" if file else "no papers are noted"
            said.append(f"{self.name} is {self.species.name}, a protected species, and {state}: {LAW}.")
        elif self.species and self.species.protected:
            said.append(f"{self.name} is {self.species.name}, a protected species: keep its papers with it; {LAW}.")
        if self.species and any("dust" in caution for caution in self.species.cautions):
            said.append(f"Dust of {self.species.name} can irritate skin and lungs: {DUST}.")
        run_out = self.facts.get("run_out_degrees", 0.0)
        if run_out > 3:
            said.append(
                f"The grain runs out by {run_out:g} degrees: the piece is less stiff along than its wood is along the "
                "grain, and it may split. The numbers are those of the piece as it is."
            )
        return tuple(said)


def mean_of(values: Sequence[float], instrument_u: float, *, uneven_u: float = 0.0) -> Quantity:
    """The mean of readings, its error that of the mean (JCGM 100, 4.2) and of the instrument together.

    They are taken to scatter by `uneven_u` at least.

    >>> found = mean_of([3.00e-3, 3.04e-3, 3.02e-3], 0.01e-3)
    >>> round(1e3 * found.value, 3), round(1e3 * found.u, 4)
    (3.02, 0.0153)
    """
    values = np.atleast_1d(np.asarray(values, float))
    scatter = max(float(values.std(ddof=1)) if len(values) > 1 else 0.0, uneven_u)
    return Quantity(float(values.mean()), hypot(scatter / np.sqrt(len(values)), instrument_u))


def moisture_of(*, meter_percent: float, meter_u: float, temperature_c: float, humidity_percent: float) -> Quantity:
    """The meter's reading if there is one, else what the climate makes of wood that lay in it long enough."""
    if isfinite(meter_percent):
        return Quantity(meter_percent, meter_u)
    if not (isfinite(humidity_percent) and isfinite(temperature_c)):
        return Quantity(nan, nan)
    climate = {"temperature_c": temperature_c, "relative_humidity_percent": humidity_percent}
    return Quantity(equilibrium_moisture_percent(**climate), equilibrium_moisture_u_percent(**climate))
