"""A picture of the balance of one guitar against another."""

from __future__ import annotations

import numpy as np

from ...signal.bands import nominal_hz
from .common import BUILD, FAINT, bare, new_axes, plain


def plot_difference(mid_hz, gain_db, build: str, reference: str, *, ax=None):
    """What has to be added to the build, third octave by third octave, for the reference's balance."""
    ax = ax if ax is not None else new_axes(height=3.2)
    x = np.arange(len(mid_hz))
    ax.bar(x, gain_db, color=BUILD, width=0.8, zorder=3)
    ax.axhline(0, color="black", linewidth=0.8)
    ax.set_ylim(-13, 13)
    for limit in (-12, 12):
        ax.axhline(limit, color=FAINT, linestyle=":", linewidth=1)
    shown = [k for k, mid in enumerate(mid_hz) if round(10 * np.log10(mid)) % 3 == 0]
    ax.set_xticks(shown, [f"{nominal_hz(mid_hz[k]):g}" for k in shown])
    ax.set_xlabel("third octave, middle in Hz")
    ax.set_ylabel("dB to add to the build\n(dotted: the limit)")
    ax.set_title(plain(f"{reference} against {build}, loudness left out", longest=90), loc="left", fontsize=11)
    bare(ax, grid="y")
    return ax
