"""Moisture: what wood holds in a climate, and what that does to its stiffness and density.

Source throughout: *Wood Handbook*, USDA Forest Products Laboratory, FPL-GTR-282 (2021), as copied by others. Its
curve lies midway between drying and wetting wood, and is a guide, not a measurement: weigh the piece to know.
"""

from __future__ import annotations

from math import log

import numpy as np

from ..errors import LuthkitError

SORPTION_U_PERCENT = 0.5  # moisture of real wood about the curve; drying and wetting differ by 1 to 2 (from memory)
INTERSECTION_PERCENT = 25.0  # table 5-13, the usual species; above it strength no longer changes
SATURATION_PERCENT = 30.0  # fibre saturation point, eq. 4-9
# relative change per percent of moisture, from the middle trend 6 % to 20 % (table 5-14, from memory)
ALONG_PER_PERCENT = -log(1.09 / 0.87) / 14
ACROSS_PER_PERCENT = -log(1.20 / 0.77) / 14
SHEAR_PER_PERCENT = -log(1.20 / 0.80) / 14


def equilibrium_moisture_percent(*, temperature_c, relative_humidity_percent):
    """Moisture content, percent of the dry mass, that wood comes to in a steady climate; eq. 4-5, Celsius.

    Numbers or arrays of one shape. Raises LuthkitError outside -20 to 100 C and 0 to 98 % humidity.

    >>> round(equilibrium_moisture_percent(temperature_c=20, relative_humidity_percent=50), 2)
    9.27
    """
    t = np.asarray(temperature_c, float)
    h = np.asarray(relative_humidity_percent, float) / 100
    if not (np.all((t >= -20) & (t <= 100)) and np.all((h >= 0) & (h <= 0.98))):
        raise LuthkitError(
            f"{temperature_c} °C and {relative_humidity_percent} % of humidity: wood's moisture is known from -20 to "
            "100 °C and from 0 to 98 %; give a climate between"
        )
    w = 349 + 1.29 * t + 0.0135 * t**2
    k = 0.805 + 0.000736 * t - 0.00000273 * t**2
    k1 = 6.27 - 0.00938 * t - 0.000303 * t**2
    k2 = 1.91 + 0.0407 * t - 0.000293 * t**2
    bound = k1 * k * h + k1 * k2 * (k * h) ** 2
    found = 1800 / w * (k * h / (1 - k * h) + (bound + k1 * k2 * (k * h) ** 2) / (1 + bound))
    return float(found) if found.ndim == 0 else found


def equilibrium_slopes(*, temperature_c: float, relative_humidity_percent: float) -> tuple[float, float]:
    """How the equilibrium moves: percent of moisture per percent of humidity, and per degree Celsius.

    >>> [round(slope, 3) for slope in equilibrium_slopes(temperature_c=20, relative_humidity_percent=48)]
    [0.158, -0.024]
    """

    def at(t, h):
        return equilibrium_moisture_percent(temperature_c=t, relative_humidity_percent=h)

    t, h = temperature_c, relative_humidity_percent
    dry, wet = max(h - 0.5, 0), min(h + 0.5, 98)
    cold, warm = max(t - 0.5, -20), min(t + 0.5, 100)
    return (at(t, wet) - at(t, dry)) / (wet - dry), (at(warm, h) - at(cold, h)) / (warm - cold)


def equilibrium_moisture_u_percent(
    *,
    temperature_c: float,
    relative_humidity_percent: float,
    temperature_u_c: float = 0.5,
    relative_humidity_u_percent: float = 2.0,
) -> float:
    """Standard uncertainty of that moisture: the two meters, and `SORPTION_U_PERCENT` for the wood itself."""
    by_h, by_t = equilibrium_slopes(temperature_c=temperature_c, relative_humidity_percent=relative_humidity_percent)
    parts = by_h * relative_humidity_u_percent, by_t * temperature_u_c, SORPTION_U_PERCENT
    return float(np.linalg.norm(parts))


def stiffness_slope(*, green_ratio: float, intersection_percent: float = INTERSECTION_PERCENT) -> float:
    """Relative change of a stiffness per percent of moisture: -ln(P12 / Pg) / (Mp - 12), from eq. 5-3.

    green_ratio: P12 / Pg, the property at 12 % over that of green wood.
    """
    if not green_ratio > 0 or not intersection_percent > 12:
        raise LuthkitError(
            f"green_ratio is {green_ratio}, intersection_percent {intersection_percent}; "
            "the first is positive, the second above 12"
        )
    return -log(green_ratio) / (intersection_percent - 12)


def stiffness_factor(*, from_percent: float, to_percent: float, slope: float) -> float:
    """What a stiffness is multiplied with when moisture goes from one value to another: exp(slope (to - from)).

    With `stiffness_slope` this is eq. 5-3, P = P12 (P12 / Pg)^((12 - M) / (Mp - 12)), from any start; the
    slopes `ALONG_PER_PERCENT`, `ACROSS_PER_PERCENT` and `SHEAR_PER_PERCENT` are its middle trend.

    >>> sitka = stiffness_slope(green_ratio=10.8 / 8.5, intersection_percent=27)
    >>> round(10.8 * stiffness_factor(from_percent=12, to_percent=8, slope=sitka), 3)
    11.512
    """
    for name, value in (("from_percent", from_percent), ("to_percent", to_percent)):
        if not 0 <= value <= SATURATION_PERCENT:
            raise LuthkitError(f"{name} is {value}; moisture lies between 0 and {SATURATION_PERCENT:g} % here")
    return float(np.exp(slope * (to_percent - from_percent)))


def size_factor(*, from_percent: float, to_percent: float, shrinkage_percent: float) -> float:
    """What a width is multiplied with: S_M = S_0 (1 - M / 30), eq. 4-9, S_0 the shrinkage green to oven-dry.

    With the shrinkage of the volume (table 4-3) it is the factor of the volume.
    """
    share = shrinkage_percent / 100

    def size(moisture):
        return 1 - share * (1 - min(moisture, SATURATION_PERCENT) / SATURATION_PERCENT)

    return size(to_percent) / size(from_percent)


def density_factor(*, from_percent: float, to_percent: float, volume_shrinkage_percent: float = 11.0) -> float:
    """What a density is multiplied with: water taken up, (1 + M / 100), over the swelling of the volume."""
    water = (1 + to_percent / 100) / (1 + from_percent / 100)
    return water / size_factor(
        from_percent=from_percent, to_percent=to_percent, shrinkage_percent=volume_shrinkage_percent
    )
