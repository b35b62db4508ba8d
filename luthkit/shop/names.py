"""From a folder to names; and what the maker said against them, kept in `names.toml` beside session.toml.

The log only grows: a later entry for the same mode stands over an earlier one, and both stay readable. Recordings
are never touched.
"""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from ..errors import LuthkitError
from ..guitar.evidence import Reading
from ..guitar.naming import CANNOT_TELL, Naming, name_modes
from ..guitar.priors import ALL_NAMES, UNNAMED
from ..signal.modes import Mode, ModeSet
from .reading import read_conditions, read_instrument
from .safe import told
from .texts import add_text, is_number, one_of, read_toml

LOG = "names.toml"
TAKEN_BACK = "taken back"  # in the place of a name: what was said of that mode before does not count any more
_HEAD = "# Names given by the maker, with the reason. The last entry for a mode counts.\n"
_NEAR = 0.01  # as a fraction of the frequency: two entries this close mean the same mode


@dataclass(frozen=True)
class Overrule:
    """A name the maker gave, and why."""

    frequency_hz: float  # of the mode meant, within 1 %
    name: str  # one of `guitar.priors.ALL_NAMES`, "cannot tell" or `TAKEN_BACK`
    reason: str
    date: datetime.date


def name_instrument(
    paths, *, body_kind: str = "", modeset: ModeSet | None = None, conditions: Sequence[Reading] | None = None
) -> Naming:
    """The modes of one instrument with their names, from all that its folder holds.

    All conditions of the session, and a knock in the room, are read and weighed; `names.toml` has the last word.
    `body_kind` stands over the one in session.toml. `modeset` saves reading the usual taps again,
    `conditions` the others.

    Raises `LuthkitError` as `read_instrument`, `read_conditions` and `read_overrules` do.
    """
    modeset = modeset or read_instrument(paths)
    conditions = read_conditions(paths) if conditions is None else conditions
    body_kind = body_kind or str(dict(modeset.parameters.get("conditions", {})).get("body_kind", ""))
    said = [
        (entry.frequency_hz, entry.name, entry.reason)
        for entry in standing(read_overrules(paths))
        if any(_same(mode, entry.frequency_hz) for mode in modeset.modes)
    ]
    return name_modes(modeset, conditions, body_kind=body_kind, said=said)


def read_overrules(paths) -> tuple[Overrule, ...]:
    """All entries of the log in a folder, the oldest first; none where there is no log or no folder.

    Raises `LuthkitError` for a log that is no TOML or has an entry that is not complete.
    """
    folder = _folder(paths)
    if folder is None or not (where := folder / LOG).is_file():
        return ()
    said = read_toml(where)
    entries = said.get("mode", [])
    if set(said) - {"mode"} or not isinstance(entries, list):
        raise LuthkitError(f"{where}: write each entry under a line [[mode]], and nothing else")
    return tuple(_entry(item, f"{where}, entry {number}") for number, item in enumerate(entries, start=1))


def add_overrule(folder, frequency_hz: float, name: str, reason: str) -> Overrule:
    """Add an entry to the log of a folder. The rest of the folder stays as it is.

    Raises `LuthkitError` for an unknown name, no reason, a frequency that is not positive, or a folder that cannot
    be written to.
    """
    folder = _folder(folder)
    if folder is None:
        raise LuthkitError("a name is kept in the folder of a session; name that folder, not a file")
    today = datetime.date.today()
    item = {"frequency_hz": frequency_hz, "name": name, "reason": reason.strip(), "date": today}
    entry = _entry(item, f"{folder / LOG}, new entry")
    import tomli_w

    def new() -> str:
        read_overrules(folder)  # a log that cannot be read is not added to
        return "\n[[mode]]\n" + tomli_w.dumps({**item, "frequency_hz": round(float(frequency_hz), 2)})

    with told(f"the name of the mode at {frequency_hz:g} Hz"):
        add_text(folder / LOG, _HEAD, new)
    return entry


def take_back(folder, frequency_hz: float) -> Overrule:
    """A name of the maker's own does not count any more; that is noted in the log as well.

    Raises `LuthkitError` when none stands for a mode within 1 % of that frequency, or as `add_overrule` does.
    """
    given = standing(read_overrules(folder))
    if not any(_same(entry, frequency_hz) for entry in given):
        there = ", ".join(f"{entry.frequency_hz:g} Hz" for entry in given)
        told = f"names of your own stand at {there}" if given else "there is none"
        raise LuthkitError(f"no name of your own is to be taken back at {frequency_hz:g} Hz: {told}")
    return add_overrule(folder, frequency_hz, TAKEN_BACK, "the maker took the name back")


def standing(entries) -> tuple[Overrule, ...]:
    """Of entries for the same mode, within 1 %, the last one, unless it takes the name back."""
    kept: list[Overrule] = []
    for entry in entries:
        kept = [old for old in kept if not _same(old, entry.frequency_hz)] + [entry]
    return tuple(entry for entry in kept if entry.name != TAKEN_BACK)


def _same(one: Overrule | Mode, frequency_hz: float) -> bool:
    return abs(one.frequency_hz / frequency_hz - 1) <= _NEAR


def _folder(paths) -> Path | None:
    """The folder of a session; None for files named one by one."""
    folders = [Path(path) for path in ([paths] if isinstance(paths, (str, Path)) else paths) if Path(path).is_dir()]
    return folders[0] if len(folders) == 1 else None


def _entry(item, entry: str) -> Overrule:
    wanted = ("frequency_hz", "name", "reason", "date")
    if not isinstance(item, dict) or set(item) != set(wanted):
        raise LuthkitError(f"{entry} must say {', '.join(wanted)}, and nothing else")
    frequency, name, reason, date = (item[key] for key in wanted)
    name = UNNAMED if name == "unnamed" else name  # as older logs write it
    if not is_number(frequency, 20, 4000):
        raise LuthkitError(f"{entry}: frequency_hz is {frequency!r}; write a number from 20 to 4000")
    if name != TAKEN_BACK:
        one_of("name", name, (*ALL_NAMES, CANNOT_TELL), entry)
    if not isinstance(reason, str) or not reason.strip():
        raise LuthkitError(f"{entry} gives no reason; say in a few words why the mode is called {name}")
    if not isinstance(date, datetime.date):
        raise LuthkitError(f"{entry}: date is {date!r}; write a date such as 2024-03-09")
    return Overrule(float(frequency), name, reason, date)
