"""The sheet: one A4 page for a guitar's file, with picture, modes, verdict and conditions, as PDF or HTML."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from datetime import date

from ..guitar.cautions import conditions
from ..guitar.comparison import Comparison
from ..guitar.naming import Naming
from ..guitar.verdicts import listed
from ..signal.modes import ModeSet
from . import words
from .plots.common import FAINT, new_figure, plain
from .plots.comparison import plot_spectra
from .plots.modes import mode_lines, plot_spectrum

A4_INCHES = (11.69, 8.27)
MOST_ROWS = 22
_LEFT_OUT = ("Level*", "Remarks")  # of the tables: what a sheet has no room for
_SAID = ("date", "stage", "temperature_c", "relative_humidity_percent", "strings", "strings_age_h", "microphone")
_UNITS = {"temperature_c": "°C", "relative_humidity_percent": "% humidity", "strings_age_h": "h old"}


def plot_sheet(result: Comparison | ModeSet, naming: Naming | None = None):
    """The sheet as a matplotlib Figure of A4 size, landscape; `naming` may name the modes of one guitar."""
    figure = new_figure(width=A4_INCHES[0], height=A4_INCHES[1])
    head, picture, table, foot = figure.subplots(4, 1, height_ratios=(0.8, 2.0, 2.3, 0.2))
    for ax in (head, table, foot):
        ax.axis("off")
    sets = (result.build, *result.references) if isinstance(result, Comparison) else (result,)
    if isinstance(result, Comparison):
        title = f"{result.called[0]} beside {listed(result.called[1:])}"
        sentences = result.summary
        plot_spectra(result, ax=picture)
        _table(table, words.PAIR_HEADINGS, words.pair_rows(result))
    else:
        title = result.name or "The instrument"
        sentences = words.mode_summary(result, naming)
        if result.spectrum is not None:
            plot_spectrum(result, ax=picture)
        mode_lines(picture, result.modes)
        _table(table, words.MODE_HEADINGS, words.mode_rows(result, naming))
    lines = [*(_said(each) for each in sets[:4]), *textwrap.wrap(" ".join(sentences), 185)]
    head.text(0, 1, plain(title, longest=100), fontsize=15, va="top", weight="bold", transform=head.transAxes)
    head.text(0, 0.7, "\n".join(plain(line, longest=190) for line in lines[:9]), fontsize=8, va="top")
    small = "± is one standard uncertainty; intervals are 95 %. Verdicts are in the words of luthkit's README."
    foot.text(0, 0.5, f"{small} luthkit {result.version}, {date.today():%d %B %Y}.", fontsize=7, color=FAINT)
    return figure


def _said(modeset: ModeSet) -> str:
    """The conditions of one guitar in a line."""
    said = conditions(modeset)
    parts = [f"{said[key]} {_UNITS.get(key, '')}".strip() for key in _SAID if said.get(key) not in (None, "")]
    parts += [words.taps_text(modeset)]
    return f"{modeset.name or 'The instrument'}: {', '.join(parts)}"


def _table(ax, headings: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
    """A table that fills the axes; rows beyond MOST_ROWS are counted, not drawn."""
    columns = [k for k, heading in enumerate(headings) if heading not in _LEFT_OUT]
    cells = [[plain(row[k].partition("\n")[0], longest=46) for k in columns] for row in rows[:MOST_ROWS]]
    if len(rows) > MOST_ROWS:
        cells.append([f"and {len(rows) - MOST_ROWS} more", *[""] * (len(columns) - 1)])
    if not cells:
        return
    longest = [max(len(headings[k]), *(len(row[i]) for row in cells)) + 2 for i, k in enumerate(columns)]
    height = min(1.0, 1.25 * (len(cells) + 1) / (MOST_ROWS + 1))
    drawn = ax.table(
        cells,
        colLabels=[headings[k] for k in columns],
        colWidths=[width / sum(longest) for width in longest],
        cellLoc="left",
        colLoc="left",
        bbox=(0, 1 - height, 1, height),
    )
    drawn.auto_set_font_size(False)
    drawn.set_fontsize(7.5)
    for (row, _), cell in drawn.get_celld().items():
        cell.visible_edges = "B"
        cell.set_linewidth(1.0 if row == 0 else 0.3)
        cell.PAD = 0.01
        cell.get_text().set_weight("bold" if row == 0 else "normal")
