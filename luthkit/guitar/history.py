"""History: what was read of one guitar on many days, and one quantity of one mode as a series over time."""

from __future__ import annotations

import datetime
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from math import isfinite, log, nan

import numpy as np

from .._frozen import frozen_array, frozen_dict
from ..errors import LuthkitError
from ..signal.modes import Mode
from .merging import QUANTITIES, value_of
from .priors import AIR
from .thresholds import PLANNING_DOF, Thresholds

EVENT_KINDS = ("strung", "strings changed", "set-up", "repair", "other")
CLIMATE = ("temperature_c", "relative_humidity_percent", "mass_g")
_COLUMNS = ("day", "value_log", "value_log_u", *CLIMATE)  # the arrays of a series
_NUMBERS = ("frequency_hz", "frequency_u_hz", "damping_ratio", "damping_ratio_u", *CLIMATE, "wing_balance_db")


@dataclass(frozen=True)
class Event:
    """Something done to a guitar that may move its modes: they may lie higher or lower from that day on."""

    date: datetime.date
    kind: str  # one of EVENT_KINDS
    note: str = ""  # in the maker's words

    def __post_init__(self):
        if self.kind not in EVENT_KINDS:
            raise LuthkitError(f"an event is of the kind {self.kind!r}; choose one of: {', '.join(EVENT_KINDS)}")

    @property
    def words(self) -> str:
        """Kind and note."""
        return f"{self.kind} ({self.note})" if self.note else self.kind


@dataclass(frozen=True, eq=False)
class Occasion:
    """The modes read on one day, each under the name it keeps over time, and the climate; NaN = not noted.

    `wing_balance_db`: for each mode, the level at the bass wing over that at the treble wing, against the median
    of all modes (how hard the wings were struck falls out). `hard_over_soft`: for each mode, the natural logarithm
    of its frequency at hard taps over that at soft ones, and the standard uncertainty.
    """

    date: datetime.date
    modes: Mapping[str, Mode]
    temperature_c: float = nan
    relative_humidity_percent: float = nan
    mass_g: float = nan
    wing_balance_db: Mapping[str, float] = field(default_factory=dict)
    hard_over_soft: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    source: str = ""  # the folder or table it came from

    def __post_init__(self):
        for name in ("modes", "wing_balance_db", "hard_over_soft"):
            object.__setattr__(self, name, frozen_dict(getattr(self, name)))


@dataclass(frozen=True, eq=False)
class History:
    """All occasions of one guitar by date, and the events between them. `LuthkitError` without an occasion."""

    name: str
    occasions: tuple[Occasion, ...]
    events: tuple[Event, ...] = ()
    notes: tuple[str, ...] = ()

    def __post_init__(self):
        if not self.occasions:
            raise LuthkitError(f"{self.name or 'the guitar'} has no session; record at least one and name its folder")
        object.__setattr__(self, "occasions", tuple(sorted(self.occasions, key=lambda o: o.date)))
        object.__setattr__(self, "events", tuple(sorted(self.events, key=lambda e: e.date)))

    @property
    def mode_names(self) -> tuple[str, ...]:
        """Every mode that was read at least once, by its mean frequency."""
        every = [(name, mode.frequency_hz) for occasion in self.occasions for name, mode in occasion.modes.items()]
        return tuple(sorted(dict(every), key=lambda name: np.mean([hz for each, hz in every if each == name])))


@dataclass(frozen=True, eq=False)
class Series:
    """One quantity of one mode over the sessions in which it was read; arrays of shape (n,).

    `value_log` is the natural logarithm of frequency in Hz or of the damping ratio, so that a difference of
    0.01 is 1 %. `steps` are the days of events from which on the level may differ. `scatter` is what one
    session may differ from another for no reason (standard deviation, as a fraction), worth `scatter_dof`
    degrees of freedom; the sessions' own scatter is weighed with it.
    """

    mode: str
    quantity: str
    first_date: datetime.date
    day: np.ndarray
    value_log: np.ndarray
    value_log_u: np.ndarray
    temperature_c: np.ndarray
    relative_humidity_percent: np.ndarray
    mass_g: np.ndarray
    steps: tuple[tuple[float, str], ...] = ()
    scatter: float = 0.003
    scatter_dof: float = PLANNING_DOF

    def __post_init__(self):
        for name in _COLUMNS:
            object.__setattr__(self, name, frozen_array(getattr(self, name), ndim=1, name=name))

    @property
    def of_air(self) -> bool:
        """Whether the mode is one of the enclosed air."""
        return self.mode.lower() == AIR

    def first(self, count: int) -> Series:
        """The series as it was after its first `count` sessions."""
        steps = tuple(step for step in self.steps if count and step[0] <= self.day[count - 1])
        return replace(self, steps=steps, **{name: getattr(self, name)[:count] for name in _COLUMNS})


