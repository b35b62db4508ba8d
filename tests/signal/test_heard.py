"""A cell frequency by frequency: its transform, and a room that multiplies."""

from dataclasses import replace

import numpy as np
import pytest
from roomy_cells import AMPLITUDES, POLES, RATE, ROOM, STILL, N, one_tap, ringing, tails, transformed

from luthkit import simulate
from luthkit.signal.cells import make_cells
from luthkit.signal.heard import covariance, hear, pair_columns, recorded_covariance, weighed
from luthkit.signal.poles import refine
from luthkit.signal.room import Mains, hiss_rms


def test_the_transform_is_a_discrete_fourier_transform_of_the_weighed_record():
    """And what each sample adds to it is told as a transform forth and back."""
    rng = np.random.default_rng(1)
    lead, samples = rng.standard_normal(24), rng.standard_normal(N)
    heard = hear(one_tap(samples, lead), 1.0, STILL, 1000.0, 1.0)
    whole = np.concatenate([lead, samples])[:, None]
    assert heard.spectrum == pytest.approx(transformed(heard, whole, 24)[..., 0], abs=1e-9)
    assert heard.lead == pytest.approx(transformed(heard, whole[:24], 24)[..., 0], abs=1e-9)
    weights = rng.standard_normal((*heard.omega.shape, 2)) @ np.diag([1, 1j])
    added = heard.samples(weights)
    assert samples @ added == pytest.approx(np.einsum("bj,bjk->k", heard.spectrum - heard.lead, weights), rel=1e-9)


def test_decaying_sinusoids_are_transformed_in_closed_form_with_their_slopes():
    heard = hear(one_tap(ringing()), 1.0, STILL, 1000.0, 1.0)
    assert heard.sound(POLES, AMPLITUDES) == pytest.approx(heard.spectrum, abs=1e-9)
    _, slope, _, back = heard.waves(POLES)
    columns = pair_columns(slope * AMPLITUDES, back * AMPLITUDES.conj())
    for k in range(3):
        for part, step in enumerate((1e-4, 1e-4j)):
            moved = POLES + step * (np.arange(3) == k)
            change = (heard.sound(moved, AMPLITUDES) - heard.sound(2 * POLES - moved, AMPLITUDES)) / 2e-4
            assert columns[..., 2 * k + part] == pytest.approx(change, abs=1e-6 * np.abs(change).max())


def test_a_room_multiplies_and_its_covariance_is_that_of_the_factor():
    """500 tails by convolution in time: what they add over the direct sound scatters as the closed form says."""
    rng, runs = np.random.default_rng(2), 500
    sound = ringing(N)
    heard = hear(one_tap(sound), 1e-9, STILL, 700.0, 1.0)
    late = np.array([np.convolve(sound, tail)[:N] for tail in tails(rng, runs, N)])
    factor = transformed(heard, late.T) / heard.spectrum[..., None]
    block = factor[0]
    measured = block @ block.conj().T / runs
    expected = heard.tail(ROOM)
    assert np.abs(measured - expected).max() < 5 * expected[0, 0].real / np.sqrt(runs)
    pseudo = block @ block.T / runs
    assert np.abs(pseudo).max() < 6 * expected[0, 0].real / np.sqrt(runs)  # hardly any: circular


def test_what_is_heard_beside_the_direct_sound_has_unit_variance_once_whitened():
    """Reverberation, hiss and hum drawn 60 times, by convolution in time: chi-square within 10 %, in every block."""
    rng, runs, hiss = np.random.default_rng(3), 60, 2e-3
    time = np.arange(N) / RATE
    hum = 0.03 * np.cos(2 * np.pi * 50 * time + rng.uniform(0, 2 * np.pi, (runs, 1)))
    before = 0.03 * np.cos(2 * np.pi * 50 * np.arange(480) / RATE)
    cell = one_tap(ringing(), before=before)
    heard = hear(cell, hiss, Mains(50.0, 1), 1000.0, 1.0)
    late = np.array([np.convolve(ringing(), tail)[:N] for tail in tails(rng, runs, N)])
    noise = late + hum + hiss * rng.standard_normal((runs, N))
    whitener = np.linalg.inv(np.linalg.cholesky(covariance(heard, heard.tail(ROOM), heard.sound(POLES, AMPLITUDES))))
    white = whitener @ transformed(heard, noise.T)
    assert np.mean(np.abs(white) ** 2, axis=(1, 2)) == pytest.approx(np.ones(len(white)), abs=0.1)


def test_the_first_stand_in_has_the_power_of_the_room():
    """Blurred, but no weaker or stronger over a block than what the true direct sound gives."""
    heard = hear(one_tap(ringing()), 1e-6, STILL, 1000.0, 1.0)
    tail = heard.tail(ROOM)
    rough, exact = recorded_covariance(heard, tail), covariance(heard, tail, heard.spectrum)
    power = [np.trace(each, axis1=1, axis2=2).real for each in (rough, exact)]
    assert power[0] == pytest.approx(power[1], rel=0.15)


def test_a_dip_that_the_room_made_is_no_quiet_spot_to_the_stand_in():
    heard = hear(one_tap(ringing()), 1e-6, STILL, 1000.0, 1.0)
    spectrum = heard.spectrum.copy()
    spectrum[1, 40] = 0
    dipped = recorded_covariance(replace(heard, spectrum=spectrum), heard.tail(ROOM))[1].real
    assert dipped[40, 40] > 0.5 * min(dipped[38, 38], dipped[42, 42])


def test_least_squares_in_a_room_reaches_the_truth_when_nothing_disturbs():
    heard = [hear(one_tap(ringing()), 1e-5, STILL, 1000.0, 1.0)]
    covariances = [covariance(each, each.tail(ROOM), each.spectrum) for each in heard]
    start = POLES * (1 + 0.001 * (-1) ** np.arange(3))
    fit = refine(weighed(heard, covariances), start, max_steps=30)
    assert fit.poles == pytest.approx(POLES, rel=1e-6)
    assert fit.amplitudes[0] == pytest.approx(AMPLITUDES, rel=1e-5)


def test_cells_as_recorded_are_heard_with_the_filter_and_the_noise_they_have():
    """Hiss before 40 simulated taps, decimated and transformed as a tap is: its power is that of the stated covariance,
    above the filter's edge as well."""
    rng = np.random.default_rng(4)
    bench = simulate.Bench(n_taps=40, pre_s=0.5, snr_db=30.0, hum_db=None)
    (cell,) = make_cells(simulate.tap_set(rng, simulate.random_body(rng), bench).taps)
    n = round(0.4 * cell.sample_rate_hz)
    alone = [replace(cell, taps=taps[None, :n], gains=np.ones(1), lead=np.zeros(0)) for taps in cell.before[:, :n]]
    heard = [hear(each, 1.0, STILL, 1300.0, 1.0) for each in alone]
    power = np.mean([np.sum(np.abs(each.spectrum) ** 2, axis=1) for each in heard], axis=0)
    one_tap_alone = replace(cell, taps=cell.taps[:1], gains=np.ones(1), before=cell.before)
    rms = hiss_rms(one_tap_alone, STILL) / np.sqrt(40)
    expected = rms**2 * np.trace(heard[0].noise, axis1=1, axis2=2).real
    assert power == pytest.approx(expected, rel=0.15)
    assert expected[-1] < 0.7 * expected[0]
