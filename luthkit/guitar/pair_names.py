"""Names in a comparison: which naming belongs to which guitar, and what a pair of modes is called."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from ..signal.modes import Mode, ModeSet
from .cautions import conditions
from .naming import Naming, name_modes
from .priors import NAMES


def namings_of(modesets: Sequence[ModeSet], given: Sequence[Naming] = ()) -> tuple[Naming, ...]:
    """A naming for each mode set: the one of `given` that was made of the same modes, else what its own taps say."""
    found = []
    for modeset in modesets:
        known = [naming for naming in given if naming.modeset.modes == modeset.modes]
        found.append(known[0] if known else _by_its_own_taps(modeset))
    return tuple(found)


def names_given(naming: Naming) -> dict[Mode, str]:
    """The modes that bear a name of their own."""
    return {named.mode: named.name for named in naming.modes if named.name in NAMES}


def name_of_pair(members: Sequence[tuple[str, Mode]], told: Mapping[str, Mapping[Mode, str]]) -> tuple[str, str]:
    """(name, doubt) of modes that were paired: the one name given among them, or why they may not be the same mode.

    `members` are (instrument, mode); `told` is the names given, by instrument. A name that not every guitar's own
    taps bear out ends in "?".
    """
    called = [(told[instrument].get(mode, ""), instrument) for instrument, mode in members]
    given = dict.fromkeys(name for name, _ in called if name)
    if len(given) < 2:
        name = next(iter(given), "")
        return (name if all(each for each, _ in called) or not name else f"{name}?"), ""
    words = " and ".join(f"{name} on {instrument}" for name, instrument in called if name)
    return "", f"called {words}: this may not be the same mode"


def _by_its_own_taps(modeset: ModeSet) -> Naming:
    return name_modes(modeset, body_kind=str(conditions(modeset).get("body_kind", "")))
