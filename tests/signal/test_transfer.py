"""Transfer functions: ISO 7626-5 (from memory), scipy side by side, an oscillator of known mobility."""

import numpy as np
import pytest
import scipy.signal
from hypothesis import given, settings
from hypothesis import strategies as st

from luthkit.errors import LuthkitError
from luthkit.signal.taps import Tap, TapSet
from luthkit.signal.transfer import ONE_HIT, RELATIVE, transfer

RATE = 4096


def hits(channels):
    """channels: (n_taps, n_samples, n_channels)."""
    taps = tuple(Tap(np.asarray(c, float), RATE, 0.0, 0.0, f"hit {k}") for k, c in enumerate(channels))
    return TapSet(taps, (), {}, {})


@settings(max_examples=15, deadline=None)
@given(st.integers(2, 6), st.integers(50, 400), st.integers(0, 99))
def test_equal_to_scipy(n_taps, n, seed):
    """scipy.signal.csd, welch and coherence with one boxcar segment a tap."""
    rng = np.random.default_rng(seed)
    channels = rng.standard_normal((n_taps, n, 2))
    channels[..., 1] += 2 * channels[..., 0]
    found = transfer(hits(channels), response_kind="pressure")
    x, y = channels[..., 0].ravel(), channels[..., 1].ravel()
    options = {"fs": RATE, "window": "boxcar", "nperseg": n, "noverlap": 0, "detrend": "constant"}
    frequency, xy = scipy.signal.csd(x, y, **options)
    _, xx = scipy.signal.welch(x, **options)
    _, yy = scipy.signal.welch(y, **options)
    with np.errstate(divide="ignore", invalid="ignore"):  # at 0 Hz nothing is left
        _, coherence = scipy.signal.coherence(x, y, **options)
    np.testing.assert_allclose(found.frequency_hz, frequency, rtol=1e-12)
    np.testing.assert_allclose(found.h1[1:], xy[1:] / xx[1:], rtol=1e-11)
    np.testing.assert_allclose(found.h2[1:], yy[1:] / np.conj(xy[1:]), rtol=1e-10)
    np.testing.assert_allclose(found.coherence[1:], coherence[1:], atol=1e-12)
    np.testing.assert_allclose(found.h1[1:] / found.h2[1:], found.coherence[1:], atol=1e-12)  # H1 = gamma^2 H2


MASS_KG, DAMPING_N_S_M, STIFFNESS_N_M = 0.08, 2.0, 6.3e4


def oscillator_hits(response, n_taps, *, force_fs_per_n=0.01, response_fs=0.05, force_noise=0.0, noise=0.0, seed=3):
    """Hits of 1 to 2 ms on a mass, a spring and a dashpot; the response by its exact mobility."""
    rng = np.random.default_rng(seed)
    n = 4 * RATE  # the oscillator's T60 is 0.55 s: after 4 s nothing is left to fold back
    i_omega = 2j * np.pi * np.fft.rfftfreq(n, 1 / RATE)
    mobility = i_omega / (STIFFNESS_N_M + i_omega * DAMPING_N_S_M + i_omega**2 * MASS_KG)
    factor = mobility * (i_omega if response == "acceleration" else 1)
    factor[-1] = factor[-1].real
    channels = np.zeros((n_taps, n, 2))
    for channel in channels:
        width = rng.integers(4, 9)
        force = np.zeros(n)
        force[10 : 10 + width] = rng.uniform(10, 40) * np.hanning(width + 2)[1:-1]
        motion = np.fft.irfft(np.fft.rfft(force) * factor, n)
        channel[:, 0] = force_fs_per_n * force + force_noise * rng.standard_normal(n)
        channel[:, 1] = response_fs * motion + noise * rng.standard_normal(n)
    frequency = i_omega.imag / (2 * np.pi)
    return hits(channels), frequency, mobility, factor


@pytest.mark.parametrize("response", ["velocity", "acceleration"])
def test_an_oscillator_of_known_mobility(response):
    taps, frequency, mobility, factor = oscillator_hits(response, 3)
    found = transfer(taps, response_kind=response, force_sensitivity=0.01, response_sensitivity=0.05, max_hz=1000)
    inside = slice(1, found.frequency_hz.size)
    np.testing.assert_allclose(found.frequency_hz, frequency[: found.frequency_hz.size])
    np.testing.assert_allclose(found.h1[inside], factor[inside], rtol=1e-6)
    np.testing.assert_allclose(found.h2[inside], factor[inside], rtol=1e-6)
    np.testing.assert_allclose(found.mobility()[inside], mobility[inside], rtol=1e-6)
    np.testing.assert_allclose(found.coherence[inside], 1, atol=1e-9)
    assert found.unit == {"velocity": "m/s per N", "acceleration": "m/s^2 per N"}[response] and not found.notes
    resonance = np.argmax(np.abs(found.mobility()[inside])) + 1
    natural_hz = np.sqrt(STIFFNESS_N_M / MASS_KG) / (2 * np.pi)
    assert found.frequency_hz[resonance] == pytest.approx(natural_hz, abs=0.25)
    assert np.abs(found.mobility()[resonance]) == pytest.approx(1 / DAMPING_N_S_M, rel=0.01)  # |Y| = 1 / c


