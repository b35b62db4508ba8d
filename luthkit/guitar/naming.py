"""Which mode is which: a probability for each name, from all the evidence there is, and "cannot tell"."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from .. import __version__
from .._frozen import frozen_dict
from ..errors import LuthkitError
from ..signal.modes import Mode, ModeSet
from . import priors
from .answers import answers
from .assignment import give_out
from .evidence import ROOM_KNOCK, Evidence, Reading, all_evidence, by_frequency, shift_words
from .next_test import Test, next_tests
from .pistons import told_together
from .priors import AIR, ALL_NAMES, BODY_KINDS, NAMES, TOP, UNNAMED
from .verdicts import CANNOT_TELL

SURE_ENOUGH = 0.7  # a name is given from this probability on
SAID = 1e4  # natural logarithm: the maker's word against all evidence
TELLING = 0.4  # natural logarithm: evidence that makes the odds half as large again is told as a reason


@dataclass(frozen=True)
class NamedMode:
    """One mode with the probability of each name, and why. Of a mode that the maker named these are what the evidence
    says; of the others they are reckoned with that name taken."""

    mode: Mode
    name: str  # one of ALL_NAMES, or "cannot tell"
    probability: float  # of the likeliest name
    posterior: Mapping[str, float]  # name -> probability; they add up to 1
    reasons: tuple[str, ...]  # what speaks for the likeliest name, strongest first
    weights: Mapping[str, float]  # kind of evidence -> decibels of odds of the likeliest name over its best rival
    overruled: str = ""  # the maker's reason, where the maker gave the name

    @property
    def likeliest(self) -> str:
        """The name with the greatest probability."""
        return max(self.posterior, key=self.posterior.get)


@dataclass(frozen=True, eq=False)
class Naming:
    """The modes of one guitar with their names. `modes` follow `modeset.modes` one by one."""

    modeset: ModeSet
    modes: tuple[NamedMode, ...]
    body_kinds: Mapping[str, float]  # probability of each body kind; 1 for the one that was given
    evidence: tuple[str, ...]  # the kinds of evidence there were
    next_tests: tuple[Test, ...]  # what would settle most of what is open, the best first
    notes: tuple[str, ...]
    version: str
    readings: tuple[Reading, ...] = ()  # of the other conditions

    def mode_named(self, name: str) -> NamedMode | None:
        """The mode that bears a name, None where none does. Raises `LuthkitError` for an unknown name."""
        if name not in NAMES:
            raise LuthkitError(f"{name!r} is no name of a mode; allowed are {', '.join(NAMES)}")
        return next((named for named in self.modes if named.name == name), None)


def name_modes(
    modeset: ModeSet,
    readings: Sequence[Reading] = (),
    *,
    body_kind: str = "",
    said: Sequence[tuple] = (),
) -> Naming:
    """The probability of each name for each mode of `modeset`.

    `readings` are the same guitar with the soundhole plugged, the back blocked or a mass at the bridge, and the
    room knocked without it. `body_kind` is one of `BODY_KINDS`; without one all are weighed. `said` is what the maker
    says: (frequency in Hz, name, reason), the last for a mode or name counts; it stands whatever the evidence, and no
    other mode can have that name. Each kind of evidence
    multiplies the odds (Bayes), but what levels, signs and shifts say of air, main top and main back is weighed for
    the three together (`pistons`); names are given out once each (`assignment.give_out`). A mode whose likeliest name
    stays below `SURE_ENOUGH` is called "cannot tell".

    The priors are wide and from memory, see `guitar.priors`. Calibrated on simulated guitars only.

    Raises `LuthkitError` for an unknown body kind, or of `said` an unknown name, no reason, or no mode within 1 % of
    the frequency.
    """
    if body_kind and body_kind not in BODY_KINDS:
        raise LuthkitError(f"body kind {body_kind!r} is not known; allowed are {', '.join(BODY_KINDS)}")
    words = _words(modeset, said)
    kinds = (body_kind,) if body_kind else BODY_KINDS
    if not modeset.modes:
        return Naming(modeset, (), frozen_dict({}), (), (), ("there are no modes to name",), __version__)
    seen = all_evidence(modeset, readings)
    by_kind = [by_frequency(modeset, kind) for kind in kinds]
    together = lru_cache(maxsize=None)(lambda triple: told_together(modeset, readings, triple))

    def reckon(word):
        both = [_posterior(modeset, first, seen, together, word) for first in by_kind]
        return [_over_kinds(found) for found in zip(*both, strict=True)]

    (posterior, weight), (alone, _) = reckon(np.zeros((len(modeset.modes), len(NAMES))))
    evident, against = posterior, tuple(_against(words, modeset, posterior))
    if words:
        (posterior, weight), (alone, _) = reckon(_weight_of(words, len(modeset.modes)))
        posterior = alone.copy() if against else posterior  # one box does not hold what the evidence does not bear out
        posterior[list(words)] = alone[list(words)] = evident[list(words)]
    named = [k for k, (name, _) in words.items() if name != CANNOT_TELL]
    likeliest = by_kind[int(np.argmax(weight))]
    seen = (likeliest, *_as_answered(seen, modeset, readings, posterior), _by_three(posterior, alone))
    modes = [_named(k, modeset.modes[k], posterior[k], seen) for k in range(len(posterior))]
    for k, (name, reason) in words.items():
        modes[k] = replace(modes[k], name=name, overruled=reason)
    return Naming(
        modeset=modeset,
        modes=tuple(modes),
        body_kinds=frozen_dict(zip(kinds, weight.tolist(), strict=True)),
        evidence=tuple(e.kind for e in seen),
        next_tests=next_tests(posterior, modeset, readings, named=named),
        notes=(*_notes(modeset, readings), *against),
        version=__version__,
        readings=tuple(readings),
    )


def overrule(naming: Naming, frequency_hz: float, name: str, reason: str) -> Naming:
    """The same guitar named again, now with one mode named by the maker. Raises `LuthkitError` as `name_modes` does."""
    said = [(named.mode.frequency_hz, named.name, named.overruled) for named in naming.modes if named.overruled]
    kind = next(iter(naming.body_kinds)) if len(naming.body_kinds) == 1 else ""
    return name_modes(naming.modeset, naming.readings, body_kind=kind, said=[*said, (frequency_hz, name, reason)])


def _words(modeset: ModeSet, said) -> dict[int, tuple[str, str]]:
    """What the maker says: index of a mode -> (name, reason)."""
    words: dict[int, tuple[str, str]] = {}
    for frequency_hz, name, reason in said:
        k = _meant(modeset, frequency_hz, name, reason)
        words = {j: word for j, word in words.items() if word[0] != name or name not in NAMES}
        words[k] = (name, reason.strip())
    return words


def _meant(modeset: ModeSet, frequency_hz: float, name: str, reason: str) -> int:
    if name not in (*ALL_NAMES, CANNOT_TELL):
        raise LuthkitError(f"{name!r} is no name of a mode; allowed are {', '.join((*ALL_NAMES, CANNOT_TELL))}")
    if not reason.strip():
        raise LuthkitError(f"say why the mode at {frequency_hz:g} Hz is to be called {name}; the log keeps the reason")
    gaps = [abs(mode.frequency_hz / frequency_hz - 1) for mode in modeset.modes]
    if not gaps or min(gaps) > 0.01:
        raise LuthkitError(f"there is no mode within 1 % of {frequency_hz:g} Hz to call {name}")
    return gaps.index(min(gaps))


def _weight_of(words, n_modes: int) -> np.ndarray:
    """What the maker's words add to the logarithms of the odds (n_modes, 7)."""
    weight = np.zeros((n_modes, len(NAMES)))
    for k, (name, _) in words.items():
        if name in NAMES:
            weight[k, NAMES.index(name)] = SAID
        elif name == UNNAMED:
            weight[k] = -SAID
    return weight


