"""A build's strums and plucks beside those of a reference: each difference with its error, and what is heard.

The error comes from repeats: no two strums are alike, and how much they scatter decides what a difference is
worth. One stroke shows no scatter, so then nothing can be told.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from math import exp, isfinite, log, nan, sqrt

import numpy as np

from ..errors import LuthkitError
from .cautions import conditions, same_sound, unlike
from .played import ToneMean, ToneReading
from .repeat_study import combine
from .thresholds import Figure
from .verdicts import CANNOT_TELL, HEARD, OPEN, UNHEARD, WITHIN

_BRIGHTNESS = "brightness"
_MEMORY = "figure from memory"
_STRINGS_DIFFER = 0.2  # of the older age: new strings change most in their first hours
_SAME = ("strings", "player", "room", "microphone", "stage")


@dataclass(frozen=True)
class ToneThresholds:
    """What a listener begins to notice, in sounds played back to back; all adjustable. Fractions, or decibels."""

    centroid_heard: Figure = field(
        default=Figure(0.10, 0.03, 0.10, "isolated tones; the centroid as a scale: JASA 149 (2021) 3785", _MEMORY)
    )
    level_heard_db: Figure = field(
        default=Figure(2.0, 1.0, 3.0, "one band of a sound against the rest (profile analysis)", _MEMORY)
    )
    decay_heard: Figure = field(
        default=Figure(
            0.25,
            0.05,
            0.40,
            "synthetic strings: -25 to +40 % not noticed (Tolonen and Jarvelainen, AES 2000); "
            "practised players claim 5 % (Christian, Savart Journal 2011)",
            "abstracts only; they disagree",
        )
    )
    attack_heard: Figure = field(default=Figure(0.5, 0.25, 1.0, "no figure for strums is known to us", "a guess"))


@dataclass(frozen=True)
class ToneDifference:
    """One measure of the build beside the reference: build minus reference, in per cent or dB."""

    measure: str
    limit: str  # the field of `ToneThresholds` it is held against
    unit: str  # of the difference: "%" or "dB"
    build: float  # mean over the strokes, in `value_unit`
    build_u: float  # of that mean, from the scatter of the strokes
    n_build: int
    reference: float
    reference_u: float
    n_reference: int
    value_unit: str
    value: float
    u: float
    low: float  # 95 % interval
    high: float
    verdict: str
    reason: str = ""


@dataclass(frozen=True)
class ToneComparison:
    """The strums of two guitars, and their plucks string by string."""

    build: ToneReading
    reference: ToneReading
    strums: tuple[ToneDifference, ...]
    plucks: tuple[tuple[str, tuple[ToneDifference, ...]], ...]  # (string, its differences), the lowest first
    cautions: tuple[str, ...]
    thresholds: ToneThresholds

    @property
    def summary(self) -> tuple[str, ...]:
        """A few sentences: whether the strings differ, what is likely heard, what is real besides, in the words of the
        verdicts, and what cannot be told.
        """
        strings_differ = _strings_differ(self.build, self.reference)
        heard = [*map(_sized, _with(self.strums, HEARD))]
        strings: dict[str, list[str]] = {}
        for name, found in self.plucks:
            for d in _with(found, HEARD):
                strings.setdefault(d.measure, []).append(f"{name} {_size(d)}")
        heard += [f"{measure} of single strings ({', '.join(which)})" for measure, which in strings.items()]
        told = [strings_differ] if strings_differ else []
        if heard:
            cause = ", be it the guitar or the strings" if strings_differ else ""
            told.append(f"Likely heard{cause}: {', '.join(heard)}.")
        elif self.strums:
            told.append("No difference of the strums is sure to be heard.")
        if not self.strums:
            return (*told, "No strum can be compared: both guitars need strums.")
        for verdict in (OPEN, UNHEARD):
            if found := _with(self.strums, verdict):
                told.append(f"{verdict.capitalize()}: {', '.join(map(_sized, found))}.")
        if unsure := [d.measure for d in _with(self.strums, CANNOT_TELL)]:
            told.append(f"Cannot tell for {', '.join(unsure)}: more strums make the error smaller.")
        if odd := self._strings_at_odds():
            told.append(
                f"On brightness the strums and single strings ({', '.join(odd)}) disagree: they are different strokes, "
                "and it may be that in a strum the strongest strings decide, or that the hand struck elsewhere."
            )
        return tuple(told)

    def _strings_at_odds(self) -> list[str]:
        """The strings whose brightness differs otherwise than that of the strums: 95 % intervals apart."""
        (strum,) = (d for d in self.strums if d.measure == _BRIGHTNESS)
        found = ((name, d) for name, differences in self.plucks for d in differences if d.measure == _BRIGHTNESS)
        return [name for name, d in found if d.high < strum.low or d.low > strum.high]


def _with(differences, verdict):
    return [d for d in differences if d.verdict == verdict]


def _sized(d: ToneDifference) -> str:
    return f"{d.measure} ({_size(d)})"


def _size(d: ToneDifference) -> str:
    return f"{d.value:+.{1 if d.unit == 'dB' else 0}f} {d.unit}"


def compare_tone(
    build: ToneReading, reference: ToneReading, *, thresholds: ToneThresholds | None = None
) -> ToneComparison:
    """Put the strums and plucks of a build beside those of one reference.

    Levels are taken against the whole of each stroke, so loudness plays no part. Each measure is averaged over
    the strokes of a guitar (frequencies and times as logarithms); u^2 = s1^2 / n1 + s2^2 / n2 with what the
    reading itself leaves open added, and the 95 % interval from Student's t with the degrees of freedom of
    Welch and Satterthwaite (JCGM 100:2008, G.4, from memory). Fewer than two strokes on a side: cannot tell.

    Raises `LuthkitError` when the two have neither strums nor a string in common.
    """
    limits = thresholds or ToneThresholds()
    strums = _differences(_strums(build), _strums(reference), _STRUM_MEASURES, limits)
    common = [name for name in build.by_string if name in reference.by_string]
    plucks = tuple(
        (name, _differences(build.by_string[name], reference.by_string[name], _PLUCK_MEASURES, limits))
        for name in common
    )
    if not strums and not plucks:
        raise LuthkitError(
            f"{build.name} and {reference.name} have neither strums nor a plucked string in common; "
            "record the same strings, or the same chord, on both"
        )
    return ToneComparison(build, reference, strums, plucks, _cautions(build, reference), limits)


def _strums(reading: ToneReading):
    """The strums; or their means by measure, where a profile keeps no more."""
    return reading.strums or {mean.measure: mean for mean in reading.means}


def strum_means(reading: ToneReading) -> tuple[ToneMean, ...]:
    """All measures over the strums of a guitar; empty without strums."""
    return (*reading.means, *(_mean(measure, reading.strums) for measure in _STRUM_MEASURES if reading.strums))


# ---- measures ------


@dataclass(frozen=True)
class _Measure:
    name: str
    limit: str  # a field of `ToneThresholds`
    value_unit: str
    of: Callable  # stroke -> (value, standard uncertainty of the reading itself)
    ratio: bool = True  # a difference in per cent; else in dB

    def scaled(self, value: float, u: float) -> tuple[float, float]:
        """Value and error as they are compared: as logarithms for a ratio."""
        return (log(value), u / value) if self.ratio else (value, u)


def _decay(decay):
    return decay.decay_time_s, 0.0 if not isfinite(decay.decay_time_u_s) else decay.decay_time_u_s


def _centroid(centroid):
    return centroid.settled_hz, centroid.settled_u_hz


def _partials_decay(which):
    """Geometric mean over the lowest six partials that could be read."""

    def of(pluck):
        lines = [getattr(p, which) for p in pluck.note.partials[:6] if p.lines]
        if not lines:
            return nan, nan
        value, u = np.array([(line.decay_time_s, line.decay_time_u_s) for line in lines]).T
        mean = float(np.exp(np.log(value).mean()))
        return mean, mean * float(np.linalg.norm(u / value)) / len(lines)

    return of


_CENTROIDS = (
    _Measure(_BRIGHTNESS, "centroid_heard", "Hz", lambda tone: _centroid(tone.centroid)),
    _Measure("brightness by power", "centroid_heard", "Hz", lambda tone: _centroid(tone.centroid_by_power)),
)
_DECAYS = (
    _Measure("early decay", "decay_heard", "s", lambda tone: _decay(tone.decay_early)),
    _Measure("late decay", "decay_heard", "s", lambda tone: _decay(tone.decay_late)),
)
_STRUM_MEASURES = (  # the order in which they are told: what an ear hears first
    *_DECAYS,
    *(
        _Measure(name, "level_heard_db", "dB", lambda tone, name=name: (tone.balance_db[name], 0.0), ratio=False)
        for name in ("80 to 250 Hz", "250 to 500 Hz", "500 to 1000 Hz", "1 to 4 kHz", "4 to 10 kHz")
    ),
    _Measure("share the ear is keen on", "level_heard_db", "dB", lambda tone: (tone.a_weighted_db, 0.0), ratio=False),
    *_CENTROIDS,
    _Measure("attack (more the hand's)", "attack_heard", "s", lambda tone: (tone.attack_s, 0.0)),
)
_PLUCK_MEASURES = (
    *(_Measure(m.name, m.limit, m.value_unit, lambda p, of=m.of: of(p.tone)) for m in _DECAYS),
    _Measure("partials, early decay", "decay_heard", "s", _partials_decay("early")),
    _Measure("partials, late decay", "decay_heard", "s", _partials_decay("late")),
    *(_Measure(m.name, m.limit, m.value_unit, lambda p, of=m.of: of(p.tone)) for m in _CENTROIDS[:1]),
)


def _differences(build: Sequence, reference: Sequence, measures, limits) -> tuple[ToneDifference, ...]:
    if not build or not reference:
        return ()
    return tuple(_difference(m, build, reference, getattr(limits, m.limit).value) for m in measures)


def _difference(measure, build, reference, heard) -> ToneDifference:
    own, other = (_mean(measure, strokes) for strokes in (build, reference))
    (mine, mine_u), (yours, yours_u) = (measure.scaled(side.value, side.u) for side in (own, other))
    n, value = min(own.n_strokes, other.n_strokes), mine - yours
    u, dof = combine([mine_u, yours_u], [own.n_strokes - 1, other.n_strokes - 1])
    reach = student_t(dof) * u if n > 1 else nan
    verdict, reason = _judge(value, reach, log(1 + heard) if measure.ratio else heard, n)

    def told(x):
        return 100 * (exp(x) - 1) if measure.ratio else x

    return ToneDifference(
        measure=measure.name,
        limit=measure.limit,
        unit="%" if measure.ratio else "dB",
        build=own.value,
        build_u=own.u,
        n_build=own.n_strokes,
        reference=other.value,
        reference_u=other.u,
        n_reference=other.n_strokes,
        value_unit=measure.value_unit,
        value=told(value),
        u=100 * exp(value) * u if measure.ratio else u,
        low=told(value - reach),
        high=told(value + reach),
        verdict=verdict,
        reason=reason,
    )


def _mean(measure, strokes) -> ToneMean:
    """One measure over strokes, of a ratio the geometric mean; or what a profile keeps of them."""
    if isinstance(strokes, Mapping):
        return strokes.get(measure.name, ToneMean(measure.name, measure.value_unit, nan, nan, 0))
    read = [measure.of(stroke) for stroke in strokes]
    known = [each for each in read if all(map(isfinite, each)) and (each[0] > 0 or not measure.ratio)]
    n, value, u = len(known), nan, nan
    if known:
        x, own = np.array([measure.scaled(*each) for each in known]).T
        value = float(x.mean())
        # what the reading leaves open may be alike in all strokes, as hiss is: it is not divided by their number
        u = sqrt(x.var(ddof=1) / n + float(own.mean()) ** 2) if n > 1 else nan
    if measure.ratio:
        value, u = exp(value), exp(value) * u
    return ToneMean(measure.name, measure.value_unit, value, u, n)


def student_t(dof: float) -> float:
    """Student's t for 95 %; that of a normal distribution where there is no scatter at all."""
    from scipy.special import stdtrit

    return float(stdtrit(dof or 1e6, 0.975))


