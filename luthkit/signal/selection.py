"""All taps fitted at once: the number of modes found blind, first for hiss and hum alone, then for the room as well."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from .cells import Cell
from .pole_search import Search, candidates, is_line, least_strength
from .poles import PoleFit
from .room import Mains, Room, Whitener, find_mains, hiss_rms
from .room_search import RoomSearch, cut, estimate_room

TOLD = 2e-5  # odds at which chance alone makes a pole look as strong
ROOM_LENGTH_S = 0.4
EXCESS = 1.6  # misfit per degree of freedom above which there is more than hiss
CROWD = 28  # poles above which they may fit a room: a quiet made body takes 19 to 23, in a room 27 to 45
LEAST_ROOM = 10 ** (-3.5)
ASKED = 3  # times at most: with the poles that stood for the room left out, it is told better


@dataclass(frozen=True, eq=False)
class TapFit:
    """A joint fit with what it was made from: cells as cut, hiss and whitener of each, and the room if one is heard.

    `poles` is None when nothing stands out of the noise. `presence` (n_cells, n), in a room only, is chi-square
    with two degrees of freedom where a pole is not there and hiss, hum and the room's answer to the others stand in.
    """

    poles: PoleFit | None
    cells: tuple[Cell, ...]
    hiss: tuple[float, ...]
    whiteners: tuple[Whitener, ...]
    mains: Mains
    room: Room | None = None
    presence: np.ndarray | None = None

    @property
    def certain(self) -> np.ndarray:
        """Which poles (n,) are strong enough to be reported; in a room only those present are in the fit at all."""
        no_line = ~is_line(self.poles.poles, replace(self.mains, frequency_hz=self.poles.mains_hz))
        if self.room:
            return no_line
        strength = self.poles.strength.sum(axis=0) / max(1.0, self.poles.variance)
        return no_line & (strength > least_strength(TOLD, self.cells))


def fit_taps(cells: Sequence[Cell], *, top_hz: float) -> TapFit:
    """Joint fit of all cells. There is a room where hiss and hum leave too much over or too many poles are found."""
    mains = find_mains(cells, top_hz)
    hiss = [hiss_rms(cell, mains) for cell in cells]
    whiteners = [Whitener(h) for h in hiss]
    search = Search(cells, [cell.mean for cell in cells], whiteners, mains, odds=TOLD, top_hz=top_hz, scaled=True)
    fit = search.run(candidates(cells, mains))
    fit = fit and search.complete(fit, most=CROWD)
    dry = TapFit(fit, tuple(cells), tuple(hiss), tuple(whiteners), mains)
    if fit is None or (fit.variance < EXCESS and len(fit.poles) <= CROWD):
        return dry
    short = [cut(cell, ROOM_LENGTH_S) for cell in cells]
    mains = replace(mains, frequency_hz=fit.mains_hz)
    room, before = estimate_room(short, hiss, fit, mains), None
    if room.reverberant_to_direct < LEAST_ROOM:
        return replace(dry, poles=search.complete(fit)) if len(fit.poles) > CROWD else dry
    for _ in range(ASKED):
        found = RoomSearch(short, hiss, room, mains).run(fit.poles)
        if found is None:
            return dry
        before, room = room, estimate_room(short, hiss, found[0], mains)
        if room == before:
            break
    poles, whiteners, presence = found
    return TapFit(poles, tuple(short), tuple(hiss), tuple(whiteners), mains, before, presence)
