"""The form of the logbook: what is in hand and due, recordings to be kept, and whether all sound is still there."""

from __future__ import annotations

import datetime
from dataclasses import replace
from pathlib import Path

import ipywidgets as widgets

from ...errors import LuthkitError
from ...guitar.history import EVENT_KINDS
from ...shop.history import read_rows
from ...shop.keeping import add_event, add_session, position_remark
from ...shop.logbook import ROLES, find_logbook, logbook_around, start_logbook
from ...shop.overview import overview
from ...shop.parcel import pack, unpack
from ...shop.session import POSITIONS, STAGES
from ...shop.study import keep_study, kept_words, read_repeat_study, study_rows
from ...shop.verify import verify
from ..history import repeat_rows
from ..logbook import overview_page, verification_lines
from ..page import bullets
from .common import LAYOUT, WIDE, Form

LOOK, KEEP, NOTE, STUDY, CHECK, PACK = (
    "show what is in hand and due",
    "keep what I have (a folder of recordings, a parcel .zip, a repeat study .csv)",
    "note what was done to a guitar",
    "make my repeat study from recordings in the logbook",
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
    job = widgets.Dropdown(
        description="I want to", options=[LOOK, KEEP, NOTE, STUDY, CHECK, PACK], style=WIDE, layout=LAYOUT
    )
    source = _text("Recordings in", "folder of one session, a parcel (.zip) or a table (.csv): copied, not moved")
    guitar = _text("Guitar", "its name; empty: as session.toml says")
    role = _list("A new guitar is a", ROLES)
    day = _text("Day", "such as 2024-03-09; empty: as session.toml says, or today for what was done")
    stage = _list("Stage", [_AS_WRITTEN, *STAGES])
    struck = _list("Where struck", [_AS_WRITTEN, *POSITIONS])
    placement = _text("Placement", "such as 1, one word for all; empty: as session.toml says")
    event = _list("What was done", EVENT_KINDS)
    words = _text("in a few words", "for instance: new saddle, bone")
    days = _text("Its days", "such as 2024-03-09 2024-03-11; empty: sessions that say repeat_study = true")
    shown = {
        KEEP: [source, guitar, role, day, stage, struck, placement],
        NOTE: [guitar, event, day, words],
        STUDY: [guitar, days],
        CHECK: [guitar],
        PACK: [guitar],
    }

    fields = (source, guitar, role, day, stage, struck, placement, event, words, days)

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
        elif job.value == STUDY:
            details = _study(logbook, name, days.value)
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
    if path.suffix.lower() == ".csv":
        return [kept_words(keep_study(logbook, read_rows(path), date=said["date"]))]
    if path.suffix.lower() == ".zip":
        came = unpack(logbook, path)
        return [f"{came.guitar}: {len(came.added)} new, {len(came.there_already)} were there already."]
    words = {key: value for key, value in said.items() if value is not None}
    kept = add_session(logbook, path, guitar=name or None, words=words, role=role, **where)
    remark = position_remark(kept, how="choose it under Where struck and Placement")
    return [f"Kept as {kept.path}, a session of {kept.guitar}.", *([remark] if remark else [])]


def _study(logbook, name, days) -> list[str]:
    asked = [_day(day) for day in days.replace(",", " ").split()]
    rows = study_rows(logbook.guitar(name).path, since=min(asked, default=None), until=max(asked, default=None))
    kept = keep_study(logbook, rows)
    study = read_repeat_study(kept)
    seen = "; ".join(f"{row[0]}: {row[3]} in frequency, {row[4]} in damping" for row in repeat_rows(study))
    told = f"The smallest change you can see from one reading to the next: {seen}."
    return [kept_words(kept), told, *study.notes]


def _day(text: str) -> datetime.date | None:
    try:
        return datetime.date.fromisoformat(text.strip()) if text.strip() else None
    except ValueError:
        raise LuthkitError(f"the day {text.strip()!r} is no date; write one as 2024-03-09") from None


def _text(words: str, hint: str):
    return widgets.Text(description=words, placeholder=hint, style=WIDE, layout=LAYOUT)


def _list(words: str, options):
    return widgets.Dropdown(description=words, options=list(options), style=WIDE, layout=LAYOUT)
