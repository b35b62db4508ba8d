"""A sitting: so many good taps at each position, then lift the guitar, place it again, and repeat.

Pure logic: takes come in, a new sitting comes out. Every take of a spot is judged again with each new one, by
`signal.taps.find_taps` (strums and plucks by `signal.strokes.find_strokes`), exactly as the same takes will be
judged when they are read from files.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from ..guitar.sentinel import TAP_OPTIONS as BAR_OPTIONS
from ..signal.recording import Recording
from ..signal.strokes import find_strokes
from ..signal.taps import find_taps
from .ear import Take
from .spots import Plan, Spot

LOST = "sound was lost on the way from the microphone; close other programs, then tap again"
TAKEN_BACK = "taken back"
LEFT_OUT_FOLDER = "left_out"  # the sound of takes that are spoilt by themselves; never read as taps
_BY_FELLOWS = ("outlier", "double hit")  # verdicts that may change as fellows come in
_KNOCKS_S = (0.2, 0.9)  # two knocks so far apart mean: go on


@dataclass(frozen=True, eq=False)
class Judged:
    """A take, where it was struck, and the verdict: how many good taps or strokes it holds, or why none."""

    take: Take
    spot: Spot
    number: int  # of the take at this spot, from 1
    kept: int = 0
    reason: str = ""
    in_itself: bool = False  # spoilt by itself, not only unlike its fellows

    @property
    def name(self) -> str:
        """Of the file it is kept in, relative to the session's folder."""
        return f"{self.spot.folder}/{self.spot.noun}_{self.number:02d}.flac"

    @property
    def left_out_name(self) -> str:
        """Of the file that holds its sound when it is spoilt by itself."""
        return f"{LEFT_OUT_FOLDER}/{self.name.replace('/', '_')}"

    @property
    def file(self) -> str:
        """Where its sound is, relative to the session's folder; "" when it was taken back."""
        if self.reason == TAKEN_BACK:
            return ""
        return self.left_out_name if self.in_itself else self.name

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
    placed: str = ""  # the set-up that the guitar is in; "" for the first that the plan asks for

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
        """Whether the set-up must change before the next tap counts: guitar put back, hole plugged, strings freed."""
        return self.spot is not None and self.spot.set_up not in ("", self._set_up)

    @property
    def _set_up(self) -> str:
        return self.placed or next((spot.set_up for spot in self.plan.spots if spot.set_up), "")

    @property
    def instruction(self) -> str:
        """What to do now, in one sentence."""
        spot = self.spot
        if spot is None:
            return "Done. That was the whole plan."
        if self.must_place_again:
            return spot.change_from(self._set_up)
        missing = self.plan.wanted(spot) - self.good(spot)
        return f"{spot.task}: {missing} more."

    @property
    def tally(self) -> str:
        """How many were kept, in words: "10 good taps, 1 good strum"."""
        kept = dict.fromkeys((spot.noun for spot in self.plan.spots), 0)
        for one in self.judged:
            kept[one.spot.noun] = kept.get(one.spot.noun, 0) + one.kept
        return ", ".join(f"{n} good {noun}{'s' * (n != 1)}" for noun, n in kept.items())

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
        return replace(self, placed=self.spot.set_up) if self.must_place_again else self

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
    """Verdicts of all takes of a spot, by the code that judges files; what is spoilt by itself stays so."""
    fresh = [
        replace(one, kept=0, reason=LOST, in_itself=True) if one.take.lost and not one.in_itself else one
        for one in judged
    ]
    open_ = [one for one in fresh if one.spot == spot and not one.in_itself]
    sounds = [Recording.from_samples(one.take.samples, one.take.sample_rate_hz, name=one.name) for one in open_]
    verdicts = _verdicts({sound.name: sound for sound in sounds}, spot)
    for k, one in enumerate(fresh):
        if one in open_:
            kept, reason = verdicts[one.name]
            fresh[k] = replace(one, kept=kept, reason=reason, in_itself=not kept and not reason.startswith(_BY_FELLOWS))
    return tuple(fresh)


def _verdicts(sounds: Mapping[str, Recording], spot: Spot) -> dict[str, tuple[int, str]]:
    """Name of each take -> (good taps in it, why there is none)."""
    if not sounds:
        return {}
    if spot.rings:
        found = find_strokes(list(sounds.values()), kind=spot.kind)
        good = found.strokes
    else:
        found = find_taps(
            list(sounds.values()),
            positions=dict.fromkeys(sounds, spot.position),
            placements=dict.fromkeys(sounds, spot.placement),
            **(BAR_OPTIONS if spot.kind == "bar" else {}),
        )
        good = found.taps
    verdicts = {}
    for name in sounds:
        kept = sum(one.source == name for one in good)
        reasons = [rejection.reason for rejection in found.rejected if rejection.source == name]
        verdicts[name] = (kept, "" if kept else (reasons or [f"no {spot.noun} in it"])[0])
    return verdicts


def _is_two_knocks(take: Take) -> bool:
    """Two blows, and only two, within a second."""
    sound = Recording.from_samples(take.samples, take.sample_rate_hz, name="knocks")
    found = find_taps(sound)
    times = sorted([tap.time_s for tap in found.taps] + [r.time_s for r in found.rejected if r.time_s is not None])
    return len(times) == 2 and _KNOCKS_S[0] <= times[1] - times[0] <= _KNOCKS_S[1]
