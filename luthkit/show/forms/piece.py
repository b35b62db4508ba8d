"""The form that writes down a piece of wood, or a further day of one, for the stock of the workshop."""

from __future__ import annotations

import datetime
import os
from collections.abc import Callable
from dataclasses import replace
from functools import partial
from html import escape
from pathlib import Path

import ipywidgets as widgets

from ...errors import LuthkitError
from ...shop.logbook import find_logbook
from ...shop.new_piece import add_day, add_piece
from ...shop.safe import free_name, safe_name, told
from ...shop.session import PLATE, read_session
from ...shop.woodpile import read_history
from ...shop.workshop import results_folder
from ...wood.piece import USES
from ...wood.species import SAWN, SPECIES
from ...wood.stock import CLIMATE_LIMITS, FACT_LIMITS, SIZE_LIMITS, check_sizes, read_stock
from ..wood import FACTS, wood_page
from .common import Form, each_of, folded, folders_near, label, list_field, path_field, text_field

STOCK, NEW = "stock", "a new one"
WRITTEN: list[Callable[[Path], None]] = []  # called with the stock when a piece was written down in it
_ABOUT = {  # key in the file: hint
    "papers": "for a protected wood: which ones you hold; or: none needed",
    "papers_file": "its name, such as licence_12.pdf; put it into the folder stock",
    "source": "who sold or cut it",
    "bought": "such as 2021-06-05",
    "place": "such as rack 2, third shelf",
    "set": "what its two halves share, such as 12",
    "grain_lines_per_cm": "counted at the middle of the width",
    "run_out_degrees": "how far the grain leaves the face, seen on a split edge",
    "hardness_n": "pressed in with a ball, on an offcut only",
    "hardness_method": "such as ball of 11.28 mm pressed in by half",
    "notes": "knots, pitch pockets, reaction wood",
}
_DAY = {
    "length_mm": ("Length in mm", "along the grain"),
    "width_mm": ("Width in mm", "across the grain"),
    "thickness_mm": ("Thickness in mm", "at six places or more, with spaces between: 3.01 3.00 2.98 3.00 3.02 3.01"),
    "mass_g": ("Mass in g", "to 0.1 g"),
    "temperature_c": ("Temperature in °C", "where the wood has lain for weeks"),
    "relative_humidity_percent": ("Humidity in %", "of the air there"),
    "moisture_percent": ("Moisture in %", "by a meter, if you have one; it goes before the humidity"),
}
_LIMITS = {key: limits[:2] for key, limits in (SIZE_LIMITS | CLIMATE_LIMITS | FACT_LIMITS).items()}
_HAMMER = {"none": None, "on the left channel of the recording": 0, "on the right channel of the recording": 1}


