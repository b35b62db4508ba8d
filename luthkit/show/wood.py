"""Pieces of wood in words, as data and as a page."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape
from math import isfinite

from ..guitar.settling import FEWEST_SESSIONS
from ..shop.woodpile import FOLLOWED, shelf_courses
from ..wood.reading import MOST_DENSITY_CHANGE, STIFF, WoodReading, change_between, days_apart
from . import words
from .data import picked
from .meanings import PLUS_MINUS
from .page import Page, box, bullets, file_word, identity_of, image, paragraphs, table
from .plots.wood import plot_budget, plot_nodal_lines, plot_stock

MOVED = "moved"
WRITTEN_WRONGLY = "one of the days is probably written wrongly"
NAMES = {  # name: (in words, unit, factor from SI)
    "density": ("density", "kg/m³", 1.0),
    "along": ("stiffness along the grain, EL", "GPa", 1e-9),
    "across": ("stiffness across the grain, ER", "GPa", 1e-9),
    "shear": ("shear stiffness, G", "GPa", 1e-9),
    "loss_along": ("loss along, η", "%", 100.0),
    "loss_across": ("loss across", "%", 100.0),
    "loss_shear": ("loss in shear", "%", 100.0),
    "sound_speed": ("speed of sound along, c", "m/s", 1.0),
    "radiation_ratio": ("radiation ratio (c / density)", "m⁴/(kg s)", 1.0),
    "impedance": ("impedance (c times density)", "MPa s/m", 1e-6),
}
FACTS = {  # what may be written down about a piece: key in its file: in words
    "papers": "Papers",
    "papers_file": "File of the papers",
    "source": "Comes from",
    "bought": "Bought on",
    "cut": "Cut on",
    "place": "Lies in",
    "set": "Set",
    "sawn": "Sawn",
    "grain_lines_per_cm": "Grain lines in 1 cm",
    "run_out_degrees": "Run-out in degrees",
    "hardness_n": "Hardness in N",
    "hardness_method": "Hardness, how",
    "notes": "Notes",
}
MEANING = (
    "Stiffness, in gigapascals (GPa): how much the wood itself resists bending, thick or thin. Density, in kilograms "
    "for each cubic metre (kg/m³): how heavy it is. Loss: how quickly it swallows sound; the Q of a mode is 100 over "
    "the loss in percent.",
    PLUS_MINUS,
    "Thickness counts three times in a stiffness (twice by bending, once by density), once in the speed of sound, and "
    "not at all in the radiation ratio.",
    "The air that swings along with a thin plate is reckoned with: it lowers a top by 2 to 4 %. Loss factors hold what "
    "supports and air take away, so that the wood itself loses a little less; they are not brought to another climate.",
    "None of these numbers says that a piece is good. They say what it is; the guitar you want decides.",
)
DUST = (
    "Sanding and cutting: dust of any wood harms in time, of some woods at once; follow the rules of your place. "
    "Do not thin a top below what its design bears on the word of this page."
)
CLOSED_HEADINGS = ("GPa", "by all modes heard", "by the three-tap formulas")
WRITTEN_HEADINGS = ("", "as written down")
STOCK_HEADINGS = (
    *("piece", "wood", "use", "density, kg/m³", "stiff along (EL), GPa", "across (ER), GPa"),
    *("radiation ratio", "loss along, %", ""),
)


def _told(name: str, budget, **options) -> str:
    """A number with its error, in the unit of the maker; "" for one that is not known."""
    factor = NAMES[name][2]
    return words.with_error(factor * budget.value, factor * budget.u, **options) if budget else ""


def wood_rows(reading: WoodReading) -> list[tuple[str, str, str]]:
    """(what, as measured, in one climate) for each number."""
    both = (reading.values, reading.at_climate)
    return [
        (_named(reading, name), *(_told(name, known.get(name), unit=unit) for known in both))
        for name, (_, unit, _) in NAMES.items()
        if name in reading.values
    ]


def _named(reading: WoodReading, name: str) -> str:
    """A number in words; a flatsawn piece has ET across."""
    if name == "across" and reading.piece.sawn == "flat":
        return "stiffness across the grain, flatsawn, ET"
    return NAMES[name][0]


def _middle(piece) -> tuple[str, ...]:
    """What the middle of its wood is, in a sentence; nothing for a wood that is not in the list."""
    if not piece.species:
        return ()
    usual = piece.expected.stiffness
    across = f", {usual.across_pa / 1e9:.2g} across" if isfinite(piece.species.across_ratio) else ""
    told = f"{usual.along_pa / 1e9:.3g} GPa along{across}, {piece.species.density_kg_m3:.0f} kg/m³"
    return (f"The middle of {piece.species.name} is {told} (Wood Handbook, 12 % moisture).",)


def closed_rows(reading: WoodReading) -> list[tuple[str, str, str]]:
    """(what, by the fit, by the three-tap formulas) in GPa, where the three taps were heard."""
    found = reading.plate
    rows = []
    for name in STIFF if found and found.closed else ():
        if name in reading.values:
            fit, closed = reading.values[name].value, getattr(found.closed, f"{name}_pa")
            by_closed = f"{closed / 1e9:.3g} ({100 * (closed / fit - 1):+.0f} %)"
            rows.append((_named(reading, name), f"{fit / 1e9:.3g}", by_closed))
    return rows


def change_rows(history: Sequence[WoodReading]) -> list[tuple[str, str, str]]:
    """(what, change from the first day to the last, whether and how it moves).

    From four days on the course over all days decides; before, the first and the last alone. Days that cannot both be
    true say nothing of a change.
    """
    if len(history) < 2:
        return []
    dated = [reading for reading in history if reading.measurement.day and reading.at_climate]
    wrong = days_apart(history)
    courses = shelf_courses(dated) if len(dated) >= FEWEST_SESSIONS and not wrong else {}
    rows = []
    for name, (change, u) in change_between(history[0], history[-1]).items():
        if name not in FOLLOWED:
            continue
        if wrong:
            verdict = f"cannot tell: {WRITTEN_WRONGLY}"
        elif name in courses:
            course = courses[name]
            most = f"no change seen; at most {100 * course.no_more_than:.1f} % is possible"
            verdict = f"{MOVED}: {course.shape}" if course.changed else most
        else:
            unseen = f"cannot tell whether it moved; less than {196 * u:.2g} % would not show"
            verdict = MOVED if abs(change) > 1.96 * u else unseen
        rows.append((NAMES[name][0], words.with_error(100 * change, 100 * u, unit="%"), verdict))
    return rows


def _written_wrongly(history: Sequence[WoodReading]) -> tuple[str, ...]:
    """That two days cannot both be true, in a sentence; nothing where they can."""
    told = [
        f"{_told('density', density, unit='kg/m³')} ({day.measurement.day or 'a day without a date'})"
        for day, density in days_apart(history)
    ]
    if not told:
        return ()
    most = f"{100 * MOST_DENSITY_CHANGE:g} %"
    return (
        f"Its density comes out as {' and as '.join(told)}, but seasoned wood changes by {most} at most: "
        f"{WRITTEN_WRONGLY}. Look at the sizes and the mass of both; nothing can be said of a change till then.",
    )


def written_rows(reading: WoodReading) -> list[tuple[str, str]]:
    """(what, as written down) of the day and of the piece."""
    day, piece = reading.measurement, reading.piece
    sizes = {"length": "mm", "width": "mm", "thickness": "mm", "mass": "g"}
    rows = [
        (name.capitalize(), words.with_error(*(1000 * x for x in day.inputs[name]), unit=unit))
        for name, unit in sizes.items()
    ]
    air = ((day.temperature_c, "°C"), (day.relative_humidity_percent, "% humidity"))
    rows.append(("Air", ", ".join(f"{value:g} {unit}" for value, unit in air if isfinite(value))))
    moisture = day.moisture_percent
    rows.append(("Moisture", words.with_error(*moisture, unit="%") if isfinite(moisture.value) else ""))
    facts = [(name, piece.facts[key]) for key, name in FACTS.items() if key in piece.facts]
    rows += [(name, f"{fact:g}" if isinstance(fact, float) else str(fact)) for name, fact in facts]
    return [row for row in rows if row[1]]


def wood_text(history: Sequence[WoodReading]) -> str:
    """One piece in plain text, its last day; `history` has the earlier ones before."""
    reading = history[-1]
    climate = f"at {reading.climate[0]:g} C, {reading.climate[1]:g} %"
    lines = [_title(reading), "", words.text_table(("", "as measured", climate), wood_rows(reading))]
    lines += ["", MEANING[0], *_middle(reading.piece)]
    if rows := closed_rows(reading):
        lines += ["", words.text_table(CLOSED_HEADINGS, rows)]
    if rows := change_rows(history):
        lines += ["", f"Since {history[0].measurement.day}, brought to one climate:"]
        lines += [words.text_table(("", "change", ""), rows), *_written_wrongly(history)]
    lines += ["", words.text_table(WRITTEN_HEADINGS, written_rows(reading))]
    return "\n".join([*lines, *_list([*reading.piece.cautions(), *_day_notes(history)])])


def _list(said) -> list[str]:
    return ["", *(f"- {sentence}" for sentence in dict.fromkeys(said))] if said else []


def stock_rows(readings: Sequence[WoodReading]) -> list[tuple[str, ...]]:
    """A row a piece, in the order of STOCK_HEADINGS."""
    rows = []
    for reading in readings:
        piece, known = reading.piece, {**reading.values, **reading.at_climate}
        shown = ("density", "along", "across", "radiation_ratio", "loss_along")
        mark = "papers missing" if piece.missing_papers else ""
        numbers = (_told(name, known.get(name)) for name in shown)
        rows.append((piece.name, piece.species_name, piece.use, *numbers, mark))
    return rows


def stock_text(readings: Sequence[WoodReading]) -> str:
    """The stock in plain text; numbers in one climate where the moisture is known."""
    lines = [words.text_table(STOCK_HEADINGS, stock_rows(readings)), "", MEANING[0]]
    return "\n".join([*lines, *_list([*_cautions(readings), *_notes(readings)])])


def _cautions(readings) -> list[str]:
    return [caution for reading in readings for caution in reading.piece.cautions()]


def _notes(readings: Sequence[WoodReading]) -> list[str]:
    """What was noted of several pieces, each once, with the pieces that it holds for."""
    noted: dict[str, list[str]] = {}
    for reading in readings:
        for note in reading.notes:
            noted.setdefault(note, []).append(reading.piece.name)
    return [f"{', '.join(names)}: {note}" for note, names in noted.items()]


def _day_notes(history: Sequence[WoodReading]) -> list[str]:
    """What was noted on the last day of a piece, and what else on earlier ones."""
    *earlier, last = history
    before = [(day.measurement.day, note) for day in earlier for note in day.notes if note not in last.notes]
    return [*last.notes, *(f"{day}: {note}" for day, note in before)]


def wood_data(reading: WoodReading) -> dict:
    """One piece as plain data: SI units."""

    def numbers(known):
        return {
            name: picked(budget, "value u") | {"budget": {part.name: part.relative_u for part in budget.parts}}
            for name, budget in known.items()
        }

    piece, found, moisture = reading.piece, reading.plate, reading.measurement.moisture_percent
    matches = found.matches if found else ()
    return {
        "name": piece.name,
        "species": piece.species_name,
        "use": piece.use,
        "facts": {key: str(value) for key, value in piece.facts.items()},
        "date": str(reading.measurement.day or ""),
        "moisture_percent": moisture.value,
        "moisture_percent_u": moisture.u,
        "climate": dict(zip(("temperature_c", "relative_humidity_percent"), reading.climate, strict=True)),
        "as_measured": numbers(reading.values),
        "at_climate": numbers(reading.at_climate),
        "modes": [picked(match, "label frequency_hz model_hz purity") for match in matches],
        "certain": found.certain if found else None,
        "papers_missing": piece.missing_papers,
        "cautions": list(piece.cautions()),
        "notes": list(reading.notes),
        "sources": dict(reading.sources),
        "version": reading.version,
    }


def wood_page(history: Sequence[WoodReading]) -> Page:
    """The page of one piece; `history` ends with the day that is shown."""
    reading = history[-1]
    piece = reading.piece
    climate = f"{reading.climate[0]:g} °C, {reading.climate[1]:g} % humidity"
    parts = [
        box(wood_summary(history)),
        *(f'<p class="caution">{escape(caution)}</p>' for caution in piece.cautions()),
        table(("", "as measured", f"at {climate}"), wood_rows(reading)),
        paragraphs((*_middle(piece), *MEANING)),
        "<h2>Where the errors come from</h2>",
        image(plot_budget(reading), _budget_alt(reading)),
    ]
    if reading.plate:
        named = [(m, f"{m.label[0]} across, {m.label[1]} along") for m in reading.plate.matches]
        alt = ", ".join(f"{m.frequency_hz:.1f} Hz with {name}" for m, name in named)
        rows = [
            (name, f"{m.frequency_hz:.2f}", f"{m.model_hz:.2f}", f"{100 * (m.frequency_hz / m.model_hz - 1):+.2f} %")
            for m, name in named
        ]
        parts += [
            "<h2>What was heard</h2>",
            image(plot_nodal_lines(reading), f"Nodal lines of the modes heard, the plate seen from above: {alt}"),
            table(("nodal lines", "heard, Hz", "plate of such wood, Hz", "difference"), rows),
        ]
    if rows := closed_rows(reading):
        why = "The three-tap formulas know nothing of the air, and take each mode for a simple one."
        parts += ["<h2>Beside the usual three-tap formulas</h2>", table(CLOSED_HEADINGS, rows), paragraphs((why,))]
    if rows := change_rows(history):
        days = f"{history[0].measurement.day} to {reading.measurement.day}"
        parts += [f"<h2>On the shelf, {escape(days)}</h2>", table(("", "change in one climate", ""), rows)]
    parts += ["<h2>Written down</h2>", table(WRITTEN_HEADINGS, written_rows(reading))]
    parts += _last(_day_notes(history))
    return Page(_title(reading), "\n".join(parts), f"{file_word(piece.name)}_wood", _identity(history), reading.version)


def stock_page(readings: Sequence[WoodReading]) -> Page:
    """The page of several pieces, numbers in one climate where the moisture is known."""
    lacking = sum(reading.piece.missing_papers for reading in readings)
    alt = "Stiffness along the grain over density of " + ", ".join(reading.piece.name for reading in readings)
    parts = [
        box([f"{len(readings)} pieces. {MEANING[0]}", MEANING[1], MEANING[3]]),
        *(f'<p class="caution">{escape(caution)}</p>' for caution in dict.fromkeys(_cautions(readings))),
        image(plot_stock(readings), alt),
        table(STOCK_HEADINGS, stock_rows(readings)),
        *_last(_notes(readings)),
    ]
    title = f"Stock of wood, {len(readings)} pieces" + (f", {lacking} without papers" if lacking else "")
    return Page(title, "\n".join(parts), "stock_of_wood", _identity(readings), readings[0].version)


def _last(notes) -> list[str]:
    """What was noted, and what to mind."""
    return [*(["<h2>Noted</h2>", bullets(notes)] if notes else []), "<h2>Care</h2>", paragraphs((DUST,))]


def wood_summary(history: Sequence[WoodReading]) -> tuple[str, ...]:
    """Two or three sentences on one piece."""
    reading = history[-1]
    known = reading.at_climate or reading.values
    wrong = _written_wrongly(history)
    if "along" not in known:
        why = "; ".join(reading.notes)
        return (f"{reading.piece.name}: its density is known, its stiffness is not: {why}.", *wrong)
    said = [
        f"{NAMES[name][0]} {_told(name, known[name], unit=NAMES[name][1])}"
        for name in ("density", "along", "across")
        if name in known
    ]
    where = "brought to one climate" if reading.at_climate else "as measured"
    lines = [
        f"{reading.piece.name}, {where}: {'; '.join(said)}.",
        f"Most of the error of the stiffness along the grain comes from: {known['along'].parts[0].name}.",
    ]
    if reading.plate and not reading.plate.certain:
        lines.append("What was heard does not settle all of it: see the notes.")
    if wrong:
        lines += wrong
    elif rows := change_rows(history):
        told = "; ".join(f"{row[0]} {row[1]}" for row in rows if row[2].startswith(MOVED))
        since = f"Since {history[0].measurement.day}"
        lines.append(f"{since} it moved: {told}." if told else f"{since}: cannot tell whether it moved.")
    return tuple(lines)


def _budget_alt(reading: WoodReading) -> str:
    known = reading.at_climate or reading.values
    said = (f"{name} {100 * budget.relative_u:.1f} %" for name, budget in known.items() if not name.startswith("loss"))
    return "Relative standard uncertainties, cut up by cause: " + ", ".join(said)


def _title(reading: WoodReading) -> str:
    day = f", {reading.measurement.day}" if reading.measurement.day else ""
    wood = f" ({reading.piece.species_name})" if reading.piece.species_name else ""
    return f"{reading.piece.name}{wood}{day}"


def _identity(readings: Sequence[WoodReading]) -> str:
    sources = {f"{k} {name}": sha for k, r in enumerate(readings) for name, sha in r.sources.items()}
    return identity_of("wood", *(reading.piece.name for reading in readings), sources=sources)
