"""The form of the logbook: what is in hand and due, recordings to be kept, and whether all sound is still there."""

from __future__ import annotations

import datetime
from contextlib import suppress
from dataclasses import replace
from functools import partial
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
from ...shop.workshop import results_folder
from ..history import repeat_rows
from ..logbook import overview_page, verification_lines
from ..page import bullets
from .common import Form, each_of, list_field, text_field

LOOK, KEEP, NOTE, STUDY, CHECK, PACK = (
    "show what is in hand and due",
    "keep what I have (a folder of recordings, a parcel .zip, a repeat study .csv)",
    "note what was done to a guitar",
    "make my repeat study from recordings in the logbook",
    "check that all sound is still there",
    "pack one guitar for another logbook",
)
ALL = "all guitars"
_CHOOSE = "please choose"
_AS_WRITTEN = "as written down with the recordings"


def logbook_form(*, start=None) -> widgets.Widget:
    """The form of the logbook; it opens with the overview of the logbook in or around `start`, if there is one.

    Nothing is ever moved or deleted: recordings are copied, and what is in the logbook stays as it is.
    """
    try:
        found = find_logbook(start)
    except LuthkitError:
        found = None
    place = text_field("Logbook", "folder of the logbook; a new, empty one is made when you keep something")
    place.value = str(found.path if found else Path(start or Path.cwd()).resolve().parent / "logbook")
    job = list_field("I want to", [LOOK, KEEP, NOTE, STUDY, CHECK, PACK])
    source = text_field("Recordings in", "folder of one session, a parcel (.zip) or a table (.csv): copied, not moved")
    known = list_field("Guitar", [])
    guitar = text_field("Name of the guitar", f"a new name or one of the logbook; empty: {_AS_WRITTEN}")
    role = list_field("A new guitar is a", ROLES)
    day = text_field("Day", "such as 2024-03-09; empty: as written down, or today")
    stage = list_field("Stage", [_AS_WRITTEN, *STAGES])
    struck = list_field("Where struck", [_AS_WRITTEN, *POSITIONS])
    placement = text_field("Placement", f"such as 1, when it was hung up once for all; empty: {_AS_WRITTEN}")
    event = list_field("What was done", [_CHOOSE, *EVENT_KINDS])
    words = text_field("in a few words", "for instance: new saddle, bone")
    days = text_field(
        "Days of the study", "such as 2024-03-09 2024-03-11; empty: all sessions recorded for a repeat study"
    )
    shown = {
        LOOK: [],
        KEEP: [source, guitar, role, day, stage, struck, placement],
        NOTE: [known, event, day, words],
        STUDY: [known, days],
        CHECK: [known],
        PACK: [known],
    }
    fields = (source, known, guitar, role, day, stage, struck, placement, event, words, days)

    def show(_=None):
        for field in fields:
            field.layout.display = "" if field in shown[job.value] else "none"
        names = _guitars(place.value)
        names = [ALL, *names] if job.value == CHECK else names or ["none in the logbook yet"]
        if list(known.options) != names:
            before, known.options = known.value, names
            known.value = before if before in names else names[0]

    job.observe(show, "value")
    place.observe(show, "value")
    show()
    form = Form("Do it", [place, job, *fields])

    def act():
        folder, today = Path(place.value.strip()).expanduser(), datetime.date.today()
        if job.value != KEEP and logbook_around(folder) is None:
            raise LuthkitError(f"there is no logbook in {folder} yet; keep a first session, and it is made")
        asked = {KEEP: (lambda: _path(source.value),), NOTE: (lambda: _chosen(event),)}
        *given, when = each_of(*asked.get(job.value, ()), lambda: _day(day.value) if day in shown[job.value] else None)
        logbook, details = start_logbook(folder), []
        if job.value == KEEP:
            said = {"date": when, "stage": _said(stage)}
            where = {"position": _said(struck) or "", "placement": placement.value.strip()}
            name = " ".join(guitar.value.split())
            details = _keep(logbook, *given, name, role.value, said, where)
            source.value = ""
        elif job.value == NOTE:
            noted = add_event(logbook, known.value, *given, date=when or today, note=words.value)
            details = [f"Noted for {known.value}: {noted.words} on {noted.date}."]
            words.value = ""
        elif job.value == STUDY:
            details = _study(logbook, known.value, days.value)
        elif job.value == CHECK:
            details = verification_lines(verify(logbook, None if known.value == ALL else known.value))
        elif job.value == PACK:
            details = [f"Packed as {pack(logbook, known.value, _results()).resolve()}."]
        show()
        page = overview_page(overview(logbook), path=logbook.path, today=today, remarks=details[:1])
        return replace(page, body=page.body + bullets(details[1:]))

    form.act = act
    return form.open(ready=found is not None)


def _results() -> Path:
    """The folder that what is saved goes into, made where it is missing."""
    home = results_folder()
    home.mkdir(parents=True, exist_ok=True)
    return home


def _guitars(place: str) -> list[str]:
    with suppress(LuthkitError, OSError, RuntimeError):  # half a path, or one that cannot be
        logbook = logbook_around(Path(place.strip()).expanduser())
        return [each.name for each in logbook.guitars()] if logbook else []
    return []


def _said(field) -> str | None:
    return None if field.value == _AS_WRITTEN else field.value


def _path(typed: str) -> Path:
    if not typed.strip():
        raise LuthkitError("no recordings are named; write the path of their folder into the field Recordings in")
    return Path(typed.strip().strip("\"'")).expanduser()


def _chosen(event) -> str:
    if event.value == _CHOOSE:
        raise LuthkitError(f"{event.description} is not chosen; choose {', '.join(EVENT_KINDS)}")
    return event.value


def _keep(logbook, path, name, role, said, where) -> list[str]:
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
    asked = each_of(*(partial(_day, day) for day in days.replace(",", " ").split()))
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
