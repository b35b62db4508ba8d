"""Weather: what moist air, warm air and a damp guitar do to a mode, so that it is not taken for ageing.

Wood takes up water from damp air, grows heavier and softer, and its modes fall. The room's climate gives the
moisture content in balance with it; the guitar's own mass, where it was weighed, is the better witness. A mode
of the enclosed air follows the speed of sound besides.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import inf

import numpy as np

from .._frozen import frozen_array
from ..wood.moisture import equilibrium_moisture_percent
from .air_top_back import speed_of_sound_m_s
from .history import Series

OWN_SLOPE_SESSIONS = 6  # from so many sessions across seasons on, the guitar's own slope is used
OWN_SLOPE_SPREAD = 0.8  # standard deviation of moisture content, in % points: about 5 % of relative humidity
OWN_SLOPE_DAYS = 150.0
LAG_PERCENT = 0.5  # moisture content of the wood about that of the room (common practice, no source)
LAG_DAYS = 5.0  # thin plates come to balance in hours to days (from memory)

# Prior slopes of ln(value) as (mean, standard deviation), computed from handbook slopes that are from memory:
# top and back -0.2 +- 0.1 % for each % of relative humidity, air -0.08 +- 0.04; 1 % of humidity is 0.16 % of
# moisture content near 20 degrees. Wood damping rises by 10 to 15 % for 10 % of humidity. Mass: the wood is some
# eight tenths of a guitar, so 1 % of mass is 1.25 % of moisture content.
_SLOPES = {
    ("frequency", False): {"moisture": (-0.0125, 0.0065), "temperature": (-0.001, 0.0005)},
    ("frequency", True): {"moisture": (-0.005, 0.0025), "sound": (0.6, 0.3)},
    ("damping", False): {"moisture": (0.07, 0.04), "temperature": (0.0, 0.005)},
    ("damping", True): {"moisture": (0.03, 0.03), "temperature": (0.0, 0.005)},
}
_MASS_SHARE = 1.25
# How far the climate strays from its mean where nobody wrote it down: standard deviations, common practice.
_USUAL = {"moisture": 1.5, "temperature": 3.0, "sound": 0.005}


@dataclass(frozen=True, eq=False)
class WeatherTerms:
    """What the weather does to a series: value_log = ... + terms @ slopes, terms of shape (n, n_terms).

    `terms` are deviations from the reference climate. Slopes are known beforehand as `slope` +- `slope_u` (inf where
    the sessions themselves must tell). `extra_u` (n,) is what a session whose climate is unknown may be off.
    The room's climate of the day is not that of the wood, which follows some days late: sessions that lie
    d days apart share an error of standard deviation up to `lag_u` with the correlation exp(-d / LAG_DAYS).
    """

    names: tuple[str, ...]  # "moisture" or "mass", "temperature" or "sound"
    terms: np.ndarray
    slope: np.ndarray
    slope_u: np.ndarray
    extra_u: np.ndarray
    lag_u: float
    reference: tuple[tuple[str, float], ...]  # what "the reference climate" means, term by term
    notes: tuple[str, ...] = ()

    def first(self, count: int) -> WeatherTerms:
        """The terms of the first `count` sessions."""
        return replace(self, terms=frozen_array(self.terms[:count]), extra_u=frozen_array(self.extra_u[:count]))


def weather_terms(
    series: Series, *, count: int | None = None, reference_climate: tuple[float, float] | None = None
) -> WeatherTerms:
    """The weather's terms for a series.

    Moisture content comes from the room's climate after the USDA Wood Handbook, eq. 4-5, or, when the guitar was
    weighed at every session, from its mass. The reference climate is the mean over the sessions unless told, as
    (temperature in degrees Celsius, relative humidity in percent).
    The guitar's own slope stands where there are at least `OWN_SLOPE_SESSIONS` sessions over `OWN_SLOPE_DAYS` days
    with climates far enough apart; else the prior slope with its width. With `count` only the
    first so many sessions decide on that and on the mean: the others are there to be predicted.
    """
    n = len(series.day)
    prior = _SLOPES[series.quantity, series.of_air]
    known_count = n if count is None else count
    found, notes = [], []
    extra = np.zeros(n)
    lag_u = 0.0
    for kind, (usual, usual_u) in prior.items():
        weighed = kind == "moisture" and bool(np.isfinite(series.mass_g).all())
        name, scale = ("mass", _MASS_SHARE) if weighed else (kind, 1.0)
        climate = series.temperature_c, series.relative_humidity_percent
        values, largest = series.mass_g if weighed else _of_climate(kind, *climate), abs(usual) + usual_u
        known = np.isfinite(values)
        before = known & (np.arange(n) < known_count)
        extra += np.where(known & before.any(), 0.0, (largest * _USUAL[kind]) ** 2)
        if kind == "moisture" and not known.all():
            which = "any" if not known.any() else f"{n - int(known.sum())} of {n}"
            notes.append(f"The humidity was not noted for {which} sessions: there a change may be the weather's.")
        if not before.any():
            continue
        centre = float(values[before].mean())
        if reference_climate is not None and not weighed:
            centre = float(_of_climate(kind, *reference_climate))
        term = 100 * np.log(values / centre) if weighed else np.where(known, values - centre, 0.0)
        slope, slope_u = usual * scale, usual_u * scale
        if kind == "moisture":
            lag_u = 0.0 if weighed else largest * LAG_PERCENT
            across = np.ptp(series.day[before]) >= OWN_SLOPE_DAYS and term[before].std() * scale >= OWN_SLOPE_SPREAD
            if before.sum() >= OWN_SLOPE_SESSIONS and across:
                slope, slope_u = 0.0, inf
                notes.append("The weather is taken out by this guitar's own answer to it.")
            else:
                notes.append(
                    "Too few sessions across the seasons to know this guitar's own answer to the weather: a usual one "
                    "is used, with its width."
                )
        found.append((name, term, slope, slope_u, centre))
    names, terms, slopes, slopes_u, centres = zip(*found, strict=True) if found else ((),) * 5
    return WeatherTerms(
        names,
        frozen_array(np.array(terms).reshape(len(names), n).T),
        frozen_array(slopes),
        frozen_array(slopes_u),
        frozen_array(np.sqrt(extra)),
        lag_u,
        tuple(zip(names, centres, strict=True)),
        tuple(notes),
    )


def _of_climate(kind, temperature_c, humidity_percent):
    """What the climate says of a term, NaN where it was not noted."""
    if kind == "temperature":
        return np.asarray(temperature_c, dtype=float)
    humidity = np.nan_to_num(humidity_percent, nan=50.0)
    if kind == "sound":
        return np.log(speed_of_sound_m_s(temperature_c, relative_humidity_percent=humidity))
    celsius = np.nan_to_num(temperature_c, nan=20.0)  # it matters little
    found = equilibrium_moisture_percent(temperature_c=celsius, relative_humidity_percent=np.minimum(humidity, 98.0))
    return np.where(np.isfinite(humidity_percent), found, np.nan)
