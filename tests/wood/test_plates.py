"""Free plates against converged and published tables and identities."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from luthkit import LuthkitError
from luthkit.wood.plates import Plate, Stiffness, modes_of, per_mass, plate_modes, square_frequencies

# omega a^2 sqrt(rho h / D), nu = 0.3: Rayleigh-Ritz with 20 x 20 Legendre products, stable to six digits
CONVERGED = {
    0.4: (3.4326, 5.2782, 9.5406, 11.3285, 18.6273, 18.9229),
    2 / 3: (8.9313, 9.5170, 20.5987, 22.1822, 25.6504, 29.7910),
    1: (13.4682, 19.5961, 24.2702, 34.8009, 34.8009, 61.0932, 61.0932, 63.6861, 69.2654, 77.1717),
    1.5: (20.0955, 21.4133, 46.3470, 49.9099, 57.7135, 67.0297),
    2.5: (21.4539, 32.9890, 59.6287, 70.8032, 116.4208, 118.2681),
}
LEISSA = {  # Journal of Sound and Vibration 31 (1973) 257, F-F-F-F (from memory): upper bounds
    0.4: (3.4629, 5.2881, 9.6220, 11.437, 18.793, 19.100),
    2 / 3: (8.9459, 9.6015, 20.735, 22.353, 25.867, 29.973),
    1: (13.489, 19.789, 24.432, 35.024, 35.024, 61.526),
    1.5: (20.128, 21.603, 46.654, 50.293, 58.201),
    2.5: (21.643, 33.050, 60.137, 71.484, 117.45, 119.38),
}
POISSON = {  # square plate, the same Ritz solution; nu = 0 is two beams
    0: (15.8226, 22.3733, 22.3733, 38.6943, 38.6943, 61.6728, 61.6728, 70.4276),
    0.2: (14.3225, 20.6346, 23.7343, 36.3357, 36.3357, 61.4380, 61.4380, 66.2537),
    0.4: (12.5299, 18.4167, 24.6896, 32.9723, 32.9723, 60.5094, 60.5094, 60.7349),
}
ORTHOTROPIC = {  # Dx, Dy, D1, Dk, a / b: omega a^2 sqrt(rho h / Dx), Ritz 22 x 22
    (1, 0.1, 0.03, 0.06, 2): (
        *(11.3216, 22.2136, 28.3578, 31.9165, 36.2185),
        *(58.6805, 61.6171, 70.0729, 77.9159, 85.0652),
    ),
    (1, 0.08, 0.03, 0.065, 2.75): (
        *(16.0560, 22.2514, 39.4587, 47.8097, 57.0630),
        *(62.0656, 78.2382, 84.1135, 120.7546, 125.6216),
    ),
    (1, 1 / 16, 0.025, 0.08, 2): (
        *(12.8872, 21.5540, 23.0975, 34.1478, 34.1478),
        *(61.0029, 61.6103, 61.6103, 71.1068, 74.0308),
    ),
}
WOODS = [  # L, W, h in mm; E_L, E_R, G in GPa, nu, rho; label -> Hz; the same Ritz solution
    (
        (550, 200, 3.0, 11.9, 0.9282, 0.7616, 0.372, 420),
        ((1, 1, 38.660), (2, 0, 54.272), (2, 1, 95.392), (0, 2, 115.127), (1, 2, 137.603), (3, 0, 151.144)),
    ),
    (
        (500, 190, 3.5, 9.9, 1.2672, 1.2276, 0.422, 380),
        ((1, 1, 68.799), (2, 0, 73.527), (2, 1, 157.874), (0, 2, 183.668), (3, 0, 201.876)),
    ),
    (
        (540, 205, 3.0, 13.9, 1.8348, 1.5429, 0.424, 700),
        ((1, 1, 41.950), (2, 0, 47.172), (2, 1, 97.492), (0, 2, 119.928), (3, 0, 129.345)),
    ),
    (
        (540, 205, 3.0, 11.3, 1.2091, 0.7458, 0.314, 510),
        ((1, 1, 34.586), (2, 0, 49.790), (2, 1, 86.137), (0, 2, 113.467), (1, 2, 131.050), (3, 0, 139.485)),
    ),
]


def lambdas(dx, dy, d1, dk, aspect, n=10):
    """omega a^2 sqrt(rho h / Dx)."""
    plate = Plate(length_m=1.0, width_m=1 / aspect, thickness_m=1e-3, mass_kg=1 / aspect)
    rates = per_mass([dx, dy, dk, d1], plate)
    return np.sqrt(square_frequencies(rates, plate, air_density_kg_m3=0)[:n] / dx)


def isotropic(aspect, nu=0.3, n=10):
    return lambdas(1.0, 1.0, nu, (1 - nu) / 2, aspect, n)


@pytest.mark.parametrize("aspect", CONVERGED)
def test_plates_alike_in_all_directions(aspect):
    wanted = CONVERGED[aspect]
    np.testing.assert_allclose(isotropic(aspect, n=len(wanted)), wanted, rtol=1e-4)
    excess = np.array(LEISSA[aspect]) / isotropic(aspect, n=len(LEISSA[aspect])) - 1
    assert np.all(excess > 0) and np.all(excess < 0.011)


@pytest.mark.parametrize("nu", POISSON)
def test_square_plates_and_poissons_ratio(nu):
    np.testing.assert_allclose(isotropic(1, nu, n=8), POISSON[nu], rtol=1e-4)


def test_the_square_plate_of_code_aster():
    """V2.03.001 (VPCS SDLS01), free square plate, nu = 0.3: Leissa's figures again, up to 1 % high."""
    excess = np.array([13.49, 19.79, 24.43, 35.02, 35.02]) / isotropic(1, n=5) - 1
    assert np.all(excess > 0) and np.all(excess < 0.011)


