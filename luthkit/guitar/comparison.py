"""Comparison of a build with its references, mode by mode: each difference, its error and a plain verdict."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import exp, hypot, isfinite, isnan, log, nan, sqrt

from .. import __version__
from ..errors import LuthkitError
from ..signal.modes import Mode, ModeSet
from .cautions import cautions
from .merging import QUANTITIES, under_one_peak, value_of
from .naming import Naming
from .pairing import Candidate, candidate, name_of_pair, names_given, namings_of, pair_up
from .profile import Profile
from .thresholds import Thresholds
from .verdicts import CANNOT_TELL, COVERAGE, HEARD, OPEN, UNHEARD, judge, sum_up

FEWEST_TAPS = 3
_NOT_SURE = "another pairing fits nearly as well: this may not be the same mode on both guitars"
_BLENDED = "two modes stand closer than half the width of their peaks, so their damping is shared out by guess"
_CENTS = 1200 / log(2)  # one unit of natural logarithm, in cents


@dataclass(frozen=True)
class Difference:
    """Build minus reference, for one quantity of one mode: standard uncertainty, 95 % interval and verdict.

    `unit` is "cents" (1200 log2 of the frequency ratio) or "percent" (100 (ratio of damping ratios - 1)).
    The uncertainty holds the scatter of hanging a guitar up again where the taps could not show it.
    """

    value: float
    u: float  # NaN where there is none; `reason` says why
    low: float  # 95 % interval
    high: float
    unit: str
    range_low: float  # the references' lowest and highest reading, against their mean, in the same unit
    range_high: float
    verdict: str  # one of VERDICTS
    reason: str = ""  # why it cannot be told, or what else the maker should know


@dataclass(frozen=True)
class Band:
    """One mode over all references that have it: the lowest, highest and (geometric) mean reading.

    Each `_u` is a standard uncertainty with the scatter of re-hanging included.
    """

    members: tuple[tuple[str, Mode], ...]  # (name of the reference, its mode)
    n_references: int  # how many references were looked at
    frequency_hz: float
    frequency_u_hz: float
    frequency_low_hz: float
    frequency_low_u_hz: float
    frequency_high_hz: float
    frequency_high_u_hz: float
    damping_ratio: float
    damping_ratio_u: float
    damping_low: float
    damping_low_u: float
    damping_high: float
    damping_high_u: float

    def logs(self, quantity: str) -> tuple[tuple[float, float], ...]:
        """Natural logarithms, with their standard uncertainties, of the mean, the lowest and the highest reading."""
        if quantity == "frequency":
            found = (self.frequency_hz, self.frequency_u_hz), (self.frequency_low_hz, self.frequency_low_u_hz)
            found += ((self.frequency_high_hz, self.frequency_high_u_hz),)
        else:
            found = (self.damping_ratio, self.damping_ratio_u), (self.damping_low, self.damping_low_u)
            found += ((self.damping_high, self.damping_high_u),)
        return tuple((log(value), u / value) for value, u in found)


@dataclass(frozen=True)
class Pair:
    """One mode of the build beside the mode of the references that answers to it."""

    build: Mode
    reference: Band
    frequency: Difference
    damping: Difference
    notes: tuple[str, ...] = ()
    name: str = ""  # such as "main top", where a name is given on either side and none gainsays it


@dataclass(frozen=True, eq=False)
class Comparison:
    """A build beside its references: `pairs` sorted by frequency, and apart from them what has no partner."""

    build: ModeSet
    references: tuple[ModeSet, ...]
    pairs: tuple[Pair, ...]
    build_only: tuple[Mode, ...]
    reference_only: tuple[Band, ...]
    set_aside: tuple[tuple[str, Mode], ...]  # (instrument, mode) of kind room or string: not judged
    summary: tuple[str, ...]  # two or three plain sentences
    cautions: tuple[str, ...]  # what differed beside the guitars: climate, microphone, places struck
    thresholds: Thresholds
    version: str
    namings: tuple[Naming, ...]  # of the build, then of each reference
    called: tuple[str, ...]  # the build, then the references as they were given: a profile by its own name


def compare(
    build: ModeSet,
    references: ModeSet | Profile | Sequence[ModeSet | Profile],
    *,
    thresholds: Thresholds | None = None,
    namings: Sequence[Naming] = (),
) -> Comparison:
    """Pair the body modes of `build` with those of the references and judge each difference.

    A reference is a guitar or a `Profile`, which stands for the guitars it was drawn from.

    Several references are first grouped into one band a mode. The distance that is judged is the one from the
    band (a single reference is a band of no width). With its 95 % interval that distance is called

    - "within repeatability": the interval touches the band and does not reach the just-noticeable difference;
      "inside the references' range" when there are several references and the build lies between them;
    - "real, likely unheard": the interval lies clear of the band and short of the just-noticeable difference;
    - "real, perhaps heard": the interval lies clear of the band and reaches across the just-noticeable difference;
    - "likely heard": the interval lies wholly beyond the just-noticeable difference;
    - "cannot tell": anything else, fewer than three taps on either side, no uncertainty, or a difference of
      modes that may not be the same mode, because another pairing fits nearly as well; for damping also where
      two modes of one guitar stand closer than half the width of their peaks.

    Uncertainty: the taps' own (JCGM 100, type A), and where a set has a single placement also the planning
    figure for the scatter of `thresholds.setting`, which such a set cannot show. Differences in damping are
    worked out as logarithms of the ratio and given in percent.

    `namings` are names of the modes where they are known; other guitars are named by their own taps. A pair bears
    the name given on either side; where names gainsay each other, it may not be the same mode.

    Raises LuthkitError when no reference is given or a side has no modes.
    """
    thresholds = thresholds or Thresholds()
    references = [references] if isinstance(references, (ModeSet, Profile)) else list(references)
    guitars = [each.guitars if isinstance(each, Profile) else (each,) for each in references]
    given, references = references, tuple(guitar for group in guitars for guitar in group)
    if not references:
        raise LuthkitError("no reference was given; name at least one reference guitar for the build")
    for modeset in (build, *references):
        if not modeset.modes:
            raise LuthkitError(
                f"{modeset.name or 'an instrument'} has no modes ({modeset.taps_accepted} taps were kept); "
                "record at least 5 clean taps and read it again"
            )

    names = instrument_names(build, references)
    sets = dict(zip(names, (build, *references), strict=True))
    namings = namings_of((build, *references), namings)
    told = dict(zip(names, map(names_given, namings), strict=True))
    firsts = [names[1 + sum(map(len, guitars[:k]))] for k in range(len(given))]
    called = [each.name if isinstance(each, Profile) else name for each, name in zip(given, firsts, strict=True)]
    bands = bands_of(references, names[1:], thresholds, told)
    body = [mode for mode in build.modes if mode.kind == "body"]
    new = [candidate(build, mode, told[names[0]].get(mode, "")) for mode in body]
    pairs, found = [], pair_up(new, [centre for _, centre in bands])
    for i, j, sure in found:
        band = bands[j][0]
        name, doubt = name_of_pair([(names[0], body[i]), *band.members], told)
        doubt = doubt if sure else _NOT_SURE
        pairs.append(_judge(body[i], band, sets, name=name, doubt=doubt, thresholds=thresholds))
    build_only = tuple(mode for i, mode in enumerate(body) if i not in {i for i, _, _ in found})
    reference_only = tuple(band for j, (band, _) in enumerate(bands) if j not in {j for _, j, _ in found})
    set_aside = tuple((name, mode) for name, each in sets.items() for mode in each.modes if mode.kind != "body")
    return Comparison(
        build=build,
        references=references,
        pairs=tuple(pairs),
        build_only=build_only,
        reference_only=reference_only,
        set_aside=set_aside,
        summary=sum_up(pairs, build_only, reference_only, len(references)),
        cautions=(*cautions(build, references, names), *thresholds.study_notes()),
        thresholds=thresholds,
        version=__version__,
        namings=namings,
        called=(names[0], *called),
    )


def instrument_names(build: ModeSet, references: Sequence[ModeSet]) -> tuple[str, ...]:
    """What build and references are called, in this order; nameless and equal names are numbered."""
    names = [build.name or "build"]
    for number, reference in enumerate(references, start=1):
        name = reference.name or f"reference {number}"
        names.append(f"{name} (reference {number})" if name in names else name)
    return tuple(names)


def _reading(modeset: ModeSet, mode: Mode, quantity: str, thresholds: Thresholds) -> tuple[float, float]:
    """The logarithm of a reading and its uncertainty; scatter that the set could not show is that of the thresholds."""
    value, u = value_of(mode, quantity)
    if not (isfinite(value) and value > 0):
        return nan, nan
    scatter = thresholds.scatter(quantity)
    seen = modeset.placements > 1 and thresholds.setting in ("same set-up", "re-hung")
    if not seen:
        return log(value), hypot(u / value, scatter.value)
    # few placements say little about their own scatter: the low planning figure is the least believed
    least = scatter.low / sqrt(modeset.placements)
    return log(value), nan if isnan(u) else max(u / value, least)


def bands_of(references, names, thresholds: Thresholds | None = None, told=None) -> list[tuple[Band, Candidate]]:
    """Group the body modes of all references, the set with most modes first: one band for each mode. `told` is what
    its modes are called, by reference."""
    thresholds = thresholds or Thresholds()
    order = sorted(range(len(references)), key=lambda k: (-len(references[k].modes), k))
    groups: list[list[tuple[int, Mode, Candidate]]] = []
    for k in order:
        modes = [mode for mode in references[k].modes if mode.kind == "body"]
        called = (told or {}).get(names[k], {})
        candidates = [candidate(references[k], mode, called.get(mode, "")) for mode in modes]
        centres = [_centre(group) for group in groups]
        taken = set()
        for i, j, _ in pair_up(candidates, centres):
            groups[j].append((k, modes[i], candidates[i]))
            taken.add(i)
        groups.extend([(k, mode, candidates[i])] for i, mode in enumerate(modes) if i not in taken)
    entries = []
    for group in groups:
        group.sort(key=lambda member: member[0])
        spread = [
            _spread([_reading(references[k], mode, quantity, thresholds) for k, mode, _ in group])
            for quantity in QUANTITIES
        ]
        members = tuple((names[k], mode) for k, mode, _ in group)
        entries.append((Band(members, len(references), *spread[0], *spread[1]), _centre(group)))
    return sorted(entries, key=lambda entry: entry[0].frequency_hz)


def _centre(group) -> Candidate:
    frequency = sum(log(c.frequency_hz) for _, _, c in group) / len(group)
    damping = sum(log(c.damping_ratio) for _, _, c in group) / len(group)
    name = next((c.name for _, _, c in group if c.name), "")
    return Candidate(exp(frequency), exp(damping), group[0][2].pattern, name)


def _spread(readings):
    """(mean, u, low, u, high, u) of readings in logarithms, given back in their own unit."""
    mean = sum(x for x, _ in readings) / len(readings)
    u = sqrt(sum(u**2 for _, u in readings)) / len(readings)
    ends = (f(readings, key=lambda reading: reading[0]) for f in (min, max))
    return [number for x, u in ((mean, u), *ends) for number in (exp(x), exp(x) * u)]


def _judge(mode, band, sets, *, name, doubt, thresholds) -> Pair:
    """One mode of the build beside its band; `sets` are the guitars by name, the build first."""
    members = [(next(iter(sets)), mode), *band.members]
    taps = {instrument: sets[instrument].taps_accepted for instrument, _ in members}
    few = [f"{instrument}: {count}" for instrument, count in taps.items() if count < FEWEST_TAPS]
    why = {
        quantity: f"fewer than {FEWEST_TAPS} taps were kept ({', '.join(few)})" if few else ""
        for quantity in QUANTITIES
    }
    blended = [f"{m.frequency_hz:.0f} Hz" for instrument, m in members if _blended(sets[instrument], m)]
    if blended and not few:
        why["damping"] = f"{_BLENDED} ({', '.join(blended)})"
    notes = list(dict.fromkeys(mode.notes))
    if doubt:
        notes.append(doubt)
    if len(band.members) < band.n_references:
        notes.append(f"found on {len(band.members)} of {band.n_references} references")
    build = sets[members[0][0]]
    differences = [
        _difference(_reading(build, mode, q, thresholds), band, q, thresholds=thresholds, why=why[q], doubt=doubt)
        for q in QUANTITIES
    ]
    return Pair(mode, band, *differences, tuple(notes), name)


def _blended(modeset, mode) -> bool:
    """Whether another body mode stands under one peak with this one."""
    others = (other for other in modeset.modes if other is not mode and other.kind == "body")
    return any(under_one_peak(other, mode) for other in others)


def _difference(build, band, quantity, *, thresholds, why, doubt) -> Difference:
    unit = "cents" if quantity == "frequency" else "percent"

    def show(x):
        return _CENTS * x if unit == "cents" else 100 * (exp(x) - 1)

    mean, low, high = band.logs(quantity)
    limits = [log(1 + getattr(thresholds, f"{quantity}_heard_{who}").value) for who in ("typical", "best")]
    verdict, reason = judge(build, low, high, limits=limits, several=len(band.members) > 1)
    value, u = build[0] - mean[0], hypot(build[1], mean[1])
    if why or isnan(u):
        verdict, reason = CANNOT_TELL, why or "there is no uncertainty for it (see the notes of the mode)"
    elif doubt and verdict in (UNHEARD, OPEN, HEARD):
        verdict, reason = CANNOT_TELL, doubt
    return Difference(
        value=show(value),
        u=_CENTS * u if unit == "cents" else 100 * exp(value) * u,
        low=show(value - COVERAGE * u),
        high=show(value + COVERAGE * u),
        unit=unit,
        range_low=show(low[0] - mean[0]),
        range_high=show(high[0] - mean[0]),
        verdict=verdict,
        reason=reason,
    )
