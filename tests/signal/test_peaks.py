"""Peaks: interpolation errors of the windows, prominence, damping from the -3 dB width with its window."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from luthkit.errors import LuthkitError
from luthkit.signal.peaks import damping_from_width, find_peaks, peak_width
from luthkit.signal.spectrum import Spectrum, average_spectrum, sound_spectrum
from luthkit.signal.taps import Tap, TapSet

# Largest error of a parabola through three bins for a steady tone anywhere between two bins: frequency in
# bins of the unpadded transform and height in dB. Computed independently by brute force over the windows; the
# Hann row agrees with M. Gasior and J. L. Gonzalez, CERN-AB-2004-023 (5.28 % and 1.60 % of a bin; that source
# from memory).
PARABOLA = [
    # window, padding, interpolation, bins, dB
    ("hann", 1, "parabola", 0.05278, 0.596),
    ("hann", 1, "log parabola", 0.01601, 0.324),
    ("hann", 2, "log parabola", 0.00162, 0.0138),
    ("hann", 4, "log parabola", 0.00019, 0.0008),
    ("hamming", 1, "parabola", 0.06799, 0.863),
    ("hamming", 1, "log parabola", 0.01602, 0.395),
    ("blackman", 1, "parabola", 0.04375, 0.405),
    ("blackman", 1, "log parabola", 0.00664, 0.0911),
    ("blackmanharris", 1, "log parabola", 0.00320, 0.0318),
    ("blackmanharris", 2, "log parabola", 0.00038, 0.0019),
]
N = 1024


def tone_peak(offset, window, padding, interpolation):
    tone = np.cos(2 * np.pi * (256 + offset) / N * np.arange(N) + 0.4)
    spectrum = sound_spectrum(tone, N, scaling="amplitude", window=window, zero_padding=padding)
    peaks = find_peaks(spectrum, band_hz=(250, 262), interpolation=interpolation)
    peak = max(peaks, key=lambda each: each.level_db)
    return peak.frequency_hz - 256 - offset, peak.level_db


@pytest.mark.parametrize(("window", "padding", "interpolation", "bins", "height_db"), PARABOLA)
def test_the_error_of_the_parabola_is_the_known_one(window, padding, interpolation, bins, height_db):
    errors = np.array([tone_peak(x, window, padding, interpolation) for x in np.linspace(-0.499, 0.499, 101)])
    assert np.abs(errors[:, 0]).max() == pytest.approx(bins, rel=0.03, abs=1e-5)
    assert np.abs(errors[:, 1]).max() == pytest.approx(height_db, rel=0.05, abs=1e-4)


@settings(max_examples=40, deadline=None)
@given(st.floats(-0.49, 0.49))
def test_two_bins_under_a_hann_window_are_exact(offset):
    """(2 r - 1) / (r + 1): exact for one steady tone (the tone's mirror image at -f leaves 1e-7)."""
    error, level = tone_peak(offset, "hann", 1, "two-bin")
    assert abs(error) < 1e-6
    assert abs(level) < 1e-5


def spectrum_of(frequency_hz, energy, duration_s=1e9, noise=None):
    noise = np.full(len(energy), np.nan) if noise is None else noise
    return Spectrum(frequency_hz, energy, noise, "energy density", 1 / duration_s, 1, duration_s)


def test_prominence_is_the_height_over_the_higher_valley():
    level = np.array([0, 10, 4, 30, 12, 20, 0.0])
    spectrum = spectrum_of(np.arange(7.0), 10 ** (level / 10), noise=np.full(7, 10**0.5))
    assert [round(p.prominence_db, 9) for p in find_peaks(spectrum, interpolation="none")] == [6, 30, 8]
    assert [p.above_noise_db for p in find_peaks(spectrum, interpolation="none")] == pytest.approx([5, 25, 15])
    assert [p.frequency_hz for p in find_peaks(spectrum, prominence_db=7, interpolation="none")] == [3, 5]
    assert [p.frequency_hz for p in find_peaks(spectrum, above_noise_db=15.5, interpolation="none")] == [3]


def test_unknown_or_unfit_interpolation_is_refused():
    spectrum = sound_spectrum(np.ones(64), 64, scaling="amplitude", window="boxcar")
    with pytest.raises(LuthkitError, match="log parabola"):
        find_peaks(spectrum, interpolation="spline")
    with pytest.raises(LuthkitError, match="Hann"):
        find_peaks(spectrum, interpolation="two-bin")


@pytest.mark.parametrize(
    ("options", "words"),
    [({"prominence_db": -1.0}, "local maximum"), ({"band_hz": (500.0, 300.0)}, "lower first")],
)
def test_senseless_limits_of_a_peak_are_refused(options, words):
    with pytest.raises(LuthkitError, match=words):
        find_peaks(sound_spectrum(np.ones(64), 64, scaling="amplitude"), **options)


# Half-power widths over the frequency of an oscillator, exact algebra of (k - m w^2 + i c w) and, structural,
# (k (1 + i eta) - m w^2), f_n = 1. Mobility: exactly eta. See e.g. Ewins, Modal Testing, ch. 2-4 (from
# memory).
WIDTHS = [
    ("mobility", 0.01, 0.01),
    ("mobility", 0.1, 0.1),
    ("receptance", 0.02, 0.0200020),
    ("receptance", 0.05, 0.0500313),
    ("receptance", 0.1, 0.1002522),
    ("structural", 0.02, 0.0200010),
    ("structural", 0.1, 0.1001256),
]


@pytest.mark.parametrize(("kind", "loss", "width"), WIDTHS)
def test_half_power_widths_of_an_oscillator(kind, loss, width):
    f = np.linspace(0, 2, 40001)
    response = 1 / (1 - f**2 + 1j * loss * (1 if kind == "structural" else f))
    response = response * f if kind == "mobility" else response
    found = peak_width(spectrum_of(f, np.abs(response) ** 2), 1.0, search_hz=0.1)
    assert found.width_hz == pytest.approx(width, rel=3e-5)


def decays(frequency_hz, damping_ratio, length_s, rate=8000):
    t = np.arange(round(length_s * rate)) / rate
    s = 2 * np.pi * frequency_hz * (-damping_ratio + 1j * np.sqrt(1 - damping_ratio**2))
    return TapSet((Tap(np.exp(s * t).imag[:, None], rate, 0.0, 0.0, "made"),), (), {}, {})


@pytest.mark.parametrize(("frequency", "damping"), [(100, 0.01), (200, 0.01), (400, 0.02), (100, 0.03)])
@pytest.mark.parametrize("length_s", [0.35, 0.5, 1.0, 3.0])
def test_the_width_of_the_window_is_not_taken_for_damping(frequency, damping, length_s):
    """A cut of length T widens the peak: at 0.35 s, 100 Hz and 1 % by nearly half."""
    spectrum = average_spectrum(
        decays(frequency, damping, length_s), scaling="energy density", lead_s=0, zero_padding=16, max_hz=None
    )
    found = peak_width(spectrum, frequency)
    assert found.damping_ratio == pytest.approx(damping, rel=0.02)
    if 2 * np.pi * damping * frequency * length_s < 2.5:
        assert found.width_hz / (2 * frequency) > 1.3 * damping  # what a reading that forgets its window would say


def test_a_cut_too_short_for_the_mode_gives_no_answer():
    spectrum = average_spectrum(decays(100, 0.005, 0.4), scaling="energy density", lead_s=0)
    found = peak_width(spectrum, 100)
    assert np.isnan(found.damping_ratio) and "window" in found.reason


@settings(max_examples=50, deadline=None)
@given(st.floats(1.6, 200), st.floats(0.1, 10))
def test_width_and_damping_invert_each_other(decay_by_length, length_s):
    """The half-power point of (1 - 2 e^-s cos x + e^-2s) / (s^2 + x^2), found here by bisection."""
    s = decay_by_length

    def power(x):
        return (1 - 2 * np.exp(-s) * np.cos(x) + np.exp(-2 * s)) / (s * s + x * x)

    low, high = 0.0, s + 3.2
    for _ in range(80):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if power(middle) > 0.5 * power(0.0) else (low, middle)
    zeta = damping_from_width(low / np.pi / length_s, length_s, 100.0)
    assert zeta == pytest.approx(s / length_s / (200 * np.pi), rel=1e-6)


def test_a_neighbour_that_hides_the_half_power_point_is_named():
    f = np.linspace(0, 200, 20001)
    both = np.abs(1 / (0.5 + 1j * (f - 100))) ** 2 + 0.8 * np.abs(1 / (0.5 + 1j * (f - 101.3))) ** 2
    found = peak_width(spectrum_of(f, both), 100.0, search_hz=0.4)
    assert np.isnan(found.damping_ratio) and "neighbour" in found.reason


def test_a_lopsided_peak_is_less_certain():
    f = np.linspace(0, 200, 20001)
    alone = 1 / (0.5 + 1j * (f - 100))
    clean = peak_width(spectrum_of(f, np.abs(alone) ** 2), 100.0)
    leant = peak_width(spectrum_of(f, np.abs(alone + 0.4j) ** 2), 100.0)
    assert clean.damping_ratio_u < 1e-4 * clean.damping_ratio
    assert leant.damping_ratio_u > abs(leant.damping_ratio / clean.damping_ratio - 1) * clean.damping_ratio / 2


def test_a_window_or_a_wrong_place_is_refused():
    spectrum = sound_spectrum(np.random.default_rng(0).standard_normal(512), 512, scaling="amplitude")
    with pytest.raises(LuthkitError, match="widens"):
        peak_width(spectrum, 100.0)
    with pytest.raises(LuthkitError, match="goes to"):
        peak_width(spectrum_of(np.arange(100.0), np.ones(100)), 500.0)
