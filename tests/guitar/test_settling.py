"""Settling: closed forms first, then made histories whose truth is known."""

import lmfit
import numpy as np
import pytest
from guitar.histories import made
from hypothesis import given, settings
from hypothesis import strategies as st

from luthkit import LuthkitError
from luthkit.guitar.history import PLANNING_DOF, Series, history_from_rows, series
from luthkit.guitar.settling import CANNOT_TELL, UNTOLD, band, draws, settle
from luthkit.guitar.shapes import DRIFT, NO_CHANGE, SETTLING, TWICE, System, find_system
from luthkit.guitar.weather import weather_terms

DAYS = np.array([0, 1, 3, 7, 14, 30, 60, 90, 130, 180, 240, 300, 365, 430], dtype=float)


def plain_series(value_log, *, days=DAYS, u=0.001, climate=True, quantity="frequency", **options):
    """A series in an unchanging climate."""
    n = len(days)
    steady = (np.full(n, 20.0), np.full(n, 48.0)) if climate else (np.full(n, np.nan),) * 2
    first = history_from_rows("x", [{"date": "2021-03-01", "mode": "m", "frequency_hz": 1, "damping_ratio": 1}])
    day_one = first.occasions[0].date
    return Series("m", quantity, day_one, days, value_log, np.full(n, u), *steady, np.full(n, np.nan), **options)


def noise(seed, n=14, sd=0.003):
    return np.random.default_rng(seed).normal(0, sd, n)


def test_a_clear_settling_is_what_lmfit_finds():
    """The same weighted least squares by other hands; priors are too wide to matter at such a size."""
    value = np.log(196) + 0.06 * np.exp(-DAYS / 25) + noise(1, sd=0.001)
    course = settle(plain_series(value, scatter=0.001))
    mini = lmfit.Minimizer(
        lambda p: (value - p["c"] - p["a"] * np.exp(-DAYS / p["tau"])) / 0.001,
        lmfit.create_params(c=5.2, a=0.05, tau=20),
    )
    other = mini.minimize()
    assert course.shape == SETTLING
    assert course.time_constant_days.value == pytest.approx(other.params["tau"].value, rel=0.02)
    assert course.settled_log.value == pytest.approx(other.params["c"].value, abs=5e-4)
    assert course.time_constant_days.low < 25 < course.time_constant_days.high
    move = 0.06 * (np.exp(-430 / 25) - 1)
    assert course.change.low < move < course.change.high
    assert course.change.value == pytest.approx(move, abs=0.003)


def test_shapes_are_told_apart():
    quiet = noise(3)
    assert settle(plain_series(5.0 + quiet)).shape == NO_CHANGE
    drift = settle(plain_series(5.0 + 0.08 * DAYS / 365.25 + quiet))
    assert drift.shape == DRIFT and drift.changed
    days = np.concatenate([DAYS, 430 + 60 * np.arange(1, 30)])
    both = 5.0 + 0.04 * np.exp(-days / 14) + 0.05 * np.exp(-days / 700) + noise(5, len(days), 0.001)
    assert settle(plain_series(both, days=days, scatter=0.001)).shape == TWICE
    jump = settle(plain_series(5.0 + np.where(DAYS > 170, 0.02, 0.0) + quiet))
    assert jump.shape in (DRIFT, SETTLING, UNTOLD)


@pytest.mark.parametrize("chance", [0.05, 0.2])
def test_no_change_is_called_changed_as_often_as_stated(chance):
    seen = [settle(plain_series(5.0 + noise(seed)), chance=chance).changed for seed in range(80)]
    # 80 draws: three standard deviations of the binomial
    assert abs(np.mean(seen) - chance) < 3 * np.sqrt(chance * (1 - chance) / 80)


@settings(max_examples=15, deadline=None)
@given(st.integers(0, 10**6), st.floats(-1.0, 1.0))
def test_units_do_not_matter(seed, shift):
    """The same series at another pitch gives the same chance, shape and scatter, and the moved level."""
    value = 5.0 + 0.01 * np.exp(-DAYS / 30) + noise(seed)
    first = settle(plain_series(value, u=0.0))
    moved = settle(plain_series(value + shift, u=0.0))
    assert moved.chance == pytest.approx(first.chance, abs=0.002)
    assert (moved.shape, moved.scatter) == (first.shape, first.scatter)
    assert moved.settled_log.value - shift == pytest.approx(first.settled_log.value, abs=1e-9)


