"""What the standing wave of the box does to the low modes, against a guitar with the wave as a fourth oscillator."""

import numpy as np
import pytest
from bodies import PLAIN

from luthkit.guitar.standing_wave import PLACES, WAVE_HZ, log_shifts


@pytest.mark.parametrize("still", [{}, {"soundhole_plugged": True}, {"back_blocked": True}])
def test_a_fourth_oscillator_does_the_same(still):
    """Cavity modes of a hard-walled box (Morse and Ingard, ch. 9, from memory): p ~ cos(pi x / L), norm V / 2. The
    wave by itself is the oscillator of stiffness 2 mu w^2 at WAVE_HZ; it pulls on pistons by 2 mu w g A."""
    keep = [0] + [1] * ("soundhole_plugged" not in still) + [2] * ("back_blocked" not in still)
    mass, _, stiffness = PLAIN.matrices()
    own = 1.0
    areas = np.array([PLAIN.top_area_m2, np.pi * PLAIN.hole_radius_m**2, PLAIN.back_area_m2])
    push = np.append((np.cos(np.pi * np.array(PLACES)) * areas)[keep], own)
    double = 2 * PLAIN.cavity_stiffness_pa_m3
    full = np.zeros((len(keep) + 1,) * 2)
    full[:-1, :-1] = stiffness[np.ix_(keep, keep)]
    full += double * np.outer(push, push)
    heavy = np.append(mass[keep], double * own**2 / (2 * np.pi * WAVE_HZ) ** 2)
    root = 1 / np.sqrt(heavy)
    square = np.linalg.eigvalsh(root[:, None] * full * root)
    truth = np.log(np.sqrt(square[:-1]) / (2 * np.pi) / PLAIN.modes(**still).frequency_hz)
    found = log_shifts(PLAIN, **still)
    assert np.all(truth < 0) and found == pytest.approx(truth, rel=0.25, abs=2e-4)
