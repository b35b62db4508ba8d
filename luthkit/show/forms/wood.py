"""The form of the wood notebook: one piece of the stock, or all of it."""

from __future__ import annotations

import os
from pathlib import Path

import ipywidgets as widgets

from ...errors import LuthkitError
from ...shop.woodpile import read_history, read_pieces
from ...wood.stock import read_stock
from ..wood import stock_page, wood_page
from .common import LAYOUT, WIDE, Form, folder_list, label, path_field
from .piece import WRITTEN

ALL = "all pieces"


def wood_form(*, start=None) -> widgets.Widget:
    """The form of the sixth notebook: what a piece of wood is, from its taps.

    `start` is the folder where stocks of wood are looked for (default: the current folder and those beside it).
    """
    stocks = find_stocks(start)
    stock = folder_list("Stock", stocks)
    path = path_field("or a stock elsewhere")
    piece = widgets.Dropdown(description="Piece", options=[ALL], style=WIDE, layout=LAYOUT)

    def fill(_=None):
        try:
            names = [one.name for one in read_stock(_chosen(stock.value, path.value))]
        except LuthkitError:
            names = []
        kept = piece.value
        piece.options = [*names, ALL]
        piece.value = kept if kept in names else piece.options[0]

    def look(written: Path):
        stock.options = [(label(found), found) for found in find_stocks(start)]
        stock.value = next((found for _, found in stock.options if Path(found).samefile(written)), stock.value)
        fill()

    WRITTEN.append(look)
    stock.observe(fill, names="value")
    path.observe(fill, names="value")
    fill()
    piece.value = piece.options[-2] if len(piece.options) > 1 else ALL
    form = Form("Measure", [stock, path, piece], name="wood")

    def act():
        pieces = read_stock(_chosen(stock.value, path.value))
        if piece.value == ALL:
            readings = read_pieces(pieces)
            if not readings:
                raise LuthkitError("no piece of this stock was measured; add sizes and mass under [[measured]]")
            return stock_page(readings)
        found = [one for one in pieces if one.name == piece.value]
        history = read_history(found[0]) if found else ()
        if not history:
            raise LuthkitError(f"{piece.value} was not measured, or is not in this stock; choose another piece")
        return wood_page(history)

    form.act = act
    return form.open(ready=bool(stocks))


def find_stocks(start=None) -> list[str]:
    """Folders of text files that tell of pieces of wood, in and beside the folder `start`: the samples first."""
    start = Path(start) if start is not None else Path.cwd()
    found: dict[str, None] = {}
    for root in (start / "sample_audio", start.parent / "sample_audio", start, start.parent):
        try:
            inside = [root, *sorted(path for path in root.iterdir() if path.is_dir() and path.name[0] not in "._")]
        except OSError:
            continue
        for folder in inside:
            if _tells_of_wood(folder):
                found[os.path.relpath(folder, Path.cwd())] = None
    return list(found)


def _tells_of_wood(folder: Path) -> bool:
    """Whether a folder can be read as a stock in which a piece was measured."""
    if not any(file.name != "session.toml" for file in folder.glob("*.toml")):
        return False
    try:
        return any(piece.measurements for piece in read_stock(folder))
    except LuthkitError:
        return False


def _chosen(picked, typed: str) -> Path:
    if typed.strip():
        return Path(typed.strip().strip("\"'")).expanduser()
    if picked is None:
        raise LuthkitError(
            "no stock of wood is chosen; pick one from the list, or type the path of the folder of its text files"
        )
    return Path(picked)
