"""Choosing: against chances reckoned otherwise, a stock whose best pair is known, and a stock that cannot reach."""

from dataclasses import replace

import numpy as np
import pytest
from guitar.plans import ROSEWOOD, SPRUCE, design, sets
from scipy.stats import norm

from luthkit import LuthkitError
from luthkit.guitar.build_stages import LIMIT, NO_LIMIT, STAGES, follow, thickness_steps
from luthkit.guitar.choosing import (
    KIND,
    NOT_REACHED,
    REACHED,
    UNCERTAIN,
    Target,
    chance_within,
    rank,
    steps_of,
    with_reference,
)
from luthkit.guitar.design import BOX, BRACED, FINISHED
from luthkit.guitar.planning import Forecast, PastBuild, calibrate
from luthkit.guitar.wood_set import WoodSet
from luthkit.simulate import stock
from luthkit.simulate.shops import SimulatedShop


@pytest.fixture(scope="module")
def shop():
    """(calibration on 12 builds of a simulated shop, tops, backs, their true boards, the shop)."""
    rng = np.random.default_rng(4)
    made = SimulatedShop.random(rng, *stock.design(), stock.VOLUME_M3, stock.HOLE_RADIUS_M)
    builds = []
    for k, (top, back) in enumerate(zip(sets(rng, SPRUCE, 12, "old"), sets(rng, ROSEWOOD, 12, "old"), strict=True)):
        true = made.build(rng, top.wood, back.wood)
        builds.append(PastBuild(str(k), top, back, {name: (true[name], 0.003 * true[name]) for name in FINISHED + BOX}))
    return calibrate(design(), builds), sets(rng, SPRUCE, 15, "top"), sets(rng, ROSEWOOD, 8, "back"), made


def target_of(forecast, factor=1.0, **more):
    values = {name: forecast.value(name)[0] * factor for name in FINISHED}
    return Target({name: (value, 0.002 * value) for name, value in values.items()}, **more)


def test_the_pair_the_reference_was_made_of_is_found(shop):
    calibration, tops, backs, _ = shop
    target = target_of(calibration.forecast(tops[6], backs[3]))
    ranking = rank(calibration, tops, backs, target)
    first = ranking.pairs[0]
    assert (first.top, first.back) == ("top 6", "back 3") or ranking.tied > 1
    assert "top 6" in [pair.top for pair in ranking.pairs[: ranking.tied]]
    assert len({pair.top for pair in ranking.pairs}) == len(ranking.pairs), "each top stands once"
    far = [pair.distance_steps for pair in ranking.pairs]
    assert far == sorted(far) and all(
        p.distance_low_steps < p.distance_steps < p.distance_high_steps for p in ranking.pairs
    )


def test_the_band_of_the_distance_holds_95_of_100(shop):
    """One quantity far off: its distance is Gaussian, so that 1.96 standard uncertainties bound 95 % (any table)."""
    calibration, tops, backs, _ = shop
    value, _ = calibration.forecast(tops[0], backs[0]).value("main top")
    target = Target({"main top": (1.25 * value, 0.002 * value)})
    first, *_ = rank(calibration, tops, backs, target).pairs
    ((step, u),) = first.steps.values()
    assert abs(step) > 5 * u
    assert first.distance_low_steps == pytest.approx(abs(step) - 1.96 * u, abs=0.15 * u)
    assert first.distance_high_steps == pytest.approx(abs(step) + 1.96 * u, abs=0.15 * u)


def test_equal_woods_cannot_be_ranked(shop):
    calibration, tops, backs, _ = shop
    twins = [replace(tops[0], name=f"twin {k}") for k in range(3)]
    ranking = rank(calibration, twins, backs[:1], target_of(calibration.forecast(tops[0], backs[0])))
    assert ranking.tied == 3


def test_a_reference_out_of_reach_is_said_to_be(shop):
    calibration, tops, backs, _ = shop
    forecast = calibration.forecast(tops[0], backs[0])
    far = rank(calibration, tops, backs, target_of(forecast, 1.25))
    assert far.verdict == NOT_REACHED and all(step < 0 for step, _ in far.pairs[0].steps.values())
    near = rank(calibration, tops, backs, target_of(forecast, reach_steps=3.0))
    assert near.verdict == REACHED


def test_without_past_builds_it_cannot_tell(shop):
    _, tops, backs, _ = shop
    bare = calibrate(design())
    assert rank(bare, tops, backs, target_of(bare.forecast(tops[0], backs[0]))).verdict == UNCERTAIN


def test_a_chance_is_that_of_the_normal_distribution():
    u = 0.02
    forecast = Forecast(FINISHED, np.log([100.0, 180.0, 220.0, 0.01]), np.eye(4) * u**2)
    target = Target({"air": (101.0, 0.0), "main top": (180.0, 0.0)}, reach_steps=1.5)
    one = []
    for aim, value in ((101.0, 100.0), (180.0, 180.0)):
        reach = 1.5 * np.log(1.02)
        one.append(norm.cdf((reach - np.log(value / aim)) / u) - norm.cdf((-reach - np.log(value / aim)) / u))
    assert chance_within(forecast, target) == pytest.approx(one[0] * one[1], abs=0.03)
    step, error = steps_of(forecast, target)["air"]
    assert step == pytest.approx(np.log(100 / 101) / np.log(1.02)) and error == pytest.approx(u / np.log(1.02))


