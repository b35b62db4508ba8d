"""Following a guitar: all its modes over all its sessions, judged together, and said in plain sentences."""

from __future__ import annotations

from dataclasses import dataclass
from math import expm1, inf, isfinite, log1p

from .. import __version__
from .alarm import AGAIN, DAMP, LOOK, QUIET, Alarm, watch
from .forecast import Outlook, days_text, look_ahead
from .history import QUANTITIES, History, series
from .settling import CANNOT_TELL, FEWEST_SESSIONS, Course, settle
from .shapes import DRIFT, NO_CHANGE, SETTLING, TWICE
from .thresholds import Thresholds
from .verdicts import listed

# Of calling a guitar changed that is not, over all its modes together. Sessions close in time share their weather,
# which makes it half as much again for a new guitar (measured on simulated ones).
CHANCE = 0.02
_LOOSE = {
    QUIET: "no sign of anything loose",
    AGAIN: "something may have come loose, read it again",
    LOOK: "something may have come loose, have it looked at",
    DAMP: "perhaps it is damp",
    CANNOT_TELL: "whether something has come loose cannot be told yet",
}


@dataclass(frozen=True, eq=False)
class Following:
    """One guitar over time: a course for frequency and damping of each mode, an outlook for each frequency."""

    history: History
    courses: tuple[Course, ...]  # frequencies by mode, then dampings by mode
    outlooks: tuple[Outlook, ...]  # of the frequencies, in the same order
    alarm: Alarm
    thresholds: Thresholds
    summary: tuple[str, ...]
    notes: tuple[str, ...]
    version: str = __version__

    def of(self, quantity: str) -> tuple[Course, ...]:
        """The courses of "frequency" or "damping"."""
        return tuple(course for course in self.courses if course.series.quantity == quantity)

    @property
    def too_few(self) -> bool:
        """Whether no mode was read often enough to say anything of its course."""
        return all(course.shape == CANNOT_TELL for course in self.courses)


def follow(
    history: History,
    *,
    within: float = 0.005,
    thresholds: Thresholds | None = None,
    reference_climate: tuple[float, float] | None = None,
) -> Following:
    """Every mode of a history: did it change beyond the weather, where will it rest, has something given way?

    The more is looked at, the easier chance makes something look changed: the chances of all courses are
    weighed together after Holm (Scandinavian Journal of Statistics 6, 1979), so that a guitar that does not change
    is called changed in at most `CHANCE` of cases. `within` is the distance from rest that the outlooks ask for,
    `reference_climate` as in `weather_terms`.

    Raises `LuthkitError` for a senseless `within`.
    """
    thresholds = thresholds or Thresholds()
    every = [series(history, mode, q, thresholds=thresholds) for q in QUANTITIES for mode in history.mode_names]
    every = [one for one in every if len(one.day)]
    courses = [settle(one, chance=CHANCE, reference_climate=reference_climate) for one in every]
    for course in _not_enough(courses):
        k = courses.index(course)
        courses[k] = settle(course.series, chance=0.0, reference_climate=reference_climate)
    outlooks = [look_ahead(c, within=within) for c in courses if c.series.quantity == "frequency"]
    alarm = watch(history, thresholds=thresholds)
    return Following(
        history=history,
        courses=tuple(courses),
        outlooks=tuple(outlooks),
        alarm=alarm,
        thresholds=thresholds,
        summary=_summary(history, courses, outlooks, alarm),
        notes=tuple(
            dict.fromkeys((*history.notes, *thresholds.study_notes(history.mode_names), *_course_notes(courses)))
        ),
    )


def _course_notes(courses):
    """What is to be said of the courses, each once; of which modes, where it does not hold for all."""
    holds: dict[str, dict[str, None]] = {}
    for course in courses:
        for note in course.notes:
            holds.setdefault(note, {})[course.series.mode] = None
    n_modes = len({course.series.mode for course in courses})
    for note, modes in holds.items():
        yield note if len(modes) == n_modes else f"{listed(list(modes))}: {note}"


def _not_enough(courses) -> list[Course]:
    """The courses that look changed alone, but not among so many (Holm)."""
    judged = sorted((c for c in courses if isfinite(c.chance)), key=lambda c: c.chance)
    for k, course in enumerate(judged):
        if course.chance > CHANCE / (len(judged) - k):
            return [c for c in judged[k:] if c.changed]
    return []


