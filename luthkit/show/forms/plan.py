"""The form of the seventh notebook: choosing wood."""

from __future__ import annotations

import os
import shutil
from dataclasses import replace
from html import escape
from pathlib import Path

import ipywidgets as widgets

from ...errors import LuthkitError
from ...shop.plan_folder import is_plan_folder, make_plan, read_plan_folder
from ...shop.safe import folder_aside, settle, told
from ..plan import plan_page
from .common import (
    Form,
    chosen,
    find_guitars,
    find_profiles,
    folder_list,
    folders_near,
    label,
    list_field,
    path_field,
    text_field,
)
from .form import sentence
from .piece import stock_folder

COPY = "copy"
TO_EDIT = (
    "This plan is now yours, in {}; the sample stays as it is. Open its files with any editor: in design.toml write "
    "your dimensions, in wood.csv the wood of the guitars you built, in builds.toml what they became, in "
    "reference.toml what the guitar you want measures. Until then all of it is invented, and the "
    "forecast leans on invented guitars: without builds of your own, delete builds.toml and in_progress.toml."
)


def plan_form(*, start=None) -> widgets.Widget:
    """The form of the seventh notebook: the stock ranked by its distance from the reference.

    `start` is the folder where plans are looked for (default: the current folder and those beside it).
    """
    folders = find_plans(start)
    folder = folder_list("Plan", folders)
    mine = stock_folder(start).with_name("plan")
    if folders and Path(folders[0]).parent.name == "sample_audio" and not mine.exists():
        folder.options = [*folder.options, ("copy the sample plan as mine, to edit", COPY)]
    path = path_field("or a folder elsewhere")
    number = {"kind": widgets.BoundedFloatText, "value": 1.0, "min": 0.2, "max": 10.0, "step": 0.1}
    reach = text_field("Near enough, in steps", **number)
    guitars = [*find_guitars(start), *find_profiles(start)]
    listed = [("the one written in the plan", ""), *((label(guitar), guitar) for guitar in guitars)]
    reference = list_field("Reference", listed)
    own = stock_folder(start)
    stocks = [("those written in the plan", ""), *([(label(str(own)), str(own))] if own.is_dir() else [])]
    stock = list_field("Tops and backs", stocks)
    form = Form("Choose the wood", [folder, path, reference, stock, reach], name="plan")
    known, news = {}, []

    def read():
        copied = folder.value == COPY and not path.value.strip()
        if copied:
            copy_plan(folders[0], mine)
            found = os.path.relpath(mine, Path.cwd())
            folder.options = [*folder.options[:-1], (label(found), found)]
            folder.value = found
            news.append(TO_EDIT.format(mine))
        try:
            page = show()
        except LuthkitError as error:
            if copied:
                raise LuthkitError(f"the sample plan is copied and now yours, in {mine}. {sentence(error)}") from error
            raise
        said = [f"<p>{escape(each)}</p>" for each in news]
        news.clear()
        return replace(page, body="".join([*said, page.body]))

    def show():
        (place,) = chosen([folder.value], path.value)
        looked_at = [place, *(Path(one.value) for one in (reference, stock) if one.value)]
        files = [p for one in looked_at for p in ([one] if one.is_file() else sorted(one.rglob("*"))) if p.is_file()]
        key = (str(place), reference.value, stock.value, *((p.name, p.stat().st_mtime_ns) for p in files))
        if key not in known:
            known[key] = read_plan_folder(place, reference=reference.value or None, stock=stock.value or None)
        return plan_page(make_plan(known[key], reach_steps=reach.value))

    form.act = read
    return form.open(ready=bool(folders))


def copy_plan(sample, target: Path) -> None:
    """A copy of a plan's folder; raises LuthkitError where something is there already or cannot be written."""
    with told(f"the plan {target}"), folder_aside(target.parent) as aside:
        for file in sorted(path for path in Path(sample).iterdir() if path.is_file()):
            shutil.copyfile(file, aside / file.name)
        if not settle(aside, target):
            raise LuthkitError(f"{target} is there already, and stays as it is; choose it from the list")


def find_plans(start=None) -> list[str]:
    """Folders that hold a design and a reference, in and beside the folder `start`: the sample first."""
    return folders_near(start, is_plan_folder)
