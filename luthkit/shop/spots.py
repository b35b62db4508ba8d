"""The spots of a sitting: what is struck, where and how, in the order of the work."""

from __future__ import annotations

import re
from dataclasses import dataclass

from ..errors import LuthkitError
from ..guitar.next_test import BLOCK_CARE, MASS_CARE, PLUG_CARE
from ..guitar.priors import CONDITIONS
from ..signal.notes import note_hz
from .session import MASS, PLATE, POSITIONS, checked_mass_g
from .texts import one_of

OPEN_STRINGS = ("E2", "A2", "D3", "G3", "B3", "E4")
CARE = dict(zip(CONDITIONS, (PLUG_CARE, BLOCK_CARE, MASS_CARE), strict=True))  # what to mind in each condition
_MASS_FOLDER = re.compile(r"mass_at_bridge_(\d+(?:_\d+)?)_g")
_NO_GUITAR, _PLAYED = "no guitar", "played"
_MAKE = dict(
    zip(CONDITIONS, ("Plug the soundhole", "Hold the back still", "Put {} of putty on the bridge"), strict=True)
)
_UNDO = dict(
    zip(CONDITIONS, ("Take the plug out.", "Let go of the back.", "Take the mass off the bridge."), strict=True)
)


@dataclass(frozen=True)
class Spot:
    """What to strike, where, in which placement and condition. The fields are those of a recording in session.toml."""

    position: str
    placement: str
    kind: str = "tap"  # or "bar", "knock", "strum", "pluck"
    condition: str = ""
    added_mass_g: float = 0.0
    string: str = ""

    @property
    def folder(self) -> str:
        """Name of the sub-folder that its takes are kept in."""
        mass = f"{self.added_mass_g:g} g" if self.condition == MASS else ""
        parts = {"tap": (self.position, self.placement, self.condition, mass), "pluck": ("pluck", self.string)}
        name = "_".join(part for part in parts.get(self.kind, (self.kind,)) if part)
        return name.replace(" ", "_").replace(".", "_")

    @property
    def noun(self) -> str:
        """What one blow or stroke is called: tap, knock, strum or pluck."""
        return "tap" if self.kind == "bar" else self.kind

    @property
    def words(self) -> str:
        """What the maker is told: the position and the condition, the bar, the room, or the string."""
        if self.kind == "tap":
            mass = f"{self.added_mass_g:g} g at bridge" if self.condition == MASS else self.condition
            return f"{self.position}, {mass}" if mass else self.position
        return {"bar": "the bar", "knock": "the room", "strum": "an open chord"}.get(
            self.kind, f"the {self.string} string"
        )

    @property
    def task(self) -> str:
        """What to do here, without the end of the sentence."""
        if self.kind == "knock":
            return "Knock on the bench"
        verb = {"strum": "Strum", "pluck": "Pluck"}.get(self.kind, "Tap")
        return f"{verb} {self.words}{' and let it ring until the chime' if self.rings else ''}"

    @property
    def rings(self) -> bool:
        """Whether strings ring on after it."""
        return self.kind in ("strum", "pluck")

    @property
    def set_up(self) -> str:
        """How guitar and microphone stand; "" where that does not matter."""
        if self.kind == "tap":
            return ", ".join(part for part in (self.placement, self.condition) if part)
        return {"bar": "", "knock": _NO_GUITAR}.get(self.kind, _PLAYED)

    def change_from(self, placed: str) -> str:
        """What to do before the first blow here, when the set-up was `placed`."""
        before, _, condition = placed.partition(", ")
        said = [_UNDO[condition]] if condition and condition != self.condition else []
        if self.kind == "knock":
            said.append("Take the guitar out of the room.")
        elif self.rings:
            said.append("Take the felt off the strings and hold the guitar as when it is played.")
        elif before in (_NO_GUITAR, _PLAYED):
            said.append("Hang the guitar up, damp the strings, put the microphone back.")
        elif before != self.placement:
            said.append("Lift the guitar and put it back. Move it and the microphone together by half a metre or more.")
        if self.condition and self.condition != condition:
            said.append(f"{_MAKE[self.condition].format(f'{self.added_mass_g:g} g')}, and move nothing else.")
            said.append(CARE[self.condition])
        return " ".join((*said, "Then knock twice, or press Ready."))


