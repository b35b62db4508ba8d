"""Decay times: ISO 3382-1, noise, and the ringing of filters that must not pass for damping."""

import warnings

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from luthkit.errors import LuthkitError
from luthkit.signal.decay import band_envelope, decay_from_envelope, decay_time, schroeder_curve

RATE = 48000


def decay(frequency_hz=200.0, damping_ratio=0.01, length_s=2.0, rate=RATE):
    t = np.arange(round(length_s * rate)) / rate
    return np.exp(-2 * np.pi * frequency_hz * damping_ratio * t) * np.cos(2 * np.pi * frequency_hz * t)


# ---- Schroeder --------

# f = 200 Hz, Q = 50: T60 = 3 ln 10 / (pi f / Q) = 0.5497017 s. The evaluations of the sampled curve,
# independently computed over 2 s at 48 kHz without truncation: they differ a little because the cosine's own
# ripple is in them.
VECTOR = {"EDT": 0.549695, "T20": 0.549729, "T30": 0.549712}


@pytest.mark.parametrize("evaluation", VECTOR)
def test_the_vector_of_a_pure_decay(evaluation):
    found = decay_time(decay(), RATE, evaluation)
    assert found.decay_time_s == pytest.approx(VECTOR[evaluation], rel=2e-4)
    assert found.decay_time_s == pytest.approx(0.5497017, rel=2e-4)
    assert np.isnan(found.decay_time_u_s) and "scatter" in found.reason


