"""Spectra: named scalings, window factors, the noise floor, and no damping added by a window."""

import numpy as np
import pytest
import scipy.signal
from hypothesis import given, settings
from hypothesis import strategies as st

from luthkit.errors import LuthkitError
from luthkit.signal.spectrum import SCALINGS, average_spectrum, sound_spectrum, window_factors
from luthkit.signal.taps import Tap, TapSet

# F. J. Harris, "On the use of windows for harmonic analysis with the discrete Fourier transform", Proc. IEEE
# 66 (1978), table I: coherent gain, equivalent noise bandwidth in bins, scallop loss in dB. The values with
# four digits are the same three sums over 1024 samples of scipy's windows; Harris prints two.
HARRIS = {
    "boxcar": (1.0000, 1.0000, -3.922),
    "hann": (0.5000, 1.5000, -1.424),
    "hamming": (0.5400, 1.3628, -1.751),
    "blackman": (0.4200, 1.7268, -1.099),
    "blackmanharris": (0.3588, 2.0044, -0.826),
    "flattop": (0.2156, 3.7702, -0.010),
    ("gaussian", 128): (0.3133, 2.2570, -0.669),
    ("kaiser", 14.0): (0.3319, 2.1611, -0.713),
}


def tap_of(samples, rate=4800, onset_s=0.0, source="made"):
    samples = np.asarray(samples, float)
    return Tap(samples.reshape(len(samples), -1), rate, onset_s, onset_s, source)


def set_of(*taps):
    return TapSet(taps=taps, rejected=(), sources={"made": "0" * 64}, parameters={})


@pytest.mark.parametrize("name", HARRIS, ids=str)
def test_window_factors_are_those_of_harris(name):
    factors = window_factors(scipy.signal.get_window(name, 1024))
    gain, bandwidth, scallop = HARRIS[name]
    assert factors.coherent_gain == pytest.approx(gain, abs=6e-5)
    assert factors.noise_bandwidth_bins == pytest.approx(bandwidth, abs=6e-5)
    assert factors.scallop_loss_db == pytest.approx(scallop, abs=6e-4)


def test_a_window_without_weight_is_refused():
    with pytest.raises(LuthkitError, match="positive sum"):
        window_factors(np.zeros(8))


@settings(max_examples=30, deadline=None)
@given(
    st.integers(20, 300),
    st.integers(1, 3),
    st.sampled_from([300, 441, 480, 1000]),
    st.integers(1, 5),
    st.booleans(),
)
def test_the_sum_of_the_energy_density_is_the_energy(n, n_taps, rate, padding, equalise):
    """Parseval's theorem, for any length, number of taps, rate and padding, equalised or not."""
    rng = np.random.default_rng(n * n_taps)
    taps = [tap_of(rng.standard_normal((n, 2)), rate) for _ in range(n_taps)]
    spectrum = average_spectrum(
        set_of(*taps),
        scaling="energy density",
        max_hz=None,
        zero_padding=padding,
        equalise=equalise,
        equalise_band_hz=(0, rate),
    )
    energy = np.mean([np.sum((tap.samples - tap.samples.mean(axis=0)) ** 2) / 2 / rate for tap in taps])
    assert spectrum.value.sum() * spectrum.frequency_hz[1] == pytest.approx(energy, rel=1e-9)


def test_a_decay_keeps_its_own_spectrum():
    """The closed form of the decay's transform (a geometric series): any window over it would show."""
    rate, n, rate_of_decay, tone = 4800, 2400, 9.0, 2 * np.pi * 117.3
    s = (-rate_of_decay + 1j * tone) / rate
    x = np.exp(s * np.arange(n)).real
    spectrum = average_spectrum(set_of(tap_of(x)), scaling="energy density", lead_s=0.0)
    z = np.exp(-2j * np.pi * spectrum.frequency_hz / rate)

    def series(ratio):
        return (1 - ratio**n) / (1 - ratio)

    with np.errstate(divide="ignore", invalid="ignore"):
        mean = np.where(spectrum.frequency_hz == 0, n, series(z)) * x.mean()
    transform = 0.5 * series(np.exp(s) * z) + 0.5 * series(np.exp(np.conj(s)) * z) - mean
    expected = 2 * np.abs(transform) ** 2 / rate**2
    np.testing.assert_allclose(spectrum.value[1:], expected[1:], rtol=1e-9, atol=1e-16)


