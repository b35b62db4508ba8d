"""The desk: an ear, a sitting and its draft at work together, block by block; what is to be said comes out as news."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .draft import Draft
from .ear import AFTER_S, RING_S, Ear
from .live import Block
from .sitting import TAKEN_BACK, Plan, Sitting

NEWS = ("kept", "left out", "taken back", "next", "place again", "ready", "done")
_PAUSES_S = {"kept": 0.5, "left out": 0.7}  # nothing is taken while the chime sounds
_MOVE_S = 2.0  # or while the hand moves to the next position
_NOTES_HZ = {  # common practice, no source: rising is well, falling is not
    "kept": (880.0,),
    "left out": (330.0, 247.0),
    "taken back": (330.0,),
    "next": (660.0, 880.0),
    "place again": (660.0, 880.0, 660.0),
    "ready": (660.0, 880.0),
    "done": (660.0, 880.0, 1100.0),
}


@dataclass(frozen=True, eq=False)
class News:
    """What just happened: the kind, one of NEWS, in words for large letters, and why."""

    kind: str
    words: str
    reason: str = ""


class Desk:
    """Hears blocks, judges takes, keeps them on disk at once. `draft` None keeps nothing (a rehearsal).

    With `chimes` nothing is taken as long as the chime for the news sounds.
    """

    def __init__(self, plan: Plan, sample_rate_hz: int, *, draft: Draft | None = None, chimes: bool = True):
        self.ear = Ear(sample_rate_hz)
        self.chimes = chimes
        self.draft = draft
        self.sitting = draft.resume(plan) if draft else Sitting(plan)
        self._listen()

    def hear(self, block: Block) -> list[News]:
        """What there is to say after this block; nothing most of the time. Takes are on disk when it is said."""
        return [news for take in self.ear.hear(block) for news in self._move_to(self.sitting.hear(take))]

    def ready(self) -> list[News]:
        """The maker says that the guitar was placed again."""
        return self._move_to(self.sitting.ready())

    def skip(self) -> list[News]:
        """The maker leaves this position as it is."""
        return self._move_to(self.sitting.skip())

    def take_back(self) -> list[News]:
        """The maker takes the last take back."""
        before = self.sitting.judged
        news = self._move_to(self.sitting.without_last())
        for old, new in zip(before, self.sitting.judged, strict=True):
            if new.reason == TAKEN_BACK != old.reason:
                words = f"Taken back: {new.spot.noun} {new.number}, {new.spot.words}"
                news.insert(0, News("taken back", words, self.sitting.instruction))
        return news

    def _move_to(self, sitting: Sitting) -> list[News]:
        before, self.sitting = self.sitting, sitting
        if sitting is before:
            return []
        self._listen()
        if self.draft:
            self.draft.keep(sitting)
        news = []
        if len(sitting.judged) > len(before.judged):
            last = sitting.judged[-1]
            news.append(News("kept" if last.kept else "left out", "Kept" if last.kept else "Left out", last.reason))
            was = {one.name: one for one in before.judged if one.spot == last.spot}
            for one in sitting.judged[:-1]:
                if one.name in was and was[one.name].kept and not one.kept:
                    news.append(News("left out", f"Tap {one.number} is left out after all", one.reason))
        moved = before.spot != sitting.spot or before.must_place_again != sitting.must_place_again
        if moved:
            states = (sitting.spot is None, sitting.must_place_again, before.must_place_again, True)
            now = ("done", "place again", "ready", "next")[states.index(True)]
            news.append(News(now, sitting.instruction))
        if moved and not self.sitting.must_place_again:
            self.ear.pause(_MOVE_S)
        elif self.chimes and news:
            self.ear.pause(_PAUSES_S.get(news[-1].kind, 0.7))
        return news

    def _listen(self) -> None:
        """Strings that ring are heard for longer, but not the knocks that say "ready"."""
        spot = self.sitting.spot
        rings = spot is not None and spot.rings and not self.sitting.must_place_again
        self.ear.after_s = RING_S if rings else AFTER_S


def chime(kind: str, *, sample_rate_hz: int = 44100) -> np.ndarray:
    """A short, soft sound for one kind of news, shape (n,), peak 0.25: tones of 0.12 s with smooth ends."""
    t = np.arange(round(0.12 * sample_rate_hz)) / sample_rate_hz
    shape = 0.25 * np.sin(np.pi * t / t[-1]) ** 2
    return np.concatenate([shape * np.sin(2 * np.pi * note * t) for note in _NOTES_HZ[kind]])
