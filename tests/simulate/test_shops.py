"""Simulated shops: physics that must hold, the same seed the same guitar, effects that go the right way."""

from dataclasses import replace

import numpy as np
import pytest

from luthkit.simulate import stock
from luthkit.simulate.shops import Hand, SimulatedShop


@pytest.fixture(scope="module")
def shop():
    return SimulatedShop(*stock.design(), stock.VOLUME_M3, stock.HOLE_RADIUS_M)


def test_a_guitar_rings_where_guitars_ring(shop):
    # classical guitars: air 88 to 110, top 150 to 220, back 190 to 270 Hz (Fletcher and Rossing ch. 9, from memory)
    guitar = shop.build(np.random.default_rng(1), stock.TOP_WOOD, stock.BACK_WOOD)
    assert 88 < guitar["air"] < 110
    assert 150 < guitar["main top"] < 220
    assert 190 < guitar["main back"] < 270
    assert 0.004 < guitar["mobility"] < 0.02
    assert guitar["box second"] > guitar["main top"], "the bridge weighs on the top"
    assert guitar["braced top 1"] < guitar["braced top 2"]


def test_the_same_seed_builds_the_same_guitar(shop):
    one, two = (shop.build(np.random.default_rng(3), stock.TOP_WOOD, stock.BACK_WOOD) for _ in range(2))
    assert one == two
    assert one != shop.build(np.random.default_rng(4), stock.TOP_WOOD, stock.BACK_WOOD)


@pytest.mark.parametrize(
    ("change", "sign"),
    [({"arching": 0.02}, 1), ({"finish_kg_m2": 0.2}, -1), ({"edge": 2.0}, 1), ({"braces": 1.3}, 1)],
)
def test_what_the_planner_does_not_know_goes_the_right_way(shop, change, sign):
    usual = shop.plate("top", stock.TOP_WOOD)[0][0]
    other = shop.plate("top", stock.TOP_WOOD, replace(Hand(), **change))[0][0]
    assert sign * (other - usual) > 0


def test_a_larger_box_lowers_the_air(shop):
    plates = shop.plate("top", stock.TOP_WOOD), shop.plate("back", stock.BACK_WOOD)
    assert replace(shop, volume=1.1).guitar(*plates)["air"] < shop.guitar(*plates)["air"]


def test_boards_scatter_as_they_are_said_to():
    rng = np.random.default_rng(0)
    boards = [stock.board(rng, stock.TOP_WOOD) for _ in range(2000)]
    logs = np.log([[b.stiffness.along_pa, b.density_kg_m3] for b in boards])
    assert logs.std(axis=0) == pytest.approx(stock.SPREAD[[0, 3]], rel=0.06)
    assert np.corrcoef(logs.T)[0, 1] == pytest.approx(stock.TOGETHER, abs=0.05)
