"""Looking ahead and back: pooling held against its defining equation, outlooks against the truth."""

import numpy as np
import pytest
from guitar.histories import made
from guitar.test_settling import DAYS, noise, plain_series

from luthkit import LuthkitError
from luthkit.guitar.forecast import (
    FEWEST_GUITARS,
    USUAL_FALL,
    USUAL_FALL_U,
    Settled,
    look_ahead,
    look_back,
    pool,
    settled_from,
)
from luthkit.guitar.history import series
from luthkit.guitar.settling import settle


def test_pooling_meets_its_defining_equation():
    """Mandel and Paule 1982: the weighted squares about the mean are n - 1."""
    values, variances = np.array([0.9, 1.4, 2.2, 1.1]), np.array([0.01, 0.02, 0.05, 0.01])
    mean, u, between = pool(values, variances)
    weights = 1 / (variances + between**2)
    assert weights @ (values - mean) ** 2 == pytest.approx(3.0)
    assert mean == pytest.approx(weights @ values / weights.sum()) and u == pytest.approx(weights.sum() ** -0.5)


def test_equal_variances_give_the_plain_mean_and_spread():
    values = np.array([0.01, 0.03, 0.02])
    mean, u, between = pool(values, np.full(3, 1e-5))
    assert mean == pytest.approx(0.02) and u == pytest.approx(values.std(ddof=1) / np.sqrt(3))
    assert between == pytest.approx(np.sqrt(values.var(ddof=1) - 1e-5))
    assert pool(values, np.full(3, 1e-2))[2] == 0.0  # errors alone explain the scatter


def test_few_guitars_are_called_few():
    nobody = look_back(196.0, 0.0)
    assert nobody.fall_log == pytest.approx(USUAL_FALL)
    assert nobody.fall_log_u == pytest.approx(np.hypot(USUAL_FALL_U, USUAL_FALL_U))
    assert "none of the shop's own guitars" in nobody.sentence and "from memory" in nobody.sentence
    one = look_back(196.0, 0.0, [Settled("first", 0.03, 0.002)])
    assert USUAL_FALL < one.fall_log < 0.03 and "only one" in one.sentence
    many = look_back(196.0, 0.0, [Settled(str(k), 0.02 + 0.002 * (k % 3), 0.002) for k in range(8)])
    assert FEWEST_GUITARS <= 8 and "rests on how 8" in many.sentence
    widths = [s.start_hz.high - s.start_hz.low for s in (nobody, one, many)]
    assert widths[0] > widths[1] > widths[2]
    assert look_back(196.0, 2.0).start_hz.high > nobody.start_hz.high
    with pytest.raises(LuthkitError, match="above 0"):
        look_back(0.0, 1.0)
    with pytest.raises(LuthkitError, match="second above 0"):
        Settled("x", 0.01, 0.0)


@pytest.mark.parametrize("n", [4, 8])
def test_a_new_guitar_starts_inside_the_band(n):
    """Pooled over n made guitars, the fall of the next one lies in its 95 % band about that often."""
    rng, inside = np.random.default_rng(n), 0
    for _ in range(300):
        falls = rng.normal(0.02, 0.008, n + 1)
        start = look_back(100.0, 0.0, [Settled("g", f + rng.normal(0, 0.003), 0.003) for f in falls[:n]])
        inside += start.start_hz.low < 100 * np.exp(falls[n]) < start.start_hz.high
    assert 0.91 < inside / 300 < 0.99


def test_an_outlook_knows_when_it_will_be_near():
    """a exp(-t / tau) = 0.5 % at t = tau ln(a / 0.5 %)."""
    days = DAYS[:9]  # 130 days
    value = np.log(196) + 0.08 * np.exp(-days / 60) + noise(3, len(days), 0.0005)
    course = settle(plain_series(value, days=days, u=0.0003, scatter=0.0005, scatter_dof=50.0))
    outlook = look_ahead(course)
    wait = 60 * np.log(0.08 / 0.005) - 130
    assert outlook.wait_days.low <= wait <= outlook.wait_days.high
    assert outlook.settled_hz.low < 196 < outlook.settled_hz.high
    assert look_ahead(course, within=0.05).wait_days.high < outlook.wait_days.high
    with pytest.raises(LuthkitError, match="fraction"):
        look_ahead(course, within=0.0)


def test_a_guitar_at_rest_is_said_to_be_there():
    course = settle(plain_series(5.0 + noise(0, 40, 0.001), days=np.arange(40) * 30.0, scatter=0.001, scatter_dof=99))
    outlook = look_ahead(course, within=0.02)
    assert outlook.wait_days.high == 0 and "already" in outlook.sentence


def test_settled_from_a_history():
    history, truth = made(4, kind="settling", modes=("main top",), days=[*DAYS, 500, 600, 700], scatter=0.001)
    found = settled_from(history.name, settle(series(history, "main top")))
    fall = sum(size for size, _ in truth.settling["main top"])
    assert abs(found.fall_log - fall) < 3 * found.fall_log_u
