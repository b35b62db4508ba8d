"""The outline: areas and lengths that geometry knows, sizes that come back, shapes that are refused."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from luthkit import LuthkitError
from luthkit.wood.outline import Outline

BODY = {"lower_bout_m": 0.37, "waist_m": 0.235, "upper_bout_m": 0.28}


def test_circle_and_rectangle_have_the_area_and_edge_of_geometry():
    circle, rectangle = Outline.circle(0.2), Outline.rectangle(0.5, 0.2)
    assert circle.area_m2 == pytest.approx(np.pi * 0.04, rel=1e-12)
    assert circle.edge()[2].sum() == pytest.approx(2 * np.pi * 0.2, rel=1e-9)
    assert rectangle.area_m2 == pytest.approx(0.1, rel=1e-12)
    assert rectangle.edge()[2].sum() == pytest.approx(1.4, rel=1e-12)


def test_moments_of_a_disc():
    # integral of x^2 y^2 over a disc of radius a about its centre is pi a^6 / 24
    x, y, weight = Outline.circle(0.3).interior()
    assert np.sum(weight * (x - 0.3) ** 2 * y**2) == pytest.approx(np.pi * 0.3**6 / 24, rel=1e-10)


def test_a_guitar_has_the_widths_it_was_given_and_is_level_there():
    body = Outline.guitar(0.49, **BODY)
    places = 0.49 * np.array([0.23, 0.60, 0.82])
    assert 2 * body.half_width_m(places) == pytest.approx(list(BODY.values()), abs=1e-9)
    assert body.square_and_slopes(places)[1] == pytest.approx(0, abs=1e-9)
    x = np.linspace(0, 0.49, 1001)
    assert 2 * body.half_width_m(x).max() == pytest.approx(0.37, abs=1e-4)


@settings(deadline=None, max_examples=30)
@given(
    length=st.floats(0.44, 0.53),
    lower=st.floats(0.35, 0.43),
    waist=st.floats(0.80, 0.95),
    upper=st.floats(0.26, 0.32),
)
def test_the_green_theorem_gives_the_same_area(length, lower, waist, upper):
    body = Outline.guitar(length, lower_bout_m=lower, waist_m=waist * upper, upper_bout_m=upper)
    x = np.linspace(0, length, 20001)
    assert body.area_m2 == pytest.approx(np.trapezoid(2 * body.half_width_m(x), x), rel=1e-4)


def test_points_measured_along_the_edge_give_the_outline_back():
    body = Outline.guitar(0.49, **BODY)
    x = np.linspace(0, 0.49, 40)
    right = np.column_stack([x + 0.1, body.half_width_m(x)])  # from another origin
    found = Outline.from_points(np.vstack([right, right[1:-1] * [1, -1]]))
    places = np.linspace(0.01, 0.48, 50)
    assert found.half_width_m(places) == pytest.approx(body.half_width_m(places), abs=2e-4)


def test_a_cutaway_is_refused():
    body = Outline.guitar(0.49, **BODY)
    x = np.linspace(0, 0.49, 40)
    half = body.half_width_m(x)
    half[x > 0.40] *= 0.5
    with pytest.raises(LuthkitError, match="cutaway"):
        Outline.from_points(np.column_stack([x, half]))


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (lambda: Outline.rectangle(0.5, -0.2), "width_m is -0.2"),
        (lambda: Outline.guitar(0.49, lower_bout_m=0.37, waist_m=0.02, upper_bout_m=0.28), "no smooth outline"),
        (lambda: Outline.guitar(0.49, **BODY, places=(0.6, 0.2, 0.8)), "places"),
        (lambda: Outline.from_points([(0, 0), (1, 1)]), "at least 12"),
        (lambda: Outline.circle(float("nan")), "radius_m is nan"),
    ],
)
def test_what_is_no_outline_is_refused(make, says):
    with pytest.raises(LuthkitError, match=says):
        make()
