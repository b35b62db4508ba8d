"""The low body of a guitar, and what a change would do to it: in words, as plain data, and as a page."""

from __future__ import annotations

from dataclasses import asdict, fields
from html import escape
from math import isfinite

from .._text import one_line
from ..guitar.air_top_back import RANGE_HZ
from ..guitar.body_fit import BACK, TYPICAL, BodyFit
from ..guitar.helmholtz import END_CORRECTION
from ..guitar.naming import CANNOT_TELL
from ..guitar.what_if import Change, WhatIf, what_if
from ..shop.body import BodySheet
from .data import picked
from .meanings import PLUS_MINUS, UNCERTAINTY
from .page import Page, box, bullets, file_word, identity_of, image, table
from .words import text_table, with_error

NUMBER_HEADINGS = ("What", "Value", "Known from")
READING_HEADINGS = ("Tapped", "Mode", "Read", "Model")
WHAT_IF_HEADINGS = ("Mode", "Now", "After", "Shift", "In cents", "Q now", "Q after")
_NUMBERS = {  # name: words, factor to the unit shown, unit
    "box_frequency_hz": ("box with its soundhole, all walls rigid", 1, "Hz"),
    "top_frequency_hz": ("top alone, no air behind it", 1, "Hz"),
    "top_mass_kg": ("top, mass that the bridge has to move", 1000, "g"),
    "top_stiffness_n_m": ("top, stiffness at the bridge", 0.001, "kN/m"),
    "top_area_m2": ("top, area that pumps air", 1e4, "cm²"),
    "back_frequency_hz": ("back alone, no air behind it", 1, "Hz"),
    "back_mass_kg": ("back, mass that moves", 1000, "g"),
    "back_stiffness_n_m": ("back, stiffness", 0.001, "kN/m"),
    "back_area_m2": ("back, area that pumps air", 1e4, "cm²"),
    "volume_m3": ("air in the body", 1000, "l"),
    "hole_radius_m": ("soundhole, diameter", 2000, "mm"),
    "air_q": ("Q of the air alone", 1, ""),
    "top_q": ("Q of the top alone", 1, ""),
    "back_q": ("Q of the back alone", 1, ""),
}
_MEASURES = {  # number: what a maker can measure of it with a rule
    "box_frequency_hz": ("volume_m3", "hole_radius_m"),
    "volume_m3": ("volume_m3",),
    "hole_radius_m": ("hole_radius_m",),
}
_CHANGES = {  # field: words
    "hole_radius_factor": "soundhole diameter",
    "volume_factor": "volume of the box",
    "top_stiffness_factor": "stiffness of the top",
    "top_mass_factor": "mass of the top",
    "back_stiffness_factor": "stiffness of the back",
    "back_mass_factor": "mass of the back",
}
_COLUMNS = ("now_hz", "now_u_hz", "after_hz", "after_u_hz", "shift", "shift_u")
_COLUMNS += ("now_q_factor", "after_q_factor", "after_q_factor_u")
CARE = (
    "No lump of mass on an old finish. Removable putty only where the finish is known to bear it, on a guitar of your "
    "own; try a hidden spot first, and take it off at once after the taps.",
    "A plug for the soundhole must close it without pressing on rosette, braces or strings: soft foam in a thin bag, "
    "never forced.",
    "Strike with a soft mallet or a knuckle, and hold the back still with a cushion, not with a clamp.",
    "A hole once cut wider and wood once taken off do not come back. Strings pull on the top the while; before "
    "thinning, bracing or cutting on the word of a model, ask a qualified repairer.",
)
MEANING = (
    "Air, top and back are taken as three pistons that push on the air in the box. That is true enough from "
    f"{RANGE_HZ[0]:.0f} to {RANGE_HZ[1]:.0f} Hz and nowhere else: above, dipoles and standing waves take over, and "
    "nothing is claimed.",
    "“These taps”: measured here. “Given”: as you measured it. “Cannot tell”: the taps hardly say; what a change would "
    "do is then reckoned with what guitars usually have, and its error is the wider. Plugged taps tell the box, known "
    "masses on the bridge tell mass, stiffness and area.",
    "Top and back alone: without any air. The air that sloshes lengthwise in the box makes them seem about 2 % lower "
    "than they are; that is reckoned for a usual box and taken off, and half of it counts as error.",
    "When something is changed, top, air and back each keep the damping they have by themselves: nobody knows what a "
    "change does to the losses in wood and air. The Q of a mode moves only as the parts share in it anew.",
    PLUS_MINUS,
    "The mass that the bridge has to move is not what the plate weighs, and it changes with strings, finish and how "
    "the guitar is held. Write those down beside it.",
    "How readily the bridge moves: its speed for each newton that pushes, in decibels. 6 dB more is twice the speed.",
    f"The air reaches out of the hole by {END_CORRECTION:.2f} radii, both ends together; textbooks say 1.46 to 1.70, "
    "which moves the box by 7 %.",
    "The figures were tested on simulated guitars only, with dipoles and a standing wave that the model does not have.",
    f"For those who check: {UNCERTAINTY}; books say effective mass for the mass that moves, and mobility for how "
    "readily the bridge moves.",
)


