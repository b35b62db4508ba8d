"""`luthkit compare`: a build beside its references."""

from __future__ import annotations

from functools import cache

from ..errors import LuthkitError
from .common import BadUse, add_output, check_paths, misuse, no_modes, tell, write_sheet
from .history import add_study, own_figures
from .located import located


def add(commands) -> None:
    compare = commands.add_parser("compare", help="a build beside one or more references")
    words = "folder of recordings of the new guitar, or its name in the logbook"
    compare.add_argument("build", metavar="BUILD", help=words)
    words = "folder of a reference, its name in the logbook, or a profile (.toml)"
    compare.add_argument("references", nargs="+", metavar="REFERENCE", help=words)
    words = "what changed between recordings: re-hung (default), same set-up, other operator, other room"
    compare.add_argument("--setting", default="re-hung", help=words)
    add_study(compare)
    compare.set_defaults(run=run)
    add_output(compare, sheet=True)


def run(options) -> int:
    from ..guitar.thresholds import Thresholds

    tables = [options.repeat_study] if options.repeat_study else []
    options.build, *options.references = located([options.build, *options.references])
    check_paths([options.build, *options.references, *tables], options.report)
    with misuse():
        thresholds = Thresholds(setting=options.setting)
    thresholds = own_figures(options, options.build, thresholds=thresholds)
    from ..guitar.comparison import compare
    from ..shop.names import name_instrument
    from ..shop.profile_file import is_profile, read_references
    from ..show import data, words
    from ..show.report import report_page

    if is_profile(options.build):
        raise BadUse(f"{options.build} is a profile; the first place is for the folder of the build")
    paths = (options.build, *options.references)
    build, *references = read_references(paths)
    folders = [(path, each) for path, each in zip(paths, (build, *references), strict=True) if not is_profile(path)]
    for _, modeset in folders:
        if not modeset.modes:
            raise LuthkitError(no_modes(modeset))
    namings = [name_instrument(path, modeset=modeset) for path, modeset in folders]
    comparison = compare(build, references, thresholds=thresholds, namings=namings)
    page = cache(lambda: report_page(comparison))
    write_sheet(page, options.sheet)
    options.report = options.report or ""  # a report is always written, by itself where reports go
    return tell(
        options,
        data=lambda: data.comparison_data(comparison),
        text=lambda: words.comparison_text(comparison),
        page=page,
    )
