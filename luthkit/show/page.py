"""A page: one HTML file with its pictures inside. It needs no network, no script and no other file."""

from __future__ import annotations

import csv
import hashlib
import re
from base64 import b64decode, b64encode
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import date, datetime
from html import escape
from html.parser import HTMLParser
from io import StringIO
from itertools import count
from pathlib import Path

from .. import __version__
from ..errors import LuthkitError
from ..shop.safe import free_name, told, write_new, write_whole
from .plots.common import figure_bytes, png_bytes

_MARK = "luthkit-report-of"
_LEAD = re.compile(r'<div class="(?:short|caution)"><p>(.*?)</p>', re.DOTALL)
_WITH_ERROR = re.compile(  # what `words.with_error` writes of a finite value, and nothing more
    r"(?P<value>[-+]?\d+(?:\.\d+)?)(?: ± (?P<error>\d+(?:\.\d+)?))?(?: (?P<unit>[^\s\d,;]+))?"
    r"(?P<unknown>, error unknown)?"
)

STYLE = """
.luthkit{font:16px/1.5 Georgia,'Times New Roman',serif;color:#1d1b18;background:#fbfaf7;
padding:.5rem 1rem 2rem}
.luthkit-page,.luthkit-page>div{min-width:0;max-width:100%;box-sizing:border-box}
.luthkit h1{font-size:1.7rem;margin:.6rem 0 .2rem}
.luthkit h2{font-size:1.25rem;margin:2.2rem 0 .5rem;border-bottom:1px solid #cfc8bb}
.luthkit h3{font-size:1.05rem;margin:1.4rem 0 .3rem}
.luthkit img{width:100%;max-width:56rem;height:auto;background:#fff}
.luthkit .grey{color:#6b6b6b}
.luthkit table{display:block;overflow-x:auto;max-width:100%}
.luthkit table{border-collapse:collapse;font:14px/1.35 Arial,Helvetica,sans-serif;margin:.5rem 0}
.luthkit th,.luthkit td{text-align:left;vertical-align:top;padding:.3rem .8rem .3rem 0;
border-bottom:1px solid #e4dfd5}
.luthkit td:last-child:not(.number){min-width:9rem}
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


@dataclass(frozen=True)
class Page:
    """What a report or a form shows: pieces of HTML, and what it is a report of."""

    title: str
    body: str  # HTML that needs `STYLE` and an element of class "luthkit" around it
    stem: str  # how its file is called, without "_report.html"
    identity: str  # SHA-256 of what it was made from; a report of the same may be replaced by a new one
    version: str = __version__
    sheet: Callable | None = None  # makes the figure of the one-page sheet, where there is one
    done: str = ""  # what was done for it, such as "Read 36 taps of Number 12"

    @property
    def lead(self) -> str:
        """The answer: the first sentence of the first box, as HTML; "" for a page without one."""
        found = _LEAD.search(self.body)
        return found[1] if found else ""


def write_page(page: Page, path) -> Path:
    """Write a page to `path`, whole or not at all, and give the path back.

    An existing file is replaced only if it is a report of the same recordings; anything else raises
    LuthkitError, as does a folder that cannot be written to.
    """
    path = Path(path)
    if path.exists() and identity_in(path) != page.identity:
        raise LuthkitError(
            f"{path} already exists and is not a report of these recordings; name another file or move it away"
        )
    text = page_html(page).encode("utf-8", "backslashreplace")
    with told(f"the report {path}"):
        write_whole(path, text)
    return path


def default_path(page: Page, folder=".", *, before: str = "") -> Path:
    """A name for the page in `folder`, beginning with `before`, with a number if another report has it.

    A report of the same recordings keeps its name and will be replaced; any other file is left alone.
    """
    for number in count(1):
        path = Path(folder) / f"{before}{page.stem[:80]}{'' if number == 1 else f'_{number}'}_report.html"
        if not path.exists() or identity_in(path) == page.identity:
            return path


def save_report(page: Page, folder) -> list[Path]:
    """The report in `folder`, which is made where it is missing, under a name with the day."""
    return [write_page(page, default_path(page, _made(folder), before=_today()))]


def save_sheet(page: Page, folder) -> list[Path]:
    """The one-page sheet as PDF and as HTML in `folder`, under a new name; the paths. Empty where there is none."""
    if page.sheet is None:
        return []
    taken = [path.with_suffix(".pdf").name for path in _made(folder).iterdir()]
    pdf = Path(folder) / free_name(f"{_today()}{page.stem[:80]}_sheet.pdf", taken)
    return [write_sheet(page, path) for path in (pdf, pdf.with_suffix(".html"))]


def write_sheet(page: Page, path) -> Path:
    """Write the one-page sheet to `path`, whose ending (.pdf or .html) says as what. An existing file is kept:
    `LuthkitError`, as for another ending or a folder that cannot be written to."""
    path = Path(path)
    if path.suffix.lower() not in (".pdf", ".html"):
        raise LuthkitError(
            f"the sheet {path} ends in {path.suffix or 'nothing'}; name a file that ends in .pdf or .html"
        )
    if path.exists():
        raise LuthkitError(f"{path} is there already; name another file for the sheet")
    figure = page.sheet()
    if path.suffix.lower() == ".pdf":
        content = figure_bytes(figure, kind="pdf")
    else:
        picture = image(figure.axes[0], f"Sheet: {page.title}")
        content = page_html(replace(page, body=picture)).encode("utf-8", "backslashreplace")
    with told(f"the sheet {path}"):
        write_whole(path, content)
    return path


def save_pieces(page: Page, folder) -> list[Path]:
    """Every picture of a page as PNG and every table as CSV, in a new folder inside `folder`; the paths.

    Each is named for what it shows: the page, and the headings it stands under. In a table a column of values with
    their errors, "103.3 ± 1.1 Hz", becomes two columns of bare numbers, "Frequency (Hz)" and "Frequency, ± (Hz)".
    """
    pieces = _Pieces()
    pieces.feed(page.body)
    if not pieces.found:
        return []
    number, name = 1, f"{_today()}{page.stem[:40]}"  # short: Windows takes no path of more than 260 characters
    while (home := _made(folder) / (name if number == 1 else f"{name}_{number}")).exists():
        number += 1
    files: dict[str, bytes] = {}
    for headings, content in pieces.found:
        words = "_".join([page.stem[:40], *map(file_word, headings)])[:90]
        if isinstance(content, bytes):
            files[free_name(f"{words}.png", files)] = content
        else:
            text = StringIO(newline="")
            csv.writer(text).writerows(_with_own_columns(content))
            files[free_name(f"{words}.csv", files)] = text.getvalue().encode("utf-8-sig", "backslashreplace")
    with told(f"the folder {home}"):
        home.mkdir()
        for file, content in files.items():
            write_new(home / file, content)
    return [home / file for file in files]


def _with_own_columns(rows: list[list[str]]) -> list[list[str]]:
    """The table with values and errors apart, where all cells of a column are of that shape or empty, in one unit."""
    if len({len(row) for row in rows}) != 1:
        return rows
    columns = []
    for heading, *cells in zip(*rows, strict=True):
        found = [_WITH_ERROR.fullmatch(cell) for cell in cells if cell]
        units = {one and one["unit"] for one in found}
        alike = all(one and bool(one["error"]) != bool(one["unknown"]) for one in found) and len(units) == 1
        if alike and any(one["error"] for one in found):
            unit = f" ({units.pop()})" if None not in units else ""
            parts = [one.groupdict() if (one := _WITH_ERROR.fullmatch(cell)) else {} for cell in cells]
            columns.append([f"{heading}{unit}", *(part.get("value", "") for part in parts)])
            columns.append([f"{heading}, ±{unit}", *(part.get("error") or "" for part in parts)])
        else:
            columns.append([heading, *cells])
    return [list(row) for row in zip(*columns, strict=True)]


def _made(folder) -> Path:
    folder = Path(folder)
    with told(f"the folder {folder}"):
        folder.mkdir(parents=True, exist_ok=True)
    return folder


def _today() -> str:
    return f"{date.today():%Y-%m-%d}_"


class _Pieces(HTMLParser):
    """Pictures (PNG) and tables (rows of text) of a page, each with the headings it stands under."""

    _LEVELS = ("h2", "h3", "summary")

    def __init__(self):
        super().__init__()
        self.found: list[tuple[list[str], bytes | list[list[str]]]] = []
        self._under = dict.fromkeys(self._LEVELS, "")
        self._heading = ""  # the level of the heading that is being read
        self._inside = False  # a cell

    def handle_starttag(self, tag, attrs):
        source = dict(attrs).get("src", "")
        headings = [words for words in (self._under["h2"], self._under["summary"] or self._under["h3"]) if words]
        if tag in self._LEVELS:
            self._heading = tag
            for level in self._LEVELS[self._LEVELS.index(tag) :]:
                self._under[level] = ""
        elif tag == "img" and source.startswith("data:image/png;base64,"):
            self.found.append((headings, b64decode(source.split(",", 1)[1])))
        elif tag == "table":
            self._rows = []
            self.found.append((headings, self._rows))
        elif tag == "tr":
            self._rows.append([])
        elif tag in ("td", "th"):
            self._rows[-1].append("")
            self._inside = True
        elif tag == "br" and self._inside:
            self._rows[-1][-1] += " "

    def handle_endtag(self, tag):
        if tag == self._heading:
            self._heading = ""
        elif tag == "details":
            self._under["summary"] = ""
        elif tag in ("td", "th"):
            self._inside = False

    def handle_data(self, data):
        if self._heading:
            self._under[self._heading] += data
        elif self._inside:
            self._rows[-1][-1] += data


def identity_in(path) -> str | None:
    """The identity of the report at `path`, or None when it is no report of ours or cannot be read."""
    try:
        with open(path, encoding="utf-8", errors="replace") as file:
            head = file.read(2000)
    except OSError:
        return None
    found = re.search(rf'<meta name="{_MARK}" content="([0-9a-f]{{64}})">', head)
    return found[1] if found else None


def page_html(page: Page) -> str:
    """The whole page as text."""
    now = datetime.now()
    return (
        '<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8">'
        f'<meta name="{_MARK}" content="{page.identity}">'
        '<meta name="viewport" content="width=device-width">'
        f"<title>{escape(page.title)}</title><style>{_PAGE_STYLE}{STYLE}</style></head>"
        '<body class="luthkit">\n'
        f"<h1>{escape(page.title)}</h1>\n"
        f'<p class="grey">Written by luthkit {escape(page.version)} on {now:%d %B %Y, %H:%M}.</p>\n'
        f"{page.body}\n</body></html>\n"
    )


def image(axes, alt: str) -> str:
    """A figure as a picture inside the page; `alt` says in words what it shows."""
    data = b64encode(png_bytes(axes, dots_per_inch=130)).decode("ascii")
    return f'<p><img alt="{escape(alt)}" src="data:image/png;base64,{data}"></p>'


def table(headings, rows, *, grey=(), safe=False) -> str:
    """Rows of text under headings; columns `grey` are pale; `safe` cells are HTML already."""
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


def paragraphs(sentences) -> str:
    """A paragraph for each sentence."""
    return "".join(f"<p>{escape(sentence)}</p>" for sentence in sentences)


def box(sentences, *, kind="short") -> str:
    """Sentences in a box with a bar at its left: "short", what comes first, or "caution"."""
    return f'<div class="{kind}">{paragraphs(sentences)}</div>'


def bullets(items) -> str:
    """A list of sentences; nothing for none."""
    return f"<ul>{''.join(f'<li>{escape(item)}</li>' for item in items)}</ul>" if items else ""


def identity_of(*words, sources=()) -> str:
    """SHA-256 of what a page was made from: words, and the SHA-256 of its recordings by name."""
    parts = [*map(str, words), *(f"{key}={value}" for key, value in sorted(dict(sources).items()))]
    return hashlib.sha256("\n".join(parts).encode("utf-8", "backslashreplace")).hexdigest()


def file_word(name: str) -> str:
    """A name that every file system takes: letters, digits, dots and dashes; the rest becomes one dash."""
    return re.sub(r"[^\w.-]+", "-", name).strip("-._")[:40] or "guitar"
