"""The form that writes down a piece of wood, for the stock of the workshop."""

from __future__ import annotations

import datetime
from collections.abc import Callable
from dataclasses import replace
from html import escape
from pathlib import Path

import ipywidgets as widgets

from ...errors import LuthkitError
from ...shop.logbook import find_logbook
from ...shop.new_piece import add_piece
from ...shop.woodpile import read_pieces
from ...shop.workshop import results_folder
from ...wood.piece import USES
from ...wood.species import SAWN, SPECIES
from ...wood.stock import CLIMATE_LIMITS, SIZE_LIMITS
from ..wood import wood_page
from .common import LAYOUT, WIDE, Form, find_guitars, label, path_field

STOCK = "stock"
WRITTEN: list[Callable[[Path], None]] = []  # called with the stock when a piece was written down in it
_NUMBERS = {  # key in the file: (what stands beside the field, hint)
    "length_mm": ("Length in mm", "along the grain"),
    "width_mm": ("Width in mm", "across the grain"),
    "thickness_mm": ("Thickness in mm", "at six places or more, with spaces between: 3.01 3.00 2.98 3.00 3.02 3.01"),
    "mass_g": ("Mass in g", "to 0.1 g"),
    "temperature_c": ("Temperature in °C", "where the wood has lain for weeks"),
    "relative_humidity_percent": ("Humidity in %", "of the air there"),
}
_LIMITS = {key: limits[:2] for key, limits in (SIZE_LIMITS | CLIMATE_LIMITS).items()}


def piece_form(*, start=None) -> widgets.Widget:
    """Writes down a piece as a text file in the folder `stock` of the workshop, and measures it.

    `start` is the folder that the workshop lies around (default: the current one).
    """

    def text(words, hint="", value=""):
        return widgets.Text(description=words, placeholder=hint, value=value, style=WIDE, layout=LAYOUT)

    def one_of(words, options):
        return widgets.Dropdown(description=words, options=list(options), style=WIDE, layout=LAYOUT)

    name = text("Name", "what you wrote on it, such as Spruce 31")
    wood = widgets.Combobox(
        description="Wood",
        placeholder="choose one of the list, or write another",
        options=[species.name for species in SPECIES.values()],
        style=WIDE,
        layout=LAYOUT,
    )
    use, sawn = one_of("Use", USES), one_of("Sawn", SAWN)
    numbers = {key: text(*words) for key, words in _NUMBERS.items()}
    day = text("Day", "such as 2024-03-09", datetime.date.today().isoformat())
    own = [path for path in find_guitars(start) if Path(path).parent.name != "sample_audio"]
    taps = one_of("Taps in", [("no taps yet: density only", ""), *((label(path), path) for path in own)])
    elsewhere = path_field("or a folder elsewhere")
    papers = text("Papers", "for a protected wood: which ones you hold; or: none needed")
    form = Form("Write it down", [name, wood, use, sawn, *numbers.values(), day, taps, elsewhere, papers])

    def act():
        measured = {"date": _day(day.value), **{key: _said(key, field.value) for key, field in numbers.items()}}
        facts = {"species": wood.value.strip(), "papers": papers.value.strip()}
        said = {"name": name.value.strip(), "use": use.value, "sawn": sawn.value}
        said |= {key: value for key, value in facts.items() if value}
        typed = elsewhere.value.strip().strip("\"'")
        sounds = Path(typed).expanduser() if typed else taps.value
        piece = add_piece(stock_folder(start), {**said, "measured": [measured]}, sounds=sounds)
        for tell in WRITTEN:
            tell(piece.path.parent)
        page = wood_page(read_pieces([piece]))
        told = f"Written down in {piece.path}: a plain text file, which you may open and correct."
        return replace(page, body=f"<p>{escape(told)}</p>{page.body}", done=f"Wrote down {piece.name}")

    form.act = act
    return form.open(ready=False)


def stock_folder(start=None) -> Path:
    """The folder `stock` beside the logbook; without one, in the workshop or in the current folder."""
    try:
        return find_logbook(start).path.parent / STOCK
    except LuthkitError:
        return results_folder(start).parent / STOCK


def _said(key: str, text: str):
    """The number in a field, several for the thickness; a comma may stand for the point."""
    what, (low, high) = _NUMBERS[key][0], _LIMITS[key]
    allowed = f"write a number from {low:g} to {high:g}"
    try:
        values = [float(word.rstrip(",;").replace(",", ".")) for word in text.replace(";", " ").split()]
    except ValueError:
        values = [float("nan")]
    if not values:
        raise LuthkitError(f"{what} is empty; {allowed}")
    several = key == "thickness_mm"
    if not all(low <= value <= high for value in values) or (len(values) > 1 and not several):
        raise LuthkitError(f"{what} is {text.strip()!r}; {allowed}{', or several with spaces between' * several}")
    return values if several else values[0]


def _day(text: str) -> datetime.date:
    try:
        return datetime.date.fromisoformat(text.strip())
    except ValueError:
        raise LuthkitError(f"Day is {text.strip()!r}; write a date such as 2024-03-09") from None
