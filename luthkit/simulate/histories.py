"""Made histories: readings of one guitar over months and years, with the truth beside them. No sound is made.

The room's climate swings over the year with weather on top; the wood follows it some days late, so the room's
climate is an imperfect witness, as it is in life. Every figure is invented or common practice.
"""

from __future__ import annotations

import datetime
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from .._frozen import frozen_dict

MODES = {"air": 104.0, "main top": 196.0, "main back": 232.0, "cross dipole": 268.0, "long dipole": 341.0}
_DAMPING = {"air": 0.016, "main top": 0.014, "main back": 0.012, "cross dipole": 0.013, "long dipole": 0.012}
WOOD_LAG_DAYS = 4.0
NEW_GUITAR_DAYS = (0, 1, 3, 7, 14, 30, 60, 90, 180, 365)


@dataclass(frozen=True, eq=False)
class MadeHistory:
    """Rows and events as `luthkit.guitar.history.history_from_rows` takes them, and what lies behind them."""

    rows: tuple[Mapping, ...]
    events: tuple[Mapping, ...]
    settled_hz: Mapping[str, float]  # each mode at rest, at the reference climate, after all events and without a fault
    settling: Mapping[str, tuple]  # mode -> ((size as a fraction, time constant in days), ...)
    faulty: tuple[str, ...] = ()  # the modes that a fault made fall
    fault_day: float = np.inf


