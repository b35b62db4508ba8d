"""`luthkit logbook`: guitars and builds in hand, the stage of each, and what is due next."""

from __future__ import annotations

from .common import BadUse, add_output, check_paths, tell


def add(commands) -> None:
    command = commands.add_parser("logbook", help="guitars and builds in hand, and what is due next")
    add_place(command)
    command.add_argument("--start", metavar="FOLDER", help="make a new, empty folder into a logbook")
    command.set_defaults(run=run)
    add_output(command)


def add_place(command) -> None:
    """The option that says which logbook."""
    command.add_argument("--logbook", metavar="FOLDER", help="the logbook (default: the one in or around this folder)")


def place(options):
    """The logbook that the options name, or the one nearby."""
    from ..shop.logbook import find_logbook, open_logbook

    return open_logbook(options.logbook) if options.logbook else find_logbook()


def day(text: str):
    """A date from the command line."""
    import datetime

    try:
        return datetime.date.fromisoformat(text)
    except ValueError:
        raise BadUse(f"{text!r} is no date; write one as 2024-03-09") from None


def run(options) -> int:
    import datetime

    check_paths([], options.report)
    from ..shop.logbook import start_logbook
    from ..shop.overview import overview
    from ..show.logbook import overview_data, overview_page, overview_text

    logbook = start_logbook(options.start) if options.start else place(options)
    lines, today = overview(logbook), datetime.date.today()
    return tell(
        options,
        data=lambda: {"logbook": str(logbook.path), **overview_data(lines)},
        text=lambda: overview_text(lines, today=today),
        page=lambda: overview_page(lines, path=logbook.path, today=today),
    )
