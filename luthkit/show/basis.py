"""What a report rests on: what was left out and why, the conditions written down, and the recordings."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from html import escape

from .._text import one_line
from .page import table

_UNITS = {"c": "°C", "percent": "%", "h": "h", "g": "g", "cm": "cm", "mm": "mm", "l": "l"}


def left_out_lines(rejected) -> list[str]:
    """'wing_2.wav at 3.41 s: clipped', for each tap, stroke or file that was left out."""
    return [
        f"{one_line(r.source)}{'' if r.time_s is None else f' at {r.time_s:.2f} s'}: {one_line(r.reason)}"
        for r in rejected
    ]


def basis(rejected, said: Mapping[str, object], sources: Mapping[str, str], *, settings=(), version="") -> list[str]:
    """Pieces of a page: what was left out, the conditions `said`, and the recordings with their checksums."""
    parts = []
    if rejected:
        rows = [(r.source, "whole file" if r.time_s is None else f"{r.time_s:.2f} s", r.reason) for r in rejected]
        parts += ["<h3>Left out, and why</h3>", table(("Recording", "At", "Reason"), rows)]
    if said:
        parts += ["<h3>Conditions, as written down</h3>", table(("What", "Value"), condition_rows(said.items()))]
    else:
        parts.append("<p>No conditions (climate, strings, microphone) were written down for this session.</p>")
    files = "".join(
        f"<li>{escape(name)}<br><span class='hash'>{escape(digest)}</span></li>" for name, digest in sources.items()
    )
    rows = [(key.replace("_", " "), str(value)) for key, value in settings]
    parts.append(
        f"<details><summary>Recordings{' and settings' if rows else ''}, for those who check</summary><ul>{files}</ul>"
        f"<p>Below each recording its checksum (SHA-256). Read by luthkit {escape(version)}.</p>"
        f"{table(('Setting', 'Value'), rows) if rows else ''}</details>"
    )
    return parts


def condition_rows(said: Iterable[tuple[str, object]]) -> list[tuple[str, str]]:
    """('temperature', '20.5 °C') for temperature_c = 20.5: a session's words and numbers as one would say them."""
    rows = []
    for key, value in said:
        words, _, last = key.rpartition("_")
        unit = _UNITS.get(last, "") if words else ""
        rows.append((words if unit else key, f"{value} {unit}".strip()))
    return [(words.replace("_", " "), value) for words, value in rows]
