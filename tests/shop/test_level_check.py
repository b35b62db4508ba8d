"""The level check: honest chains pass, gain control, compression and noise suppression are seen."""

from dataclasses import replace
from math import nan

import numpy as np
import pytest
from scipy.signal import lfilter

from luthkit import simulate
from luthkit.shop.ear import Ear, whole_steps
from luthkit.shop.level_check import check_level
from luthkit.shop.live import blocks_of
from luthkit.signal.recording import Recording

RATE = 16000
SOFT_AND_HARD_DB = (-14, -13, -12, 0, 0, 0)


def taps(seed, *, level_db=0.0, gains_db=SOFT_AND_HARD_DB, snr_db=40.0, t60_s=0.4, pulses_s=()):
    """Six taps two seconds apart in a room with steady hiss; the hardest peaks near -12 dB, times `level_db`.

    `pulses_s`: how long the mallet touches, for the first three taps and for the others.
    """
    bench = simulate.Bench(
        n_taps=6, t60_s=t60_s, snr_db=300, hum_db=None, pre_s=0.0, level_spread_db=2, sample_rate_hz=RATE
    )
    sets = []
    for pulse_s in pulses_s or (bench.pulse_s,):  # the same guitar and room each time
        rng = np.random.default_rng(seed)
        sets.append(simulate.tap_sounds(rng, simulate.guitar(rng), replace(bench, pulse_s=pulse_s)))
    waves = [*sets[0][:3], *sets[-1][3:]]
    sound = np.zeros(13 * RATE)
    for k, (wave, _, _) in enumerate(waves):
        start = round((0.8 + 2 * k + rng.uniform(-0.2, 0.2)) * RATE)
        part = sound[start : start + len(wave)]
        part += 10 ** (gains_db[k] / 20) * wave[: len(part)]
    sound += 10 ** (-snr_db / 20) * 0.07 * rng.standard_normal(len(sound))
    return 10 ** (level_db / 20) * sound


def heard(sound):
    ear = Ear(RATE)
    recording = Recording.from_samples(np.clip(sound, -1, 1), RATE)
    return check_level([take for block in blocks_of(recording) for take in ear.hear(block)])


def envelope(sound, release_s, attack_s=1e-6):
    """Follows the level up and down, each with a time constant."""
    rise, fall = (np.exp(-1 / (time_s * RATE)) for time_s in (attack_s, release_s))
    loud, now = np.empty(len(sound)), 0.0
    for k, value in enumerate(np.abs(sound)):
        now = value + (now - value) * (rise if value > now else fall)
        loud[k] = now
    return loud


def gain_control(sound):
    return sound * np.minimum(8, 0.05 / np.maximum(envelope(sound, 1.0, 0.005), 1e-6))


def compressor(sound):
    loud = envelope(sound, 0.1)
    return sound * np.where(loud > 0.02, (np.maximum(loud, 1e-9) / 0.02) ** (1 / 3 - 1), 1.0)


def suppression(sound):
    wanted = np.where(envelope(sound, 0.05) > 0.012, 1.0, 0.03)
    return sound * lfilter([1 - np.exp(-1 / (0.02 * RATE))], [1, -np.exp(-1 / (0.02 * RATE))], wanted)


@pytest.mark.parametrize(("seed", "t60_s"), [(0, None), (1, 0.2), (2, 0.4), (3, 0.8)])
def test_an_honest_chain_is_not_suspected(seed, t60_s):
    """Nor is one where the mallet touches longer when the hand is soft."""
    check = heard(taps(seed, level_db=5, t60_s=t60_s, pulses_s=((1.0e-3, 1.5e-3), (0.5e-3, 0.9e-3)) * (seed % 2)))
    assert check.suspicions == () and check.n_taps == 6
    assert check.uneven_db < 2.0 and abs(check.after_db) < 1.5
    assert check.range_db == pytest.approx(13.5, abs=4)


def strong_compressor(sound):
    """Ten to one, released so slowly that soft and hard taps end alike: only the shape of the fall tells."""
    loud = envelope(sound, 0.25, 0.015)
    return sound * np.where(loud > 0.014, (np.maximum(loud, 1e-9) / 0.014) ** -0.9, 1.0)


def limiter(sound):
    return sound * np.minimum(1, 0.08 / np.maximum(envelope(sound, 0.1), 1e-9))


@pytest.mark.parametrize("meddle", [gain_control, compressor, strong_compressor, suppression, limiter])
@pytest.mark.parametrize("seed", [0, 1])
def test_a_chain_that_alters_the_sound_is_suspected(meddle, seed):
    check = heard(meddle(taps(seed, snr_db=50)))
    assert check.suspicions and not check.is_good
    assert "switch off gain control" in check.suspicions[0]


def test_digital_silence_after_a_tap_is_a_noise_suppression():
    sound = taps(5)
    sound[envelope(sound, 0.03) < 0.004] = 0.0
    assert any("noise suppression" in words for words in heard(sound).suspicions)


@pytest.mark.parametrize(
    ("level_db", "words", "good"),
    [(30, "cut off at full scale", False), (-20, "Turn the gain up", False), (5, "The level is good", True)],
)
def test_the_level_is_advised_upon(level_db, words, good):
    check = heard(taps(4, level_db=level_db))
    assert words in check.advice[0] and check.is_good is good


def test_advice_leads_into_the_range_that_is_good():
    check = heard(taps(4, level_db=-20))
    more_db = float(check.advice[0].split("about ")[1].split(" dB")[0])
    assert heard(taps(4, level_db=-20 + more_db)).is_good


def test_a_loud_room_is_told():
    assert any("The room is loud" in words for words in heard(taps(6, snr_db=18)).advice)


def test_taps_all_alike_are_told_not_taken_for_honest():
    check = heard(taps(7, gains_db=(0,) * 6))
    assert check.suspicions[0].startswith("The level does not follow")


def test_nothing_heard():
    assert check_level([]).advice[0].startswith("Nothing was heard")
    assert check_level([]).n_taps == 0 and not check_level([]).is_good
    assert [str(value) for value in (check_level([]).snr_db, check_level([]).uneven_db)] == [str(nan)] * 2
    quiet = whole_steps(1e-4 * np.random.default_rng(1).standard_normal((RATE, 1)))
    from luthkit.shop.ear import Take

    assert check_level([Take(quiet, RATE, 0.0)]).advice[0].startswith("Nothing of what was heard is a clean tap")
