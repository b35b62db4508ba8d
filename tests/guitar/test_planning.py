"""Forecasts: against exact Gaussian arithmetic, limits of no and of many builds, and made shops."""

import numpy as np
import pytest
from guitar.plans import ROSEWOOD, SPRUCE, design, sets
from hypothesis import given, settings
from hypothesis import strategies as st

from luthkit import LuthkitError
from luthkit.guitar.design import BOX, FINISHED, QUANTITIES
from luthkit.guitar.planning import Forecast, PastBuild, calibrate
from luthkit.guitar.wood_set import WoodSet

TOP, BACK = WoodSet("a top", SPRUCE), WoodSet("a back", ROSEWOOD)


def made_builds(n, *, off=1.04, scatter=0.0, seed=1, names=QUANTITIES):
    """Builds that are the bare model times `off`, with scatter."""
    rng = np.random.default_rng(seed)
    tops, backs = sets(rng, SPRUCE, n, "top"), sets(rng, ROSEWOOD, n, "back")
    bare = calibrate(design())
    builds = []
    for k in range(n):
        plain = bare.forecast(tops[k], backs[k])
        measured = {}
        for name in names:
            value = plain.value(name)[0] * off * np.exp(scatter * rng.standard_normal())
            measured[name] = (value, 0.003 * value)
        builds.append(PastBuild(f"build {k}", tops[k], backs[k], measured))
    return builds


@pytest.fixture(scope="module")
def bare():
    return calibrate(design())


@pytest.fixture(scope="module")
def taught():
    return calibrate(design(), made_builds(12))


def test_without_builds_a_forecast_is_as_wide_as_a_model_from_books(bare):
    # planning value, from memory: 5 to 10 % a priori
    forecast = bare.forecast(TOP, BACK)
    for name in FINISHED[:3]:
        value, u = forecast.value(name)
        assert 0.05 < u / value < 0.10
    assert bare.notes == ("no past builds",)


def test_builds_teach_how_far_the_model_is_off(bare, taught):
    before, after = bare.forecast(TOP, BACK), taught.forecast(TOP, BACK)
    for name in QUANTITIES:
        assert after.value(name)[0] == pytest.approx(1.04 * before.value(name)[0], rel=0.006)
        assert after.value(name)[1] < 0.5 * before.value(name)[1]
    main_top = after.value("main top")
    assert 0.003 < main_top[1] / main_top[0] < 0.025  # about 2 % after one's own guitars


def test_more_scatter_makes_wider_forecasts():
    still, wild = (calibrate(design(), made_builds(6, scatter=s)).forecast(TOP, BACK) for s in (0.002, 0.04))
    assert wild.value("main top")[1] > 2 * still.value("main top")[1]


@pytest.mark.parametrize("size", [0.5, 1.0, 1.8])
def test_four_builds_tell_how_evenly_a_hand_works(bare, size):
    # drawn from what is believed, larger or smaller; 44 numbers tell a size to about a fifth
    rng = np.random.default_rng(3)
    builds = []
    for build in made_builds(4):
        off = size * rng.multivariate_normal(np.zeros(len(QUANTITIES)), bare.building)
        measured = {
            name: (value * np.exp(e), u) for (name, (value, u)), e in zip(build.measured.items(), off, strict=True)
        }
        builds.append(PastBuild(build.name, build.top, build.back, measured))
    found = np.sqrt(np.diag(calibrate(design(), builds).building) / np.diag(bare.building))
    frequencies = found[[name != "mobility" for name in QUANTITIES]]
    assert np.median(frequencies) == pytest.approx(size, rel=0.3)


def test_how_far_quantities_scatter_together_is_learned_from_the_builds(bare):
    # drawn independently, 3 % each; the planner expects correlations up to 0.8
    size, n = 0.03, len(QUANTITIES)
    found = calibrate(design(), made_builds(24, scatter=size)).building
    before, after = (part / np.sqrt(np.outer(np.diag(part), np.diag(part))) for part in (bare.building, found))
    apart = ~np.eye(n, dtype=bool)
    assert np.sqrt(np.mean(before[apart] ** 2)) > 0.25
    assert np.sqrt(np.mean(after[apart] ** 2)) < 0.24  # chance alone leaves 1 / sqrt(24)
    assert np.sqrt(np.diag(found)) == pytest.approx(np.full(n, size), rel=0.4)


