"""Force pulses, rooms, hum and noise: each has the area, time, level and frequency that is stated."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from luthkit.errors import LuthkitError
from luthkit.simulate import (
    Bench,
    Body,
    force_pulse,
    join_tap_sets,
    mains_hum,
    pole,
    room_response,
    tap_set,
    tap_sounds,
)

ONE_MODE = Body(pole([200.0], [0.02]), np.array([[1.0]]))


def band_power(samples, rate, low_hz=60.0, high_hz=1000.0):
    """Mean square between two frequencies by Parseval's theorem."""
    spectrum = np.abs(np.fft.rfft(samples)) ** 2
    grid = np.fft.rfftfreq(len(samples), 1 / rate)
    return 2 * np.sum(spectrum[(grid > low_hz) & (grid < high_hz)]) / len(samples) ** 2


@given(duration_s=st.floats(3e-4, 3e-3), delay_s=st.floats(0, 1e-3), rate=st.sampled_from([44_100, 48_000]))
def test_a_pulse_has_unit_area_and_its_middle_where_it_should(duration_s, delay_s, rate):
    pulse = force_pulse(duration_s, rate, delay_s)
    t = np.arange(len(pulse)) / rate
    assert pulse.sum() == pytest.approx(1.0)
    assert np.all(pulse >= 0)
    assert not pulse[t <= delay_s].any() and not pulse[t >= delay_s + duration_s].any()
    assert np.sum(t * pulse) == pytest.approx(delay_s + duration_s / 2, abs=0.02 / rate)


def test_a_pulse_has_the_spectrum_of_a_raised_cosine():
    """Its transform is sinc(f T) / (1 - (f T)^2), with zeros at 2 / T, 3 / T (textbook window transform)."""
    rate, duration = 480_000, 1e-3
    pulse = force_pulse(duration, rate)
    for f in (300.0, 700.0, 1500.0, 2000.0, 2500.0):
        there = abs(np.sum(pulse * np.exp(-2j * np.pi * f * np.arange(len(pulse)) / rate)))
        x = f * duration
        assert there == pytest.approx(abs(np.sinc(x) / (1 - x**2)), abs=1e-4)


@pytest.mark.parametrize("t60_s", [0.3, 0.6])
def test_a_room_has_the_stated_reverberation_time(t60_s):
    """Read by pyrato from Schroeder's integral (ISO 3382-1), over four rooms."""
    import pyfar
    from pyrato.edc import schroeder_integration
    from pyrato.parameters import reverberation_time_linear_regression

    read = []
    for seed in range(4):
        room = room_response(np.random.default_rng(seed), 16_000, t60_s=t60_s)
        tail = pyfar.Signal(room[round(0.005 * 16_000) :], 16_000)  # without the direct sound
        read.append(float(reverberation_time_linear_regression(schroeder_integration(tail), "T20").squeeze()))
    assert np.mean(read) == pytest.approx(t60_s, rel=0.03)


@given(seed=st.integers(0, 1000), ratio_db=st.floats(-5, 25), delay_s=st.floats(1e-3, 8e-3))
def test_a_room_has_the_stated_direct_sound(seed, ratio_db, delay_s):
    room = room_response(np.random.default_rng(seed), 8000, direct_to_reverberant_db=ratio_db, delay_s=delay_s)
    assert room[0] == 1.0
    assert not room[1 : int(delay_s * 8000)].any()
    assert -10 * np.log10(np.sum(room[1:] ** 2)) == pytest.approx(ratio_db)


@pytest.mark.parametrize("mains_hz", [50.0, 60.0])
def test_hum_is_at_the_mains_frequency_and_its_multiples(mains_hz):
    hum = mains_hum(np.random.default_rng(2), 20 * 4000, 4000, mains_hz)
    assert np.mean(hum**2) == pytest.approx(1.0)
    power = np.abs(np.fft.rfft(hum * np.hanning(len(hum)))) ** 2
    grid = np.fft.rfftfreq(len(hum), 1 / 4000)
    near = np.zeros(len(grid), bool)
    for k in range(1, 13):
        line = np.abs(grid - k * mains_hz) < 1e-3 * k * mains_hz + 0.2
        assert power[line].max() > 1e-4 * power.max()
        near |= line
    assert power[~near].sum() < 1e-3 * power.sum()


