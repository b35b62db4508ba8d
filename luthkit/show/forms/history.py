"""Forms of the fifth notebook: a guitar over months and years, and where a new one must start."""

from __future__ import annotations

import os
from pathlib import Path

import ipywidgets as widgets

from ...guitar.follow import follow
from ...guitar.forecast import look_back, settled_from
from ...guitar.history import series
from ...guitar.settling import settle
from ...shop.history import READINGS, read_history
from ...shop.logbook import GUITAR
from ...shop.study import own_thresholds
from ..history import following_page, start_page
from .common import Form, chosen, folder_list, mark_list, path_field, study_box, text_field


def history_form(*, start=None) -> widgets.Widget:
    """How one guitar changed over time.

    `start` is the folder where guitars are looked for (default: the current folder and those beside it).
    """
    guitars = find_histories(start)
    guitar = folder_list("Guitar", guitars)
    path = path_field("or a guitar elsewhere")
    percent = {"kind": widgets.BoundedFloatText, "min": 0.1, "max": 5.0, "step": 0.1}
    within = text_field("Settled means within, %", value=0.5, **percent)
    study = study_box()
    form = Form("Follow", [guitar, path, within, study], name="history")

    def act():
        (where,) = chosen([guitar.value], path.value)
        thresholds = own_thresholds(where, use=study.value)
        return following_page(follow(read_history(where), within=within.value / 100, thresholds=thresholds))

    form.act = act
    return form.open(ready=bool(guitars))


def start_form(*, start=None) -> widgets.Widget:
    """Where a new guitar must start, so that it comes to rest where a reference stands."""
    guitars = find_histories(start)
    mode = text_field("Name of the mode", value="main top")
    reference = text_field("is to rest at, in Hz", kind=widgets.FloatText, value=196.0)
    error = text_field("give or take (±), Hz", kind=widgets.FloatText, value=0.5)
    settled = mark_list("My settled guitars", guitars, guitars[:1])
    form = Form("Look back", [mode, reference, error, settled], name="start")

    def act():
        name = mode.value.strip()
        found = []
        for path in settled.value:
            history = read_history(path)
            own = own_thresholds(path)
            found.append(settled_from(history.name, settle(series(history, name, thresholds=own))))
        return start_page(name, look_back(reference.value, error.value, found), found)

    form.act = act
    return form.open(ready=bool(guitars))


def find_histories(start=None) -> list[str]:
    """Folders with a table of readings, or with a guitar of a logbook, in and beside the folder `start`."""
    start = Path(start) if start is not None else Path.cwd()
    found: dict[str, None] = {}
    for root in (start / "sample_audio", start.parent / "sample_audio", start, start.parent):
        for pattern in (f"*/{READINGS}", f"*/{GUITAR}", f"*/*/{GUITAR}"):
            for path in sorted(root.glob(pattern)):
                if path.parent.name[0] not in "._":
                    found[os.path.relpath(path.parent, Path.cwd())] = None
    return list(found)
