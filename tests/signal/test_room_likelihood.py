"""The likelihood in a room: its slopes, its information against a bound reckoned in time, and the climb."""

from dataclasses import replace

import numpy as np
import pytest
from benchmarks.bounds import room_bound
from roomy_cells import AMPLITUDES, HISS, POLES, RATE, ROOM, START_S, STILL, N, in_a_room, one_tap, ringing, transformed
from scipy.stats import multivariate_normal

from luthkit.signal.heard import covariance, hear, stacked
from luthkit.signal.modes import _to_frequency_and_ratio
from luthkit.signal.room import Room
from luthkit.signal.room_likelihood import RATIO_SPREAD, RoomLikelihood, restricted_cost, unusual


def likelihood(seed=0, **options):
    return RoomLikelihood(in_a_room(np.random.default_rng(seed), **options), ROOM)


def truth(model, poles=POLES, amplitudes=AMPLITUDES):
    return model.at(np.array(poles), np.array([amplitudes] * len(model.heard)))


def test_the_cost_is_that_of_a_circular_gaussian():
    """-2 ln of the density of (Re, Im) by scipy's multivariate normal, of which a circular one is a case: covariance
    [[Re C, -Im C], [Im C, Re C]] / 2, and so with 2 ln(2 pi) a frequency in place of 2 ln(pi)."""
    model = likelihood(n_cells=1)
    state, (heard,) = truth(model), model.heard
    sound, expected = heard.sound(POLES, AMPLITUDES), 0.0
    for block, total in zip(heard.spectrum - sound, covariance(heard, heard.tail(ROOM), sound), strict=True):
        both = np.block([[total.real, -total.imag], [total.imag, total.real]]) / 2
        density = multivariate_normal(np.zeros(2 * len(block)), both, allow_singular=False)
        expected -= 2 * density.logpdf(np.concatenate([block.real, block.imag]))
        expected -= 2 * len(block) * np.log(np.pi)
    assert state.costs[0] == pytest.approx(expected, rel=1e-9)
    away = np.log(-POLES.real / np.abs(POLES) * 60) / np.log(2)
    assert state.cost == pytest.approx(expected + np.sum(away**2), rel=1e-9)


def test_the_gradient_is_the_slope_of_the_cost():
    model = likelihood(1)
    state = truth(model, 1.002 * POLES, 1.1 * AMPLITUDES)
    cells = model.local(state)
    for k in (0, 2):
        for part, step in enumerate((1e-4, 1e-4j)):
            moved = step * (np.arange(3) == k)
            costs = [model.at(state.poles + sign * moved, state.amplitudes).costs for sign in (1, -1)]
            slope = -0.5 * (costs[0] - costs[1]) / 2e-4
            assert [each.gradient[2 * k + part] for each in cells] == pytest.approx(
                slope, rel=1e-3, abs=1e-3 * np.abs(slope).max()
            )
            moved = 1e-2 * moved
            costs = [model.at(state.poles, state.amplitudes + sign * moved).costs for sign in (1, -1)]
            slope = -0.5 * (costs[0] - costs[1]) / 2e-6
            assert [each.gradient[6 + 2 * k + part] for each in cells] == pytest.approx(
                slope, rel=1e-3, abs=1e-3 * np.abs(slope).max()
            )


def test_the_information_is_the_scatter_of_the_gradient():
    """Fisher's two forms are one: over 600 records drawn at the truth the gradient scatters as stated."""
    rng = np.random.default_rng(2)
    (heard,), runs = in_a_room(rng, n_cells=1), 600
    sound = heard.sound(POLES, AMPLITUDES)
    factor = np.linalg.cholesky(covariance(heard, heard.tail(ROOM), sound))
    gradients = []
    for _ in range(runs):
        noise = rng.standard_normal((*sound.shape, 2)) @ [1, 1j] / np.sqrt(2)
        drawn = sound + (factor @ noise[..., None])[..., 0]
        model = RoomLikelihood([replace(heard, spectrum=drawn)], ROOM)
        (cell,) = model.local(truth(model))
        gradients.append(cell.gradient)
    scatter, stated = np.cov(np.transpose(gradients)), cell.information
    scale = np.sqrt(np.diag(stated))
    assert np.mean(gradients / scale, axis=0) == pytest.approx(np.zeros(12), abs=5 / np.sqrt(runs))
    assert scatter / np.outer(scale, scale) == pytest.approx(stated / np.outer(scale, scale), abs=0.25)