def test_the_scalings_mean_what_they_say():
    """A steady sine has its amplitude, white noise 2 sigma^2 / fs (definition of a one-sided density)."""
    rate, n = 4800, 4800 * 4
    sine = 0.3 * np.sin(2 * np.pi * 200 * np.arange(n) / rate)
    amplitude = average_spectrum(set_of(tap_of(sine)), scaling="amplitude", zero_padding=1)
    assert amplitude.value[800] == pytest.approx(0.3, rel=1e-9)
    assert amplitude.level_db[800] == pytest.approx(20 * np.log10(0.3), abs=1e-6)
    noise = 0.1 * np.random.default_rng(1).standard_normal(n)
    power = average_spectrum(set_of(tap_of(noise)), scaling="power density", zero_padding=1)
    assert power.value[40:-1].mean() == pytest.approx(2 * 0.01 / rate, rel=0.03)
    assert power.unit == "FS^2/Hz"
    assert power.bandwidth_hz == pytest.approx(0.25)


@pytest.mark.parametrize("scaling", SCALINGS)
def test_noise_alone_lies_on_its_own_floor(scaling):
    """Hiss before the onset and hiss after it are the same: in each scaling the floor meets the spectrum."""
    rng = np.random.default_rng(2)
    taps = [tap_of(rng.standard_normal(6240), onset_s=0.1) for _ in range(20)]
    spectrum = average_spectrum(set_of(*taps), scaling=scaling)
    inside = slice(300, None)
    ratio = np.mean(spectrum.value[inside] ** 2) / np.mean(spectrum.noise[inside] ** 2)
    assert 10 * np.log10(ratio) == pytest.approx(0, abs=1.0)


def test_without_a_quiet_stretch_there_is_no_floor():
    spectrum = average_spectrum(set_of(tap_of(np.random.default_rng(0).standard_normal(999))), scaling="amplitude")
    assert np.all(np.isnan(spectrum.noise)) and np.all(np.isnan(spectrum.noise_db))


def test_loud_taps_do_not_drown_soft_ones():
    t = np.arange(4800) / 4800
    soft, loud = (
        np.exp(-9 * t) * np.sin(2 * np.pi * 100 * t),
        100 * np.exp(-9 * t) * np.sin(2 * np.pi * 300 * t),
    )
    taps = set_of(tap_of(soft), tap_of(loud))
    equal = average_spectrum(taps, scaling="energy density", zero_padding=1)
    plain = average_spectrum(taps, scaling="energy density", zero_padding=1, equalise=False)
    assert equal.level_db[100] == pytest.approx(equal.level_db[300], abs=1)
    assert plain.level_db[100] < plain.level_db[300] - 30


def test_taps_of_different_rates_and_lengths_share_one_grid():
    def decay(rate, seconds):
        t = np.arange(round(rate * seconds)) / rate
        return tap_of(np.exp(-20 * t) * np.sin(2 * np.pi * 150 * t), rate)

    spectrum = average_spectrum(set_of(decay(44100, 1.2), decay(16000, 0.9)), scaling="energy density")
    alone = average_spectrum(set_of(decay(44100, 1.2)), scaling="energy density")
    assert spectrum.frequency_hz[1] == pytest.approx(1 / 5)
    np.testing.assert_allclose(spectrum.value[500:1000], alone.value[500:1000], rtol=0.02)


@pytest.mark.parametrize("window", ["hann", "flattop", "blackmanharris", "boxcar"])
def test_a_windowed_sine_keeps_its_height_and_noise_its_density(window):
    rate, n = 8000, 8000
    sine = sound_spectrum(np.cos(2 * np.pi * 400 * np.arange(n) / rate), rate, scaling="amplitude", window=window)
    assert sine.value[400] == pytest.approx(1.0, rel=1e-9)
    hiss = sound_spectrum(np.random.default_rng(4).standard_normal(n), rate, scaling="power density", window=window)
    assert hiss.value[5:-1].mean() == pytest.approx(2 / rate, rel=0.06)


def test_results_cannot_be_changed_and_tell_where_they_come_from():
    spectrum = average_spectrum(set_of(tap_of(np.arange(100.0))), scaling="amplitude", max_hz=900)
    with pytest.raises(ValueError, match="read-only"):
        spectrum.value[0] = 1
    assert spectrum.parameters["max_hz"] == 900 and spectrum.sources["made"] == "0" * 64 and spectrum.version
    assert spectrum.frequency_hz[-1] == 900


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"scaling": "loudness"}, "energy density"),
        ({"scaling": "amplitude", "max_hz": 9000.0}, "2400"),
        ({"scaling": "amplitude", "zero_padding": 0.5}, "whole number"),
        ({"scaling": "amplitude", "channel": 3}, "channels 0 to 0"),
        ({"scaling": "amplitude", "length_s": -5.0}, "samples to analyse"),
    ],
)
def test_bad_options_say_what_is_allowed(options, words):
    with pytest.raises(LuthkitError, match=words):
        average_spectrum(set_of(tap_of(np.ones(500))), **options)
    with pytest.raises(LuthkitError, match="No tap"):
        average_spectrum(set_of(), scaling="amplitude")
    with pytest.raises(LuthkitError, match="no window"):
        sound_spectrum(np.ones(64), 8000, scaling="amplitude", window="exponentially nice")
