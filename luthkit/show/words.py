"""Numbers and tables in plain words: a value with its error, rounded to what the error allows."""

from __future__ import annotations

from math import isfinite

from .._text import one_line
from ..guitar.comparison import Band, Comparison, Difference, Pair, instrument_names
from ..guitar.naming import Naming
from ..guitar.priors import AIR, BACK, NAMES, TOP
from ..guitar.verdicts import CANNOT_TELL, listed
from ..signal.modes import Mode, ModeSet
from .basis import left_out_lines

UNKNOWN = "unknown"


def with_error(value: float, u: float, *, unit: str = "") -> str:
    """A value and its standard uncertainty, both rounded as `decimals` says.

    >>> with_error(196.3034, 0.0414, unit="Hz")
    '196.30 ± 0.04 Hz'
    >>> with_error(25.2, 12.0), with_error(5414.2, 143.0)
    ('25 ± 12', '5410 ± 140')
    >>> with_error(-0.004, 0.02)  # never "-0.00"
    '0.00 ± 0.02'
    >>> with_error(196.3034, float("nan"), unit="Hz")
    '196.3 Hz, error unknown'
    """
    tail = f" {unit}" if unit else ""
    if not isfinite(value):
        return UNKNOWN
    if not (isfinite(u) and u > 0):
        return f"{value + 0.0:.4g}{tail}, error unknown"
    shown, error = (f"{round(x, decimals(u)) + 0.0:.{max(0, decimals(u))}f}" for x in (value, u))
    return f"{shown} ± {error}{tail}"


def decimals(u: float) -> int:
    """How many decimals an error of `u` leaves: one figure of it, two where it begins with a 1 or is 10 or more.

    Errors are themselves known to a third or so from few repeats (JCGM 100:2008, 7.2.6 and table E.1, from memory).
    """
    if not (isfinite(u) and u > 0):
        return 1
    figures, exponent = f"{u:.1e}".split("e")
    return (u >= 10 or figures[0] == "1") - int(exponent)


def difference_text(d: Difference) -> str:
    """'+12.3 cents (95 %: +4.1 to +20.5)'."""
    unit = "cents" if d.unit == "cents" else "%"
    if not isfinite(d.u):
        return f"{round(d.value, 0) + 0.0:+.0f} {unit}, error unknown"
    places = min(1, max(0, decimals(d.u))) if d.unit == "cents" else 0
    value, low, high = (f"{round(x, places) + 0.0:+.{places}f}" for x in (d.value, d.low, d.high))
    return f"{value} {unit} (95 %: {low} to {high})"


def band_text(band: Band, *, places: int = 1) -> str:
    """'196.0 Hz', or '192.1 to 200.3 Hz' for several references."""
    if len(band.members) == 1:
        return f"{band.frequency_hz:.{places}f} Hz"
    return f"{band.frequency_low_hz:.{places}f} to {band.frequency_high_hz:.{places}f} Hz"


def percent_text(mode: Mode) -> str:
    """The damping ratio in percent with its error."""
    return with_error(100 * mode.damping_ratio, 100 * mode.damping_ratio_u, unit="%")


KINDS = {"body": "body", "room": "room?", "string": "string"}

MODE_HEADINGS = ("No.", "Mode", "Frequency", "Damping ratio", "Q", "Level*", "Remarks")
PAIR_HEADINGS = ("Mode", "Build", "Reference", "Frequency", "Verdict", "Damping", "Verdict", "Remarks")


def mode_summary(modeset: ModeSet, naming: Naming | None = None) -> tuple[str, ...]:
    """Air, main top and main back as far as `naming` tells them, and how much was found."""
    body = [mode for mode in modeset.modes if mode.kind == "body"]
    taps = taps_text(modeset)
    if not modeset.modes:
        return (f"No mode was found ({taps}).",)
    text = f"{len(body)} body mode{'s' * (len(body) != 1)} found ({taps})."
    others = len(modeset.modes) - len(body)
    if others:
        text += f" {others} more may be of the room or of a string and should not be taken for the guitar."
    return (_main_modes(naming), text) if naming else (text,)


def _main_modes(naming: Naming) -> str:
    """'Air 106.366 ± 0.064 Hz, main top 196.09 ± 0.31 Hz, main back: cannot tell.'"""
    told = []
    for name in (AIR, TOP, BACK):
        named = naming.mode_named(name)
        mode = named.mode if named else None
        told.append(f"{name} {with_error(mode.frequency_hz, mode.frequency_u_hz, unit='Hz')}" if mode else name)
    unsure = [each for each in told if each in NAMES]
    sentence = ", ".join(each for each in told if each not in unsure)
    sentence += f"{'; ' * bool(sentence)}{listed(unsure)}: cannot tell" if unsure else ""
    return f"{sentence[0].upper()}{sentence[1:]}."


def mode_rows(modeset: ModeSet, naming: Naming | None = None) -> list[tuple[str, ...]]:
    """One row of text for each mode, in the order of MODE_HEADINGS; for a body mode of `naming`, what it is called."""
    named = naming.modes if naming else ()
    names = {one.mode: one.name for one in named if one.name in NAMES or one.mode.kind == "body"}
    return [
        (
            str(number),
            names.get(mode) or KINDS.get(mode.kind, mode.kind),
            with_error(mode.frequency_hz, mode.frequency_u_hz, unit="Hz"),
            percent_text(mode),
            with_error(mode.q_factor, mode.q_factor_u),
            with_error(mode.level_db, mode.level_u_db, unit="dB"),
            "; ".join(mode.notes),
        )
        for number, mode in enumerate(modeset.modes, start=1)
    ]