def test_a_reading_of_the_reference_is_weighed_with_what_is_expected():
    # two Gaussians: weights are the inverse variances (any textbook)
    bare = calibrate(design())
    value, u = bare.forecast(WoodSet("t", SPRUCE, KIND), WoodSet("b", ROSEWOOD, KIND)).value("mobility")
    expected = (u / value) ** 2
    read, error = 1.3 * value, 0.1
    got, got_u = with_reference(bare, Target({"mobility": (read, error * read)}))[1].measured["mobility"]
    weight = (1 / error**2) / (1 / error**2 + 1 / expected)
    assert np.log(got / value) == pytest.approx(weight * np.log(1.3))
    assert got_u / got == pytest.approx((1 / error**2 + 1 / expected) ** -0.5)


def test_a_reference_of_another_hand_is_not_drawn_to_this_one(shop):
    calibration = shop[0]
    own = calibration.forecast(WoodSet("t", SPRUCE), WoodSet("b", ROSEWOOD))
    far = target_of(own, 1.2)
    poor = {name: (value, 0.05 * value) for name, (value, _) in far.measured.items()}
    for target in (target_of(own), far):
        for name, (value, u) in with_reference(calibration, target)[1].measured.items():
            assert value == pytest.approx(target.measured[name][0], rel=0.01)
            assert u <= 1.001 * target.measured[name][1]
    moved = with_reference(calibration, replace(far, measured=poor))[1].measured
    assert all(poor[name][0] / 1.15 < value < poor[name][0] for name, (value, _) in moved.items())
    assert moved["mobility"][1] / moved["mobility"][0] > 0.03


@pytest.mark.parametrize("off", [0.0, 0.03, 0.3])
def test_a_reference_teaches_as_much_of_the_shop_as_it_is_likely_by_its_hand(shop, off):
    # Bayes' theorem for one quantity: two hands with densities from scipy, and the gain of two Gaussians (any textbook)
    calibration, bare, u, name = shop[0], calibrate(design()), 0.003, "main back"
    woods, k = (WoodSet("t", SPRUCE, KIND), WoodSet("b", ROSEWOOD, KIND)), FINISHED.index("main back")
    own, other = (hand.forecast(*woods) for hand in (calibration, bare))
    read = own.mean[k] + off
    value = float(np.exp(read))
    taught, _ = with_reference(calibration, Target({name: (value, u * value)}))
    size = [np.sqrt(each.covariance[k, k] + u**2) for each in (own, other)]
    ours, theirs = (norm.pdf(read, each.mean[k], s) for each, s in zip((own, other), size, strict=True))
    weight, gain = ours / (ours + theirs), calibration.covariance[k, k] / size[0] ** 2
    assert taught.offset[k] - calibration.offset[k] == pytest.approx(weight * gain * off, abs=1e-12)
    left = calibration.covariance[k, k] * (1 - weight * gain) + weight * (1 - weight) * (gain * off) ** 2
    assert taught.covariance[k, k] == pytest.approx(left)
    assert (weight > 0.5) == (off < 0.1)


def test_the_same_stock_gives_the_same_list(shop):
    calibration, tops, backs, _ = shop
    target = target_of(calibration.forecast(tops[2], backs[1]))
    one, two = (rank(calibration, tops, backs, target) for _ in range(2))
    assert [p.distance_steps for p in one.pairs] == [p.distance_steps for p in two.pairs]


def test_few_tops_are_listed_with_several_backs(shop):
    calibration, tops, backs, _ = shop
    ranking = rank(calibration, tops[:1], backs, target_of(calibration.forecast(tops[0], backs[0])), n_best=5)
    assert [pair.top for pair in ranking.pairs] == ["top 0"] * 5
    assert len({pair.back for pair in ranking.pairs}) == 5


def test_a_stage_narrows_the_forecast_and_says_what_is_left(shop):
    calibration, tops, backs, made = shop
    rng = np.random.default_rng(9)
    true = made.build(rng, tops[0].wood, backs[0].wood)
    told = {name: (true[name], 0.003 * true[name]) for name in BRACED + BOX}
    target = target_of(calibration.forecast(tops[0], backs[0]))
    progress = follow(calibration, tops[0], backs[0], told, target)
    assert [each.stage.name for each in progress] == ["before cutting", "braced plates", "closed box"]
    for name in FINISHED[:3]:
        errors = [each.forecast.value(name)[1] for each in progress]
        assert errors[0] >= errors[1] * 0.98 and errors[2] < 0.8 * errors[0]
    assert all(stage.can_change for stage in STAGES)
    assert len(follow(calibration, tops[0], backs[0], {}, target)) == 1


def test_thickness_steps_move_the_guitar_and_warn(shop):
    calibration, tops, backs, _ = shop
    target = target_of(calibration.forecast(tops[0], backs[0]))
    thin, thick, *_ = thickness_steps(calibration, tops[0], backs[0], target)
    assert thin.forecast.value("air")[0] < thick.forecast.value("air")[0]
    assert thin.caution == "" and thick.caution == ""
    deep = thickness_steps(calibration, tops[0], backs[0], target, step_m=5e-4)
    assert deep[0].caution == LIMIT and deep[1].caution == ""
    nameless = replace(design(), top=replace(design().top, least_thickness_m=float("nan")))
    unknown = thickness_steps(calibrate(nameless), tops[0], backs[0], target)
    assert unknown[0].caution == NO_LIMIT


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (lambda c, t, b, x: rank(c, [], b, x), "no tops"),
        (lambda c, t, b, x: rank(c, [t[0], t[0]], b, x), "same name"),
        (lambda c, t, b, x: Target({}), "needs values"),
        (lambda c, t, b, x: Target({"box air": (100, 1)}), "needs values"),
        (lambda c, t, b, x: replace(x, reach_steps=0.0), "above 0"),
    ],
)
def test_what_cannot_be_is_refused(make, says):
    top = WoodSet("t", SPRUCE)
    with pytest.raises(LuthkitError, match=says):
        make(None, [top], [WoodSet("b", ROSEWOOD)], Target({"air": (100.0, 1.0)}))