@dataclass(frozen=True)
class Plan:
    """What a sitting asks for: positions in the order of work, placements, and good taps at each.

    With `n_bar_taps` above 0 the sentinel, a metal bar that is never altered, is tapped first; then come `n_knocks`
    in the room without the guitar. With a `condition` every position is tapped as usual and then again so, in each
    placement; "mass at bridge" wants `added_mass_g`. Last come `n_strums` of an open chord and `n_plucks` of each of
    the `strings`.
    """

    positions: tuple[str, ...] = POSITIONS[:1]
    n_placements: int = 2
    n_taps: int = 5
    n_bar_taps: int = 0
    condition: str = ""
    added_mass_g: float = 0.0
    n_knocks: int = 0
    n_strums: int = 0
    n_plucks: int = 0
    strings: tuple[str, ...] = OPEN_STRINGS

    def __post_init__(self):
        object.__setattr__(self, "positions", tuple(self.positions))
        object.__setattr__(self, "strings", tuple(self.strings))
        for position in self.positions:
            one_of("position", position, (*POSITIONS, *PLATE), "the plan")
        if self.condition:
            one_of("condition", self.condition, CONDITIONS, "the plan")
        mass_g = checked_mass_g(self.added_mass_g, self.condition, "the plan")
        object.__setattr__(self, "added_mass_g", round(mass_g, 2))
        if not self.positions or len(set(self.positions)) < len(self.positions):
            raise LuthkitError("name at least one position to tap at, and each only once")
        counts = dict.fromkeys(("n_bar_taps", "n_knocks", "n_strums", "n_plucks"), (0, 20))
        counts |= {"n_placements": (1, 20), "n_taps": (0, 50)}
        for name, (low, high) in counts.items():
            value = getattr(self, name)
            if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high:
                raise LuthkitError(f"{name} is {value!r}; allowed are whole numbers from {low} to {high}")
        for string in self.strings:
            note_hz(string)
        if self.n_plucks and (not self.strings or len(set(self.strings)) < len(self.strings)):
            raise LuthkitError("name at least one string to pluck, and each only once")
        if not self.n_taps and not self.n_strums and not self.n_plucks:
            raise LuthkitError("n_taps is 0, and no strum or pluck is asked for; ask for one of them at least")

    @property
    def spots(self) -> tuple[Spot, ...]:
        """All spots in the order of work."""
        bar = [Spot("", "", "bar")] * bool(self.n_bar_taps)
        room = [Spot("", "", "knock")] * bool(self.n_knocks)
        taps = [
            Spot(position, str(placement), condition=condition, added_mass_g=self.added_mass_g if condition else 0.0)
            for placement in range(1, self.n_placements + 1)
            for condition in dict.fromkeys(("", self.condition))
            for position in self.positions
        ]
        strums = [Spot("", "", "strum")] * bool(self.n_strums)
        plucks = [Spot("", "", "pluck", string=string) for string in self.strings]
        return (*bar, *room, *taps * bool(self.n_taps), *strums, *plucks * bool(self.n_plucks))

    def wanted(self, spot: Spot) -> int:
        """How many good taps or strokes are asked for at a spot."""
        counts = {"bar": self.n_bar_taps, "knock": self.n_knocks, "strum": self.n_strums, "pluck": self.n_plucks}
        return counts.get(spot.kind, self.n_taps)


def folder_spot(folder: str) -> Spot | None:
    """The spot whose takes are kept in a sub-folder of this name; None for any other folder."""
    if folder in ("bar", "knock", "strum"):
        return Spot("", "", folder)
    if folder.startswith("pluck_"):
        return Spot("", "", "pluck", string=folder.removeprefix("pluck_"))
    found = re.fullmatch(r"([a-z_]+)_([1-9][0-9]?)(?:_(\w+))?", folder)
    position = found[1].replace("_", " ") if found else ""
    if position not in (*POSITIONS, *PLATE):
        return None
    rest = found[3] or ""
    if mass := _MASS_FOLDER.fullmatch(rest):
        return Spot(position, found[2], condition=MASS, added_mass_g=float(mass[1].replace("_", ".")))
    condition = rest.replace("_", " ")
    return Spot(position, found[2], condition=condition) if condition in ("", *CONDITIONS[:2]) else None