def pair_rows(comparison: Comparison) -> list[tuple[str, ...]]:
    """One row of text for each pair, in the order of PAIR_HEADINGS."""
    return [pair_row(number, pair) for number, pair in enumerate(comparison.pairs, start=1)]


def pair_row(number: int, pair: Pair) -> tuple[str, ...]:
    """One row of the comparison table."""
    return (
        f"{number} {pair.name}".strip(),
        f"{pair.build.frequency_hz:.1f} Hz",
        band_text(pair.reference),
        difference_text(pair.frequency),
        verdict_text(pair.frequency),
        difference_text(pair.damping),
        verdict_text(pair.damping),
        "; ".join(pair_remarks(pair)),
    )


def pair_remarks(pair: Pair) -> list[str]:
    """What the maker should know about one pair: reasons of both verdicts, then the notes, each once."""
    frequency, damping = pair.frequency.reason, pair.damping.reason
    both = [f"frequency: {frequency}" * bool(frequency), f"damping: {damping}" * bool(damping)]
    remarks = [frequency] if frequency and frequency == damping else [reason for reason in both if reason]
    return remarks + [note for note in pair.notes if note not in remarks]


def verdict_text(d: Difference) -> str:
    """The verdict; beyond the range of several references also, on a line of its own, how far from the nearest."""
    if d.verdict == CANNOT_TELL or not d.range_low < d.range_high or d.range_low <= d.value <= d.range_high:
        return d.verdict
    edge = d.range_high if d.value > d.range_high else d.range_low
    beyond = f"{d.value - edge:+.0f} cents"
    if d.unit != "cents":
        beyond = f"{100 * ((1 + d.value / 100) / (1 + edge / 100) - 1):+.0f} %"
    return f"{d.verdict}\n({beyond} from the nearest)"


def text_table(headings, rows) -> str:
    """A table for the terminal: columns padded with blanks; a cell may hold several lines."""
    lines = [[cell.split("\n") for cell in line] for line in (headings, *rows)]
    widths = [max(len(part) for line in lines for part in line[k]) for k in range(len(headings))]
    lines.insert(1, [["-" * width] for width in widths])
    text = []
    for line in lines:
        for depth in range(max(map(len, line))):
            parts = [cell[depth] if depth < len(cell) else "" for cell in line]
            text.append("  ".join(map(str.ljust, parts, widths)).rstrip())
    return "\n".join(text)


def modes_text(modeset: ModeSet, naming: Naming | None = None) -> str:
    """The modes of one instrument for the terminal, remarks below the table."""
    rows = mode_rows(modeset, naming)
    parts = [f"{one_line(modeset.name or 'instrument')}: {taps_text(modeset)}"]
    parts += mode_summary(modeset, naming)[:-1]
    if rows:
        parts += ["", text_table(MODE_HEADINGS[:-1], [row[:-1] for row in rows])]
        parts += ["* uncalibrated, never judged. ± is one standard uncertainty."]
    parts += [f"  {row[0]}: {one_line(row[-1])}" for row in rows if row[-1]]
    parts += [f"- {one_line(note)}" for note in modeset.notes]
    if modeset.rejected:
        parts += ["", "Left out:"]
        parts += [f"  {line}" for line in left_out_lines(modeset.rejected)]
    return "\n".join(parts)


def comparison_text(comparison: Comparison) -> str:
    """A comparison for the terminal."""
    names = [one_line(name) for name in instrument_names(comparison.build, comparison.references)]
    parts = [one_line(f"{names[0]} beside {listed(comparison.called[1:])}"), "", *comparison.summary, ""]
    rows = []
    for number, build, reference, frequency, heard, damping, heard_damping, _ in pair_rows(comparison):
        rows.append((number, build, reference, f"{frequency}\n{heard}", f"{damping}\n{heard_damping}"))
    if rows:
        parts += [text_table(("Mode", "Build", "Reference", "Frequency", "Damping"), rows), ""]
    remarks: dict[str, list[str]] = {}
    for number, pair in enumerate(comparison.pairs, start=1):
        for remark in pair_remarks(pair):
            remarks.setdefault(remark, []).append(str(number))
    parts += [f"- {', '.join(numbers)}: {one_line(remark)}" for remark, numbers in remarks.items()]
    parts += [f"- {one_line(line)}" for line in (*alone_lines(comparison), *comparison.cautions)]
    for name, modeset in zip(names, (comparison.build, *comparison.references), strict=True):
        parts.append(f"- {name}: {taps_text(modeset)}")
    return "\n".join(parts)


def alone_lines(comparison: Comparison) -> list[str]:
    """The modes that found no partner, and those that are not of the body."""
    lines = [f"Read only on the build: {mode.frequency_hz:.1f} Hz." for mode in comparison.build_only]
    for band in comparison.reference_only:
        lines.append(f"Read only on {', '.join(name for name, _ in band.members)}: {band_text(band)}.")
    if lines:
        lines.append("A mode that was not read may be there all the same: look for its peak in the picture.")
    for name, mode in comparison.set_aside:
        lines.append(f"Not judged, {KINDS.get(mode.kind, mode.kind)}: {mode.frequency_hz:.1f} Hz on {name}.")
    return lines


def taps_text(modeset: ModeSet) -> str:
    """'8 taps kept, 2 left out, 2 placements'."""
    left = len(modeset.rejected)
    places = modeset.placements
    return (
        f"{modeset.taps_accepted} tap{'s' * (modeset.taps_accepted != 1)} kept, "
        f"{left or 'none'} left out, {places} placement{'s' * (places != 1)}"
    )