def piece_form(*, start=None) -> widgets.Widget:
    """Writes down a piece as a text file in the folder `stock` of the workshop, or a further day of one that is there,
    and measures it.

    `start` is the folder that the workshop lies around (default: the current one).
    """

    def known():
        return {piece.name: piece for piece in read_stock(stock)} if any(stock.glob("*.toml")) else {}

    def found():
        if which.value in (pieces := known()):
            return pieces[which.value]
        raise LuthkitError(f"{which.value} is not in {stock} any more; choose another piece")

    stock = stock_folder(start)
    which, name = list_field("Which piece", [NEW]), text_field("Name", "what you wrote on it, such as Spruce 31")
    woods = [species.name for species in SPECIES.values()]
    wood = text_field("Wood", "choose one of the list, or write another", kind=widgets.Combobox, options=woods)
    use, sawn = list_field("Use", USES), list_field("Sawn", SAWN)
    about = {key: text_field(FACTS[key], hint) for key, hint in _ABOUT.items()}
    numbers = {key: text_field(*words) for key, words in _DAY.items()}
    day = text_field("Day", "such as 2024-03-09", value=datetime.date.today().isoformat())
    recorded = [str(path.parent) for path in sorted(stock.glob("*/session.toml"), reverse=True)]
    elsewhere_too = (path for path in folders_near(start, _of_a_plate) if Path(path).parent.name != "sample_audio")
    own = dict.fromkeys([*recorded, *elsewhere_too])
    taps = list_field("Taps in", [("no taps yet: density only", ""), *((label(path), path) for path in own)])
    elsewhere, hammer = path_field("or a folder elsewhere"), list_field("Force hammer", _HAMMER.items())
    papers, *rest = about.values()
    piece = widgets.VBox([name, wood, use, sawn, papers, folded("More about the piece", rest)])
    form = Form("Write it down", [which, piece, *numbers.values(), day, taps, elsewhere, hammer])

    def look(chosen=NEW):
        try:
            which.options = [NEW, *known()]
        except LuthkitError as error:
            form.say(str(error), wrong=True)
        which.value = chosen if chosen in which.options else NEW

    def turn(_=None):
        """A further day of a piece needs no word about the piece; what it measured before is shown as a hint."""
        piece.layout.display = "" if which.value == NEW else "none"
        before = found().measurements[-1:] if which.value != NEW else ()
        for key in SIZE_LIMITS:
            was = [
                f"{1000 * day.inputs[key.partition('_')[0]][0]:.5g} on {day.day or 'a day before'}" for day in before
            ]
            numbers[key].placeholder = (was or _DAY[key][1:])[0]

    def named():
        if which.value == NEW and not name.value.strip():
            raise LuthkitError("the piece has no name; give it one, such as the words you wrote on it")
        return name.value.strip()

    def heard():
        typed = elsewhere.value.strip().strip("\"'")
        if typed and not Path(typed).expanduser().exists():
            raise LuthkitError(f"{typed} does not exist; check the spelling, or leave {elsewhere.description!r} empty")
        return Path(typed).expanduser() if typed else taps.value

    def act():
        called, more, sizes, when, sounds = each_of(
            named,
            lambda: _said(about) if which.value == NEW else {},
            lambda: _said(numbers),
            lambda: _day(day.value),
            heard,
        )
        measured = {"date": when, **sizes}
        check_sizes(measured, "As written here")
        if hammer.value is not None:
            measured["force_channel"] = hammer.value
        if which.value == NEW:
            said = {"name": called, "species": wood.value.strip(), **more}
            said = {key: value for key, value in said.items() if value}
            written = add_piece(stock, {**said, "use": use.value, "sawn": sawn.value}, measured, sounds=sounds)
        else:
            written = add_day(found(), measured, sounds=sounds)
        look(which.value)
        for tell in WRITTEN:
            tell(stock)
        page = wood_page(read_history(written))
        where = f"Written down in {written.path}: a plain text file, which you may open and correct."
        return replace(page, body=f"<p>{escape(where)}</p>{page.body}", done=f"Wrote down {written.name}")

    which.observe(turn, names="value")
    form.act = act
    shown = form.open(ready=False)
    look()
    return shown


def _of_a_plate(folder: Path) -> bool:
    """Whether a folder says that a free plate was struck in it: never the session of a guitar."""
    try:
        return any(recording.position in PLATE for recording in read_session(folder).recordings)
    except LuthkitError:
        return False


def stock_folder(start=None) -> Path:
    """The folder `stock` beside the logbook; without one, in the workshop or in the current folder."""
    try:
        return find_logbook(start).path.parent / STOCK
    except LuthkitError:
        return results_folder(start).parent / STOCK


def new_taps(piece: str, start=None) -> tuple[Path, str]:
    """The stock, made where it is missing, and a free name in it for a folder of taps of a piece, with the day."""
    stock = stock_folder(start)
    with told(f"the stock {stock}"):
        stock.mkdir(parents=True, exist_ok=True)
        return stock, free_name(f"{safe_name(piece)} {datetime.date.today()}", os.listdir(stock))


def _said(fields) -> dict[str, object]:
    """What stands in the fields that are not empty: texts, and numbers where a number is asked for."""
    asked = {key: field for key, field in fields.items() if key in SIZE_LIMITS or field.value.strip()}
    return dict(zip(asked, each_of(*(partial(_entry, key, field) for key, field in asked.items())), strict=True))


def _entry(key: str, field):
    return _number(key, field.description, field.value) if key in _LIMITS else field.value.strip()


def _number(key: str, what: str, text: str):
    """The number in a field, several for the thickness; a comma may stand for the point."""
    low, high = _LIMITS[key]
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
