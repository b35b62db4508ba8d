"""Budgets against worked examples of the GUM (JCGM 100:2008)."""

import pytest

from luthkit import LuthkitError
from luthkit.wood.budget import combine, propagate


def test_a_strip_of_wood():
    """E = 0.9465 m f^2 L^3 / (b t^3): 32.31 GPa, 1.074 %, of which thickness 1.00 % (arithmetic of JCGM 100, 5.1)."""
    inputs = {"m": (0.05, 0.00005), "f": (120, 0.2), "L": (0.4, 0.0002), "b": (0.05, 0.00005), "t": (0.003, 0.00001)}
    found = propagate(lambda m, f, L, b, t: 0.9465 * m * f**2 * L**3 / (b * t**3), inputs, name="E")
    assert found.value == pytest.approx(32.31e9, rel=1e-3)
    assert found.relative_u == pytest.approx(0.010741, rel=1e-3)
    parts = {part.name: 100 * abs(part.relative_u) for part in found.parts}
    assert found.parts[0].name == "t"
    wanted = {"t": 1.00, "f": 0.333, "L": 0.15, "m": 0.10, "b": 0.10}
    assert parts == pytest.approx(wanted, abs=2e-3)
    assert found.u == pytest.approx(found.value * found.relative_u)


def test_a_product_of_three():
    """JCGM 100, G.4.1: relative errors 0.25, 0.57 and 0.82 % give 1.03 %."""
    inputs = {"a": (2.0, 0.005), "b": (3.0, 0.0171), "c": (5.0, 0.041)}
    found = propagate(lambda a, b, c: a * b * c, inputs)
    assert 100 * found.relative_u == pytest.approx(1.03, abs=0.005)


def test_what_has_no_relative_error_is_refused():
    with pytest.raises(LuthkitError, match="m is nan"):
        propagate(lambda m: m, {"m": (float("nan"), 0.1)})
    with pytest.raises(LuthkitError, match="comes out as 0"):
        propagate(lambda m: m, {"m": (0.0, 0.1)}, name="a mass")


def test_errors_that_are_shared_cancel():
    """sqrt(E / rho^3) of a strip does not depend on its thickness at all: E falls with its cube, rho with itself."""
    inputs = {"m": (0.05, 0.00005), "L": (0.4, 0.0002), "b": (0.05, 0.00005), "t": (0.003, 0.00003)}
    stiff = propagate(lambda m, L, b, t: m * 120**2 * L**3 / (b * t**3), inputs)
    dense = propagate(lambda m, L, b, t: m / (L * b * t), inputs)
    both = propagate(lambda m, L, b, t: (m * 120**2 * L**3 / (b * t**3) / (m / (L * b * t)) ** 3) ** 0.5, inputs)
    found = combine("R", {stiff: 0.5, dense: -1.5})
    assert found.value == pytest.approx(both.value)
    assert found.relative_u == pytest.approx(both.relative_u, rel=1e-3)
    assert stiff.relative_u > 0.03 and found.relative_u < 0.0025
