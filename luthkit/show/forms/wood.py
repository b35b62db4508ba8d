"""The form of the wood notebook: one piece of the stock, or all of it."""

from __future__ import annotations

from pathlib import Path

import ipywidgets as widgets

from ...errors import LuthkitError
from ...shop.woodpile import read_history, read_pieces
from ...wood.stock import read_stock
from ..wood import stock_page, wood_page
from .common import Form, chosen, folder_list, folders_near, label, list_field, path_field
from .piece import WRITTEN

ALL = "all pieces"


def wood_form(*, start=None) -> widgets.Widget:
    """The form of the sixth notebook: what a piece of wood is, from its taps.

    `start` is the folder where stocks of wood are looked for (default: the current folder and those beside it).
    """
    stocks = find_stocks(start)
    stock = folder_list("Stock", stocks)
    path = path_field("or a stock elsewhere")
    piece = list_field("Piece", [ALL])

    def where() -> Path:
        if stock.value is None and not path.value.strip():
            raise LuthkitError(
                "no stock of wood is chosen; pick one from the list, or type the path of the folder of its text files"
            )
        return chosen([stock.value], path.value)[0]

    def fill(_=None):
        try:
            names = [one.name for one in read_stock(where())]
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
        pieces = read_stock(where())
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
    return folders_near(start, _tells_of_wood)


def _tells_of_wood(folder: Path) -> bool:
    """Whether a folder can be read as a stock in which a piece was measured."""
    if not any(file.name != "session.toml" for file in folder.glob("*.toml")):
        return False
    try:
        return any(piece.measurements for piece in read_stock(folder))
    except LuthkitError:
        return False
