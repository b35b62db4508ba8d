"""Verdicts: what a difference with its error amounts to, in one phrase, and all in a few sentences."""

from __future__ import annotations

from math import hypot, isnan

from .merging import QUANTITIES

WITHIN = "within repeatability"
IN_RANGE = "inside the references' range"
UNHEARD = "real, likely unheard"
OPEN = "real, perhaps heard"
HEARD = "likely heard"
CANNOT_TELL = "cannot tell"
VERDICTS = (WITHIN, IN_RANGE, UNHEARD, OPEN, HEARD, CANNOT_TELL)

COVERAGE = 1.96  # 95 % of a normal distribution (JCGM 100:2008, G.2 from memory)


def judge(build, low, high, *, limits, several) -> tuple[str, str]:
    """Judge the nearest and the farthest that the build may lie outside the band, by its 95 % interval.

    `build`, `low` and `high` are natural logarithms with standard uncertainties, `limits` differences of logarithms.
    """
    heard, heard_best = limits
    below = low[0] - build[0]  # > 0: the build lies under the band
    above = build[0] - high[0]  # > 0: over it
    below_reach, above_reach = (COVERAGE * hypot(build[1], end[1]) for end in (low, high))
    nearest = max(0.0, below - below_reach, above - above_reach)
    farthest = max(0.0, below + below_reach, above + above_reach)
    if isnan(below_reach) or isnan(above_reach):
        return CANNOT_TELL, ""
    if nearest > heard:
        return HEARD, ""
    if nearest > 0 and farthest > heard:
        return OPEN, ""
    if nearest > 0:
        return UNHEARD, "the best listeners may notice it" if farthest > heard_best else ""
    inside = several and below <= 0 and above <= 0
    closest = IN_RANGE if inside else WITHIN
    if farthest > heard:
        return CANNOT_TELL, f"anything from {closest} to {HEARD}: the error is too large"
    return closest, "it touches the edge of the references' range" if several and not inside else ""


def sum_up(pairs, build_only, reference_only, n_references) -> tuple[str, ...]:
    """A few sentences: first what would be heard and what else is different, then what is not, what cannot be told."""
    other = "the reference" if n_references == 1 else "the references"
    if not pairs:
        return (f"No mode of the build could be paired with one of {other}, so nothing can be compared.",)
    heard = [text for quantity in QUANTITIES for text in _told(pairs, quantity)]
    sentences = [f"Likely heard: {listed(heard)}." if heard else "No difference is sure to be heard."]
    for verdict in (OPEN, UNHEARD):
        if found := _where(pairs, verdict, named=True):
            sentences[0] += f" {verdict.capitalize()}: {listed(found)}."
    for verdict, more in ((IN_RANGE, ""), (WITHIN, ", so no difference is shown")):
        if found := _where(pairs, verdict):
            sentences.append(f"{verdict.capitalize()}{more}: {listed(found)}.")
    unsure = _where(pairs, CANNOT_TELL)
    if unsure:
        advice = "more taps and placements (lift the guitar, hang it up, tap) make the error smaller"
        sentences.append(f"It cannot be told for {listed(unsure)}: {advice}.")
    alone = [f"{len(build_only)} of the build"] if build_only else []
    alone += [f"{len(reference_only)} of {other}"] if reference_only else []
    if alone:
        sentences.append(f"Without a partner, and so not judged: {listed(alone)}.")
    return tuple(sentences)


def _where(pairs, verdict, *, named=False):
    """["frequency at 101 (air) and 205 Hz", "damping at 264 Hz"] for the pairs with this verdict."""
    found = []
    for quantity in QUANTITIES:
        at = [
            f"{p.build.frequency_hz:.0f}{f' ({p.name})' if named and p.name else ''}"
            for p in pairs
            if getattr(p, quantity).verdict == verdict
        ]
        if len(at) == len(pairs) > 2:
            found.append(f"{quantity} of every paired mode")
        elif at:
            found.append(f"{quantity} at {listed(at)} Hz")
    return found


def _told(pairs, quantity):
    """["frequency at 205 Hz (main top, +91 cents, 95 % interval +86 to +96)", "299 Hz (...)"]."""
    told = []
    for pair in pairs:
        d = getattr(pair, quantity)
        if d.verdict == HEARD:
            unit = "cents" if d.unit == "cents" else "%"
            mean = " from the references' mean" if d.range_low < d.range_high and not told else ""
            text = f"{d.value:+.0f} {unit}{mean}, 95 % interval {d.low:+.0f} to {d.high:+.0f}"
            name = f"{pair.name}, " if pair.name else ""
            told.append(f"{'' if told else quantity + ' at '}{pair.build.frequency_hz:.0f} Hz ({name}{text})")
    return told


def listed(items) -> str:
    """'a, b and c'."""
    items = list(items)
    return items[0] if len(items) == 1 else ", ".join(items[:-1]) + " and " + items[-1]
