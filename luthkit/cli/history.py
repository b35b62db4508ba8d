"""`luthkit history`: one guitar over months and years."""

from __future__ import annotations

import os
import sys

from ..errors import LuthkitError
from .common import BadUse, add_output, check_paths, hertz, tell
from .logbook import add_place, day, place


def add(commands) -> None:
    history = commands.add_parser("history", help="one guitar over months and years: settling, weather, alarm")
    history.add_argument(
        "guitar", metavar="GUITAR", help="its name in the logbook, a folder with its sessions, or a table of readings"
    )
    add_place(history)
    history.add_argument(
        "--within", type=float, default=0.5, metavar="PERCENT", help="how near to rest counts as settled (default 0.5)"
    )
    history.add_argument(
        "--climate", nargs=2, type=float, metavar=("CELSIUS", "PERCENT"), help="the climate to refer all readings to"
    )
    add_study(
        history,
        nargs="?",
        const="",
        help="use this repeat study; without TABLE, make one from the sessions of GUITAR and keep it in the logbook",
    )
    history.add_argument(
        "--days", nargs=2, metavar=("FIRST", "LAST"), help="with --repeat-study: the days its sessions were recorded"
    )
    history.add_argument(
        "--start-for", nargs=2, metavar=("HZ", "MODE"), help="where must a new guitar start, to rest at HZ in MODE"
    )
    history.add_argument(
        "--settled", nargs="*", default=[], metavar="GUITAR", help="other guitars of yours that have settled"
    )
    history.set_defaults(run=run)
    add_output(history)


def add_study(command, **more) -> None:
    """The options that say whose repeatability is used."""
    words = {"help": "use this repeat study instead of the one in the logbook", **more}
    command.add_argument("--repeat-study", metavar="TABLE", **words)
    command.add_argument("--no-repeat-study", action="store_true", help="use the planning values, not your own study")


def own_figures(options, path, *, thresholds=None):
    """The thresholds that the options and the logbook around the guitar ask for."""
    from ..shop.study import own_thresholds

    return own_thresholds(path, table=options.repeat_study, use=not options.no_repeat_study, thresholds=thresholds)


def run(options) -> int:
    where = _where(options)
    tables = [options.repeat_study] if options.repeat_study else []
    check_paths([where, *tables, *options.settled], options.report)
    days = [day(text) for text in options.days] if options.days else []
    if days and options.repeat_study != "":
        raise BadUse("--days goes with --repeat-study without a table: it says which sessions make the study")
    from ..guitar.follow import follow
    from ..shop.history import read_history
    from ..show.history import following_data, following_page, following_text

    if options.repeat_study == "":
        options.repeat_study = _made_study(where, days)
    thresholds = own_figures(options, where)
    history = read_history(where)
    following = follow(history, within=options.within / 100, thresholds=thresholds, reference_climate=options.climate)
    start = _start(options, thresholds) if options.start_for else None

    def text():
        parts = [following_text(following), *([f"Looking back\n{start.sentence}"] if start else [])]
        if options.repeat_study:
            from ..shop.study import read_repeat_study
            from ..show.history import repeat_text

            parts.insert(0, repeat_text(read_repeat_study(options.repeat_study)))
        return "\n\n".join(parts)

    return tell(
        options,
        data=lambda: {**following_data(following), **({"start": start.sentence} if start else {})},
        text=text,
        page=lambda: following_page(following),
    )


def _where(options) -> str:
    """The path of the guitar: as it was typed, else that of the guitar of this name in the logbook."""
    if os.path.exists(options.guitar) and not options.logbook:
        return options.guitar
    try:
        return os.fspath(place(options).guitar(options.guitar).path)
    except LuthkitError as error:
        raise BadUse(f"{options.guitar} does not exist, and: {error}") from error


def _made_study(where, days) -> str:
    """Make a repeat study of the recordings of a guitar and keep it in its logbook; the path of its table."""
    from ..shop.logbook import logbook_around
    from ..shop.study import keep_study, study_rows

    logbook = logbook_around(where)
    if logbook is None:
        raise BadUse(f"{where} lies in no logbook, where the study would be kept; see luthkit keep --help")
    print("luthkit: the taps of each hanging are read twice; this takes some minutes", file=sys.stderr, flush=True)
    rows = study_rows(where, since=min(days, default=None), until=max(days, default=None))
    return os.fspath(keep_study(logbook, rows))


def _start(options, thresholds):
    """Where a new guitar must start, from those that have settled."""
    from ..guitar.forecast import look_back, settled_from
    from ..guitar.history import series
    from ..guitar.settling import settle
    from ..shop.history import read_history

    hz, mode = hertz("--start-for", options.start_for[0]), options.start_for[1]
    others = [read_history(path) for path in dict.fromkeys(map(os.fspath, options.settled))]
    found = [settled_from(other.name, settle(series(other, mode, thresholds=thresholds))) for other in others]
    return look_back(hz, float("nan"), found)
