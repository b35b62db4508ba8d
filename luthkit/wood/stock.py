"""The stock on disk, as plain text: a folder with one TOML file a piece, or one CSV table with a row a measurement.

    name = "Spruce 31"
    species = "Sitka spruce"
    use = "top"                        # top, back, side, brace, neck, other
    source = "bought from a sawmill"   # cut, bought, source, place, papers, papers_file, hardness_method, notes
    grain_lines_per_cm = 8
    run_out_degrees = 1
    sawn = "quarter"                   # quarter, flat, between
    hardness_n = 1650                  # as measured, on an offcut
    papers = "none needed"

    [[measured]]
    date = 2024-03-01
    length_mm = 550                    # along the grain; length_mm_u and so on give a standard uncertainty
    width_mm = 200
    thickness_mm = [3.01, 3.00, 2.98]  # at six places or more; with one or two the error allows for an uneven plate
    mass_g = 138.6
    temperature_c = 20                 # and relative_humidity_percent, or moisture_percent of a meter
    relative_humidity_percent = 47
    taps = "spruce_31"                 # a folder of sound; or modes_hz = [39.6, 56.4] and q_factors = [60, 120]

In a CSV the same words head the columns; rows of one name are one piece; several numbers in a cell stand apart by
spaces.
"""

from __future__ import annotations

import csv
import datetime
import tomllib
from collections.abc import Mapping
from math import isfinite, nan
from pathlib import Path
from statistics import median

from ..errors import LuthkitError
from .piece import (
    FEWEST_PLACES,
    LENGTH_U_M,
    MASS_U_KG,
    METER_U_PERCENT,
    THICKNESS_U_M,
    UNEVEN_U_M,
    USES,
    Measurement,
    Piece,
    mean_of,
    moisture_of,
)
from .species import SAWN

NO_CLIMATE = "neither humidity nor moisture was noted: it cannot be brought to one climate"
FEW_PLACES = (
    "the thickness was measured at one or two places: the error allows for a plate uneven by "
    f"{1e3 * UNEVEN_U_M:g} mm (a planning value); measure at six places"
)
_TEXTS = ("source", "place", "papers", "papers_file", "hardness_method", "notes", "sawn", "cut", "bought", "set")
FACT_LIMITS = {"grain_lines_per_cm": (0.1, 60), "run_out_degrees": (0, 45), "hardness_n": (0, 1e5)}
SIZE_LIMITS = {  # key: (lowest, highest, factor to SI, usual uncertainty in SI)
    "length_mm": (10, 3000, 1e-3, LENGTH_U_M),
    "width_mm": (2, 1500, 1e-3, LENGTH_U_M),
    "thickness_mm": (0.3, 200, 1e-3, THICKNESS_U_M),
    "mass_g": (0.1, 50_000, 1e-3, MASS_U_KG),
}
DENSITY_LIMITS_KG_M3 = (80, 1500)  # no wood a guitar is made of lies outside (common practice, no source)
FAR = 0.3  # of the median: no thickness of an even piece strays that far (common practice, no source)
CLIMATE_LIMITS = {"temperature_c": (-20, 60), "relative_humidity_percent": (1, 98), "moisture_percent": (0, 30)}
_U = (*(f"{key}_u" for key in SIZE_LIMITS), "moisture_percent_u")
_LISTS = ("thickness_mm", "modes_hz", "q_factors")
_MEASURED = ("date", *SIZE_LIMITS, *CLIMATE_LIMITS, *_U, "taps", "force_channel", "modes_hz", "q_factors")
_PIECE = ("name", "species", "use", *_TEXTS, *FACT_LIMITS)


def read_stock(path) -> tuple[Piece, ...]:
    """All pieces in a folder of TOML files, in one such file, or in one CSV table; by name.

    Raises LuthkitError for a path that is not there, a file that is no such text, a word that is not known, a
    number out of range, sizes and a mass that no wood has, and two pieces of one name.
    """
    path = Path(path)
    if path.is_dir():
        files = sorted(file for file in path.glob("*.toml") if file.name != "session.toml")
        if not files:
            raise LuthkitError(f"no piece of wood is told of in {path}; write a text file such as spruce_31.toml there")
        pieces = [as_piece(_toml(file), file) for file in files]
    elif path.suffix.lower() == ".csv" and path.is_file():
        pieces = [as_piece(said, path) for said in _table(path)]
    elif path.suffix.lower() == ".toml" and path.is_file():
        pieces = [as_piece(_toml(path), path)]
    else:
        raise LuthkitError(
            f"{path} is no stock of wood; name the folder of the text files of your pieces, one of these files, or a "
            "table (.csv)"
        )
    names = [piece.name for piece in pieces]
    for name in names:
        if names.count(name) > 1:
            raise LuthkitError(f"two pieces in {path} are called {name}; give each its own name")
    return tuple(sorted(pieces, key=lambda piece: piece.name.lower()))


