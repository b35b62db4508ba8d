"""Pictures: each takes the Axes to draw on, or makes its own, and gives the Axes back.

Build is blue, references are brown and told apart by their dashes. A verdict is shown by shape as well as by
colour, so nothing rests on colour alone. Colours: Okabe & Ito, Color Universal Design (2008), and wine
from Tol's schemes (2021), both from memory. Uncertainty is always drawn: bars are 95 % intervals.
"""

from __future__ import annotations

import warnings
from io import BytesIO
from math import isfinite, log, log1p

import numpy as np

from ..guitar.comparison import Comparison, instrument_names
from ..guitar.verdicts import CANNOT_TELL, COVERAGE, HEARD, IN_RANGE, UNHEARD, WITHIN, listed
from ..signal.modes import ModeSet

BAND_HZ = (60.0, 1000.0)
BUILD = "#0072B2"
REFERENCE = "#9A4B00"
NOISE = "#8C8C8C"
FAINT = "#6B6B6B"
DASHES = ("-", (0, (6, 2)), (0, (6, 2, 1, 2)), (0, (2, 1.5)), (0, (1, 1)))
KIND_MARKERS = {"body": "o", "room": "s", "string": "|"}
VERDICT_STYLES = {  # marker, face, edge
    WITHIN: ("o", "white", BUILD),
    IN_RANGE: ("o", "#BFDDF0", BUILD),
    UNHEARD: ("s", BUILD, BUILD),
    HEARD: ("D", "#882255", "#882255"),
    CANNOT_TELL: ("X", "#B0B0B0", "#555555"),
}
_LEGEND_ABOVE = {
    "loc": "lower left",
    "bbox_to_anchor": (0, 1.0),
    "fontsize": 9,
    "frameon": False,
    "ncols": 4,
    "borderaxespad": 0.2,
}
_TICKS_HZ = (60, 80, 100, 150, 200, 300, 400, 500, 600, 800, 1000)
_DAMPING_TICKS = (-75, -50, -30, -15, 0, 20, 50, 100, 200, 400)


def plot_spectrum(modeset: ModeSet, *, ax=None, color=BUILD, dashes="-", noise=True):
    """The averaged tap spectrum, 0 dB = its highest point, over the noise before the taps."""
    ax = ax if ax is not None else _new_axes(height=4.2)
    frequency, level, floor = spectrum_levels(modeset)
    name = plain(modeset.name or "instrument")
    ax.plot(frequency, level, color=color, linestyle=dashes, linewidth=1.5, label=name, zorder=3)
    drawn = [level]
    if noise and floor is not None:
        words = f"noise before the taps, {name.lstrip()}"
        ax.plot(frequency, floor, color=NOISE, linestyle=dashes, linewidth=0.8, label=words)
        drawn.append(floor)
    _level_axis(ax, drawn)
    _frequency_axis(ax)
    ax.legend(**_LEGEND_ABOVE)
    return ax


def plot_modes(modeset: ModeSet, *, ax=None):
    """Q of each mode over its frequency, with 95 % bars both ways and the two second opinions beside it."""
    ax = ax if ax is not None else _new_axes(height=4.2)
    for kind, words in (("body", "body mode"), ("room", "perhaps the room"), ("string", "a string")):
        chosen = [mode for mode in modeset.modes if mode.kind == kind]
        if not chosen:
            continue
        ax.errorbar(
            [mode.frequency_hz for mode in chosen],
            [mode.q_factor for mode in chosen],
            xerr=[_bar(mode.frequency_u_hz) for mode in chosen],
            yerr=np.array([_q_bars(mode) for mode in chosen]).T,
            fmt=KIND_MARKERS[kind],
            markersize=7,
            color=BUILD if kind == "body" else FAINT,
            markerfacecolor=BUILD if kind == "body" else "white",
            elinewidth=1.4,
            capsize=3,
            label=f"{words}, 95 % bars",
            zorder=4,
        )
    for method, marker, shift in (("peak width", "_", 0.988), ("band decay", "x", 1.012)):
        points = [
            (mode.frequency_hz * shift, 0.5 / witness.damping_ratio, witness)
            for mode in modeset.modes
            for witness in mode.witnesses
            if witness.method == method and isfinite(witness.damping_ratio) and witness.damping_ratio > 0
        ]
        if points:
            ax.errorbar(
                [x for x, _, _ in points],
                [q for _, q, _ in points],
                yerr=np.array([_q_bars_of(w.damping_ratio, w.damping_ratio_u) for _, _, w in points]).T,
                fmt=marker,
                color=REFERENCE,
                elinewidth=0.7,
                markersize=6,
                label=f"second opinion: {method}",
                zorder=3,
            )
    values = [mode.q_factor for mode in modeset.modes if mode.kind != "string"]
    top = max([10.0, *values]) * 1.45
    ax.set_ylim(0, top)
    for number, mode in enumerate(modeset.modes, start=1):
        if mode.q_factor <= top:
            _number(ax, mode.frequency_hz, mode.q_factor, number)
    ax.set_ylabel("Q (higher = rings longer)")
    _frequency_axis(ax)
    if modeset.modes:
        ax.legend(loc="upper left", fontsize=8.5, frameon=False, ncols=2)
    return ax


