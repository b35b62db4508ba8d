"""`luthkit body`: air, top and back of one guitar in physical units, and what a change would do."""

from __future__ import annotations

from math import nan

from ..errors import LuthkitError
from .common import NOTHING_USABLE, BadUse, add_output, check_paths, no_modes, say, tell
from .located import add_paths, one_guitar

_MOST = 33.0  # percent: a third, beyond which the model does not answer
_CHANGES = {  # option: field, words
    "hole": ("hole_radius_factor", "soundhole diameter"),
    "box": ("volume_factor", "volume of the box"),
    "top-stiffness": ("top_stiffness_factor", "stiffness of the top"),
    "top-mass": ("top_mass_factor", "mass of the top"),
    "back-stiffness": ("back_stiffness_factor", "stiffness of the back"),
    "back-mass": ("back_mass_factor", "mass of the back"),
}


def add(commands) -> None:
    body = commands.add_parser("body", help="box, top and back in physical units; what a change would do")
    add_paths(body)
    for name in ("air", "top", "back"):
        what = name if name == "air" else f"main {name}"
        body.add_argument(f"--{name}", type=float, metavar="HZ", help=f"where the {what} mode lies, if you know better")
    body.add_argument("--hole-mm", type=float, metavar="MM", help="diameter of the soundhole")
    body.add_argument("--volume-l", type=float, metavar="L", help="air in the body, litres")
    for option, (_, words) in _CHANGES.items():
        help_ = f"what if the {words} changed by so many percent, such as -5"
        body.add_argument(
            f"--{option}-change", metavar="PERCENT", default="0", help=f"{help_}; at most {_MOST:.0f} either way"
        )
    help_ = "what if the bridge were so many grams heavier (or lighter, with a minus)"
    body.add_argument("--bridge-change", type=float, metavar="GRAMS", default=0.0, help=help_)
    body.set_defaults(run=run)
    add_output(body)


def _factor(option, words, options) -> float:
    """What the thing is multiplied by, from the percent typed."""
    typed = getattr(options, f"{option.replace('-', '_')}_change")
    try:
        percent = float(typed.replace("%", "").replace(",", "."))
    except ValueError:
        percent = nan
    if not abs(percent) <= _MOST:
        raise BadUse(
            f"--{option}-change is {typed}; give by how many percent the {words} changes, from -{_MOST:.0f} to "
            f"{_MOST:.0f}, such as -5"
        )
    return 1 + percent / 100


def run(options) -> int:
    options.paths = one_guitar(options)
    check_paths(options.paths, options.report)
    from ..guitar.body_fit import AIR, BACK, TOP
    from ..guitar.what_if import Change

    factors = {field: _factor(option, words, options) for option, (field, words) in _CHANGES.items()}
    try:
        change = Change(bridge_mass_kg=options.bridge_change / 1000, **factors)
    except LuthkitError as error:
        raise BadUse(str(error)) from error
    by_hand = {AIR: options.air, TOP: options.top, BACK: options.back}
    by_hand = {name: value for name, value in by_hand.items() if value is not None}
    if by_hand and not {AIR, TOP} <= set(by_hand):
        raise BadUse("give --air and --top together, and --back where you know it; or none of them")
    from ..shop.body import read_body
    from ..shop.reading import read_instrument
    from ..show.body import body_data, body_page, body_text

    modeset = read_instrument(options.paths)
    if not modeset.modes:
        return say(no_modes(modeset), NOTHING_USABLE, options)
    sheet = read_body(
        options.paths, by_hand=by_hand, hole_diameter_mm=options.hole_mm, volume_l=options.volume_l, modeset=modeset
    )
    return tell(
        options,
        data=lambda: body_data(sheet, change),
        text=lambda: body_text(sheet, change),
        page=lambda: body_page(sheet, change),
    )