@pytest.mark.parametrize("evaluation", VECTOR)
def test_side_by_side_with_pyrato(evaluation):
    """pyrato 1.1.0 (RWTH Aachen), an independent implementation of ISO 3382."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import pyfar
        import pyrato

        curve = pyrato.edc.schroeder_integration(pyfar.Signal(decay(), RATE))
        theirs = pyrato.parameters.reverberation_time_linear_regression(curve, T=evaluation)
    assert decay_time(decay(), RATE, evaluation).decay_time_s == pytest.approx(float(np.squeeze(theirs)), rel=2e-4)


def test_noise_does_not_lengthen_the_decay():
    """White noise 50 dB under the peak: without truncation -5 to -35 dB says 4.60 s instead of 0.55 s."""
    noisy = decay() + 10**-2.5 * np.random.default_rng(0).standard_normal(2 * RATE)
    plain = np.cumsum(noisy[::-1] ** 2)[::-1]
    level = 10 * np.log10(plain / plain[0])
    inside = (level <= -5) & (level >= -35)
    assert -60 / np.polyfit(np.flatnonzero(inside) / RATE, level[inside], 1)[0] > 4  # the trap is there
    for evaluation in VECTOR:
        assert decay_time(noisy, RATE, evaluation).decay_time_s == pytest.approx(0.5497, rel=0.01)


@pytest.mark.parametrize(("noise_db", "answered"), [(-60, "EDT T20 T30"), (-40, "EDT T20"), (-30, "EDT"), (-15, "")])
def test_too_much_noise_is_refused_with_the_reason(noise_db, answered):
    """ISO 3382-1 (from memory): the noise at least 10 dB below the lower end of the evaluation range."""
    noisy = decay() + 10 ** (noise_db / 20) * np.random.default_rng(1).standard_normal(2 * RATE)
    for evaluation in VECTOR:
        found = decay_time(noisy, RATE, evaluation)
        if evaluation in answered.split():
            assert found.decay_time_s == pytest.approx(0.5497, rel=0.03)
        else:
            assert np.isnan(found.decay_time_s) and "noise" in found.reason


@settings(max_examples=25, deadline=None)
@given(st.floats(0.1, 1.5), st.floats(-80, -55), st.integers(0, 1000))
def test_any_decay_of_noise_is_read(decay_time_s, noise_db, seed):
    """A Gaussian tail as in a room: the reading scatters by a few per cent, and is not biased."""
    rng = np.random.default_rng(seed)
    t = np.arange(round((1.3 * decay_time_s + 0.2) * 8000)) / 8000
    tail = rng.standard_normal(t.size) * 10 ** (-3 * t / decay_time_s)
    sound = tail + 10 ** (noise_db / 20) * rng.standard_normal(t.size)
    assert decay_time(sound, 8000, "T20").decay_time_s == pytest.approx(decay_time_s, rel=0.2)


def test_a_click_in_an_octave_is_only_the_filter():
    click = np.eye(1, RATE, 1000)[0] + 1e-6 * np.random.default_rng(0).standard_normal(RATE)
    for low in (88.4, 353.6, 2828.4):
        found = decay_time(click, RATE, "T20", onset_s=1000 / RATE, band_hz=(low, 2 * low))
        assert np.isnan(found.decay_time_s) and "ringing" in found.reason


def test_an_octave_finds_its_own_decay():
    rng = np.random.default_rng(5)
    both = decay(200, 0.01) + decay(1500, 0.004) + 1e-5 * rng.standard_normal(2 * RATE)
    for low, expected in (
        (141.4, 3 * np.log(10) / (2 * np.pi * 2.0)),
        (1060.7, 3 * np.log(10) / (2 * np.pi * 6.0)),
    ):
        assert decay_time(both, RATE, "T20", band_hz=(low, 2 * low)).decay_time_s == pytest.approx(expected, rel=0.01)


def test_the_curve_starts_at_nothing_and_falls():
    curve = schroeder_curve(np.concatenate([np.zeros(4800), decay()]), RATE, onset_s=0.1)
    assert curve.level_db[0] == 0
    assert np.all(np.diff(curve.level_db) <= 1e-9)
    assert curve.level_db[RATE // 4] == pytest.approx(-60 * 0.25 / 0.5497017, abs=0.1)


# ---- band envelope --------


def test_the_vector_of_light_damping():
    """zeta = 0.01 and T60 = 3 ln 10 / (2 pi f zeta) = 0.5497017 s (the rule 2.2 / (f eta) gives 0.5500)."""
    found = decay_from_envelope(decay(), RATE, 200)
    assert found.decay_time_s == pytest.approx(0.5497017, rel=1e-4)
    assert found.damping_ratio == pytest.approx(0.01, rel=1e-4)


def test_the_envelope_of_a_steady_tone_is_its_amplitude():
    time, envelope = band_envelope(0.3 * np.cos(2 * np.pi * 200 * np.arange(RATE) / RATE), RATE, 200, bandwidth_hz=20)
    inside = (time > 0.1) & (time < 0.9)
    np.testing.assert_allclose(envelope[inside], 0.3, rtol=1e-3)
    _, beside = band_envelope(np.cos(2 * np.pi * 210 * np.arange(RATE) / RATE), RATE, 200, bandwidth_hz=20)
    assert beside[len(beside) // 2] == pytest.approx(np.sqrt(0.5), rel=1e-3)  # the -3 dB point


@settings(max_examples=40, deadline=None, derandomize=True)  # the same draws each time: chance has no say
@given(st.floats(70, 1000), st.floats(0.003, 0.04), st.floats(0.12, 0.4), st.integers(0, 99))
def test_any_lone_mode_is_read_within_its_uncertainty(frequency, damping, width, seed):
    noise = 1e-3 * np.random.default_rng(seed).standard_normal(12000)
    sound = decay(frequency, damping, 1.5, 8000) + noise
    found = decay_from_envelope(sound, 8000, frequency, bandwidth_hz=width * frequency)
    if found.damping_ratio > 0:
        allowed = max(4.5 * found.damping_ratio_u, 0.005 * damping)
        assert found.damping_ratio == pytest.approx(damping, abs=allowed)
    else:
        assert found.reason
        assert damping > 0.02 or 2 * np.pi * frequency * damping * 1.5 < 3  # very short, or hardly falls in 1.5 s


@pytest.mark.parametrize("bandwidth_hz", [4.0, 10.0, 40.0])
def test_a_click_has_no_decay(bandwidth_hz):
    """Its envelope is the filter's own: a method that fits it would report the filter."""
    click = np.eye(1, 8000, 100)[0] + 1e-5 * np.random.default_rng(3).standard_normal(8000)
    found = decay_from_envelope(click, 8000, 200, onset_s=100 / 8000, bandwidth_hz=bandwidth_hz)
    assert np.isnan(found.damping_ratio) and found.reason


