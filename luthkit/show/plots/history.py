"""Pictures of a guitar over time: as read on the left, with weather and events taken out on the right."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import timedelta

import numpy as np

from ...guitar.follow import Following
from ...guitar.forecast import Settled, Start
from ...guitar.settling import Course, band
from .common import BUILD, FAINT, REFERENCE, bare, date_axis, new_axes, new_figure, plain

_SCALE = {"frequency": (1.0, "frequency in Hz"), "damping": (100.0, "damping in %")}


def plot_readings(course: Course, *, ax=None):
    """The readings of one mode as they are, with 95 % bars of the reading alone, and the logged events."""
    ax = ax if ax is not None else new_axes(height=3.4)
    _points(ax, course, course.series.value_log, course.series.value_log_u, face="white")
    _dress(ax, course, "as read")
    return ax


def plot_course(course: Course, *, ax=None):
    """The readings without weather and events, their course with its 95 % band, and where it comes to rest.

    Bars are 95 % intervals and hold the reading, what sessions scatter, and the correction.
    """
    ax = ax if ax is not None else new_axes(height=3.4)
    scale = _SCALE[course.series.quantity][0]
    last = course.series.day[-1]
    day = np.unique(np.concatenate([np.geomspace(1, max(last, 2), 60) - 1, np.linspace(0, last, 60)]))
    middle, low, high = (scale * np.exp(x) for x in band(course, day))
    dates = [course.series.first_date + timedelta(days=float(d)) for d in day]
    ax.fill_between(dates, low, high, color=BUILD, alpha=0.16, linewidth=0, label="course, 95 % band", zorder=1)
    ax.plot(dates, middle, color=BUILD, linewidth=1.5, zorder=2)
    rest = course.settled_log
    end = course.series.first_date + timedelta(days=float(last) * 1.04 + 3)
    ax.errorbar(
        [end],
        [scale * np.exp(rest.value)],
        yerr=scale * np.array([[np.exp(rest.value) - np.exp(rest.low)], [np.exp(rest.high) - np.exp(rest.value)]]),
        fmt="D",
        color=REFERENCE,
        markersize=6,
        capsize=4,
        label=f"at rest, {100 * rest.coverage:.0f} % band",
        zorder=4,
    )
    _points(ax, course, course.corrected_log, course.corrected_log_u, face=BUILD)
    _dress(ax, course, "weather and events taken out")
    return ax


def plot_following(following: Following, quantity: str = "frequency", *, figure=None):
    """Every mode of one guitar, as read and corrected side by side on one scale. Returns the Axes, row by row."""
    courses = following.of(quantity)
    figure = figure or new_figure(width=8.6, height=1.2 + 2.1 * len(courses))
    grid = figure.subplots(len(courses), 2, sharex=True, sharey="row", squeeze=False)
    for course, (left, right) in zip(courses, grid, strict=True):
        plot_readings(course, ax=left)
        plot_course(course, ax=right)
        right.set_ylabel("")
    for ax in grid[:-1].ravel():
        ax.tick_params(labelbottom=False)
    _scale_by_readings(grid, courses)
    handles, labels = grid[0, 1].get_legend_handles_labels()
    known = dict(zip(labels, handles, strict=True))
    lines, words = grid[0, 0].get_legend_handles_labels()
    known.update({word: line for word, line in zip(words, lines, strict=True) if word not in known})
    figure.legend(known.values(), known.keys(), loc="outside lower left", ncols=2, fontsize=10, frameon=False)
    what = "frequency" if quantity == "frequency" else "damping"
    figure.suptitle(f"{plain(following.history.name, longest=80)}: {what} over time", fontsize=14, x=0.01, ha="left")
    return tuple(grid.ravel())


def _points(ax, course, value_log, u_log, *, face):
    scale = _SCALE[course.series.quantity][0]
    value = np.exp(value_log)
    bars = scale * np.array([value - np.exp(value_log - 1.96 * u_log), np.exp(value_log + 1.96 * u_log) - value])
    words = "as read, 95 % bars of the reading" if face == "white" else "corrected, 95 % bars with all errors"
    dates = [course.series.first_date + timedelta(days=float(d)) for d in course.series.day]
    look = {"fmt": "o", "color": BUILD, "markerfacecolor": face, "markersize": 5, "capsize": 2, "elinewidth": 1}
    ax.errorbar(dates, scale * value, yerr=bars, label=words, zorder=3, **look)


def _dress(ax, course, what):
    series = course.series
    for day, note in series.steps:
        if 0 <= day <= series.day[-1]:
            date = series.first_date + timedelta(days=day)
            ax.axvline(date, color=FAINT, linestyle="--", linewidth=1, zorder=0)
            ax.annotate(
                plain(note), (date, 1.0), xycoords=("data", "axes fraction"), xytext=(3, -10),
                textcoords="offset points", fontsize=9, color=FAINT,
            )  # fmt: skip
    ax.set_title(f"{plain(series.mode)}, {what}", fontsize=10, loc="left")
    ax.set_ylabel(_SCALE[series.quantity][1])
    date_axis(ax)
    bare(ax, grid="y")


def _scale_by_readings(grid, courses):
    """Rows as high as readings and their bars; a band that is wider runs out of the picture and says so by that."""
    for course, (left, _) in zip(courses, grid, strict=True):
        scale = _SCALE[course.series.quantity][0]
        read, read_u = course.series.value_log, 2 * course.series.value_log_u
        still, still_u = course.corrected_log, 2 * course.corrected_log_u
        rest = [course.settled_log.low, course.settled_log.high]
        values = scale * np.exp(np.concatenate([read - read_u, read + read_u, still - still_u, still + still_u, rest]))
        margin = 0.08 * np.ptp(values)
        left.set_ylim(values.min() - margin, values.max() + margin)


def plot_falls(start: Start, guitars: Sequence[Settled], *, ax=None):
    """How far each guitar moved from its first session to rest, and what a new one is expected to do; 95 % bars."""
    ax = ax if ax is not None else new_axes(height=1.6 + 0.45 * (len(guitars) + 1))
    rows = [(g.name, g.fall_log, g.fall_log_u, BUILD, "o") for g in guitars]
    rows.append(("a new guitar", start.fall_log, start.fall_log_u, REFERENCE, "D"))
    for k, (_, fall, u, color, marker) in enumerate(rows):
        ax.errorbar([-100 * fall], [k], xerr=[196 * u], fmt=marker, color=color, capsize=4, markersize=7)
    ax.axvline(0, color="black", linewidth=0.8, zorder=0)
    ax.set_yticks(range(len(rows)), [plain(row[0]) for row in rows])
    ax.set_ylim(len(rows) - 0.5, -0.5)
    ax.set_xlabel("change from the first session to rest, in %, 95 % bars")
    bare(ax)
    return ax
