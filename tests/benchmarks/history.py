"""Figures of following a guitar, on simulated histories of 12 to 30 sessions.

    python -m tests.benchmarks.history [--guitars 200] [--first 0] [--jobs 2]

Three modes each, frequency and damping; a third of the guitars do not change, the others settle once, or once more
slowly. A room with a full seasonal swing; the wood follows it late. Beside our fit a plain start-value fit
(scipy's curve_fit of c + a exp(-t / tau) on the readings as they are), as one would do by hand. A range in brackets
is the 95 % interval of a share after Clopper and Pearson (Biometrika 26, 1934), a guitar counted once.
"""

from __future__ import annotations

import argparse
import os
import warnings
from concurrent.futures import ProcessPoolExecutor

os.environ.setdefault("OMP_NUM_THREADS", "1")

import numpy as np
from scipy.optimize import curve_fit
from scipy.stats import binomtest

from luthkit.guitar.alarm import AGAIN, LOOK, watch
from luthkit.guitar.follow import follow
from luthkit.guitar.history import history_from_rows, series
from luthkit.simulate.histories import MODES, made_history, session_days

from ..guitar.histories import until

KINDS = ("no change", "settling", "settling twice")
CLIMATE = {"reference_climate": (20.5, 48.0)}


def settled(seed: int):
    """One guitar: (kind, modes inside our band, called changed, modes inside by hand, median errors)."""
    rng = np.random.default_rng(seed)
    kind = KINDS[seed % 3]
    days = session_days(rng, int(rng.integers(12, 31)), new=seed % 2 == 0 or kind != KINDS[0])
    truth = made_history(rng, days=days, kind=kind)
    history = history_from_rows("made", truth.rows)
    following = follow(history, **CLIMATE)
    ours, by_hand, errors = [], [], []
    for course in following.of("frequency"):
        known = np.log(truth.settled_hz[course.series.mode])
        rest = course.settled_log
        ours.append(rest.low < known < rest.high)
        low, value, high = plain_fit(series(history, course.series.mode))
        by_hand.append(low < known < high)
        far = abs(value - known) if np.isfinite(value) else np.inf
        errors.append((abs(rest.value - known), far, rest.high - rest.low))
    return kind, ours, any(course.changed for course in following.courses), by_hand, errors


def plain_fit(one):
    """(low, value, high) at 95 % of c by curve_fit from one start, the readings as they are."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            start = (one.value_log[-1], one.value_log[0] - one.value_log[-1], 30.0)
            found, covariance = curve_fit(lambda t, c, a, tau: c + a * np.exp(-t / tau), one.day, one.value_log, start)
        u = np.sqrt(covariance[0, 0])
        return found[0] - 1.96 * u, found[0], found[0] + 1.96 * u
    except (RuntimeError, ValueError):
        return np.nan, np.nan, np.nan


def years(seed: int):
    """One guitar of five modes over a year of monthly sessions after 8 to 17 others: (fault, found, false alarms)."""
    rng = np.random.default_rng(10_000 + seed)
    fault = seed % 2 == 0
    before = int(rng.integers(8, 18))
    days = list(session_days(rng, before, new=seed % 3 == 0))
    while len(days) < before + 12:
        days.append(days[-1] + int(rng.integers(26, 35)))
    options = {"fault_day": days[before]} if fault else {}
    truth = made_history(rng, days=days, kind=KINDS[seed // 2 % 2], modes=tuple(MODES), **options)
    history = history_from_rows("made", truth.rows)
    last = before + 2 if fault else before + 12
    states = [watch(until(history, occasion.date)).state for occasion in history.occasions[before:last]]
    return fault, LOOK in states, LOOK in states or AGAIN in states


def main(arguments=None) -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--guitars", type=int, default=200)
    parser.add_argument("--first", type=int, default=0, help="first seed, for histories that nobody has seen")
    parser.add_argument("--jobs", type=int, default=2)
    options = parser.parse_args(arguments)
    with ProcessPoolExecutor(options.jobs) as pool:
        rest = pool.map(settled, range(options.first, options.first + options.guitars), chunksize=5)
        alarms = pool.map(years, range(options.first, options.first + 2 * options.guitars), chunksize=5)
        show_rest(list(rest))
        show_alarms(list(alarms))


def show_rest(items) -> None:
    """The table of values at rest."""
    print(f"{len(items)} simulated histories, three modes each")
    for kind in (*KINDS, "all"):
        some = [item for item in items if kind in (item[0], "all")]
        errors = 100 * np.median([error for item in some for error in item[4]], axis=0)
        print(
            f"  {kind:15s} at rest in the 95 % band {_share([x for i in some for x in i[1]])} (by hand "
            f"{_share([x for i in some for x in i[3]])}); median error {errors[0]:.2f} % (by hand {errors[1]:.2f} %), "
            f"band {errors[2]:.2f} % wide; called changed {_counted([item[2] for item in some])}",
            flush=True,
        )


def show_alarms(items) -> None:
    """How often a fault is found, and how often one is seen where there is none."""
    found = [item[1] for item in items if item[0]]
    quiet = [item for item in items if not item[0]]
    print(f"  3 % fall in two modes of five: 'have it looked at' within two sessions {_counted(found)}")
    print(
        f"  false alarms in a year of monthly sessions: {_counted([item[1] for item in quiet])}; "
        f"with 'read it again' {_counted([item[2] for item in quiet])}"
    )


def _share(items) -> str:
    return f"{100 * np.mean(items):.1f} %"


def _counted(items) -> str:
    low, high = binomtest(sum(items), len(items)).proportion_ci(0.95)
    return f"{sum(items)} of {len(items)} ({100 * low:.1f} to {100 * high:.1f} %)"


if __name__ == "__main__":
    main()
