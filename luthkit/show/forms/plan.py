"""The form of the seventh notebook: choosing wood."""

from __future__ import annotations

import os
from pathlib import Path

import ipywidgets as widgets

from ...shop.plan_folder import is_plan_folder, make_plan, read_plan_folder
from ..plan import plan_page
from .common import LAYOUT, WIDE, Form, chosen, folder_list, path_field


def plan_form(*, start=None) -> widgets.Widget:
    """The form of the seventh notebook: the stock ranked by its distance from the reference.

    `start` is the folder where plans are looked for (default: the current folder and those beside it).
    """
    folders = find_plans(start)
    folder = folder_list("Plan", folders)
    path = path_field("or a folder elsewhere")
    reach = widgets.BoundedFloatText(
        value=1.0,
        min=0.2,
        max=10.0,
        step=0.1,
        description="Near enough, in steps",
        style=WIDE,
        layout=LAYOUT,
    )
    form = Form("Choose the wood", [folder, path, reach], name="plan")
    known = {}

    def read():
        (place,) = chosen([folder.value], path.value)
        key = (str(place), *((p.name, p.stat().st_mtime_ns) for p in sorted(place.rglob("*")) if p.is_file()))
        if key not in known:
            known[key] = read_plan_folder(place)
        return plan_page(make_plan(known[key], reach_steps=reach.value))

    form.act = read
    return form.open(ready=bool(folders))


def find_plans(start=None) -> list[str]:
    """Folders that hold a design and a reference, in and beside the folder `start`: the sample first."""
    start = Path(start) if start is not None else Path.cwd()
    found = {}
    for root in (start / "sample_audio", start.parent / "sample_audio", start, start.parent):
        if root.is_dir():
            inside = sorted(path for path in root.iterdir() if path.is_dir() and is_plan_folder(path))
            found |= {os.path.relpath(path, Path.cwd()): None for path in inside}
    return list(found)
