"""Poles in a room: those that are there are found, those that are not leave, and the room is told."""

import numpy as np
import pytest
from roomy_cells import AMPLITUDES, HISS, POLES, ROOM, STILL, TOP_HZ, N, one_tap, ringing, tails

from luthkit.signal.poles import in_hiss, refine
from luthkit.signal.room_likelihood import RoomLikelihood
from luthkit.signal.room_search import RoomSearch, estimate_room
from luthkit.simulate import pole


def search(seed, placements=("1", "2"), sound=None, noise=HISS):
    """The sound of `ringing` in a tail a placement, as the cells of as many positions."""
    rng, sound = np.random.default_rng(seed), ringing() if sound is None else sound
    rooms = {
        each: tail for each, tail in zip(sorted(set(placements)), tails(rng, len(set(placements)), N), strict=True)
    }
    cells = []
    for k, placement in enumerate(placements):
        wet = sound + np.convolve(sound, rooms[placement])[:N] + noise * rng.standard_normal(N)
        cells.append(one_tap(wet, position=str(k), placement=placement))
    return RoomSearch(cells, [noise] * len(cells), STILL, TOP_HZ)


def crowd(inside):
    """What a fit without a room makes of it: 24 poles, three of them near the truth."""
    others = pole(np.linspace(80.0, 650.0, 21), 0.02)
    data = [each.mean for each in inside.cells]
    return refine(in_hiss(inside.cells, data, [HISS] * len(data)), np.concatenate([1.002 * POLES, others]), max_steps=3)


def errors(found, truth):
    return np.min(np.abs(found[:, None] - truth), axis=0) / -truth.real


@pytest.mark.parametrize("seed", range(3))
def test_three_poles_are_found_in_a_crowd_that_has_fitted_the_room(seed):
    inside = search(seed)
    fit = inside.run(inside.begin(crowd(inside), ROOM), ROOM)
    assert errors(fit.state.poles, POLES).max() < 0.5
    told = fit.presence.sum(axis=0) > 34
    assert np.sum(told & (np.abs(fit.state.poles) < 2 * np.pi * TOP_HZ)) <= 4
    assert fit.presence.shape == (2, len(fit.state.poles))


def test_a_pole_that_is_not_there_leaves_and_one_that_is_missing_comes():
    inside = search(5)
    wrong = np.array([POLES[0], POLES[2], complex(pole(300.0, 0.02))])
    amplitudes = np.array([[*AMPLITUDES[[0, 2]], 1e-3]] * 2)
    model = RoomLikelihood(inside.heard, ROOM)
    fit = inside.run(model.at(wrong, amplitudes), ROOM)
    assert errors(fit.state.poles, POLES).max() < 0.5
    told = np.abs(fit.state.poles[fit.presence.sum(axis=0) > 34]) / (2 * np.pi)
    assert np.sort(told) == pytest.approx([98, 203, 391], rel=0.01)
    assert fit.state.cost < model.climb(model.at(POLES, np.array([AMPLITUDES] * 2)), 10).cost + 1


def test_presence_is_what_the_likelihood_loses_without_a_pole():
    inside = search(6)
    model = RoomLikelihood(inside.heard, ROOM)
    fit = inside.run(model.at(POLES, np.array([AMPLITUDES] * 2)), ROOM)
    weakest = int(np.argmin(fit.presence.sum(axis=0)))
    keep = np.arange(len(fit.state.poles)) != weakest
    (amplitudes,) = model.with_amplitudes(fit.state, fit.state.poles, [keep])
    without = model.at(fit.state.poles[keep], amplitudes)
    assert fit.presence[:, weakest].sum() == pytest.approx((without.costs - fit.state.costs).sum(), rel=0.05)


def test_positions_of_one_placement_count_as_one():
    inside = search(7, placements=("1", "1", "2"))
    assert [each.share for each in inside.heard] == [0.5, 0.5, 1.0]
    assert inside.n_counted == 2


def test_nothing_is_begun_where_nothing_stands_out():
    rng = np.random.default_rng(8)
    inside = search(8, sound=np.zeros(N), noise=1.0)
    faint = refine(in_hiss(inside.cells, [rng.standard_normal(N)] * 2, [1.0] * 2), POLES, max_steps=0)
    assert inside.begin(faint, ROOM) is None


@pytest.mark.parametrize("seed", range(10, 13))
def test_the_room_is_told_from_a_fit(seed):
    """Drawn: 0.3 s and -10 dB; one draw of a tail tells them within the steps of the grid or two."""
    inside = search(seed)
    model = RoomLikelihood(inside.heard, ROOM)
    room = estimate_room(inside.heard, model.climb(model.at(POLES, np.array([AMPLITUDES] * 2)), 10))
    assert room.t60_s == pytest.approx(0.3, rel=0.5)
    assert np.log10(room.reverberant_to_direct) == pytest.approx(-1, abs=0.35)
