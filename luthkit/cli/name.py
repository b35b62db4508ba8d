"""`luthkit name`: which mode is which, by evidence."""

from __future__ import annotations

import os

from ..errors import LuthkitError
from .common import NOTHING_USABLE, BadUse, add_output, check_paths, no_modes, say, write_report
from .located import located


def add(commands) -> None:
    name = commands.add_parser("name", help="which mode is which: air, top, back, dipoles")
    name.add_argument(
        "paths",
        nargs="+",
        metavar="FOLDER|FILE",
        help="one folder of recordings, sound files, or a guitar of the logbook",
    )
    name.add_argument("--body-kind", default="", help="classical, small steel-string or large steel-string")
    name.add_argument("--call", nargs=2, metavar=("HZ", "NAME"), help="give the mode at HZ a name of your own ...")
    name.add_argument("--because", metavar="REASON", help="... and say why; both are kept in names.toml")
    name.add_argument("--take-back", metavar="HZ", help="take back a name you gave to the mode at HZ")
    name.set_defaults(run=run)
    add_output(name)


def run(options) -> int:
    options.paths = located(options.paths)
    folders = [path for path in options.paths if os.path.isdir(path)]
    if folders and len(options.paths) > 1:
        raise BadUse("name reads one instrument: name one folder, or several files, but not several folders")
    if bool(options.call) != bool(options.because):
        raise BadUse("--call HZ NAME and --because REASON go together: a name of your own needs its reason")
    check_paths(options.paths, options.report)
    frequency = _hz("--call", options.call[0]) if options.call else None
    mistaken = _hz("--take-back", options.take_back) if options.take_back else None
    from ..guitar.priors import BODY_KINDS

    if options.body_kind and options.body_kind not in BODY_KINDS:
        raise BadUse(f"--body-kind {options.body_kind!r} is not known; allowed are {', '.join(BODY_KINDS)}")
    from ..guitar.naming import overrule
    from ..shop.names import add_overrule, name_instrument, take_back
    from ..shop.reading import read_instrument
    from ..show import data
    from ..show.names import naming_data, naming_page, naming_text

    modeset = read_instrument(options.paths)
    if not modeset.modes:
        return say(no_modes(modeset), NOTHING_USABLE, options)
    try:
        if mistaken:
            take_back(options.paths, mistaken)
        naming = name_instrument(options.paths, body_kind=options.body_kind, modeset=modeset)
        if options.call:
            naming = overrule(naming, frequency, options.call[1], options.because)
            add_overrule(options.paths, frequency, options.call[1], options.because)
    except LuthkitError as error:
        raise BadUse(str(error)) from error
    report = write_report(naming_page(naming), options.report) if options.report is not None else None
    if options.json:
        print(data.to_json({**naming_data(naming), "report": report}), flush=True)
    else:
        print(naming_text(naming), flush=True)
        if report:
            print(f"\nReport: {report}", flush=True)
    return 0


def _hz(option: str, text: str) -> float:
    try:
        return float(text)
    except ValueError:
        raise BadUse(f"{option} wants a frequency in hertz first, such as 196, not {text!r}") from None