@pytest.mark.parametrize("bandwidth_hz", [2.0, 4.0, 8.0, 16.0, 60.0])
@pytest.mark.parametrize("damping", [0.05, 0.1, 0.2])
def test_heavy_damping_is_read_or_refused_but_never_the_filter(damping, bandwidth_hz):
    """At 200 Hz and 10 % the mode is 40 Hz wide: a narrow filter rings far longer than the mode."""
    noise = 1e-4 * np.random.default_rng(7).standard_normal(8000)
    found = decay_from_envelope(decay(200, damping, 1.0, 8000) + noise, 8000, 200, bandwidth_hz=bandwidth_hz)
    if np.isnan(found.damping_ratio):
        assert found.reason
    else:
        assert found.damping_ratio == pytest.approx(damping, rel=0.1)
    if bandwidth_hz < 400 * damping / 4:
        assert np.isnan(found.damping_ratio)


@pytest.mark.parametrize(("damping", "bandwidth_hz"), [(0.04, 13.2), (0.02, 6.6), (0.04, 20.0)])
def test_a_filter_as_slow_as_the_mode_is_waited_for(damping, bandwidth_hz):
    """With a s = 1 the filter still bends the envelope by 5 % at 3 s: the line must start later."""
    found = decay_from_envelope(
        decay(200, damping, 1.0, 8000) + 1e-7 * np.random.default_rng(2).standard_normal(8000),
        8000,
        200,
        bandwidth_hz=bandwidth_hz,
    )
    assert found.damping_ratio == pytest.approx(damping, rel=1.5e-3)


def test_the_uncertainty_is_the_scatter():
    """200 noisy copies: their scatter is the stated uncertainty, and not under the Cramer-Rao bound.

    The bound for one damped sinusoid in white noise, long record: sd(a) = 4 (sigma / A) sqrt(a^3 / fs), the
    inverse of the Fisher information of (amplitude, phase, decay, frequency).
    """
    rng = np.random.default_rng(11)
    rate, a, sigma = 4000, 2 * np.pi * 2.0, 0.02
    clean = decay(200, 0.01, 1.2, rate)
    found = [decay_from_envelope(clean + sigma * rng.standard_normal(clean.size), rate, 200) for _ in range(200)]
    rates = np.array([2 * np.pi * 200 * each.damping_ratio for each in found])
    stated = np.array([2 * np.pi * 200 * each.damping_ratio_u for each in found])
    bound = 4 * sigma * np.sqrt(a**3 / rate)
    assert abs(rates.mean() - a) < 4 * rates.std() / np.sqrt(200)
    assert bound < rates.std() < 6 * bound
    assert 0.8 < np.sqrt(np.mean(stated**2)) / rates.std() < 2.0


def test_a_bend_is_doubt():
    t = np.arange(9600) / 4800
    bent = (np.exp(-20 * t) + 0.2 * np.exp(-5 * t)) * np.cos(2 * np.pi * 200 * t)
    found = decay_from_envelope(bent, 4800, 200)
    rate, u = (2 * np.pi * 200 * value for value in (found.damping_ratio, found.damping_ratio_u))
    assert abs(rate - 20) < 2 * u and u > 1


def test_a_room_that_outlasts_the_mode_is_named():
    """The mode has died in the filter's rise; what is left is a straight line, but the room's."""
    t = np.arange(9600) / 4800
    sound = (np.exp(-60 * t) + 0.05 * np.exp(-10 * t)) * np.cos(2 * np.pi * 300 * t)
    found = decay_from_envelope(sound, 4800, 300, bandwidth_hz=10)
    assert np.isnan(found.damping_ratio) and "louder" in found.reason


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda x: decay_from_envelope(x, RATE, 30000), "24000"),
        (lambda x: decay_from_envelope(x, RATE, 200, bandwidth_hz=-1), "positive width"),
        (lambda x: decay_from_envelope(np.ones((99, 2)), RATE, 200), "one channel"),
        (lambda x: decay_time(x, RATE, "T60"), "EDT, T20, T30"),
        (lambda x: decay_time(x, RATE, band_hz=(500, 100)), "rises"),
        (lambda x: decay_time(0 * x, RATE), "silent"),
        (lambda x: decay_time(x, -RATE), "sample_rate_hz is -"),
        (lambda x: decay_time(x, RATE, onset_s=-0.1), "onset_s is -0.1"),
        (lambda x: decay_from_envelope(x, RATE, 200, onset_s=float("nan")), "onset_s is nan"),
    ],
)
def test_bad_use_says_what_is_allowed(call, words):
    with pytest.raises(LuthkitError, match=words):
        call(decay())