def _toml(path: Path) -> dict:
    try:
        return tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except tomllib.TOMLDecodeError as error:
        raise LuthkitError(f"{path} is not valid TOML: {error}; mend that line") from error
    except (UnicodeDecodeError, OSError) as error:
        raise LuthkitError(f"{path} cannot be read as UTF-8 text ({error})") from error


def _table(path: Path) -> list[dict]:
    """The rows of a CSV, put together by name, in the form of the TOML."""
    try:
        rows = list(csv.DictReader(path.read_text(encoding="utf-8-sig").splitlines()))
    except (UnicodeDecodeError, OSError, csv.Error) as error:
        raise LuthkitError(f"{path} cannot be read as a CSV table in UTF-8 ({error})") from error
    pieces: dict[str, dict] = {}
    for number, row in enumerate(rows, start=2):
        where = f"{path}, line {number}"
        if None in row:
            raise LuthkitError(f"{where} has more cells than there are headings; put text with a comma in quotes")
        cells = {key.strip(): cell.strip() for key, cell in row.items() if cell and cell.strip()}
        name = cells.pop("name", "")
        if not name:
            raise LuthkitError(f"{where} has no name; every row needs one")
        said = pieces.setdefault(name, {"name": name, "measured": []})
        measured = {}
        for key, cell in cells.items():
            if key in _MEASURED:
                measured[key] = cell if key in ("taps", "date") else _numbers(cell, where, key)
            else:
                said[key] = _numbers(cell, where, key) if key in FACT_LIMITS else cell
        if measured:
            said["measured"].append(measured)
    return list(pieces.values())


def _numbers(cell: str, where: str, key: str):
    try:
        values = [float(word) for word in cell.replace(";", " ").split()]
    except ValueError:
        raise LuthkitError(f"{where}: {key} is {cell!r}; write a number with a point, or several with spaces") from None
    return values if key in _LISTS else values[0] if len(values) == 1 else values


def as_piece(said: Mapping, path: Path) -> Piece:
    """The piece that the words of one file tell of; raises LuthkitError as `read_stock` does."""
    name = said.get("name") or path.stem
    where = f"{path}, {name}"
    for key, value in said.items():
        if key != "measured":
            _known(key, (*_PIECE, "[[measured]]"), where)
        if key in ("name", "species", "use", *_TEXTS) and not isinstance(value, (str, int, datetime.date)):
            raise LuthkitError(f"{where}: {key} is {value!r}; write text in double quotes")
    if said.get("use", "other") not in USES:
        raise LuthkitError(f"{where}: use is {said['use']!r}; allowed are {', '.join(USES)}")
    if said.get("sawn", SAWN[0]) not in SAWN:
        raise LuthkitError(f"{where}: sawn is {said['sawn']!r}; allowed are {', '.join(SAWN)}")
    facts = {key: said[key] for key in _TEXTS if key in said}
    facts |= {key: _number(said, key, limits, where) for key, limits in FACT_LIMITS.items() if key in said}
    items = said.get("measured", [])
    if not isinstance(items, list) or not all(isinstance(item, Mapping) for item in items):
        raise LuthkitError(f"{where}: write each measurement under a line [[measured]], in double brackets")
    measurements = [_measurement(item, f"{where}, measured {k}") for k, item in enumerate(items, start=1)]
    measurements.sort(key=lambda m: m.day or datetime.date.min)
    species = str(said.get("species", ""))
    return Piece(str(name), species, str(said.get("use", "other")), facts, tuple(measurements), path)


