"""The bar over the sessions of a logbook: what it is, and whether it reads today as it did.

What the bar is stands in `bar.toml` in the logbook's folder, all of it optional:

    metal = "steel"            # or "aluminium", "brass"
    length_mm = 300.0
    width_mm = 30.0
    thickness_mm = 6.0
    mass_g = 424.0
"""

from __future__ import annotations

from collections.abc import Mapping
from math import inf, nan, nextafter
from pathlib import Path

from ..errors import LuthkitError
from ..guitar.sentinel import (
    METALS,
    TAP_OPTIONS,
    BarCheck,
    BarReading,
    check_with_history,
    check_with_size,
    read_bar,
)
from ..wood.bars import Bar
from .logbook import as_logbook, day_of
from .session import Session, read_session
from .texts import is_number, one_of, read_toml

BAR = "bar.toml"
MOST_SESSIONS = 20  # the last so many are enough to know the bar
_SIZES = ("length_mm", "width_mm", "thickness_mm", "mass_g")


def read_session_bar(session: Session) -> BarReading | None:
    """The bar as it sounds in one session; None when it was not tapped. Raises `LuthkitError` as `read_bar` does."""
    if not session.of_kind("bar"):
        return None
    celsius = session.conditions.get("temperature_c", nan)
    date = day_of(session.conditions.get("date"))
    taps = session.find_taps(kind="bar", **TAP_OPTIONS)
    return read_bar(taps, temperature_c=float(celsius), date=date)


def check_bar(path, *, logbook=None) -> tuple[BarReading, tuple[BarCheck, ...]] | None:
    """The bar in the session at `path`, held against earlier sessions of the logbook and against its size.

    None when the session holds no taps of the bar. The bar is the shop's, not a guitar's: sessions of all guitars
    count. A session whose bar cannot be read is passed over. Raises `LuthkitError` for a bar.toml that makes no
    sense, or when the bar of this session cannot be read.
    """
    now = read_session_bar(read_session(path))
    if now is None:
        return None
    said = read_bar_words(as_logbook(logbook).path / BAR) if logbook is not None else {}
    metal = said.get("metal", "steel")
    earlier = _earlier(as_logbook(logbook), Path(path), now) if logbook is not None else []
    checks = [check_with_history(now, earlier, metal=metal)]
    if all(size in said for size in _SIZES):
        length, width, thickness, mass = (said[size] / 1000 for size in _SIZES)
        checks.append(check_with_size(now, Bar(length, width, thickness, mass), metal=metal))
    return now, tuple(checks)


def read_bar_words(where: Path) -> Mapping[str, object]:
    """The checked contents of a bar.toml; nothing when there is no such file."""
    said = read_toml(where) if where.exists() else {}
    for key, value in said.items():
        one_of("key", key, ("metal", *_SIZES), where)
        if key == "metal":
            one_of(key, value, tuple(METALS), where)
        elif not is_number(value, nextafter(0, 1), inf):
            raise LuthkitError(f"{where}: {key} is {value!r}; write a number above 0")
    return said


def _earlier(logbook, path: Path, now: BarReading) -> list[BarReading]:
    others = [s for s in logbook.sessions() if s.path.resolve() != path.resolve() and not s.problem]
    others = [s for s in others if s.date and (now.date is None or s.date <= now.date)]
    readings = []
    for logged in sorted(others, key=lambda s: (s.date, s.path.name), reverse=True):
        try:
            reading = read_session_bar(read_session(logged.path))
        except LuthkitError:
            continue
        if reading is not None:
            readings.append(reading)
        if len(readings) == MOST_SESSIONS:
            break
    return readings
