"""The report: one HTML file with its pictures inside. It needs no network, no script and no other file."""

from __future__ import annotations

import hashlib
import os
import re
import tempfile
from base64 import b64encode
from datetime import datetime
from html import escape
from math import isfinite
from pathlib import Path

from ..errors import LuthkitError
from ..guitar.cautions import conditions
from ..guitar.comparison import Comparison, instrument_names
from ..guitar.verdicts import CANNOT_TELL, HEARD, IN_RANGE, UNHEARD, WITHIN, listed
from ..signal.modes import ModeSet
from . import meanings, words
from .plots import plot_comparison, plot_instrument, png_bytes

_MARK = "luthkit-report-of"
_CLASSES = {WITHIN: "same", IN_RANGE: "same", UNHEARD: "small", HEARD: "heard", CANNOT_TELL: "unsure"}

STYLE = """
.luthkit{font:16px/1.5 Georgia,'Times New Roman',serif;color:#1d1b18;background:#fbfaf7;
padding:.5rem 1.5rem 2rem}
.luthkit h1{font-size:1.7rem;margin:.6rem 0 .2rem}
.luthkit h2{font-size:1.25rem;margin:2.2rem 0 .5rem;border-bottom:1px solid #cfc8bb}
.luthkit h3{font-size:1.05rem;margin:1.4rem 0 .3rem}
.luthkit img{width:100%;height:auto;background:#fff}
.luthkit .grey{color:#6b6b6b}
.luthkit table{border-collapse:collapse;font:14px/1.35 Arial,Helvetica,sans-serif;margin:.5rem 0}
.luthkit th,.luthkit td{text-align:left;vertical-align:top;padding:.3rem .8rem .3rem 0;
border-bottom:1px solid #e4dfd5}
.luthkit th{border-bottom:2px solid #8d8578}
.luthkit .level{color:#6b6b6b;white-space:nowrap}
.luthkit .number,.luthkit .line{white-space:nowrap}
.luthkit .short{background:#fff;border-left:6px solid #0072B2;padding:.6rem 1rem;margin:.6rem 0}
.luthkit .caution{background:#fff;border-left:6px solid #9A4B00;padding:.4rem 1rem}
.luthkit .heard{color:#882255;font-weight:bold}
.luthkit .unsure{color:#555;font-style:italic}
.luthkit .hash{font:12px/1.3 'Courier New',monospace;word-break:break-all}
.luthkit li{margin:.15rem 0}
"""
_PAGE_STYLE = """
body{margin:0 auto;max-width:78rem;background:#fbfaf7}
@media print{body,.luthkit{background:#fff;font-size:11pt}
h2{break-after:avoid} table,img{break-inside:avoid}}
"""


def write_report(result: Comparison | ModeSet, path) -> Path:
    """Write the report of a comparison or of one instrument to `path` and give the path back.

    The file is written aside and put in place in one step, so that a half-written report never stands there.
    An existing file is replaced only if it is a report of the same recordings; anything else raises
    LuthkitError, as does a folder that cannot be written to.
    """
    path = Path(path)
    identity = report_identity(result)
    if path.exists() and identity_in(path) != identity:
        raise LuthkitError(
            f"{path} already exists and is not a report of these recordings; name another file or move it away"
        )
    text = report_html(result)
    try:
        handle, aside = tempfile.mkstemp(dir=path.parent, prefix=".luthkit-", suffix=".part")
    except OSError as error:
        raise LuthkitError(
            f"the report {path} cannot be written ({_why(error)}); name a file in a folder you may write to"
        ) from error
    try:
        with os.fdopen(handle, "w", encoding="utf-8", errors="backslashreplace") as file:
            file.write(text)
        os.chmod(aside, 0o644)
        os.replace(aside, path)
    except BaseException as error:
        Path(aside).unlink(missing_ok=True)
        if isinstance(error, OSError):
            raise LuthkitError(f"the report {path} cannot be written ({_why(error)}); name another file") from error
        raise
    return path


def default_path(result: Comparison | ModeSet, folder=".") -> Path:
    """A name for the report in `folder`: the instruments' names, and a number if another report has it.

    A report of the same recordings keeps its name and will be replaced; any other file is left alone.
    """
    if isinstance(result, Comparison):
        names = instrument_names(result.build, result.references)
        stem = f"{_file_word(names[0])}_beside_{'_and_'.join(map(_file_word, names[1:]))}"
    else:
        stem = f"{_file_word(result.name or 'instrument')}_modes"
    stem = stem[:100]
    identity = report_identity(result)
    number = 1
    while True:
        path = Path(folder) / f"{stem}{'' if number == 1 else f'_{number}'}_report.html"
        if not path.exists() or identity_in(path) == identity:
            return path
        number += 1


