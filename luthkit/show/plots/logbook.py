"""The logbook at a glance: a line for each guitar, a mark for each session, and what is due."""

from __future__ import annotations

import datetime
from collections.abc import Sequence

from ...shop.overview import InHand
from .common import BUILD, FAINT, REFERENCE, WINE, bare, date_axis, new_axes, plain

_MOST = 40  # lines that can be told apart in one picture
_BEFORE, _STRUNG, _UNSAID = "session before stringing", "session, strung", "session, stage not said"
_SESSIONS = {_BEFORE: ("s", "white"), _STRUNG: ("o", ""), _UNSAID: ("o", "white")}  # marker and its face


def plot_logbook(lines: Sequence[InHand], *, today: datetime.date | None = None, ax=None):
    """Sessions by date: round when strung, square before, open round where nobody said; events as crosses; what is
    due as a triangle.

    The first 40 guitars are drawn. `today` draws a line at that day. Gives back the axes.
    """
    lines = lines[:_MOST]
    ax = ax or new_axes(height=1.4 + 0.42 * max(len(lines), 2))
    drawn: dict[str, object] = {}

    def mark(words, dates, row, **style):
        if dates:
            (points,) = ax.plot(dates, [row] * len(dates), linestyle="", **style)
            drawn.setdefault(words, points)

    for row, line in enumerate(lines):
        colour = REFERENCE if line.guitar.role == "reference" else BUILD
        for words, (shape, face) in _SESSIONS.items():
            dates = [s.date for s in line.sessions if s.date and _kind(s.stage) == words]
            look = {"marker": shape, "markersize": 8, "color": colour, "markerfacecolor": face or colour}
            mark(words, dates, row, **look, zorder=4)
        events = [event.date for event in line.events]
        mark("event", events, row - 0.28, marker="x", markersize=7, markeredgewidth=1.6, color=WINE, zorder=4)
        due = [line.due_on] if line.due_on else []
        mark("due", due, row, marker=">", markersize=9, color=WINE, markerfacecolor="white", zorder=5)
    if today is not None:
        drawn["today"] = ax.axvline(today, color=FAINT, linewidth=1.0, zorder=1)
    names = [plain(line.guitar.name, longest=28) for line in lines]
    names = [
        f"{name}\n({line.guitar.role})" if line.guitar.role else name for name, line in zip(names, lines, strict=True)
    ]
    ax.set_yticks(range(len(lines)), names)
    ax.set_ylim(max(len(lines), 1) - 0.4, -0.6)
    ax.grid(axis="y", color="#E8E8E8", linewidth=0.8, zorder=0)
    ax.set_axisbelow(True)
    ax.margins(x=0.04)
    if drawn:
        date_axis(ax)
        handles = list(drawn.values())
        ax.legend(handles, list(drawn), loc="lower left", bbox_to_anchor=(0, 1.0), ncols=3, fontsize=9, frameon=False)
    ax.set_xlabel("date")
    bare(ax, sides=("top", "right", "left"))
    return ax


def _kind(stage: str) -> str:
    return _UNSAID if not stage else _STRUNG if stage == "strung" else _BEFORE
