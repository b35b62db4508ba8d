"""The form that makes a reference profile; the forms of the second and fourth notebooks hold a build against it."""

from __future__ import annotations

from pathlib import Path

import ipywidgets as widgets

from ...errors import LuthkitError
from ...guitar.profile import make_profile
from ...shop.logbook import PROFILES, find_logbook
from ...shop.profile_file import tone_of, write_profile
from ..profile import profile_page
from .common import LAYOUT, WIDE, Form, Reader, chosen, find_guitars, label, path_field


def profile_form(*, start=None) -> widgets.Widget:
    """A new profile from sessions of one or several guitars, kept in the logbook, or beside the notebook without one.

    `start` is the folder where guitars are looked for (default: the current folder and those beside it).
    """
    guitars = find_guitars(start)
    name = widgets.Text(
        description="Call it", placeholder="such as Old spruce guitars", value="", style=WIDE, layout=LAYOUT
    )
    sessions = widgets.SelectMultiple(
        description="Drawn from",
        options=[(label(path), path) for path in guitars],
        rows=max(2, min(6, len(guitars))),
        style=WIDE,
        layout=LAYOUT,
    )
    elsewhere = path_field("and a guitar elsewhere")
    form = Form("Make the profile", [name, sessions, elsewhere])
    reader = Reader()

    def act():
        folders = [Path(path) for path in sessions.value]
        folders += chosen([], elsewhere.value) if elsewhere.value.strip() else []
        profile = make_profile(name.value, reader.read(folders), tone=tone_of(folders))
        return profile_page(profile, write_profile(profile, _home(start)))

    form.act = act
    return form.open(ready=False)


def _home(start) -> Path:
    try:
        home = find_logbook(start).path / PROFILES
        home.mkdir(exist_ok=True)
        return home
    except (LuthkitError, OSError):
        return Path.cwd()
