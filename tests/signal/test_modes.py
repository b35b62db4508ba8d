"""Modes read from made taps, against the modes they were made of; bounds; what must not matter and what must."""

import re
from dataclasses import FrozenInstanceError, replace
from functools import cache

import numpy as np
import pytest
from benchmarks.accuracy import CENTS, gather, pair_up, quantiles, quiet_or_workshop, sinusoid
from hypothesis import given
from hypothesis import strategies as st

from luthkit import simulate
from luthkit._frozen import frozen_array
from luthkit.errors import LuthkitError
from luthkit.signal.cells import make_cells
from luthkit.signal.modes import Mode, ModeSet, _between_placements, read_modes
from luthkit.signal.room import Mains, Room
from luthkit.signal.selection import TapFit
from luthkit.signal.taps import Rejection, Tap, TapSet


def made(seed=0, **bench):
    """A random body and taps of it."""
    rng = np.random.default_rng(seed)
    body = simulate.random_body(rng)
    return body, simulate.tap_set(rng, body, simulate.Bench(**bench))


def errors(body, modeset, *, top_hz=700.0):
    """Cents and damping errors (share) of the modes of `body` up to `top_hz`, NaN where one was not found."""
    hz = body.frequency_hz
    modes = [mode for mode in modeset.modes if mode.kind == "body"]
    found = np.full((2, len(hz)), np.nan)
    for i, j in pair_up(hz, [mode.frequency_hz for mode in modes]):
        found[:, i] = (
            CENTS * np.log(modes[j].frequency_hz / hz[i]),
            modes[j].damping_ratio / body.damping_ratio[i] - 1,
        )
    return found[:, hz < top_hz]


def changed(tapset, change):
    """The taps with `change` applied to the samples of each."""
    taps = tuple(replace(tap, samples=frozen_array(change(k, tap))) for k, tap in enumerate(tapset.taps))
    return replace(tapset, taps=taps)


@cache
def quiet(snr_db=40.0):
    scene = {40.0: "quiet 40 dB", 25.0: "quiet 25 dB"}[snr_db]
    return [quiet_or_workshop(seed, scene, with_rivals=False) for seed in range(100, 106)]


@cache
def workshop():
    return [quiet_or_workshop(seed, "workshop", with_rivals=False) for seed in (100, 101)]


# ---- accuracy, the looser half of what the benchmark measures


@pytest.mark.parametrize(
    ("snr_db", "cents", "damping", "most_false"),
    [(40.0, (0.2, 1.0), (0.4, 4), 1), (25.0, (0.8, 4), (2, 20), 2)],
)
def test_quiet_taps_give_all_modes_and_no_others(snr_db, cents, damping, most_false):
    sets = quiet(snr_db)
    assert np.all(np.isfinite(gather(sets, "cents")))
    assert sum(each.false for each in sets) <= most_false
    assert np.all(np.array(quantiles(gather(sets, "cents"))) < cents)
    assert np.all(100 * np.array(quantiles(gather(sets, "damping"))) < damping)


@pytest.mark.parametrize("snr_db", [40.0, 25.0])
@pytest.mark.parametrize("which", ["cents_score", "damping_score"])
def test_stated_uncertainties_are_the_errors_that_occur(snr_db, which):
    """Errors over standard uncertainties have a standard deviation near one (JCGM 100, from memory)."""
    scores = gather(quiet(snr_db), which)
    scores = scores[np.isfinite(scores)]
    assert len(scores) > 60
    assert 0.7 < np.std(scores) < 1.3
    assert abs(np.mean(scores)) < 0.35


def test_the_workshop_leaves_the_strong_modes_to_be_read():
    for each in workshop():
        assert np.all(np.abs(each.cents[each.strong]) < 10)
        assert np.all(np.abs(each.damping[each.strong]) < 0.2)
        assert np.mean(np.isfinite(each.cents)) > 0.8
        assert each.false <= 1


def test_the_room_is_stated():
    modeset = read_modes(made(3, n_taps=4, t60_s=0.4, n_placements=1)[1])
    said = re.search(r"dies in ([\d.]+) s .* lies (\d+) dB under", " ".join(modeset.notes))
    assert float(said[1]) == pytest.approx(0.4, rel=0.3)
    assert float(said[2]) == pytest.approx(10, abs=2.1)


