"""A guitar over time: in words, as plain data, and as a page."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape
from math import exp, inf, isfinite, sqrt

from .._text import one_line
from ..guitar.follow import Following, course_words
from ..guitar.forecast import Outlook, Settled, Start, days_text
from ..guitar.repeat_study import LEVELS, RepeatStudy
from ..guitar.settling import CANNOT_TELL as NOT_TOLD
from ..guitar.settling import Course, Interval
from ..guitar.shapes import SETTLING, TWICE
from ..shop.history import history_rows
from .data import picked
from .meanings import PLUS_MINUS, UNCERTAINTY
from .page import Page, box, bullets, file_word, identity_of, image, table
from .words import percent_text, text_table, with_error

COURSE_HEADINGS = ("Mode", "Last reading", "Weather taken out", "At rest (95 %)", "What is seen")
DAMPING_HEADINGS = ("Mode", "Last reading", "What is seen")
SLOPE_HEADINGS = ("Mode", "Weather", "Moves by", "Sessions scatter by")
MEANING = (
    PLUS_MINUS,
    "Values at rest, and all verdicts, are with the weather taken out: as the mode would stand in the mean climate of "
    "the sessions, and as after the last event (strings changed, set-up, repair) that was written down.",
    "“No slow change seen; one larger than x would have been”: smaller changes there may be, but these sessions cannot "
    "show them. More sessions make x smaller. Where x is so large that any listener would notice it, “cannot tell”.",
    "“Settling”: a change that slows down and comes to rest. “Drifting”: no slowing down is seen yet.",
    "The guitar's own answer to damp weather is used once six sessions across seasons show it; before that a usual one "
    "with its uncertainty (from memory). The guitar's own mass, when it is weighed each time, is the better witness.",
    "How far guitars settle, and what one is to watch for, is common practice without a published source. All of this "
    "was tested on simulated guitars only.",
    f"For those who check: {UNCERTAINTY}; two thirds of a settling take one time constant of an exponential; "
    "the chances of many modes are weighed together after Holm (1979).",
)
CARE = (
    "A sign is never a diagnosis. A loose brace, a crack, a lifting bridge, a loose tuner or a buzzing fret can look "
    "alike; ask a qualified repairer before you act.",
    "Strings stay under tension while you look: mind your eyes, and never slacken those of another's guitar.",
)
_WEATHER = {  # term of the weather: words, of which unit, how large that is there, the mean climate in words
    "moisture": ("moisture", "1 % of moisture in the wood", 1.0, "moisture of the wood {:.1f} %"),
    "mass": ("moisture, by the mass", "1 % of the guitar's mass", 1.0, "mass {:.0f} g"),
    "temperature": ("temperature", "1 °C", 1.0, "{:.1f} °C"),
    # speed of sound goes with the square root of absolute temperature, here 20 °C
    "sound": ("temperature of the air inside", "1 °C", 0.5 / 293.15, ""),
}


def settled_text(interval: Interval, *, unit: str = "Hz") -> str:
    """'196.1 Hz (195.2 to 197.0)'."""
    return f"{interval.value:.1f} {unit} ({interval.low:.1f} to {interval.high:.1f})"


def course_rows(following: Following) -> list[tuple[str, ...]]:
    """One row for the frequency of each mode, in the order of COURSE_HEADINGS."""
    rows = []
    for course, outlook in zip(following.of("frequency"), following.outlooks, strict=True):
        still = _value(course.corrected_log, course.corrected_log_u, unit="Hz")
        rest = NOT_TOLD if course.shape == NOT_TOLD else settled_text(outlook.settled_hz)
        rows.append((course.series.mode, _last(course, unit="Hz"), still, rest, course_words(course)))
    return rows


def damping_rows(following: Following) -> list[tuple[str, ...]]:
    """One row for the damping of each mode, in the order of DAMPING_HEADINGS."""
    return [(c.series.mode, _last(c, unit="%", factor=100), course_words(c)) for c in following.of("damping")]


def _last(course: Course, **unit) -> str:
    return _value(course.series.value_log, course.series.value_log_u, **unit)


def _value(value_log, u_log, *, unit, factor=1) -> str:
    """The last of some values, which are logarithms as their errors are."""
    value = factor * exp(float(value_log[-1]))
    return with_error(value, value * float(u_log[-1]), unit=unit)


def slope_rows(following: Following) -> list[tuple[str, ...]]:
    """What the weather does to each frequency, and what sessions scatter, in the order of SLOPE_HEADINGS."""
    rows = []
    for course in following.of("frequency"):
        fit = max(course.fits, key=lambda one: one.weight)
        for k, name in enumerate(course.weather.names, start=1):
            slope, u = fit.coefficients[fit.best, k], fit.covariance[fit.best, k, k] ** 0.5
            words, unit, size, _ = _WEATHER[name]
            moves = f"{100 * size * slope:+.2f} ± {100 * size * u:.2f} % for {unit}"
            rows.append((course.series.mode, words, moves, f"{100 * course.scatter:.2f} %"))
    return rows


def outlook_lines(following: Following) -> list[str]:
    """When modes will be near where they come to rest, those with the same outlook in one line."""
    groups: dict[str, list[str]] = {}
    for course, outlook in zip(following.of("frequency"), following.outlooks, strict=True):
        wait, near = outlook.wait_days, f"within {100 * outlook.within:g} % of rest"
        mode = course.series.mode
        if course.shape == NOT_TOLD:
            head = "Cannot tell, too few sessions"
        elif wait.high == 0:
            head = f"Already {near}"
        elif wait.high == inf:
            head = f"Not yet to be told when they will be {near}"
        else:
            seen = course.shape in (SETTLING, TWICE)
            head = f"{near.capitalize()} after, from the last reading on ({100 * wait.coverage:.0f} %)"
            head += "" if seen else "; no settling was seen, so much is only left possible"
            least = f"{days_text(wait.low)} to" if wait.low > 0 else "at most"
            mode += f" {least} {days_text(wait.high)}"
        groups.setdefault(head, []).append(mode)
    return [f"{head}: {', '.join(modes)}." for head, modes in groups.items()]


def read_table(following: Following) -> tuple[tuple[str, ...], list[tuple[str, ...]]]:
    """What was read, as it is: headings and a row for each mode, a column for each session."""
    occasions = following.history.occasions
    rows = [
        (mode, *(_reading_text(occasion.modes.get(mode)) for occasion in occasions))
        for mode in following.history.mode_names
    ]
    return ("Mode", *(occasion.date.isoformat() for occasion in occasions)), rows


def _reading_text(mode) -> str:
    if mode is None:
        return "not read"
    frequency = with_error(mode.frequency_hz, mode.frequency_u_hz, unit="Hz")
    return f"{frequency}; {percent_text(mode)}" if isfinite(mode.damping_ratio) else frequency


def climate_line(following: Following) -> str:
    """The reference climate in words."""
    parts: dict[str, None] = {}
    for course in following.of("frequency"):
        for name, value in course.weather.reference:
            if _WEATHER[name][3]:
                parts[_WEATHER[name][3].format(value)] = None
    return f"Brought to the mean of the sessions: {', '.join(parts)}." if parts else "No climate was written down."


def following_text(following: Following) -> str:
    """All of it for the terminal; with too few sessions what was read, and no more."""
    parts = [*map(one_line, following.summary), ""]
    if following.too_few:
        parts += ["Frequency and damping ratio, as read", text_table(*read_table(following))]
        return "\n".join([*parts, *(f"- {one_line(note)}" for note in following.history.notes)])
    parts += [text_table(COURSE_HEADINGS, course_rows(following)), "", "Damping"]
    parts += [text_table(DAMPING_HEADINGS, damping_rows(following)), "", "Looking ahead"]
    parts += [f"- {one_line(line)}" for line in outlook_lines(following)]
    parts += ["", climate_line(following)]
    parts += [f"- {one_line(note)}" for note in following.notes]
    return "\n".join(parts)


def following_data(following: Following) -> dict:
    """All of it as plain data; times in days, changes as natural logarithms of a ratio."""
    return {
        "name": following.history.name,
        "summary": list(following.summary),
        "courses": [_course_data(course) for course in following.courses],
        "outlooks": [_outlook_data(outlook) for outlook in following.outlooks],
        "alarm": {
            "state": following.alarm.state,
            "sentence": following.alarm.sentence,
            "signs": [picked(sign, "mode what size chance") for sign in following.alarm.signs],
        },
        "events": [{"date": e.date.isoformat(), "kind": e.kind, "note": e.note} for e in following.history.events],
        "readings": history_rows(following.history),
        "notes": list(following.notes),
        "version": following.version,
    }


def _interval_data(interval: Interval) -> dict:
    ends = {"value": interval.value, "low": interval.low, "high": interval.high}
    return {**{key: None if value == inf else value for key, value in ends.items()}, "coverage": interval.coverage}


def _course_data(course: Course) -> dict:
    return {
        **picked(course.series, "mode quantity day value_log"),
        **picked(course, "shape chance scatter corrected_log corrected_log_u notes"),
        "change_log": _interval_data(course.change),
        "no_more_than_log": course.no_more_than,
        "settled_log": _interval_data(course.settled_log),
        "time_constant_days": _interval_data(course.time_constant_days),
    }


def _outlook_data(outlook: Outlook) -> dict:
    return {
        **picked(outlook, "within sentence"),
        "settled_hz": _interval_data(outlook.settled_hz),
        "wait_days": _interval_data(outlook.wait_days),
    }


def following_page(following: Following) -> Page:
    """The report: what is seen, the pictures as read and corrected, the tables, and what to mind.

    With too few sessions: what was read, and no more.
    """
    from .plots.history import plot_following

    name, notes = following.history.name, following.notes
    kind = "caution" if following.alarm.signs else "short"
    parts = [box(following.summary, kind=kind)]
    if following.too_few:
        notes = following.history.notes
        parts += ["<h2>Frequency and damping ratio, as read</h2>", table(*read_table(following)), bullets(notes)]
    else:
        alt = "as read on the left and without weather and events on the right, with 95 % bars"
        parts += [
            image(plot_following(following), f"Frequency of each mode of {name}, {alt}. {' '.join(following.summary)}"),
            "<h2>Mode by mode</h2>",
            table(COURSE_HEADINGS, course_rows(following)),
            "<h2>Looking ahead</h2>",
            bullets(outlook_lines(following)),
            "<h2>Damping</h2>",
            table(DAMPING_HEADINGS, damping_rows(following)),
            image(plot_following(following, "damping"), f"Damping of each mode of {name}, {alt}"),
            "<h2>Weather</h2>",
            f"<p>{escape(climate_line(following))}</p>",
            table(SLOPE_HEADINGS, slope_rows(following)),
            *(["<h2>What this rests on</h2>", bullets(notes)] if notes else []),
            "<h2>Before you act</h2>",
            f'<div class="caution">{bullets(CARE)}</div>',
            "<h2>What the figures mean</h2>",
            bullets(MEANING),
        ]
    stem, identity = f"{file_word(name)}_over_time", identity_of("history", name)
    return Page(f"{name} over time", "\n".join(parts), stem, identity, following.version, done=f"Followed {name}")


REPEAT_HEADINGS = ("What is new", "Frequency", "Damping", "Smallest change seen, frequency", "damping")
_NEW = {
    "operator": "another person, another day",
    "day": "another day",
    "hanging": "hung up again",
    "reading": "nothing touched",
}


def repeat_rows(study: RepeatStudy) -> list[tuple[str, ...]]:
    """Scatter of one reading, and the smallest change between two, when all down to some level is new."""
    rows = []
    for level in LEVELS:
        if level not in [c.level for c in study.frequency]:
            continue
        cells = [_NEW[level]]
        for quantity in ("frequency", "damping"):
            sd, dof = study.scatter(quantity, level)
            # the standard uncertainty of a scatter: JCGM 100:2008, E.4.3, from memory
            u = sd / sqrt(2 * dof) if dof > 0 else inf
            cells.append(with_error(100 * sd, 100 * u, unit="%"))
        cells += [f"{100 * study.smallest_change(q, level):.2g} %" for q in ("frequency", "damping")]
        rows.append(tuple(cells))
    return rows


def repeat_text(study: RepeatStudy) -> str:
    """The repeat study for the terminal."""
    head = f"{study.words[:1].upper()}{study.words[1:]}"
    parts = [f"{one_line(head)}: {study.n_readings} readings of {', '.join(study.modes)}", ""]
    parts += [text_table(REPEAT_HEADINGS, repeat_rows(study)), ""]
    return "\n".join([*parts, *(f"- {note}" for note in (*filter(None, [study.too_small]), *study.notes))])


def start_page(mode: str, start: Start, guitars: Sequence[Settled]) -> Page:
    """The report of looking back: where a new guitar must start, and what that rests on."""
    from .plots.history import plot_falls

    rows = [(g.name, f"{-100 * g.fall_log:+.1f} ± {100 * g.fall_log_u:.1f} %") for g in guitars]
    rows.append(("a new guitar, expected", f"{-100 * start.fall_log:+.1f} ± {100 * start.fall_log_u:.1f} %"))
    parts = [
        box([start.sentence]),
        image(plot_falls(start, guitars), f"How far {mode} moves from the first session to rest. {start.sentence}"),
        f"<h2>How far {escape(mode)} settles</h2>",
        table(("Guitar", "From its first session to rest"), rows),
        bullets(
            (
                "Strings, bracing and wood all change how far a guitar settles: take guitars built alike, each read "
                "first at the same age.",
                "The first session of each guitar is its start. If it was strung long before, it had settled already.",
            )
        ),
    ]
    title, identity = f"Where a new guitar must start: {mode}", identity_of("start", mode, start, guitars)
    return Page(title, "\n".join(parts), f"{file_word(mode)}_start", identity)
