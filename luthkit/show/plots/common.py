"""What all pictures share: colours, figures, axes, and a figure as a file.

Build is blue, references are brown and told apart by their dashes. Colours: Okabe & Ito, Color Universal
Design (2008), and wine from Tol's schemes (2021), both from memory. Nothing rests on colour alone, and
uncertainty is always drawn: bars are 95 % intervals.
"""

from __future__ import annotations

import warnings
from io import BytesIO

BAND_HZ = (60.0, 1000.0)
BUILD = "#0072B2"
REFERENCE = "#9A4B00"
NOISE = "#8C8C8C"
FAINT = "#6B6B6B"
DASHES = ("-", (0, (6, 2)), (0, (6, 2, 1, 2)), (0, (2, 1.5)), (0, (1, 1)))
WINE = "#882255"
LEGEND_ABOVE = {
    "loc": "lower left",
    "bbox_to_anchor": (0, 1.0),
    "fontsize": 9,
    "frameon": False,
    "ncols": 4,
    "borderaxespad": 0.2,
}
TICKS_HZ = (60, 80, 100, 150, 200, 300, 400, 500, 600, 800, 1000)


def new_figure(*, width, height):
    from matplotlib.figure import Figure

    return Figure(figsize=(width, height), layout="constrained")


def new_axes(*, height, width=8):
    """Axes of a width in inches at which words stay legible in a form's column."""
    return new_figure(width=width, height=height).subplots()


def frequency_axis(ax):
    from matplotlib.ticker import FixedLocator, NullLocator

    ax.set_xscale("log")
    ax.set_xlim(BAND_HZ[0], 1.05 * BAND_HZ[1])  # room for the last mode's number
    ax.xaxis.set_major_locator(FixedLocator(TICKS_HZ))
    ax.xaxis.set_minor_locator(NullLocator())
    ax.set_xticks(TICKS_HZ, [str(tick) for tick in TICKS_HZ])
    ax.set_xlabel("frequency in Hz")
    bare(ax, grid="x")


def bare(ax, *, grid="", sides=("top", "right")):
    """No frame at these sides, and pale lines across where `grid` is "x", "y" or "both"."""
    if grid:
        ax.grid(axis=grid, color="#E8E8E8", linewidth=0.6, zorder=0)
        ax.set_axisbelow(True)
    for side in sides:
        ax.spines[side].set_visible(False)


def date_axis(ax):
    """Days along the bottom, in few words."""
    from matplotlib.dates import AutoDateLocator, ConciseDateFormatter

    locator = AutoDateLocator(minticks=3, maxticks=8)
    ax.xaxis.set_major_locator(locator)
    ax.xaxis.set_major_formatter(ConciseDateFormatter(locator))


def number_beside(ax, x, y, number):
    """The number of a mode beside its mark."""
    ax.annotate(str(number), (x, y), xytext=(6, 4), textcoords="offset points", fontsize=9, zorder=6)


def png_bytes(axes, *, dots_per_inch: int = 110) -> bytes:
    """The whole figure of some Axes as a PNG."""
    first = axes[0] if isinstance(axes, tuple) else axes
    return figure_bytes(first.figure, kind="png", dots_per_inch=dots_per_inch)


def figure_bytes(figure, *, kind: str, dots_per_inch: int | None = None) -> bytes:
    """A figure as a file of this kind ("png", "pdf")."""
    store = BytesIO()
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="Glyph .* missing")  # a name in letters the font lacks
        if kind == "png":
            from matplotlib.backends.backend_agg import FigureCanvasAgg

            before = figure.dpi, figure.get_facecolor()
            figure.set(dpi=dots_per_inch or figure.dpi, facecolor="white")
            FigureCanvasAgg(figure).print_png(store)  # the same as savefig, which would draw it twice
            figure.set(dpi=before[0], facecolor=before[1])
        else:
            figure.savefig(store, format=kind, dpi=dots_per_inch or "figure", facecolor="white")
    return store.getvalue()


def plain(text: str, *, longest: int = 36) -> str:
    """Text that matplotlib sets as it is: no formula from a dollar sign, no label hidden by a leading _."""
    text = text.encode("utf-8", "backslashreplace").decode("utf-8")
    text = "".join(letter if letter.isprintable() else " " for letter in text)
    text = text if len(text) <= longest else f"{text[: longest - 1]}…"
    text = text.replace("$", r"\$")
    return f" {text}" if text.startswith("_") else text