def report_identity(result: Comparison | ModeSet) -> str:
    """SHA-256 over the kind of report, the instruments' names and the SHA-256 of their recordings."""
    sets = (result.build, *result.references) if isinstance(result, Comparison) else (result,)
    parts = [type(result).__name__]
    for modeset in sets:
        parts += [
            "instrument",
            modeset.name,
            *(f"{key}={value}" for key, value in sorted(modeset.sources.items())),
        ]
    return hashlib.sha256("\n".join(parts).encode("utf-8", "backslashreplace")).hexdigest()


def identity_in(path) -> str | None:
    """The identity of the report at `path`, or None when it is no report of ours or cannot be read."""
    try:
        with open(path, encoding="utf-8", errors="replace") as file:
            head = file.read(2000)
    except OSError:
        return None
    found = re.search(rf'<meta name="{_MARK}" content="([0-9a-f]{{64}})">', head)
    return found[1] if found else None


def report_html(result: Comparison | ModeSet) -> str:
    """The whole page as text."""
    body = report_body(result)
    title = _title(result)
    now = datetime.now()
    return (
        '<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8">'
        f'<meta name="{_MARK}" content="{report_identity(result)}">'
        '<meta name="viewport" content="width=device-width">'
        f"<title>{escape(title)}</title><style>{_PAGE_STYLE}{STYLE}</style></head>"
        '<body class="luthkit">\n'
        f"<h1>{escape(title)}</h1>\n"
        f'<p class="grey">Written by luthkit {escape(result.version)} on {now:%d %B %Y, %H:%M}.</p>\n'
        f"{body}\n</body></html>\n"
    )


def report_body(result: Comparison | ModeSet) -> str:
    """What stands under the title, as HTML that needs `STYLE` and an element of class "luthkit" around it."""
    return _comparison_body(result) if isinstance(result, Comparison) else _instrument_body(result)


def _title(result):
    if isinstance(result, Comparison):
        names = instrument_names(result.build, result.references)
        return f"{names[0]} beside {listed(names[1:])}"
    return f"Modes of {result.name or 'the instrument'}"


def _comparison_body(comparison):
    names = instrument_names(comparison.build, comparison.references)
    parts = [
        f'<div class="short">{_paragraphs(comparison.summary)}</div>',
        _image(plot_comparison(comparison), _comparison_alt(comparison)),
        "<h2>Mode by mode</h2>",
        _pair_table(comparison),
        _alone(comparison),
        "<h2>Before you trust a difference</h2>",
        f'<div class="caution">{_list(comparison.cautions + meanings.CARE)}</div>',
        "<h2>What the figures mean</h2>",
        _list(meanings.MODES + meanings.COMPARISON),
        "<h2>Thresholds</h2>",
        f"<p>The recordings were judged as “{escape(comparison.thresholds.setting)}”. Every figure can be "
        "changed; none is a law.</p>",
        _threshold_table(comparison.thresholds),
    ]
    for name, modeset in zip(names, (comparison.build, *comparison.references), strict=True):
        parts += [f"<h2>{escape(name)}</h2>", _instrument_details(modeset)]
    return "\n".join(parts)


def _instrument_body(modeset):
    return "\n".join(
        [
            f'<div class="short"><p>{escape(mode_summary(modeset))}</p></div>',
            _instrument_details(modeset, picture=True),
            "<h2>What the figures mean</h2>",
            _list(meanings.MODES),
            "<h2>Before you trust a number</h2>",
            f'<div class="caution">{_list(meanings.CARE)}</div>',
        ]
    )


def mode_summary(modeset: ModeSet) -> str:
    """One or two plain sentences on what was found."""
    body = [mode for mode in modeset.modes if mode.kind == "body"]
    taps = words.taps_text(modeset)
    if not modeset.modes:
        return f"No mode was found ({taps})."
    text = f"{len(body)} body mode{'s' * (len(body) != 1)} found ({taps})."
    others = len(modeset.modes) - len(body)
    if others:
        text += f" {others} more may be of the room or of a string and should not be taken for the guitar."
    return text