def test_noise_pulls_h1_and_h2_apart_and_shows_in_the_coherence():
    """Noise on the response lifts H2 only; noise on the force lowers H1 only; both lower the coherence."""
    options = {"response_kind": "velocity", "force_sensitivity": 0.01, "response_sensitivity": 0.05}
    for disturbed, steady, name, size in (("h2", "h1", "noise", 3e-4), ("h1", "h2", "force_noise", 3e-3)):
        taps, frequency, mobility, _ = oscillator_hits("velocity", 40, **{name: size})
        found = transfer(taps, **options)
        band = (frequency > 100) & (frequency < 500)
        error_db = {
            each: np.median(20 * np.log10(np.abs(getattr(found, each)[band] / mobility[band]))) for each in ("h1", "h2")
        }
        assert abs(error_db[steady]) < 0.25 and abs(error_db[disturbed]) > 0.5
        assert (error_db[disturbed] > 0) == (disturbed == "h2")
        assert np.median(found.coherence[band]) < 0.95


def test_the_stated_random_error_is_the_scatter():
    options = {"response_kind": "velocity", "force_sensitivity": 0.01, "response_sensitivity": 0.05}
    found = [oscillator_hits("velocity", 8, noise=1e-4, seed=seed) for seed in range(30)]
    sets = [transfer(taps, **options) for taps, *_ in found]
    frequency = sets[0].frequency_hz
    band = (frequency > 120) & (frequency < 180)
    heights = np.array([np.abs(each.h1[band]) for each in sets])
    scatter = np.sqrt(np.mean((heights.std(axis=0, ddof=1) / heights.mean(axis=0)) ** 2))
    stated = np.sqrt(np.mean([each.h1_relative_u[band] ** 2 for each in sets]))
    assert stated == pytest.approx(scatter, rel=0.25)


def test_one_hit_has_no_coherence():
    """With one record |G_xy|^2 = G_xx G_yy whatever the noise: a coherence of 1 would tell nothing."""
    taps, *_ = oscillator_hits("velocity", 1, noise=1e-2)
    found = transfer(taps, response_kind="velocity", force_sensitivity=0.01, response_sensitivity=0.05)
    assert np.all(np.isnan(found.coherence)) and np.all(np.isnan(found.h1_relative_u)) and found.notes == (ONE_HIT,)


def test_without_sensitivities_the_height_is_relative_and_says_so():
    taps, *_ = oscillator_hits("velocity", 2)
    found = transfer(taps, response_kind="velocity")
    assert found.unit == "relative" and RELATIVE in found.notes


def test_a_pressure_is_no_mobility():
    taps, *_ = oscillator_hits("velocity", 2)
    with pytest.raises(LuthkitError, match="vibration pickup"):
        transfer(taps, response_kind="pressure").mobility()


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"response_kind": "loudness"}, "acceleration, velocity"),
        ({"response_kind": "velocity", "force_sensitivity": 1.0}, "or neither"),
        ({"response_kind": "velocity", "force_sensitivity": 0.0, "response_sensitivity": 1.0}, "positive"),
        ({"response_kind": "velocity", "response_channel": 2}, "channels 0 to 1"),
    ],
)
def test_bad_options_say_what_is_allowed(options, words):
    taps, *_ = oscillator_hits("velocity", 2)
    with pytest.raises(LuthkitError, match=words):
        transfer(taps, **options)


def test_recordings_that_cannot_serve_are_named():
    mono = TapSet((Tap(np.ones((500, 1)), RATE, 0.0, 0.0, "mono.wav"),), (), {}, {})
    with pytest.raises(LuthkitError, match=r"mono\.wav"):
        transfer(mono, response_kind="velocity")
    with pytest.raises(LuthkitError, match="No tap"):
        transfer(TapSet((), (), {}, {}), response_kind="velocity")
    with pytest.raises(LuthkitError, match="holds no force"):
        transfer(hits(np.zeros((2, 99, 2))), response_kind="velocity")
    two = TapSet(tuple(Tap(np.ones((500, 2)), rate, 0.0, 0.0, "x") for rate in (44100, 48000)), (), {}, {})
    with pytest.raises(LuthkitError, match="44100, 48000"):
        transfer(two, response_kind="velocity")
