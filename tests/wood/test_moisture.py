"""Moisture against the Wood Handbook (FPL-GTR-282): tables 4-2, 5-3 and 13-5, and its equations."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from luthkit import LuthkitError
from luthkit.wood import moisture
from luthkit.wood.moisture import (
    density_factor,
    equilibrium_moisture_percent,
    equilibrium_moisture_u_percent,
    equilibrium_slopes,
    size_factor,
    stiffness_factor,
    stiffness_slope,
)


@pytest.mark.parametrize(
    ("celsius", "humidity", "moisture"),
    [
        (21.1, 5, 1.3),
        (21.1, 30, 6.2),
        (21.1, 50, 9.2),
        (21.1, 75, 14.4),
        (21.1, 85, 17.9),
        (21.1, 95, 23.9),
        (-1.1, 75, 14.9),
        (-1.1, 95, 24.3),
        (37.8, 50, 8.7),
        (37.8, 90, 19.5),
    ],
)
def test_equilibrium_meets_the_printed_table(celsius, humidity, moisture):
    """Table 4-2, cells as printed."""
    found = equilibrium_moisture_percent(temperature_c=celsius, relative_humidity_percent=humidity)
    assert found == pytest.approx(moisture, abs=0.06)


def test_the_two_forms_of_the_equation_agree():
    """Eq. 4-5 is printed for Celsius and for Fahrenheit; mixed sets are a known slip of copies."""
    for celsius in np.arange(0, 50, 5.0):
        for humidity in (10, 50, 90):
            t, h = celsius * 1.8 + 32, humidity / 100
            w, k = 330 + 0.452 * t + 0.00415 * t**2, 0.791 + 0.000463 * t - 0.000000844 * t**2
            k1, k2 = 6.34 + 0.000775 * t - 0.0000935 * t**2, 1.09 + 0.0284 * t - 0.0000904 * t**2
            a, b = k1 * k * h, k1 * k2 * k * k * h * h
            wanted = 1800 / w * (k * h / (1 - k * h) + (a + 2 * b) / (1 + a + b))
            found = equilibrium_moisture_percent(temperature_c=celsius, relative_humidity_percent=humidity)
            assert found == pytest.approx(wanted, abs=0.02)


def test_a_room_of_20_degrees():
    """Eq. 4-5 evaluated: 50 % 9.2711, 65 % 11.9963, 85 % 18.0024."""
    found = equilibrium_moisture_percent(temperature_c=np.full(3, 20.0), relative_humidity_percent=[50, 65, 85])
    np.testing.assert_allclose(found, [9.2711, 11.9963, 18.0024], atol=1e-4)
    by_humidity, by_degree = equilibrium_slopes(temperature_c=20, relative_humidity_percent=47)
    assert 0.155 < by_humidity < 0.162 and -0.04 < by_degree < 0
    u = equilibrium_moisture_u_percent(temperature_c=20, relative_humidity_percent=47, relative_humidity_u_percent=3)
    assert u == pytest.approx(np.hypot(3 * by_humidity, moisture.SORPTION_U_PERCENT), rel=0.01)


@pytest.mark.parametrize(
    ("dry", "green", "intersection", "to", "wanted"),
    [
        (1.57, 1.23, 27, 6, 1.7310),
        (1.57, 1.23, 27, 15, 1.4952),
        (10.8, 8.5, 27, 8, 11.5122),
        (1.30, 1.03, 25, 8, 1.3965),
        (1.83, 1.55, 25, 8, 1.9259),
    ],
)
def test_stiffness_follows_equation_5_3(dry, green, intersection, to, wanted):
    """Eq. 5-3 with tables 5-3 and 5-13: Sitka spruce, Engelmann spruce, sugar maple."""
    slope = stiffness_slope(green_ratio=dry / green, intersection_percent=intersection)
    assert dry * stiffness_factor(from_percent=12, to_percent=to, slope=slope) == pytest.approx(wanted, abs=1e-4)
    assert stiffness_factor(from_percent=12, to_percent=intersection, slope=slope) == pytest.approx(green / dry)


def test_the_middle_trend():
    """Table 5-14 (from memory): along +9 % at 6 %, -13 % at 20 %, against 12 %."""
    for slope, wet, dry in (
        (moisture.ALONG_PER_PERCENT, 0.87, 1.09),
        (moisture.ACROSS_PER_PERCENT, 0.77, 1.20),
        (moisture.SHEAR_PER_PERCENT, 0.80, 1.20),
    ):
        assert stiffness_factor(from_percent=12, to_percent=20, slope=slope) == pytest.approx(wet, abs=0.02)
        assert stiffness_factor(from_percent=12, to_percent=6, slope=slope) == pytest.approx(dry, abs=0.02)


@pytest.mark.parametrize(
    ("shrinkage", "coefficient"),
    [(4.3, 0.00148), (7.5, 0.00263), (3.8, 0.00130), (4.8, 0.00165), (9.9, 0.00353), (5.5, 0.00190)],
)
def test_widths_move_as_table_13_5_says(shrinkage, coefficient):
    """Change of width per percent of moisture, 6 to 14 %: Sitka, Engelmann, sugar maple, walnut."""
    change = size_factor(from_percent=10, to_percent=11, shrinkage_percent=shrinkage) - 1
    assert change == pytest.approx(coefficient, rel=0.02)


@given(st.floats(0, 25), st.floats(0, 25), st.floats(5, 15))
def test_there_and_back(one, other, shrinkage):
    there = density_factor(from_percent=one, to_percent=other, volume_shrinkage_percent=shrinkage)
    back = density_factor(from_percent=other, to_percent=one, volume_shrinkage_percent=shrinkage)
    assert there * back == pytest.approx(1)
    assert (there > 1) == (other > one) or there == pytest.approx(1, abs=1e-9)


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: equilibrium_moisture_percent(temperature_c=20, relative_humidity_percent=100), "98"),
        (lambda: equilibrium_moisture_percent(temperature_c=293, relative_humidity_percent=50), "-20 to 100"),
        (lambda: stiffness_factor(from_percent=12, to_percent=40, slope=-0.01), "to_percent is 40"),
        (lambda: stiffness_slope(green_ratio=-1), "green_ratio is -1"),
    ],
)
def test_what_makes_no_sense_is_refused(call, words):
    with pytest.raises(LuthkitError, match=words):
        call()