def _against(words, modeset: ModeSet, evident):
    """Where the evidence has another mode for a name the maker gave, or another name for the mode, at an even bet."""
    for k, (name, _) in sorted(words.items()):
        here = f"{modeset.modes[k].frequency_hz:.0f} Hz"
        shares = evident[:, NAMES.index(name)] if name in NAMES else np.zeros(1)
        best = int(np.argmax(shares))
        if best != k and shares[best] > 0.5:
            there = f"{modeset.modes[best].frequency_hz:.0f} Hz"
            yield f"the evidence favours {there} for {name}; your word, {here}, stands"
        lost = ALL_NAMES[int(np.argmax(evident[k]))]
        if lost not in (name, UNNAMED) and evident[k].max() > 0.5:
            yield f"the evidence favours {lost} for the mode at {here}; your word, {name}, stands"


def _posterior(modeset: ModeSet, first: Evidence, seen: Sequence[Evidence], together, word) -> tuple:
    """Of `give_out`: with what `together` says of three modes, in place of the shared evidence, and without it."""
    wings = {"bass wing", "treble wing"} & set(modeset.positions)
    found = np.array(priors.FOUND_AT_THE_WINGS if wings else priors.FOUND_AT_THE_CENTRE)
    apart = (first.log_ratio + sum(e.log_ratio for e in seen if not e.shared))[:, :-1] + np.log(found) + word
    odds = apart + sum((e.log_ratio[:, :-1] for e in seen if e.shared), np.zeros(1))
    usual = first.log_ratio

    def weight(triple):
        air, top, back = triple
        if back < 0:
            return together((air, top))[0] + apart[air, 0] + apart[top, 1] + np.log(1 - found[2])
        lower, upper = sorted((top, back))
        # which plate mode is which is told by the pistons: their usual frequencies are not counted again for that
        either = np.logaddexp(usual[top, 1] + usual[back, 2], usual[back, 1] + usual[top, 2]) - np.log(2)
        rest = apart[air, 0] + apart[top, 1] + apart[back, 2] - usual[top, 1] - usual[back, 2]
        return together((air, lower, upper))[top == upper] + either + rest

    return give_out(odds, np.log(1 - found), weight)


