"""Alarm: has something given way? A sudden fall of some modes that no weather explains, or another sign of it.

This is never a diagnosis. It says "have it looked at" when two sessions agree, "read it again" after one.
A damp guitar lowers all modes together and in proportion; that is looked for first and taken off.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import comb, isfinite, log, sqrt

import numpy as np

from .._threads import one_thread
from .history import Event, History, Series, series
from .shapes import find_system, fit_shapes, shape_columns
from .thresholds import Thresholds
from .verdicts import CANNOT_TELL
from .weather import WeatherTerms, weather_terms

QUIET, AGAIN, LOOK, DAMP = "nothing unusual", "read it again", "have it looked at", "perhaps damp"
FALSE_A_YEAR = 0.01  # share of false alarms in a year of monthly sessions that the levels are laid out for
FEWEST_BEFORE = 5  # sessions that a judgement needs to stand on
# Signs of a loose brace, a crack or a lifting bridge: common practice, no source. A frequency that falls by 2 to 3 %
# beyond the weather (half of 3 % is where we begin to ask), Q down by a quarter, wings 3 dB apart, 0.5 % between taps.
LEAST_FALL = 0.015
LEAST_Q_FALL = 0.25
LEAST_WING_DB = 3.0
LEAST_HARD_OVER_SOFT = 0.005
_DAMP_U_PERCENT = 0.7  # moisture content of the guitar about what the room tells: common practice
_OUT_OF_PROPORTION = 9.0  # squared deviations beyond which a mode no longer votes on how damp the guitar is


@dataclass(frozen=True)
class Sign:
    """One thing out of the ordinary: which mode, what, by how much (a fraction, or dB for the wings), how likely
    by chance in one session.
    """

    mode: str
    what: str  # "frequency", "damping", "wings" or "hard taps"
    size: float
    chance: float


@dataclass(frozen=True)
class Alarm:
    """What the last one or two sessions say: a state, its signs, and one or two plain sentences."""

    state: str  # "nothing unusual", "read it again", "have it looked at", "perhaps damp" or "cannot tell"
    sentence: str
    signs: tuple[Sign, ...] = ()
    damp_percent: float = 0.0  # moisture content beyond what the room tells that would explain all modes together


@one_thread
def watch(history: History, *, thresholds: Thresholds | None = None) -> Alarm:
    """Judge the last session, and the last two together, by all the sessions before them.

    For each mode the weather-corrected course is predicted with its error. What all modes share in proportion to
    their moisture slopes is taken for a damp or dry guitar. What is left must be a fall of at least `LEAST_FALL`
    (or another sign at its least size) and less likely by chance than `FALSE_A_YEAR` / 12 shared out over all modes
    and signs; two at once need less each. An event between the sessions explains a change: nothing is judged across it.
    """
    before = len(history.occasions) - 1
    if before < FEWEST_BEFORE:
        return Alarm(
            CANNOT_TELL,
            f"Whether something has given way cannot be told yet: {FEWEST_BEFORE} sessions must come before the last, "
            f"and {before} did.",
        )
    if event := _event_since(history, before - 1):
        words = f"Between the last two sessions: {event.words}."
        return Alarm(CANNOT_TELL, f"{words} A change is expected then; the next one is judged again.")
    if before - 1 >= FEWEST_BEFORE and _event_since(history, before - 2) is None:
        signs, _ = _signs(history, 2, thresholds)
        if signs:
            return Alarm(
                LOOK,
                f"Two sessions agree: {'; '.join(map(_in_words, signs))}. Have it looked at by a qualified repairer "
                "before it is strung higher or travels; a brace, a crack or the bridge can do this, and so can other "
                "things.",
                signs,
            )
    signs, damp = _signs(history, 1, thresholds)
    if signs:
        return Alarm(
            AGAIN,
            f"In the last session {'; '.join(map(_in_words, signs))}. Hang it up again and read it once more within "
            "days; if it shows again, have it looked at.",
            signs,
            damp,
        )
    if damp > 2 * _DAMP_U_PERCENT:
        return Alarm(
            DAMP,
            "All modes fell together, as those of a damp guitar do, by more than the climate of the day explains. "
            "Weigh it, let it stand a week in your usual climate, read it again; if they stay low, have it looked at.",
            damp_percent=damp,
        )
    calm = "The last session lies where the ones before it and the weather say it should."
    return Alarm(QUIET, calm, damp_percent=damp)


def _event_since(history: History, k: int) -> Event | None:
    """The first event after occasion k, up to the last one."""
    first, last = history.occasions[k].date, history.occasions[-1].date
    return next((event for event in history.events if first < event.date <= last), None)


@dataclass(frozen=True)
class _Gap:
    """How far the last sessions of one series lie from their prediction, on average, and every single one."""

    mode: str
    value: float
    each: tuple[float, ...]
    u: float
    dof: float
    slope: float  # for one percent of moisture content


def _signs(history, count, thresholds):
    """(signs that the last `count` sessions share, moisture content they share)."""
    from scipy.stats import t

    names = [name for name in history.mode_names if all(name in o.modes for o in history.occasions[-count:])]
    signs, damp, asked = [], 0.0, max(2 * len(names), 2)
    level = FALSE_A_YEAR / 12 / asked
    # two signs at once are rarer by chance; halved, as signs of one session are not quite independent
    level_of_two = sqrt(FALSE_A_YEAR / 12 / comb(asked, 2)) / 2
    for quantity in ("frequency", "damping"):
        every = [series(history, name, quantity, thresholds=thresholds) for name in names]
        gaps = [_gap(one, count) for one in every if len(one.day) >= FEWEST_BEFORE + count]
        shared = _shared_moisture(gaps)
        if quantity == "frequency":
            damp = shared
        sense, least = (-1, LEAST_FALL) if quantity == "frequency" else (1, -log(1 - LEAST_Q_FALL))
        for gap in gaps:
            off = shared * gap.slope
            chance = float(t.sf(sense * (gap.value - off) / gap.u, gap.dof))
            # every session must show it, and the least of them at three quarters of the least size
            alone = min(sense * (one - off) for one in gap.each)
            if chance < level_of_two and sense * (gap.value - off) >= least and alone >= 0.75 * least:
                signs.append(Sign(gap.mode, quantity, gap.value - off, chance))
    if len(signs) < 2:
        signs = [sign for sign in signs if sign.chance < level]
    signs += _wing_signs(history, count, names, level)
    signs += _hard_tap_signs(history, count, names)
    return tuple(signs), float(damp)


def _gap(whole: Series, count: int) -> _Gap:
    n = len(whole.day) - count
    weather = weather_terms(whole, count=n)
    system = find_system(whole.first(n), weather.first(n))
    fits = fit_shapes(system)
    new = slice(n, n + count)
    steps = np.zeros((count, len(system.steps)))  # all events lie before
    known = np.column_stack([np.ones(count), weather.terms[new], steps])
    parts = []
    for fit in fits:
        columns = shape_columns(fit.shape, whole.day[new], fit.time_constants_days)
        rows = np.concatenate([np.broadcast_to(known, (len(columns), *known.shape)), columns], axis=2)
        means = np.einsum("jnp,jp->nj", rows, fit.coefficients)
        mean_row = rows.mean(axis=1)
        scale = (fit.squares + whole.scatter_dof) / system.dof
        variances = scale * np.einsum("jp,jpq,jq->j", mean_row, fit.covariance, mean_row)
        parts.append(np.vstack([fit.weight * fit.likely, variances, means]))
    weights, variances, *means = np.hstack(parts)
    predicted = np.array(means) @ weights
    variance = weights @ (variances + (np.mean(means, axis=0) - predicted.mean()) ** 2)
    own = whole.value_log_u[new] ** 2 + weather.extra_u[new] ** 2 + system.scatter**2 + system.lag_u**2
    gap, u = whole.value_log[new] - predicted, sqrt(variance + own.mean() / count)
    return _Gap(whole.mode, float(gap.mean()), tuple(gap.tolist()), u, system.dof, _moisture_slope(fits, weather))


def _moisture_slope(fits, weather: WeatherTerms) -> float:
    """ln(value) for one percent of moisture content: the guitar's own slope, else the usual one."""
    best = max(fits, key=lambda fit: fit.weight)
    for k, name in enumerate(weather.names):
        if name in ("moisture", "mass"):
            return float(best.coefficients[best.best, 1 + k]) / (1.0 if name == "moisture" else 1.25)
    return 0.0