def test_the_errors_are_the_bound_reckoned_in_time():
    """`bounds.room_bound` counts in time, sample by sample, with nothing of this module. In both the sound begins where
    it is read from on, and tails 3 ms later. The weak third pole leans on frequencies below 50 Hz,
    which are not read."""
    given = {"t60_s": 0.3, "direct_to_reverberant_db": 10.0, "n_placements": 1, "noise_rms": HISS, "start_s": 0.0}
    given |= {"length_s": 0.6, "sample_rate_hz": RATE, "delay_s": 0.003, "from_covariance": True}
    least = np.array(room_bound(POLES, AMPLITUDES * np.exp(POLES * START_S), **given))
    model = RoomLikelihood([hear(one_tap(ringing()), HISS, STILL, 1100.0, 1.0)], ROOM)
    outcome = model.outcome(truth(model))
    tilt = unusual(POLES)[1]
    stated = np.sqrt(_to_frequency_and_ratio(POLES, np.linalg.inv(np.linalg.inv(outcome.covariance) - tilt.T @ tilt)))
    assert stated[:, :2] == pytest.approx(least[:, :2], rel=0.05)


def test_the_climb_ends_within_the_errors_it_states():
    """24 records, three poles each, from 0.3 % away: chi-square of all errors, and nothing beyond four errors."""
    scores = []
    for seed in range(24):
        model = likelihood(100 + seed)
        state = model.climb(truth(model, POLES * (1 + 0.003 * (-1) ** np.arange(3)), 0.95 * AMPLITUDES), 20)
        sd = np.sqrt(np.diag(model.outcome(state).covariance))
        error = state.poles - POLES
        scores.append(np.stack([error.real / sd[0::2], error.imag / sd[1::2]]))
    scores = np.array(scores)
    assert 0.7 < np.mean(scores**2) < 1.4
    assert np.abs(scores).max() < 4.5


def test_a_climb_never_ends_below_where_it_began():
    model = likelihood(4)
    for shift in (0.03, -0.05):
        begun = truth(model, POLES * (1 + shift))
        assert model.climb(begun, 5).cost <= begun.cost


def test_the_score_finds_the_pole_that_is_missing_and_no_other():
    """Score and likelihood ratio tests agree to first order (Rao 1948): none above chance where all poles are there."""
    model = likelihood(5)
    grid = 2 * np.pi * np.exp(np.linspace(np.log(70), np.log(650), 60)) * (-1 / 60 + 1j)
    full = model.climb(truth(model), 10)
    assert model.score(full, grid).max() < 35
    (amplitudes,) = model.with_amplitudes(full, full.poles, [np.array([True, False, True])])
    fewer = model.climb(model.at(full.poles[[0, 2]], amplitudes), 10)
    asked = model.score(fewer, grid)
    assert abs(grid[np.argmax(asked)]) / (2 * np.pi) == pytest.approx(203, rel=0.08)
    assert asked.max() > 100
    assert fewer.cost - full.cost > 100


def test_amplitudes_are_found_again_where_all_poles_stay():
    model = likelihood(6)
    state = model.climb(truth(model), 10)
    (amplitudes,) = model.with_amplitudes(state, state.poles, [np.ones(3, bool)])
    assert np.abs(amplitudes - AMPLITUDES) == pytest.approx(0, abs=0.5)
    assert model.at(state.poles, amplitudes).cost < state.cost + 20


def test_poles_follow_the_samples_as_the_solvers_say():
    """Small changes of one cell's samples, and the climb begun again: the poles move by solver times change, or less by
    what the covariances then say."""
    rng = np.random.default_rng(7)
    heard = in_a_room(rng)

    def settled(model, state):
        for _ in range(15):
            state = model.climb(state, 5)
        return state

    model = RoomLikelihood(heard, ROOM)
    state = settled(model, truth(model))
    outcome = model.outcome(state)
    sd, told, got = np.sqrt(np.diag(outcome.covariance)), [], []
    for _ in range(8):
        change = 5e-3 * ringing() * np.exp(2j * np.pi * rng.uniform(0, 5) * np.arange(N) / N).real
        spectrum = heard[0].spectrum + transformed(heard[0], change[:, None])[..., 0]
        after = RoomLikelihood([replace(heard[0], spectrum=spectrum), heard[1]], ROOM)
        moved = settled(after, after.at(state.poles, state.amplitudes)).poles - state.poles
        got.append(np.stack([moved.real, moved.imag], axis=1).ravel() / sd)
        told.append(outcome.solvers[0] @ change / sd)
    told, got = np.ravel(told), np.ravel(got)
    assert np.corrcoef(told, got)[0, 1] > 0.9
    assert 0.4 < told @ got / (told @ told) < 1.2


def test_what_counts_half_has_twice_the_variance():
    whole, half = likelihood(8), likelihood(8, share=0.5)
    informations = [each.outcome(truth(each)).informations[0] for each in (whole, half)]
    assert informations[1] == pytest.approx(0.5 * informations[0], rel=1e-9)
    assert truth(half).costs == pytest.approx(0.5 * truth(whole).costs)


