"""A sitting: so many good taps at each position, then lift the guitar, place it again, and repeat.

Pure logic: takes come in, a new sitting comes out. Every take of a spot is judged again with each new one, by
`signal.taps.find_taps`, exactly as the same takes will be judged when they are read from files.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from ..errors import LuthkitError
from ..guitar.sentinel import TAP_OPTIONS as BAR_OPTIONS
from ..signal.recording import Recording
from ..signal.taps import find_taps
from .ear import Take
from .session import POSITIONS

LOST = "sound was lost on the way from the microphone; close other programs, then tap again"
TAKEN_BACK = "taken back"
_BY_FELLOWS = ("outlier", "double hit")  # verdicts that may change as fellows come in
_KNOCKS_S = (0.2, 0.9)  # two knocks so far apart mean: go on


@dataclass(frozen=True)
class Spot:
    """Where to tap, in which placement. `kind` as in session.toml: "tap", or "bar" for the metal bar."""

    position: str
    placement: str
    kind: str = "tap"

    @property
    def folder(self) -> str:
        """Name of the sub-folder that its takes are kept in."""
        return "bar" if self.kind == "bar" else f"{self.position}_{self.placement}".replace(" ", "_")

    @property
    def words(self) -> str:
        """What the maker is told: the position, or the bar."""
        return "the bar" if self.kind == "bar" else self.position


@dataclass(frozen=True)
class Plan:
    """What a sitting asks for: positions in the order of work, placements, and good taps at each.

    With `n_bar_taps` above 0 the sentinel, a metal bar that is never altered, is tapped first.
    """

    positions: tuple[str, ...] = POSITIONS[:1]
    n_placements: int = 2
    n_taps: int = 5
    n_bar_taps: int = 0

    def __post_init__(self):
        object.__setattr__(self, "positions", tuple(self.positions))
        for position in self.positions:
            if position not in POSITIONS:
                raise LuthkitError(f"position {position!r} is not known; allowed are {', '.join(POSITIONS)}")
        if not self.positions or len(set(self.positions)) < len(self.positions):
            raise LuthkitError("name at least one position to tap at, and each only once")
        limits = {"n_placements": (1, 20), "n_taps": (1, 50), "n_bar_taps": (0, 20)}
        for name, (low, high) in limits.items():
            value = getattr(self, name)
            if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high:
                raise LuthkitError(f"{name} is {value!r}; allowed are whole numbers from {low} to {high}")

    @property
    def spots(self) -> tuple[Spot, ...]:
        """All spots in the order of work."""
        bar = (Spot("", "", "bar"),) if self.n_bar_taps else ()
        placements = [str(k + 1) for k in range(self.n_placements)]
        return bar + tuple(Spot(position, placement) for placement in placements for position in self.positions)

    def wanted(self, spot: Spot) -> int:
        """How many good taps are asked for at a spot."""
        return self.n_bar_taps if spot.kind == "bar" else self.n_taps


@dataclass(frozen=True, eq=False)
class Judged:
    """A take, where it was struck, and the verdict: how many good taps it holds, or why none."""

    take: Take
    spot: Spot
    number: int  # of the take at this spot, from 1
    kept: int = 0
    reason: str = ""
    in_itself: bool = False  # spoilt by itself, not only unlike its fellows: not worth a file

    @property
    def name(self) -> str:
        """Of the file it is kept in, relative to the session's folder."""
        return f"{self.spot.folder}/tap_{self.number:02d}.flac"

    @property
    def verdict(self) -> str:
        """One sentence for the maker."""
        return "kept" if self.kept else f"left out: {self.reason}"


