"""Pictures of a comparison: spectra one over the other, and the differences mode by mode.

A verdict is shown by shape as well as by colour.
"""

from __future__ import annotations

from math import isfinite, log, log1p

from ...guitar.comparison import Comparison, instrument_names
from ...guitar.thresholds import OWN
from ...guitar.verdicts import CANNOT_TELL, HEARD, IN_RANGE, OPEN, UNHEARD, WITHIN, listed
from .common import (
    BUILD,
    DASHES,
    LEGEND_ABOVE,
    REFERENCE,
    WINE,
    frequency_axis,
    new_axes,
    new_figure,
    number_beside,
    plain,
)
from .modes import level_axis, mode_lines, plot_spectrum, spectrum_levels

VERDICT_STYLES = {  # marker, face, edge
    WITHIN: ("o", "white", BUILD),
    IN_RANGE: ("o", "#BFDDF0", BUILD),
    UNHEARD: ("s", BUILD, BUILD),
    OPEN: ("D", "white", WINE),
    HEARD: ("D", WINE, WINE),
    CANNOT_TELL: ("X", "#B0B0B0", "#555555"),
}
_DAMPING_TICKS = (-75, -50, -30, -15, 0, 20, 50, 100, 200, 400)


def plot_spectra(comparison: Comparison, *, ax=None):
    """Build and references overlaid, each against its own highest point, with the paired modes numbered."""
    ax = ax if ax is not None else new_axes(height=4.6)
    levels = []
    for k, reference in enumerate(comparison.references):
        if reference.spectrum is not None:
            plot_spectrum(reference, ax=ax, color=REFERENCE, dashes=DASHES[k % len(DASHES)], noise=False)
            levels.append(spectrum_levels(reference)[1])
    if comparison.build.spectrum is not None:
        plot_spectrum(comparison.build, ax=ax, color=BUILD)
        levels += [part for part in spectrum_levels(comparison.build)[1:] if part is not None]
    level_axis(ax, levels)
    for pair in comparison.pairs:
        low, high = pair.reference.frequency_low_hz, pair.reference.frequency_high_hz
        ax.axvspan(low, max(high, low * 1.001), color=REFERENCE, alpha=0.22, linewidth=0, zorder=1)
    mode_lines(ax, [pair.build for pair in comparison.pairs])
    frequency_axis(ax)
    if levels:
        ax.legend(**LEGEND_ABOVE)
    return ax


def plot_differences(comparison: Comparison, quantity: str = "frequency", *, ax=None):
    """Mode by mode, build against reference: the difference with its 95 % bar over what may happen by chance
    (grey) and what listeners notice (dotted: the best; dashed: typical). Brown: the range of the references.
    """
    ax = ax if ax is not None else new_axes(height=3.4)
    limits = comparison.thresholds
    cents = quantity == "frequency"
    # damping is drawn as the logarithm of the ratio, and labelled in percent
    unit = 1200 / log(2) if cents else 1.0

    def place(value):
        return value if cents else log1p(max(value, -99.9) / 100)

    repeat = limits.repeat_limit_cents() if cents else limits.repeat_limit_log()
    ax.axhspan(-repeat, repeat, color="#DDDDDD", zorder=0, linewidth=0)
    for who, style in (("best", ":"), ("typical", "--")):
        heard = unit * log1p(getattr(limits, f"{quantity}_heard_{who}").value)
        for sign in (-1, 1):
            ax.axhline(sign * heard, color=WINE, linestyle=style, linewidth=1, zorder=1)
    ax.axhline(0, color="black", linewidth=0.8, zorder=1)
    reach = max(2.2 * repeat, 1.5 * heard)
    for pair in comparison.pairs:
        d = getattr(pair, quantity)
        ends = [place(v) for v in (d.low, d.high, d.range_low, d.range_high, d.value) if isfinite(v)]
        reach = max([reach, *(1.12 * abs(v) for v in ends)])
    reach = min(reach, 250.0 if cents else log(6))
    ax.set_ylim(-reach, reach)
    for number, pair in enumerate(comparison.pairs, start=1):
        d = getattr(pair, quantity)
        x, y = pair.build.frequency_hz, place(d.value)
        if len(pair.reference.members) > 1:
            ends = [place(d.range_low), place(d.range_high)]
            ax.plot([x, x], ends, color=REFERENCE, alpha=0.4, linewidth=9, solid_capstyle="butt", zorder=2)
        marker, face, edge = VERDICT_STYLES[d.verdict]
        bars = [[y - place(d.low)], [place(d.high) - y]] if isfinite(d.u) else None
        look = {"fmt": marker, "color": edge, "markerfacecolor": face, "markersize": 7}
        ax.errorbar(x, y, yerr=bars, capsize=3, elinewidth=1.4, zorder=4, **look)
        number_beside(ax, x, y, number)
    ax.set_ylabel("frequency,\ncents from reference" if cents else "damping,\n% from reference")
    if not cents:
        shown = [tick for tick in _DAMPING_TICKS if abs(place(tick)) <= reach and not 0 < abs(tick) < 25 * reach]
        ax.set_yticks([place(tick) for tick in shown], [f"{tick:+d}" if tick else "0" for tick in shown])
    frequency_axis(ax)
    return ax


def plot_comparison(comparison: Comparison, *, figure=None):
    """The picture for the wall: spectra above, under each peak its difference in frequency and damping.

    Returns the three Axes, from top to bottom; their figure is `axes[0].figure`.
    """
    figure = figure or new_figure(width=9.2, height=9.4)
    axes = figure.subplots(3, 1, sharex=True, height_ratios=(1.45, 1, 1))
    plot_spectra(comparison, ax=axes[0])
    plot_differences(comparison, "frequency", ax=axes[1])
    plot_differences(comparison, "damping", ax=axes[2])
    for ax in axes[:2]:
        ax.set_xlabel("")
        ax.tick_params(labelbottom=True)
    names = instrument_names(comparison.build, comparison.references)
    title = plain(f"{names[0]} beside {listed(names[1:])}", longest=110)
    figure.suptitle(title, fontsize=14, x=0.01, ha="left")
    key = _verdict_key(comparison)
    figure.legend(handles=key, loc="outside lower left", ncols=3, fontsize=9, frameon=False)
    return tuple(axes)


def verdict_marks(verdicts) -> list:
    """For a legend: the mark of each of these verdicts, each once, in their usual order."""
    from matplotlib.lines import Line2D

    used = set(verdicts)
    return [
        Line2D([], [], marker=marker, color=edge, markerfacecolor=face, linestyle="-", label=verdict)
        for verdict, (marker, face, edge) in VERDICT_STYLES.items()
        if verdict in used
    ]


def _verdict_key(comparison):
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    key = verdict_marks(getattr(p, q).verdict for p in comparison.pairs for q in ("frequency", "damping"))
    limits = comparison.thresholds
    source = "your repeat study" if limits.scatter("frequency").source == OWN else "planning value"
    key.append(Patch(color="#DDDDDD", label=f"one guitar read twice, {limits.setting} ({source})"))
    key.append(Line2D([], [], color=WINE, linestyle=":", label="the best listeners begin to notice"))
    key.append(Line2D([], [], color=WINE, linestyle="--", label="typical listeners begin to notice"))
    if len(comparison.references) > 1:
        key.append(Patch(color=REFERENCE, alpha=0.4, label="range of the references"))
    return key
