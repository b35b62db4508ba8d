"""The box as a bottle: its frequency from volume and soundhole, held against what the taps say.

The air that moves reaches beyond the hole on both sides, and textbooks differ by how much: in radii of the hole,
16 / (3 pi) = 1.70 for a wide flange on both sides, pi / 2 = 1.57 for a hole in a thin wall (Rayleigh), 0.85 + 0.61
= 1.46 with a flange on one side only (all from memory). That moves the box by 7 %, so the correction and its
uncertainty are always said.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import hypot, isfinite, pi, sqrt

from ..errors import LuthkitError
from .air_top_back import speed_of_sound_m_s

END_CORRECTION, END_CORRECTION_U = 1.60, 0.07  # radii, both sides together: the middle and spread of the above
TOP_THICKNESS_M = 0.003
LARGEST_DISAGREEMENT = 0.05


def box_frequency_hz(
    volume_m3: float,
    hole_radius_m: float,
    *,
    thickness_m: float = TOP_THICKNESS_M,
    end_correction: float = END_CORRECTION,
    temperature_c: float = 20.0,
) -> float:
    """Helmholtz: f = (c / 2 pi) sqrt(S / (V L)), L = thickness + end_correction * radius (euphonics.org, 4.2.1).

    >>> print(round(box_frequency_hz(0.0135, 0.0425, end_correction=16 / (3 * pi)), 1))
    129.2

    Raises `LuthkitError` for a volume or radius that is not above zero.
    """
    for name, value in (("volume_m3", volume_m3), ("hole_radius_m", hole_radius_m)):
        if not (isfinite(value) and value > 0):
            raise LuthkitError(f"{name} is {value}; give a size above 0")
    length = thickness_m + end_correction * hole_radius_m
    return speed_of_sound_m_s(temperature_c) / (2 * pi) * sqrt(pi * hole_radius_m**2 / (volume_m3 * length))


@dataclass(frozen=True)
class BoxCheck:
    """The box from its measures and from taps, and what their disagreement hints at."""

    from_measures_hz: float
    from_measures_u_hz: float
    from_taps_hz: float
    from_taps_u_hz: float
    disagreement: float  # taps over measures, less 1
    disagreement_u: float
    verdict: str  # "they agree", "they disagree" or "cannot tell"
    sentence: str


def check_box(
    *,
    from_taps_hz: float,
    from_taps_u_hz: float,
    volume_m3: float,
    hole_radius_m: float,
    volume_u: float = 0.03,
    hole_radius_u: float = 0.01,
    temperature_c: float = 20.0,
) -> BoxCheck:
    """Hold the box frequency that open and plugged taps gave (`uncouple`) against volume and soundhole.

    `volume_u` and `hole_radius_u` are relative. "they disagree" needs both more than 5 % and more than twice the
    error; where the error is too large to exclude 5 %, the answer is "cannot tell".
    """
    measured = box_frequency_hz(volume_m3, hole_radius_m, temperature_c=temperature_c)
    ends = END_CORRECTION * hole_radius_m / (TOP_THICKNESS_M + END_CORRECTION * hole_radius_m)
    relative_u = 0.5 * hypot(volume_u, (2 - ends) * hole_radius_u, ends * END_CORRECTION_U / END_CORRECTION)
    gap = from_taps_hz / measured - 1
    gap_u = hypot(from_taps_u_hz / from_taps_hz, relative_u) * (1 + gap)
    if abs(gap) - 2 * gap_u > 0 and abs(gap) > LARGEST_DISAGREEMENT:
        verdict = "they disagree"
        hint = "a mode may have the wrong name, the plug may leak, or the volume is not what was said"
    elif abs(gap) + 2 * gap_u < 2 * LARGEST_DISAGREEMENT:
        verdict, hint = "they agree", "names and plug fit the measures of the box"
    else:
        verdict, hint = "cannot tell", "the errors are too large to tell agreement from a disagreement of 5 %"
    sentence = (
        f"Box from volume and soundhole {measured:.1f} ± {measured * relative_u:.1f} Hz (end correction "
        f"{END_CORRECTION:.2f} radii), from the taps {from_taps_hz:.1f} ± {from_taps_u_hz:.1f} Hz: {verdict}; {hint}."
    )
    return BoxCheck(measured, measured * relative_u, from_taps_hz, from_taps_u_hz, gap, gap_u, verdict, sentence)
