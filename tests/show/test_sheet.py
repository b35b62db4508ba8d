"""The sheet for a guitar's file: one A4 page that holds the figures, as PDF and HTML."""

from dataclasses import replace
from datetime import date

import pytest

from luthkit.errors import LuthkitError
from luthkit.guitar.comparison import compare
from luthkit.show.page import save_sheet, write_sheet
from luthkit.show.plots.common import plain
from luthkit.show.report import report_page
from luthkit.show.sheet import MOST_ROWS, plot_sheet

MM_PER_INCH = 25.4


def cells(figure):
    """The text of the table, row by row."""
    (table,) = [table for ax in figure.axes for table in ax.tables]
    drawn = table.get_celld()
    rows = sorted({row for row, _ in drawn})
    return [[drawn[row, k].get_text().get_text() for r, k in sorted(drawn) if r == row] for row in rows]


def words(figure):
    return "\n".join(text.get_text() for ax in figure.axes for text in ax.texts)


def test_it_is_a_page_of_a4(build):
    width, height = plot_sheet(build).get_size_inches() * MM_PER_INCH
    assert (round(width), round(height)) == (297, 210)  # ISO 216


def test_one_guitar_with_its_modes_and_conditions(build):
    figure = plot_sheet(build)
    head, *rows = cells(figure)
    assert len(rows) == len(build.modes) and "Frequency" in head
    for row, mode in zip(rows, build.modes, strict=True):
        assert any(cell.startswith(f"{mode.frequency_hz:.0f}"[:2]) and "±" in cell for cell in row)
    assert plain(build.name) in words(figure) and "body modes found" in words(figure)


def test_a_comparison_with_its_verdicts(build, references):
    comparison = compare(build, references)
    figure = plot_sheet(comparison)
    _, *rows = cells(figure)
    assert len(rows) == len(comparison.pairs)
    for row, pair in zip(rows, comparison.pairs, strict=True):
        assert pair.frequency.verdict in row and pair.damping.verdict in row
    assert " ".join(comparison.summary)[:40] in words(figure)


def test_more_modes_than_fit_are_counted(build):
    many = replace(build, modes=build.modes * 20)
    rows = cells(plot_sheet(many))
    assert len(rows) == MOST_ROWS + 2
    assert rows[-1][0] == f"and {len(many.modes) - MOST_ROWS} more"


def test_files_under_free_names(tmp_path, build):
    page = report_page(build)
    pdf, html = save_sheet(page, tmp_path)
    assert pdf.name == f"{date.today()}_{page.stem}_sheet.pdf"
    assert pdf.read_bytes().startswith(b"%PDF-") and b"/Count 1" in pdf.read_bytes()
    text = html.read_text(encoding="utf-8")
    assert text.count("<img") == 1 and "://" not in text
    assert {path.name for path in save_sheet(page, tmp_path)}.isdisjoint({pdf.name, html.name})
    assert len(list(tmp_path.iterdir())) == 4
    assert save_sheet(replace(page, sheet=None), tmp_path) == []


def test_what_is_there_is_kept(tmp_path, build):
    (tmp_path / "x.pdf").write_text("a letter")
    with pytest.raises(LuthkitError, match="is there already"):
        write_sheet(report_page(build), tmp_path / "x.pdf")
    assert (tmp_path / "x.pdf").read_text() == "a letter"
    with pytest.raises(LuthkitError, match=r"\.pdf or \.html"):
        write_sheet(report_page(build), tmp_path / "x.doc")
    with pytest.raises(LuthkitError, match="there is no such folder"):
        write_sheet(report_page(build), tmp_path / "no folder" / "x.pdf")
