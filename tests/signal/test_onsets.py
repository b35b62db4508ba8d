"""Onsets against the true ones of simulated taps, and second blows against planted ones."""

import numpy as np
import pytest

from luthkit.signal.onsets import pick_onset, read_envelope, rises, second_hit
from luthkit.signal.recording import Recording
from luthkit.simulate import Bench, force_pulse, guitar, random_body, tap_sounds


def found(samples, rate, **limits):
    limits = {"min_rise_db": 6.0, "min_over_floor_db": 8.0} | limits
    return np.array(rises(read_envelope(Recording.from_samples(samples, rate)), **limits)) / rate


@pytest.mark.parametrize("rate", [16000, 44100, 48000, 192000])
@pytest.mark.parametrize(("snr_db", "t60_s"), [(40.0, None), (25.0, None), (40.0, 0.4)])
def test_onsets_are_found_within_half_a_millisecond(rate, snr_db, t60_s):
    bodies = 5 if rate < 100_000 else 1
    bench = Bench(n_taps=4, sample_rate_hz=rate, snr_db=snr_db, t60_s=t60_s, level_spread_db=0)
    for seed in range(bodies):
        rng = np.random.default_rng(seed)
        body = random_body(rng) if seed % 2 else guitar(rng)
        sounds = tap_sounds(rng, body, bench)
        joined = np.concatenate([samples for samples, _, _ in sounds])
        truth = [k * len(sounds[0][0]) / rate + onset for k, (_, onset, _) in enumerate(sounds)]
        near = found(joined, rate)
        assert len(near) == len(truth)
        for rise, true in zip(near, truth, strict=True):
            start = max(0, round((rise - 0.03) * rate))
            piece = joined[start : round((rise + 0.03) * rate), np.newaxis]
            assert abs(start / rate + pick_onset(piece, rate) - true) < 0.5e-3


def test_the_envelope_does_not_depend_on_the_blocks():
    rng = np.random.default_rng(1)
    recording = Recording.from_samples(rng.standard_normal((30_011, 2)), 44100)
    whole, pieces = (read_envelope(recording, block_s=s) for s in (10.0, 0.0773))
    # the offset is the median of the first block, so it differs a little; band-pass filters take it out
    n = len(whole.energy)
    assert n == 30_011 // 44
    assert np.allclose(whole.energy[50:], pieces.energy[50:n], rtol=1e-2)


def test_modes_that_beat_are_no_blow():
    rate, t = 16000, np.arange(32000) / 16000
    beat = np.exp(-3 * t) * (np.sin(2 * np.pi * 190 * t) + np.sin(2 * np.pi * 202 * t))
    sound = np.concatenate([np.zeros(1600), beat]) + 1e-4 * np.random.default_rng(0).standard_normal(33600)
    assert len(found(sound, rate)) == 1


def test_a_swell_is_no_blow():
    rate, t = 16000, np.arange(16000) / 16000
    swell = 10 ** (3 * t - 3) * np.random.default_rng(0).standard_normal(16000)  # 60 dB in a second
    assert len(found(swell, rate)) == 0


def struck_twice(rng, gap_s, share, *, rate=16000):
    dry = guitar(rng).impulse_response(1.0, rate)
    force = np.zeros(round(0.25 * rate))
    first = force_pulse(0.8e-3, rate)
    force[: len(first)] = first
    start = round(gap_s * rate)
    force[start : start + len(first)] += share * first
    sound = np.convolve(force, dry)[: len(dry)]
    sound = np.concatenate([np.zeros(rate // 10), sound / np.abs(sound).max()])
    return (sound + 1e-4 * rng.standard_normal(len(sound)))[:, np.newaxis]


@pytest.mark.parametrize("gap_s", [0.04, 0.1, 0.19])
def test_a_second_blow_is_seen_in_one_tap(gap_s):
    for seed in range(4):
        gap, level_db = second_hit(struck_twice(np.random.default_rng(seed), gap_s, 0.6), 16000, 0.1)
        assert gap == pytest.approx(gap_s, abs=2e-3)
        assert -10 < level_db < 0  # 0.6 is -4.4 dB


def test_one_blow_is_one_blow_also_in_a_room():
    for seed in range(6):
        rng = np.random.default_rng(seed)
        bench = Bench(n_taps=4, sample_rate_hz=16000, t60_s=0.4 if seed % 2 else None)
        for samples, onset, _ in tap_sounds(rng, guitar(rng), bench):
            assert second_hit(samples[:, np.newaxis], 16000, onset)[1] < -12


@pytest.mark.parametrize(("seed", "t60_s"), [(9, None), (11, None), (11, 0.4)])
def test_the_tail_of_a_blow_is_no_second_one(seed, t60_s):
    rng = np.random.default_rng(seed)  # three that pass for double hits where no lull is asked for
    body = random_body(rng)
    bench = Bench(snr_db=25.0, t60_s=t60_s, n_taps=4, sample_rate_hz=16000)
    for samples, onset, _ in tap_sounds(rng, body, bench):
        assert second_hit(samples[:, np.newaxis], 16000, onset)[1] < -12


def test_silence_holds_no_second_blow():
    gap, level_db = second_hit(np.zeros((16000, 1)), 16000, 0.1)
    assert np.isnan(gap)
    assert level_db == -np.inf
