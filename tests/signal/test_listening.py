"""Loudness against the values of ITU-R BS.1770 and EBU Tech 3341; colouring by what it does to a spectrum."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from luthkit.errors import LuthkitError
from luthkit.signal.bands import third_octaves
from luthkit.signal.listening import coloured, difference_db, equally_loud, loudness_lufs

RATE = 48000


def sine(hz, level_db, seconds, rate=RATE):
    return 10 ** (level_db / 20) * np.sin(2 * np.pi * hz * np.arange(int(seconds * rate)) / rate)


def test_a_full_sine_in_one_channel():
    # ITU-R BS.1770-4, annex 1: 0 dB FS sine of 1 kHz (997 Hz) in the left channel reads -3.01 LKFS (from memory)
    x = np.stack([sine(997, 0, 5), np.zeros(5 * RATE)], axis=1)
    assert loudness_lufs(x, RATE) == pytest.approx(-3.01, abs=0.05)
    assert loudness_lufs(sine(997, 0, 5), RATE) == pytest.approx(-3.01, abs=0.05)


@pytest.mark.parametrize(
    ("levels", "seconds", "expected"),
    [((-23,), (20,), -23.0), ((-33,), (20,), -33.0), ((-36, -23, -36), (10, 60, 10), -23.0)],
)
@pytest.mark.parametrize("rate", [44100, 48000])
def test_minimum_requirements_of_ebu_mode(levels, seconds, expected, rate):
    # EBU Tech 3341, test signals 1 to 3: sine of 1000 Hz in both channels, +-0.1 LU (from memory)
    x = np.concatenate([sine(1000, level, s, rate) for level, s in zip(levels, seconds, strict=True)])
    assert loudness_lufs(np.stack([x, x], axis=1), rate) == pytest.approx(expected, abs=0.1)


@settings(max_examples=15, deadline=None)
@given(st.floats(-50, -1), st.floats(-50, -1), st.sampled_from([200.0, 1000.0, 4000.0]))
def test_equally_loud_and_never_clipped(first_db, second_db, hz):
    sounds = sine(440, first_db, 1.0), sine(hz, second_db, 1.0, 44100)
    matched, target = equally_loud(sounds, (RATE, 44100))
    assert target <= -23.0
    for x, rate in zip(matched, (RATE, 44100), strict=True):
        assert loudness_lufs(x, rate) == pytest.approx(target, abs=0.05)
        assert np.max(np.abs(x)) < 0.9


def test_a_peaky_sound_lowers_both():
    click = np.zeros(RATE)
    click[100] = 0.9
    matched, target = equally_loud((click, sine(440, -20, 1.0)), (RATE, RATE))
    assert target < -23 and np.max(np.abs(matched[0])) == pytest.approx(10 ** (-1 / 20), rel=1e-6)


@pytest.mark.parametrize("bad", [np.zeros(100), np.full(RATE, np.nan), np.zeros((10, 2, 2))])
def test_what_has_no_loudness(bad):
    with pytest.raises(LuthkitError, match=r"0\.4 s"):
        loudness_lufs(bad, RATE)
    with pytest.raises(LuthkitError, match="silent"):
        equally_loud((np.zeros(RATE), sine(440, -20, 1.0)), (RATE, RATE))


def test_the_filter_has_the_gain_asked_for_and_no_sound_before_its_cause():
    mids, gain = np.array([100.0, 400.0, 1600.0, 6400.0]), np.array([6.0, -12.0, 0.0, 9.0])
    impulse = np.zeros(2 * RATE)
    impulse[1000] = 1.0
    out = coloured(impulse, RATE, mids, gain)
    assert np.max(np.abs(out[:1000])) < 1e-9  # minimum phase: nothing comes early
    spectrum = 20 * np.log10(np.abs(np.fft.rfft(out)))
    for hz, db in zip(mids, gain, strict=True):
        assert spectrum[round(hz * 2)] == pytest.approx(db, abs=0.3)
    assert spectrum[(200 * 2)] == pytest.approx(-3.0, abs=0.3)  # half-way over log f


def test_noise_takes_on_the_balance_of_other_noise():
    rng = np.random.default_rng(4)
    white = rng.standard_normal(4 * RATE)
    tilt = coloured(rng.standard_normal(4 * RATE), RATE, [50, 10000], [6.0, -6.0]) * 0.01
    of, to = third_octaves(white, RATE), third_octaves(tilt, RATE)
    mids, gain = difference_db(of, to)
    assert np.ptp(gain) == pytest.approx(12, abs=2.0) and gain[0] > gain[-1]  # the lowest bands of noise scatter
    after = third_octaves(coloured(white, RATE, mids, gain), RATE)
    left = difference_db(after, to)[1]
    assert np.max(np.abs(left)) < 0.6 < np.max(np.abs(gain))


def test_the_difference_is_limited_and_loudness_left_out():
    rng = np.random.default_rng(5)
    white = rng.standard_normal(2 * RATE)
    steep = coloured(white, RATE, [50, 10000], [60.0, -60.0])
    gain = difference_db(third_octaves(white, RATE), third_octaves(steep, RATE))[1]
    assert np.max(np.abs(gain)) == 12.0
    assert np.max(np.abs(difference_db(third_octaves(white, RATE), third_octaves(0.01 * white, RATE))[1])) < 1e-3
