"""Woods of the Wood Handbook: what a piece may be like before it is measured, and how it answers to moisture.

Source: *Wood Handbook*, USDA Forest Products Laboratory, FPL-GTR-282 (2021), tables 4-3 and 4-4 (shrinkage), 5-1 and
5-2 (ratios, 12 %), 5-3 and 5-5 (density and stiffness), 5-13 (intersection), as copied by others; where `certainty`
says so, from memory. Means of straight clear wood: a piece of the same name may lie a third above or below.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite, nan

from ..errors import LuthkitError
from .inversion import ANY_WOOD, Expectation
from .moisture import ALONG_PER_PERCENT, INTERSECTION_PERCENT, stiffness_slope
from .plates import Stiffness

SHEAR_IN_THE_TABLE = 1.10  # tables 5-3 and 5-5 come from short beams: 10 % are added for shear (ch. 5)
PROTECTED = "this species stands in the lists of CITES (from memory)"
TOXIC = "its dust is known to irritate skin and lungs (common knowledge of the trade, no source)"


@dataclass(frozen=True)
class Species:
    """Handbook means of one wood; NaN where the book gives none."""

    name: str
    latin: str
    specific_gravity: float  # oven-dry mass over the volume at 12 %; from green wood G / (1 - 0.159 G) (from memory)
    modulus_green_pa: float
    modulus_dry_pa: float  # at 12 %, as printed
    across_ratio: float  # E_R / E_L
    shear_ratio: float  # G_LR / E_L
    poisson_ratio: float  # nu_LR
    volume_shrinkage_percent: float  # green to oven-dry
    intersection_percent: float = INTERSECTION_PERCENT
    certainty: str = "transcribed"
    cautions: tuple[str, ...] = ()

    @property
    def protected(self) -> bool:
        """Whether trade in it asks for papers in many places."""
        return PROTECTED in self.cautions

    @property
    def density_kg_m3(self) -> float:
        """At 12 %: 1000 G (1 + 12 / 100)."""
        return 1120 * self.specific_gravity

    @property
    def slope_along(self) -> float:
        """Relative change of E_L per percent of moisture, eq. 5-3; the middle trend where the book has no figures."""
        if not isfinite(self.modulus_green_pa):
            return ALONG_PER_PERCENT
        ratio = self.modulus_dry_pa / self.modulus_green_pa
        return stiffness_slope(green_ratio=ratio, intersection_percent=self.intersection_percent)

    def expected(self) -> Expectation:
        """Stiffness to begin a search from. Ratios the book does not give are those of the middle of all woods."""
        middle = ANY_WOOD.stiffness
        along = SHEAR_IN_THE_TABLE * self.modulus_dry_pa
        across = self.across_ratio if isfinite(self.across_ratio) else middle.across_pa / middle.along_pa
        shear = self.shear_ratio if isfinite(self.shear_ratio) else middle.shear_pa / middle.along_pa
        poisson = self.poisson_ratio if isfinite(self.poisson_ratio) else middle.poisson_ratio
        known = isfinite(self.across_ratio)
        return Expectation(
            Stiffness(along, across * along, shear * along, poisson),
            along_spread=0.25,
            across_spread=0.35 if known else 0.5,
            shear_spread=0.35 if known else 0.45,
        )


def _wood(name, latin, gravity, green, dry, across=nan, shear=nan, poisson=nan, volume=11.0, **more) -> Species:
    return Species(name, latin, gravity, green * 1e9, dry * 1e9, across, shear, poisson, volume, **more)


MEMORY = "transcribed; shrinkage from memory"
_ALL = (
    _wood("Sitka spruce", "Picea sitchensis", 0.40, 8.5, 10.8, 0.078, 0.064, 0.372, 11.5,
          intersection_percent=27.0, certainty=MEMORY),
    _wood("Engelmann spruce", "Picea engelmannii", 0.35, 7.10, 8.96, 0.128, 0.124, 0.422, 11.0, certainty=MEMORY),
    _wood("red spruce", "Picea rubens", 0.40, 9.17, 11.45, volume=11.8, intersection_percent=27.0, certainty=MEMORY),
    _wood("white spruce", "Picea glauca", 0.36, 7.86, 9.86),
    _wood("western redcedar", "Thuja plicata", 0.32, 6.48, 7.65, 0.081, 0.087, 0.378, 6.8, cautions=(TOXIC,)),
    _wood("Port-Orford cedar", "Chamaecyparis lawsoniana", 0.43, 8.96, 11.72, volume=10.1, cautions=(TOXIC,)),
    _wood("redwood", "Sequoia sempervirens", 0.40, 8.1, 9.2, volume=6.8, intersection_percent=21.0,
          certainty=MEMORY, cautions=(TOXIC,)),
    _wood("Douglas-fir", "Pseudotsuga menziesii", 0.48, 10.76, 13.44, 0.068, 0.064, volume=12.4,
          intersection_percent=24.0),
    _wood("sugar maple", "Acer saccharum", 0.63, 10.7, 12.6, 0.132, 0.111, 0.424, 14.7, certainty=MEMORY),
    _wood("red maple", "Acer rubrum", 0.54, 9.58, 11.31, 0.140, 0.133, 0.434, 12.6, certainty=MEMORY),
    _wood("bigleaf maple", "Acer macrophyllum", 0.48, 7.58, 10.00, volume=11.6, certainty=MEMORY),
    _wood("black cherry", "Prunus serotina", 0.50, 9.0, 10.3, 0.197, 0.147, 0.392, 11.5),
    _wood("black walnut", "Juglans nigra", 0.55, 9.79, 11.58, 0.106, 0.085, 0.495, 12.8, cautions=(TOXIC,)),
    _wood("mahogany", "Swietenia macrophylla", 0.485, 9.24, 10.34, 0.107, 0.066, 0.314, 7.8,
          certainty="transcribed; density from green wood", cautions=(PROTECTED, TOXIC)),
    _wood("African mahogany", "Khaya spp.", 0.450, 7.93, 9.65, 0.111, 0.088, volume=8.8,
          certainty="transcribed; density from green wood", cautions=(PROTECTED, TOXIC)),
    _wood("Spanish-cedar", "Cedrela spp.", 0.439, 9.03, 9.93, cautions=(PROTECTED, TOXIC),
          certainty="transcribed; density from green wood"),
    _wood("sapele", "Entandrophragma cylindricum", 0.603, 10.27, 12.55, cautions=(TOXIC,),
          certainty="transcribed; density from green wood"),
    _wood("Indian rosewood", "Dalbergia latifolia", 0.852, 8.20, 12.27, volume=8.5,
          certainty="transcribed; density from green wood, shrinkage from memory", cautions=(PROTECTED, TOXIC)),
    _wood("Brazilian rosewood", "Dalbergia nigra", 0.917, 12.69, 12.96, volume=8.5,
          certainty="transcribed; density from green wood, shrinkage from memory", cautions=(PROTECTED, TOXIC)),
)  # fmt: skip
SPECIES = {species.name.lower(): species for species in _ALL}


def find_species(name: str) -> Species | None:
    """A wood of the list by its name or its latin name, in any case of letters; None when it is not in the list."""
    wanted = " ".join(name.lower().split())
    if not wanted:
        return None
    return SPECIES.get(wanted) or next((s for s in _ALL if s.latin.lower() == wanted), None)


def shown_species(name: str) -> Species:
    """The same, or a LuthkitError that tells what is in the list."""
    found = find_species(name)
    if found is None:
        raise LuthkitError(f"{name!r} is not in the list of woods; it has {', '.join(s.name for s in _ALL)}")
    return found
