"""Random guitars: the lowest modes against the identities of coupled oscillators, in every condition."""

import numpy as np
import pytest

from luthkit.simulate import AirTopBack, random_guitar
from luthkit.simulate.guitars import KINDS, NAMES

QUIET = AirTopBack(top_q=1e9, air_q=1e9, back_q=1e9)


def hz(poles):
    return np.abs(poles) / (2 * np.pi)


def test_plug_sum_rule():
    """Open less plugged, the sum of squares is that of the rigid cavity: the trace of the matrix (Fletcher and
    Rossing, ch. 9, from memory)."""
    opened, plugged = hz(QUIET.modes()[0]), hz(QUIET.modes(plugged=True)[0])
    hole = np.pi * QUIET.hole_radius_m**2
    helmholtz = 343.2 / (2 * np.pi) * np.sqrt(hole / (QUIET.volume_m3 * QUIET.hole_length_m))
    assert np.sum(opened**2) - np.sum(plugged**2) == pytest.approx(helmholtz**2, rel=1e-9)
    assert len(plugged) == 2 and np.all(plugged < opened[1:])


def test_a_blocked_back_leaves_the_two_masses_of_air_and_top():
    """f- f+ = f_top f_h for the two-mass model (Christensen and Vistisen 1980, from memory)."""
    low, high = hz(QUIET.modes(back_blocked=True)[0])
    top = np.sqrt(QUIET.top_stiffness_n_m / QUIET.top_mass_kg) / (2 * np.pi)
    hole = np.pi * QUIET.hole_radius_m**2
    helmholtz = 343.2 / (2 * np.pi) * np.sqrt(hole / (QUIET.volume_m3 * QUIET.hole_length_m))
    assert low * high == pytest.approx(top * helmholtz, rel=1e-9)
    _, residues = QUIET.modes(back_blocked=True)
    assert np.all(residues[:, 1] == 0) and np.all(residues[:, 0] != 0)


def test_the_share_of_the_top_tells_top_from_back():
    apart = AirTopBack(back_stiffness_n_m=6e5)
    share = apart.top_share()
    assert share[1] > 0.95 and share[2] < 0.05 and np.all((share >= 0) & (share <= 1))


@pytest.mark.parametrize("kind", KINDS)
def test_a_guitar_answers_to_what_is_done_to_it(kind):
    guitar = random_guitar(np.random.default_rng(5), kind)
    usual = guitar.body()
    found = dict(zip(usual.labels, usual.frequency_hz, strict=True))
    assert guitar.body_kind == kind and set(NAMES) - {"whole-body bending"} <= set(usual.labels)
    assert "air" not in guitar.body("soundhole plugged").labels
    assert "main back" not in guitar.body("back blocked").labels
    loaded = guitar.body("mass at bridge", added_mass_g=10)
    moved = dict(zip(loaded.labels, loaded.frequency_hz, strict=True))
    assert moved["main top"] < 0.985 * found["main top"]
    assert moved["cross dipole"] == pytest.approx(found["cross dipole"], rel=0.005)
    dipole = usual.residues[usual.labels.index("cross dipole")]
    assert np.real(dipole[1] * np.conj(dipole[2])) < 0 < np.real(usual.residues[0, 1] * np.conj(usual.residues[0, 2]))


def test_guitars_of_one_seed_are_the_same_and_of_another_are_not():
    first, again, other = (random_guitar(np.random.default_rng(seed)).body() for seed in (1, 1, 2))
    assert np.array_equal(first.poles, again.poles) and first.poles[0] != other.poles[0]
