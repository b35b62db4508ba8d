"""One rate in an exponent: held against NIST's certified values, and against lmfit."""

import lmfit
import numpy as np
import pytest
import scipy.stats

from luthkit import LuthkitError
from luthkit.guitar.exponential import fit_rate, rate_interval

# NIST Statistical Reference Datasets, nonlinear regression: y = b1 (1 - exp(-b2 x)); certified b1, b2, sum of squares.
BOXBOD = ([1, 2, 3, 5, 7, 10], [109, 149, 149, 191, 213, 224])
BOXBOD_CERTIFIED = (2.1380940889e02, 5.4723748542e-01, 1.1680088766e03)
MISRA1A = (
    [77.6, 114.9, 141.1, 190.8, 239.9, 289.0, 332.8, 378.4, 434.8, 477.3, 536.8, 593.1, 689.1, 760.0],
    [10.07, 14.73, 17.94, 23.93, 29.61, 35.18, 40.02, 44.82, 50.76, 55.05, 61.01, 66.40, 75.47, 81.78],
)
MISRA1A_CERTIFIED = (2.3894212918e02, 5.5015643181e-04, 1.2455138894e-01)


def height(x, y, rate):
    return np.linalg.lstsq(rising(x)(rate), np.asarray(y, dtype=float))[0][0]


def rising(x):
    return lambda rate: (1 - np.exp(-rate * np.asarray(x)))[:, None]


@pytest.mark.parametrize(
    ("data", "certified"), [(BOXBOD, BOXBOD_CERTIFIED), (MISRA1A, MISRA1A_CERTIFIED)], ids=["BoxBOD", "Misra1a"]
)
def test_nist_certified_values(data, certified):
    x, y = data
    rate, squares = fit_rate(rising(x), y, lowest=1e-5, highest=1e3)
    assert (height(x, y, rate), rate, squares) == pytest.approx(certified, rel=2e-7)


def test_the_start_that_fools_a_plain_fit_does_not_matter():
    x, y = (np.array(part, dtype=float) for part in BOXBOD)

    def rest(p):
        return y - p["b1"] * (1 - np.exp(-p["b2"] * x))

    fooled = lmfit.minimize(rest, lmfit.create_params(b1=1.0, b2=1.0))  # NIST's start 1
    assert fooled.chisqr > 8 * BOXBOD_CERTIFIED[2]
    led = lmfit.minimize(rest, lmfit.create_params(b1=100.0, b2=0.75), xtol=1e-14, ftol=1e-14)  # start 2
    rate, squares = fit_rate(rising(x), y, lowest=1e-3, highest=1e3)
    assert rate == pytest.approx(led.params["b2"].value, rel=1e-6)
    assert squares <= led.chisqr * (1 + 1e-9)


def test_senseless_ranges_are_refused():
    with pytest.raises(LuthkitError, match="0 < lowest < highest"):
        fit_rate(rising([1, 2, 3]), [1.0, 2.0, 3.0], lowest=0.0, highest=1e3)


@pytest.mark.parametrize("data", [BOXBOD, MISRA1A], ids=["BoxBOD", "Misra1a"])
def test_profile_intervals_are_those_of_lmfit(data):
    x, y = (np.array(part, dtype=float) for part in data)
    rate, squares = fit_rate(rising(x), y, lowest=1e-5, highest=1e3)

    def rest(p):
        return y - p["b1"] * (1 - np.exp(-p["b2"] * x))

    start = lmfit.create_params(b1=height(x, y, rate), b2=rate)
    mini = lmfit.Minimizer(rest, start)
    ends = dict(lmfit.conf_interval(mini, mini.minimize(), sigmas=[0.9], maxiter=500))["b2"]
    # lmfit compares by F with one degree of freedom
    dof = len(x) - 2
    limit = squares * (1 + scipy.stats.f.ppf(0.9, 1, dof) / dof)
    for points in (60, 2000):
        found = rate_interval(rising(x), y, limit=limit, lowest=1e-5, highest=1e3, points=points)
        assert found == pytest.approx((ends[0][1], ends[-1][1]), rel=2e-3)


def test_an_end_that_the_data_leave_open_is_open():
    x, y = BOXBOD
    _, squares = fit_rate(rising(x), y, lowest=1e-3, highest=1e3)
    assert rate_interval(rising(x), y, limit=50 * squares, lowest=1e-3, highest=1e3)[1] == np.inf
    assert rate_interval(rising(x), y, limit=1e9, lowest=1e-3, highest=1e3) == (0.0, np.inf)
