"""The form of the fourth notebook: strums and plucks of a guitar, alone or beside references."""

from __future__ import annotations

import ipywidgets as widgets

from ...errors import LuthkitError
from ...guitar.tone_comparison import compare_tone
from ...shop.profile_file import read_tones
from ...shop.session import read_session
from ...shop.tone_reading import read_tone
from ..page import Page
from ..tone import comparison_page, tone_page
from .common import Form, chosen, find_guitars, find_profiles, folder_list, leave_out, mark_list, marked, path_field


def tone_form(*, start=None) -> widgets.Widget:
    """The form of the fourth notebook: strums and plucks of a guitar, alone or beside references.

    `start` is the folder where guitars are looked for (default: the current folder and those beside it).
    """
    guitars = [path for path in find_guitars(start) if _was_played(path)]
    build = folder_list("Build", guitars)
    build_path = path_field("or a build elsewhere")
    offered = [*guitars, *find_profiles(start)]
    references = mark_list("References", offered, guitars[1:2])
    leave_out(build, references, offered)
    reference_path = path_field("and a reference elsewhere")
    form = Form("Read strums and plucks", [build, build_path, references, reference_path], name="tone")

    def act() -> Page:
        (first,) = chosen([build.value], build_path.value)
        others = [path for path in marked(references.value, reference_path.value) if path != first]
        reading = read_tone(first)
        if not reading.strums and not reading.plucks:
            why = f": {reading.rejected[0].reason}" if reading.rejected else ""
            raise LuthkitError(f"there is no usable strum or pluck in {reading.name}{why}")
        if not others:
            return tone_page(reading)
        return comparison_page(tuple(compare_tone(reading, tone) for other in others for tone in read_tones(other)))

    form.act = act
    return form.open(ready=bool(guitars))


def _was_played(path: str) -> bool:
    """Whether a folder holds strums or plucks, or does not say what it holds."""
    try:
        session = read_session(path)
    except LuthkitError:
        return False
    return not session.conditions or any(r.kind in ("strum", "pluck") for r in session.recordings)
