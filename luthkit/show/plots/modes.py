"""Pictures of one instrument: its spectrum, and the Q of each mode."""

from __future__ import annotations

import numpy as np

from ...guitar.verdicts import COVERAGE
from ...signal.modes import ModeSet
from .common import (
    BAND_HZ,
    BUILD,
    FAINT,
    LEGEND_ABOVE,
    NOISE,
    REFERENCE,
    frequency_axis,
    new_axes,
    new_figure,
    number_beside,
    plain,
)

KIND_MARKERS = {"body": "o", "room": "s", "string": "|"}


def plot_spectrum(modeset: ModeSet, *, ax=None, color=BUILD, dashes="-", noise=True):
    """The averaged tap spectrum, 0 dB = its highest point, over the noise before the taps."""
    ax = ax if ax is not None else new_axes(height=4.2)
    frequency, level, floor = spectrum_levels(modeset)
    name = plain(modeset.name or "instrument")
    ax.plot(frequency, level, color=color, linestyle=dashes, linewidth=1.5, label=name, zorder=3)
    drawn = [level]
    if noise and floor is not None:
        words = f"noise before the taps, {name.lstrip()}"
        ax.plot(frequency, floor, color=NOISE, linestyle=dashes, linewidth=0.8, label=words)
        drawn.append(floor)
    level_axis(ax, drawn)
    frequency_axis(ax)
    ax.legend(**LEGEND_ABOVE)
    return ax


def plot_modes(modeset: ModeSet, *, ax=None):
    """Q of each mode over its frequency, with 95 % bars both ways and the two second opinions beside it."""
    ax = ax if ax is not None else new_axes(height=4.2)
    for kind, words in (("body", "body mode"), ("room", "perhaps the room"), ("string", "a string")):
        color, face = (BUILD, BUILD) if kind == "body" else (FAINT, "white")
        look = {"fmt": KIND_MARKERS[kind], "markersize": 7, "color": color, "markerfacecolor": face, "zorder": 4}
        found = [(m.frequency_hz, m.frequency_u_hz, m) for m in modeset.modes if m.kind == kind]
        _draw_q(ax, found, **look, elinewidth=1.4, capsize=3, label=f"{words}, 95 % bars")
    for method, marker, shift in (("peak width", "_", 0.988), ("band decay", "x", 1.012)):
        look = {"fmt": marker, "markersize": 6, "color": REFERENCE, "elinewidth": 0.7, "zorder": 3}
        both = [(m, witness) for m in modeset.modes for witness in m.witnesses if witness.method == method]
        found = [(m.frequency_hz * shift, 0.0, witness) for m, witness in both if witness.damping_ratio > 0]
        _draw_q(ax, found, **look, label=f"second opinion: {method}")
    values = [mode.q_factor for mode in modeset.modes if mode.kind != "string"]
    top = max([10.0, *values]) * 1.45
    ax.set_ylim(0, top)
    for number, mode in enumerate(modeset.modes, start=1):
        if mode.q_factor <= top:
            number_beside(ax, mode.frequency_hz, mode.q_factor, number)
    ax.set_ylabel("Q (higher = rings longer)")
    frequency_axis(ax)
    if modeset.modes:
        ax.legend(loc="upper left", fontsize=8.5, frameon=False, ncols=2)
    return ax


def plot_instrument(modeset: ModeSet, *, figure=None):
    """One instrument: its spectrum with the modes marked, the Q of each mode below. Returns both Axes."""
    figure = figure or new_figure(width=9.2, height=7.2)
    axes = figure.subplots(2, 1, sharex=True, height_ratios=(1.2, 1))
    if modeset.spectrum is not None:
        plot_spectrum(modeset, ax=axes[0])
    mode_lines(axes[0], modeset.modes)
    plot_modes(modeset, ax=axes[1])
    axes[0].set_xlabel("")
    axes[0].tick_params(labelbottom=True)
    figure.suptitle(plain(modeset.name or "The instrument"), fontsize=14, x=0.01, ha="left")
    return tuple(axes)


def spectrum_levels(modeset: ModeSet):
    """(frequency_hz, level_db, noise_db or None) within BAND_HZ; 0 dB = the highest point there."""
    spectrum = modeset.spectrum
    inside = (spectrum.frequency_hz >= BAND_HZ[0]) & (spectrum.frequency_hz <= BAND_HZ[1])
    level = np.asarray(spectrum.level_db)[inside]
    top = level.max()
    floor = np.asarray(spectrum.noise_db)[inside]
    noise = floor - top if np.any(np.isfinite(floor)) else None
    return np.asarray(spectrum.frequency_hz)[inside], level - top, noise


def level_axis(ax, levels):
    finite = [np.nanmin(level) for level in levels if np.any(np.isfinite(level))]
    ax.set_ylim(max(-75.0, min([-40.0, *finite]) - 3), 12)
    ax.set_yticks([tick for tick in (-60, -40, -20, 0) if tick >= ax.get_ylim()[0]])
    ax.set_ylabel("level in dB\n(uncalibrated: shape only)", color=FAINT)
    ax.tick_params(axis="y", colors=FAINT)


def mode_lines(ax, modes):
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


def _draw_q(ax, found, **look):
    """Q with 95 % bars both ways for each (frequency in Hz, its error, what has a damping ratio); none for none."""
    if found:
        x, x_u, ratio, ratio_u = np.array([(x, u, m.damping_ratio, m.damping_ratio_u) for x, u, m in found]).T
        x_reach, reach = (np.where(np.isfinite(u), COVERAGE * u, 0.0) for u in (x_u, ratio_u))
        q, lowest, highest = 0.5 / ratio, 0.5 / (ratio + reach), 0.5 / np.maximum(ratio - reach, ratio / 20)
        ax.errorbar(x, q, xerr=x_reach if x_reach.any() else None, yerr=[q - lowest, highest - q], **look)
