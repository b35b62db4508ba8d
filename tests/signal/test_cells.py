"""Decimation that keeps poles, and the matched average of taps."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from luthkit import simulate
from luthkit.signal.cells import average, decimate_ahead, decimator, filter_gain, make_cells

RATES = [16000, 44100, 48000, 96000, 192000]


@pytest.mark.parametrize("rate", RATES)
def test_a_decimated_decay_is_the_same_decay(rate):
    """Closed form: filtering exp(s t) with taps h_k that look ahead multiplies it by sum h_k exp(s k / rate)."""
    factor, filter_ = decimator(rate, 1000.0)
    pole = complex(simulate.pole(317.0, 0.011))
    t = np.arange(rate // 2) / rate
    start, n_out = 150, int(0.3 * rate / factor)
    got = decimate_ahead(np.exp(pole * t).real, start, n_out, factor, filter_)
    gain = filter_gain(np.array([pole]), rate, filter_)[0]
    expected = (gain * np.exp(pole * t[start : start + n_out * factor : factor])).real
    assert len(got) == n_out
    assert got == pytest.approx(expected, abs=1e-12)


@pytest.mark.parametrize("rate", RATES)
def test_no_sample_before_the_start_is_heard(rate):
    factor, filter_ = decimator(rate, 1000.0)
    samples = np.zeros(rate // 2)
    quiet = decimate_ahead(samples, 400, 50, factor, filter_)
    samples[:400] = 1e6
    assert np.array_equal(decimate_ahead(samples, 400, 50, factor, filter_), quiet)


@pytest.mark.parametrize("rate", RATES)
def test_the_filter_lets_the_band_through_and_keeps_its_images_out(rate):
    """By the discrete Fourier transform of the filter itself."""
    factor, filter_ = decimator(rate, 1000.0)
    response = 20 * np.log10(np.abs(np.fft.rfft(filter_, 1 << 17)) + 1e-12)
    frequency = np.fft.rfftfreq(1 << 17, 1 / rate)
    assert rate / factor > 2.7 * 1000
    assert np.max(np.abs(response[frequency < 1000])) < 1.0
    if factor > 1:
        assert np.max(response[frequency > rate / factor - 1000]) < -55


def test_what_runs_out_of_sound_ends_early():
    factor, filter_ = decimator(48000, 1000.0)
    samples = np.ones(48000)
    got = decimate_ahead(samples, 0, 10**6, factor, filter_)
    assert len(got) == (len(samples) - len(filter_)) // factor + 1
    assert len(decimate_ahead(samples, 47990, 10, factor, filter_)) == 0


@settings(max_examples=25, deadline=None)
@given(st.lists(st.floats(0.2, 5), min_size=1, max_size=8), st.integers(0, 2**32 - 1))
def test_the_average_of_scaled_copies_is_the_sound(gains, seed):
    wave = np.random.default_rng(seed).standard_normal(50)
    gains = np.array(gains)
    assert average(gains[:, None] * wave, gains) == pytest.approx(wave)


def test_the_average_is_the_one_with_the_least_noise():
    """Gauss and Markov: for equal noise, weights in proportion to the gains give the least variance, 1 / sum g^2."""
    rng, gains = np.random.default_rng(0), np.array([0.3, 1.0, 2.5])
    noise = rng.standard_normal((3, 40000))
    assert np.var(average(noise, gains)) == pytest.approx(1 / np.sum(gains**2), rel=0.03)


def test_taps_of_one_place_share_a_cell_and_their_strengths_are_read():
    rng = np.random.default_rng(1)
    bench = simulate.Bench(n_taps=6, n_placements=2, hum_db=None, snr_db=60, pulse_s=(8e-4, 8e-4))
    tapset = simulate.tap_set(rng, simulate.random_body(rng), bench)
    cells = make_cells(tapset.taps)
    assert [cell.placement for cell in cells] == ["0", "1"]
    for cell, taps in zip(cells, (tapset.taps[:3], tapset.taps[3:]), strict=True):
        rms = np.array([np.sqrt(np.mean(tap.samples[:20000] ** 2)) for tap in taps])
        assert cell.gains / cell.gains[0] == pytest.approx(rms / rms[0], rel=0.01)
        assert cell.taps.shape[0] == 3


def test_taps_are_lined_up_by_their_sound():
    """Onsets up to 0.5 ms off: after lining up, one wave explains all taps but for the fractions of a sample."""
    rng = np.random.default_rng(2)
    bench = simulate.Bench(n_taps=6, hum_db=None, snr_db=80, pulse_s=(8e-4, 8e-4))
    tapset = simulate.tap_set(rng, simulate.random_body(rng), bench)
    late = np.linspace(-5e-4, 5e-4, 6)
    taps = [replace(tap, onset_s=tap.onset_s + each) for tap, each in zip(tapset.taps, late, strict=True)]
    cell = make_cells(taps)[0]
    left = cell.taps - np.outer(cell.gains, cell.mean)
    assert np.sum(left**2) < 0.01 * np.sum(cell.taps**2)
