"""Thresholds: how far apart two readings of one guitar fall, and how large a difference an ear notices.

Every figure carries where it comes from and how sure it is, and can be changed with `dataclasses.replace`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from math import isfinite, log, sqrt

from ..errors import LuthkitError
from .merging import QUANTITIES
from .verdicts import listed

SETTINGS = ("same set-up", "re-hung", "other operator", "other room")
SEEN = 1.96 * sqrt(2)  # two single readings of one thing differ by less than so many of their errors, 95 times of 100

PLANNING_DOF = 4.0  # what a planning figure is worth (common practice, no source)
_PLANNING = "planning value; no published study of guitar tap repeatability is known to us"
OWN = "the maker's own repeat study"  # the source of a figure
_REPEAT = "from memory, to be replaced by the maker's own repeat study"
_LISTENING = "Woodhouse, Manuel, Smith, Wheble & Fritz, Acta Acustica united with Acustica 98 (2012)"
_REMEMBERED = "figure from memory; holds for all body modes shifted together, headphones, back to back"


@dataclass(frozen=True)
class Figure:
    """One planning figure: the fraction that is used, the range it came from, its source, how sure it is."""

    value: float  # a fraction: 0.003 is 0.3 %
    low: float
    high: float
    source: str
    certainty: str
    dof: float = PLANNING_DOF  # degrees of freedom: how much it weighs beside what the sessions themselves show

    def __post_init__(self):
        if not (isfinite(self.value) and self.value > 0):
            raise LuthkitError(
                f"a threshold of {self.value!r} was given; give a positive fraction, such as 0.02 for 2 %"
            )


def _scatter(value, low, high):
    return Figure(value, low, high, _PLANNING, _REPEAT)


def _heard(value, low, high):
    return Figure(value, low, high, _LISTENING, _REMEMBERED)


@dataclass(frozen=True)
class Thresholds:
    """Repeatability and just-noticeable differences, all as fractions, all adjustable.

    The scatter figures are read as standard deviations of one reading; the value used is the geometric mean
    of the range, rounded. Of the listening figures the lower end of the range of typical listeners draws the
    line between "likely unheard" and "likely heard"; that of the best listeners is drawn and named beside it.

    Examples
    --------
    >>> from dataclasses import replace
    >>> mine = Figure(0.001, 0.001, 0.001, "own repeat study", "measured")
    >>> replace(Thresholds(), frequency_rehung=mine).scatter("frequency").value
    0.001
    """

    frequency_same_setup: Figure = field(default=_scatter(0.001, 0.0005, 0.002))
    frequency_rehung: Figure = field(default=_scatter(0.003, 0.002, 0.005))
    frequency_other_operator: Figure = field(default=_scatter(0.0045, 0.003, 0.007))
    frequency_other_room: Figure = field(default=_scatter(0.0055, 0.003, 0.01))
    damping_same_setup: Figure = field(default=_scatter(0.05, 0.03, 0.08))
    damping_rehung: Figure = field(default=_scatter(0.125, 0.08, 0.20))
    damping_other_operator: Figure = field(default=_scatter(0.16, 0.10, 0.25))
    damping_other_room: Figure = field(default=_scatter(0.21, 0.15, 0.30))
    frequency_heard_best: Figure = field(default=_heard(0.01, 0.01, 0.01))
    frequency_heard_typical: Figure = field(default=_heard(0.02, 0.02, 0.03))
    damping_heard_best: Figure = field(default=_heard(0.20, 0.20, 0.20))
    damping_heard_typical: Figure = field(default=_heard(0.30, 0.30, 0.50))
    setting: str = "re-hung"  # what happened between the recordings of build and reference
    modes: tuple[str, ...] = ()  # those whose own scatter this is, by a repeat study; empty: it is of no mode's own
    study: str = ""  # the maker's repeat study that was asked, in words; "" for none

    def __post_init__(self):
        if self.setting not in SETTINGS:
            raise LuthkitError(f"setting is {self.setting!r}; choose one of: {', '.join(SETTINGS)}")

    def scatter(self, quantity: str, mode: str | None = None) -> Figure:
        """The scatter of one reading of `quantity` ("frequency" or "damping") in this `setting`.

        For a `mode` that the repeat study behind these figures does not hold it is the planning value.
        """
        if mode is not None and not self.holds(mode):
            return Thresholds(setting=self.setting).scatter(quantity)
        return getattr(self, f"{quantity}_{self.setting.replace('-', '').replace(' ', '_')}")

    def holds(self, mode: str) -> bool:
        """Whether the scatter figures may be used for this mode: they are of no mode's own, or of this one's too."""
        return not self.modes or mode.strip().lower() in [name.strip().lower() for name in self.modes]

    @property
    def study_sentence(self) -> str:
        """What is taken from the maker's repeat study, and since when; "" where none was asked."""
        if not self.study:
            return ""
        own = [f"{100 * f.value:.2g} % in {q}" for q in QUANTITIES if (f := self.scatter(q)).source == OWN]
        if not own:
            return f"{self.study[:1].upper()}{self.study[1:]} says too little here: the planning values are used."
        return f"One reading scatters by {' and '.join(own)} ({self.setting}), from {self.study}."

    def study_notes(self, modes: Sequence[str] | None = None) -> tuple[str, ...]:
        """What is taken from the maker's repeat study, and for which modes; all of them, where `modes` is None."""
        said = [self.study_sentence] if self.study else []
        held = [mode for mode in modes or () if self.holds(mode)]
        if not self.modes or (modes is not None and len(held) == len(modes)):
            return tuple(said)
        if modes is None:
            more = f"holds {listed(self.modes)} only; its scatter is used here for the other modes too, untested."
        elif held:
            more = f"is used for {listed(held)}; for the other modes, which it does not hold, the planning value."
        else:
            more = f"holds none of these modes (it holds {listed(self.modes)}): the planning value is used for them."
        return (*said, f"Your repeat study {more}")

    def repeat_limit_cents(self) -> float:
        """Two readings of one guitar stay this close in 95 of 100 cases: 1.96 sqrt(2) s, in cents."""
        return 1200 / log(2) * SEEN * self.scatter("frequency").value

    def repeat_limit_log(self) -> float:
        """The same for damping, as a natural logarithm of the ratio of two readings."""
        return SEEN * self.scatter("damping").value

    def figures(self) -> tuple[tuple[str, Figure], ...]:
        """Every figure with its name in plain words, in the order above."""
        words = {f"{q}_{what}": f"scatter of {q}, {said}" for q in QUANTITIES for what, said in _SCATTER.items()}
        words |= {f"{q}_heard_{who}": f"{q} change {said}" for q in QUANTITIES for who, said in _LISTENER.items()}
        return tuple((said, getattr(self, name)) for name, said in words.items())


_SCATTER = {
    "same_setup": "same set-up",
    "rehung": "guitar hung up again",
    "other_operator": "other hand tapping",
    "other_room": "other room or microphone",
}
_LISTENER = {"best": "the best listeners notice", "typical": "a typical listener notices"}