def _instrument_details(modeset, *, picture=False):
    parts = []
    if picture and (modeset.spectrum is not None or modeset.modes):
        count = len(modeset.modes)
        name = modeset.name or "the instrument"
        alt = f"Spectrum of {name} from 60 to 1000 Hz with {count} modes marked, and the Q of each"
        parts.append(_image(plot_instrument(modeset), alt))
    parts.append(f"<p>{escape(words.taps_text(modeset))}.</p>")
    parts.append(_list(modeset.notes))
    if modeset.modes:
        parts.append(_table(words.MODE_HEADINGS, words.mode_rows(modeset), grey=(4,)))
        parts.append(_witness_table(modeset))
    if modeset.rejected:
        rows = [
            (left.source, "whole file" if left.time_s is None else f"{left.time_s:.3f} s", left.reason)
            for left in modeset.rejected
        ]
        parts += ["<h3>Left out, and why</h3>", _table(("Recording", "At", "Reason"), rows)]
    said = conditions(modeset)
    if said:
        rows = [(key.replace("_", " "), str(value)) for key, value in said.items()]
        parts += ["<h3>Conditions, as written down</h3>", _table(("What", "Value"), rows)]
    else:
        parts.append("<p>No conditions (climate, strings, microphone) were written down for this session.</p>")
    rest = {key: value for key, value in modeset.parameters.items() if key != "conditions"}
    rows = [(key.replace("_", " "), str(value)) for key, value in rest.items()]
    files = "".join(
        f"<li>{escape(name)}<br><span class='hash'>{escape(digest)}</span></li>"
        for name, digest in modeset.sources.items()
    )
    parts.append(
        "<details><summary>Recordings with their SHA-256, and settings "
        f"(luthkit {escape(modeset.version)})</summary>"
        f"<ul>{files}</ul>{_table(('Setting', 'Value'), rows) if rows else ''}</details>"
    )
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
    table = _table(("No.", "Method", "Damping ratio", "Why not"), rows)
    return f"<details><summary>Second opinions on the damping</summary>{table}</details>"


def _pair_table(comparison):
    rows = []
    for number, pair in enumerate(comparison.pairs, start=1):
        cells = [
            f'<span class="line">{escape(cell).replace(" (95", "<br>(95")}</span>' if k < 7 else escape(cell)
            for k, cell in enumerate(words.pair_row(number, pair))
        ]
        for k, verdict in ((4, pair.frequency.verdict), (6, pair.damping.verdict)):
            cells[k] = f'<span class="{_CLASSES[verdict]}">{cells[k]}</span>'
        rows.append(cells)
    if not rows:
        return "<p>No mode could be paired.</p>"
    return _table(words.PAIR_HEADINGS, rows, safe=True)


def _alone(comparison):
    lines = words.alone_lines(comparison)
    return f"<h3>Without a partner, or not of the body</h3>{_list(lines)}" if lines else ""


def _threshold_table(thresholds):
    rows = [
        (
            name,
            f"{100 * figure.value:g} %",
            f"{100 * figure.low:g} to {100 * figure.high:g} %" if figure.low != figure.high else "",
            figure.source,
            figure.certainty,
        )
        for name, figure in thresholds.figures()
    ]
    return _table(("Figure", "Used", "Range", "Source", "How sure"), rows)


def _comparison_alt(comparison):
    count = len(comparison.pairs)
    return (
        f"{_title(comparison)}: spectra from 60 to 1000 Hz, one over the other, below them the differences "
        f"of {count} paired modes in frequency and damping with 95 % bars. {' '.join(comparison.summary)}"
    )


def _image(axes, alt):
    data = b64encode(png_bytes(axes, dots_per_inch=130)).decode("ascii")
    return f'<p><img alt="{escape(alt)}" src="data:image/png;base64,{data}"></p>'


def _table(headings, rows, *, grey=(), safe=False):
    head = "".join(f"<th>{escape(text)}</th>" for text in headings)
    lines = []
    for row in rows:
        cells = []
        for k, cell in enumerate(row):
            text = cell if safe else escape(cell)
            kind = "level" if k in grey else "number" if "±" in cell else ""
            cells.append(f'<td class="{kind}">{text}</td>' if kind else f"<td>{text}</td>")
        lines.append(f"<tr>{''.join(cells)}</tr>")
    return f"<table><thead><tr>{head}</tr></thead><tbody>{''.join(lines)}</tbody></table>"


def _paragraphs(sentences):
    return "".join(f"<p>{escape(sentence)}</p>" for sentence in sentences)


def _list(items):
    return f"<ul>{''.join(f'<li>{escape(item)}</li>' for item in items)}</ul>" if items else ""


def _file_word(name: str) -> str:
    """A name that every file system takes: letters, digits, dots and dashes; the rest becomes one dash."""
    return re.sub(r"[^\w.-]+", "-", name).strip("-._")[:40] or "guitar"


def _why(error: OSError) -> str:
    return (error.strerror or type(error).__name__).lower()
