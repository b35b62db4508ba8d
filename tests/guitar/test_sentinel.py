"""The metal bar: read against known pitch and damping, checked against its history and its size."""

import datetime
from math import pi

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from luthkit import simulate
from luthkit.errors import LuthkitError
from luthkit.guitar.sentinel import (
    METALS,
    TAP_OPTIONS,
    BarReading,
    check_with_history,
    check_with_size,
    read_bar,
)
from luthkit.signal.recording import Recording
from luthkit.signal.taps import find_taps
from luthkit.wood.bars import Bar, bending_frequencies_hz

RATIOS = np.array([1, 2.7565385, 5.4039176])  # of a free bar: Euler-Bernoulli, roots of cos x cosh x = 1


def bar_taps(seed, *, frequency_hz=346.2, q=2000.0, t60_s=None, snr_db=40.0):
    rng = np.random.default_rng(seed)
    poles = simulate.pole(frequency_hz * RATIOS, 0.5 / (q * np.array([1, 0.9, 0.8])))
    body = simulate.Body(poles, np.array([[900.0], [600.0], [400.0]]) + 0j)
    bench = simulate.Bench(n_taps=4, t60_s=t60_s, length_s=1.5, pre_s=0.4, snr_db=snr_db, sample_rate_hz=44100)
    sounds = simulate.tap_sounds(rng, body, bench)
    recordings = [Recording.from_samples(s, 44100, name=f"bar {k}") for k, (s, _, _) in enumerate(sounds)]
    return find_taps(recordings, **TAP_OPTIONS)


@pytest.mark.parametrize(("frequency_hz", "q", "t60_s"), [(346.2, 800, None), (346.2, 3000, 0.4), (612.0, 2000, 0.3)])
def test_pitch_and_damping_are_read_within_their_errors(frequency_hz, q, t60_s):
    for seed in range(2):
        reading = read_bar(bar_taps(seed, frequency_hz=frequency_hz, q=q, t60_s=t60_s))
        assert reading.n_taps == 4
        assert abs(reading.frequency_hz - frequency_hz) < max(4 * reading.frequency_u_hz, 1e-5 * frequency_hz)
        assert abs(reading.damping_ratio - 0.5 / q) < 4 * reading.damping_ratio_u
        assert reading.frequency_u_hz < 2e-5 * frequency_hz and reading.damping_ratio_u < 0.03 / q


def test_a_wrong_sample_rate_is_read_as_a_wrong_pitch():
    """44.1 kHz sound labelled 48 kHz is 8.8 % high; the bar's own history and its size both show it."""
    right = bar_taps(1)
    wrong = Recording.from_samples(np.concatenate([t.samples for t in right.taps[:1]]), 48000, name="wrong")
    now = read_bar(find_taps(wrong, **TAP_OPTIONS))
    before = read_bar(right)
    assert now.frequency_hz / before.frequency_hz == pytest.approx(48000 / 44100, rel=1e-4)
    check = check_with_history(now, [before] * 3)
    assert check.verdict == "not as it should be" and "sample rate" in check.reasons[0]


def reading(frequency_hz=346.2, damping_ratio=2.5e-4, *, temperature_c=20.0, day=1):
    date = datetime.date(2026, 1, day)
    return BarReading(frequency_hz, 2e-4, damping_ratio, 2e-6, 3, temperature_c, date)


def test_a_bar_that_only_got_warmer_is_as_it_should_be():
    """Steel loses about 0.014 % of its pitch for each degree (from memory): 10 degrees pass for themselves."""
    earlier = [reading(346.2 * (1 - 1.4e-4 * (c - 20)), temperature_c=c, day=k + 1) for k, c in enumerate((18, 20, 21))]
    warm = reading(346.2 * (1 - 1.4e-4 * 10), temperature_c=30)
    check = check_with_history(warm, earlier)
    assert check.verdict == "as it should be" and abs(check.frequency_change) < 2e-5
    nobody_noted = reading(warm.frequency_hz, temperature_c=float("nan"))
    assert check_with_history(nobody_noted, earlier).verdict == "cannot tell"
    assert check_with_history(nobody_noted, earlier).frequency_change_u > 5e-4


