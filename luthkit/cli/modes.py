"""`luthkit modes`: the modes of one instrument."""

from __future__ import annotations

from functools import cache

from .common import NOTHING_USABLE, add_output, check_paths, no_modes, say, tell, write_sheet
from .located import add_paths, one_guitar


def add(commands) -> None:
    modes = commands.add_parser("modes", help="the modes of one instrument")
    add_paths(modes)
    modes.set_defaults(run=run)
    add_output(modes, sheet=True)


def run(options) -> int:
    options.paths = one_guitar(options)
    check_paths(options.paths, options.report)
    from ..shop.names import name_instrument
    from ..shop.reading import read_instrument
    from ..show import data, words
    from ..show.report import report_page

    modeset = read_instrument(options.paths)
    naming = name_instrument(options.paths, modeset=modeset)
    page = cache(lambda: report_page(modeset, naming))
    if not modeset.modes:
        options.report = options.sheet = None
    write_sheet(page, options.sheet)
    tell(
        options,
        data=lambda: data.modeset_data(modeset, naming),
        text=lambda: words.modes_text(modeset, naming),
        page=page,
    )
    return 0 if modeset.modes else say(no_modes(modeset), NOTHING_USABLE)
