"""Pictures of a plan: how far each pair lies from the reference, and how the forecast narrows while one builds."""

from __future__ import annotations

import numpy as np

from ...guitar.choosing import Ranking
from .common import BUILD, FAINT, LEGEND_ABOVE, NOISE, REFERENCE, WINE, bare, new_axes, plain

COLOURS = {"air": NOISE, "main top": BUILD, "main back": REFERENCE, "mobility": WINE}
MARKS = {"air": "s", "main top": "o", "main back": "D", "mobility": "^"}


def plot_ranking(ranking: Ranking, *, ax=None):
    """Steps from the reference of every quantity, a row for each pair, nearest at the top; bars are 95 % intervals."""
    pairs = ranking.pairs
    ax = ax if ax is not None else new_axes(height=1.8 + 0.55 * len(pairs))
    reach = ranking.target.reach_steps
    ax.axvspan(-reach, reach, color="#E9F1F7", zorder=0, label="within reach")
    ax.axvline(0, color=FAINT, linewidth=0.8)
    names = list(ranking.target.measured)
    for row, pair in enumerate(pairs):
        for k, name in enumerate(names):
            step, u = pair.steps[name]
            y = row + 0.17 * (k - (len(names) - 1) / 2)
            ax.errorbar(
                step, y, xerr=1.96 * u, fmt=MARKS[name], color=COLOURS[name], markersize=5, linewidth=1.4,
                label=name if row == 0 else None,
            )  # fmt: skip
    labels = [f"{plain(pair.top)} + {plain(pair.back)}\nchance {percent(pair.chance)}" for pair in pairs]
    ax.set_yticks(range(len(pairs)), labels, fontsize=9)
    if 1 < ranking.tied < len(pairs):
        ax.axhline(ranking.tied - 0.5, color=FAINT, linestyle=(0, (4, 3)), linewidth=1)
        ax.annotate(
            "above this line: cannot be ranked", (1, ranking.tied - 0.5), xycoords=("axes fraction", "data"),
            xytext=(-4, 3), textcoords="offset points", ha="right", fontsize=9, color=FAINT,
        )  # fmt: skip
    ax.set_ylim(len(pairs) - 0.4, -0.6)
    ax.set_xlabel("just-noticeable steps from the reference (left: lower, right: higher), with 95 % bars")
    bare(ax, grid="x")
    ax.legend(**{**LEGEND_ABOVE, "ncols": 5})
    return ax


def plot_progress(progress, *, ax=None):
    """Steps from the reference at each stage of the guitar on the bench; bars are 95 % intervals."""
    ax = ax if ax is not None else new_axes(height=3.6)
    names = list(progress[0].steps)
    for k, name in enumerate(names):
        steps = np.array([stage.steps[name] for stage in progress])
        x = np.arange(len(progress)) + 0.1 * (k - (len(names) - 1) / 2)
        ax.errorbar(
            x, steps[:, 0], yerr=1.96 * steps[:, 1], fmt=MARKS[name], color=COLOURS[name], linewidth=1.4, label=name
        )
    ax.axhline(0, color=FAINT, linewidth=0.8)
    labels = [f"{stage.stage.name}\nchance {percent(stage.chance)}" for stage in progress]
    ax.set_xticks(range(len(progress)), labels)
    ax.set_xlim(-0.5, len(progress) - 0.5)
    ax.set_ylabel("just-noticeable steps\nfrom the reference, 95 % bars")
    bare(ax)
    ax.legend(**LEGEND_ABOVE)
    return ax


def percent(chance: float) -> str:
    """Whole percent, never 0 or 100.

    >>> percent(0.42), percent(0.0), percent(1.0)
    ('42 %', 'under 1 %', 'over 99 %')
    """
    if chance > 0.99:
        return "over 99 %"
    return "under 1 %" if chance < 0.01 else f"{100 * chance:.0f} %"
