"""Numbers and tables in plain words: a value with its error, rounded to what the error allows."""

from __future__ import annotations

from math import floor, isfinite, log10

from ..guitar.comparison import Band, Comparison, Difference, Pair
from ..signal.modes import Mode, ModeSet

UNKNOWN = "unknown"


def with_error(value: float, u: float, *, unit: str = "", digits: int = 2) -> str:
    """A value and its standard uncertainty, both rounded to `digits` figures of the uncertainty.

    >>> with_error(196.3034, 0.0414, unit="Hz")
    '196.303 ± 0.041 Hz'
    >>> with_error(25.2, 12.0)
    '25 ± 12'
    >>> with_error(196.3034, float("nan"), unit="Hz")
    '196.3 Hz, error unknown'
    """
    tail = f" {unit}" if unit else ""
    if not isfinite(value):
        return UNKNOWN
    if not (isfinite(u) and u > 0):
        return f"{value:.4g}{tail}, error unknown"
    places = decimals(u, digits=digits)
    return f"{value:.{places}f} ± {u:.{places}f}{tail}"


def decimals(u: float, *, digits: int = 2) -> int:
    """How many decimals show `digits` figures of `u`; never below 0."""
    return max(0, digits - 1 - floor(log10(u))) if isfinite(u) and u > 0 else 1


def difference_text(d: Difference) -> str:
    """'+12.3 cents (95 %: +4.1 to +20.5)'."""
    unit = "cents" if d.unit == "cents" else "%"
    if not isfinite(d.u):
        return f"{d.value:+.0f} {unit}, error unknown"
    places = min(1, decimals(d.u)) if d.unit == "cents" else 0
    return f"{d.value:+.{places}f} {unit} (95 %: {d.low:+.{places}f} to {d.high:+.{places}f})"


def band_text(band: Band, *, places: int = 1) -> str:
    """'196.0 Hz', or '192.1 to 200.3 Hz' for several references."""
    if len(band.members) == 1:
        return f"{band.frequency_hz:.{places}f} Hz"
    return f"{band.frequency_low_hz:.{places}f} to {band.frequency_high_hz:.{places}f} Hz"


def percent_text(mode: Mode) -> str:
    """The damping ratio in percent with its error."""
    return with_error(100 * mode.damping_ratio, 100 * mode.damping_ratio_u, unit="%")


KINDS = {"body": "body", "room": "room?", "string": "string"}

MODE_HEADINGS = ("No.", "Frequency", "Damping ratio", "Q", "Level*", "Kind", "Remarks")
PAIR_HEADINGS = ("No.", "Build", "Reference", "Frequency", "Verdict", "Damping", "Verdict", "Remarks")


def mode_rows(modeset: ModeSet) -> list[tuple[str, ...]]:
    """One row of text for each mode, in the order of MODE_HEADINGS."""
    return [
        (
            str(number),
            with_error(mode.frequency_hz, mode.frequency_u_hz, unit="Hz"),
            percent_text(mode),
            with_error(mode.q_factor, mode.q_factor_u),
            with_error(mode.level_db, mode.level_u_db, unit="dB", digits=1),
            KINDS.get(mode.kind, mode.kind),
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
        str(number),
        f"{pair.build.frequency_hz:.1f} Hz",
        band_text(pair.reference),
        difference_text(pair.frequency),
        pair.frequency.verdict,
        difference_text(pair.damping),
        pair.damping.verdict,
        "; ".join(pair_remarks(pair)),
    )


def pair_remarks(pair: Pair) -> list[str]:
    """What the maker should know about one pair: reasons of both verdicts, then the notes, each once."""
    remarks = []
    if pair.frequency.reason and pair.frequency.reason == pair.damping.reason:
        remarks.append(pair.frequency.reason)
    else:
        for name in ("frequency", "damping"):
            reason = getattr(pair, name).reason
            if reason:
                remarks.append(f"{name}: {reason}")
    return remarks + [note for note in pair.notes if note not in remarks]


def text_table(headings, rows) -> str:
    """A table for the terminal: columns padded with blanks, no trailing blanks."""
    lines = [tuple(headings), *rows]
    widths = [max(len(line[k]) for line in lines) for k in range(len(headings))]
    rule = tuple("-" * width for width in widths)
    return "\n".join(
        "  ".join(cell.ljust(width) for cell, width in zip(line, widths, strict=True)).rstrip()
        for line in (lines[0], rule, *lines[1:])
    )


def taps_text(modeset: ModeSet) -> str:
    """'8 taps kept, 2 left out, 2 placements'."""
    left = len(modeset.rejected)
    places = modeset.placements
    return (
        f"{modeset.taps_accepted} tap{'s' * (modeset.taps_accepted != 1)} kept, "
        f"{left or 'none'} left out, {places} placement{'s' * (places != 1)}"
    )