def test_one_decay_in_white_noise_is_read_as_well_as_can_be():
    """Root mean square error over the Cramer-Rao bound: exact Fisher information of the samples that are read."""
    scores = np.array([sinusoid(seed)[0] for seed in range(60)])
    ratio = np.sqrt(np.mean(scores**2, axis=0))
    assert np.all(ratio[:, 1] > 0.75)
    assert np.all(ratio[:, 1] < 1.4)
    assert np.all((ratio[:, 2] > 0.75) & (ratio[:, 2] < 1.3))


def test_two_modes_three_per_cent_apart_are_told_apart():
    for seed in range(4):
        each = quiet_or_workshop(seed, "pairs", with_rivals=False)
        assert np.sum(each.strong) == 2
        assert np.all(np.abs(each.cents[each.strong]) < 3)
        assert np.all(np.abs(each.damping[each.strong]) < 0.1)


def test_uncertainties_grow_in_step_with_the_noise():
    """Ten times the noise, ten times the uncertainty: both follow from one linear map near the truth."""
    stated = []
    for snr_db in (45.0, 25.0):
        body, tapset = made(4, snr_db=snr_db, hum_db=None)
        modes = read_modes(tapset).modes
        pairs = pair_up(body.frequency_hz[body.frequency_hz < 700], [mode.frequency_hz for mode in modes])
        stated.append({i: (modes[j].frequency_u_hz, modes[j].damping_ratio_u) for i, j in pairs})
    both = stated[0].keys() & stated[1].keys()
    growth = np.array([np.divide(stated[1][i], stated[0][i]) for i in both])
    assert len(both) >= 10
    assert np.all((np.median(growth, axis=0) > 7) & (np.median(growth, axis=0) < 14))


@pytest.mark.parametrize("mains_hz", [50.0, 60.0])
def test_hum_is_not_taken_for_modes(mains_hz):
    for seed in (5, 6, 7):
        body, tapset = made(seed, hum_db=-20.0, mains_hz=mains_hz)
        modeset = read_modes(tapset)
        found = np.array([mode.frequency_hz for mode in modeset.modes])
        paired = {j for _, j in pair_up(body.frequency_hz, found)}
        off_hz = np.abs(found - mains_hz * np.round(found / mains_hz))
        assert [hz for j, hz in enumerate(found) if j not in paired and off_hz[j] < 1] == []
        assert np.nanmedian(np.abs(errors(body, modeset)), axis=1) == pytest.approx([0, 0], abs=0.3)
        assert any(f"{mains_hz:.0f} Hz" in note for note in modeset.notes)


def test_no_hum_is_reported_where_there_is_none():
    notes = [note for seed in range(4) for note in read_modes(made(seed, n_taps=3, hum_db=None)[1]).notes]
    assert [note for note in notes if "hum" in note] == []


# ---- what must not matter


@pytest.mark.parametrize("rate", [16000, 44100, 96000, 192000])
def test_any_sample_rate_gives_the_same_modes(rate):
    body, tapset = made(6, n_taps=3, sample_rate_hz=rate, length_s=0.9)
    cents, damping = errors(body, read_modes(tapset))
    assert np.nanmax(np.abs(cents)) < 4
    assert np.nanmedian(np.abs(cents)) < 0.3
    assert np.nanmedian(np.abs(damping)) < 0.01
    assert np.mean(np.isfinite(cents)) > 0.95


def test_rates_and_lengths_may_be_mixed():
    body, first = made(7, n_taps=4, sample_rate_hz=48000)
    _, second = made(7, n_taps=3, sample_rate_hz=44100)
    taps = [replace(tap, samples=tap.samples[: 30000 + 4000 * k]) for k, tap in enumerate(first.taps)]
    cents, damping = errors(body, read_modes(replace(first, taps=(*taps, *second.taps))))
    assert np.all(np.isfinite(cents))
    assert np.median(np.abs(cents)) < 0.3
    assert np.median(np.abs(damping)) < 0.01


