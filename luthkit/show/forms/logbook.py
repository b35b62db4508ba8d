"""The form of the logbook: what is in hand and due, recordings to be kept, and whether all sound is still there."""

from __future__ import annotations

import datetime
from dataclasses import replace
from pathlib import Path

import ipywidgets as widgets

from ...errors import LuthkitError
from ...shop.events import EVENT_KINDS
from ...shop.keeping import add_event, add_guitar, add_session, position_remark
from ...shop.logbook import ROLES, find_logbook, logbook_around, start_logbook
from ...shop.overview import overview
from ...shop.parcel import pack, unpack
from ...shop.session import POSITIONS
from ...shop.stages import STAGES
from ...shop.verify import verify
from ..logbook import overview_page, verification_lines
from ..page import bullets
from .common import LAYOUT, WIDE, Form

LOOK, KEEP, NOTE, CHECK, PACK = (
    "show what is in hand and due",
    "keep recordings I have (a folder, or a parcel .zip)",
    "note what was done to a guitar",
    "check that all sound is still there",
    "pack one guitar for another logbook",
)
_AS_WRITTEN = "as session.toml says"


def logbook_form(*, start=None) -> widgets.Widget:
    """The form of the logbook; it opens with the overview of the logbook in or around `start`, if there is one.

    Nothing is ever moved or deleted: recordings are copied, and what is in the logbook stays as it is.
    """
    try:
        found = find_logbook(start)
    except LuthkitError:
        found = None
    place = _text("Logbook", "folder of the logbook; a new, empty one is made when you keep something")
    place.value = str(found.path if found else Path(start or Path.cwd()).resolve().parent / "logbook")
    job = widgets.Dropdown(description="I want to", options=[LOOK, KEEP, NOTE, CHECK, PACK], style=WIDE, layout=LAYOUT)
    source = _text("Recordings in", "folder of one session, or a parcel (.zip): they are copied, not moved")
    guitar = _text("Guitar", "its name; empty: as session.toml says")
    role = _list("A new guitar is a", ROLES)
    day = _text("Day", "such as 2024-03-09; empty: as session.toml says, or today for what was done")
    stage = _list("Stage", [_AS_WRITTEN, *STAGES])
    struck = _list("Where struck", [_AS_WRITTEN, *POSITIONS])
    placement = _text("Set-up", "such as 1, one word for all; empty: as session.toml says")
    event = _list("What was done", EVENT_KINDS)
    words = _text("in a few words", "for instance: new saddle, bone")
    shown = {
        KEEP: [source, guitar, role, day, stage, struck, placement],
        NOTE: [guitar, event, day, words],
        CHECK: [guitar],
        PACK: [guitar],
    }

    fields = (source, guitar, role, day, stage, struck, placement, event, words)

    def show(_=None):
        for field in fields:
            field.layout.display = "" if field in shown.get(job.value, ()) else "none"

    job.observe(show, "value")
    show()
    form = Form("Do it", [place, job, *fields])

    def act():
        folder, today = Path(place.value.strip()).expanduser(), datetime.date.today()
        if job.value != KEEP and logbook_around(folder) is None:
            raise LuthkitError(f"there is no logbook in {folder} yet; keep a first session, and it is made")
        logbook = start_logbook(folder)
        name, details = " ".join(guitar.value.split()), []
        if job.value == KEEP:
            said = {"date": _day(day.value), "stage": _said(stage)}
            where = {"position": _said(struck) or "", "placement": placement.value.strip()}
            details = _keep(logbook, source.value.strip(), name, role.value, said, where)
            source.value = ""
        elif job.value == NOTE:
            noted = add_event(logbook, name, event.value, date=_day(day.value) or today, note=words.value)
            details = [f"Noted for {name}: {noted.kind} on {noted.date}."]
            words.value = ""
        elif job.value == CHECK:
            details = verification_lines(verify(logbook, name or None))
        elif job.value == PACK:
            details = [f"Packed as {pack(logbook, name, Path.cwd()).resolve()}."]
        page = overview_page(overview(logbook), path=logbook.path, today=today, remarks=details[:1])
        return replace(page, body=page.body + bullets(details[1:]))

    form.act = act
    return form.open(ready=found is not None)


def _said(field) -> str | None:
    return None if field.value == _AS_WRITTEN else field.value


def _keep(logbook, source, name, role, said, where) -> list[str]:
    if not source:
        raise LuthkitError("no recordings are named; write the path of their folder into the field Recordings in")
    path = Path(source.strip("\"'")).expanduser()
    if path.suffix.lower() == ".zip":
        came = unpack(logbook, path)
        return [f"{came.guitar}: {len(came.added)} new, {len(came.there_already)} were there already."]
    words = {key: value for key, value in said.items() if value is not None}
    if name:
        add_guitar(logbook, name, role=role)
    kept = add_session(logbook, path, guitar=name or None, words=words, **where)
    remark = position_remark(kept, how="choose it under Where struck")
    return [f"Kept as {kept.path}.", *([remark] if remark else [])]


def _day(text: str) -> datetime.date | None:
    try:
        return datetime.date.fromisoformat(text.strip()) if text.strip() else None
    except ValueError:
        raise LuthkitError(f"the day {text.strip()!r} is no date; write one as 2024-03-09") from None


def _text(words: str, hint: str):
    return widgets.Text(description=words, placeholder=hint, style=WIDE, layout=LAYOUT)


def _list(words: str, options):
    return widgets.Dropdown(description=words, options=list(options), style=WIDE, layout=LAYOUT)
