"""From heard modes back to the wood: round trips, what cannot be told, and the closed formulas."""

from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from luthkit import LuthkitError
from luthkit.wood.closed import closed_stiffness
from luthkit.wood.inversion import ANY_WOOD, Expectation, _Fit, invert_modes
from luthkit.wood.plates import Plate, Stiffness, plate_modes

LOSS = np.array([0.007, 0.020, 0.016])


def heard_on(plate, wood, *, n=9, without=(), u=3e-4, rng=None, air=1.2):
    """The modes of a plate as if heard, some left out, losses by their shares of the energy."""
    modes = plate_modes(plate, wood, n_modes=n, air_density_kg_m3=air)
    half = modes.energy_shares[:, 3:] / 2
    loss = (modes.energy_shares[:, :3] + np.hstack([half, half, 0 * half])) @ LOSS
    shift = 1 + u * rng.standard_normal(n) if rng else np.ones(n)
    return [
        SimpleNamespace(
            frequency_hz=f, frequency_u_hz=u * f, damping_ratio=eta / 2, damping_ratio_u=0.01 * eta, kind="body"
        )
        for f, eta, label in zip(modes.frequency_hz * shift, loss, modes.labels, strict=True)
        if label not in without
    ]


def plate_of(length, width, thickness, density):
    return Plate(length, width, thickness, density * length * width * thickness)


SPRUCE = Stiffness(along_pa=11.9e9, across_pa=0.9282e9, shear_pa=0.7616e9, poisson_ratio=0.372)
PLATE = plate_of(0.55, 0.20, 0.003, 420)


@settings(max_examples=10, deadline=None)
@given(
    along=st.floats(8e9, 16e9),
    across=st.floats(0.07, 0.16),
    shear=st.floats(0.055, 0.13),
    poisson=st.floats(0.3, 0.48),
    length=st.floats(0.48, 0.56),
    width=st.floats(0.18, 0.21),
    thick=st.floats(2.5e-3, 4e-3),
    density=st.floats(350, 850),
)
@example(8e9, 0.12122258, 0.109375, 0.48, 0.49626146, 0.21, 0.00268032, 435.0)  # (4,0) falls on (0,3): losses tell
def test_any_wood_comes_back_from_its_modes(along, across, shear, poisson, length, width, thick, density):
    wood = Stiffness(along, across * along, shear * along, poisson)
    found = invert_modes(
        plate_of(length, width, thick, density), heard_on(plate_of(length, width, thick, density), wood)
    )
    got = found.stiffness
    for one, other in (
        (got.along_pa, wood.along_pa),
        (got.across_pa, wood.across_pa),
        (got.shear_pa, wood.shear_pa),
    ):
        assert one == pytest.approx(other, rel=0.006)
    np.testing.assert_allclose(found.loss_factors, LOSS, rtol=0.02)
    assert found.foreign == () and found.misfit < 1e-3


@pytest.mark.parametrize("missing", [(1, 1), (2, 0), (0, 2), (3, 0)])
def test_a_mode_that_was_not_heard_is_missed_and_the_rest_still_tells(missing):
    found = invert_modes(PLATE, heard_on(PLATE, SPRUCE, without=(missing,)))
    assert found.stiffness.along_pa == pytest.approx(SPRUCE.along_pa, rel=0.01)
    assert found.stiffness.across_pa == pytest.approx(SPRUCE.across_pa, rel=0.015)
    assert found.stiffness.shear_pa == pytest.approx(SPRUCE.shear_pa, rel=0.01)
    assert found.unheard == (missing,)
    assert (found.closed is None) == (missing in ((1, 1), (2, 0), (0, 2)))


