"""Comparison of a build with its references, mode by mode: each difference, its error and a plain verdict."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import exp, isfinite, isnan, log, log2, nan, sqrt

from .. import __version__
from ..errors import LuthkitError
from ..signal.modes import Mode, ModeSet
from .cautions import cautions
from .naming import Naming
from .pair_names import name_of_pair, names_given, namings_of
from .pairing import Candidate, candidate, pair_up
from .profile import Profile
from .thresholds import Thresholds
from .verdicts import CANNOT_TELL, COVERAGE, HEARD, UNHEARD, judge, sum_up

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


@dataclass(frozen=True)
class _Reading:
    """The natural logarithm of a frequency or damping ratio and its uncertainty, re-hanging included."""

    log: float
    u: float


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
    namings = namings_of((build, *references), namings)
    told = dict(zip(names, map(names_given, namings), strict=True))
    firsts = [names[1 + sum(map(len, guitars[:k]))] for k in range(len(given))]
    called = [each.name if isinstance(each, Profile) else name for each, name in zip(given, firsts, strict=True)]
    bands = bands_of(references, names[1:], thresholds, told)
    body = [mode for mode in build.modes if mode.kind == "body"]
    pairs, paired_modes, paired_bands = [], set(), set()
    new = [candidate(build, mode, told[names[0]].get(mode, "")) for mode in body]
    for i, j, sure in pair_up(new, [centre for _, centre in bands]):
        band = bands[j][0]
        name, doubt = name_of_pair([(names[0], body[i]), *band.members], told)
        doubt = doubt if sure else _NOT_SURE
        pair = _judge(build, body[i], band, references=references, doubt=doubt, thresholds=thresholds)
        pairs.append(replace(pair, name=name))
        paired_modes.add(i)
        paired_bands.add(j)
    build_only = tuple(mode for i, mode in enumerate(body) if i not in paired_modes)
    reference_only = tuple(band for j, (band, _) in enumerate(bands) if j not in paired_bands)
    set_aside = tuple(
        (name, mode)
        for name, modeset in zip(names, (build, *references), strict=True)
        for mode in modeset.modes
        if mode.kind != "body"
    )
    return Comparison(
        build=build,
        references=references,
        pairs=tuple(pairs),
        build_only=build_only,
        reference_only=reference_only,
        set_aside=set_aside,
        summary=sum_up(pairs, build_only, reference_only, len(references)),
        cautions=(*cautions(build, references, names), *_lent(thresholds)),
        thresholds=thresholds,
        version=__version__,
        namings=namings,
        called=(names[0], *called),
    )


def _lent(thresholds: Thresholds) -> tuple[str, ...]:
    """Whose scatter is used, where a repeat study was asked, and that it is that of some modes only."""
    said = [thresholds.study_sentence] if thresholds.study else []
    if thresholds.modes:
        held = ", ".join(thresholds.modes)
        said.append(f"Your repeat study holds {held} only; its scatter is used here for the other modes too, untested.")
    return tuple(said)


def cents(frequency_hz: float, reference_hz: float) -> float:
    """1200 log2(f / f_ref).

    >>> round(cents(442.0, 440.0), 6)
    7.851415
    """
    return 1200 * log2(frequency_hz / reference_hz)


def instrument_names(build: ModeSet, references: Sequence[ModeSet]) -> tuple[str, ...]:
    """What build and references are called, in this order; nameless and equal names are numbered."""
    names = [build.name or "build"]
    for number, reference in enumerate(references, start=1):
        name = reference.name or f"reference {number}"
        names.append(f"{name} (reference {number})" if name in names else name)
    return tuple(names)


def _reading(modeset: ModeSet, mode: Mode, quantity: str, thresholds: Thresholds) -> _Reading:
    """The logarithm of the reading; scatter that the set could not show is added from the thresholds."""
    if quantity == "frequency":
        value, u = mode.frequency_hz, mode.frequency_u_hz
    else:
        value, u = mode.damping_ratio, mode.damping_ratio_u
    if not (isfinite(value) and value > 0):
        return _Reading(nan, nan)
    scatter = thresholds.scatter(quantity)
    seen = modeset.placements > 1 and thresholds.setting in ("same set-up", "re-hung")
    if not seen:
        return _Reading(log(value), sqrt((u / value) ** 2 + scatter.value**2))
    # few placements say little about their own scatter: the low planning figure is the least believed
    least = scatter.low / sqrt(modeset.placements)
    return _Reading(log(value), nan if isnan(u) else max(u / value, least))


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
        frequency = [_reading(references[k], mode, "frequency", thresholds) for k, mode, _ in group]
        damping = [_reading(references[k], mode, "damping", thresholds) for k, mode, _ in group]
        band = Band(
            tuple((names[k], mode) for k, mode, _ in group),
            len(references),
            *_spread(frequency),
            *_spread(damping),
        )
        entries.append((band, _centre(group)))
    return sorted(entries, key=lambda entry: entry[0].frequency_hz)


def _centre(group) -> Candidate:
    frequency = sum(log(c.frequency_hz) for _, _, c in group) / len(group)
    damping = sum(log(c.damping_ratio) for _, _, c in group) / len(group)
    name = next((c.name for _, _, c in group if c.name), "")
    return Candidate(exp(frequency), exp(damping), group[0][2].pattern, name)


def _spread(readings):
    """(mean, u, low, u, high, u) of readings in logarithms, given back in their own unit."""
    mean = exp(sum(r.log for r in readings) / len(readings))
    u = sqrt(sum(r.u**2 for r in readings)) / len(readings)
    low = min(readings, key=lambda r: r.log)
    high = max(readings, key=lambda r: r.log)
    return mean, mean * u, exp(low.log), exp(low.log) * low.u, exp(high.log), exp(high.log) * high.u


def _judge(build, mode, band, *, references, doubt, thresholds) -> Pair:
    names = instrument_names(build, references)
    used = {name for name, _ in band.members}
    taps = [(names[0], build.taps_accepted)]
    taps += [(n, r.taps_accepted) for n, r in zip(names[1:], references, strict=True) if n in used]
    few = [f"{name}: {count}" for name, count in taps if count < FEWEST_TAPS]
    why = f"fewer than {FEWEST_TAPS} taps were kept ({', '.join(few)})" if few else ""
    notes = list(dict.fromkeys(mode.notes))
    if doubt:
        notes.append(doubt)
    members = [(r, m) for n, r in zip(names[1:], references, strict=True) for name, m in band.members if name == n]
    blended = [f"{m.frequency_hz:.0f} Hz" for r, m in [(build, mode), *members] if _blended(r, m)]
    if len(band.members) < band.n_references:
        notes.append(f"found on {len(band.members)} of {band.n_references} references")
    frequency = _difference(
        _reading(build, mode, "frequency", thresholds),
        (band.frequency_hz, band.frequency_u_hz),
        (band.frequency_low_hz, band.frequency_low_u_hz),
        (band.frequency_high_hz, band.frequency_high_u_hz),
        limits=(
            log(1 + thresholds.frequency_heard_typical.value),
            log(1 + thresholds.frequency_heard_best.value),
        ),
        unit="cents",
        several=len(band.members) > 1,
        why=why,
        doubt=doubt,
    )
    damping = _difference(
        _reading(build, mode, "damping", thresholds),
        (band.damping_ratio, band.damping_ratio_u),
        (band.damping_low, band.damping_low_u),
        (band.damping_high, band.damping_high_u),
        limits=(
            log(1 + thresholds.damping_heard_typical.value),
            log(1 + thresholds.damping_heard_best.value),
        ),
        unit="percent",
        several=len(band.members) > 1,
        why=why or (blended and f"{_BLENDED} ({', '.join(blended)})"),
        doubt=doubt,
    )
    return Pair(mode, band, frequency, damping, tuple(notes))


def _blended(modeset, mode) -> bool:
    """Whether another body mode stands nearer than half the half-power width (zeta f) of the wider of the two."""
    return any(
        abs(other.frequency_hz - mode.frequency_hz)
        < max(other.damping_ratio * other.frequency_hz, mode.damping_ratio * mode.frequency_hz)
        for other in modeset.modes
        if other is not mode and other.kind == "body"
    )


def _limits(thresholds, quantity):
    heard = (getattr(thresholds, f"{quantity}_heard_{who}").value for who in ("typical", "best"))
    return tuple(log(1 + value) for value in heard)


def _difference(build, mean, low, high, *, limits, unit, several, why, doubt) -> Difference:
    def show(x):
        return _CENTS * x if unit == "cents" else 100 * (exp(x) - 1)

    centre = log(mean[0])
    value = build.log - centre
    u = sqrt(build.u**2 + (mean[1] / mean[0]) ** 2)
    verdict, reason = judge(build, low, high, limits=limits, several=several)
    if why or isnan(u):
        verdict, reason = CANNOT_TELL, why or "there is no uncertainty for it (see the notes of the mode)"
    elif doubt and verdict in (UNHEARD, HEARD):
        verdict, reason = CANNOT_TELL, doubt
    return Difference(
        value=show(value),
        u=_CENTS * u if unit == "cents" else 100 * exp(value) * u,
        low=show(value - COVERAGE * u),
        high=show(value + COVERAGE * u),
        unit=unit,
        range_low=show(log(low[0]) - centre),
        range_high=show(log(high[0]) - centre),
        verdict=verdict,
        reason=reason,
    )
