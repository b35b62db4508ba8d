"""The form of the second notebook: a build beside one or more references."""

from __future__ import annotations

from pathlib import Path

import ipywidgets as widgets

from ...errors import LuthkitError
from ...guitar.comparison import compare
from ...guitar.thresholds import SETTINGS, Thresholds
from ...shop.names import name_instrument
from ...shop.profile_file import is_profile, read_profile
from ...shop.study import own_thresholds
from ..report import report_page
from .common import (
    LAYOUT,
    WIDE,
    Form,
    Reader,
    chosen,
    find_guitars,
    find_profiles,
    folder_list,
    label,
    path_field,
    study_box,
)

_IN_WORDS = {
    "same set-up": "nothing was moved but the guitar",
    "re-hung": "the guitar was lifted and hung up again",
    "other operator": "another person tapped",
    "other room": "another room or microphone",
}


def comparison_form(*, start=None) -> widgets.Widget:
    """The form of the second notebook: a build beside one or more references.

    `start` is the folder where guitars are looked for (default: the current folder and those beside it).
    """
    guitars = find_guitars(start)
    builds = [path for path in guitars if _is_build(path)] or guitars[-1:]
    build = folder_list("Build", guitars, builds[0] if builds else None)
    build_path = path_field("or a build elsewhere")
    references = widgets.SelectMultiple(
        description="References",
        options=[(label(path), path) for path in (*guitars, *find_profiles(start))],
        value=[path for path in guitars if builds and path != builds[0]],
        rows=max(2, min(6, len(guitars))),
        style=WIDE,
        layout=LAYOUT,
    )
    reference_path = path_field("and a reference elsewhere")
    setting = widgets.Dropdown(
        description="Between them",
        options=[(_IN_WORDS[name], name) for name in SETTINGS],
        value="re-hung",
        style=WIDE,
        layout=LAYOUT,
    )
    study = study_box()
    form = Form("Compare", [build, build_path, references, reference_path, setting, study], name="comparison")

    reader = Reader()

    def read():
        (first,) = chosen([build.value], build_path.value)
        others = [Path(path) for path in references.value if Path(path) != first]  # no guitar beside itself
        others += chosen([], reference_path.value) if reference_path.value.strip() else []
        if not others:
            raise LuthkitError("no reference is marked; click on one, or on several with the Ctrl key held")
        folders = [first, *(path for path in others if not is_profile(path))]
        modesets = reader.read(folders)
        namings = [name_instrument(path, modeset=m) for path, m in zip(folders, modesets, strict=True)]
        profiles = [read_profile(path) for path in others if is_profile(path)]
        thresholds = own_thresholds(first, use=study.value, thresholds=Thresholds(setting=setting.value))
        return report_page(compare(modesets[0], [*modesets[1:], *profiles], thresholds=thresholds, namings=namings))

    form.act = read
    return form.open(ready=len(guitars) > 1)


def _is_build(path: str) -> bool:
    name = Path(path).name.lower()
    return "build" in name or "new" in name