def test_a_second_microphone_halves_the_variance():
    """Two channels with noise of their own: the same modes, uncertainties smaller by the square root of two."""
    body, clean = made(8, n_taps=5, snr_db=300, hum_db=None)
    rng = np.random.default_rng(8)
    noise = 2e-3 * rng.standard_normal((5, len(clean.taps[0].samples), 2))
    stereo = changed(clean, lambda k, tap: tap.samples + noise[k])
    mono = changed(stereo, lambda _, tap: tap.samples[:, :1])
    stated = []
    for tapset in (mono, stereo):
        modeset = read_modes(tapset)
        cents, damping = errors(body, modeset)
        assert np.nanmedian(np.abs(cents)) < 0.3
        assert np.nanmedian(np.abs(damping)) < 0.01
        pairs = pair_up(body.frequency_hz[:13], [mode.frequency_hz for mode in modeset.modes])
        stated.append({i: modeset.modes[j].damping_ratio_u for i, j in pairs})
    both = sorted(stated[0].keys() & stated[1].keys())
    assert len(both) >= 12
    shrunk = np.median([stated[1][i] / stated[0][i] for i in both])
    assert shrunk == pytest.approx(np.sqrt(0.5), rel=0.2)  # the scatter of five taps is itself uncertain


@pytest.mark.parametrize("gain", [0.01, -3.0])
def test_louder_softer_or_upside_down_is_the_same_guitar(gain):
    _, tapset = made(9, n_taps=4)
    plain = read_modes(tapset).modes
    scaled = read_modes(changed(tapset, lambda _, tap: gain * tap.samples)).modes
    for name in ("frequency_hz", "frequency_u_hz", "damping_ratio", "damping_ratio_u"):
        pairs = [[getattr(mode, name) for mode in modes] for modes in (plain, scaled)]
        assert pairs[1] == pytest.approx(pairs[0], rel=0.02 if name.endswith(("_u", "u_hz")) else 1e-4)
    assert [m.level_db for m in scaled] == pytest.approx([m.level_db for m in plain], abs=0.01)


def test_onsets_a_little_wrong_do_no_harm():
    """Taps are lined up by their sound: onsets up to 0.3 ms off shift nothing but phases."""
    body, tapset = made(10)
    rng = np.random.default_rng(0)
    taps = tuple(replace(tap, onset_s=tap.onset_s + rng.uniform(-3e-4, 3e-4)) for tap in tapset.taps)
    cents, damping = errors(body, read_modes(replace(tapset, taps=taps)))
    assert np.nanmax(np.abs(cents)) < 3
    assert np.nanmedian(np.abs(cents)) < 0.2
    assert np.nanmedian(np.abs(damping)) < 0.005


def test_what_the_mallet_does_is_left_out():
    """A soft mallet stays for 2 to 2.6 ms; its force is no decay and must not be read as one."""
    body, tapset = made(17, pulse_s=(2e-3, 2.6e-3), snr_db=60.0, hum_db=None)
    modeset = read_modes(tapset)
    cents, damping = errors(body, modeset, top_hz=500.0)
    assert np.all(np.quantile(np.abs([cents, damping]), 0.9, axis=1) < (0.05, 0.002))
    assert not any("room" in note for note in modeset.notes)


def test_a_constant_offset_does_no_harm():
    body, tapset = made(11, n_taps=4)
    cents, _ = errors(body, read_modes(changed(tapset, lambda _, tap: tap.samples + 0.05)))
    assert np.nanmax(np.abs(cents)) < 3
    assert np.all(np.isfinite(cents))


# ---- few taps, none, and nonsense


@pytest.mark.parametrize("n_taps", [1, 2])
def test_few_taps_are_read_and_say_so(n_taps):
    body, tapset = made(12, n_taps=n_taps)
    modeset = read_modes(tapset)
    cents, _ = errors(body, modeset)
    assert np.nanmedian(np.abs(cents)) < 0.5
    assert modeset.taps_accepted == n_taps
    assert any("fewer than 3 taps" in note for note in modeset.notes)
    assert any("one placement" in note for note in modeset.notes)


