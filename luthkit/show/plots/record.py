"""Pictures of a sitting: every take by its number and its level, kept or left out."""

from __future__ import annotations

from ...shop.level_check import HIGHEST_DB, LOWEST_DB
from ...shop.sitting import Sitting
from .common import BUILD, FAINT, WINE, new_axes, plain

_MOST_SIDE_BY_SIDE = 5  # places whose names fit beside each other; of more, the placements are named alone


def plot_takes(sitting: Sitting, *, ax=None):
    """The peak of each take in dB of full scale over its number: a dot when kept, a cross when left out, and why.

    The band is where the hardest taps should lie. Levels are uncalibrated. Gives back the axes.
    """
    ax = ax or new_axes(height=3.6)
    ax.axhspan(LOWEST_DB, HIGHEST_DB, color="#E9F1F6", zorder=0)
    numbers = range(1, len(sitting.judged) + 1)
    levels = [max(one.take.peak_db, -80.0) for one in sitting.judged]
    for kept, mark, colour, words in ((True, "o", BUILD, "kept"), (False, "x", WINE, "left out")):
        chosen = [k for k, one in enumerate(sitting.judged) if bool(one.kept) is kept]
        if chosen:
            x, y = [numbers[k] for k in chosen], [levels[k] for k in chosen]
            ax.plot(x, y, linestyle="", marker=mark, markersize=9, markeredgewidth=2, color=colour, label=words)
    for k, one in enumerate(sitting.judged):
        if not one.kept:
            why = plain(one.reason.split(":")[0].split(";")[0], longest=24)
            ax.annotate(why, (numbers[k], levels[k]), xytext=(8, -12), textcoords="offset points", fontsize=9)
    spots = [one.spot for one in sitting.judged]
    begins = [k for k, spot in enumerate(spots) if k == 0 or spot != spots[k - 1]]
    crowded = len(begins) > _MOST_SIDE_BY_SIDE
    for k in begins:
        changed = k == 0 or spots[k].set_up != spots[k - 1].set_up
        if k:
            ax.axvline(k + 0.5, color=FAINT, linewidth=1.6 if changed and crowded else 0.6)
        if changed or not crowded:
            words = [spots[k].condition if crowded and spots[k].placement else spots[k].words]
            words += [f"placement {spots[k].placement}"] if spots[k].placement else []
            said = ",\n".join(filter(None, words)).replace(", ", ",\n")
            ax.text(k + 0.6, 0.6, said, fontsize=9, color=FAINT, va="bottom", linespacing=1.0)
    ax.set_xlim(0.5, max(len(sitting.judged), 6) + 1.2)
    ax.set_ylim(min([-40.0, *levels]) - 3, 4)
    ax.set_xlabel("number, in the order heard")
    ax.set_ylabel("peak in dB of full scale")
    ax.text(ax.get_xlim()[1] - 0.05, LOWEST_DB + 0.4, "hard taps here", ha="right", fontsize=9, color=FAINT)
    for side in ("top", "right"):
        ax.spines[side].set_visible(False)
    if sitting.judged:
        ax.legend(loc="lower left", fontsize=9, frameon=False, ncols=2)
    return ax