def test_sounds_that_are_not_the_plates_are_left_out():
    stranger = SimpleNamespace(frequency_hz=71.0, frequency_u_hz=0.01, damping_ratio=0.001, damping_ratio_u=1e-5)
    heard = [stranger, *heard_on(PLATE, SPRUCE)]
    found = invert_modes(PLATE, heard)
    assert found.foreign == (0,)
    assert any("belong to no mode" in note for note in found.notes)
    assert [match.heard for match in found.matches] == list(range(1, 10))
    assert found.matches[0].label == (1, 1)


def test_modes_in_any_order():
    heard = heard_on(PLATE, SPRUCE)
    one, other = invert_modes(PLATE, heard), invert_modes(PLATE, heard[::-1])
    assert one.stiffness.along_pa == pytest.approx(other.stiffness.along_pa)
    assert {m.heard for m in other.matches} == set(range(9))


def test_errors_cover(seed=5):
    """Of 15 plates with scattered modes, about 68 in 100 lie within one standard uncertainty, 95 within two."""
    rng = np.random.default_rng(seed)
    z = []
    for _ in range(15):
        wood = Stiffness(
            12e9 * np.exp(0.1 * rng.standard_normal()),
            1e9 * np.exp(0.2 * rng.standard_normal()),
            0.9e9 * np.exp(0.2 * rng.standard_normal()),
            rng.uniform(0.33, 0.45),
        )
        found = invert_modes(PLATE, heard_on(PLATE, wood, u=0.002, rng=rng, n=8))
        got = np.log([found.stiffness.along_pa, found.stiffness.across_pa, found.stiffness.shear_pa])
        true = np.log([wood.along_pa, wood.across_pa, wood.shear_pa])
        z.append((got - true) / np.sqrt(np.diag(found.covariance)[:3]))
    z = np.abs(z)
    assert np.mean(z < 1) > 0.55 and np.mean(z < 2) > 0.9
    assert np.mean(z > 0.1) > 0.5  # errors are not blown up either


def test_where_bending_along_and_across_mix_the_fit_holds_and_says_so():
    """L / W = (E_L / E_R)^1/4: the closed formulas read the pair wrongly by their split, which tells nu instead."""
    plate = plate_of(0.4, 0.2114, 0.003, 420)
    found = invert_modes(plate, heard_on(plate, SPRUCE))
    assert found.stiffness.along_pa == pytest.approx(SPRUCE.along_pa, rel=0.01)
    assert found.stiffness.across_pa == pytest.approx(SPRUCE.across_pa, rel=0.01)
    assert found.poisson_measured and found.stiffness.poisson_ratio == pytest.approx(0.372, abs=0.02)
    assert any("mix on this plate" in note for note in found.notes)
    far = invert_modes(PLATE, heard_on(PLATE, SPRUCE))
    assert not any("mix on this plate" in note for note in far.notes)


def test_without_the_air_wood_reads_too_soft():
    heard = heard_on(PLATE, SPRUCE)
    vacuum = invert_modes(PLATE, heard, air_density_kg_m3=0.0)
    assert 0.90 < vacuum.stiffness.along_pa / SPRUCE.along_pa < 0.97
    slopes = invert_modes(PLATE, heard).air_slopes
    assert np.all(slopes > 0.02) and np.all(slopes < 0.12)


def test_what_hangs_on_no_heard_mode_is_not_told():
    strip = plate_of(0.5, 0.06, 0.004, 420)
    heard = [mode for mode in heard_on(strip, SPRUCE, n=6)]
    found = invert_modes(strip, heard)
    assert found.heard_enough[0] and found.heard_enough[2] and not found.heard_enough[1]
    assert any("cannot tell the stiffness across" in note for note in found.notes)
    assert not found.certain


def test_three_modes_have_nothing_to_check_them():
    heard = heard_on(PLATE, SPRUCE, n=4, without=((2, 1),))
    found = invert_modes(PLATE, heard, expected=Expectation(SPRUCE, 0.2, 0.2, 0.2))
    assert any("three modes only" in note for note in found.notes)
    assert found.stiffness.shear_pa == pytest.approx(SPRUCE.shear_pa, rel=0.02)