def test_no_tap_is_an_error_that_says_why():
    empty = TapSet((), (Rejection("a.wav", 0.1, "clipped"),), {}, {})
    with pytest.raises(LuthkitError, match=r"no usable tap in the guitar: clipped"):
        read_modes(empty, name="the guitar")


def test_noise_alone_has_no_modes():
    rng = np.random.default_rng(13)
    taps = tuple(Tap(frozen_array(0.01 * rng.standard_normal((60000, 1))), 48000, 0.1, 0.1, "noise") for _ in range(4))
    with pytest.raises(LuthkitError, match="no mode above the noise"):
        read_modes(TapSet(taps, (), {}, {}))


@pytest.mark.parametrize("band_hz", [(10.0, 1000.0), (500.0, 100.0), (60.0, 9000.0), (100.0, 100.0)])
def test_a_senseless_band_is_refused(band_hz):
    with pytest.raises(LuthkitError, match=re.escape(str(band_hz))):
        read_modes(made(14, n_taps=1)[1], band_hz=band_hz)


def test_the_band_is_kept():
    body, tapset = made(14, n_taps=3)
    modes = read_modes(tapset, band_hz=(150.0, 400.0)).modes
    inside = body.frequency_hz[(body.frequency_hz > 150) & (body.frequency_hz < 400)]
    assert all(150 <= mode.frequency_hz <= 400 for mode in modes)
    assert len(pair_up(inside, [mode.frequency_hz for mode in modes])) == len(inside)


# ---- the result


def test_a_mode_set_is_sorted_frozen_and_complete():
    _, tapset = made(15, n_taps=4, n_placements=2)
    modeset = read_modes(tapset, name="number seven")
    assert isinstance(modeset, ModeSet)
    hz = [mode.frequency_hz for mode in modeset.modes]
    assert hz == sorted(hz)
    assert (modeset.name, modeset.taps_accepted, modeset.placements) == ("number seven", 4, 2)
    assert max(mode.level_db for mode in modeset.modes) == 0.0
    assert modeset.amplitudes.shape == (len(hz), len(modeset.positions))
    assert np.abs(modeset.amplitudes).max() == pytest.approx(1.0)
    with pytest.raises(FrozenInstanceError):
        modeset.name = "number eight"
    with pytest.raises(FrozenInstanceError):
        modeset.modes[0].frequency_hz = 1.0
    with pytest.raises(ValueError, match="read-only"):
        modeset.amplitudes[0] = 0
    with pytest.raises(TypeError):
        modeset.parameters["band_hz"] = (1, 2)


def test_levels_are_those_of_the_body():
    """Height of each mode's own peak, through pulses whose spectra fall by some dB towards 700 Hz."""
    body, tapset = made(16, pulse_s=(5e-4, 5e-4), hum_db=None)
    modes = read_modes(tapset).modes
    hz = body.frequency_hz
    fall = np.abs(np.fft.rfft(simulate.force_pulse(5e-4, 48000), 48000))
    expected = body.level_db() + 20 * np.log10(np.interp(hz, np.arange(len(fall)), fall))
    pairs = [(i, j) for i, j in pair_up(hz, [mode.frequency_hz for mode in modes]) if hz[i] < 700]
    gap = np.array([modes[j].level_db - expected[i] for i, j in pairs])
    assert gap - np.median(gap) == pytest.approx(np.zeros(len(gap)), abs=0.3)


def a_mode(frequency_hz, ratio, ratio_u=0.0):
    return Mode(frequency_hz, 0.1, ratio, ratio_u, 0.0, 0.1)


def test_damping_in_other_words():
    """200 Hz, Q 50: decay rate pi f / Q = 12.566371 1/s, 60 dB in 3 ln 10 / 12.566371 = 0.5497017 s (not the
    rounded 2.2 / (f eta) = 0.55), loss factor 1 / Q."""
    mode = a_mode(200.0, 0.01)
    assert mode.q_factor == pytest.approx(50)
    assert mode.loss_factor == pytest.approx(0.02)
    assert mode.decay_time_s == pytest.approx(0.5497017, abs=1e-7)


