"""Second opinions on damping: right where they speak, silent with a reason where they cannot tell."""

import numpy as np
import pytest

from luthkit.errors import LuthkitError
from luthkit.signal.taps import Tap, TapSet
from luthkit.signal.witnesses import read_witnesses
from luthkit.simulate import Bench, random_body, tap_set


def taps_of(*modes, n_taps=5, noise=1e-4, rate=8000, length_s=1.2, placements=1, seed=0, n_channels=1):
    """Decays of (frequency, damping ratio, amplitude), each tap with its own level and noise."""
    rng = np.random.default_rng(seed)
    t = np.arange(round(length_s * rate)) / rate
    taps = []
    for k in range(n_taps):
        sound = sum(
            a * np.exp(-2 * np.pi * f * z * t) * np.sin(2 * np.pi * f * np.sqrt(1 - z * z) * t) for f, z, a in modes
        )
        samples = np.concatenate([np.zeros(rate // 10), 10 ** rng.uniform(-0.3, 0.3) * sound])
        samples = np.stack([samples * (1 + 0.5 * c) for c in range(n_channels)], axis=1)
        samples = samples + noise * rng.standard_normal(samples.shape)
        taps.append(Tap(samples, rate, 0.1, 0.1, "made", placement=str(k * placements // n_taps)))
    return TapSet(tuple(taps), (), {}, {})


@pytest.mark.parametrize(("frequency", "damping"), [(100, 0.02), (185, 0.012), (240, 0.03), (900, 0.01)])
def test_both_read_a_lone_mode(frequency, damping):
    ((width, decay),) = read_witnesses(taps_of((frequency, damping, 0.3)), [frequency], [damping])
    assert (width.method, decay.method) == ("peak width", "band decay")
    assert width.damping_ratio == pytest.approx(damping, rel=0.01)
    assert width.frequency_hz == pytest.approx(frequency, rel=2e-3)
    assert decay.damping_ratio == pytest.approx(damping, rel=0.01)
    assert 0 < decay.damping_ratio_u < 0.02 * damping


def test_the_value_does_not_come_from_the_expectation():
    """Expected damping half or twice the truth: the readings stay."""
    taps = taps_of((180, 0.015, 0.3))
    for expected in (0.0075, 0.03):
        for witness in read_witnesses(taps, [180], [expected])[0]:
            assert witness.damping_ratio == pytest.approx(0.015, rel=0.02)


def test_a_short_cut_does_not_widen_the_peak():
    ((width, _),) = read_witnesses(taps_of((100, 0.01, 0.3), length_s=0.4, noise=1e-5), [100], [0.01])
    assert width.damping_ratio == pytest.approx(0.01, rel=0.05)  # the raw width would say 0.0125
    ((width, _),) = read_witnesses(taps_of((100, 0.004, 0.3), length_s=0.4), [100], [0.004])
    assert np.isnan(width.damping_ratio) and "too short" in width.reason


def test_a_neighbour_too_close_silences_them():
    taps = taps_of((200, 0.02, 0.3), (203, 0.02, 0.3))
    for witness in read_witnesses(taps, [200, 203], [0.02, 0.02])[0]:
        silent = np.isnan(witness.damping_ratio) and "neighbour" in witness.reason
        assert silent or witness.damping_ratio_u > 0.2 * witness.damping_ratio


def test_a_mode_under_the_noise_has_no_witness():
    taps = taps_of((150, 0.015, 0.3), (400, 0.015, 2e-4), noise=3e-3)
    first, second = read_witnesses(taps, [150, 400], [0.015, 0.015])
    assert all(np.isfinite(witness.damping_ratio) and not witness.reason for witness in first)
    assert all(np.isnan(witness.damping_ratio) and witness.reason for witness in second)


def test_one_tap_shows_no_scatter():
    for witness in read_witnesses(taps_of((150, 0.015, 0.3), n_taps=1), [150], [0.015])[0]:
        assert witness.damping_ratio == pytest.approx(0.015, rel=0.02)
        assert np.isnan(witness.damping_ratio_u) and "one tap" in witness.reason


def test_channels_and_rates_may_differ():
    mixed = taps_of((150, 0.015, 0.3), rate=44100).taps + taps_of((150, 0.015, 0.3), rate=16000, n_channels=2).taps
    for witness in read_witnesses(TapSet(mixed, (), {}, {}), [150], [0.015])[0]:
        assert witness.damping_ratio == pytest.approx(0.015, rel=0.01)


def test_a_difference_between_placements_is_not_averaged_away():
    """Two placements that disagree by 20 %: the uncertainty must see it, however many taps each has."""
    low, high = taps_of((150, 0.013, 0.3), n_taps=10), taps_of((150, 0.016, 0.3), n_taps=10, seed=1)
    named = [Tap(t.samples, 8000, 0.1, 0.1, "b", placement="b") for t in high.taps]
    for witness in read_witnesses(TapSet((*low.taps, *named), (), {}, {}), [150], [0.0145])[0]:
        assert witness.damping_ratio_u > 0.06 * witness.damping_ratio


@pytest.mark.parametrize(("snr_db", "answers"), [(40, (0.6, 0.85)), (25, (0.4, 0.6))])
def test_the_truth_lies_within_the_stated_uncertainty(snr_db, answers):
    """Ten simulated guitars of 16 modes each: 95 % of the answers within about two standard uncertainties."""
    misses, spoken = {"peak width": [], "band decay": []}, {"peak width": 0, "band decay": 0}
    for seed in range(10):
        rng = np.random.default_rng(seed)
        body = random_body(rng)
        inside = body.frequency_hz < 1000
        frequency, damping = body.frequency_hz[inside], body.damping_ratio[inside]
        witnesses = read_witnesses(tap_set(rng, body, Bench(snr_db=snr_db)), frequency, damping)
        for pair, zeta in zip(witnesses, damping, strict=True):
            for each in pair:
                if np.isfinite(each.damping_ratio):
                    spoken[each.method] += 1
                    misses[each.method].append(abs(each.damping_ratio - zeta) / each.damping_ratio_u)
                else:
                    assert each.reason
    for method, enough in zip(misses, answers, strict=True):
        assert spoken[method] > enough * 160
        assert np.mean(np.array(misses[method]) < 2) > 0.88


def test_bad_use_says_what_is_wrong():
    assert read_witnesses(taps_of((150, 0.015, 0.3)), [], []) == ()
    with pytest.raises(LuthkitError, match="one row"):
        read_witnesses(taps_of((150, 0.015, 0.3)), [150, 200], [0.01])
    with pytest.raises(LuthkitError, match="No tap"):
        read_witnesses(TapSet((), (), {}, {}), [150], [0.01])
