"""The form of the seventh notebook: choosing wood."""

from __future__ import annotations

import os
from pathlib import Path

import ipywidgets as widgets

from ...shop.plan_folder import is_plan_folder, make_plan, read_plan_folder
from ..plan import plan_page
from .common import LAYOUT, WIDE, Form, chosen, find_guitars, find_profiles, folder_list, label, path_field


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
    guitars = [*find_guitars(start), *find_profiles(start)]
    listed = [("as reference.toml says", None), *((label(guitar), guitar) for guitar in guitars)]
    reference = widgets.Dropdown(description="Reference", options=listed, style=WIDE, layout=LAYOUT)
    form = Form("Choose the wood", [folder, path, reference, reach], name="plan")
    known = {}

    def read():
        (place,) = chosen([folder.value], path.value)
        looked_at = [place, *([Path(reference.value)] if reference.value else [])]
        files = [p for one in looked_at for p in ([one] if one.is_file() else sorted(one.rglob("*"))) if p.is_file()]
        key = (str(place), reference.value, *((p.name, p.stat().st_mtime_ns) for p in files))
        if key not in known:
            known[key] = read_plan_folder(place, reference=reference.value)
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
