"""All taps fitted at once: the number of modes found blind, first for hiss and hum alone, then for the room as well."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from .cells import Cell
from .pole_search import Search, candidates, is_line, least_strength
from .poles import PoleFit, in_hiss
from .room import Mains, Room, find_mains, hiss_rms
from .room_search import RoomFit, RoomSearch

TOLD = 2e-5  # odds at which chance alone makes a pole look as strong
PRESENT = 4e-6  # odds at which chance alone makes a record in a room as much likelier for a pole
EXCESS = 1.6  # misfit per degree of freedom above which there is more than hiss
CROWD = 28  # poles above which they may fit a room: a quiet made body takes 19 to 23, in a room 27 to 45
USUAL_ROOM = Room(t60_s=0.4, reverberant_to_direct=0.05)  # where the search begins; chosen on simulated workshops
LEAST_ROOM = 10 ** (-3.5)
NARROW_HZ = 150.0  # a band that ends below tells no room from a body
ASKED = 3  # times at most: with the poles that stood for the room left out, it is told better


@dataclass(frozen=True, eq=False)
class TapFit:
    """A joint fit with what it was made from: cells, hiss of each, and the room if one is heard.

    `poles` (n,), `amplitudes` (n_cells, n), `covariance` (2 n, 2 n) of (Re s, Im s) interleaved,
    `amplitude_covariance` (n_cells, n, 2, 2), `solvers` (2 n, n_samples), which map a change of a cell's average to
    a change of the poles, `certain` (n,): which poles are to be told. `poles` is None when nothing stands out of the
    noise. In a room only: `presence` (n_cells, n), by how much less likely each cell is without a pole; and `own`,
    for each cell what it alone says of the poles: information (2 n, 2 n) and gradient (2 n,).
    """

    cells: tuple[Cell, ...]
    hiss: tuple[float, ...]
    mains: Mains
    poles: np.ndarray | None
    amplitudes: np.ndarray | None = None
    covariance: np.ndarray | None = None
    amplitude_covariance: np.ndarray | None = None
    solvers: tuple[np.ndarray, ...] = ()
    certain: np.ndarray | None = None
    room: Room | None = None
    presence: np.ndarray | None = None
    own: tuple[tuple[np.ndarray, np.ndarray], ...] = ()


def fit_taps(cells: Sequence[Cell], *, top_hz: float) -> TapFit:
    """Joint fit of all cells. There is a room where hiss and hum leave too much over or too many poles are found."""
    mains = find_mains(cells, top_hz)
    hiss = [hiss_rms(cell, mains) for cell in cells]
    look_at = in_hiss(cells, [cell.mean for cell in cells], hiss, mains.n_lines)
    least = least_strength(TOLD, len(cells))
    search = Search(look_at, cells, mains, least=least, top_hz=top_hz, scaled=True)
    fit = search.run(candidates(cells, mains))
    fit = fit and search.complete(fit, most=CROWD)
    if fit is None or top_hz < NARROW_HZ or (fit.variance < EXCESS and len(fit.poles) <= CROWD):
        return _dry(cells, hiss, mains, fit)
    inside = RoomSearch(cells, hiss, replace(mains, frequency_hz=fit.mains_hz), top_hz)
    room = inside.estimate(fit)
    if room.reverberant_to_direct < LEAST_ROOM:
        return _dry(cells, hiss, mains, search.complete(fit) if len(fit.poles) > CROWD else fit)
    state = inside.begin(fit, USUAL_ROOM)
    if state is not None:
        room = inside.estimate(state)
        state = inside.begin(fit, room)
    for _ in range(ASKED):
        if state is None:
            return _dry(cells, hiss, mains, fit)
        found, before = inside.run(state, room), room
        state, room = found.state, inside.estimate(found.state)
        if room == before:
            break
    return _roomy(inside, hiss, mains, found, before)


def _dry(cells, hiss, mains: Mains, fit: PoleFit | None) -> TapFit:
    if fit is None:
        return TapFit(tuple(cells), tuple(hiss), mains, None)
    strength = fit.strength.sum(axis=0) / max(1.0, fit.variance)
    certain = strength > least_strength(TOLD, len(cells))
    return TapFit(
        cells=tuple(cells),
        hiss=tuple(hiss),
        mains=mains,
        poles=fit.poles,
        amplitudes=fit.amplitudes,
        covariance=fit.covariance * max(1.0, fit.variance),
        amplitude_covariance=fit.amplitude_covariance,
        solvers=tuple(solver / rms for solver, rms in zip(fit.solvers, hiss, strict=True)),
        certain=certain & ~is_line(fit.poles, replace(mains, frequency_hz=fit.mains_hz)),
    )


def _roomy(inside: RoomSearch, hiss, mains: Mains, found: RoomFit, room: Room) -> TapFit:
    state, outcome = inside.finish(found.state, room)
    certain = found.presence.sum(axis=0) > least_strength(PRESENT, inside.n_counted)
    return TapFit(
        cells=tuple(replace(c, taps=c.taps[:, : h.n]) for c, h in zip(inside.cells, inside.heard, strict=True)),
        hiss=tuple(hiss),
        mains=mains,
        poles=state.poles,
        amplitudes=state.amplitudes,
        covariance=outcome.covariance,
        amplitude_covariance=outcome.amplitude_covariance,
        solvers=outcome.solvers,
        certain=certain & ~is_line(state.poles, mains),
        room=room,
        presence=found.presence,
        own=tuple(zip(outcome.informations, outcome.gradients, strict=True)),
    )
