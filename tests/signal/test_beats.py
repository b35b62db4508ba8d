"""One and two decaying lines: made truth, and the bound no unbiased reading can beat."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from luthkit.signal.beats import fit_one_and_two

RATE = 42.0
TIME = 0.2 + np.arange(round(4 * RATE)) / RATE


def sound(poles, amplitudes, noise=0.0, seed=0, n_bands=1):
    z = sum(a * np.exp(s * TIME) for s, a in zip(poles, amplitudes, strict=True))
    rng = np.random.default_rng(seed)
    hiss = rng.standard_normal((n_bands, TIME.size)) + 1j * rng.standard_normal((n_bands, TIME.size))
    return z + noise / np.sqrt(2) * hiss


def fitted(z):
    return fit_one_and_two(z, TIME, np.ones(z.shape), noise_ratio=1.0)


@settings(max_examples=30, deadline=None)
@given(st.floats(0.3, 6.0), st.floats(-8, 8), st.floats(0.2, 0.8), st.floats(0.4, 3.0), st.floats(0.1, 0.9))
def test_two_lines_without_noise_come_out_exactly(rate, omega, slower, apart, share):
    poles = np.array([-rate + 1j * omega, -rate * slower + 1j * (omega + 2 * np.pi * apart)])
    amplitudes = np.array([1.0, share * np.exp(1j)])
    one, two = fitted(sound(poles, amplitudes))
    order = np.argsort(-np.abs(amplitudes))
    np.testing.assert_allclose(two.poles[0], poles[order], rtol=1e-4, atol=1e-4)
    np.testing.assert_allclose(two.amplitudes[0], amplitudes[order], rtol=1e-3)
    assert one.misfit[0] > 100 * two.misfit[0]


def test_one_line_in_white_noise_reaches_the_cramer_rao_bound():
    """Fisher information of a complex exponential c exp(s t) in white noise, sigma^2 per complex sample:
    J^H J / sigma^2 with columns exp(s t) and c t exp(s t) (closed form, computed here without the module)."""
    pole, noise, n = -1.2 + 2.0j, 0.02, 400
    one, _ = fitted(sound([pole], [1.0], noise, seed=1, n_bands=n))
    line = np.exp(pole * TIME)
    columns = np.stack([line, TIME * line], axis=1)
    bound = np.sqrt(np.linalg.inv(columns.conj().T @ columns).real[1, 1] * noise**2 / 2)
    for part in (one.poles[:, 0] - pole).real, (one.poles[:, 0] - pole).imag:
        assert np.sqrt(np.mean(part**2)) == pytest.approx(bound, rel=0.15)
        assert abs(np.mean(part)) < 4 * bound / np.sqrt(n)
    assert np.median(one.pole_u) == pytest.approx(bound, rel=0.1)


def test_two_lines_in_noise_cover_their_errors():
    """Errors over their standard uncertainties: about one in root mean square, for both lines."""
    poles = np.array([-1.5 + 0.5j, -0.7 + 4.5j])
    _, two = fitted(sound(poles, [1.0, 0.3], 0.01, seed=2, n_bands=300))
    pull = np.concatenate([(two.poles - poles).real / two.pole_u, (two.poles - poles).imag / two.pole_u])
    assert 0.85 < np.sqrt(np.mean(pull**2)) < 1.2


def test_what_has_no_weight_is_not_looked_at():
    poles, amplitudes = np.array([-1.0 + 1j, -0.4 + 5j]), np.array([1.0, 0.4])
    z, weights = sound(poles, amplitudes), np.ones((1, TIME.size))
    z[:, 100:], weights[:, 100:] = 77.0, 0.0
    _, two = fit_one_and_two(z, TIME, weights, noise_ratio=1.0)
    np.testing.assert_allclose(two.poles[0], poles, rtol=1e-4)


def test_a_silent_band_does_no_harm():
    one, two = fitted(np.zeros((1, TIME.size), complex))
    assert np.isfinite(one.poles).all() and np.isfinite(two.poles).all()
