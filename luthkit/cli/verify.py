"""`luthkit verify`: whether all sound in the logbook is there, bit for bit."""

from __future__ import annotations

from .common import NOTHING_USABLE, add_output, check_paths, write_report
from .logbook import add_place, place


def add(commands) -> None:
    command = commands.add_parser("verify", help="whether all sound in the logbook is still there, bit for bit")
    command.add_argument("guitar", nargs="?", metavar="GUITAR", help="one guitar by name (default: all)")
    add_place(command)
    command.set_defaults(run=run)
    add_output(command)


def run(options) -> int:
    check_paths([], options.report)
    from ..shop.verify import verify
    from ..show import data
    from ..show.logbook import verification_data, verification_lines, verification_page

    logbook = place(options)
    result = verify(logbook, options.guitar)
    report = write_report(verification_page(result, path=logbook.path), options.report) if options.report else None
    if options.json:
        print(data.to_json({**verification_data(result), "report": report}), flush=True)
    else:
        print("\n".join([*verification_lines(result), *([f"\nReport: {report}"] if report else [])]), flush=True)
    return NOTHING_USABLE if result.lost else 0
