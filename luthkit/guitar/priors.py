"""What is known of the low modes before a guitar is heard: wide, overlapping, and never enough for a name.

Ranges of frequency and Q are from memory (Fletcher and Rossing, The Physics of Musical Instruments, ch. 9; Jansson,
Acoustics for Violin and Guitar Makers, ch. VI; Meyer; Richardson), made wider on purpose. How a mode answers to a plug,
a mass or a blocked back, how loud it is, and how the places differ has no source of its own: those centres were written
with the simulated guitars of `luthkit.simulate` in view (air, top and back as coupled oscillators, Christensen 1984,
from memory; shapes invented there), and the spreads are a judgement. Figures measured on those same guitars are
therefore kinder than a real workshop will be. Every quantity is taken as Student's t with four degrees of
freedom, whose heavy tails leave room for the odd guitar.
"""

from __future__ import annotations

from math import log

import numpy as np

NAMES = ("air", "main top", "main back", "cross dipole", "long dipole", "first cavity mode", "whole-body bending")
AIR, TOP, BACK = NAMES[:3]
UNNAMED = "no name"
ALL_NAMES = (*NAMES, UNNAMED)
CONDITIONS = ("soundhole plugged", "back blocked", "mass at bridge")
BODY_KINDS = ("classical", "small steel-string", "large steel-string")

_BENDING_HZ = (50, 88)
FREQUENCY_HZ = {  # about nine guitars of ten lie inside
    "classical": ((86, 112), (160, 225), (185, 275), (215, 335), (335, 485), (355, 435), _BENDING_HZ),
    "small steel-string": ((92, 122), (163, 226), (192, 266), (252, 395), (325, 475), (355, 445), _BENDING_HZ),
    "large steel-string": ((82, 110), (150, 210), (174, 250), (225, 365), (305, 435), (325, 405), _BENDING_HZ),
}
Q_FACTOR = ((14, 38), (14, 42), (18, 48), (26, 64), (26, 64), (26, 64), (18, 80), (16, 70))

# Which mode lies above which: (lower, upper, odds against the other order)
ORDER = (
    ("whole-body bending", "air", 20),
    ("air", "main top", 100),
    ("air", "main back", 100),
    ("air", "cross dipole", 100),
    ("main top", "main back", 2),
    ("main top", "cross dipole", 30),
    ("main back", "cross dipole", 8),
    ("main top", "long dipole", 50),
    ("main back", "long dipole", 50),
    ("cross dipole", "long dipole", 8),
    ("cross dipole", "first cavity mode", 8),
    ("long dipole", "first cavity mode", 1.3),
)

#                       air top  back  cross long cavity bending
FOUND_AT_THE_CENTRE = (0.93, 0.97, 0.85, 0.45, 0.85, 0.75, 0.35)  # chance that a mode is among those read
FOUND_AT_THE_WINGS = (0.93, 0.97, 0.85, 0.85, 0.85, 0.75, 0.35)

# (centre, spread) for each of ALL_NAMES
LEVEL_AT_CENTRE_DB = ((-9, 7), (-1.5, 4), (-11, 9), (-25, 9), (-14, 8), (-20, 8), (-24, 9), (-18, 11))
LEVEL_AT_WINGS_DB = ((-9, 7), (-1.5, 4), (-11, 9), (-8, 8), (-13, 8), (-20, 8), (-22, 9), (-18, 11))
CENTRE_TO_WING_DB = ((3, 2.5), (3, 2.5), (3, 2.5), (-16, 7), (1, 3.5), (1.5, 3), (0, 4), (1, 8))
BACK_TO_CENTRE_DB = ((-3, 6), (-9, 7), (7, 8), (0, 9), (-12, 8), (3, 6), (0, 5), (0, 10))
RIM_TO_CENTRE_DB = ((-18, 7), (-18, 7), (-16, 7), (-3, 10), (-12, 7), (-8, 7), (0, 4), (-3, 9))
OPPOSITE_WINGS = (0.02, 0.02, 0.03, 0.96, 0.05, 0.05, 0.1, 0.4)  # wings against each other

# When the condition is made: (chance that the mode is still there, shift of the frequency in percent, its spread)
PLUGGED = ((0.06, -8, 8), (0.93, -4, 2.6), (0.88, -1.5, 1.6), (0.85, 0, 0.5), (0.85, -0.2, 0.6), (0.85, 0, 1.2))
PLUGGED += ((0.7, 0, 0.4), (0.75, -0.2, 1.0))
BACK_BLOCKED = ((0.9, 1.2, 1.0), (0.93, 1.7, 2.5), (0.06, 3, 6), (0.85, 0, 0.5), (0.85, 0, 0.6), (0.85, 0, 0.8))
BACK_BLOCKED += ((0.4, 0, 3), (0.55, 0, 1.0))
MASS_10_G = ((0.9, -1.1, 0.7), (0.93, -5, 2), (0.88, -0.6, 1.0), (0.85, -0.2, 0.3), (0.85, -1.1, 0.8))
MASS_10_G += ((0.85, -0.3, 0.3), (0.7, -0.3, 0.3), (0.75, -0.8, 1.0))

KNOCK_MATCH = (*(0.03,) * 7, 0.15)  # chance that a mode of the body stands where the room has one
STRING_MATCH = (*(0.04,) * 7, 0.15)  # chance of standing, narrow, at the pitch of an open string
ROOM_KIND = (*(0.05,) * 7, 0.2)  # chance that the reading suspects the room
STRING_KIND = (*(1e-5,) * 7, 0.1)  # Q above 200 is no body: common practice, no source
OPEN_STRINGS_HZ = (82.407, 110.0, 146.832, 195.998, 246.942, 329.628)  # E2 to E4 at 440 Hz, ISO 16 (from memory)


def density(x, centre, spread) -> np.ndarray:
    """Student's t with four degrees of freedom: 3/8 (1 + z^2 / 4)^(-5/2) / spread, z = (x - centre) / spread.

    >>> round(float(density(0.0, 0.0, 1.0)), 4)
    0.375
    """
    z = (np.asarray(x, float) - centre) / spread
    return 0.375 * (1 + z * z / 4) ** -2.5 / spread


def in_range(low: float, high: float) -> tuple[float, float]:
    """Centre and spread, as natural logarithms, of a range that holds about nine of ten.

    >>> centre, spread = in_range(90.0, 110.0)
    >>> round(float(np.exp(centre)), 2), round(spread, 4)
    (99.5, 0.0478)
    """
    return (log(low) + log(high)) / 2, log(high / low) / 4.2


def unnamed_modes(frequency_hz) -> np.ndarray:
    """How many modes without a name of their own there are to one unit of ln frequency.

    Few below the dipoles, then one to every 60 Hz of plate and back (common practice, no source).
    """
    f = np.asarray(frequency_hz, float)
    return 0.7 + f / 60 / (1 + (420 / f) ** 8)