def _shared_moisture(gaps) -> float:
    """The moisture content (percent, beyond what the room tells) that the gaps share; outliers do not vote."""
    tried = np.linspace(-5, 5, 501)
    cost = (tried / _DAMP_U_PERCENT) ** 2
    for gap in gaps:
        cost = cost + np.minimum(((gap.value - tried * gap.slope) / gap.u) ** 2, _OUT_OF_PROPORTION)
    return float(tried[np.argmin(cost)]) if gaps else 0.0


def _wing_signs(history, count, names, level):
    from scipy.stats import t

    for name in names:
        known = [o.wing_balance_db.get(name, np.nan) for o in history.occasions]
        before, last = np.array([v for v in known[:-count] if isfinite(v)]), np.array(known[-count:])
        if len(before) < FEWEST_BEFORE or not np.all(np.isfinite(last)):
            continue
        off = last - before.mean()
        u = max(before.std(ddof=1), 0.3) * sqrt(1 / count + 1 / len(before))  # 0.3 dB: no wing repeats better
        chance = float(2 * t.sf(abs(off.mean()) / u, len(before) - 1))
        if chance < level and abs(off.mean()) >= LEAST_WING_DB and np.all(off * off.mean() > 0):
            yield Sign(name, "wings", float(off.mean()), chance)


def _hard_tap_signs(history, count, names):
    from scipy.stats import norm

    for name in names:
        found = [o.hard_over_soft[name] for o in history.occasions[-count:] if name in o.hard_over_soft]
        if len(found) < count:
            continue
        value, u = np.array(found).T
        least = np.min(np.abs(value) / u)
        if least > 3 and np.min(np.abs(value)) > LEAST_HARD_OVER_SOFT:
            yield Sign(name, "hard taps", float(value.mean()), float(2 * norm.sf(least)))


def _in_words(sign: Sign) -> str:
    if sign.what == "frequency":
        return f"{sign.mode} stands {100 * -sign.size:.1f} % lower than the weather explains"
    if sign.what == "damping":
        return f"Q of {sign.mode} is down by {100 * (1 - np.exp(-sign.size)):.0f} %"
    if sign.what == "wings":
        side = "bass" if sign.size > 0 else "treble"
        return f"{sign.mode} has moved to the {side} wing by {abs(sign.size):.1f} dB"
    return f"{sign.mode} moves by {100 * abs(sign.size):.1f} % between soft and hard taps"
