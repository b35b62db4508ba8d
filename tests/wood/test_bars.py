"""Bars against the frequency equation in closed form, published constants, and ASTM E1876 as remembered."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.linalg import block_diag, eigh

from luthkit import LuthkitError
from luthkit.wood.bars import (
    Bar,
    astm_modulus_pa,
    bending_frequencies_hz,
    torsion_constant,
    torsion_frequency_hz,
)

DURAL = Bar(length_m=0.160, width_m=0.025, thickness_m=0.008, mass_kg=0.0864)
SMALL = Bar(length_m=0.100, width_m=0.020, thickness_m=0.0045, mass_kg=0.070650)
STRIP = Bar(length_m=0.400, width_m=0.030, thickness_m=0.004, mass_kg=0.02016)


def slender(thickness=1e-4):
    return Bar(length_m=1.0, width_m=0.01, thickness_m=thickness, mass_kg=1e-2 * thickness * 1000)


def test_a_slender_bar_has_the_roots_of_cos_cosh():
    """cos x cosh x = 1 (Euler-Bernoulli): squares of its roots."""
    squares = [22.3732854481, 61.6728228679, 120.903391727, 199.859448127, 298.555535298, 416.990785835]
    per_lambda = 1e-4 / (12**0.5 * 2 * np.pi) * 1000
    found = bending_frequencies_hz(slender(), modulus_pa=1e9, n_modes=6) / per_lambda
    np.testing.assert_allclose(found, squares, rtol=1e-5)


def ritz_lambdas(inertia, softness, degree=18):
    """The same bar by another road: Legendre polynomials for deflection and slope in Timoshenko's energy."""
    points, weights = np.polynomial.legendre.leggauss(degree + 2)
    value = np.polynomial.legendre.legvander(points, degree).T
    slope = np.array([np.polynomial.legendre.Legendre.basis(k).deriv()(points) * 2 for k in range(degree + 1)])
    mass, mixed, slopes = ((a * weights / 2) @ b.T for a, b in ((value, value), (slope, value), (slope, slope)))
    stiff = np.block([[slopes / softness, -mixed / softness], [-mixed.T / softness, slopes + mass / softness]])
    return np.sqrt(eigh(stiff, block_diag(mass, inertia * mass), eigvals_only=True)[2:8])


@settings(max_examples=25, deadline=None)
@given(thin=st.floats(0.02, 0.15), ratio=st.floats(1.5, 20))
def test_bending_agrees_with_a_ritz_solution(thin, ratio):
    bar = Bar(length_m=1.0, width_m=0.2, thickness_m=thin, mass_kg=0.2 * thin * 1000)
    per_lambda = 1000 * thin / (12**0.5 * 2 * np.pi)
    found = bending_frequencies_hz(bar, modulus_pa=1e9, modulus_ratio=ratio, n_modes=6) / per_lambda
    np.testing.assert_allclose(found, ritz_lambdas(thin**2 / 12, thin**2 / 10 * ratio), rtol=1e-6)


def test_bending_and_back_on_a_metal_bar():
    """Aluminium, E = 72 GPa, nu = 0.33: Timoshenko 1643.74 Hz (kappa 5/6), 1643.87 Hz (Cowper), Euler 1658.80 Hz."""
    ratio, cowper = 2 * 1.33, 10 * 1.33 / (12 + 11 * 0.33)
    assert bending_frequencies_hz(DURAL, modulus_pa=72e9, modulus_ratio=ratio)[0] == pytest.approx(1643.7368, rel=1e-6)
    there = bending_frequencies_hz(DURAL, modulus_pa=72e9, modulus_ratio=ratio, shear_factor=cowper)[0]
    assert there == pytest.approx(1643.8720, rel=1e-6)
    assert astm_modulus_pa(DURAL, frequency_hz=1643.7368, poisson_ratio=0.33) == pytest.approx(71.9954e9, rel=1e-5)


def test_astm_e1876_formula_vectors():
    """Computed from the formula (from memory), mu = 0.29: E = 207.317887 GPa; a strip 11.258462."""
    assert astm_modulus_pa(SMALL, frequency_hz=2360, poisson_ratio=0.29) == pytest.approx(207.317887e9, rel=2e-7)
    assert astm_modulus_pa(STRIP, frequency_hz=133.0) == pytest.approx(11.258462e9, rel=2e-7)


def test_the_standard_and_the_exact_bar_agree_for_metal_and_part_for_wood():
    for thin in (0.02, 0.05, 0.1):
        bar = Bar(length_m=0.2, width_m=0.03, thickness_m=0.2 * thin, mass_kg=0.05)
        exact, wood = (
            1e9 * (1000.0 / bending_frequencies_hz(bar, modulus_pa=1e9, modulus_ratio=ratio)[0]) ** 2
            for ratio in (2.6, 15.0)
        )
        assert astm_modulus_pa(bar, frequency_hz=1000.0, poisson_ratio=0.3) == pytest.approx(exact, rel=2e-3)
        assert wood > exact * (1 + 6 * thin**2)


def test_torsion_constants_of_rectangles():
    """J / (b t^3), Timoshenko and Goodier, Theory of Elasticity (table of the rectangular bar)."""
    for ratio, constant in ((1, 0.1406), (1.5, 0.196), (2, 0.229), (3, 0.263), (5, 0.291), (10, 0.312)):
        assert torsion_constant(ratio) == pytest.approx(constant, abs=6e-4)
    assert torsion_constant(2.0) == pytest.approx(0.228682, abs=1e-6)


def test_torsion():
    """Aluminium bar above, G = 27.0677 GPa: 5388.8798 Hz after Saint-Venant; the second mode twice that."""
    assert torsion_frequency_hz(DURAL, shear_modulus_pa=72e9 / 2.66) == pytest.approx(5388.8798, rel=1e-6)
    second = torsion_frequency_hz(DURAL, shear_modulus_pa=72e9 / 2.66, mode=2)
    assert second == pytest.approx(2 * 5388.8798, rel=1e-6)


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: Bar(length_m=160, width_m=25, thickness_m=80, mass_kg=0.1), "metres"),
        (lambda: Bar(length_m=0.1, width_m=0.01, thickness_m=-1, mass_kg=0.1), "thickness_m is -1"),
        (lambda: bending_frequencies_hz(DURAL, modulus_pa=float("nan")), "modulus_pa is nan"),
        (lambda: bending_frequencies_hz(DURAL, modulus_pa=1e9, modulus_ratio=-1), "modulus_ratio is -1"),
        (lambda: bending_frequencies_hz(DURAL, modulus_pa=1e9, n_modes=9), "9 bending modes"),
    ],
)
def test_what_makes_no_sense_is_refused(call, words):
    with pytest.raises(LuthkitError, match=words):
        call()