@dataclass(frozen=True)
class Seasons:
    """A room over the years: humidity swings by +- swing percent, temperature by +- 3 degrees; weather on top."""

    humidity_percent: float = 48.0
    swing_percent: float = 10.0
    weather_percent: float = 4.0
    weather_days: float = 4.0
    temperature_c: float = 20.5
    temperature_swing_c: float = 3.0

    def make(self, rng: np.random.Generator, n_days: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """(temperature_c, relative_humidity_percent, humidity the wood is in balance with) for each day."""
        day = np.arange(n_days)
        phase = rng.uniform(0, 2 * np.pi)
        keep = np.exp(-1 / self.weather_days)
        noise = rng.standard_normal(n_days) * np.sqrt(1 - keep**2)
        weather = np.empty(n_days)
        state = rng.standard_normal()
        for k in range(n_days):
            state = keep * state + noise[k]
            weather[k] = state
        year = np.sin(2 * np.pi * day / 365.25 + phase)
        humidity = np.clip(self.humidity_percent + self.swing_percent * year + self.weather_percent * weather, 10, 90)
        temperature = self.temperature_c + self.temperature_swing_c * year + rng.normal(0, 0.7, n_days)
        felt = np.empty(n_days)
        state = humidity[0]
        for k in range(n_days):
            state += (humidity[k] - state) / WOOD_LAG_DAYS
            felt[k] = state
        return temperature, humidity, felt


def made_history(
    rng: np.random.Generator,
    *,
    days: Sequence[int],
    kind: str = "settling",
    modes: Sequence[str] = ("air", "main top", "main back"),
    seasons: Seasons | None = None,
    scatter: float | None = None,
    first_date: datetime.date = datetime.date(2021, 3, 1),
    events: Sequence[tuple[int, str, str]] = (),
    weighed: bool = False,
    fault_day: float = np.inf,
    fault_fall: float = 0.03,
    n_faulty: int = 2,
) -> MadeHistory:
    """One guitar read on the days named; `kind` is "no change", "settling" or "settling twice".

    Slopes for humidity and temperature are drawn for each mode about the usual ones, and so is the scatter
    between sessions when None (0.2 to 0.45 %). A fault makes `n_faulty` modes fall by `fault_fall` from `fault_day`
    on and their damping rise. `events` are (day, kind, note); each moves every mode by a little.
    """
    days = np.array(sorted(days), dtype=int)
    seasons = seasons or Seasons()
    temperature, humidity, felt = seasons.make(rng, int(days[-1]) + 1)
    scatter = float(rng.uniform(0.002, 0.0045)) if scatter is None else scatter
    faulty = tuple(rng.permutation([m for m in modes if m != "air"])[:n_faulty]) if np.isfinite(fault_day) else ()
    tau_fast = float(np.exp(rng.uniform(np.log(7), np.log(56))))
    tau_slow = float(np.exp(rng.uniform(np.log(400), np.log(1500))))
    rows, settled, settling = [], {}, {}
    mass = 2150 * (1 + 0.008 * 0.16 * (felt - 48) + rng.normal(0, 0.0001, len(felt)))
    for name in modes:
        air = name == "air"
        slope = rng.normal(-0.0008, 0.0004) if air else rng.normal(-0.002, 0.001)
        warm = rng.normal(0.001, 0.0005) if air else rng.normal(-0.001, 0.0005)
        terms = []
        if kind != "no change":
            terms.append((float(rng.uniform(-0.01, 0.04)), tau_fast))
        if kind == "settling twice":
            terms.append((float(rng.normal(0, 0.01)), tau_slow))
        rest = MODES[name] * np.exp(rng.normal(0, 0.02))
        value = np.log(rest) + slope * (felt[days] - 48.0) + warm * (temperature[days] - 20.5)
        for size, tau in terms:
            value += size * np.exp(-days / tau)
        for day, _, _ in events:
            step = rng.normal(0, 0.006)
            value += step * (days >= day)
            rest *= np.exp(step)
        value += -fault_fall * (days >= fault_day) * (name in faulty)
        value += rng.normal(0, scatter, len(days))
        u = 0.0005
        value += rng.normal(0, u, len(days))
        damping = np.log(_DAMPING[name]) + 0.011 * (felt[days] - 48.0) + rng.normal(0, 0.10, len(days))
        damping += 0.4 * (days >= fault_day) * (name in faulty)
        settled[name], settling[name] = float(rest), tuple(terms)
        for k, day in enumerate(days):
            frequency = float(np.exp(value[k]))
            rows.append(
                {
                    "date": first_date + datetime.timedelta(days=int(day)),
                    "mode": name,
                    "frequency_hz": round(frequency, 3),
                    "frequency_u_hz": round(u * frequency, 3),
                    "damping_ratio": round(float(np.exp(damping[k])), 6),
                    "damping_ratio_u": round(0.03 * float(np.exp(damping[k])), 6),
                    "temperature_c": round(float(temperature[day]), 1),
                    "relative_humidity_percent": round(float(humidity[day]), 0),
                    "mass_g": round(float(mass[day]), 1) if weighed else "",
                }
            )
    rows.sort(key=lambda row: (row["date"], row["frequency_hz"]))
    told = [{"date": first_date + datetime.timedelta(days=d), "kind": k, "note": w} for d, k, w in events]
    return MadeHistory(tuple(map(frozen_dict, rows)), tuple(map(frozen_dict, told)), frozen_dict(settled),
                       frozen_dict(settling), faulty, fault_day)  # fmt: skip


def session_days(rng: np.random.Generator, n_sessions: int, *, new: bool = True) -> tuple[int, ...]:
    """When a maker records: a new guitar often at first, then about monthly; an old one about monthly."""
    days = [d for d in NEW_GUITAR_DAYS if d <= 90] if new else [0]
    while len(days) < n_sessions:
        days.append(days[-1] + int(rng.integers(20, 45)))
    return tuple(days[:n_sessions])


SAMPLES = {  # folder of the sample audio -> (name, first reading, seed, days, what `made_history` is to make)
    "build_four_over_time": (
        "Build Four",
        datetime.date(2021, 3, 1),
        4,
        (*NEW_GUITAR_DAYS[:-1], 135, 180, 232, 290, 365, 421, 480, 548, 610, 671, 735),
        {"kind": "settling", "weighed": True, "scatter": 0.0025, "events": ((200, "strings changed", "same gauge"),)},
    ),
    "reference_fallowfield_over_time": (
        "Reference Fallowfield",
        datetime.date(2021, 4, 12),
        17,
        (0, 44, 91, 140, 183, 231, 275, 322, 366, 402, 450, 495, 541, 577, 604),
        {"kind": "no change", "scatter": 0.0025, "fault_day": 560.0},
    ),
}
REPEAT_STUDY = "build_four_over_time/repeat_study.csv"
# Standard deviations of ln(frequency) and ln(damping ratio) from day to day, from hanging to hanging, and from reading
# to reading of the sample repeat study: invented, in the range of the planning values.
REPEAT_SCATTER = {"frequency_hz": (0.001, 0.002, 0.0005), "damping_ratio": (0.04, 0.08, 0.03)}
_COLUMNS = "date mode frequency_hz frequency_u_hz damping_ratio damping_ratio_u temperature_c relative_humidity_percent"


def sample_texts() -> dict[str, str]:
    """The sample histories: path in the sample audio -> text of a table of readings, of events, or of repeats."""
    texts = {REPEAT_STUDY: _repeat_text()}
    for folder, (name, first, seed, days, told) in SAMPLES.items():
        options = dict(told)
        made = made_history(
            np.random.default_rng(seed), days=sorted(set(days)), modes=tuple(MODES), first_date=first, **options
        )
        columns = [*_COLUMNS.split(), *(["mass_g"] if options.get("weighed") else [])]
        rows = [",".join(str(row[column]) for column in columns) for row in made.rows]
        texts[f"{folder}/guitar.toml"] = (
            f'# SYNTHETIC\nname = "{name}"\nnotes = "SYNTHETIC readings of an invented guitar, made by a computer."\n'
        )
        texts[f"{folder}/readings.csv"] = "\n".join([",".join(columns), *rows]) + "\n"
        if made.events:
            events = [f"{event['date']},{event['kind']},{event['note']}" for event in made.events]
            texts[f"{folder}/events.csv"] = "\n".join(["date,kind,note", *events]) + "\n"
    return texts


def _repeat_text(*, days: int = 3, hangings: int = 3, readings: int = 2) -> str:
    """A repeat study of one guitar at rest: some days, hung up anew each time, read more than once each."""
    rng = np.random.default_rng(5)
    lines = ["mode,day,hanging,frequency_hz,damping_ratio"]
    for mode, frequency in MODES.items():
        values = {}
        for key, usual in (("frequency_hz", frequency), ("damping_ratio", _DAMPING[mode])):
            of_day, of_hanging, of_reading = REPEAT_SCATTER[key]
            log_value = rng.normal(0, of_day, (days, 1, 1)) + rng.normal(0, of_hanging, (days, hangings, 1))
            values[key] = usual * np.exp(log_value + rng.normal(0, of_reading, (days, hangings, readings)))
        lines += [
            f"{mode},{day + 1},{hanging + 1},{values['frequency_hz'][day, hanging, k]:.3f},"
            f"{values['damping_ratio'][day, hanging, k]:.6f}"
            for day in range(days)
            for hanging in range(hangings)
            for k in range(readings)
        ]
    return "\n".join(lines) + "\n"
