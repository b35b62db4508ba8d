"""Woods of the Wood Handbook: what a piece may be like before it is measured, and how it answers to moisture.

Source: *Wood Handbook*, USDA Forest Products Laboratory, FPL-GTR-282 (2021), tables 4-3 and 4-4 (shrinkage), 5-1 and
5-2 (ratios, 12 %), 5-3 and 5-5 (density and stiffness), 5-13 (intersection), as copied by others; where `certainty`
says so, from memory. Means of straight clear wood: a piece of the same name may lie a third above or below.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from math import isfinite, nan, sqrt

from ..errors import LuthkitError
from .inversion import ANY_WOOD, Expectation
from .moisture import ALONG_PER_PERCENT, INTERSECTION_PERCENT, stiffness_slope
from .plates import Stiffness

SAWN = ("quarter", "flat", "between")  # what lies across the width: the radius, the tangent to the rings, either
FLAT_OVER_QUARTER = (0.53, 0.82, 1.16)  # E_T / E_R, G_LT / G_LR, nu_LT / nu_LR: middle of the ten woods given below
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
    flat_ratios: tuple[float, float, float]  # E_T / E_L, G_LT / E_L, nu_LT
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


def expected_wood(species: Species | None, sawn: str = SAWN[0]) -> Expectation:
    """What a piece may be like before it is heard; ratios that the book does not give are those of all woods.

    Across a quartersawn piece stands E_R with G_LR, across a flatsawn one E_T with G_LT, and between them the middle,
    with a wider spread. Raises LuthkitError for another way of sawing.
    """
    if sawn not in SAWN:
        raise LuthkitError(f"sawn is {sawn!r}; allowed are {', '.join(SAWN)}")
    middle = ANY_WOOD.stiffness
    usual = (middle.across_pa / middle.along_pa, middle.shear_pa / middle.along_pa, middle.poisson_ratio)
    given = (species.across_ratio, species.shear_ratio, species.poisson_ratio) if species else (nan,) * 3
    quarter = [ratio if isfinite(ratio) else often for ratio, often in zip(given, usual, strict=True)]
    flat = [ratio * step for ratio, step in zip(quarter, FLAT_OVER_QUARTER, strict=True)]
    if species:
        flat = [ratio if isfinite(ratio) else often for ratio, often in zip(species.flat_ratios, flat, strict=True)]
    between = [sqrt(one * other) for one, other in zip(quarter, flat, strict=True)]
    across, shear, poisson = {"quarter": quarter, "flat": flat, "between": between}[sawn]
    along = SHEAR_IN_THE_TABLE * species.modulus_dry_pa if species else middle.along_pa
    known = isfinite(given[0])
    wider = 0.15 if sawn == "between" else 0.0
    return Expectation(
        Stiffness(along, across * along, shear * along, poisson),
        along_spread=0.25 if species else ANY_WOOD.along_spread,
        across_spread=(0.35 if known else ANY_WOOD.across_spread) + wider,
        shear_spread=(0.35 if known else ANY_WOOD.shear_spread) + wider,
    )


def _wood(
    name, latin, gravity, green, dry, across=nan, shear=nan, poisson=nan, volume=11.0, flat=(nan,) * 3, **more
) -> Species:
    return Species(name, latin, gravity, green * 1e9, dry * 1e9, across, shear, poisson, flat, volume, **more)


MEMORY = "transcribed; shrinkage from memory"
_ALL = (
    _wood("Sitka spruce", "Picea sitchensis", 0.40, 8.5, 10.8, 0.078, 0.064, 0.372, 11.5, intersection_percent=27.0,
          certainty=MEMORY, flat=(0.043, 0.061, 0.467)),
    _wood("Engelmann spruce", "Picea engelmannii", 0.35, 7.10, 8.96, 0.128, 0.124, 0.422, 11.0, certainty=MEMORY,
          flat=(0.059, 0.120, 0.462)),
    _wood("red spruce", "Picea rubens", 0.40, 9.17, 11.45, volume=11.8, intersection_percent=27.0, certainty=MEMORY),
    _wood("white spruce", "Picea glauca", 0.36, 7.86, 9.86),
    _wood("western redcedar", "Thuja plicata", 0.32, 6.48, 7.65, 0.081, 0.087, 0.378, 6.8, cautions=(TOXIC,),
          flat=(0.055, 0.086, 0.296)),
    _wood("Port-Orford cedar", "Chamaecyparis lawsoniana", 0.43, 8.96, 11.72, volume=10.1, cautions=(TOXIC,)),
    _wood("redwood", "Sequoia sempervirens", 0.40, 8.1, 9.2, volume=6.8, intersection_percent=21.0, certainty=MEMORY,
          cautions=(TOXIC,)),
    _wood("Douglas-fir", "Pseudotsuga menziesii", 0.48, 10.76, 13.44, 0.068, 0.064, volume=12.4,
          intersection_percent=24.0, flat=(0.050, 0.078, nan)),
    _wood("sugar maple", "Acer saccharum", 0.63, 10.7, 12.6, 0.132, 0.111, 0.424, 14.7, certainty=MEMORY,
          flat=(0.065, 0.063, 0.476)),
    _wood("red maple", "Acer rubrum", 0.54, 9.58, 11.31, 0.140, 0.133, 0.434, 12.6, certainty=MEMORY,
          flat=(0.067, 0.074, 0.509)),
    _wood("bigleaf maple", "Acer macrophyllum", 0.48, 7.58, 10.00, volume=11.6, certainty=MEMORY),
    _wood("black cherry", "Prunus serotina", 0.50, 9.0, 10.3, 0.197, 0.147, 0.392, 11.5, flat=(0.086, 0.097, 0.428)),
    _wood("black walnut", "Juglans nigra", 0.55, 9.79, 11.58, 0.106, 0.085, 0.495, 12.8, cautions=(TOXIC,),
          flat=(0.056, 0.062, 0.632)),
    _wood("mahogany", "Swietenia macrophylla", 0.485, 9.24, 10.34, 0.107, 0.066, 0.314, 7.8,
          certainty="transcribed; density from green wood", cautions=(PROTECTED, TOXIC), flat=(0.064, 0.086, 0.533)),
    _wood("African mahogany", "Khaya spp.", 0.450, 7.93, 9.65, 0.111, 0.088, volume=8.8,
          certainty="transcribed; density from green wood", cautions=(PROTECTED, TOXIC), flat=(0.050, 0.059, nan)),
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
    """A wood of the list by its name or its latin name, whatever its case, spaces and hyphens; None when not there.

    >>> find_species("Western Red-Cedar").name
    'western redcedar'
    """
    wanted = _letters(name)
    return next((s for s in _ALL if wanted and wanted in (_letters(s.name), _letters(s.latin))), None)


def _letters(name: str) -> str:
    return re.sub(r"[\W_]+", "", name).casefold()