def test_a_build_without_values_teaches_nothing_and_parts_teach_parts(bare):
    empty = calibrate(design(), [PastBuild("no taps", TOP, BACK, {})])
    assert empty.covariance == pytest.approx(bare.covariance)
    part = calibrate(design(), made_builds(8, names=("air", "main top")))
    forecast, before = part.forecast(TOP, BACK), bare.forecast(TOP, BACK)
    assert forecast.value("air")[1] < 0.5 * before.value("air")[1]
    assert forecast.value("mobility")[1] > 0.8 * before.value("mobility")[1]
    assert any("main back, mobility" in note for note in part.notes)


def test_one_build_moves_the_offset_as_bayes_says(bare):
    # for one quantity alone: mean = prior / (prior + the rest) times what was seen
    seen, name = 0.03, "main back"
    plain = bare.forecast(TOP, BACK)
    k = QUANTITIES.index(name)
    value = plain.value(name)[0] * np.exp(seen)
    found = calibrate(design(), [PastBuild("one", TOP, BACK, {name: (value, 0.003 * value)})])
    prior = bare.covariance[k, k]
    building = bare.building[k, k]
    wood = plain.covariance[k, k] - bare.covariance[k, k] - building  # the usual wood: its slope g has no say
    shrunk = np.array([prior / (prior + 0.003**2 + wood + s**2 * building) for s in (0.5, 2.0)])
    assert seen * shrunk[1] < found.offset[k] < seen * shrunk[0]
    assert 0.4 * prior * (1 - shrunk[0]) < found.covariance[k, k] < prior * (1 - shrunk[1])


def test_what_is_measured_on_the_bench_narrows_the_rest(taught):
    before = taught.forecast(TOP, BACK)
    value, u = before.value("box second")
    after = before.given({"box second": (value * 1.02, 0.003 * value)})
    assert after.value("main top")[0] > before.value("main top")[0]
    assert after.value("main top")[1] < before.value("main top")[1]
    again = after.given({"box second": (value * 1.02, 0.003 * value)})
    assert again.value("box second")[1] <= after.value("box second")[1] < u


@settings(deadline=None, max_examples=25)
@given(seed=st.integers(0, 2**31))
def test_conditioning_is_the_textbook_formula(seed):
    # JCGM-free check: joint Gaussian, information form: inverse covariances add
    rng = np.random.default_rng(seed)
    root = rng.standard_normal((4, 12))
    forecast = Forecast(FINISHED, np.log([100, 180, 220, 0.01]), 0.001 * root @ root.T)
    after = forecast.given({"main top": (185.0, 1.0), "air": (101.0, 0.5)})
    look = np.eye(4)[[1, 0]]
    noise = np.diag([(1 / 185) ** 2, (0.5 / 101) ** 2])
    information = np.linalg.inv(forecast.covariance) + look.T @ np.linalg.inv(noise) @ look
    covariance = np.linalg.inv(information)
    start = np.linalg.solve(forecast.covariance, forecast.mean)
    seen = look.T @ np.linalg.solve(noise, np.log([185.0, 101.0]))
    assert after.covariance == pytest.approx(covariance, rel=1e-5, abs=1e-9)
    assert after.mean == pytest.approx(covariance @ (start + seen), rel=1e-6)


def test_the_order_of_measuring_does_not_matter(taught):
    forecast = taught.forecast(TOP, BACK)
    told = {name: (forecast.value(name)[0] * 1.01, 0.3) for name in BOX}
    step = forecast
    for name in reversed(BOX):
        step = step.given({name: told[name]})
    assert step.mean == pytest.approx(forecast.given(told).mean, abs=1e-9)


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (lambda: PastBuild("n", TOP, BACK, {"wolf": (1, 1)}), "wolf"),
        (lambda: PastBuild("n", TOP, BACK, {"air": (-100, 1)}), "above 0"),
        (lambda: PastBuild("n", TOP, BACK, {"air": (100, 90)}), "smaller than half"),
        (lambda: WoodSet("w", SPRUCE, (0.1, 0.1, 2.0, 0.1)), "four fractions"),
        (lambda: calibrate(design()).forecast(TOP, BACK).value("wolf"), "wolf"),
    ],
)
def test_what_cannot_be_is_refused(make, says):
    with pytest.raises(LuthkitError, match=says):
        make()
