"""A page: one HTML file with its pictures inside. It needs no network, no script and no other file."""

from __future__ import annotations

import csv
import os
import re
import tempfile
import warnings
from base64 import b64decode, b64encode
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime
from html import escape
from html.parser import HTMLParser
from pathlib import Path

from .. import __version__
from ..errors import LuthkitError
from .plots.common import png_bytes

_MARK = "luthkit-report-of"

STYLE = """
.luthkit{font:16px/1.5 Georgia,'Times New Roman',serif;color:#1d1b18;background:#fbfaf7;
padding:.5rem 1.5rem 2rem}
.luthkit-page,.luthkit-page>div{min-width:0;max-width:100%;box-sizing:border-box}
.luthkit h1{font-size:1.7rem;margin:.6rem 0 .2rem}
.luthkit h2{font-size:1.25rem;margin:2.2rem 0 .5rem;border-bottom:1px solid #cfc8bb}
.luthkit h3{font-size:1.05rem;margin:1.4rem 0 .3rem}
.luthkit img{width:100%;height:auto;background:#fff}
.luthkit .grey{color:#6b6b6b}
.luthkit table{display:block;overflow-x:auto;max-width:100%}
.luthkit table{border-collapse:collapse;font:14px/1.35 Arial,Helvetica,sans-serif;margin:.5rem 0}
.luthkit th,.luthkit td{text-align:left;vertical-align:top;padding:.3rem .8rem .3rem 0;
border-bottom:1px solid #e4dfd5}
.luthkit td:nth-child(8){min-width:20rem}
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


def write_page(page: Page, path) -> Path:
    """Write a page to `path` and give the path back.

    The file is written aside and put in place in one step, so that a half-written report never stands there.
    An existing file is replaced only if it is a report of the same recordings; anything else raises
    LuthkitError, as does a folder that cannot be written to.
    """
    path = Path(path)
    if path.exists() and identity_in(path) != page.identity:
        raise LuthkitError(
            f"{path} already exists and is not a report of these recordings; name another file or move it away"
        )
    text = page_html(page)
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


def default_path(page: Page, folder=".") -> Path:
    """A name for the page in `folder`, with a number if another report has it.

    A report of the same recordings keeps its name and will be replaced; any other file is left alone.
    """
    number = 1
    while True:
        path = Path(folder) / f"{page.stem[:100]}{'' if number == 1 else f'_{number}'}_report.html"
        if not path.exists() or identity_in(path) == page.identity:
            return path
        number += 1


def save_sheet(page: Page, folder=".") -> list[Path]:
    """The one-page sheet as PDF and as HTML, under a name that is free; the paths. Empty where there is no sheet."""
    if page.sheet is None:
        return []
    number, stem = 1, f"{page.stem[:100]}_sheet"
    while any((Path(folder) / f"{stem}.{kind}").exists() for kind in ("pdf", "html")):
        number += 1
        stem = f"{page.stem[:100]}_sheet_{number}"
    paths = [Path(folder) / f"{stem}.{kind}" for kind in ("pdf", "html")]
    for path in paths:
        write_sheet(page, path)
    return paths


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
    aside = path.with_name(f".{path.stem}.part{path.suffix.lower()}")
    try:
        if path.suffix.lower() == ".pdf":
            with warnings.catch_warnings():
                warnings.filterwarnings("ignore", message="Glyph .* missing")  # a name in letters the font lacks
                figure.savefig(aside, facecolor="white")
        else:
            picture = image(figure.axes[0], f"Sheet: {page.title}")
            aside.write_text(page_html(replace(page, body=picture)), encoding="utf-8", errors="backslashreplace")
        os.replace(aside, path)
    except OSError as error:
        raise LuthkitError(f"the sheet {path} cannot be written ({_why(error)}); name another file") from error
    finally:
        aside.unlink(missing_ok=True)
    return path


def save_pieces(page: Page, folder=".") -> list[Path]:
    """Every picture of a page as PNG and every table as CSV, in a folder of their own; the paths.

    A folder of that name that is there already is left alone: the new one gets a number.
    """
    pieces = _Pieces()
    pieces.feed(page.body)
    if not pieces.pictures and not pieces.tables:
        return []
    number, home = 1, Path(folder) / page.stem[:100]
    while home.exists():
        number += 1
        home = Path(folder) / f"{page.stem[:100]}_{number}"
    try:
        home.mkdir(parents=True)
        paths = []
        for k, picture in enumerate(pieces.pictures, start=1):
            paths.append(home / f"picture_{k}.png")
            paths[-1].write_bytes(picture)
        for k, rows in enumerate(pieces.tables, start=1):
            paths.append(home / f"table_{k}.csv")
            with open(paths[-1], "w", newline="", encoding="utf-8-sig") as file:
                csv.writer(file).writerows(rows)
    except OSError as error:
        raise LuthkitError(
            f"{home} cannot be written ({_why(error)}); free some space or use another folder"
        ) from error
    return paths


class _Pieces(HTMLParser):
    """Pictures (PNG) and tables (rows of text) of a page."""

    def __init__(self):
        super().__init__()
        self.pictures: list[bytes] = []
        self.tables: list[list[list[str]]] = []
        self._inside = False

    def handle_starttag(self, tag, attrs):
        source = dict(attrs).get("src", "")
        if tag == "img" and source.startswith("data:image/png;base64,"):
            self.pictures.append(b64decode(source.split(",", 1)[1]))
        elif tag == "table":
            self.tables.append([])
        elif tag == "tr" and self.tables:
            self.tables[-1].append([])
        elif tag in ("td", "th"):
            self.tables[-1][-1].append("")
            self._inside = True
        elif tag == "br" and self._inside:
            self.tables[-1][-1][-1] += " "

    def handle_endtag(self, tag):
        if tag in ("td", "th"):
            self._inside = False

    def handle_data(self, data):
        if self._inside:
            self.tables[-1][-1][-1] += data


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


def bullets(items) -> str:
    """A list of sentences; nothing for none."""
    return f"<ul>{''.join(f'<li>{escape(item)}</li>' for item in items)}</ul>" if items else ""


def file_word(name: str) -> str:
    """A name that every file system takes: letters, digits, dots and dashes; the rest becomes one dash."""
    return re.sub(r"[^\w.-]+", "-", name).strip("-._")[:40] or "guitar"


def _why(error: OSError) -> str:
    return (error.strerror or type(error).__name__).lower()