def series(history: History, mode: str, quantity: str = "frequency", *, thresholds: Thresholds | None = None) -> Series:
    """One quantity ("frequency" or "damping") of one named mode over all sessions that have it.

    Day 0 is the first session of the history, whether or not it has this mode. Raises `LuthkitError` for an
    unknown mode or quantity.
    """
    if quantity not in QUANTITIES:
        raise LuthkitError(f"quantity is {quantity!r}; choose one of: {', '.join(QUANTITIES)}")
    if mode not in history.mode_names:
        raise LuthkitError(f"{history.name} has no mode {mode!r}; it has {', '.join(history.mode_names)}")
    figure = (thresholds or Thresholds()).scatter(quantity, mode)
    first = history.occasions[0].date
    rows = []
    for occasion in history.occasions:
        value, u = value_of(occasion.modes[mode], quantity) if mode in occasion.modes else (nan, nan)
        if isfinite(value) and value > 0:
            relative_u = u / value if isfinite(u) else 0.0  # the sessions' own scatter then says it all
            climate = (getattr(occasion, name) for name in CLIMATE)
            rows.append(((occasion.date - first).days, log(value), relative_u, *climate))
    columns = np.array(rows, dtype=float).reshape(len(rows), len(_COLUMNS)).T
    steps = tuple((float((event.date - first).days), event.words) for event in history.events)
    return Series(mode, quantity, first, *columns, steps=steps, scatter=figure.value, scatter_dof=figure.dof)


def history_from_rows(name: str, rows: Iterable[Mapping], events: Iterable[Mapping] = ()) -> History:
    """A history from a table: one row for each mode of each session.

    Each row has `date` and `mode` (and `session`, where there are several a day), `frequency_hz` and
    `damping_ratio`; it may have `frequency_u_hz`, `damping_ratio_u`, `temperature_c`, `relative_humidity_percent`,
    `mass_g` and `wing_balance_db`. Rows of `events` have `date`, `kind` and `note`. Numbers may be text; an empty
    cell is not noted (NaN).

    Raises `LuthkitError` for a missing column, or a cell that is no date or number.
    """
    days: dict[tuple[datetime.date, str], dict] = {}
    for number, row in enumerate(rows, start=1):
        where = f"{name}, row {number}"
        date = _date(row.get("date"), where)
        mode = str(row.get("mode") or "").strip()
        if not mode:
            raise LuthkitError(f"{where} names no mode; write a name such as air or main top in the column mode")
        found = {key: _number(row.get(key), key, where) for key in _NUMBERS}
        if not (found["frequency_hz"] > 0):
            raise LuthkitError(f"{where}: frequency_hz is {row.get('frequency_hz')!r}; write a number above 0")
        day = days.setdefault((date, str(row.get("session") or "")), {"modes": {}, "wing_balance_db": {}})
        if mode in day["modes"]:
            raise LuthkitError(
                f"{where}: {mode} was already read in this session of {date}; keep one row a mode and session"
            )
        day["modes"][mode] = Mode(*(found[key] for key in _NUMBERS[:4]), nan, nan)
        if isfinite(found["wing_balance_db"]):
            day["wing_balance_db"][mode] = found["wing_balance_db"]
        day |= {key: found[key] for key in CLIMATE if isfinite(found[key])}
    return History(
        name,
        tuple(Occasion(date, **day) for (date, _), day in days.items()),
        tuple(
            Event(_date(row.get("date"), f"{name}, event {n}"), row.get("kind") or "other", str(row.get("note") or ""))
            for n, row in enumerate(events, start=1)
        ),
    )


def _date(value, where) -> datetime.date:
    if isinstance(value, datetime.datetime):
        return value.date()
    if isinstance(value, datetime.date):
        return value
    try:
        return datetime.date.fromisoformat(str(value).strip())
    except ValueError as error:
        raise LuthkitError(f"{where}: date is {value!r}; write it as year-month-day, such as 2024-03-09") from error


def _number(value, key, where) -> float:
    if value is None or value == "":
        return nan
    try:
        return float(value)
    except (TypeError, ValueError) as error:
        raise LuthkitError(f"{where}: {key} is {value!r}; write a number, or leave the cell empty") from error