def course_words(course: Course) -> str:
    """What can be said of one course, in one phrase."""
    if course.shape == CANNOT_TELL:
        return f"cannot tell: {FEWEST_SESSIONS} sessions are needed"
    if course.shape == NO_CHANGE:
        if not shows_much(course):
            return f"cannot tell whether it moved: a change of {_size(course.no_more_than)} could hide"
        return f"no slow change seen; one larger than {_size(course.no_more_than)} would have been"
    value, *ends = (100 * expm1(x) for x in (course.change.value, course.change.low, course.change.high))
    way, sign = ("rose", 1) if value > 0 else ("fell", -1)
    low, high = sorted(sign * end for end in ends)
    moved = f"{way} by {abs(value):.1f} % (95 %: {low:.1f} to {high:.1f})"
    if course.shape in (SETTLING, TWICE):
        tau = course.time_constant_days
        high = f"{tau.high:.0f}" if tau.high < inf else "open"
        more = ", then a slower one over years" if course.shape == TWICE else ""
        return f"{moved}, two thirds of it in {tau.value:.0f} days ({tau.low:.0f} to {high}){more}"
    if course.shape == DRIFT:
        return f"{moved}, not yet at rest"
    return f"{moved}; whether it comes to rest cannot be told yet"


def shows_much(course: Course) -> bool:
    """Whether a course without a change was read well enough to say so.

    Not when what it may hide lies beyond what every typical listener notices (the upper end of that range).
    """
    heard = getattr(Thresholds(), f"{course.series.quantity}_heard_typical").high
    return course.no_more_than <= log1p(heard)


def _size(change_log: float) -> str:
    size = 100 * expm1(change_log)
    return f"{size:.1f} %" if size < 10 else f"{size:.0f} %" if size < 100 else "any size"


def _moved(course: Course) -> str:
    """'air -2.6 ± 0.3 %': the change with the standard uncertainty that its 95 % interval stands for."""
    value, low, high = (100 * expm1(x) for x in (course.change.value, course.change.low, course.change.high))
    return f"{course.series.mode} {value:+.1f} ± {(high - low) / 3.92:.1f} %"


def _summary(history, courses, outlooks, alarm) -> tuple[str, ...]:
    """First whether it has settled or holds, and whether something looks loose; then each mode; then the alarm."""
    name, n = history.name, len(history.occasions)
    first, last = history.occasions[0].date, history.occasions[-1].date
    span = f"{n} session{'s' * (n != 1)} over {days_text((last - first).days)}"
    if all(c.shape == CANNOT_TELL for c in courses):
        few = f"{name}: too few sessions ({span}) to say whether it has settled; {FEWEST_SESSIONS} are needed."
        return (alarm.sentence, few) if alarm.signs else (few,)
    groups = ("still moving", "perhaps at rest", "at rest", "no change seen", "cannot tell whether it moved")
    told: dict[str, list[str]] = {group: [] for group in groups}
    longest = largest = 0.0
    for course, outlook in zip((c for c in courses if c.series.quantity == "frequency"), outlooks, strict=True):
        mode, wait, most = course.series.mode, outlook.wait_days, _size(course.no_more_than)
        if course.changed:
            group = "at rest" if wait.high == 0 else "still moving" if wait.low > 0 else "perhaps at rest"
            told[group].append(_moved(course))
            longest = max(longest, wait.high)
        elif course.shape == NO_CHANGE and shows_much(course):
            largest = max(largest, course.no_more_than)
            told["no change seen"].append(f"{mode} (one of {most} would have been)")
        else:
            few = course.shape == CANNOT_TELL
            told["cannot tell whether it moved"].append(
                f"{mode} (too few readings)" if few else f"{mode} (a change of {most} could hide)"
            )
    told = {group: found for group, found in told.items() if found}
    within = f"to within {100 * outlooks[0].within:g} %"
    if "still moving" in told:
        settled = f"has not settled {within} yet"
    elif "perhaps at rest" in told:
        settled = f"may have settled {within} already"
        settled += f", or will have in {days_text(longest)} at most" if longest < inf else ""
    elif "at rest" in told:
        settled = f"has settled {within}"
    elif alarm.signs:
        settled = ""
    else:
        settled = f"holds to within {_size(largest)}" if largest else "holds, or not: cannot tell"
    if "cannot tell whether it moved" in told and settled.startswith(("has settled", "holds to")):
        settled += ", as far as can be told"
    loose = _LOOSE[alarm.state]
    lead = f"{name}: {loose}{'; it ' * bool(settled)}{settled}." if alarm.signs else f"{name} {settled}; {loose}."
    modes = " ".join(f"{group.capitalize()}: {', '.join(found)}." for group, found in told.items())
    each = f"Since {first} ({span}), with the weather taken out. {modes}"
    damped = [_moved(c) for c in courses if c.series.quantity == "damping" and c.changed]
    more = [f"Damping of {listed(damped)}."] if damped else []
    return (lead, alarm.sentence, each, *more) if alarm.signs else (lead, each, *more, alarm.sentence)
