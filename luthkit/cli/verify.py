"""`luthkit verify`: whether all sound in the logbook is there, bit for bit."""

from __future__ import annotations

from .common import NOTHING_USABLE, add_output, check_paths, tell
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
    from ..show.logbook import verification_data, verification_lines, verification_page

    logbook = place(options)
    result = verify(logbook, options.guitar)
    tell(
        options,
        data=lambda: verification_data(result),
        text=lambda: "\n".join(verification_lines(result)),
        page=lambda: verification_page(result, path=logbook.path),
    )
    return NOTHING_USABLE if result.lost else 0
