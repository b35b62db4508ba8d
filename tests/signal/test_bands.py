"""Third octaves and A-weighting: the standards' figures, pyfar, Parseval."""

import numpy as np
import pytest
import scipy.signal
from hypothesis import given, settings
from hypothesis import strategies as st

from luthkit.errors import LuthkitError
from luthkit.signal.bands import a_weighting_db, nominal_hz, third_octave_gain, third_octave_mids_hz, third_octaves

# IEC 61672-1:2013, table 3 (from memory, equal to the tables of two libraries), exact base-ten frequencies
A_TABLE = dict(
    enumerate(
        (
            -70.4, -63.4, -56.7, -50.5, -44.7, -39.4, -34.6, -30.2, -26.2, -22.5, -19.1, -16.1, -13.4, -10.9, -8.6,
            -6.6, -4.8, -3.2, -1.9, -0.8, 0.0, 0.6, 1.0, 1.2, 1.3, 1.2, 1.0, 0.5, -0.1, -1.1, -2.5, -4.3, -6.6, -9.3,
        ),
        start=10,
    )
)  # fmt: skip


@pytest.mark.parametrize("number", A_TABLE)
def test_a_weighting_is_that_of_the_standard(number):
    assert float(a_weighting_db(10 ** (number / 10))) == pytest.approx(A_TABLE[number], abs=0.0501)


def test_a_weighting_equals_pyfar():
    pyfar = pytest.importorskip("pyfar")
    mids = third_octave_mids_hz(12.5, 20_000)
    theirs = pyfar.constants.frequency_weighting.frequency_weighting_curve("A", mids)
    np.testing.assert_allclose(a_weighting_db(mids), np.ravel(theirs), atol=0.01)


def test_mid_bands_and_their_names():
    """IEC 61260-1: 10^(n / 10) for base ten; ISO 266 for the names."""
    mids = third_octave_mids_hz(25, 8000)
    np.testing.assert_allclose(mids[[0, 6, 16]], [25.1189, 100.0, 1000.0], rtol=1e-5)
    assert [nominal_hz(mid) for mid in mids[:8]] == [25, 31.5, 40, 50, 63, 80, 100, 125]


@pytest.mark.parametrize("mid_hz", third_octave_mids_hz(50, 10_000)[::4])
def test_each_filter_is_inside_the_class_1_mask(mid_hz):
    """Mask of IEC 61260-1:2014, table 1, as pyfar gives it; at its edges the mask jumps, so just beside them too."""
    pyfar = pytest.importorskip("pyfar")
    lower, upper, at = pyfar.constants.fractional_octave_filter_tolerance(mid_hz, 3, 1)
    gain_db = 10 * np.log10(third_octave_gain(at, mid_hz))
    assert np.all(gain_db >= lower) and np.all(gain_db <= upper)
    wide = 10 * np.log10(third_octave_gain(np.array([mid_hz * 10**0.06]), mid_hz))
    assert wide < -3.2  # a mask that passes everything would not notice


@pytest.mark.parametrize("mid_hz", [50.119, 199.526, 1000.0, 7943.28])
def test_sines_through_the_whole_measurement_stay_inside_the_mask(mid_hz):
    """The blocks and their fading must not widen the filters: sines at the mask's own frequencies,
    7 s long, that swell and fade (a sine that begins at once is a click as well)."""
    pyfar = pytest.importorskip("pyfar")
    rate = 44_100
    lower, upper, at = pyfar.constants.fractional_octave_filter_tolerance(mid_hz, 3, 1)
    t = np.arange(7 * rate) / rate
    swell = scipy.signal.windows.hann(t.size) * np.sqrt(8 / 3)
    for low, high, frequency in zip(lower, upper, at, strict=True):
        if frequency > 0.45 * rate or abs(abs(np.log10(frequency / mid_hz)) - 0.05) < 1e-6:
            continue
        found = third_octaves(swell * np.sqrt(2) * np.sin(2 * np.pi * frequency * t), rate)
        level = found.level_db[np.argmin(np.abs(found.mid_hz - mid_hz))]
        assert low - 0.01 <= level <= high + 0.01, frequency


def test_levels_of_noise_equal_pyfars_filter_bank():
    pyfar = pytest.importorskip("pyfar")
    rate = 44_100
    noise = np.random.default_rng(3).standard_normal(8 * rate)
    x = scipy.signal.lfilter([1], [1, -0.9], noise) * scipy.signal.windows.tukey(noise.size)
    bank = pyfar.dsp.filter.fractional_octave_bands(pyfar.Signal(x, rate), 3, frequency_range=(100, 8000))
    theirs = 10 * np.log10(np.mean(bank.time.reshape(-1, x.size) ** 2, axis=1))
    found = third_octaves(x, rate, low_hz=100, high_hz=8000)
    np.testing.assert_allclose(found.level_db, theirs, atol=0.3)  # two filters of one class


@settings(max_examples=15, deadline=None)
@given(st.integers(0, 1000), st.floats(0.1, 8.0), st.sampled_from([16_000, 44_100, 48_000]))
def test_no_energy_is_lost_or_counted_twice(seed, length_s, rate):
    """Parseval: the whole is the mean square, whatever the length and the blocks."""
    rng = np.random.default_rng(seed)
    x = rng.standard_normal(int(length_s * rate)) * np.exp(-rng.uniform(0, 2) * np.arange(int(length_s * rate)) / rate)
    found = third_octaves(x, rate, high_hz=6000)
    assert found.whole_db == pytest.approx(10 * np.log10(np.mean(x**2)), abs=0.03)


def test_a_sine_after_a_weighting():
    t = np.arange(44_100) / 44_100
    found = third_octaves(np.sin(2 * np.pi * 100 * t), 44_100)
    assert found.whole_db == pytest.approx(-3.0103, abs=0.001)
    assert found.a_weighted_db - found.whole_db == pytest.approx(-19.1, abs=0.06)
    assert found.between(80, 125) == pytest.approx(-3.01, abs=0.05)


def test_silence_and_bad_input():
    assert np.all(np.isneginf(third_octaves(np.zeros(48_000), 48_000).level_db))
    for bad in (np.zeros((100, 2)), np.zeros(10), np.full(48_000, np.nan)):
        with pytest.raises(LuthkitError, match="Third octaves"):
            third_octaves(bad, 48_000)
    with pytest.raises(LuthkitError, match="rising"):
        third_octave_mids_hz(500, 100)
    with pytest.raises(LuthkitError, match="No third octave"):
        third_octaves(np.ones(48_000), 48_000).between(20, 30)