def _over_kinds(found) -> tuple[np.ndarray, np.ndarray]:
    """One posterior over all body kinds, and the probability of each kind."""
    posteriors, totals = zip(*found, strict=True)
    weight = np.exp(np.array(totals) - np.max(totals))
    weight = weight / weight.sum()
    return np.tensordot(weight, np.array(posteriors), 1), weight


def _as_answered(seen, modeset: ModeSet, readings, posterior) -> list[Evidence]:
    """The evidence with the words for air, top and back as `answers` decides."""
    places = {ALL_NAMES[n]: k for k, n in enumerate(posterior.argmax(axis=1)) if n < 3}
    told = {e.kind: list(e.words) for e in seen}
    if {AIR, TOP} <= set(places) and min(places, key=places.get) == AIR:
        for answer in answers(modeset, readings, places):
            words = told[answer.reading.kind]
            for name, mode in answer.modes.items():
                shift = np.log(mode.frequency_hz / modeset.modes[places[name]].frequency_hz)
                words[places[name]] = shift_words(shift, answer.reading)
            for name in (*answer.unsure, *answer.missing):
                words[places[name]] = ""
    return [replace(e, words=tuple(told[e.kind])) for e in seen]


def _by_three(posterior, alone) -> Evidence:
    """What air, top and back say together beyond what each says by itself."""
    log_ratio = np.log(np.maximum(posterior, 1e-9)) - np.log(np.maximum(alone, 1e-9))
    words = ("loudness, sign and shifts go with air, top and back on one box",) * len(posterior)
    return Evidence("air, top, back together", log_ratio - log_ratio[:, -1:], words)


def _named(k: int, mode: Mode, posterior, evidence) -> NamedMode:
    ranked = np.argsort(posterior)[::-1]
    best, rival = ranked[:2]
    lead = {e.kind: float(e.log_ratio[k, best] - e.log_ratio[k, rival]) for e in evidence}
    speaks = {e.kind: max(lead[e.kind], float(e.log_ratio[k, best])) for e in evidence}
    told = [e for e in evidence if e.words[k] and speaks[e.kind] > TELLING]
    if ALL_NAMES[best] == UNNAMED:  # usual for no name in particular: that is no reason
        told = [e for e in told if e.kind != "frequency and Q"]
    told.sort(key=lambda e: -speaks[e.kind])
    probability = float(posterior[best])
    return NamedMode(
        mode=mode,
        name=ALL_NAMES[best] if probability >= SURE_ENOUGH else CANNOT_TELL,
        probability=probability,
        posterior=frozen_dict(zip(ALL_NAMES, posterior.tolist(), strict=True)),
        reasons=tuple(e.words[k] for e in told),
        weights=frozen_dict({kind: 4.342944819 * value for kind, value in lead.items()}),
    )


def _notes(modeset: ModeSet, readings):
    if not any(modeset.positions):
        yield "no recording says where the guitar was struck, so places say nothing about the names"
    for reading in readings:
        if reading.condition != ROOM_KNOCK and not reading.modeset.modes:
            yield f"no mode could be read with the condition {reading.condition!r}"
