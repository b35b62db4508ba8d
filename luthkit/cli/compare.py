"""`luthkit compare`: a build beside its references."""

from __future__ import annotations

from ..errors import LuthkitError
from .common import BadUse, add_output, check_paths, no_modes, write_report, write_sheet


def add(commands) -> None:
    compare = commands.add_parser("compare", help="a build beside one or more references")
    compare.add_argument("build", metavar="BUILD", help="folder of recordings of the new guitar")
    compare.add_argument("references", nargs="+", metavar="REFERENCE", help="folder of a reference guitar")
    compare.add_argument(
        "--setting",
        default="re-hung",
        help="what changed between recordings: re-hung (default), same set-up, other operator, other room",
    )
    compare.set_defaults(run=run)
    add_output(compare)
    compare.add_argument("--sheet", metavar="FILE", help="write a one-page sheet to print (.pdf or .html)")


def run(options) -> int:
    from ..guitar.thresholds import Thresholds

    check_paths([options.build, *options.references], options.report)
    try:
        thresholds = Thresholds(setting=options.setting)
    except LuthkitError as error:
        raise BadUse(str(error)) from error
    from ..guitar.comparison import compare
    from ..shop.names import name_instrument
    from ..shop.reading import read_instruments
    from ..show import data, words
    from ..show.report import report_page

    build, *references = read_instruments([options.build, *options.references])
    for modeset in (build, *references):
        if not modeset.modes:
            raise LuthkitError(no_modes(modeset))
    folders = (options.build, *options.references)
    namings = [name_instrument(path, modeset=m) for path, m in zip(folders, (build, *references), strict=True)]
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
