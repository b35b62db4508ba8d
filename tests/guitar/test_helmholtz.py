"""The box as a bottle."""

from math import pi

import pytest
from hypothesis import given
from hypothesis import strategies as st

from luthkit.errors import LuthkitError
from luthkit.guitar.air_top_back import BodyModel
from luthkit.guitar.helmholtz import box_frequency_hz, check_box

BOX = {"volume_m3": 0.0150, "hole_radius_m": 0.050}


@pytest.mark.parametrize(
    ("volume", "radius", "flanged", "mixed"), [(0.0135, 0.0425, 129.181, 138.752), (0.0150, 0.0500, 133.326, 143.270)]
)
def test_textbook_end_corrections(volume, radius, flanged, mixed):
    """Formula: euphonics.org 4.2.1. End corrections 8 / (3 pi) with a flange and 0.6133 without (from memory);
    figures worked out from them at 343.2 m/s."""
    two, one = 16 / (3 * pi), 8 / (3 * pi) + 0.6133
    assert box_frequency_hz(volume, radius, end_correction=two) == pytest.approx(flanged, abs=0.01)
    assert box_frequency_hz(volume, radius, end_correction=one) == pytest.approx(mixed, abs=0.01)
    assert flanged < box_frequency_hz(volume, radius) < mixed
    thin = box_frequency_hz(volume, radius, thickness_m=0.0, end_correction=pi / 2)
    assert thin == pytest.approx({0.0135: 137.060, 0.0150: 141.033}[volume], abs=0.01)  # Rayleigh's 2 r


@given(celsius=st.floats(0, 40))
def test_a_warm_box_is_higher(celsius):
    cold, warm = box_frequency_hz(**BOX, temperature_c=celsius), box_frequency_hz(**BOX, temperature_c=celsius + 1)
    assert warm / cold - 1 == pytest.approx(0.5 / (celsius + 273.15), rel=2e-3)  # + 0.17 % for a degree


def test_it_is_the_box_of_the_model():
    f = box_frequency_hz(**BOX, temperature_c=25.0)
    parts = {"top_mass_kg": 0.06, "top_stiffness_n_m": 7e4, "top_area_m2": 0.04, "back_mass_kg": 0.2}
    body = BodyModel(**parts, **BOX, back_stiffness_n_m=3e5, back_area_m2=0.03, hole_length_m=0.083, temperature_c=25.0)
    assert body.box_frequency_hz == pytest.approx(f, rel=1e-12)


@pytest.mark.parametrize(
    ("factor", "u", "verdict"),
    [
        (1.00, 0.005, "they agree"),
        (1.03, 0.005, "they agree"),
        (1.12, 0.005, "they disagree"),
        (0.88, 0.005, "they disagree"),
        (1.00, 0.05, "cannot tell"),
        (1.12, 0.08, "cannot tell"),
    ],
)
def test_verdicts(factor, u, verdict):
    f = box_frequency_hz(**BOX)
    check = check_box(from_taps_hz=factor * f, from_taps_u_hz=u * f, **BOX)
    assert check.verdict == verdict and verdict in check.sentence and "end correction 1.60" in check.sentence
    assert check.disagreement == pytest.approx(factor - 1)


def test_errors_of_volume_and_hole_count():
    """By moving each measure by its error: the sum of squares of what that does."""
    check = check_box(from_taps_hz=140.0, from_taps_u_hz=0.0, **BOX, volume_u=0.03, hole_radius_u=0.02)
    f = box_frequency_hz(**BOX)
    moved = [
        box_frequency_hz(0.0150 * 1.03, 0.050),
        box_frequency_hz(0.0150, 0.050 * 1.02),
        box_frequency_hz(**BOX, end_correction=1.67),
    ]
    assert check.from_measures_u_hz == pytest.approx(sum((each - f) ** 2 for each in moved) ** 0.5, rel=0.03)


def test_a_box_without_size():
    with pytest.raises(LuthkitError, match="volume_m3 is 0"):
        box_frequency_hz(0.0, 0.05)
