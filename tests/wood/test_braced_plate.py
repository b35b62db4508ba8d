"""The braced plate against closed forms and published tables of plates, and against limits that physics sets."""

from itertools import product

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.special import iv, ivp, jv, jvp

from luthkit import LuthkitError
from luthkit.wood.braced_plate import Beam, PlateWood, assemble, plate_factors
from luthkit.wood.outline import Outline
from luthkit.wood.plates import Stiffness

SPRUCE = PlateWood(Stiffness(11e9, 0.8e9, 0.75e9), 420)
BODY = Outline.guitar(0.49, lower_bout_m=0.37, waist_m=0.235, upper_bout_m=0.28)


def isotropic(nu):
    return np.array([1.0, 1.0, (1 - nu) / 2, nu])  # along, across, twist, coupling


def lambdas(outline, edge, rigidities, *, length=1.0, n_modes=6, edge_stiffness_n=0.0, degree=12):
    """omega length^2 sqrt(rho h / D) for D11 = 1 N m and 1 kg/m^2."""
    plate = assemble(outline, edge=edge, edge_stiffness_n=edge_stiffness_n, degree=degree)
    factors = np.concatenate([rigidities, [0, 0, 1]])
    modes = plate.modes(factors, [1, 0, 0], n_modes=n_modes, rigid=3 if edge == "free" else 0)
    return 2 * np.pi * modes.frequency_hz * length**2


@pytest.mark.parametrize("ratio", [1.0, 1.4, 2.5])
def test_a_rectangle_on_knife_edges_follows_navier(ratio):
    # Navier: D11 (m pi/a)^4 + 2 (D12 + 2 D66)(m pi/a)^2 (n pi/b)^2 + D22 (n pi/b)^4 = rho h omega^2
    d11, d12, d22, d66 = 1.0, 0.03, 0.1, 0.06
    m, n = np.array(list(product(range(1, 7), repeat=2))).T
    a, b = (m * np.pi / ratio) ** 2, (n * np.pi) ** 2
    exact = np.sort(np.sqrt(d11 * a**2 + 2 * (d12 + 2 * d66) * a * b + d22 * b**2))[:5]
    found = lambdas(Outline.rectangle(ratio, 1.0), "held", [d11, d22, d66, d12], n_modes=5)
    assert found == pytest.approx(exact, rel=1e-5)


def test_a_clamped_square():
    # Leissa, Vibration of Plates (NASA SP-160, 1969), 35.992, 73.413, 73.413, 108.27 (from memory): upper bounds
    leissa = np.array([35.992, 73.413, 73.413, 108.27])
    excess = leissa / lambdas(Outline.rectangle(1, 1), "clamped", isotropic(0.3), n_modes=4) - 1
    assert np.all((excess > 0) & (excess < 1e-3))


def disc_roots(edge, nu, n):
    """Lowest roots of the frequency equation of a disc for n nodal diameters (Kirchhoff's plate, J and I Bessel)."""

    def equation(k):
        if edge == "clamped":
            return jv(n, k) * ivp(n, k) - iv(n, k) * jvp(n, k)
        rows = []
        for f, d1, d2, sign in ((jv(n, k), jvp(n, k), jvp(n, k, 2), -1), (iv(n, k), ivp(n, k), ivp(n, k, 2), 1)):
            moment = k**2 * d2 + nu * (k * d1 - n**2 * f)
            if edge == "held":
                rows.append((f, moment))
            else:  # the shear with the twist's slope: d/dr of (Laplacian w = sign k^2 w) + ...
                rows.append((moment, sign * k**3 * d1 - (1 - nu) * n**2 * (k * d1 - f)))
        return rows[0][0] * rows[1][1] - rows[0][1] * rows[1][0]

    k = np.linspace(0.8, 9, 600)
    value = np.array([equation(each) for each in k])
    return [brentq(equation, k[i], k[i + 1]) ** 2 for i in np.flatnonzero(value[:-1] * value[1:] < 0)]


@pytest.mark.parametrize("edge", ["free", "held", "clamped"])
def test_a_disc_follows_its_bessel_functions(edge):
    exact = [root for n in range(7) for root in disc_roots(edge, 0.33, n) for _ in range(1 + (n > 0))]
    found = lambdas(Outline.circle(1.0), edge, isotropic(0.33), n_modes=8)
    assert found == pytest.approx(sorted(exact)[:8], rel=1e-5)


