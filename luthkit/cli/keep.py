"""`luthkit keep`: recordings, a parcel or an event go into the logbook."""

from __future__ import annotations

from .common import BadUse, check_paths, tell
from .logbook import add_place, day, place

_WORDS = ("stage", "stage_note", "strings", "microphone", "room", "support", "mallet", "maker", "operator", "notes")
_NUMBERS = ("temperature_c", "relative_humidity_percent", "mass_g", "strings_age_h", "microphone_distance_cm")


def add(commands) -> None:
    command = commands.add_parser("keep", help="put recordings, a parcel, a repeat study or an event into the logbook")
    command.add_argument(
        "source",
        nargs="*",
        metavar="FOLDER|FILE",
        help="recordings of one session, a parcel (.zip) or a repeat study (.csv); copied, not moved",
    )
    command.add_argument("--guitar", metavar="NAME", help="what the guitar is called")
    command.add_argument("--role", default="", help="of a new guitar: build, reference or other")
    command.add_argument("--date", metavar="YYYY-MM-DD", help="the day of the session or event")
    command.add_argument("--event", metavar="KIND", help="strung, strings changed, set-up, repair or other")
    command.add_argument("--position", metavar="PLACE", help="where all taps were struck that do not say it")
    command.add_argument("--placement", metavar="WORD", help="in which set-up, such as 1, where the taps do not say it")
    for word in _WORDS:
        command.add_argument(f"--{word.replace('_', '-')}", metavar="TEXT")
    for number in _NUMBERS:
        command.add_argument(f"--{number.replace('_', '-')}", type=float, metavar="NUMBER")
    command.add_argument("--repeat-study", action="store_true", help="the session belongs to the guitar's repeat study")
    add_place(command)
    command.add_argument("--json", action="store_true", help="print JSON and nothing else")
    command.set_defaults(run=run)


def run(options) -> int:
    date = day(options.date) if options.date else None
    if bool(options.source) == bool(options.event):
        raise BadUse("name what is to be kept: a folder, sound files or a parcel, or else --event with --guitar")
    if (options.position or options.placement) and (
        options.event or options.source[0].lower().endswith((".zip", ".csv"))
    ):
        raise BadUse("--position and --placement are for recordings of taps; leave them out here")
    check_paths(options.source, None)
    done = _event(options, date) if options.event else _sound(options, date)
    return tell(options, data=lambda: done, text=lambda: "\n".join(filter(None, [done["done"], done.get("remark")])))


def _event(options, date) -> dict:
    import datetime

    from ..shop.keeping import add_event

    if not options.guitar:
        raise BadUse("--event needs --guitar NAME")
    date, note = date or datetime.date.today(), options.notes or ""
    event = add_event(place(options), options.guitar, options.event, date=date, note=note)
    return {"done": f"Noted for {options.guitar}: {event.kind} on {event.date}", "date": event.date, "kind": event.kind}


def _sound(options, date) -> dict:
    from ..shop.keeping import add_session, position_remark
    from ..shop.parcel import unpack

    logbook, first = place(options), options.source[0]
    if first.lower().endswith((".zip", ".csv")) and len(options.source) > 1:
        raise BadUse("one parcel, or one repeat study, at a time, please")
    if first.lower().endswith(".csv"):
        from ..shop.history import read_rows
        from ..shop.study import keep_study, kept_words

        path = keep_study(logbook, read_rows(first), date=date)
        return {"done": kept_words(path), "path": str(path)}
    if first.lower().endswith(".zip"):
        came = unpack(logbook, first)
        known = f"; {len(came.there_already)} were there already" if came.there_already else ""
        words = f"{came.guitar}: {len(came.added)} new session{'s' * (len(came.added) != 1)} in {came.path}{known}"
        return {"done": words, "guitar": came.guitar, "added": came.added, "there_already": came.there_already}
    said = {key: getattr(options, key) for key in (*_WORDS, *_NUMBERS)}
    said = {**said, "date": date, "repeat_study": options.repeat_study or None}
    source = first if len(options.source) == 1 else options.source
    kept = add_session(
        logbook,
        source,
        guitar=options.guitar,
        words={key: value for key, value in said.items() if value is not None},
        position=options.position or "",
        placement=options.placement or "",
        role=options.role,
    )
    source_of_name = "its session.toml" if "guitar" in kept.conditions else "the folder"
    assumed = f", of {kept.guitar} (so called by {source_of_name}; another name: --guitar)" * (not options.guitar)
    return {
        "done": f"Kept as {kept.path}{assumed}",
        "guitar": kept.guitar,
        "path": str(kept.path),
        "date": kept.date,
        "remark": position_remark(kept, how="name it with --position and --placement"),
    }
