"""A sitting as a page: what was kept and what was not, and whether the bar reads as it should."""

from __future__ import annotations

import hashlib
from math import inf
from pathlib import Path

from ..shop.level_check import HIGHEST_DB, LOWEST_DB, meter_words
from ..shop.session import PLATE
from ..shop.sitting import LEFT_OUT_FOLDER, TAKEN_BACK, Sitting
from ..shop.spots import CARE
from .page import Page, bullets, file_word, image, paragraphs, table
from .plots.record import plot_takes

_LOWEST_SHOWN_DB = -60.0
_CAUTION = (
    "A soft mallet or a padded knuckle only, felt that is safe for the varnish. Strings stay under tension: mind your "
    "eyes. Never slacken or remove strings of a guitar that is not yours."
)
_ONE_PLACEMENT = (
    "All taps come from one placement: the stated errors cannot hold what hanging the guitar up again does. Record it "
    "in a second placement before you compare it."
)


def sitting_page(sitting: Sitting, *, path=None, bar=None, title: str = "", remarks=()) -> Page:
    """The page of a sitting. `path`: where it was kept; `bar`: as `check_bar` gives it; `remarks` come first."""
    lost = [one for one in sitting.judged if not one.kept]
    title = title or f"Recording of {Path(path).parent.name if path else 'a guitar'}"
    short = f"{sitting.tally}, {len(lost)} left out."
    if path:
        short += f" They are kept in the folder {Path(path).name}."
    if path and any(one.in_itself and one.reason != TAKEN_BACK for one in lost):
        short += f" The sound of what was left out lies in the folder {LEFT_OUT_FOLDER} there."
    pieces = [*(paragraphs([remark]) for remark in remarks), f'<div class="short">{paragraphs([short])}</div>']
    pieces.append(paragraphs(missing(sitting) if path else _lacking(sitting)))
    axes = plot_takes(sitting)
    pieces.append(image(axes, f"Level of each one heard; {sitting.tally}, {len(lost)} left out"))
    rows = [
        (str(k + 1), one.spot.words, one.spot.placement or "-", one.verdict) for k, one in enumerate(sitting.judged)
    ]
    pieces.append(table(("number", "where", "placement", "verdict"), rows))
    if bar:
        reading, checks = bar
        pieces.append("<h2>The bar</h2>")
        pieces.append(paragraphs([bar_words(reading)]))
        pieces.append(bullets([f"{check.verdict}. {' '.join(check.reasons)}" for check in checks]))
    cautions = [_CAUTION, CARE[sitting.plan.condition]] if sitting.plan.condition else [_CAUTION]
    pieces.append(f'<div class="caution">{paragraphs(cautions)}</div>')
    digest = hashlib.sha256()
    for one in sitting.judged:
        digest.update(one.take.samples.tobytes())
    return Page(title, "".join(pieces), file_word(title), digest.hexdigest())


def progress_table(sitting: Sitting) -> str:
    """HTML of the plan: how many of how many at each place, an arrow where to go on, and how many are left in all."""
    plan, cells = sitting.plan, {}
    for spot in plan.spots:
        done, wanted = sitting.good(spot), plan.wanted(spot)
        mark = "➤ " if spot == sitting.spot else "✓ " if done >= wanted else ""
        left = " (skipped)" if spot in sitting.skipped and done < wanted else ""
        cells[spot.words, spot.placement] = f"{mark}{done} of {wanted}{left}"
    placements = list(dict.fromkeys(placement for _, placement in cells))
    rows = [
        (where, *(cells.get((where, placement), "") for placement in placements))
        for where in dict.fromkeys(words for words, _ in cells)
    ]
    missing = sum(max(0, plan.wanted(spot) - sitting.good(spot)) for spot in plan.spots if spot not in sitting.skipped)
    heads = [f"placement {placement}" if placement else "once" for placement in placements]
    return paragraphs([f"{missing} more in all."]) + table(("where", *heads), rows)


def level_meter(level_db: float | None) -> str:
    """HTML of a bar for a level in dB of full scale, with a frame where hard taps should reach, and what it means.

    None for a microphone that is not listened to.
    """
    what = "not listening yet" if level_db is None else meter_words(level_db)
    level_db = -inf if level_db is None else level_db
    colour = {"good": "#0072B2", "too loud": "#882255"}.get(what, "#8C8C8C")
    now = max(_LOWEST_SHOWN_DB, level_db)
    low, high, width = (100 * (1 - db / _LOWEST_SHOWN_DB) for db in (LOWEST_DB, HIGHEST_DB, now))
    said = f'aria-valuemin="{_LOWEST_SHOWN_DB:.0f}" aria-valuemax="0" aria-valuenow="{now:.0f}" aria-valuetext="{what}"'
    frame = f"position:absolute;top:0;bottom:0;left:{low:.0f}%;width:{high - low:.0f}%;border:2px solid #1d1b18"
    return (
        f'<div role="meter" aria-label="Level of the microphone in dB of full scale" {said} '
        'style="position:relative;max-width:44rem;height:22px;background:#E8E8E8">'
        f'<div style="width:{min(width, 100):.0f}%;height:22px;background:{colour}"></div>'
        f'<div style="{frame};box-sizing:border-box"></div></div>'
        '<div style="font-size:15px;line-height:1.4;max-width:44rem">'
        f"Level of the microphone: <b>{what}</b>. The hardest taps should reach into the frame, {LOWEST_DB:.0f} to "
        f"{HIGHEST_DB:.0f} dB of full scale; beyond it they are cut off. Soft ones may stay below.</div>"
    )


def bar_words(reading) -> str:
    """Pitch and damping of the bar with their errors, in one sentence.

    >>> from luthkit.guitar.sentinel import BarReading
    >>> bar_words(BarReading(346.2, 0.001, 2.5e-4, 1e-6, 3))
    'The bar rings at 346.200 ± 0.002 Hz with Q 2000 ± 16 (95 %, 3 taps).'
    """
    q = 0.5 / reading.damping_ratio
    q_u = q * reading.damping_ratio_u / reading.damping_ratio
    return (
        f"The bar rings at {reading.frequency_hz:.3f} ± {2 * reading.frequency_u_hz:.3f} Hz with Q {q:.0f} ± "
        f"{2 * q_u:.0f} (95 %, {reading.n_taps} taps)."
    )


def missing(sitting: Sitting) -> list[str]:
    """What a sitting that is over leaves wanting: of its plan, and of placements."""
    taps = [one.spot for one in sitting.judged if one.kept and one.spot.kind == "tap"]
    placements = {spot.placement for spot in taps if spot.position not in PLATE}  # a plate is hung up but once
    return [*_lacking(sitting), *([_ONE_PLACEMENT] if len(placements) == 1 else [])]


def _lacking(sitting: Sitting) -> list[str]:
    """What the plan asked for and did not get."""
    said = []
    for spot in sitting.plan.spots:
        lacking = sitting.plan.wanted(spot) - sitting.good(spot)
        if lacking > 0:
            placement = f", placement {spot.placement}" if spot.placement else ""
            said.append(f"{spot.words}{placement}: {lacking} more {spot.noun}s were planned.")
    return said
