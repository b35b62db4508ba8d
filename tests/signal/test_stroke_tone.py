"""The tone of one stroke: made strokes whose decay, balance and attack are known; pyrato for the decay."""

import numpy as np
import pytest

from luthkit.signal.recording import Recording
from luthkit.signal.stroke_tone import BALANCE_HZ, read_stroke
from luthkit.signal.strokes import find_strokes

RATE = 44_100


def stroke(*, t60_s=3.0, length_s=5.0, attack_s=0.0, tones=((150.0, 1.0), (2000.0, 0.1)), noise=1e-5, gain=0.3):
    t = np.arange(round(length_s * RATE)) / RATE
    sound = sum(a * np.sin(2 * np.pi * f * t) for f, a in tones) * 10 ** (-3 * t / t60_s)
    if attack_s:
        sound *= np.minimum(1, t / attack_s)
    x = np.concatenate([np.zeros(RATE // 2), gain * sound])
    x += noise * np.random.default_rng(0).standard_normal(x.size)
    (found,) = find_strokes(Recording.from_samples(x, RATE)).strokes
    return found


@pytest.mark.parametrize("t60_s", [1.0, 3.0])
def test_decay_of_the_whole(t60_s):
    tone = read_stroke(stroke(t60_s=t60_s))
    assert tone.decay_early.decay_time_s == pytest.approx(t60_s, rel=0.02)
    assert tone.decay_late.decay_time_s == pytest.approx(t60_s, rel=0.02)


def test_decay_equals_pyratos():
    """pyrato 1.1.0, Schroeder integration and linear regression, on the same noise-free sound."""
    pyfar, pyrato = pytest.importorskip("pyfar"), pytest.importorskip("pyrato")
    made = stroke(t60_s=1.2, noise=0.0)
    x = made.after_onset()
    edc = pyrato.edc.schroeder_integration(pyfar.Signal(x, RATE), is_energy=False)
    for name, ours in (("EDT", "decay_early"), ("T20", "decay_late")):
        theirs = np.ravel(pyrato.parameters.reverberation_time_linear_regression(edc, T=name))[0]
        assert getattr(read_stroke(made), ours).decay_time_s == pytest.approx(theirs, rel=0.01)


def test_a_stroke_cut_off_while_it_rings_is_not_read_as_shorter():
    full, cut = stroke(t60_s=6.0, length_s=9.0), stroke(t60_s=6.0, length_s=3.2)
    assert read_stroke(cut).decay_late.decay_time_s == pytest.approx(6.0, rel=0.03)
    assert read_stroke(full).decay_late.decay_time_s == pytest.approx(6.0, rel=0.02)
    short = read_stroke(stroke(t60_s=6.0, length_s=1.5)).decay_late
    assert np.isnan(short.decay_time_s) and "record it longer" in short.reason


def test_balance_is_free_of_loudness_and_right():
    """Two sines 20 dB apart: their bands carry 1 / 1.01 and 0.01 / 1.01 of the power."""
    loud, soft = read_stroke(stroke()), read_stroke(stroke(gain=0.03))
    assert loud.balance_db["80 to 250 Hz"] == pytest.approx(10 * np.log10(1 / 1.01), abs=0.15)
    assert loud.balance_db["1 to 4 kHz"] == pytest.approx(10 * np.log10(0.01 / 1.01), abs=0.15)
    for name, *_ in BALANCE_HZ[::3]:
        assert soft.balance_db[name] == pytest.approx(loud.balance_db[name], abs=0.05)
    assert soft.a_weighted_db == pytest.approx(loud.a_weighted_db, abs=0.05)
    assert loud.bands.whole_db - soft.bands.whole_db == pytest.approx(20, abs=0.05)


def test_bands_under_the_noise_have_no_level():
    tone = read_stroke(stroke(noise=3e-4))
    assert np.isnan(tone.balance_db["4 to 10 kHz"]) and np.isfinite(tone.balance_db["1 to 4 kHz"])


def test_attack_grows_with_the_rise():
    sharp, soft = read_stroke(stroke()), read_stroke(stroke(attack_s=0.15))
    assert sharp.attack_s < 0.03
    assert soft.attack_s == pytest.approx(0.8 * 0.15, abs=0.02)


def test_what_rang_before_is_said():
    t = np.arange(3 * RATE) / RATE
    one = 0.2 * sum(np.sin(2 * np.pi * 110 * n * t) / n * 10 ** (-0.5 * t) for n in range(1, 30))
    x = np.concatenate([np.zeros(RATE), one, np.zeros(RATE)])
    x[2 * RATE : 2 * RATE + one.size] += one[: x.size - 2 * RATE]
    x += 1e-5 * np.random.default_rng(0).standard_normal(x.size)
    first, second = (read_stroke(s) for s in find_strokes(Recording.from_samples(x, RATE)).strokes)
    assert not any("rang before" in note for note in first.notes)
    assert any("rang before" in note for note in second.notes)
    assert any("shorter than 2 s" in note for note in first.notes)