@given(st.floats(20, 4000), st.floats(1e-3, 0.1), st.floats(1e-6, 1e-3))
def test_damping_relations_hold_for_all(frequency_hz, ratio, ratio_u):
    """Q = 1 / eta = 1 / (2 zeta); T60 f eta = 3 ln 10 / pi = 2.198807; relative uncertainties of Q and zeta are one."""
    mode = a_mode(frequency_hz, ratio, ratio_u)
    assert mode.q_factor * mode.loss_factor == pytest.approx(1)
    assert mode.loss_factor == pytest.approx(2 * ratio)
    assert mode.decay_time_s * frequency_hz * mode.loss_factor == pytest.approx(2.198807, rel=1e-6)
    assert mode.q_factor_u / mode.q_factor == pytest.approx(ratio_u / ratio)


def test_a_few_modes_are_read_in_a_room_and_not_a_crowd():
    # the room alone looks like 40 modes more; four there are
    rng = np.random.default_rng(0)
    poles = simulate.pole(np.sort(rng.uniform(90, 500, 4)), 0.5 / rng.uniform(20, 60, 4))
    level = 10 ** (rng.uniform(-12, 0, 4) / 20) * np.exp(1j * rng.uniform(0, 6.28, 4))
    body = simulate.Body(poles, (-level * poles.real)[:, None])
    modes = read_modes(simulate.tap_set(rng, body, simulate.Bench(t60_s=0.4, n_placements=2)))
    assert any("room is heard" in note for note in modes.notes)
    assert len(modes.modes) < 12
    for hz in body.frequency_hz:
        near = min(modes.modes, key=lambda mode: abs(mode.frequency_hz - hz))
        assert near.frequency_hz == pytest.approx(hz, abs=4 * near.frequency_u_hz)


@pytest.mark.parametrize("hz", [49.2, 51.0])
def test_a_long_ring_beside_a_mains_frequency_is_no_hum_and_no_room(hz):
    # a plate of spruce bending along the grain, Q 180, where no hum is
    rng = np.random.default_rng(1)
    poles = simulate.pole([33.0, hz, 262.0], 0.5 / np.array([60.0, 180.0, 90.0]))
    body = simulate.Body(poles, -poles.real[:, None] * 1j)
    modes = read_modes(simulate.tap_set(rng, body, simulate.Bench(n_taps=5, hum_db=None)), band_hz=(20.0, 330.0))
    assert not any("room" in note for note in modes.notes)
    assert [mode.frequency_hz for mode in modes.modes] == pytest.approx(body.frequency_hz, rel=1e-3)
    assert modes.modes[1].damping_ratio == pytest.approx(0.5 / 180, rel=0.05)


def in_a_room(seed=0, *, change=None, body=None, **bench):
    """Four taps in two placements of a random body, T60 0.4 s; `change` alters the samples of each."""
    rng = np.random.default_rng(seed)
    body = body or simulate.random_body(rng)
    given = {"t60_s": 0.4, "n_placements": 2, "n_taps": 4} | bench
    tapset = simulate.tap_set(rng, body, simulate.Bench(**given))
    if change is None:
        return tapset
    return replace(tapset, taps=tuple(replace(tap, samples=change(np.array(tap.samples))) for tap in tapset.taps))


def test_hiss_below_the_step_of_a_16_bit_file_does_not_blow_up_the_errors():
    """The stretch before the tap is digital silence then, and yet no room is known to a millionth."""
    tapset = in_a_room(snr_db=90.0, hum_db=None, change=lambda x: np.round(x * 32768) / 32768)
    modes = read_modes(tapset).modes
    assert len(modes) >= 14
    assert all(mode.damping_ratio_u < 0.5 * mode.damping_ratio for mode in modes)


@pytest.mark.parametrize("hum_db", [-25.0, -15.0])
def test_strong_hum_in_a_room_leaves_the_modes_to_be_read(hum_db):
    rng = np.random.default_rng(0)
    body = simulate.random_body(rng)
    found = [mode.frequency_hz for mode in read_modes(in_a_room(hum_db=hum_db)).modes]
    there = body.frequency_hz[body.frequency_hz < 1000]
    assert len(pair_up(there, found)) >= len(there) - 1


