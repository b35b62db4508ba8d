"""Slips of the pen in a session.toml: a decimal comma, and dates as they are written in other places."""

from __future__ import annotations

import datetime
import re
import tomllib

_DATE = re.compile(r"\d{1,4}([./-])\d{1,2}\1\d{1,4}")
_ISO = re.compile(r"\d{4}-\d\d-\d\d")


def slip_in(text: str, error: tomllib.TOMLDecodeError) -> str:
    """What the line that is no TOML should be, where it has a decimal comma or another kind of date; else ""."""
    at = re.search(r"at line (\d+)", str(error))
    line = text.split("\n")[int(at[1]) - 1] if at else ""
    key, _, value = (part.strip() for part in line.split("#")[0].partition("="))
    if number := re.fullmatch(r"([+-]?\d+),(\d+)", value):
        return f"line {at[1]}: {key} = {value}; write a decimal point: {number[1]}.{number[2]}"
    right = other_date(value)
    return f"line {at[1]}: {key} = {value}; write {right}" if right else ""


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
