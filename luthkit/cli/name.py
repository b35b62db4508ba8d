"""`luthkit name`: which mode is which, by evidence."""

from __future__ import annotations

from ..errors import LuthkitError
from .common import NOTHING_USABLE, BadUse, add_output, check_paths, hertz, no_modes, say, tell
from .located import add_paths, one_guitar


def add(commands) -> None:
    name = commands.add_parser("name", help="which mode is which: air, top, back, dipoles")
    add_paths(name)
    name.add_argument("--body-kind", default="", help="classical, small steel-string or large steel-string")
    name.add_argument("--call", nargs=2, metavar=("HZ", "NAME"), help="give the mode at HZ a name of your own ...")
    name.add_argument("--because", metavar="REASON", help="... and say why; both are kept in names.toml")
    name.add_argument("--take-back", metavar="HZ", help="take back a name you gave to the mode at HZ")
    name.set_defaults(run=run)
    add_output(name)


def run(options) -> int:
    options.paths = one_guitar(options)
    if bool(options.call) != bool(options.because):
        raise BadUse("--call HZ NAME and --because REASON go together: a name of your own needs its reason")
    check_paths(options.paths, options.report)
    frequency = hertz("--call", options.call[0]) if options.call else None
    mistaken = hertz("--take-back", options.take_back) if options.take_back else None
    from ..guitar.priors import BODY_KINDS

    if options.body_kind and options.body_kind not in BODY_KINDS:
        raise BadUse(f"--body-kind {options.body_kind!r} is not known; allowed are {', '.join(BODY_KINDS)}")
    from ..guitar.naming import overrule
    from ..shop.names import add_overrule, name_instrument, take_back
    from ..shop.reading import read_instrument
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
    return tell(
        options,
        data=lambda: naming_data(naming),
        text=lambda: naming_text(naming),
        page=lambda: naming_page(naming),
    )