def test_what_is_usual_counts_as_one_more_observation():
    """ln Q of a body mode is 30 within a factor of two before anything is heard: the slope of that in (Re s, Im s)."""
    away, slopes = unusual(POLES)
    assert away == pytest.approx(np.log([0.02 * 60, 0.015 * 60, 0.02 * 60]) / np.log(2))
    for part, step in enumerate((1e-5, 1e-5j)):
        change = (unusual(POLES + step)[0] - unusual(POLES - step)[0]) / 2e-5
        assert np.diag(slopes[:, part::2]) == pytest.approx(change, rel=1e-6)
    assert np.log(2) == RATIO_SPREAD


def test_restricted_likelihood_finds_the_room_that_was_drawn():
    """20 records: the grid's best decay time and strength lie about the true ones, though six numbers were fitted."""
    factors = np.array([0.5, 0.71, 1.0, 1.41, 2.0])
    found = []
    for seed in range(20):
        model = likelihood(200 + seed)
        state = model.climb(truth(model), 10)
        rooms = [Room(0.3 * a, 0.1 * b) for a in factors for b in factors]
        best = min(rooms, key=lambda room: restricted_cost(model.heard, state, room))
        found.append((best.t60_s / 0.3, best.reverberant_to_direct / 0.1))
    assert np.exp(np.mean(np.log(found), axis=0)) == pytest.approx([1, 1], abs=0.25)


def test_the_information_is_that_of_mean_and_covariance():
    """I_ij = tr(C^-1 C_i C^-1 C_j) + 2 Re(S_i^H C^-1 S_j) for a circular Gaussian, C_i by differences."""
    (heard,) = in_a_room(np.random.default_rng(9), n_cells=1)
    model, n = RoomLikelihood([heard], ROOM), 3
    tail, start = heard.tail(ROOM), np.concatenate([POLES, AMPLITUDES])

    def moved(k, sign):
        unknowns = start + sign * 1e-4 * (1j if k % 2 else 1) * np.abs(start) * (np.arange(2 * n) == k // 2)
        sound = heard.sound(unknowns[:n], unknowns[n:])
        return sound, covariance(heard, tail, sound)

    inverse = np.linalg.inv(covariance(heard, tail, heard.sound(POLES, AMPLITUDES)))
    steps = [
        [(a - b) / (2e-4 * abs(start[k // 2])) for a, b in zip(moved(k, 1), moved(k, -1), strict=True)]
        for k in range(12)
    ]
    turned = [inverse @ step for _, step in steps]
    expected = np.array(
        [
            [
                np.einsum("bij,bji->", turned[i], turned[j]).real
                + 2 * np.einsum("bi,bij,bj->", steps[i][0].conj(), inverse, steps[j][0]).real
                for j in range(12)
            ]
            for i in range(12)
        ]
    )
    (cell,) = model.local(truth(model))
    scale = np.sqrt(np.outer(np.diag(expected), np.diag(expected)))
    assert cell.information / scale == pytest.approx(expected / scale, abs=2e-3)


def test_restricted_likelihood_takes_off_what_poles_and_amplitudes_can_take_up():
    """ln det of J' J, with J the whitened slopes by all poles and amplitudes of all cells in one matrix."""
    heard = in_a_room(np.random.default_rng(10))
    model = RoomLikelihood(heard, ROOM)
    state, n = truth(model), 6

    def whole(room):
        rows, plain = [], 0.0
        for k, (each, amplitudes) in enumerate(zip(heard, state.amplitudes, strict=True)):
            sound, slopes = each.around(POLES, amplitudes)
            factor = np.linalg.cholesky(covariance(each, each.tail(room), sound))
            white = np.sqrt(2) * stacked(np.linalg.solve(factor, slopes))
            blank = np.zeros((len(white), n))
            rows.append(np.hstack([white[:, :n], *([blank] * k), white[:, n:], *([blank] * (1 - k))]))
            left = np.linalg.solve(factor, (each.spectrum - sound)[..., None])
            plain += 2 * np.sum(np.abs(left) ** 2)
            plain += 4 * np.sum(np.log(np.diagonal(factor, axis1=1, axis2=2).real))
        columns = np.concatenate(rows)
        return plain + np.linalg.slogdet(columns.T @ columns)[1]

    rooms = [ROOM, Room(0.6, 0.05), Room(0.2, 0.3)]
    got, expected = [restricted_cost(heard, state, room) for room in rooms], [whole(room) for room in rooms]
    assert np.diff(got) == pytest.approx(np.diff(expected), rel=1e-6)