def plot_spectra(comparison: Comparison, *, ax=None):
    """Build and references overlaid, each against its own highest point, with the paired modes numbered."""
    ax = ax if ax is not None else _new_axes(height=4.6)
    levels = []
    for k, reference in enumerate(comparison.references):
        if reference.spectrum is not None:
            plot_spectrum(reference, ax=ax, color=REFERENCE, dashes=DASHES[k % len(DASHES)], noise=False)
            levels.append(spectrum_levels(reference)[1])
    if comparison.build.spectrum is not None:
        plot_spectrum(comparison.build, ax=ax, color=BUILD)
        levels += [part for part in spectrum_levels(comparison.build)[1:] if part is not None]
    _level_axis(ax, levels)
    for pair in comparison.pairs:
        low, high = pair.reference.frequency_low_hz, pair.reference.frequency_high_hz
        ax.axvspan(low, max(high, low * 1.001), color=REFERENCE, alpha=0.22, linewidth=0, zorder=1)
    _mode_lines(ax, [pair.build for pair in comparison.pairs])
    _frequency_axis(ax)
    if levels:
        ax.legend(**_LEGEND_ABOVE)
    return ax


def plot_differences(comparison: Comparison, quantity: str = "frequency", *, ax=None):
    """Mode by mode, build against reference: the difference with its 95 % bar over what may happen by chance
    (grey) and what listeners notice (dotted: the best; dashed: typical). Brown: the range of the references.
    """
    ax = ax if ax is not None else _new_axes(height=3.4)
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
            ax.axhline(sign * heard, color="#882255", linestyle=style, linewidth=1, zorder=1)
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
        _number(ax, x, y, number)
    ax.set_ylabel("frequency,\ncents from reference" if cents else "damping,\n% from reference")
    if not cents:
        shown = [tick for tick in _DAMPING_TICKS if abs(place(tick)) <= reach]
        ax.set_yticks([place(tick) for tick in shown], [f"{tick:+d}" if tick else "0" for tick in shown])
    _frequency_axis(ax)
    return ax


def plot_comparison(comparison: Comparison, *, figure=None):
    """The picture for the wall: spectra above, under each peak its difference in frequency and damping.

    Returns the three Axes, from top to bottom; their figure is `axes[0].figure`.
    """
    figure = figure or _new_figure(width=12.8, height=10.2)
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
    figure.legend(handles=key, loc="outside lower left", ncols=4, fontsize=9, frameon=False)
    return tuple(axes)


def plot_instrument(modeset: ModeSet, *, figure=None):
    """One instrument: its spectrum with the modes marked, the Q of each mode below. Returns both Axes."""
    figure = figure or _new_figure(width=12.8, height=7.6)
    axes = figure.subplots(2, 1, sharex=True, height_ratios=(1.2, 1))
    if modeset.spectrum is not None:
        plot_spectrum(modeset, ax=axes[0])
    _mode_lines(axes[0], modeset.modes)
    plot_modes(modeset, ax=axes[1])
    axes[0].set_xlabel("")
    axes[0].tick_params(labelbottom=True)
    figure.suptitle(plain(modeset.name or "The instrument"), fontsize=14, x=0.01, ha="left")
    return tuple(axes)


def png_bytes(axes, *, dots_per_inch: int = 110) -> bytes:
    """The whole figure of some Axes as a PNG."""
    first = axes[0] if isinstance(axes, tuple) else axes
    store = BytesIO()
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="Glyph .* missing")  # a name in letters the font lacks
        first.figure.savefig(store, format="png", dpi=dots_per_inch, facecolor="white")
    return store.getvalue()


def plain(text: str, *, longest: int = 36) -> str:
    """Text that matplotlib sets as it is: no formula from a dollar sign, no label hidden by a leading _."""
    text = text.encode("utf-8", "backslashreplace").decode("utf-8")
    text = "".join(letter if letter.isprintable() else " " for letter in text)
    text = text if len(text) <= longest else f"{text[: longest - 1]}…"
    text = text.replace("$", r"\$")
    return f" {text}" if text.startswith("_") else text