@dataclass(frozen=True, eq=False)
class Sitting:
    """How far a plan has come. Every method gives a new sitting."""

    plan: Plan
    judged: tuple[Judged, ...] = ()
    skipped: tuple[Spot, ...] = ()
    placed: str = "1"  # the placement that the guitar is in

    def good(self, spot: Spot) -> int:
        """Good taps at a spot so far."""
        return sum(one.kept for one in self.judged if one.spot == spot)

    @property
    def spot(self) -> Spot | None:
        """Where to tap next; None when all is done."""
        for spot in self.plan.spots:
            if spot not in self.skipped and self.good(spot) < self.plan.wanted(spot):
                return spot
        return None

    @property
    def must_place_again(self) -> bool:
        """Whether the guitar must be lifted and put back before the next tap counts."""
        return self.spot is not None and self.spot.kind == "tap" and self.spot.placement != self.placed

    @property
    def instruction(self) -> str:
        """What to do now, in one sentence."""
        spot = self.spot
        if spot is None:
            return "Done. Every position has its taps."
        if self.must_place_again:
            return (
                "Lift the guitar, put it back, move guitar and microphone together by half a metre or more. "
                "Then knock twice, or press Ready."
            )
        missing = self.plan.wanted(spot) - self.good(spot)
        return f"Tap {spot.words}: {missing} more."

    def hear(self, take: Take) -> Sitting:
        """The sitting after one more take: judged with all takes of the spot, or the two knocks of "ready"."""
        spot = self.spot
        if spot is None:
            return self
        if self.must_place_again:
            return self.ready() if _is_two_knocks(take) else self
        return self.with_takes(
            {1 + max((one.number for one in self.judged if one.spot == spot), default=0): take}, spot
        )

    def with_takes(self, takes: Mapping[int, Take], spot: Spot) -> Sitting:
        """The sitting with more takes of one spot, by their numbers."""
        fresh = tuple(Judged(take, spot, number) for number, take in sorted(takes.items()))
        return replace(self, judged=_judge_again((*self.judged, *fresh), spot))

    def ready(self) -> Sitting:
        """The guitar was placed again; nothing changes when that was not asked for."""
        return replace(self, placed=self.spot.placement) if self.must_place_again else self

    def skip(self) -> Sitting:
        """Leave the present spot with the taps it has."""
        return self if self.spot is None else replace(self, skipped=(*self.skipped, self.spot))

    def without_last(self) -> Sitting:
        """Take back the last take (a hand slipped). Its file keeps its name; the number is not given again."""
        for k in reversed(range(len(self.judged))):
            one = self.judged[k]
            if one.reason != TAKEN_BACK:
                gone = replace(one, kept=0, reason=TAKEN_BACK, in_itself=True)
                judged = (*self.judged[:k], gone, *self.judged[k + 1 :])
                return replace(self, judged=_judge_again(judged, one.spot))
        return self


def _judge_again(judged: tuple[Judged, ...], spot: Spot) -> tuple[Judged, ...]:
    """Verdicts of all takes of a spot, by the code that judges files."""
    sounds: dict[str, Recording] = {}
    fixed: dict[str, Judged] = {}
    for one in judged:
        if one.spot != spot:
            continue
        if one.reason == TAKEN_BACK:
            fixed[one.name] = one
        elif one.take.lost:
            fixed[one.name] = replace(one, kept=0, reason=LOST, in_itself=True)
        elif one.in_itself:
            fixed[one.name] = one
        else:
            sounds[one.name] = Recording.from_samples(one.take.samples, one.take.sample_rate_hz, name=one.name)
    verdicts = _verdicts(sounds, spot)
    fresh = []
    for one in judged:
        if one.spot != spot:
            fresh.append(one)
        elif one.name in fixed:
            fresh.append(fixed[one.name])
        else:
            kept, reason = verdicts[one.name]
            in_itself = not kept and not reason.startswith(_BY_FELLOWS)
            fresh.append(replace(one, kept=kept, reason=reason, in_itself=in_itself))
    return tuple(fresh)


def _verdicts(sounds: Mapping[str, Recording], spot: Spot) -> dict[str, tuple[int, str]]:
    """Name of each take -> (good taps in it, why there is none)."""
    if not sounds:
        return {}
    options = BAR_OPTIONS if spot.kind == "bar" else {}
    found = find_taps(
        list(sounds.values()),
        positions=dict.fromkeys(sounds, spot.position),
        placements=dict.fromkeys(sounds, spot.placement),
        **options,
    )
    verdicts = {}
    for name in sounds:
        kept = sum(tap.source == name for tap in found.taps)
        reasons = [rejection.reason for rejection in found.rejected if rejection.source == name]
        verdicts[name] = (kept, "" if kept else (reasons or ["no tap in it"])[0])
    return verdicts


def _is_two_knocks(take: Take) -> bool:
    """Two blows, and only two, within a second."""
    sound = Recording.from_samples(take.samples, take.sample_rate_hz, name="knocks")
    found = find_taps(sound)
    times = sorted([tap.time_s for tap in found.taps] + [r.time_s for r in found.rejected if r.time_s is not None])
    return len(times) == 2 and _KNOCKS_S[0] <= times[1] - times[0] <= _KNOCKS_S[1]
