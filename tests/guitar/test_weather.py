"""Weather: moisture, speed of sound and slopes, held against psychrolib and the standard's formula."""

import numpy as np
import psychrolib
import pytest
from guitar.histories import made, until

from luthkit.guitar.air_top_back import speed_of_sound_m_s
from luthkit.guitar.history import series
from luthkit.guitar.weather import weather_terms

psychrolib.SetUnitSystem(psychrolib.SI)


@pytest.mark.parametrize(
    ("temperature", "speed"), [(0, 331.4391), (10, 337.6153), (20, 343.8278), (25, 346.9778), (30, 350.1790)]
)
def test_speed_of_sound_at_half_humidity(temperature, speed):
    """Ideal gas at 50 % relative humidity, as pyfar 0.8.1 gives it."""
    found = speed_of_sound_m_s(temperature, relative_humidity_percent=50.0)
    assert found == pytest.approx(speed, rel=2e-4)  # its heat capacities differ in the fourth figure


@pytest.mark.parametrize("humidity", [20.0, 50.0, 80.0])
def test_the_density_behind_the_speed_is_psychrolib_s(humidity):
    """c^2 = gamma p / rho: the density that our speed implies is that of moist air."""
    t = 20.0
    ratio = psychrolib.GetHumRatioFromRelHum(t, humidity / 100, 101325.0)
    density = psychrolib.GetMoistAirDensity(t, ratio, 101325.0)
    share = psychrolib.GetVapPresFromHumRatio(ratio, 101325.0) / 101325.0
    gamma = (3.5 + 0.5 * share) / (2.5 + 0.5 * share)
    known = np.sqrt(gamma * 101325.0 / density)
    assert speed_of_sound_m_s(t, relative_humidity_percent=humidity) == pytest.approx(known, rel=3e-4)


def test_own_slope_across_seasons_else_the_usual_one():
    history, _ = made(1, kind="no change", modes=("air", "main top"))
    own = weather_terms(series(history, "main top"))
    assert own.names == ("moisture", "temperature") and np.isinf(own.slope_u[0]) and "own answer" in own.notes[0]
    young = until(history, history.occasions[7].date)  # 90 days
    usual = weather_terms(series(young, "main top"))
    # -0.2 +- 0.1 % for each % of humidity, 0.16 % of moisture content for each
    assert usual.slope[0] * 0.16 == pytest.approx(-0.002) and usual.slope_u[0] * 0.16 == pytest.approx(0.001, rel=0.1)
    assert "width" in usual.notes[0]
    assert weather_terms(series(history, "air")).names == ("moisture", "sound")


def test_a_weighed_guitar_tells_its_own_moisture():
    history, _ = made(1, kind="no change", modes=("main top",), weighed=True)
    terms = weather_terms(series(history, "main top"))
    assert terms.names[0] == "mass" and terms.lag_u == 0
    mass = series(history, "main top").mass_g
    assert terms.terms[:, 0] == pytest.approx(100 * np.log(mass / mass.mean()))


def test_an_unknown_climate_widens_the_error():
    _, truth = made(1, kind="no change", modes=("main top",))
    rows = [dict(row, relative_humidity_percent="" if k < 3 else row["relative_humidity_percent"])
            for k, row in enumerate(truth.rows)]  # fmt: skip
    from luthkit.guitar.history import history_from_rows

    terms = weather_terms(series(history_from_rows("x", rows), "main top"))
    assert np.all(terms.extra_u[:3] > 0.01) and np.all(terms.extra_u[3:] == 0)
    assert "3 of 14" in terms.notes[0]