def change_text(change: Change) -> str:
    """'soundhole diameter -5 %, 8 g on the bridge', or 'nothing changed'."""
    parts = [
        f"{words} {100 * (getattr(change, name) - 1):+.0f} %"
        for name, words in _CHANGES.items()
        if getattr(change, name) != 1
    ]
    if change.bridge_mass_kg:
        where = "more on" if change.bridge_mass_kg > 0 else "less on"
        parts.append(f"{abs(1000 * change.bridge_mass_kg):.3g} g {where} the bridge")
    return ", ".join(parts) or "nothing changed"


def number_rows(fit: BodyFit) -> list[tuple[str, ...]]:
    """One row for each number, in the order of NUMBER_HEADINGS."""
    rows = []
    for name, (words, factor, unit) in _NUMBERS.items():
        if name.startswith("back_") and BACK not in fit.order:
            continue
        number = fit.numbers[name]
        text = with_error(factor * number.value, factor * number.u, unit=unit)
        given = name in _MEASURES and all(fit.beliefs[each] != TYPICAL[each] for each in _MEASURES[name])
        known = "these taps" if number.is_measured else "given" if given else ""
        rows.append((words, text if known else CANNOT_TELL, known))
    return rows


def reading_rows(fit: BodyFit) -> list[tuple[str, ...]]:
    """What was read beside what the model makes of it, in the order of READING_HEADINGS."""
    rows = []
    for reading, fitted in zip(fit.readings, fit.fitted_hz, strict=True):
        for name in fitted:
            u = reading.frequency_u_hz.get(name, float("nan"))
            read = with_error(reading.frequency_hz[name], u, unit="Hz")
            rows.append((reading.condition, name, read, f"{fitted[name]:.1f} Hz"))
    return rows


def what_if_rows(told: WhatIf) -> list[tuple[str, ...]]:
    """Where the modes go, in the order of WHAT_IF_HEADINGS."""
    rows = []
    for k, name in enumerate(told.names):
        now = with_error(told.now_hz[k], told.now_u_hz[k], unit="Hz")
        if not isfinite(told.after_hz[k]):
            rows.append((name, now, *("cannot tell",) * 3, f"{told.now_q_factor[k]:.0f}", "cannot tell"))
            continue
        cents = f"{1731.2 * told.shift[k] / (1 + told.shift[k] / 2):+.0f}"
        shift = with_error(100 * told.shift[k], 100 * told.shift_u[k], unit="%") if told.shift_u[k] else "none"
        after = with_error(told.after_hz[k], told.after_u_hz[k], unit="Hz")
        q = f"{told.now_q_factor[k]:.0f}", with_error(told.after_q_factor[k], told.after_q_factor_u[k])
        rows.append((name, now, after, shift, cents, *q))
    return rows


def summary(sheet: BodySheet, told: WhatIf) -> tuple[str, ...]:
    """A few plain sentences."""
    mass = sheet.fit.numbers["top_mass_kg"]
    now = [with_error(hz, u, unit="Hz") for hz, u in zip(told.now_hz, told.now_u_hz, strict=True)]
    lines = [f"{sheet.name}: {', '.join(f'{name} {hz}' for name, hz in zip(told.names, now, strict=True))}."]
    if mass.is_measured:
        lines.append(f"The bridge has to move {with_error(1000 * mass.value, 1000 * mass.u, unit='g')}.")
    else:
        lines.append("Moving mass, stiffness and pumping area of the top: cannot tell without taps with a known mass.")
    if told.change != Change():
        parts = [
            f"{name} {100 * shift:+.1f} ± {100 * u:.1f} %" if isfinite(shift) else f"{name} cannot tell"
            for name, shift, u in zip(told.names, told.shift, told.shift_u, strict=True)
        ]
        lines.append(f"With {change_text(told.change)}: {', '.join(parts)}.")
    return tuple(lines)


