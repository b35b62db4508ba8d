"""Pictures of names: how the evidence weighs, and the named modes on a plain outline of a guitar."""

from __future__ import annotations

from textwrap import wrap

import numpy as np

from ...guitar.naming import CANNOT_TELL, NamedMode, Naming
from ...guitar.priors import UNNAMED
from ..names import percent, sure_text
from .common import BUILD, FAINT, REFERENCE, bare, new_axes, new_figure

HIGHEST_HZ = 600.0  # modes above have no names and would only fill the table
FULL_DB = 12.0  # decibels of odds that are drawn in full colour
MOST_PANELS = 8
PLACES = {  # on the outline: metres from the middle line, and up from the tail
    "bridge centre": (0.0, 0.175),
    "bass wing": (-0.07, 0.175),
    "treble wing": (0.07, 0.175),
    "rim": (0.0, 0.012),
    "back": (0.0, 0.145),
}
_HOLE = (0.0, 0.335, 0.05)


def plot_evidence(naming: Naming, *, ax=None):
    """A table: modes across the rows, kinds of evidence across the columns.

    A number says how many decibels of odds (10 log10) the evidence gives the likeliest name over its nearest rival:
    10 dB is ten to one. Blue speaks for the name, brown against it; 0 says nothing.
    """
    shown = [named for named in naming.modes if named.mode.frequency_hz < HIGHEST_HZ] or list(naming.modes)
    ax = ax if ax is not None else new_axes(height=1.9 + 0.36 * len(shown))
    weights = np.array([[named.weights[kind] for kind in naming.evidence] for named in shown])
    for row, line in enumerate(weights):
        for column, weight in enumerate(line):
            depth = min(1.0, abs(weight) / FULL_DB)
            ax.fill_between(
                (column - 0.48, column + 0.48), row - 0.46, row + 0.46,
                color=BUILD if weight > 0 else REFERENCE, alpha=0.75 * depth, linewidth=0,
            )  # fmt: skip
            dark = depth > 0.7
            text = f"{weight:+.0f}".replace("-", "−") if round(weight) else "0"
            ax.text(column, row, text, ha="center", va="center", fontsize=10, color="white" if dark else "#222222")
    ax.set_yticks(range(len(shown)), [_row_label(naming, named) for named in shown], fontsize=10)
    ax.set_xticks(range(len(naming.evidence)), [_wrapped(kind) for kind in naming.evidence], fontsize=9.5)
    ax.set_ylim(len(shown) - 0.5, -0.5)
    ax.set_xlim(-0.5, len(naming.evidence) - 0.5)
    ax.xaxis.tick_top()
    ax.tick_params(length=0)
    bare(ax, sides=("top", "right", "bottom", "left"))
    words = "dB of odds for the likeliest name over its nearest rival:\n+10 = ten to one for it, −10 = against it"
    ax.set_xlabel(words, fontsize=9.5, color=FAINT, x=1, ha="right")
    return ax


