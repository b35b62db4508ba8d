"""`luthkit modes`: the modes of one instrument."""

from __future__ import annotations

import os

from .common import NOTHING_USABLE, BadUse, add_output, check_paths, no_modes, say, write_report, write_sheet
from .located import located


def add(commands) -> None:
    modes = commands.add_parser("modes", help="the modes of one instrument")
    modes.add_argument(
        "paths",
        nargs="+",
        metavar="FOLDER|FILE",
        help="one folder of recordings, sound files, or a guitar of the logbook",
    )
    modes.set_defaults(run=run)
    add_output(modes)
    modes.add_argument("--sheet", metavar="FILE", help="write a one-page sheet to print (.pdf or .html)")


def run(options) -> int:
    options.paths = located(options.paths)
    folders = [path for path in options.paths if os.path.isdir(path)]
    if folders and len(options.paths) > 1:
        raise BadUse("modes reads one instrument: name one folder, or several files, but not several folders")
    check_paths(options.paths, options.report)
    from ..shop.names import name_instrument
    from ..shop.reading import read_instrument
    from ..show import data, words
    from ..show.report import report_page

    modeset = read_instrument(options.paths)
    naming = name_instrument(options.paths, modeset=modeset)
    write = options.report is not None and bool(modeset.modes)
    if options.sheet is not None and modeset.modes:
        write_sheet(report_page(modeset, naming), options.sheet)
    if options.json:
        report = write_report(report_page(modeset, naming), options.report) if write else None
        print(data.to_json({**data.modeset_data(modeset, naming), "report": report}), flush=True)
    else:
        print(words.modes_text(modeset, naming), flush=True)
        if write:
            print(f"\nReport: {write_report(report_page(modeset, naming), options.report)}", flush=True)
    return 0 if modeset.modes else say(no_modes(modeset), NOTHING_USABLE)
