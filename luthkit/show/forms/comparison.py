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
from . import common
from .common import chosen, path_field

_IN_WORDS = {
    "same set-up": "nothing: only the guitar was exchanged",
    "re-hung": "how it was hung up (the usual case)",
    "other operator": "who tapped",
    "other room": "the room or the microphone",
}


def comparison_form(*, start=None) -> widgets.Widget:
    """The form of the second notebook: a build beside one or more references.

    `start` is the folder where guitars are looked for (default: the current folder and those beside it).
    """
    guitars, profiles = common.find_guitars(start), common.find_profiles(start)
    first = next((path for path in guitars if _is_build(path)), guitars[-1] if guitars else None)
    build, build_path = common.folder_list("Build", guitars, first), path_field("or a build elsewhere")
    others = [path for path in guitars if path != first]
    references = common.mark_list("References", [*guitars, *profiles], others)
    reference_path = path_field("and a reference elsewhere")
    settings = [(_IN_WORDS[name], name) for name in SETTINGS]
    setting, study = common.list_field("What else differed", settings, value="re-hung"), common.study_box()
    common.leave_out(build, references, [*guitars, *profiles])
    fields = [build, build_path, references, reference_path, setting, study]
    form, reader = common.Form("Compare", fields, name="comparison"), common.Reader()

    def beside():
        typed = common.marked(references.value, reference_path.value)
        if not typed:
            raise LuthkitError("no reference is marked; click on one, or on several with the Ctrl key held")
        return typed

    def read():
        (first,), others = common.each_of(lambda: chosen([build.value], build_path.value), beside)
        others = [path for path in others if path != first]
        if not others:
            raise LuthkitError("the build is its own only reference; mark another guitar")
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
