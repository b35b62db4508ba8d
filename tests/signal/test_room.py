"""What disturbs a tap: the figures of a room, hum and hiss; and the bound that a room sets."""

from dataclasses import replace

import numpy as np
import pytest
from benchmarks.bounds import decay_bound, room_bound
from scipy.linalg import toeplitz

from luthkit import simulate
from luthkit.signal.cells import make_cells
from luthkit.signal.room import Room, find_mains, hiss_rms


def test_a_rooms_figures():
    """Amplitude decay rate 3 ln 10 / T60 (ISO 3382-1, from memory), direct over reverberant energy."""
    room = Room(t60_s=0.4, reverberant_to_direct=0.1)
    assert room.decay_per_s == pytest.approx(6.907755 / 0.4, rel=1e-6)
    assert room.direct_to_reverberant_db == pytest.approx(10.0)


def cells_of(seed=0, **bench):
    rng = np.random.default_rng(seed)
    return make_cells(simulate.tap_set(rng, simulate.random_body(rng), simulate.Bench(**bench)).taps)


@pytest.mark.parametrize("mains_hz", [50.0, 60.0])
def test_mains_are_found_in_the_noise_before_the_taps(mains_hz):
    mains = find_mains(cells_of(mains_hz=mains_hz), 1000.0)
    assert (mains.frequency_hz, mains.n_lines > 0) == (mains_hz, True)


def test_no_mains_where_there_are_none():
    assert [find_mains(cells_of(seed, hum_db=None), 1000.0).n_lines for seed in range(5)] == [0] * 5


@pytest.mark.parametrize("ring_hz", [47.0, 53.0, 58.0])
def test_what_still_rings_from_the_tap_before_is_no_hum(ring_hz):
    """A sine of any phase within a tenth of a second: wide enough to be taken for 50 or 60 Hz."""
    (cell,) = cells_of(hum_db=None)[:1]
    time = np.arange(cell.before.shape[1]) / cell.sample_rate_hz
    phase = np.random.default_rng(2).uniform(0, 2 * np.pi, (len(cell.before), 1))
    for sine_hz, expected in ((ring_hz, 0.0), (50.0, 50.0), (60.0, 60.0)):
        ring = 30 * cell.before.std() * np.sin(2 * np.pi * sine_hz * time + phase)
        mains = find_mains([replace(cell, before=cell.before + ring)], 1000.0)
        assert mains.frequency_hz * (mains.n_lines > 0) == expected


@pytest.mark.parametrize("hum_db", [None, -25.0])
def test_hiss_is_read_beside_the_hum(hum_db):
    """White noise of standard deviation s at the recorded rate has s sqrt(1 / factor) after decimation."""
    rng = np.random.default_rng(7)
    bench = simulate.Bench(n_taps=20, snr_db=40.0, hum_db=hum_db, level_spread_db=0.0)
    tapset = simulate.tap_set(rng, simulate.random_body(rng), bench)
    before = np.concatenate([tap.samples[:4700, 0] for tap in tapset.taps])
    sharp = np.diff(before, 2)  # takes the hum away, multiplies the variance of white noise by 6
    noise = np.sqrt(np.mean(sharp**2) / 6)
    cell = make_cells(tapset.taps)[0]
    weights = cell.gains / np.sum(cell.gains**2)
    factor = cell.source_rate_hz / cell.sample_rate_hz
    expected = noise * np.sqrt(np.sum(weights**2) / factor)
    assert hiss_rms(cell, find_mains([cell], 1000.0)) == pytest.approx(expected, rel=0.06)


def test_the_bound_in_a_room_is_the_curvature_of_the_likelihood():
    """Fisher information is the curvature of the Kullback-Leibler divergence of two Gaussians (Kullback 1959, from
    memory); and without a room the bound is that of one decay in white noise."""
    one, residue, hiss = complex(simulate.pole(100.0, 0.02)), 0.8 + 0.3j, 0.01
    given = {"t60_s": 0.3, "n_placements": 1, "noise_rms": hiss, "length_s": 0.25, "sample_rate_hz": 800.0}
    t = np.arange(round(0.25 * 800) + round(0.003 * 800)) / 800
    weight = np.exp(-6 * np.log(10) / 0.3 * t) * (t >= 0.004)
    weight *= 0.1 / weight.sum()

    def model(theta):
        wave = (complex(*theta[2:]) * np.exp(complex(*theta[:2]) * t)).real
        spread = toeplitz(wave, np.zeros(len(t)))
        late = slice(len(t) - 200, None)
        return wave[late], ((spread * weight) @ spread.T)[late, late] + hiss**2 * np.eye(200)

    theta = np.array([one.real, one.imag, residue.real, residue.imag])
    mean, covariance = model(theta)

    def divergence(step):
        other_mean, other = model(theta + step)
        solved = np.linalg.solve(other, covariance)
        gap = other_mean - mean
        return 0.5 * (np.trace(solved) - 200 + gap @ np.linalg.solve(other, gap) - np.linalg.slogdet(solved)[1])

    def curvature(i, j):
        a, b = sizes[i] * np.eye(4)[i], sizes[j] * np.eye(4)[j]
        both = divergence(a + b) + divergence(-a - b) - divergence(a - b) - divergence(b - a)
        return both / (4 * sizes[i] * sizes[j])

    sizes = 1e-3 * np.array([12.0, 12.0, 1.0, 1.0])
    least = np.linalg.inv([[curvature(i, j) for j in range(4)] for i in range(4)])
    hz, _ = room_bound([one], [residue], direct_to_reverberant_db=10.0, from_covariance=True, **given)
    along = np.array([one.real, one.imag]) / abs(one) / (2 * np.pi)
    assert hz[0] == pytest.approx(np.sqrt(along @ least[:2, :2] @ along), rel=0.01)
    dry = room_bound([one], [residue], direct_to_reverberant_db=300.0, **given)
    assert np.ravel(dry) == pytest.approx(np.ravel(decay_bound(one, residue, hiss, t[-200:])), rel=1e-6)
