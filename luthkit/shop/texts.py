"""Small texts that a maker may write by hand, TOML and tables: read with their slips told, added to in one step.

Slips that are told with what to write instead: a quote left open, a decimal comma, dates as they are written elsewhere.
"""

from __future__ import annotations

import csv
import datetime
import io
import re
import tomllib
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path

from ..errors import LuthkitError
from .safe import locked, write_whole

_DATE = re.compile(r"\d{1,4}([./-])\d{1,2}\1\d{1,4}")
_ISO = re.compile(r"\d{4}-\d\d-\d\d")


def read_toml(where: Path, parse: Callable[[str], dict] = tomllib.loads) -> dict:
    """What a TOML file says. Raises `LuthkitError`, with the line, for what is no TOML or cannot be read."""
    text = _read(where)
    try:
        return parse(text)
    except tomllib.TOMLDecodeError as error:
        slip = _slip_in(text, error)
        slip = f", {slip}" if slip else f" is not valid TOML: {error}; mend that line, or remove the file"
        raise LuthkitError(f"{where}{slip}.") from error


def read_cells(where: Path) -> dict[int, list[str]]:
    """Number of each line of a CSV table that is not empty -> its cells.

    Raises `LuthkitError` for what is no table in UTF-8, or cannot be read.
    """
    try:
        rows = list(csv.reader(io.StringIO(_read(where))))
    except csv.Error as error:
        raise LuthkitError(f"{where} cannot be read as a table: {error}; save it as CSV in UTF-8.") from error
    return {number: row for number, row in enumerate(rows, start=1) if any(cell.strip() for cell in row)}


def _read(where: Path) -> str:
    try:
        return where.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as error:
        raise LuthkitError(f"{where} is not UTF-8 text; save it again as UTF-8.") from error
    except OSError as error:
        raise LuthkitError(f"{where} cannot be read ({error.strerror}); check its permissions.") from error


def csv_text(rows: Iterable[Sequence]) -> str:
    """The lines of a CSV table."""
    lines = io.StringIO()
    csv.writer(lines, lineterminator="\n").writerows(rows)
    return lines.getvalue()


def add_text(where: Path, head: str, new: Callable[[], str]) -> None:
    """Write what `new` gives below what stands in a file, or below `head` in a new one, in one step.

    One program at a time: `new` may look at what stands there. Faults are those of `safe.locked` and `write_whole`.
    """
    with locked(where.with_name(f".{where.name}.lock")):
        if text := new():
            before = where.read_text(encoding="utf-8-sig") if where.exists() else head
            write_whole(where, before + "\n" * (not before.endswith("\n")) + text)


def one_of(what: str, value: object, allowed: Sequence[str], where: object) -> None:
    """A `LuthkitError` that names `where`, `what` it is and all that is allowed, unless the value is."""
    if value not in allowed:
        raise LuthkitError(f"{where}: {what} {value!r} is not known; allowed are {', '.join(allowed)}.")


def is_number(value: object, low: float, high: float) -> bool:
    """Whether it is a number, true and false being none, from `low` to `high`."""
    return not isinstance(value, bool) and isinstance(value, (int, float)) and low <= value <= high


def _slip_in(text: str, error: tomllib.TOMLDecodeError) -> str:
    """What the line that is no TOML should be: an open quote, a decimal comma or another kind of date; else ""."""
    at = re.search(r"at line (\d+)", str(error))  # without a line the quote was sought to the end: any may be it
    for number, line in enumerate(text.split("\n"), start=1):
        if at is None or number == int(at[1]):
            key, _, value = (part.strip() for part in line.split("#")[0].partition("="))
            if right := _right(value):
                return f"line {number}: {key} = {value}; {right}"
    return ""


def _right(value: str) -> str:
    if any(value.count(quote) == 1 and quote in (value[0], value[-1]) for quote in "\"'"):
        return "a quote is not closed: put one before the words and one behind them"
    if number := re.fullmatch(r"([+-]?\d+),(\d+)", value):
        return f"write a decimal point: {number[1]}.{number[2]}"
    right = other_date(value)
    return f"write {right}" if right else ""


def other_date(text: str) -> str:
    """A date written in another way, as session.toml wants it; "" for a right one, and for what is no date at all.

    An example instead where it could be two days (with slashes the month may stand first), or is none.

    >>> other_date("12.03.2024"), other_date("2024-3-9"), other_date("25/12/2024"), other_date("2024-03-09")
    ('2024-03-12', '2024-03-09', '2024-12-25', '')
    >>> other_date("12/03/2024")
    'year, month and day, such as 2024-03-09'
    """
    text = text.strip()
    if not _DATE.fullmatch(text) or _ISO.fullmatch(text):
        return ""
    parts = [int(part) for part in re.split(r"[./-]", text)]
    year, month, day = parts if parts[0] > 31 else parts[::-1]
    two_ways = "/" in text and month != day and parts[0] <= 12
    try:
        if year < 1000 or two_ways:
            raise ValueError
        return datetime.date(year, month, day).isoformat()
    except ValueError:
        return "year, month and day, such as 2024-03-09"