def test_published_values_of_the_free_disc():
    # Itao and Crandall, J. Appl. Mech. 46 (1979), nu = 0.33, from memory: 5.262, 9.069, 12.244
    found = lambdas(Outline.circle(1.0), "free", isotropic(0.33), n_modes=5)
    assert found == pytest.approx([5.262, 5.262, 9.069, 12.244, 12.244], rel=2e-4)


@pytest.mark.parametrize(
    ("ratio", "leissa"),
    [
        # Leissa, J. Sound Vib. 31 (1973), free rectangles, nu = 0.3, from memory: upper bounds, up to 1 % high
        (0.4, (3.4629, 5.2881, 9.6220, 11.437, 18.793, 19.100)),
        (1.0, (13.489, 19.789, 24.432, 35.024, 35.024, 61.526)),
        (2.5, (21.643, 33.050, 60.137, 71.484, 117.45, 119.38)),
    ],
)
def test_free_rectangles_lie_just_under_leissas_bounds(ratio, leissa):
    found = lambdas(Outline.rectangle(ratio, 1.0), "free", isotropic(0.3), length=ratio, degree=13)
    excess = np.array(leissa) / found - 1
    assert np.all((excess > 0) & (excess < 0.011))


def test_a_free_orthotropic_rectangle():
    # converged Ritz by other code with Legendre products, 22 x 22
    other = [11.3216, 22.2136, 28.3578, 31.9165, 36.2185, 58.6805, 61.6171, 70.0729, 77.9159, 85.0652]
    found = lambdas(Outline.rectangle(2, 1), "free", [1, 0.1, 0.06, 0.03], length=2, n_modes=10, degree=14)
    assert found == pytest.approx(other, rel=1e-4)


def test_without_coupling_a_free_plate_is_two_families_of_beams():
    # free-free beams, roots of cos x cosh x = 1: 22.3733, 61.6728
    found = lambdas(Outline.rectangle(1, 1), "free", [1, 0.25, 1e-9, 0], n_modes=12)
    for beam in (22.3733, 61.6728, 0.5 * 22.3733, 0.5 * 61.6728):
        assert np.min(np.abs(found / beam - 1)) < 1e-4


def test_an_edge_that_cannot_tilt_is_a_clamped_edge():
    clamped = lambdas(BODY, "clamped", isotropic(0.3), n_modes=4)
    stiff = [lambdas(BODY, "held", isotropic(0.3), n_modes=4, edge_stiffness_n=k) for k in (0, 30, 1e3, 1e7)]
    assert np.all(np.diff(stiff, axis=0) > 0), "a stiffer edge rings higher"
    assert stiff[-1] == pytest.approx(clamped, rel=0.015)  # few of the held functions have no slope there


def test_a_light_beam_along_the_middle_of_a_rectangle():
    # first order in the beam, with w = sin(pi x / a) sin(pi y / b): E I (pi/a)^4 a/2 more stiffness, m a/2 more mass
    a, b, beam = 0.5, 0.3, Beam((0, 0), (0.5, 0), 0.002, 0.002, 9e9, 600)
    plate = assemble(Outline.rectangle(a, b), braces=(beam,), wood=SPRUCE, thickness_m=0.003)
    stiffness, mass = plate_factors(SPRUCE, 0.003, braces=0)
    bare = (2 * np.pi * plate.modes(stiffness, mass).frequency_hz[0]) ** 2
    per_kg = 1 / (SPRUCE.density_kg_m3 * 0.003 * a * b / 4)
    bending = float(beam.bending_n_m2(0.5, wood=SPRUCE, thickness_m=0.003)) * (np.pi / a) ** 4 * a / 2
    lying = 600 * 0.002**2 * a / 2
    both = [*plate_factors(SPRUCE, 0.003)]
    found = (2 * np.pi * plate.modes(*both).frequency_hz[0]) ** 2
    assert found / bare - 1 == pytest.approx((bending / bare - lying) * per_kg, rel=0.02)
    assert abs(found / bare - 1) > 0.003


def test_a_composite_of_like_strips_is_one_thicker_beam():
    # the strip's own bending is the plate's: b (2 h)^3 / 12 less b h^3 / 12 is left
    beam = Beam((0, 0), (0.1, 0), 0.02, 0.003, SPRUCE.stiffness.along_pa, 420)
    whole = SPRUCE.stiffness.along_pa * 0.02 * 0.006**3 / 12
    own = SPRUCE.stiffness.along_pa * 0.02 * 0.003**3 / 12
    assert beam.bending_n_m2(0.5, wood=SPRUCE, thickness_m=0.003) == pytest.approx(whole - own, rel=1e-9)