def test_changes_of_the_chain_are_told_with_what_to_look_at():
    earlier = [reading(day=k + 1) for k in range(4)]
    assert check_with_history(reading(), earlier).verdict == "as it should be"
    high = check_with_history(reading(346.2 * 1.001), earlier)
    assert high.verdict == "not as it should be" and high.frequency_change == pytest.approx(1e-3, rel=1e-3)
    dull = check_with_history(reading(damping_ratio=5e-4), earlier)
    assert dull.verdict == "not as it should be" and "faster" in dull.reasons[0] and "gain control" in dull.reasons[0]
    assert "more slowly" in check_with_history(reading(damping_ratio=1.5e-4), earlier).reasons[0]


def test_without_history_or_with_a_wild_one_it_cannot_tell():
    assert check_with_history(reading(), []).verdict == "cannot tell"
    wild = [reading(346.2 * (1 + e), day=k + 1) for k, e in enumerate((-0.01, 0.0, 0.012))]
    check = check_with_history(reading(), wild)
    assert check.verdict == "cannot tell" and check.frequency_change_u > 0.01


@settings(deadline=None, max_examples=40)
@given(
    st.sampled_from(sorted(METALS)),
    st.floats(0.2, 0.4),
    st.floats(0.004, 0.010),
    st.floats(0.0, 1.0),
)
def test_any_bar_of_its_metal_agrees_with_its_size(metal, length_m, thickness_m, where):
    """Truth from the exact Timoshenko bar (Huang 1961), read by the standard's formula."""
    kind = METALS[metal]
    modulus = kind.modulus_low_pa + where * (kind.modulus_high_pa - kind.modulus_low_pa)
    bar = Bar(length_m, 0.03, thickness_m, 0.03 * length_m * thickness_m * 7000)
    frequency = bending_frequencies_hz(bar, modulus_pa=modulus, modulus_ratio=2 * (1 + kind.poisson_ratio))[0]
    now = BarReading(float(frequency), 1e-4, 2.5e-4, 1e-6, 3)
    check = check_with_size(now, bar, metal=metal)
    assert check.verdict == "as it should be"
    assert check.modulus_pa == pytest.approx(modulus, rel=2e-3)
    off = BarReading(float(frequency) * 1.25, 1e-4, 2.5e-4, 1e-6, 3)
    assert check_with_size(off, bar, metal=metal).verdict == "not as it should be"


def test_a_bar_measured_too_roughly_says_nothing():
    check = check_with_size(reading(29.0), Bar(0.3, 0.03, 0.0005, 0.035))
    assert check.verdict == "cannot tell" and "thickness" in check.reasons[0]


def test_the_error_of_the_modulus_is_the_sum_of_its_parts():
    """JCGM 100: E goes as f^2 L^3 m / (b t^3), so each part enters with its power."""
    bar, now = Bar(0.1, 0.02, 0.0045, 0.07065), reading(2360.0)
    check = check_with_size(now, bar)  # length to 0.5 mm, width to 0.1, thickness to 0.05, mass to 0.5 g
    parts = (3 * 5e-4 / 0.1, 1e-4 / 0.02, 3 * 5e-5 / 0.0045, 5e-4 / 0.07065, 2 * 2e-4 / 2360)
    assert check.modulus_u_pa / check.modulus_pa == pytest.approx(np.sqrt(np.sum(np.square(parts))), rel=1e-6)
    # m 70.65 g, b 20 mm, L 100 mm, t 4.5 mm, 2360 Hz, nu 0.29: 207.3179 GPa, worked from the formula of ASTM E1876
    assert check.modulus_pa == pytest.approx(207.317887e9, rel=1e-6)


def test_what_cannot_be_read_says_why():
    rng = np.random.default_rng(2)
    noise = Recording.from_samples(1e-3 * rng.standard_normal(48000), 48000, name="noise")
    with pytest.raises(LuthkitError, match="no usable tap of the bar"):
        read_bar(find_taps(noise, **TAP_OPTIONS))
    with pytest.raises(LuthkitError, match="expected_hz"):
        read_bar(bar_taps(0), expected_hz=9000)
    with pytest.raises(LuthkitError, match="tin"):
        check_with_history(reading(), [reading()], metal="tin")
    t = np.arange(0, 1.5, 1 / 44100)
    thud = np.concatenate([np.zeros(20000), 0.3 * np.exp(-60 * t) * np.sin(2 * pi * 300 * t)])
    thud += 1e-3 * rng.standard_normal(len(thud))
    with pytest.raises(LuthkitError, match="no line of the bar"):
        read_bar(find_taps(Recording.from_samples(thud, 44100), **TAP_OPTIONS))
