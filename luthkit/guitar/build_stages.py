"""While a guitar is built: what each stage has told, what is still to be expected, and what can still be changed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import isfinite

from .choosing import Target, chance_within, steps_of, with_reference
from .design import BOX, BRACED, FINISHED
from .planning import Calibration, Forecast
from .wood_set import WoodSet

DUST = "Dust of some woods harms skin and lungs: mask and extraction, as the rules of your place ask."
LIMIT = "This thickness lies under the design's structural limit. Do not thin a plate below it on luthkit's word."
NO_LIMIT = "The design names no structural limit: ask one who knows its strength before you thin a plate."
STRINGS = "Strings are under tension: mind your eyes, and slacken them evenly before work at bridge or saddle."
CARE = (
    "Do not thin a top below the design's structural limit on luthkit's word: strings pull for decades.",
    DUST,
    STRINGS,
    "Protected woods need their papers: the law of your place and of your customer's holds.",
    "Above all a forecast is one: tap at each stage, and let the ear decide.",
)


@dataclass(frozen=True)
class Stage:
    """A stage of a build. What can be changed at it is common practice, without a source."""

    name: str
    measured: tuple[str, ...]  # what is tapped at it
    can_change: tuple[str, ...]
    caution: str = ""


STAGES = (
    Stage("before cutting", (), ("the choice of top and back", "all else that the design leaves open"), DUST),
    Stage(
        "braced plates",
        BRACED,
        ("height and ends of the braces, in small steps with a tap after each", "the other plate, if it is not glued"),
        DUST,
    ),
    Stage(
        "closed box",
        BOX,
        ("mass and stiffness of the bridge", "the edge of the soundhole", "thinning at the edge, within the limit"),
        DUST,
    ),
    Stage("strung", FINISHED, ("saddle, pins and strings", "the humidity of the room"), STRINGS),
)


@dataclass(frozen=True, eq=False)
class Progress:
    """One stage of one guitar: the forecast with all that was measured up to it."""

    stage: Stage
    measured: Mapping[str, tuple[float, float]]  # at this stage
    forecast: Forecast
    chance: float
    steps: Mapping[str, tuple[float, float]]


def follow(
    calibration: Calibration, top: WoodSet, back: WoodSet, measured: Mapping[str, tuple[float, float]], target: Target
) -> tuple[Progress, ...]:
    """The forecast before cutting and after each stage that was tapped; raises LuthkitError for unknown quantities."""
    calibration, target = with_reference(calibration, target)
    forecast, told = calibration.forecast(top, back), []
    for stage in STAGES:
        new = {name: pair for name, pair in measured.items() if name in stage.measured}
        if new or not stage.measured:
            forecast = forecast.given(new)
            told.append(Progress(stage, new, forecast, chance_within(forecast, target), steps_of(forecast, target)))
    return tuple(told)


@dataclass(frozen=True, eq=False)
class ThicknessStep:
    """What one plate a step thicker or thinner would do, if the design allowed it."""

    plate: str  # "top" or "back"
    change_m: float
    forecast: Forecast
    chance: float
    caution: str


def thickness_steps(
    calibration: Calibration, top: WoodSet, back: WoodSet, target: Target, *, step_m: float = 1e-4
) -> tuple[ThicknessStep, ...]:
    """Top and back a step thinner and thicker than the design, each alone."""
    calibration, target = with_reference(calibration, target)
    steps = []
    for side in ("top", "back"):
        plate = getattr(calibration.design, side)
        for change in (-step_m, step_m):
            thickness = plate.thickness_m + change
            forecast = calibration.forecast(top, back, **{f"{side}_thickness_m": thickness})
            caution = ""
            if change < 0:
                limit = plate.least_thickness_m
                caution = NO_LIMIT if not isfinite(limit) else LIMIT if thickness < limit - 1e-9 else ""
            steps.append(ThicknessStep(side, change, forecast, chance_within(forecast, target), caution))
    return tuple(steps)