def guitar_top(**more):
    bridge = Beam((0.145, -0.09), (0.145, 0.09), 0.028, 0.008, 12e9, 850, name="bridge")
    brace = Beam((0.29, -0.11), (0.29, 0.11), 0.015, 0.016, 11e9, 420, name="brace")
    given = {"edge_stiffness_n": 50, "braces": (brace,), "bridge": bridge, "soundhole_m": (0.345, 0.0425)}
    return assemble(BODY, points_m=[(0.145, 0.0)], wood=SPRUCE, thickness_m=0.0025, **(given | more))


def test_shares_add_up_and_give_the_slope_of_the_frequency():
    plate = guitar_top()
    stiffness, mass = plate_factors(SPRUCE, 0.0025)
    modes = plate.modes(stiffness, mass, n_modes=4)
    assert modes.share.sum(axis=1) == pytest.approx(1, abs=1e-9)
    for part in range(7):  # Rayleigh: d ln f / d ln factor = share / 2
        more = stiffness * np.where(np.arange(7) == part, 1.001, 1.0)
        slope = np.log(plate.modes(more, mass, n_modes=4).frequency_hz / modes.frequency_hz) / np.log(1.001)
        assert slope == pytest.approx(modes.share[:, part] / 2, abs=2e-4)


def test_a_hole_takes_its_mass_and_softens():
    whole, cut = guitar_top(soundhole_m=None), guitar_top()
    stiffness, mass = plate_factors(SPRUCE, 0.0025)
    assert cut.volume @ np.linalg.solve(whole.mass[0], whole.volume) < whole.volume @ np.linalg.solve(
        whole.mass[0], whole.volume
    )
    hole = np.pi * 0.0425**2
    free = assemble(BODY, edge="free", soundhole_m=(0.345, 0.0425))
    area = free.volume @ np.linalg.solve(free.mass[0], free.volume)  # 1 is among the functions of a free plate
    assert area == pytest.approx(BODY.area_m2 - hole, rel=1e-9)
    assert np.all(np.linalg.eigvalsh(cut.mass[0]) > -1e-12)
    assert whole.modes(stiffness, mass).frequency_hz[0] != cut.modes(stiffness, mass).frequency_hz[0]


def test_mass_at_the_bridge_lowers_and_its_stiffness_raises():
    plate = guitar_top()
    stiffness, mass = plate_factors(SPRUCE, 0.0025)
    usual = plate.modes(stiffness, mass).frequency_hz[0]
    assert plate.modes(stiffness, [*mass[:2], 1.5]).frequency_hz[0] < usual
    assert plate.modes(stiffness + np.eye(7)[5], mass).frequency_hz[0] > usual


def test_few_modes_stand_for_a_wood_not_far_off():
    plate = guitar_top()
    small = plate.reduced(*plate_factors(SPRUCE, 0.0025), n=24)
    other = plate_factors(PlateWood(Stiffness(13.5e9, 1.0e9, 0.9e9), 380), 0.0025)
    one, two = plate.modes(*other, n_modes=4), small.modes(*other, n_modes=4)
    assert two.frequency_hz == pytest.approx(one.frequency_hz, rel=3e-3)
    assert np.all(two.frequency_hz >= one.frequency_hz * (1 - 1e-9)), "fewer functions are stiffer"
    assert two.effective_mass_kg()[0] == pytest.approx(one.effective_mass_kg()[0], rel=5e-3)


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (lambda: assemble(BODY, edge="glued"), "free, held, clamped"),
        (
            lambda: guitar_top(braces=(Beam((0.3, -0.3), (0.3, 0.3), 0.01, 0.01, 1e10, 400, name="too long"),)),
            "too long",
        ),
        (lambda: guitar_top(soundhole_m=(0.0, 0.05)), "soundhole"),
        (lambda: Beam((0, 0), (0.1, 0), 0.01, 0.01, 1e10, 400, end_height_m=0.02), "no higher"),
        (lambda: PlateWood(SPRUCE.stiffness, -420), "density_kg_m3 is -420"),
        (lambda: plate_factors(SPRUCE, 2.5), "thickness"),
        (lambda: assemble(BODY, braces=(Beam((0.1, 0), (0.2, 0), 0.01, 0.01, 1e10, 400),)), "need the wood"),
    ],
)
def test_what_cannot_be_is_refused(make, says):
    with pytest.raises(LuthkitError, match=says):
        make()
