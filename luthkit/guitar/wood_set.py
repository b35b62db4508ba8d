"""The wood of a top or a back, as the planner needs it, and how it comes from a measured piece."""

from __future__ import annotations

from dataclasses import dataclass

from ..errors import LuthkitError
from ..wood.braced_plate import PlateWood
from ..wood.plates import Stiffness
from ..wood.reading import WoodReading


@dataclass(frozen=True)
class WoodSet:
    """The wood of a top or a back, as measured: properties with relative standard uncertainties.

    `uncertainty` are those of E along, E across, G and density, as fractions: 0.02 is 2 %. `notes` are shown with it.
    """

    name: str
    wood: PlateWood
    uncertainty: tuple[float, float, float, float] = (0.02, 0.04, 0.04, 0.005)
    notes: tuple[str, ...] = ()

    def __post_init__(self):
        if len(self.uncertainty) != 4 or not all(0 <= u < 1 for u in self.uncertainty):
            raise LuthkitError(
                f"the uncertainties of {self.name} are {self.uncertainty}; give four fractions from 0 to 1 "
                "(E along, E across, G, density), such as 0.02 for 2 %"
            )


def wood_set(reading: WoodReading) -> WoodSet:
    """The planner's wood from a measured piece, brought to one climate where its moisture is known.

    Raises LuthkitError for a piece whose stiffness was not heard in all three ways: along, across and twist.
    """
    known = reading.at_climate if "along" in reading.at_climate else reading.values
    missing = [word for word in ("along", "across", "shear", "density") if word not in known]
    name = reading.piece.name
    if missing:
        raise LuthkitError(
            f"{name} has no value for {' and '.join(missing)}; tap the free plate near a corner, mid-end and mid-side, "
            "and note its sizes and mass"
        )
    budgets = [known[word] for word in ("along", "across", "shear", "density")]
    stiffness = Stiffness(*(budget.value for budget in budgets[:3]))
    notes = list(reading.piece.cautions())
    if known is reading.values:
        notes.append(f"{name}: its moisture is not known, so it is taken as it was on the day it was measured.")
    uncertainty = tuple(float(budget.relative_u) for budget in budgets)
    return WoodSet(name, PlateWood(stiffness, budgets[3].value), uncertainty, tuple(notes))
