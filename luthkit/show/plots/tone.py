"""Pictures of strums and plucks: third octaves, brightness over time, decays of partials, differences."""

from __future__ import annotations

from math import isfinite, log

import numpy as np

from ...guitar.played import ToneReading
from ...guitar.tone_comparison import ToneComparison, ToneDifference
from .common import BUILD, DASHES, FAINT, LEGEND_ABOVE, REFERENCE, bare, new_axes, new_figure, plain
from .comparison import VERDICT_STYLES, verdict_marks

_STRINGS = ("#0072B2", "#9A4B00", "#007F5C", "#882255", "#6B6B6B", "#B8860B")
_MARKS = ("o", "s", "^", "D", "v", "P")


def plot_third_octaves(readings, *, ax=None):
    """Level of each third octave against the whole stroke, mean over the strums of each reading with 95 % bars;
    the first is the build, in blue."""
    ax = ax if ax is not None else new_axes(height=4.2)
    mids = []
    for k, reading in enumerate(readings):
        if not reading.strums:
            continue
        mid_hz = reading.strums[0].bands.mid_hz
        levels = np.array([tone.relative_db for tone in reading.strums if tone.bands.mid_hz.size == mid_hz.size])
        mean, reach = _mean_and_reach(levels)
        shown = np.isfinite(mean) & (mean > -60)
        shift = 10 ** (0.008 * (k - 0.5 * (len(readings) - 1)))  # side by side, so that no bar hides another
        style = {"color": BUILD if k == 0 else REFERENCE, "linestyle": DASHES[k % len(DASHES)]}
        ax.errorbar(
            mid_hz[shown] * shift, mean[shown], yerr=reach[shown], marker=_MARKS[k % 6], markersize=5, linewidth=1.4,
            elinewidth=1.2, capsize=2, label=f"{plain(reading.name)} ({len(levels)} strums)", **style,
        )  # fmt: skip
        mids.append(mid_hz[shown])
    _band_axis(ax, np.concatenate(mids) if mids else np.array([100.0, 1000.0]))
    ax.set_ylabel("level against the whole\nstrum in dB")
    ax.legend(**LEGEND_ABOVE)
    return ax


def plot_centroids(readings, *, ax=None, longest_s: float = 3.0):
    """The centroid of each strum over time (thin), and the settled mean of each reading with its 95 % band."""
    ax = ax if ax is not None else new_axes(height=3.4)
    for k, reading in enumerate(readings):
        color = BUILD if k == 0 else REFERENCE
        for number, tone in enumerate(reading.strums):
            track = tone.centroid
            shown = (track.time_s <= longest_s) & (track.time_s > 0.03)
            label = plain(reading.name) if number == 0 else None
            line = DASHES[k % len(DASHES)]
            ax.plot(
                track.time_s[shown], track.centroid_hz[shown], color=color, linewidth=0.9, linestyle=line,
                alpha=0.75, label=label,
            )  # fmt: skip
        if not reading.strums:
            continue
        mean, reach = _mean_and_reach(np.array([[tone.centroid.settled_hz] for tone in reading.strums]))
        low, high = reading.strums[0].centroid.settled_from_s, reading.strums[0].centroid.settled_to_s
        ax.plot([low, high], [mean[0], mean[0]], color=color, linewidth=2.5)
        if isfinite(reach[0]):
            ax.fill_between([low, high], mean[0] - reach[0], mean[0] + reach[0], color=color, alpha=0.15, linewidth=0)
    ax.set_yscale("log")
    seen = [y for line in ax.lines for y in line.get_ydata() if isfinite(y)]
    _plain_ticks(ax.yaxis, (100, 150, 200, 300, 400, 600, 800, 1000, 1500, 2000, 3000, 4000))
    ax.set_ylim(min(seen, default=100) / 1.15, max(seen, default=1000) * 1.15)
    ax.set_xlim(0, longest_s)
    ax.set_xlabel("time after the stroke in s")
    ax.set_ylabel("brightness in Hz\n(middle of the spectrum)")
    bare(ax, grid="both")
    ax.legend(**LEGEND_ABOVE)
    return ax


def plot_partials(reading: ToneReading, *, ax=None):
    """Decay time of every partial of every string: filled, how it begins; open, what rings longest; 95 % bars."""
    ax = ax if ax is not None else new_axes(height=4.2)
    for k, (string, plucks) in enumerate(reading.by_string.items()):
        color, mark, first = _STRINGS[k % 6], _MARKS[k % 6], True
        for pluck in plucks:
            for partial in pluck.note.partials:
                for line in dict.fromkeys((partial.early, partial.late)):
                    if line is None or not line.decay_time_u_s < 0.5 * line.decay_time_s:
                        continue
                    ax.errorbar(
                        line.frequency_hz, line.decay_time_s, yerr=_log_bar(line), color=color, marker=mark,
                        markerfacecolor=color if line is partial.early else "white", markersize=6, elinewidth=1.0,
                        linestyle="none", label=string if first else None,
                    )  # fmt: skip
                    first = False
    _band_axis(ax, np.array([75.0, 5000.0]))
    ax.set_yscale("log")
    _plain_ticks(ax.yaxis, (0.2, 0.5, 1, 2, 5, 10, 20, 50))
    ax.annotate(
        "filled: how it begins to die away   open: what rings longest", (0.01, 0.03), xycoords="axes fraction",
        fontsize=9, color=FAINT,
    )  # fmt: skip
    ax.set_ylabel("time to fall by 60 dB in s")
    ax.legend(**{**LEGEND_ABOVE, "ncols": 6})
    return ax