@pytest.mark.parametrize("snr_db", [25.0, 40.0])
def test_the_noise_lies_as_far_under_a_middling_tap_as_stated(snr_db):
    bench = Bench(n_taps=6, snr_db=snr_db, hum_db=None, level_spread_db=0.0, pre_s=0.5, pulse_s=(8e-4, 8e-4))
    ratios = []
    for samples, onset, _ in tap_sounds(np.random.default_rng(1), ONE_MODE, bench):
        start = round(onset * bench.sample_rate_hz)
        loud = band_power(samples[start : start + 12_000], bench.sample_rate_hz)
        ratios.append(loud / band_power(samples[: start - 100], bench.sample_rate_hz))
    assert 10 * np.log10(np.mean(ratios)) == pytest.approx(snr_db, abs=0.7)


def test_the_hum_lies_as_far_under_a_middling_tap_as_stated():
    bench = Bench(n_taps=1, snr_db=200.0, hum_db=-35.0, level_spread_db=0.0, pre_s=1.0, pulse_s=(8e-4, 8e-4))
    ((samples, onset, _),) = tap_sounds(np.random.default_rng(1), ONE_MODE, bench)
    start = round(onset * bench.sample_rate_hz)
    loud = band_power(samples[start : start + 12_000], bench.sample_rate_hz)
    assert 10 * np.log10(np.mean(samples[: start - 100] ** 2) / loud) == pytest.approx(-35.0, abs=0.2)


@given(n_taps=st.integers(1, 7), n_placements=st.integers(1, 3), seed=st.integers(0, 1000))
def test_taps_are_dealt_over_the_placements_and_begin_at_their_onset(n_taps, n_placements, seed):
    bench = Bench(
        n_taps=n_taps,
        n_placements=n_placements,
        sample_rate_hz=16_000,
        length_s=0.3,
        snr_db=300.0,
        hum_db=None,
    )
    sounds = tap_sounds(np.random.default_rng(seed), ONE_MODE, bench)
    assert len(sounds) == n_taps
    assert [placement for *_, placement in sounds] == [k * n_placements // n_taps for k in range(n_taps)]
    for samples, onset, _ in sounds:
        t = np.arange(len(samples)) / 16_000
        loudest = np.abs(samples).max()
        assert 0.2 / 2.1 < loudest < 0.2 * 2.1  # 6 dB either way
        assert np.abs(samples[t < onset]).max() < 1e-9 * loudest
        assert np.abs(samples[t < onset + 2e-3]).max() > 0.1 * loudest


def test_placements_differ_by_their_room_only():
    """Without a room all taps are one sound; with one, the placements sound different."""
    quiet = {"n_taps": 2, "n_placements": 2, "snr_db": 300.0, "hum_db": None, "level_spread_db": 0.0}
    for t60_s, alike in ((None, True), (0.4, False)):
        bench = Bench(**quiet, pulse_s=(1e-3, 1e-3), t60_s=t60_s)
        (one, *_), (other, *_) = tap_sounds(np.random.default_rng(3), ONE_MODE, bench)
        # onsets lie between samples: compare magnitudes, which know nothing of time
        one, other = (np.abs(np.fft.rfft(x)) for x in (one, other))
        assert bool(np.linalg.norm(one - other) < 0.01 * np.linalg.norm(one)) == alike


def test_tap_sets_tell_onset_position_and_placement():
    rng = np.random.default_rng(0)
    bench = Bench(n_taps=2, n_placements=2, length_s=0.3)
    taps = join_tap_sets([tap_set(rng, ONE_MODE, bench), tap_set(rng, ONE_MODE, bench)]).taps
    assert [tap.placement for tap in taps] == ["0", "1", "0", "1"]
    assert {tap.position for tap in taps} == {"bridge centre"}
    assert all(0.1 <= tap.onset_s < 0.1 + 1 / 48_000 for tap in taps)


@pytest.mark.parametrize("wrong", [{"n_taps": 0}, {"n_placements": 0}])
def test_a_bench_without_taps_is_refused(wrong):
    with pytest.raises(LuthkitError, match="at least one tap"):
        tap_sounds(np.random.default_rng(0), ONE_MODE, Bench(**wrong))
