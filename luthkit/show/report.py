"""The reports of one instrument and of a comparison."""

from __future__ import annotations

from functools import partial
from html import escape
from math import isfinite

from ..guitar.cautions import conditions
from ..guitar.comparison import Comparison, instrument_names
from ..guitar.naming import Naming
from ..guitar.verdicts import CANNOT_TELL, HEARD, IN_RANGE, OPEN, UNHEARD, WITHIN, listed
from ..signal.modes import ModeSet
from . import meanings, words
from .basis import basis
from .page import Page, box, bullets, file_word, identity_of, image, table
from .plots.comparison import plot_comparison
from .plots.modes import plot_instrument
from .sheet import plot_sheet

_CLASSES = {WITHIN: "same", IN_RANGE: "same", UNHEARD: "small", OPEN: "small", HEARD: "heard", CANNOT_TELL: "unsure"}


def report_page(result: Comparison | ModeSet, naming: Naming | None = None) -> Page:
    """The report of a comparison or of one instrument, whose modes `naming` may name."""
    if isinstance(result, Comparison):
        names = result.called
        stem = f"{file_word(names[0])}_beside_{'_and_'.join(map(file_word, names[1:]))}"
        done = f"Compared {names[0]} with {listed(names[1:])}"
        body = _comparison_body(result)
    else:
        stem = f"{file_word(result.name or 'instrument')}_modes"
        done = f"Read {result.taps_accepted} taps of {result.name or 'the instrument'}"
        body = _instrument_body(result, naming)
    sheet = partial(plot_sheet, result, naming)
    return Page(_title(result), body, stem, _identity(result), result.version, sheet=sheet, done=done)


def _identity(result) -> str:
    sets = (result.build, *result.references) if isinstance(result, Comparison) else (result,)
    return identity_of(type(result).__name__, *(identity_of(each.name, sources=each.sources) for each in sets))


def _title(result):
    if isinstance(result, Comparison):
        return f"{result.called[0]} beside {listed(result.called[1:])}"
    return f"Modes of {result.name or 'the instrument'}"


def _comparison_body(comparison):
    names, alone = instrument_names(comparison.build, comparison.references), words.alone_lines(comparison)
    parts = [
        box(comparison.summary),
        image(plot_comparison(comparison), _comparison_alt(comparison)),
        "<h2>Mode by mode</h2>",
        _pair_table(comparison),
        *(["<h3>Without a partner, or not of the body</h3>", bullets(alone)] if alone else []),
        "<h2>Before you trust a difference</h2>",
        f'<div class="caution">{bullets(comparison.cautions + meanings.CARE)}</div>',
        "<h2>What the figures mean</h2>",
        bullets(meanings.MODES + meanings.COMPARISON),
        "<h2>Thresholds</h2>",
        f"<p>The recordings were judged as “{escape(comparison.thresholds.setting)}”. Every figure can be "
        "changed; none is a law.</p>",
        _threshold_table(comparison.thresholds),
    ]
    sets = (comparison.build, *comparison.references)
    for name, modeset, naming in zip(names, sets, comparison.namings, strict=True):
        parts += [f"<h2>{escape(name)}</h2>", _instrument_details(modeset, naming)]
    return "\n".join(parts)


def _instrument_body(modeset, naming):
    parts = [
        box(words.mode_summary(modeset, naming)),
        _instrument_details(modeset, naming, picture=True),
        "<h2>What the figures mean</h2>",
        bullets(meanings.MODES),
        "<h2>Before you trust a number</h2>",
        f'<div class="caution">{bullets(meanings.CARE)}</div>',
    ]
    return "\n".join(parts)


def _instrument_details(modeset, naming=None, *, picture=False):
    parts = []
    if picture and (modeset.spectrum is not None or modeset.modes):
        count = len(modeset.modes)
        name = modeset.name or "the instrument"
        alt = f"Spectrum of {name} from 60 to 1000 Hz with {count} modes marked, and the Q of each"
        parts.append(image(plot_instrument(modeset), alt))
    parts.append(f"<p>{escape(words.taps_text(modeset))}.</p>")
    parts.append(bullets(modeset.notes))
    if modeset.modes:
        parts.append(table(words.MODE_HEADINGS, words.mode_rows(modeset, naming), grey=(5,)))
        parts.append(_witness_table(modeset))
    settings = [item for item in modeset.parameters.items() if item[0] != "conditions"]
    said = conditions(modeset)
    parts += basis(modeset.rejected, said, modeset.sources, settings=settings, version=modeset.version)
    return "\n".join(part for part in parts if part)


def _witness_table(modeset):
    rows = []
    for number, mode in enumerate(modeset.modes, start=1):
        for witness in mode.witnesses:
            value = 100 * witness.damping_ratio
            text = words.with_error(value, 100 * witness.damping_ratio_u, unit="%")
            rows.append((str(number), witness.method, text if isfinite(value) else "no answer", witness.reason))
    if not rows:
        return ""
    inner = table(("No.", "Method", "Damping ratio", "Why not"), rows)
    return f"<details><summary>Second opinions on the damping</summary>{inner}</details>"


def _pair_table(comparison):
    rows = []
    for number, pair in enumerate(comparison.pairs, start=1):
        mode, build, reference, frequency, heard, damping, heard_damping, remarks = (
            escape(cell).replace(" (95", "<br>(95").replace("\n", "<br>") for cell in words.pair_row(number, pair)
        )
        both = ((pair.frequency, frequency, heard), (pair.damping, damping, heard_damping))
        judged = [f'{told}<br><span class="{_CLASSES[d.verdict]}">{verdict}</span>' for d, told, verdict in both]
        cells = [f'<span class="line">{cell}</span>' for cell in (mode, build, reference, *judged)]
        rows.append([*cells, remarks])
    if not rows:
        return "<p>No mode could be paired.</p>"
    return table([heading for heading in words.PAIR_HEADINGS if heading != "Verdict"], rows, safe=True)


def _threshold_table(thresholds):
    rows = []
    for name, figure in thresholds.figures():
        span = f"{100 * figure.low:g} to {100 * figure.high:g} %" if figure.low != figure.high else ""
        rows.append((name, f"{100 * figure.value:g} %", span, figure.source, figure.certainty))
    return table(("Figure", "Used", "Range", "Source", "How sure"), rows)


def _comparison_alt(comparison):
    return (
        f"{_title(comparison)}: spectra from 60 to 1000 Hz, one over the other, below them the differences of "
        f"{len(comparison.pairs)} paired modes in frequency and damping with 95 % bars. {' '.join(comparison.summary)}"
    )