def _judge(value, reach, heard, n) -> tuple[str, str]:
    if n == 0:
        return CANNOT_TELL, "it could not be read on both guitars"
    if n == 1:
        return CANNOT_TELL, "one stroke shows no scatter; record at least two, better ten"
    nearest, farthest = max(0.0, abs(value) - reach), abs(value) + reach
    if nearest > heard:
        return HEARD, ""
    if nearest > 0:
        return (OPEN if farthest > heard else UNHEARD), ""
    return (CANNOT_TELL, "the error is too large") if farthest > heard else (WITHIN, "")


def _strings_differ(build, reference) -> str:
    """What is known of the strings' age, in a sentence; "" where they were of one age."""
    ages = [conditions(reading).get("strings_age_h") for reading in (build, reference)]
    if None in ages:
        who = " and ".join(r.name for r, age in zip((build, reference), ages, strict=True) if age is None)
        return f"Nobody noted the age of the strings of {who}: it can change the tone more than the guitar does."
    if abs(ages[0] - ages[1]) <= _STRINGS_DIFFER * max(*ages, 1.0):
        return ""
    return (
        f"The strings were not of one age: {ages[0]:g} h on {build.name}, {ages[1]:g} h on {reference.name}. "
        "Strings change most in their first hours; a difference in brightness or decay may be theirs."
    )


def _cautions(build, reference) -> tuple[str, ...]:
    """What differed beside the guitars."""
    names, said = (build.name, reference.name), [conditions(reading) for reading in (build, reference)]
    found = []
    if reference.means:
        found.append(f"{reference.name} stands in a profile, which keeps means over its strums, but no plucks.")
    found += [*same_sound(build, [reference], names), *filter(None, [_strings_differ(build, reference)])]
    found += [f"Not the same {key}: {told}." for key, told in unlike(said, names, _SAME)]
    points = [set(r.parameters.get("pluck_points", ())) for r in (build, reference)]
    if points[0] and points[1] and points[0] != points[1]:
        told = "; ".join(", ".join(sorted(side)) for side in points)
        found.append(f"Not plucked at the same place ({told}): nearer the bridge sounds brighter.")
    elif not points[0] or not points[1]:
        found.append("Nobody noted where the strings were plucked on both guitars: nearer the bridge sounds brighter.")
    found.append("The errors hold the scatter from stroke to stroke of one sitting, not another player, day or room.")
    return tuple(found)