def _measurement(said: Mapping, where: str) -> Measurement:
    for key in said:
        _known(key, _MEASURED, where)
    check_sizes(said, where)

    def number(key, limits, usual):
        return _number(said, key, limits, where) if key in said else usual

    sizes, notes = {}, []
    for key, (_, high, factor, usual_u) in SIZE_LIMITS.items():
        readings = [factor * value for value in _readings(said, key, where)]
        own = factor * number(f"{key}_u", (0, high / 10), usual_u / factor)
        uneven = key == "thickness_mm" and f"{key}_u" not in said and len(readings) < FEWEST_PLACES
        notes += [FEW_PLACES] if uneven else []
        sizes[key] = mean_of(readings, own, uneven_u=UNEVEN_U_M if uneven else 0.0)
    celsius, humidity, meter = (number(key, limits, nan) for key, limits in CLIMATE_LIMITS.items())
    moisture = moisture_of(
        meter_percent=meter,
        meter_u=number("moisture_percent_u", (0, 10), METER_U_PERCENT),
        temperature_c=celsius if isfinite(celsius) else 20.0,
        humidity_percent=humidity,
    )
    notes += [] if isfinite(moisture.value) else [NO_CLIMATE]
    channel = number("force_channel", (0, 15), None)
    return Measurement(
        day=_day(said.get("date"), where),
        length_m=sizes["length_mm"],
        width_m=sizes["width_mm"],
        thickness_m=sizes["thickness_mm"],
        mass_kg=sizes["mass_g"],
        moisture_percent=moisture,
        temperature_c=celsius,
        relative_humidity_percent=humidity,
        taps=_inside(said.get("taps", ""), where),
        force_channel=None if channel is None else int(channel),
        heard=_heard(said, where),
        notes=tuple(notes),
    )


def check_sizes(said: Mapping, where: str) -> None:
    """Raises LuthkitError, which begins with `where`, for sizes and a mass (keys of SIZE_LIMITS) that no wood has."""
    values = {key: _readings(said, key, where) for key in SIZE_LIMITS}
    thick = values["thickness_mm"]
    if len(thick) >= FEWEST_PLACES:
        middle = median(thick)
        worst = max(thick, key=lambda value: abs(value / middle - 1))
        if abs(worst / middle - 1) > FAR:
            slips = (float(f"{worst * shift:.6g}") for shift in (0.1, 0.01, 10, 100))
            meant = next((f" (is it {slip:g}?)" for slip in slips if abs(slip / middle - 1) <= FAR), "")
            raise LuthkitError(
                f"{where}: a thickness of {worst:g} mm lies far from the others, whose middle is {middle:g} mm{meant}; "
                "measure there again, as a piece so uneven cannot be read"
            )
    length, width, thickness, mass = (sum(found) / len(found) for found in values.values())
    density = float(f"{1e6 * mass / (length * width * thickness):.3g}")
    low, high = DENSITY_LIMITS_KG_M3
    if not low <= density <= high:
        raise LuthkitError(
            f"{where}: {length:g} x {width:g} x {thickness:.4g} mm and {mass:g} g make {density:g} kg/m3, but wood has "
            f"{low} to {high}; is the mass in grams, and are the sizes in millimetres?"
        )


def _readings(said: Mapping, key: str, where: str) -> list[float]:
    if key not in said:
        raise LuthkitError(f"{where} has no {key}; length, width, thickness and mass are needed")
    values = said[key] if isinstance(said[key], list) else [said[key]]
    if not values:
        raise LuthkitError(f"{where}: {key} is empty; write a number")
    return [_number({key: value}, key, SIZE_LIMITS[key][:2], where) for value in values]


def _heard(said: Mapping, where: str) -> tuple[tuple[float, float], ...]:
    modes, qualities = said.get("modes_hz", []), said.get("q_factors", [])
    if not isinstance(modes, list) or not isinstance(qualities, list) or len(qualities) not in (0, len(modes)):
        raise LuthkitError(f"{where}: modes_hz and q_factors are lists of the same length, such as [39.6, 56.4]")
    modes = [_number({"modes_hz": value}, "modes_hz", (10, 20_000), where) for value in modes]
    qualities = [_number({"q_factors": value}, "q_factors", (1, 10_000), where) for value in qualities]
    return tuple(zip(modes, qualities or [nan] * len(modes), strict=True))


def _day(value, where: str) -> datetime.date | None:
    if value is None or value == "":
        return None
    if isinstance(value, datetime.datetime):
        return value.date()
    if isinstance(value, datetime.date):
        return value
    try:
        return datetime.date.fromisoformat(str(value))
    except ValueError:
        raise LuthkitError(f"{where}: date is {value!r}; write a date such as 2024-03-09") from None


def _inside(folder, where: str) -> str:
    if not isinstance(folder, str) or folder.startswith(("/", "\\")) or ".." in folder or ":" in folder:
        raise LuthkitError(f"{where}: taps is {folder!r}; name a folder that lies beside this file")
    return folder


def _number(said: Mapping, key: str, limits: tuple[float, float], where: str) -> float:
    value, (low, high) = said[key], limits
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not low <= value <= high:
        raise LuthkitError(f"{where}: {key} is {value!r}; write a number from {low:g} to {high:g}")
    return float(value)


def _known(key: str, allowed, where: str) -> None:
    if key not in allowed:
        raise LuthkitError(f"{where}: the word {key!r} is not known; allowed are {', '.join(allowed)}")
