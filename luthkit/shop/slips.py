"""Slips of the pen in a session.toml: a quote left open, a decimal comma, dates as they are written elsewhere."""

from __future__ import annotations

import datetime
import re
import tomllib

_DATE = re.compile(r"\d{1,4}([./-])\d{1,2}\1\d{1,4}")
_ISO = re.compile(r"\d{4}-\d\d-\d\d")


def slip_in(text: str, error: tomllib.TOMLDecodeError) -> str:
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
