"""Pictures of one instrument: its spectrum, and the Q of each mode."""

from __future__ import annotations

from math import isfinite

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


def _bar(u):
    return COVERAGE * u if isfinite(u) else 0.0


def _q_bars(mode):
    return _q_bars_of(mode.damping_ratio, mode.damping_ratio_u)


def _q_bars_of(damping_ratio, damping_ratio_u):
    """Down and up from Q to the ends of the 95 % interval of the damping ratio."""
    q, reach = 0.5 / damping_ratio, _bar(damping_ratio_u)
    return q - 0.5 / (damping_ratio + reach), 0.5 / max(damping_ratio - reach, damping_ratio / 20) - q
