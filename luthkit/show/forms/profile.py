"""The form that makes a reference profile; the forms of the second and fourth notebooks hold a build against it."""

from __future__ import annotations

from pathlib import Path

import ipywidgets as widgets

from ...errors import LuthkitError
from ...guitar.profile import make_profile
from ...shop.logbook import PROFILES, find_logbook
from ...shop.profile_file import tone_of, write_profile
from ..profile import profile_page
from .common import Form, Reader, WrongEntry, each_of, find_guitars, mark_list, marked, path_field, text_field


def profile_form(*, start=None) -> widgets.Widget:
    """A new profile from sessions of one or several guitars, kept in the logbook, or beside the notebook without one.

    `start` is the folder where guitars are looked for (default: the current folder and those beside it).
    """
    name = text_field("Call it", "such as Old spruce guitars")
    sessions = mark_list("Drawn from", find_guitars(start))
    elsewhere = path_field("and a guitar elsewhere")
    form = Form("Make the profile", [name, sessions, elsewhere])
    reader = Reader()

    def called():
        if not name.value.strip():
            raise WrongEntry(name, "is empty; a profile needs a name, such as Old spruce guitars")
        return name.value

    def drawn_from():
        if not (folders := marked(sessions.value, elsewhere.value)):
            raise LuthkitError("no guitar is marked to draw it from; click on one, or on several with Ctrl held")
        return folders

    def act():
        words, folders = each_of(called, drawn_from)
        profile = make_profile(words, reader.read(folders), tone=tone_of(folders))
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