def body_text(sheet: BodySheet, change: Change | None = None) -> str:
    """The sheet for the terminal."""
    told = what_if(sheet.fit, change or Change())
    parts = [*map(one_line, summary(sheet, told)), "", text_table(NUMBER_HEADINGS, number_rows(sheet.fit))]
    if told.change != Change():
        parts += ["", f"With {change_text(told.change)}:", text_table(WHAT_IF_HEADINGS, what_if_rows(told))]
    parts += ["", text_table(READING_HEADINGS, reading_rows(sheet.fit)), ""]
    parts += [f"- {one_line(note)}" for note in (*_notes(sheet), *told.notes)]
    parts += ["", "Take care:", *(f"- {line}" for line in CARE)]
    return "\n".join(parts)


def body_page(sheet: BodySheet, change: Change | None = None) -> Page:
    """The report of the body and of one change."""
    told = what_if(sheet.fit, change or Change())
    parts = [
        box(summary(sheet, told)),
        "<h2>Where air, top and back lie</h2>",
        what_if_body(sheet.fit, told),
        "<h2>Before you change anything</h2>",
        f'<div class="caution">{bullets(CARE)}</div>',
        "<h2>The body in numbers</h2>",
        table(NUMBER_HEADINGS, number_rows(sheet.fit)),
        "<h2>What was read, and what the model makes of it</h2>",
        table(READING_HEADINGS, reading_rows(sheet.fit)),
        bullets(_notes(sheet)),
        "<h2>What the figures mean</h2>",
        bullets(MEANING),
    ]
    title, stem = f"Air, top and back of {sheet.name}", f"{file_word(sheet.name)}_body"
    identity = identity_of("Body", sheet.name, sources=sheet.sources)
    return Page(title, "\n".join(parts), stem, identity, sheet.version, done=f"Read the body of {sheet.name}")


def _notes(sheet: BodySheet) -> tuple[str, ...]:
    return (*([sheet.box_check.sentence] if sheet.box_check else []), *sheet.notes)


def what_if_body(fit: BodyFit, told: WhatIf) -> str:
    """Pictures and table of one change, as HTML."""
    from .plots.body import plot_mobility, plot_what_if

    words = change_text(told.change)
    rows = what_if_rows(told)
    said = "; ".join(f"{row[0]} {row[1]}, after {row[2]}" for row in rows)
    columns = WHAT_IF_HEADINGS if told.change != Change() else WHAT_IF_HEADINGS[:2]
    return "\n".join(
        [
            f"<p>{escape(words[0].upper() + words[1:])}.</p>",
            image(plot_what_if(told), f"Frequencies now and after: {words}. {said}"),
            table(columns, [row[: len(columns)] for row in rows]),
            bullets(told.notes),
            image(
                plot_mobility(fit, told.change), f"How readily the bridge moves, over frequency, now and after: {words}"
            ),
        ]
    )


def body_data(sheet: BodySheet, change: Change | None = None) -> dict:
    """The sheet as a plain dictionary."""
    fit, told = sheet.fit, what_if(sheet.fit, change or Change())
    return {
        "name": sheet.name,
        "numbers": {name: asdict(number) for name, number in fit.numbers.items()},
        "readings": [
            {**picked(reading, " ".join(entry.name for entry in fields(reading))), "fitted_hz": fitted}
            for reading, fitted in zip(fit.readings, fit.fitted_hz, strict=True)
        ],
        **picked(fit, "chi_square degrees_of_freedom"),
        "box_check": asdict(sheet.box_check) if sheet.box_check else None,
        "what_if": {
            "change": asdict(told.change),
            "modes": [
                {"name": name, **{column: getattr(told, column)[k] for column in _COLUMNS}}
                for k, name in enumerate(told.names)
            ],
            "notes": told.notes,
        },
        "temperature_c": fit.model.temperature_c,
        "cautions": CARE,
        **picked(sheet, "notes sources version"),
    }