def plot_tone(reading: ToneReading):
    """All of one guitar, as far as it was recorded: third octaves and centroid of strums, partials of plucks."""
    heights = [4.0, 3.2] * bool(reading.strums) + [4.2] * bool(reading.plucks)
    figure = new_figure(width=8, height=sum(heights))
    axes = list(np.atleast_1d(figure.subplots(len(heights), gridspec_kw={"height_ratios": heights})))
    if reading.strums:
        plot_third_octaves((reading,), ax=axes[0])
        plot_centroids((reading,), ax=axes[1])
    if reading.plucks:
        plot_partials(reading, ax=axes[-1])
    return axes[0]


def plot_tone_differences(differences: tuple[ToneDifference, ...], thresholds, *, ax=None):
    """Each measure's difference with its 95 % bar, in units of what a listener begins to notice (1: the dashed
    lines). The mark shows the verdict, as in the comparison of modes."""
    ax = ax if ax is not None else new_axes(height=0.8 + 0.42 * len(differences))
    for row, d in enumerate(differences):
        marker, face, edge = VERDICT_STYLES[d.verdict]
        unit = _noticed(d, thresholds)
        value, low, high = (_scaled(d, x) / unit for x in (d.value, d.low, d.high))
        if not isfinite(value):
            ax.annotate("not read on both", (0, row), fontsize=9, color=FAINT, ha="center", va="center")
            continue
        if isfinite(low):
            ax.plot([low, high], [row, row], color=edge, linewidth=1.6, zorder=3)
        ax.plot([value], [row], marker=marker, markersize=8, markerfacecolor=face, markeredgecolor=edge, zorder=4)
    ax.axvspan(-1, 1, color="#EFEFEF", linewidth=0, zorder=0)
    for x in (-1, 1):
        ax.axvline(x, color=FAINT, linestyle="--", linewidth=1.0, zorder=1)
    ax.axvline(0, color=FAINT, linewidth=0.8, zorder=1)
    reach = max(2.5, *(abs(v) for v in ax.get_xlim()))
    ax.set_xlim(-min(reach, 8), min(reach, 8))
    ax.set_ylim(len(differences) - 0.4, -0.6)
    ax.set_yticks(range(len(differences)), [f"{d.measure}  {_told(d)}" for d in differences])
    words = "build against reference, in steps that a typical\nlistener begins to notice (grey: not heard)"
    ax.set_xlabel(words, x=1, ha="right")
    ax.legend(handles=verdict_marks(d.verdict for d in differences), **LEGEND_ABOVE)
    bare(ax, grid="both")
    return ax


def plot_tone_comparison(comparison: ToneComparison):
    """Third octaves and centroid of both guitars, and the differences of their strums."""
    pair = (comparison.build, comparison.reference)
    if not comparison.strums:
        rows = [(name, d) for name, found in comparison.plucks for d in found]
        return plot_tone_differences(tuple(d for _, d in rows), comparison.thresholds)
    heights = (3.8, 3.2, 0.9 + 0.36 * len(comparison.strums))
    figure = new_figure(width=8, height=sum(heights))
    octaves, centroids, differences = figure.subplots(3, gridspec_kw={"height_ratios": heights})
    plot_third_octaves(pair, ax=octaves)
    plot_centroids(pair, ax=centroids)
    plot_tone_differences(comparison.strums, comparison.thresholds, ax=differences)
    return octaves


# ---- shared ------


def _mean_and_reach(levels):
    """Mean over rows, and half of its 95 % interval (Student's t); NaN with fewer than two."""
    from scipy.special import stdtrit

    known = np.isfinite(levels)
    n = known.sum(axis=0)
    filled = np.where(known, levels, 0.0)
    mean = np.where(n > 0, filled.sum(axis=0) / np.maximum(n, 1), np.nan)
    spread = np.sqrt((np.where(known, levels - mean, 0.0) ** 2).sum(axis=0) / np.maximum(n - 1, 1))
    reach = np.where(n > 1, stdtrit(np.maximum(n - 1, 1), 0.975) * spread / np.sqrt(np.maximum(n, 1)), np.nan)
    return mean, reach


def _log_bar(line):
    """95 % of a decay time below and above it; the lower end stays above 0."""
    up = 2 * line.decay_time_u_s
    down = line.decay_time_s * (1 - 1 / (1 + up / line.decay_time_s))
    return [[down], [up]]


def _noticed(d, thresholds) -> float:
    """What a listener begins to notice, on the scale the difference is drawn on."""
    heard = getattr(thresholds, d.limit).value
    return heard if d.unit == "dB" else log(1 + heard)


def _scaled(d, value) -> float:
    return value if d.unit == "dB" else log(1 + value / 100) if value > -100 else float("nan")


def _told(d) -> str:
    if not isfinite(d.value):
        return ""
    places = 1 if d.unit == "dB" else 0
    return f"{round(d.value, places) + 0.0:+.{places}f} {d.unit}"  # + 0.0: no "-0"


def _band_axis(ax, mids):
    ax.set_xscale("log")
    ax.set_xlim(min(mids) / 1.12, max(mids) * 1.12)
    _plain_ticks(ax.xaxis, (50, 100, 200, 500, 1000, 2000, 5000, 10_000))
    ax.set_xlabel("frequency in Hz")
    bare(ax, grid="both")


def _plain_ticks(axis, values):
    from matplotlib.ticker import FixedLocator, NullLocator

    axis.set_major_locator(FixedLocator(values))
    axis.set_minor_locator(NullLocator())
    axis.set_ticks(values, [f"{value:g}" for value in values])