@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize("snr_db", [40.0, 160.0])
def test_one_mode_in_a_short_room_without_hiss_is_read(snr_db):
    body = simulate.Body(np.array([simulate.pole(200.0, 0.02)]), np.array([[1 + 0j]]))
    modes = read_modes(in_a_room(body=body, snr_db=snr_db, hum_db=None, t60_s=0.1)).modes
    best = min(modes, key=lambda mode: abs(mode.frequency_hz - 200.0))
    assert best.frequency_hz == pytest.approx(200.0, rel=0.001)
    assert best.level_db == 0


@pytest.mark.parametrize("top_hz", [45.0, 52.0, 58.0])
def test_a_narrow_low_band_is_read_without_a_room(top_hz):
    poles = simulate.pole(np.array([40.0, 90.0, 200.0]), 0.03)
    body = simulate.Body(poles, -poles.real[:, None] * np.ones((3, 1)))
    modeset = read_modes(in_a_room(body=body), band_hz=(20.0, top_hz))
    assert min(abs(mode.frequency_hz - 40.0) for mode in modeset.modes) < 1
    assert not any("room is heard" in note for note in modeset.notes)


def test_sound_far_above_the_band_is_no_mode_in_it():
    """One mode at 3 kHz, in a room: a pole that stays alone is asked as all others are."""
    body = simulate.Body(np.array([simulate.pole(3000.0, 0.02)]), np.array([[1 + 0j]]))
    with pytest.raises(LuthkitError, match="no mode"):
        read_modes(in_a_room(3, body=body))


def test_a_silent_channel_tells_nothing():
    plain = read_modes(in_a_room())
    beside = read_modes(in_a_room(change=lambda x: np.hstack([x, np.zeros_like(x)])))
    assert [m.frequency_hz for m in beside.modes] == pytest.approx([m.frequency_hz for m in plain.modes], rel=1e-9)


def test_placements_that_differ_by_more_than_expected_make_the_errors_grow():
    """Birge ratio squared, chi-square over its degrees of freedom: three standard errors either way make 18."""
    s, sd = complex(simulate.pole(200.0, 0.02)), 2.0
    cells = [replace(cell, placement=str(k)) for k, cell in enumerate(2 * make_cells(made()[1].taps))]
    information, step = np.eye(2) / sd**2, np.array([0.0, 3 * sd])
    common = {"cells": tuple(cells), "hiss": (1.0, 1.0), "mains": Mains(50.0, 0), "poles": np.array([s])}
    for size, expected in ((0.0, 1.0), (1.0, 18.0)):
        own = tuple((information, sign * size * information @ step) for sign in (1, -1))
        growth = _between_placements(TapFit(**common, room=Room(0.4, 0.1), own=own))
        assert growth[0, 0] == pytest.approx(expected, rel=0.01)
    assert _between_placements(TapFit(**common)) == pytest.approx(1.0)


def test_the_growth_stands_in_the_errors(monkeypatch):
    tapset = in_a_room()
    plain = read_modes(tapset).modes
    monkeypatch.setattr("luthkit.signal.modes._between_placements", lambda fit: np.full((2, len(fit.poles)), 1e6))
    wider = read_modes(tapset).modes
    assert all(b.frequency_u_hz > 50 * a.frequency_u_hz for a, b in zip(plain, wider, strict=True))


def test_taps_that_differ_beyond_the_hiss_widen_the_errors():
    """Each tap of a body of its own, all frequencies off by 0.1 %: the mean, over root 8."""
    rng, taps = np.random.default_rng(12), []
    poles = simulate.pole(np.array([110.0, 205.0, 390.0]), 0.02)
    for factor in 1 + 1e-3 * rng.standard_normal(8):
        body = simulate.Body(factor * poles, -poles.real[:, None] * np.ones((3, 1)))
        taps += simulate.tap_set(rng, body, simulate.Bench(n_taps=1, hum_db=None)).taps
    modes = read_modes(TapSet(tuple(taps), (), {}, {})).modes
    for hz in (110.0, 205.0, 390.0):
        mode = min(modes, key=lambda each: abs(each.frequency_hz - hz))
        assert 0.5 < mode.frequency_u_hz / (1e-3 * hz / np.sqrt(8)) < 2.5
