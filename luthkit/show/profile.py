"""A reference profile in words, as data, as a page: its modes with names where known, each with its error."""

from __future__ import annotations

from dataclasses import asdict

from .._text import one_line
from ..guitar.pairing import name_of_pair, names_given, namings_of
from ..guitar.priors import UNNAMED
from ..guitar.profile import Profile
from .page import Page, box, file_word, identity_of, paragraphs, table
from .words import text_table, with_error

_HEAD = ("No.", "Name", "Frequency", "Damping ratio", "Found on")


def profile_table(profile: Profile) -> str:
    """The modes of a profile for the terminal: one value, or the lowest to the highest of several guitars."""
    rows, lines = _rows(profile)
    return "\n".join([text_table(_HEAD, rows), *lines])


def profile_page(profile: Profile, path) -> Page:
    """The same as a page, with where the profile is kept."""
    rows, lines = _rows(profile)
    guitars = ", ".join(guitar.name for guitar in profile.guitars)
    strums = f"with the strums of {', '.join(profile.tone)}" if profile.tone else "without strums"
    kept = f"{profile.name}, from {guitars}, {strums}: kept as {path}."
    told = "Choose it as a reference in notebooks 2 and 4, or name the file to luthkit compare and luthkit tone."
    body = box([kept, told]) + table(_HEAD, rows) + paragraphs(lines)
    title, stem = f"Profile {profile.name}", f"{file_word(profile.name)}_profile"
    return Page(title, body, stem, identity_of("profile", path), profile.version)


def _rows(profile: Profile) -> tuple[list[tuple[str, ...]], list[str]]:
    """Rows in the order of _HEAD, and what is to be said below."""
    bands, rows, doubts = profile.bands, [], []
    for number, (band, (name, doubt)) in enumerate(zip(bands, _names(profile, bands), strict=True), start=1):
        ends = ("low",) if len(band.members) == 1 else ("low", "high")
        hertz = [(getattr(band, f"frequency_{end}_hz"), getattr(band, f"frequency_{end}_u_hz")) for end in ends]
        percent = [(100 * getattr(band, f"damping_{end}"), 100 * getattr(band, f"damping_{end}_u")) for end in ends]
        guitars = ", ".join(one_line(guitar) for guitar, _ in band.members)
        rows.append((str(number), name or UNNAMED, _range(hertz, "Hz"), _range(percent, "%"), guitars))
        doubts += [f"  {number}: {one_line(doubt)}"] if doubt else []
    lines = ["± is one standard uncertainty, with the scatter of hanging a guitar up anew."]
    if any("?" in row[1] for row in rows):
        lines.append("A name with a question mark is not borne out by every guitar.")
    return rows, [*lines, *doubts]


def profile_data(profile: Profile) -> list[dict]:
    """The modes of a profile as plain data for JSON, by frequency; `name` is "" where none is known."""
    bands = profile.bands
    names = _names(profile, bands)
    return [
        {"name": name, **asdict(band), "members": [guitar for guitar, _ in band.members]}
        for band, (name, _) in zip(bands, names, strict=True)
    ]


def _names(profile: Profile, bands) -> list[tuple[str, str]]:
    """(name, doubt) of each mode, as `compare` calls it: by what the taps of each guitar tell."""
    namings = namings_of(profile.guitars)
    told = {guitar.name: names_given(each) for guitar, each in zip(profile.guitars, namings, strict=True)}
    return [name_of_pair(band.members, told) for band in bands]


def _range(ends, unit: str) -> str:
    return " to ".join(with_error(value, u, unit=unit) for value, u in ends)