def plot_outlines(naming: Naming, *, axes=None):
    """A small guitar for each low mode; circles show what was measured where it was struck.

    Area of a circle = height of the mode at that place against its own strongest place; filled blue where it moves
    with the strongest place, open and crossed in brown where it moves against it. The grey shape under it is what
    such a mode usually looks like (common practice, no source), and is not measured. Gives back a tuple of Axes.
    """
    shown = panels(naming)
    if axes is None:
        columns = max(1, min(3, len(shown)))
        rows = max(1, -(-len(shown) // columns))
        figure = new_figure(width=8, height=3.7 * rows)
        figure.get_layout_engine().set(rect=(0, 0, 1, 0.965))  # room for the titles of the first row
        axes = figure.subplots(rows, columns, squeeze=False).ravel()
        figure.supxlabel(
            "circles: measured where it was struck, filled = moves with the strongest place,\n"
            "crossed = against it; grey: the usual shape, not measured",
            fontsize=9.5,
            color=FAINT,
        )
    for ax in axes[len(shown) :]:
        ax.set_axis_off()
    for ax, named in zip(axes, shown, strict=False):
        _panel(ax, naming, named)
    return tuple(axes)


def panels(naming: Naming) -> list[NamedMode]:
    """The modes that are drawn: those with names first, then the low ones that cannot be told; by frequency."""
    low = [named for named in naming.modes if named.mode.frequency_hz < HIGHEST_HZ and named.mode.kind == "body"]
    ranked = sorted(low, key=lambda named: (named.name == UNNAMED, named.name == CANNOT_TELL, named.mode.frequency_hz))
    return sorted(ranked[:MOST_PANELS], key=lambda named: named.mode.frequency_hz)


def outline() -> tuple[np.ndarray, np.ndarray]:
    """Half widths and heights above the tail, in metres, of a plain guitar body: our own drawing."""
    from scipy.interpolate import PchipInterpolator

    turn = np.linspace(0, np.pi, 9)
    knots_x = (0.0, 0.112, 0.172, 0.19, 0.148, 0.122, 0.14, 0.108, 0.0)
    smooth = PchipInterpolator(turn, knots_x)
    fine = np.linspace(0, np.pi, 181)
    return smooth(fine), 0.245 - 0.245 * np.cos(fine)


def _panel(ax, naming: Naming, named: NamedMode) -> None:
    half, up = outline()
    dashed = "--" if named.name == "main back" else "-"
    ax.plot(np.concatenate([-half, half[::-1]]), np.concatenate([up, up[::-1]]), color="#4A4A4A", lw=1.6, ls=dashed)
    hole = np.linspace(0, 2 * np.pi, 61)
    x, y, r = _HOLE
    ax.plot(x + r * np.cos(hole), y + r * np.sin(hole), color="#4A4A4A", lw=1.2)
    ax.plot([-0.085, 0.085], [0.175, 0.175], color="#4A4A4A", lw=3, solid_capstyle="round", zorder=1)
    for cx, cy, width, height, sign in _SHAPES.get(named.name, ()):
        ax.fill(cx + width * np.cos(hole), cy + height * np.sin(hole), color="#DADADA", lw=0, zorder=0)
        ax.text(cx, cy + 0.6 * height, sign, ha="center", va="center", fontsize=13, color="#777777", zorder=1)
    _circles(ax, naming, named)
    sure = "named by the maker" if named.overruled else f"{percent(named.probability)} sure"
    if named.name == CANNOT_TELL:
        sure = f"perhaps {named.likeliest}, {percent(named.probability)}"
    elif named.name == UNNAMED:
        sure = sure_text(named)
    ax.set_title(f"{named.mode.frequency_hz:.0f} Hz\n{named.name}\n{sure}", fontsize=10.5)
    ax.set_xticks([])
    ax.set_yticks([])
    bare(ax, sides=("top", "right", "bottom", "left"))
    ax.set_aspect("equal")
    ax.set_xlim(-0.21, 0.21)
    ax.set_ylim(-0.015, 0.505)


def _circles(ax, naming: Naming, named: NamedMode) -> None:
    modeset = naming.modeset
    known = [k for k, place in enumerate(modeset.positions) if place in PLACES]
    if modeset.amplitudes is None or not known:
        return
    height = np.asarray(modeset.amplitudes)[modeset.modes.index(named.mode), known]
    strongest = height[np.argmax(np.abs(height))]
    for k, value in zip(known, height / strongest if abs(strongest) > 0 else height, strict=True):
        x, y = PLACES[modeset.positions[k]]
        against = value.real < 0
        ax.scatter(
            [x], [y], s=20 + 330 * abs(value) ** 2, marker="o", zorder=4, linewidths=1.6,
            facecolors="white" if against else BUILD, edgecolors=REFERENCE if against else BUILD,
        )  # fmt: skip
        if against:
            ax.scatter([x], [y], s=25 + 90 * abs(value) ** 2, marker="x", color=REFERENCE, zorder=5, linewidths=1.8)


_SHAPES = {  # centre, half widths and the sign of what usually moves, in metres on the outline
    "air": ((0.0, 0.335, 0.05, 0.05, ""), (0.0, 0.155, 0.12, 0.085, "")),
    "main top": ((0.0, 0.165, 0.145, 0.12, "+"),),
    "main back": ((0.0, 0.165, 0.15, 0.13, "+"),),
    "cross dipole": ((-0.078, 0.16, 0.07, 0.105, "+"), (0.078, 0.16, 0.07, 0.105, "−")),
    "long dipole": ((0.0, 0.105, 0.13, 0.065, "+"), (0.0, 0.245, 0.10, 0.055, "−")),
    "first cavity mode": ((0.0, 0.09, 0.15, 0.075, "+"), (0.0, 0.41, 0.115, 0.065, "−")),
    "whole-body bending": ((0.0, 0.05, 0.12, 0.04, "+"), (0.0, 0.24, 0.12, 0.05, "−"), (0.0, 0.44, 0.10, 0.04, "+")),
}


def _row_label(naming: Naming, named: NamedMode) -> str:
    number = naming.modes.index(named) + 1
    name = f"cannot tell ({named.likeliest}?)" if named.name == CANNOT_TELL else named.name
    sure = "by the maker" if named.overruled else percent(named.probability)
    return f"{number}   {named.mode.frequency_hz:.0f} Hz   {name}   {sure}"


def _wrapped(kind: str) -> str:
    """The words of a heading one below the other, short ones together."""
    return "\n".join(wrap(kind, 9))
