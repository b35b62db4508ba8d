"""Pictures of a piece of wood: where the error of each number comes from, and the nodal lines of what was heard."""

from __future__ import annotations

import numpy as np

from ...wood.plates import PlateModes
from ...wood.reading import WoodReading
from .common import BUILD, FAINT, LEGEND_ABOVE, REFERENCE, bare, new_axes, plain

SHORT = {"density": "density", "along": "stiffness along", "across": "stiffness across", "shear": "shear stiffness"}
SHORT |= {"sound_speed": "speed of sound", "radiation_ratio": "radiation ratio", "impedance": "impedance"}
# Okabe and Ito, Color Universal Design (2008), from memory; hatches tell them apart without colour
USE_MARKERS = {"top": "o", "back": "s", "side": "D", "brace": "^", "neck": "v", "other": "x"}
_CAUSES = {
    "thickness": ("#0072B2", ""),
    "length": ("#56B4E9", "//"),
    "width": ("#56B4E9", ".."),
    "mass": ("#999999", ""),
    "taps": ("#E69F00", ""),
    "air": ("#009E73", ""),
    "theory": ("#F0E442", "xx"),
    "moisture": ("#CC79A7", ""),
}


def plot_budget(reading: WoodReading, *, ax=None):
    """A bar for each number, as long as its relative standard uncertainty, cut up by what brings it.

    The pieces of a bar are in proportion to their squares, for these are what adds up.
    """
    ax = ax if ax is not None else new_axes(height=0.9 + 0.42 * len(SHORT))
    known = reading.at_climate or reading.values
    names = [name for name in SHORT if name in known]
    drawn = set()
    for row, name in enumerate(names):
        left, total = 0.0, known[name].relative_u
        for cause, square in _squares(known[name]).items():
            length = 100 * square / total
            color, hatch = _CAUSES[cause]
            look = {"color": color, "hatch": hatch, "edgecolor": "white", "linewidth": 0.5}
            ax.barh(row, length, left=left, height=0.62, label=None if cause in drawn else cause, **look)
            drawn.add(cause)
            left += length
        ax.annotate(f"{100 * total:.1f} %", (left, row), xytext=(6, 0), textcoords="offset points", va="center")
    ax.set_yticks(range(len(names)), [SHORT[name] for name in names])
    ax.invert_yaxis()
    longest = max(100 * known[name].relative_u for name in names)
    ax.set_xlim(0, 1.15 * longest)
    ax.set_xlabel("standard uncertainty in percent of the value; the pieces show where it comes from")
    bare(ax)
    ax.legend(**LEGEND_ABOVE)
    return ax


def _squares(budget) -> dict[str, float]:
    """Cause -> the sum of the squares of its parts; causes that bring hardly anything are left out."""
    squares = dict.fromkeys(_CAUSES, 0.0)
    for part in budget.parts:
        squares[_cause(part.name)] += part.relative_u**2
    return {cause: square for cause, square in squares.items() if square > 1e-4 * budget.relative_u**2}


def _cause(name: str) -> str:
    if name.startswith("taps"):
        return "taps"
    return "theory" if "theory" in name else "moisture" if "moisture" in name else name


def plot_stock(readings, *, ax=None):
    """Stiffness along the grain over density, 95 % bars both ways, with lines of one speed of sound."""
    ax = ax if ax is not None else new_axes(height=4.5)
    known = [(reading.piece, reading.at_climate or reading.values) for reading in readings]
    points = [(piece, numbers["density"], numbers["along"]) for piece, numbers in known if "along" in numbers]
    for piece, density, along in points:
        at, marker = (density.value, along.value / 1e9), USE_MARKERS.get(piece.use, "x")
        ax.errorbar(
            *at, xerr=1.96 * density.u, yerr=1.96 * along.u / 1e9, fmt=marker, color=BUILD, markersize=7,
            elinewidth=1.2, capsize=3, zorder=4,
        )  # fmt: skip
        ax.annotate(f"{plain(piece.name)}, {piece.use}", at, xytext=(8, 6), textcoords="offset points")
    if points:
        low, high = ax.get_xlim()
        bottom, top = ax.get_ylim()
        for speed in range(2500, 7001, 500):
            line = np.array([low, high]) * speed**2 / 1e9
            ax.plot([low, high], line, color=FAINT, linewidth=0.6, linestyle=":", zorder=1)
            at = min(high, top * 1e9 / speed**2)
            if low < at and line[1] > bottom:
                ax.annotate(f"{speed} m/s", (at, at * speed**2 / 1e9), color=FAINT, fontsize=8, ha="right", va="top")
        ax.set_xlim(low, high)
        ax.set_ylim(bottom, top)
    ax.set_xlabel("density in kg/m³")
    ax.set_ylabel("stiffness along the grain, GPa")
    bare(ax)
    return ax


def plot_nodal_lines(reading: WoodReading, *, ax=None, most: int = 9):
    """The plate seen from above for each mode heard: lines that stay at rest, and which parts move against which.

    Grain runs from left to right. Raises nothing for a strip, which has no picture: the axes stay empty.
    """
    matches = reading.plate.matches[:most] if reading.plate else ()
    plate = reading.measurement.length_m.value, reading.measurement.width_m.value
    columns = 3
    rows = -(-len(matches) // columns) or 1
    tall = plate[1] / plate[0]
    ax = ax if ax is not None else new_axes(height=0.5 + rows * (2.4 * tall + 0.6))
    step_x, step_y = 1.12, tall + 0.24
    for k, match in enumerate(matches):
        row, column = divmod(k, columns)
        left, top = column * step_x, -row * step_y
        _one_plate(ax, reading.plate.modes, match.label, left, top, tall)
        mixed = " (mixed)" if match.purity < 0.75 else ""
        lines = f"{match.label[0]} across, {match.label[1]} along{mixed}"
        ax.text(left, top + 0.03, f"{match.frequency_hz:.1f} Hz   {lines}", fontsize=9, va="bottom")
    ax.set_xlim(-0.02, columns * step_x - 0.08)
    ax.set_ylim(-rows * step_y + 0.2, 0.14)
    ax.set_aspect("equal")
    ax.set_axis_off()
    if reading.plate:
        words = "grain from left to right; blue and pale move against each other, brown stays at rest"
        ax.set_title(f"{plain(reading.piece.name)}: {words}", fontsize=9, color=FAINT, loc="left")
    return ax


def _one_plate(ax, modes: PlateModes, label, left: float, top: float, tall: float) -> None:
    shape = modes.deflection(modes.labels.index(label), n=61).T
    x, y = left + np.linspace(0, 1, 61), top - tall + np.linspace(0, tall, 61)
    ax.contourf(x, y, shape, levels=[-2, 0, 2], colors=["#F4EFE4", BUILD], alpha=0.25)
    ax.contour(x, y, shape, levels=[0], colors=[REFERENCE], linewidths=1.6)
    edge_x, edge_y = [left, left + 1, left + 1, left, left], [top, top, top - tall, top - tall, top]
    ax.plot(edge_x, edge_y, color="#1d1b18", linewidth=0.8)