def test_the_square_plate_of_nafems():
    """FV12: 10 m, 0.05 m, 200 GPa, nu = 0.3, 8000 kg/m3. Modes 4 to 6: 1.622, 2.360, 2.922 Hz."""
    plate = Plate(length_m=10, width_m=10, thickness_m=0.05, mass_kg=40_000)
    steel = Stiffness(along_pa=200e9, across_pa=200e9, shear_pa=200e9 / 2.6, poisson_ratio=0.3)
    found = plate_modes(plate, steel, n_modes=3, air_density_kg_m3=0).frequency_hz
    np.testing.assert_allclose(found, [1.622, 2.360, 2.922], rtol=5e-4)


@pytest.mark.parametrize("case", ORTHOTROPIC)
def test_plates_with_a_grain(case):
    np.testing.assert_allclose(lambdas(*case), ORTHOTROPIC[case], rtol=1e-4)


@pytest.mark.parametrize(("wood", "modes"), WOODS)
def test_plates_of_wood_with_their_nodal_lines(wood, modes):
    length, width, thick, along, across, shear, nu, density = wood
    sides = {"length_m": length / 1e3, "width_m": width / 1e3, "thickness_m": thick / 1e3}
    plate = Plate(**sides, mass_kg=density * length * width * thick * 1e-9)
    stiffness = Stiffness(along_pa=along * 1e9, across_pa=across * 1e9, shear_pa=shear * 1e9, poisson_ratio=nu)
    found = plate_modes(plate, stiffness, n_modes=len(modes), air_density_kg_m3=0)
    assert found.labels == tuple((m, n) for m, n, _ in modes)
    np.testing.assert_allclose(found.frequency_hz, [f for *_, f in modes], rtol=1e-4)
    np.testing.assert_allclose(found.energy_shares.sum(axis=1), 1)


def test_where_bending_along_and_across_meet_they_mix():
    """Sitka 400 x 211.4 x 3: 50.518, then 99.208 and 106.589 are (2,0) with (0,2), then 144.47 Hz."""
    plate = Plate(length_m=0.4, width_m=0.2114, thickness_m=0.003, mass_kg=420 * 0.4 * 0.2114 * 0.003)
    sitka = Stiffness(along_pa=11.9e9, across_pa=0.9282e9, shear_pa=0.7616e9, poisson_ratio=0.372)
    found = plate_modes(plate, sitka, n_modes=4, air_density_kg_m3=0)
    np.testing.assert_allclose(found.frequency_hz, [50.518, 99.208, 106.589, 144.47], rtol=1e-4)
    assert np.all(found.purity[1:3] < 0.7) and found.purity[0] > 0.9


