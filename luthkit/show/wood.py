"""Pieces of wood in words, as data and as a page."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from html import escape
from math import isfinite

from ..guitar.settling import FEWEST_SESSIONS
from ..shop.woodpile import FOLLOWED, shelf_courses
from ..wood.reading import STIFF, WoodReading, change_between
from . import words
from .page import Page, bullets, file_word, image, paragraphs, table
from .plots.wood import plot_budget, plot_nodal_lines, plot_stock

MOVED = "moved"
NAMES = {  # name: (in words, unit, factor from SI)
    "density": ("density", "kg/m³", 1.0),
    "along": ("stiffness along the grain (E_L)", "GPa", 1e-9),
    "across": ("stiffness across the grain (E_R)", "GPa", 1e-9),
    "shear": ("shear stiffness (G)", "GPa", 1e-9),
    "loss_along": ("loss along (η)", "%", 100.0),
    "loss_across": ("loss across", "%", 100.0),
    "loss_shear": ("loss in shear", "%", 100.0),
    "sound_speed": ("speed of sound along (c)", "m/s", 1.0),
    "radiation_ratio": ("radiation ratio (c / density)", "m⁴/(kg s)", 1.0),
    "impedance": ("impedance (c times density)", "10⁶ kg/(m² s)", 1e-6),
}
MEANING = (
    "Stiffness, in gigapascals (GPa): how much the wood itself resists bending, thick or thin. Density, in kilograms "
    "for each cubic metre (kg/m³): how heavy it is. Loss: how quickly it swallows sound; the Q of a mode is 100 over "
    "the loss in percent.",
    "± is a standard uncertainty: the true value lies within it in about two cases of three, within twice of it in "
    "nineteen of twenty. Thickness counts three times in a stiffness (twice by bending, once by density), once in the "
    "speed of sound, and not at all in the radiation ratio.",
    "The air that swings along with a thin plate is reckoned with: it lowers a top by 2 to 4 %. Loss factors hold what "
    "supports and air take away, so that the wood itself loses a little less; they are not brought to another climate.",
    "None of these numbers says that a piece is good. They say what it is; the guitar you want decides.",
)
DUST = (
    "Sanding and cutting: dust of any wood harms in time, of some woods at once; follow the rules of your place. "
    "Do not thin a top below what its design bears on the word of this page."
)


def wood_rows(reading: WoodReading) -> list[tuple[str, str, str]]:
    """(what, as measured, in one climate) for each number."""
    rows = []
    for name, (what, unit, factor) in _named(reading).items():
        cells = []
        for known in (reading.values, reading.at_climate):
            budget = known.get(name)
            cells.append(words.with_error(factor * budget.value, factor * budget.u, unit=unit) if budget else "")
        rows.append((what, *cells))
    return rows


def _named(reading: WoodReading) -> dict[str, tuple[str, str, float]]:
    """`NAMES` of what is known; a flatsawn piece has E_T across."""
    flat = reading.piece.sawn == "flat"
    named = {name: said for name, said in NAMES.items() if name in reading.values}
    if flat and "across" in named:
        named["across"] = ("stiffness across the grain, flatsawn (E_T)", *NAMES["across"][1:])
    return named


def _middle(piece) -> tuple[str, ...]:
    """What the middle of its wood is, in a sentence; nothing for a wood that is not in the list."""
    if not piece.species:
        return ()
    usual = piece.expected.stiffness
    across = f", {usual.across_pa / 1e9:.2g} across" if isfinite(piece.species.across_ratio) else ""
    told = f"{usual.along_pa / 1e9:.3g} GPa along{across}, {piece.species.density_kg_m3:.0f} kg/m³"
    return (f"The middle of {piece.species.name} is {told} (Wood Handbook, 12 % moisture).",)


def closed_rows(reading: WoodReading) -> list[tuple[str, str, str]]:
    """(what, by the fit, by the closed formulas) in GPa, where the three taps were heard."""
    found = reading.plate
    if found is None or found.closed is None:
        return []
    rows = []
    for name, (what, _, _) in _named(reading).items():
        if name not in STIFF:
            continue
        fit, closed = reading.values[name].value, getattr(found.closed, f"{name}_pa")
        rows.append((what, f"{fit / 1e9:.3g}", f"{closed / 1e9:.3g} ({100 * (closed / fit - 1):+.0f} %)"))
    return rows


def change_rows(history: Sequence[WoodReading]) -> list[tuple[str, str, str]]:
    """(what, change from the first day to the last, whether and how it moves).

    From four days on the course over all days decides; before, the first and the last alone.
    """
    if len(history) < 2:
        return []
    dated = [reading for reading in history if reading.measurement.day and reading.at_climate]
    courses = shelf_courses(dated) if len(dated) >= FEWEST_SESSIONS else {}
    rows = []
    for name, (change, u) in change_between(history[0], history[-1]).items():
        if name in FOLLOWED:
            verdict = MOVED if abs(change) > 1.96 * u else "cannot tell whether it moved"
            if name in courses:
                course = courses[name]
                most = f"{100 * course.no_more_than:.1f} %"
                verdict = (
                    f"{MOVED}: {course.shape}" if course.changed else f"no change seen; at most {most} is possible"
                )
            rows.append((NAMES[name][0], words.with_error(100 * change, 100 * u, unit="%"), verdict))
    return rows


def wood_text(history: Sequence[WoodReading]) -> str:
    """One piece in plain text, its last day; `history` has the earlier ones before."""
    reading = history[-1]
    lines = [_title(reading), ""]
    climate = f"at {reading.climate[0]:g} C, {reading.climate[1]:g} %"
    lines.append(words.text_table(("", "as measured", climate), wood_rows(reading)))
    lines += ["", MEANING[0], *_middle(reading.piece)]
    if rows := closed_rows(reading):
        lines += ["", words.text_table(("GPa", "by all modes heard", "by the closed formulas"), rows)]
    if rows := change_rows(history):
        lines += ["", f"Since {history[0].measurement.day}, brought to one climate:"]
        lines.append(words.text_table(("", "change", ""), rows))
    said = [*reading.piece.cautions(), *reading.notes]
    lines += ["", *(f"- {sentence}" for sentence in said)] if said else []
    return "\n".join(lines)


def stock_rows(readings: Sequence[WoodReading]) -> list[tuple[str, ...]]:
    """A row a piece, in the order of STOCK_HEADINGS."""
    rows = []
    for reading in readings:
        piece, known = reading.piece, {**reading.values, **reading.at_climate}
        numbers = []
        for name in ("density", "along", "across", "radiation_ratio", "loss_along"):
            budget, factor = known.get(name), NAMES[name][2]
            numbers.append(words.with_error(factor * budget.value, factor * budget.u, digits=1) if budget else "")
        mark = "papers missing" if piece.missing_papers else ""
        rows.append((piece.name, piece.species_name, piece.use, *numbers, mark))
    return rows


STOCK_HEADINGS = (
    *("piece", "wood", "use", "density, kg/m³", "stiff along (E_L), GPa", "across (E_R), GPa"),
    *("radiation ratio", "loss along, %", ""),
)


def stock_text(readings: Sequence[WoodReading]) -> str:
    """The stock in plain text; numbers in one climate where the moisture is known."""
    lines = [words.text_table(STOCK_HEADINGS, stock_rows(readings)), "", MEANING[0]]
    said = dict.fromkeys(caution for reading in readings for caution in reading.piece.cautions())
    said |= dict.fromkeys(_notes(readings))
    lines += ["", *(f"- {sentence}" for sentence in said)] if said else []
    return "\n".join(lines)


def _notes(readings) -> list[str]:
    """What was noted, each once, with the pieces that it holds for."""
    noted: dict[str, list[str]] = {}
    for reading in readings:
        for note in reading.notes:
            noted.setdefault(note, []).append(reading.piece.name)
    return [f"{', '.join(names)}: {note}" for note, names in noted.items()]


def wood_data(reading: WoodReading) -> dict:
    """One piece as plain data: SI units."""

    def numbers(known):
        return {
            name: {
                "value": budget.value,
                "u": budget.u,
                "budget": {part.name: part.relative_u for part in budget.parts},
            }
            for name, budget in known.items()
        }

    piece, found = reading.piece, reading.plate
    modes = [
        {"label": list(m.label), "frequency_hz": m.frequency_hz, "model_hz": m.model_hz, "purity": m.purity}
        for m in (found.matches if found else ())
    ]
    return {
        "name": piece.name,
        "species": piece.species_name,
        "use": piece.use,
        "facts": {key: str(value) for key, value in piece.facts.items()},
        "date": str(reading.measurement.day or ""),
        "moisture_percent": _number(reading.measurement.moisture_percent.value),
        "moisture_percent_u": _number(reading.measurement.moisture_percent.u),
        "climate": {"temperature_c": reading.climate[0], "relative_humidity_percent": reading.climate[1]},
        "as_measured": numbers(reading.values),
        "at_climate": numbers(reading.at_climate),
        "modes": modes,
        "certain": found.certain if found else None,
        "papers_missing": piece.missing_papers,
        "cautions": list(piece.cautions()),
        "notes": list(reading.notes),
        "sources": dict(reading.sources),
        "version": reading.version,
    }


def _number(value: float) -> float | None:
    return value if isfinite(value) else None


def wood_page(history: Sequence[WoodReading]) -> Page:
    """The page of one piece; `history` ends with the day that is shown."""
    reading = history[-1]
    piece = reading.piece
    climate = f"{reading.climate[0]:g} °C, {reading.climate[1]:g} % humidity"
    parts = [f'<div class="short">{paragraphs(wood_summary(history))}</div>']
    parts += [f'<p class="caution">{escape(caution)}</p>' for caution in piece.cautions()]
    parts += [
        table(("", "as measured", f"at {climate}"), wood_rows(reading)),
        paragraphs((*_middle(reading.piece), *MEANING)),
    ]
    parts += ["<h2>Where the errors come from</h2>", image(plot_budget(reading), _budget_alt(reading))]
    if reading.plate:
        lines = "Nodal lines of the modes heard, the plate seen from above: " + ", ".join(
            f"{m.frequency_hz:.1f} Hz with {m.label[0]} across and {m.label[1]} along" for m in reading.plate.matches
        )
        parts += ["<h2>What was heard</h2>", image(plot_nodal_lines(reading), lines), _match_table(reading)]
    if rows := closed_rows(reading):
        parts += [
            "<h2>Beside the closed formulas</h2>",
            table(("GPa", "by all modes heard", "by the closed formulas"), rows),
            paragraphs(("The closed formulas know nothing of the air, and take each mode for a simple one.",)),
        ]
    if rows := change_rows(history):
        days = f"{history[0].measurement.day} to {reading.measurement.day}"
        parts += [f"<h2>On the shelf, {escape(days)}</h2>", table(("", "change in one climate", ""), rows)]
    if reading.notes:
        parts += ["<h2>Noted</h2>", bullets(reading.notes)]
    parts += ["<h2>Care</h2>", paragraphs((DUST,))]
    return Page(_title(reading), "\n".join(parts), f"{file_word(piece.name)}_wood", _identity(history), reading.version)


def stock_page(readings: Sequence[WoodReading]) -> Page:
    """The page of several pieces, numbers in one climate where the moisture is known."""
    count = len(readings)
    lacking = [reading.piece.name for reading in readings if reading.piece.missing_papers]
    said = [f"{count} pieces. {MEANING[0]}", MEANING[1], MEANING[3]]
    parts = [f'<div class="short">{paragraphs(said)}</div>']
    cautions = dict.fromkeys(caution for reading in readings for caution in reading.piece.cautions())
    parts += [f'<p class="caution">{escape(caution)}</p>' for caution in cautions]
    alt = "Stiffness along the grain over density of " + ", ".join(reading.piece.name for reading in readings)
    parts += [image(plot_stock(readings), alt), table(STOCK_HEADINGS, stock_rows(readings))]
    if notes := _notes(readings):
        parts += ["<h2>Noted</h2>", bullets(notes)]
    parts += ["<h2>Care</h2>", paragraphs((DUST,))]
    title = f"Stock of wood, {count} pieces" + (f", {len(lacking)} without papers" if lacking else "")
    return Page(title, "\n".join(parts), "stock_of_wood", _identity(readings), readings[0].version)


def wood_summary(history: Sequence[WoodReading]) -> tuple[str, ...]:
    """Two or three sentences on one piece."""
    reading = history[-1]
    known = reading.at_climate or reading.values
    if "along" not in known:
        return (f"{reading.piece.name}: its density is known, its stiffness is not: {'; '.join(reading.notes)}.",)
    said = []
    for name in ("density", "along", "across"):
        if name in known:
            what, unit, factor = NAMES[name]
            said.append(f"{what} {words.with_error(factor * known[name].value, factor * known[name].u, unit=unit)}")
    where = "brought to one climate" if reading.at_climate else "as measured"
    largest = known["along"].parts[0].name
    lines = [
        f"{reading.piece.name}, {where}: {'; '.join(said)}.",
        f"Most of the error of the stiffness along the grain comes from: {largest}.",
    ]
    if reading.plate and not reading.plate.certain:
        lines.append("What was heard does not settle all of it: see the notes.")
    if rows := change_rows(history):
        moved = [row for row in rows if row[2].startswith(MOVED)]
        told = "; ".join(f"{row[0]} {row[1]}" for row in moved)
        lines.append(f"Since {history[0].measurement.day} it moved: {told}." if moved else
                     f"Since {history[0].measurement.day}: cannot tell whether it moved.")  # fmt: skip
    return tuple(lines)


def _match_table(reading: WoodReading) -> str:
    rows = [
        (
            f"{m.label[0]} across, {m.label[1]} along",
            f"{m.frequency_hz:.2f}",
            f"{m.model_hz:.2f}",
            f"{100 * (m.frequency_hz / m.model_hz - 1):+.2f} %",
        )
        for m in reading.plate.matches
    ]
    return table(("nodal lines", "heard, Hz", "plate of such wood, Hz", "difference"), rows)


def _budget_alt(reading: WoodReading) -> str:
    known = reading.at_climate or reading.values
    said = (f"{name} {100 * budget.relative_u:.1f} %" for name, budget in known.items() if not name.startswith("loss"))
    return "Relative standard uncertainties, cut up by cause: " + ", ".join(said)


def _title(reading: WoodReading) -> str:
    day = f", {reading.measurement.day}" if reading.measurement.day else ""
    wood = f" ({reading.piece.species_name})" if reading.piece.species_name else ""
    return f"{reading.piece.name}{wood}{day}"


def _identity(history: Sequence[WoodReading]) -> str:
    parts = ["wood", *(reading.piece.name for reading in history)]
    parts += [f"{key}={value}" for reading in history for key, value in sorted(reading.sources.items())]
    return hashlib.sha256("\n".join(parts).encode("utf-8", "backslashreplace")).hexdigest()