def test_what_could_have_been_seen_shrinks_with_more_sessions():
    few = [settle(plain_series(5.0 + noise(seed)[::3], days=DAYS[::3])) for seed in range(9)]
    many = [settle(plain_series(5.0 + noise(seed))) for seed in range(9)]
    sizes = [np.median([course.no_more_than for course in courses]) for courses in (few, many)]
    assert sizes[1] < 0.8 * sizes[0]
    assert any("wide" in note for note in few[0].notes) and not any("wide" in note for note in many[0].notes)
    three = settle(plain_series(5.0 + noise(4)[:3], days=DAYS[:3]))
    assert three.shape == CANNOT_TELL and np.isnan(three.chance)
    assert three.settled_log.high - three.settled_log.low > many[4].settled_log.high - many[4].settled_log.low
    with pytest.raises(LuthkitError, match="never read"):
        settle(plain_series(np.zeros(0), days=np.zeros(0)))


def test_a_logged_event_is_no_settling():
    step = np.where(DAYS >= 60, -0.02, 0.0)
    value = 5.0 + step + noise(11)
    assert settle(plain_series(value)).changed
    told = settle(plain_series(value, steps=((60.0, "strings changed"),)))
    assert not told.changed
    assert np.ptp(told.corrected_log) < 0.75 * np.ptp(value)
    # events before the first and after the last session part nothing
    far = settle(plain_series(5.0 + noise(11), steps=((0.0, "strung"), (5000.0, "repair"))))
    assert far.system.steps == ()


def test_the_scatter_is_found_and_the_planning_figure_weighs_little():
    for sd in (0.0015, 0.006):
        days = np.arange(40) * 30.0
        system = find_system(*_with_weather(plain_series(5.0 + noise(2, 40, sd), days=days, u=1e-4)))
        assert system.scatter == pytest.approx(sd, rel=0.45)
    firm = plain_series(5.0 + noise(2, 14, 0.006), u=1e-4, scatter_dof=1000.0)
    assert find_system(*_with_weather(firm)).scatter < 0.0045
    assert firm.scatter_dof != PLANNING_DOF


def _with_weather(one):
    return one, weather_terms(one)


def test_the_system_is_generalised_least_squares():
    """Against the textbook formula (X' C^-1 X)^-1 X' C^-1 y, priors as rows (linear algebra, no source needed)."""
    one = plain_series(5.0 + noise(4), steps=((60.0, "set-up"),))
    system = System(one, weather_terms(one), scatter=0.003)
    columns = np.exp(-DAYS / 20)[None, :, None]
    found, covariance, squares, _ = system.solve(columns, (0.03,))
    design = np.column_stack([system.columns, columns[0]])
    inverse = np.linalg.inv(system.covariance)
    precision = np.diag([*system.precision, 0.03**-2])
    mean = np.array([*system.mean, 0.0])
    normal = design.T @ inverse @ design + precision
    expected = np.linalg.solve(normal, design.T @ inverse @ system.value + precision @ mean)
    assert found[0] == pytest.approx(expected, rel=1e-8, abs=1e-12)
    assert covariance[0] == pytest.approx(np.linalg.inv(normal), rel=1e-6)
    rest = system.value - design @ expected
    assert squares[0] == pytest.approx(rest @ inverse @ rest + (expected - mean) @ precision @ (expected - mean))


def test_the_settled_value_lies_in_its_band():
    """Twenty made guitars, the weather included; the benchmark counts 200."""
    inside = []
    for seed in range(20):
        history, truth = made(seed, kind=("settling", "no change")[seed % 2], modes=("main top",))
        course = settle(series(history, "main top"), reference_climate=(20.5, 48))
        inside.append(course.settled_log.low < np.log(truth.settled_hz["main top"]) < course.settled_log.high)
    assert sum(inside) >= 15  # 18 expected; fewer than 15 in one case of a hundred


def test_the_weather_is_taken_off():
    history, _ = made(2, kind="no change", modes=("main top",), days=range(0, 720, 30), scatter=0.001)
    one = series(history, "main top")
    course = settle(one)
    assert not course.changed
    assert np.std(course.corrected_log) < 0.6 * np.std(one.value_log)
    assert np.all(course.corrected_log_u > 0)


def test_bands_follow_the_course():
    value = np.log(196) + 0.06 * np.exp(-DAYS / 25) + noise(1, sd=0.001)
    course = settle(plain_series(value, scatter=0.001))
    middle, low, high = band(course, [0.0, 30.0, 400.0])
    truth = np.log(196) + 0.06 * np.exp(-np.array([0.0, 30.0, 400.0]) / 25)
    assert np.all(low < middle) and np.all(middle < high)
    assert middle == pytest.approx(truth, abs=0.003)
    once, again = (draws(course.fits, course.system, [5.0]) for _ in range(2))
    assert np.array_equal(once, again)