ratios = st.floats(0.03, 1.0)


@settings(max_examples=20, deadline=None)
@given(dy=ratios, d1=st.floats(0, 0.3), dk=st.floats(0.05, 0.5), aspect=st.floats(0.5, 4), stretch=st.floats(0.5, 2))
def test_only_three_numbers_matter(dy, d1, dk, aspect, stretch):
    """With a / b (Dy / Dx)^1/4, D1 / sqrt(Dx Dy) and Dk / sqrt(Dx Dy) kept, omega a^2 sqrt(rho h / Dx) stays."""
    root = np.sqrt(dy)
    one = lambdas(1, dy, d1 * root, dk * root, aspect)
    other = lambdas(1, dy * stretch**4, d1 * root * stretch**2, dk * root * stretch**2, aspect / stretch)
    np.testing.assert_allclose(one, other, rtol=1e-7)


def test_without_coupling_and_twist_the_plate_is_beams():
    along, across = 22.3732854, 22.3732854 * np.sqrt(0.1) * 4
    found = lambdas(1, 0.1, 0.0, 1e-12, 2, n=60)
    assert np.abs(found / along - 1).min() < 1e-6 and np.abs(found / across - 1).min() < 1e-6


@settings(max_examples=10, deadline=None)
@given(across=st.floats(0.5e9, 3e9), shear=st.floats(0.5e9, 2e9), air=st.sampled_from([0.0, 1.2]))
def test_the_energy_shares_are_the_slopes(across, shear, air):
    """d ln omega^2 / d ln D = share of the energy (Rayleigh's principle)."""
    plate = Plate(length_m=0.5, width_m=0.19, thickness_m=0.003, mass_kg=0.12)
    wood = Stiffness(along_pa=12e9, across_pa=across, shear_pa=shear)
    rates = per_mass(wood.bending_n_m(0.003), plate)
    found = modes_of(rates, plate, n_modes=3, air_density_kg_m3=air)
    for k in range(4):
        step = np.where(np.arange(4) == k, 1e-4, 0.0)
        high, low = (square_frequencies(rates * np.exp(s), plate, air_density_kg_m3=air)[:3] for s in (step, -step))
        if np.min(np.diff(found.frequency_hz)) > 1:
            np.testing.assert_allclose(np.log(high / low) / 2e-4, found.energy_shares[:, k], atol=1e-4)


def test_the_shape_of_a_twist():
    plate = Plate(length_m=0.55, width_m=0.2, thickness_m=0.003, mass_kg=0.1386)
    shape = plate_modes(plate, Stiffness(along_pa=12e9, across_pa=1e9, shear_pa=0.8e9), n_modes=1).deflection(0)
    assert shape.shape == (41, 41) and np.abs(shape).max() == pytest.approx(1)
    assert np.abs(shape[20]).max() < 1e-9 and np.abs(shape[:, 20]).max() < 1e-9  # nodal lines in the middle
    assert shape[0, 0] * shape[-1, -1] > 0 > shape[0, 0] * shape[0, -1]


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: Plate(length_m=550, width_m=200, thickness_m=30, mass_kg=1), "metres"),
        (lambda: Plate(length_m=0.5, width_m=0.2, thickness_m=0, mass_kg=1), "thickness_m is 0"),
        (lambda: Stiffness(along_pa=1e9, across_pa=1e9, shear_pa=1e9, poisson_ratio=1.2), "poisson_ratio is 1.2"),
        (lambda: plate_modes(*PAIR, n_modes=40), "n_modes is 40"),
        (lambda: plate_modes(*PAIR, air_density_kg_m3=-1), "air_density_kg_m3 is -1"),
    ],
)
def test_what_makes_no_sense_is_refused(call, words):
    with pytest.raises(LuthkitError, match=words):
        call()


PAIR = (
    Plate(length_m=0.5, width_m=0.2, thickness_m=0.003, mass_kg=0.1),
    Stiffness(along_pa=1e10, across_pa=1e9, shear_pa=1e9),
)