def spectrum_levels(modeset: ModeSet):
    """(frequency_hz, level_db, noise_db or None) within BAND_HZ; 0 dB = the highest point there."""
    spectrum = modeset.spectrum
    inside = (spectrum.frequency_hz >= BAND_HZ[0]) & (spectrum.frequency_hz <= BAND_HZ[1])
    level = np.asarray(spectrum.level_db)[inside]
    top = level.max()
    floor = np.asarray(spectrum.noise_db)[inside]
    noise = floor - top if np.any(np.isfinite(floor)) else None
    return np.asarray(spectrum.frequency_hz)[inside], level - top, noise


def _new_figure(*, width, height):
    from matplotlib.figure import Figure

    return Figure(figsize=(width, height), layout="constrained")


def _new_axes(*, height):
    return _new_figure(width=11, height=height).subplots()


def _frequency_axis(ax):
    from matplotlib.ticker import FixedLocator, NullLocator

    ax.set_xscale("log")
    ax.set_xlim(BAND_HZ[0], 1.05 * BAND_HZ[1])  # room for the last mode's number
    ax.xaxis.set_major_locator(FixedLocator(_TICKS_HZ))
    ax.xaxis.set_minor_locator(NullLocator())
    ax.set_xticks(_TICKS_HZ, [str(tick) for tick in _TICKS_HZ])
    ax.set_xlabel("frequency in Hz")
    ax.grid(axis="x", color="#E8E8E8", linewidth=0.6, zorder=0)
    ax.set_axisbelow(True)
    for side in ("top", "right"):
        ax.spines[side].set_visible(False)


def _level_axis(ax, levels):
    finite = [np.nanmin(level) for level in levels if np.any(np.isfinite(level))]
    ax.set_ylim(max(-75.0, min([-40.0, *finite]) - 3), 12)
    ax.set_yticks([tick for tick in (-60, -40, -20, 0) if tick >= ax.get_ylim()[0]])
    ax.set_ylabel("level in dB\n(uncalibrated: shape only)", color=FAINT)
    ax.tick_params(axis="y", colors=FAINT)


def _mode_lines(ax, modes):
    """A thin line at each mode with its number on top; close neighbours are set on two rows."""
    top = ax.get_ylim()[1]
    previous, row = 0.0, 0
    for number, mode in enumerate(modes, start=1):
        x = mode.frequency_hz
        color = BUILD if mode.kind == "body" else FAINT
        ax.axvline(x, color=color, linewidth=0.6, alpha=0.4, zorder=1)
        row = (row + 1) % 2 if x < previous * 1.035 else 0
        ax.text(x, top - (1.2 + 4.2 * row), str(number), ha="center", va="top", fontsize=9, color=color)
        previous = x


def _number(ax, x, y, number):
    """The number of a mode beside its mark."""
    ax.annotate(str(number), (x, y), xytext=(6, 4), textcoords="offset points", fontsize=9, zorder=6)


def _bar(u):
    return COVERAGE * u if isfinite(u) else 0.0


def _q_bars(mode):
    return _q_bars_of(mode.damping_ratio, mode.damping_ratio_u)


def _q_bars_of(damping_ratio, damping_ratio_u):
    """Down and up from Q to the ends of the 95 % interval of the damping ratio."""
    q, reach = 0.5 / damping_ratio, _bar(damping_ratio_u)
    return q - 0.5 / (damping_ratio + reach), 0.5 / max(damping_ratio - reach, damping_ratio / 20) - q


def _verdict_key(comparison):
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    used = {getattr(p, q).verdict for p in comparison.pairs for q in ("frequency", "damping")}
    key = []
    for verdict, (marker, face, edge) in VERDICT_STYLES.items():
        if verdict in used:
            key.append(Line2D([], [], marker=marker, color=edge, markerfacecolor=face, linestyle="-", label=verdict))
    key.append(Patch(color="#DDDDDD", label=f"one guitar read twice, {comparison.thresholds.setting} (planning value)"))
    key.append(Line2D([], [], color="#882255", linestyle=":", label="the best listeners begin to notice"))
    key.append(Line2D([], [], color="#882255", linestyle="--", label="typical listeners begin to notice"))
    if len(comparison.references) > 1:
        key.append(Patch(color=REFERENCE, alpha=0.4, label="range of the references"))
    return key
