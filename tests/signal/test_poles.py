"""Poles of sums of decaying sinusoids: exact without noise, and as uncertain as theory says with it."""

import numpy as np
import pytest
from benchmarks.bounds import decay_bound

from luthkit.signal.cells import Cell
from luthkit.signal.modes import _to_frequency_and_ratio
from luthkit.signal.poles import in_hiss, refine, subspace_poles
from luthkit.simulate import pole

RATE = 2800.0
POLES = pole([98.0, 203.0, 209.0, 411.0], [0.015, 0.01, 0.02, 0.012])
AMPLITUDES = np.array([1.0, 0.5j, -0.4 + 0.2j, 0.1])


def make_cell(samples, start_s=0.003):
    """A cell of one tap."""
    return Cell(
        position="",
        placement="",
        channel=0,
        sample_rate_hz=RATE,
        start_s=start_s,
        taps=np.asarray(samples)[None],
        gains=np.ones(1),
        before=np.zeros((1, 0)),
        lead=np.zeros(0),
        source_rate_hz=48000,
        filter_=np.ones(1),
    )


def decays(poles, amplitudes, n=2000, start_s=0.003):
    return (amplitudes @ np.exp(np.outer(poles, start_s + np.arange(n) / RATE))).real


def test_subspace_poles_are_exact_without_noise():
    """ESPRIT is exact for noise-free exponentials (Roy and Kailath 1989)."""
    found = subspace_poles([make_cell(decays(POLES, AMPLITUDES))], 8)
    assert found == pytest.approx(POLES, rel=1e-6)


def test_refining_reaches_the_truth_from_two_per_cent_away():
    data = decays(POLES, AMPLITUDES)
    start = POLES * (1 + 0.02 * np.exp(1j * np.arange(4)))
    start = -np.abs(start.real) + 1j * start.imag
    fit = refine(in_hiss([make_cell(data)], [data], [1e-6]), start, max_steps=60)
    order = np.argsort(fit.poles.imag)
    assert fit.poles[order] == pytest.approx(POLES, rel=1e-8)
    assert fit.amplitudes[0, order] == pytest.approx(AMPLITUDES, rel=1e-6)


def test_mains_lines_are_fitted_beside_the_poles():
    t = 0.003 + np.arange(2000) / RATE
    hum = sum(np.cos(2 * np.pi * 50.03 * k * t + k) / k for k in (1, 2, 3))
    data = decays(POLES, AMPLITUDES) + 0.1 * hum
    fit = refine(in_hiss([make_cell(data)], [data], [1e-6], 3), POLES, mains_hz=50.0, max_steps=60)
    assert fit.mains_hz == pytest.approx(50.03, abs=1e-7)
    assert fit.poles == pytest.approx(POLES, rel=1e-8)
    assert np.abs(fit.mains[0]) == pytest.approx(0.1 / np.array([1, 2, 3]), rel=1e-6)


def test_the_covariance_of_one_pole_is_the_bound():
    """Exact Fisher information, and its limit for a long record: sd(a) = 4 (noise / A) sqrt(a^3 / rate) for the
    decay rate a, sd(f) = sd(a) / 2 pi. For 8000 Hz, 200 Hz, loss factor 0.02, A = 1, noise 0.01, 8000 samples
    the exact value is sd(f) = 3.162101e-3 Hz (own derivation, confirmed by Monte Carlo)."""
    rate, decay, noise = 8000.0, 12.566371, 0.01
    single = -decay + 2j * np.pi * 200
    exact = decay_bound(single, np.exp(0.3j), noise, np.arange(8000) / rate)
    assert exact[0] == pytest.approx(3.162101e-3, rel=2e-4)
    n = 5000
    data = decays(np.array([single]), np.ones(1), n=n, start_s=0.0)
    fit = refine(in_hiss([make_cell(data, 0.0)], [data], [noise]), [single], max_steps=5)
    sd = np.sqrt(np.diag(fit.covariance))
    assert sd == pytest.approx(4 * noise * np.sqrt(decay**3 / RATE), rel=0.02)
    bound = decay_bound(single, 1.0, noise, np.arange(n) / RATE)
    assert sd[1] / (2 * np.pi) == pytest.approx(bound[0], rel=1e-3)


def test_the_covariance_of_several_poles_over_repeats_is_the_bound_and_hum_costs_something():
    amplitudes = np.array([AMPLITUDES, 1j * AMPLITUDES])
    data = [decays(POLES, each) for each in amplitudes]
    fit = refine(in_hiss([make_cell(each) for each in data], data, [0.01] * 2), POLES, max_steps=1)
    t = 0.003 + np.arange(2000) / RATE
    bound = np.array(decay_bound(POLES, amplitudes, 0.01, t))
    assert np.sqrt(_to_frequency_and_ratio(fit.poles, fit.covariance)) == pytest.approx(bound, rel=1e-6)
    assert np.all(np.array(decay_bound(POLES, amplitudes, 0.01, t, lines_hz=50 * np.arange(1, 13))) > 1.0001 * bound)


def test_two_cells_halve_the_variance():
    data = decays(POLES, AMPLITUDES)
    one = refine(in_hiss([make_cell(data)], [data], [0.01]), POLES)
    two = refine(in_hiss([make_cell(data)] * 2, [data] * 2, [0.01] * 2), POLES)
    assert 2 * np.diag(two.covariance) == pytest.approx(np.diag(one.covariance), rel=1e-6)
    assert two.strength.shape == (2, 4)


def test_strength_is_the_misfit_a_pole_takes_away():
    rng = np.random.default_rng(2)
    data = decays(POLES, AMPLITUDES) + 0.01 * rng.standard_normal(2000)
    look_at = in_hiss([make_cell(data)], [data], [0.01])
    fit = refine(look_at, POLES, max_steps=0)
    for k in range(4):
        without = refine(look_at, np.delete(POLES, k), max_steps=0)
        assert without.misfit - fit.misfit == pytest.approx(fit.strength[0, k], rel=1e-4)
