"""`luthkit compare`: a build beside its references."""

from __future__ import annotations

from ..errors import LuthkitError
from .common import BadUse, add_output, check_paths, no_modes, write_report, write_sheet
from .history import add_study, own_figures
from .located import located


def add(commands) -> None:
    compare = commands.add_parser("compare", help="a build beside one or more references")
    compare.add_argument(
        "build", metavar="BUILD", help="folder of recordings of the new guitar, or its name in the logbook"
    )
    compare.add_argument(
        "references",
        nargs="+",
        metavar="REFERENCE",
        help="folder of a reference, its name in the logbook, or a profile (.toml)",
    )
    compare.add_argument(
        "--setting",
        default="re-hung",
        help="what changed between recordings: re-hung (default), same set-up, other operator, other room",
    )
    add_study(compare)
    compare.set_defaults(run=run)
    add_output(compare)
    compare.add_argument("--sheet", metavar="FILE", help="write a one-page sheet to print (.pdf or .html)")


def run(options) -> int:
    from ..guitar.thresholds import Thresholds

    tables = [options.repeat_study] if options.repeat_study else []
    options.build, *options.references = located([options.build, *options.references])
    check_paths([options.build, *options.references, *tables], options.report)
    try:
        thresholds = Thresholds(setting=options.setting)
    except LuthkitError as error:
        raise BadUse(str(error)) from error
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
    page = report_page(comparison)
    write_sheet(page, options.sheet)
    if options.json:
        report = write_report(page, options.report)
        print(data.to_json({**data.comparison_data(comparison), "report": report}), flush=True)
    else:
        print(words.comparison_text(comparison), flush=True)
        print(f"\nReport: {write_report(page, options.report)}", flush=True)
    return 0
