"""Budgets against worked examples of the GUM (JCGM 100:2008)."""

import pytest

from luthkit.wood.budget import combine, known

STRIP = {"m": (0.05, 0.00005), "f": (120, 0.2), "L": (0.4, 0.0002), "b": (0.05, 0.00005), "t": (0.003, 0.00001)}
STIFF, DENSE = {"m": 1, "f": 2, "L": 3, "b": -1, "t": -3}, {"m": 1, "L": -1, "b": -1, "t": -1}


def product(name, inputs, powers):
    return combine(name, {known(key, *inputs[key]): power for key, power in powers.items()})


def test_a_strip_of_wood():
    """E = 0.9465 m f^2 L^3 / (b t^3): 32.31 GPa, 1.074 %, of which thickness 1.00 % (arithmetic of JCGM 100, 5.1)."""
    found = product("E", STRIP, STIFF)
    assert 0.9465 * found.value == pytest.approx(32.31e9, rel=1e-3)
    assert found.relative_u == pytest.approx(0.010741, rel=1e-3)
    parts = {part.name: 100 * abs(part.relative_u) for part in found.parts}
    assert found.parts[0].name == "t"
    assert parts == pytest.approx({"t": 1.00, "f": 0.333, "L": 0.15, "m": 0.10, "b": 0.10}, abs=2e-3)
    assert found.u == pytest.approx(found.value * found.relative_u)


def test_a_product_of_three():
    """JCGM 100, G.4.1: relative errors 0.25, 0.57 and 0.82 % give 1.03 %."""
    inputs = {"a": (2.0, 0.005), "b": (3.0, 0.0171), "c": (5.0, 0.041)}
    found = product("product", inputs, {"a": 1, "b": 1, "c": 1})
    assert 100 * found.relative_u == pytest.approx(1.03, abs=0.005)


def test_errors_that_are_shared_cancel():
    """sqrt(E / rho^3) of a strip does not depend on its thickness at all: E falls with its cube, rho with itself."""
    inputs = {**STRIP, "t": (0.003, 0.00003)}
    stiff, dense = product("E", inputs, STIFF), product("rho", inputs, DENSE)
    found = combine("R", {stiff: 0.5, dense: -1.5})
    wanted = {"m": 0.5 - 1.5, "f": 1, "L": 1.5 + 1.5, "b": -0.5 + 1.5}
    by_hand = sum((power * inputs[key][1] / inputs[key][0]) ** 2 for key, power in wanted.items()) ** 0.5
    assert found.value == pytest.approx((stiff.value / dense.value**3) ** 0.5)
    assert found.relative_u == pytest.approx(by_hand)
    assert stiff.relative_u > 0.03 and found.relative_u < 0.0045