def test_what_no_wood_explains_is_refused():
    with pytest.raises(LuthkitError, match="at least three"):
        invert_modes(PLATE, heard_on(PLATE, SPRUCE, n=2))
    heavy = Plate(0.55, 0.20, 0.03 / 10, 10.0)
    with pytest.raises(LuthkitError, match="check length"):
        invert_modes(
            heavy,
            [SimpleNamespace(**{**vars(m), "frequency_hz": m.frequency_hz * 40}) for m in heard_on(PLATE, SPRUCE)],
        )


@pytest.mark.parametrize(
    ("size", "wood", "ratios"),
    [
        ((0.55, 0.20, 0.0030), (11.9, 0.9282, 0.7616, 0.372), (1.0003, 1.0091, 0.911)),
        ((0.50, 0.19, 0.0035), (9.9, 1.2672, 1.2276, 0.422), (1.0020, 1.0185, 0.888)),
        ((0.54, 0.205, 0.0030), (13.9, 1.8348, 1.5429, 0.424), (1.0020, 1.0191, 0.894)),
        ((0.54, 0.205, 0.0030), (11.3, 1.2091, 0.7458, 0.314), (1.0004, 1.0086, 0.916)),
    ],
)
def test_how_wrong_the_closed_formulas_are(size, wood, ratios):
    """Converged Ritz solution in a vacuum -> closed formulas: E_R 1 to 2 % high, G 8 to 11 % low."""
    along, across, shear, nu = wood
    true = Stiffness(along * 1e9, across * 1e9, shear * 1e9, nu)
    plate = plate_of(*size, 420)
    modes = plate_modes(plate, true, air_density_kg_m3=0)
    named = dict(zip(modes.labels, modes.frequency_hz, strict=True))
    found = closed_stiffness(plate, along_hz=named[2, 0], across_hz=named[0, 2], twist_hz=named[1, 1])
    got = (found.along_pa / true.along_pa, found.across_pa / true.across_pa, found.shear_pa / true.shear_pa)
    np.testing.assert_allclose(got, ratios, atol=6e-4)
    heard = heard_on(plate, true, air=0)
    fit = invert_modes(plate, heard, air_density_kg_m3=0)
    assert fit.stiffness.shear_pa == pytest.approx(true.shear_pa, rel=0.005)
    assert fit.closed.shear_pa == pytest.approx(found.shear_pa, rel=1e-6)


def test_the_closed_formulas_as_they_are_printed():
    """McIntyre and Woodhouse 1988 (from memory): D1 = 0.0789 rho f^2 L^4 / h^2, D4 = 0.274 rho f^2 (L W / h)^2."""
    found = closed_stiffness(PLATE, along_hz=54.272, across_hz=115.127, twist_hz=38.660)
    scale = 420 / 0.003**2
    assert found.along_pa / 12 == pytest.approx(0.0789 * scale * 54.272**2 * 0.55**4, rel=1e-3)
    assert found.shear_pa / 3 == pytest.approx(0.274 * scale * 38.660**2 * (0.55 * 0.2) ** 2, rel=1e-3)


def test_the_slopes_are_those_of_the_frequencies():
    """Against central differences, in ln E_L, ln E_R, ln G and nu."""
    fit = _Fit(PLATE, heard_on(PLATE, SPRUCE), ANY_WOOD, 1.2)
    middle = np.array([*np.log([11.9e9, 0.93e9, 0.76e9]), 0.37])
    modes = fit._model(middle, 7)
    slopes = fit._slopes(middle, modes, np.arange(8))
    for k in range(4):
        step = 1e-4 * (np.arange(4) == k)
        up, down = (np.log(fit._model(middle + sign * step, 7).frequency_hz[:8]) for sign in (1, -1))
        np.testing.assert_allclose(slopes[:, k], (up - down) / 2e-4, atol=2e-4)
