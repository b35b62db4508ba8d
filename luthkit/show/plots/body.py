"""Pictures of the low body: where air, top and back lie now and after a change, and how easily the bridge moves."""

from __future__ import annotations

from math import isfinite

import numpy as np

from ...guitar.air_top_back import RANGE_HZ
from ...guitar.body_fit import BodyFit
from ...guitar.what_if import Change, WhatIf, mobility_level
from .common import BUILD, FAINT, LEGEND_ABOVE, REFERENCE, bare, new_axes

_NOTES = {0: "C", 2: "D", 4: "E", 7: "G", 9: "A"}  # by semitones above C, as many as find room
_95 = 1.96


def plot_what_if(told: WhatIf, *, ax=None):
    """Air, main top and main back now (open) and after the change (filled), with 95 % bars; notes above."""
    ax = ax if ax is not None else new_axes(height=3.4)
    rows = np.arange(len(told.names))[::-1]
    changed = told.change != Change()
    look = {"markersize": 8, "capsize": 4, "zorder": 3}
    now, after = {"fmt": "o", "color": REFERENCE, "markerfacecolor": "white"}, {"fmt": "D", "color": BUILD}
    u = _95 * told.now_u_hz
    ax.errorbar(told.now_hz, rows + 0.14 * changed, xerr=u, label="now, 95 % bars", **look, **now)
    if changed:
        u = _95 * told.after_u_hz
        ax.errorbar(told.after_hz, rows - 0.14, xerr=u, label="after the change, 95 % bars", **look, **after)
    for k, row in enumerate(rows):
        if not changed:
            words = f"{told.now_hz[k]:.1f} ± {told.now_u_hz[k]:.1f} Hz"
        elif isfinite(told.after_hz[k]):
            words = f"{100 * told.shift[k]:+.1f} ± {100 * told.shift_u[k]:.1f} %"
        else:
            words = "cannot tell"
        at = {"transform": ax.get_yaxis_transform(), "va": "center", "ha": "right"}
        ax.text(0.99, row, words, fontsize=10, color="#333333", **at)
    ax.set_yticks(rows, told.names)
    ax.set_ylim(-0.6, len(rows) - 0.4)
    ax.set_xlim(RANGE_HZ[0], RANGE_HZ[1] + 45)
    ax.axvspan(RANGE_HZ[1], RANGE_HZ[1] + 45, color="#F1F1F1", zorder=0)
    ax.set_xlabel("frequency in Hz")
    above = ax.secondary_xaxis("top")
    tones = {440 * 2 ** ((n - 69) / 12): n for n in range(36, 63)}  # MIDI numbers of C2 to D4
    tones = {hz: n for hz, n in tones.items() if RANGE_HZ[0] < hz < RANGE_HZ[1]}
    names = [f"{_NOTES[n % 12]}{n // 12 - 1}" if n % 12 in _NOTES else "" for n in tones.values()]
    above.set_xticks(list(tones), names, fontsize=9, color=FAINT)
    above.tick_params(length=2, color=FAINT)
    bare(ax, grid="x")
    ax.legend(**{**LEGEND_ABOVE, "bbox_to_anchor": (0, 1.09)})
    return ax


def plot_mobility(fit: BodyFit, change: Change | None = None, *, ax=None):
    """How easily the bridge moves, in dB over 1 m/s per newton, now and after a change, with 95 % bands."""
    from scipy.ndimage import maximum_filter1d

    ax = ax if ax is not None else new_axes(height=3.4)
    frequency = np.geomspace(*RANGE_HZ, 240)
    curves = [(None, REFERENCE, (0, (6, 2)), "now")]
    if change is not None and change != Change():
        curves.append((change, BUILD, "-", "after the change"))
    lowest, highest = [], []
    for what, color, dashes, words in curves:
        level, u = mobility_level(fit, frequency, what)
        u = maximum_filter1d(u, 15)  # to first order the error vanishes where two tendencies cancel; it does not
        ax.fill_between(frequency, level - _95 * u, level + _95 * u, color=color, alpha=0.16, linewidth=0, zorder=2)
        ax.plot(frequency, level, color=color, linestyle=dashes, linewidth=1.6, label=f"{words}, 95 % band", zorder=3)
        lowest.append(level.min())
        highest.append(level.max())
    ax.set_ylim(min(lowest) - 8, max(highest) + 8)
    ax.set_xlim(*RANGE_HZ)
    ax.set_xlabel("frequency in Hz")
    ax.set_ylabel("how readily the bridge moves\n(dB, 0 = 1 m/s for each newton)")
    bare(ax, grid="x")
    ax.legend(**LEGEND_ABOVE)
    return ax
