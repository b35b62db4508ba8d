"""A folder in which a guitar is planned, as plain text: the design, the wood, past builds, the reference.

design.toml, sizes in mm from the tail and from the centre line:

    name = "Concert model"
    volume_litres = 13.5
    hole_radius_mm = 42.5
    [outline]
    length_mm = 488             # or points_mm = [[0, 0], [3, 60], ...] along the edge
    lower_bout_mm = 366
    waist_mm = 236
    upper_bout_mm = 278
    [top]
    thickness_mm = 2.8
    least_thickness_mm = 2.4    # the design's structural limit; leave it out if you do not know it
    bridge_mm = [145, 0]        # where it is tapped; of a back: struck_mm
    hole_mm = 346               # centre of the soundhole
    wood = {along_gpa = 11, across_gpa = 0.8, shear_gpa = 0.75, density_kg_m3 = 425}      # the usual wood
    [[top.brace]]
    name = "fan 1"
    from_mm = [55, -100]
    to_mm = [250, -55]
    width_mm = 5
    height_mm = 3.5
    end_height_mm = 1.5
    along_gpa = 11.5
    density_kg_m3 = 430
    [top.bridge]                # as a brace; extra_mass_g for the saddle
    [back]                      # as the top

wood.csv, or a folder wood/ with a file for each piece: see `wood.stock`. builds.toml: [[build]] with name, top and
back (names of pieces) and what was measured: air_hz, main_top_hz, main_back_hz, mobility_s_kg, box_air_hz, ..., and the
same with _u for its standard uncertainty (main_top_u_hz). reference.toml: name and the same words; reach_steps.
in_progress.toml, if there is one: the guitar on the bench, as one build, with what was tapped so far.

In place of numbers a build or the reference may name a folder of taps of the finished guitar (a session), or the file
of a reference profile: taps = "../number_7/2024-03-09". What is written beside it stands over what is read there.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from ..errors import LuthkitError
from ..guitar.build_stages import Progress, ThicknessStep, follow, thickness_steps
from ..guitar.choosing import Ranking, Target, rank
from ..guitar.design import FINISHED, QUANTITIES, Design, PlateDesign
from ..guitar.planning import Calibration, PastBuild, calibrate
from ..guitar.wood_set import WoodSet, wood_set
from ..wood.braced_plate import Beam, PlateWood
from ..wood.outline import Outline
from ..wood.plates import Stiffness
from ..wood.stock import read_stock
from .plan_reference import TappedGuitar, read_tapped
from .woodpile import read_wood

FREQUENCY_U, MOBILITY_U = 0.003, 0.10  # of a value written down without its error: planning values, from memory


@dataclass(frozen=True, eq=False)
class PlanFolder:
    """What a plan begins from. `left_out`: pieces that cannot be planned with, and why."""

    path: Path
    design: Design
    tops: tuple[WoodSet, ...]
    backs: tuple[WoodSet, ...]
    builds: tuple[PastBuild, ...]
    in_progress: PastBuild | None
    target: Target
    left_out: tuple[tuple[str, str], ...]
    sources: Mapping[str, str]  # file -> SHA-256
    notes: tuple[str, ...] = ()  # on guitars that were read from their taps


@dataclass(frozen=True, eq=False)
class Plan:
    """All that can be said before the wood is cut, and of the guitar on the bench."""

    folder: PlanFolder
    calibration: Calibration
    ranking: Ranking
    thickness: tuple[ThicknessStep, ...]  # what a step of thickness would do to the first pair
    progress: tuple[Progress, ...]  # of the guitar on the bench, none when there is none


def make_plan(folder: PlanFolder, *, reach_steps: float | None = None) -> Plan:
    """Calibrate, rank, and look at thickness and at the guitar on the bench; `reach_steps` overrules the folder's."""
    target = folder.target if reach_steps is None else replace(folder.target, reach_steps=reach_steps)
    calibration = calibrate(folder.design, folder.builds)
    ranking = rank(calibration, folder.tops, folder.backs, target)
    first = ranking.pairs[0]
    top, back = (next(s for s in sets if s.name == name) for sets, name in _named(folder, first))
    bench = folder.in_progress
    progress = follow(calibration, bench.top, bench.back, bench.measured, target) if bench else ()
    return Plan(folder, calibration, ranking, thickness_steps(calibration, top, back, target), progress)


def _named(folder, pair):
    return (folder.tops, pair.top), (folder.backs, pair.back)


def is_plan_folder(path) -> bool:
    """Whether a folder holds a design and a reference."""
    return (Path(path) / "design.toml").is_file() and (Path(path) / "reference.toml").is_file()


def read_plan_folder(path, *, reference=None, stock=None) -> PlanFolder:
    """Read the whole folder; pieces used in past builds are no longer in the stock.

    reference: a folder of taps or a profile that stands in place of the guitar in reference.toml. stock: a stock whose
    tops and backs are chosen from, in place of those of the plan; the wood of past builds stays as the plan says.

    Raises LuthkitError for a file that is missing or says something that cannot be, where no top or no back is left to
    choose, and as `read_tapped` does.
    """
    path = Path(path)
    files = {name: path / name for name in ("design.toml", "reference.toml")}
    for file in files.values():
        if not file.is_file() and not (reference and file.name == "reference.toml"):
            raise LuthkitError(
                f"{file} is not there; a plan needs design.toml, wood.csv and reference.toml together, or for the last "
                "a folder of taps (--reference)"
            )
    tapped: dict[str, TappedGuitar] = {}
    woods = next((path / name for name in ("wood.csv", "wood") if (path / name).exists()), None)
    if woods is None:
        raise LuthkitError(f"{path} has no wood.csv and no folder wood; write down the pieces of your stock there")
    design = read_design(files["design.toml"])
    sets, uses, left_out = {}, {}, []
    own = {piece.name: piece for piece in _own(stock)} if stock else {}
    for piece in ({piece.name: piece for piece in read_stock(woods)} | own).values():
        uses[piece.name] = piece.use
        try:
            sets[piece.name] = wood_set(read_wood(piece))
        except LuthkitError as error:
            left_out.append((piece.name, str(error)))
    made, now = path / "builds.toml", path / "in_progress.toml"
    builds = _builds(made, _toml(made).get("build", []), sets, left_out, tapped) if made.is_file() else ()
    bench = _builds(now, [_toml(now)], sets, left_out, tapped) if now.is_file() else ()
    used = {name for build in (*builds, *bench) for name in (build.top.name, build.back.name)}
    said = _toml(files["reference.toml"]) if files["reference.toml"].is_file() else {}
    reach = float(said.pop("reach_steps", 1.0))
    if reference:
        said = {"taps": str(Path(reference).absolute())}
    measured = _measured(said, files["reference.toml"], FINISHED, tapped)
    name = said.get("name") or (tapped[said["taps"]].name if "taps" in said else "the reference")
    target = Target(measured, reach, name=str(name))
    mine = own if stock else uses
    free = {
        use: tuple(s for n, s in sets.items() if uses[n] == use and n not in used and n in mine)
        for use in ("top", "back")
    }
    if lacking := [use for use, found in free.items() if not found]:
        lost = [(n, fault) for n, fault in left_out if n in mine and uses[n] in lacking]
        why = [fault if n in fault else f"{n}: {fault}" for n, fault in lost]
        why += [f"{n} is in a guitar already" for n in sorted(used) if n in mine and uses[n] in lacking]
        holds = " and ".join(f"{len(found) or 'no'} {use}{'s' * (len(found) != 1)}" for use, found in free.items())
        wanted, place = " and ".join(f"a {use}" for use in lacking), f"your stock {stock}" if stock else woods
        where = "in the second form of notebook 6" if stock else "there"
        more = f" ({'; '.join(why)})" if why else ""
        raise LuthkitError(f"{place} holds {holds} to choose from; write down {wanted} {where}{more}")
    every = [
        *files.values(),
        path / "builds.toml",
        now,
        *([woods] if woods.is_file() else sorted(woods.glob("*.toml"))),
        *(piece.path for piece in own.values()),
    ]
    sources = {file.name: _sha256(file) for file in every if file.is_file()}
    for guitar in tapped.values():
        sources |= {f"{guitar.name}/{file}": sha for file, sha in guitar.sources.items()}
    notes = tuple(note for guitar in tapped.values() for note in guitar.notes)
    return PlanFolder(
        path, design, free["top"], free["back"], builds, *(bench or (None,)), target, tuple(left_out), sources, notes
    )


def read_design(path) -> Design:
    """The design in a design.toml; raises LuthkitError for what is missing or cannot be."""
    path = Path(path)
    said = _toml(path)
    shape = _table(said, "outline", path)
    if "points_mm" in shape:
        outline = Outline.from_points([[x / 1000, y / 1000] for x, y in shape["points_mm"]])
    else:
        sizes = [_mm(shape, key, path) for key in ("length_mm", "lower_bout_mm", "waist_mm", "upper_bout_mm")]
        outline = Outline.guitar(sizes[0], lower_bout_m=sizes[1], waist_m=sizes[2], upper_bout_m=sizes[3])
    hole = _mm(said, "hole_radius_mm", path)
    plates = {}
    for side, place in (("top", "bridge_mm"), ("back", "struck_mm")):
        plate = _table(said, side, path)
        kind = _table(plate, "wood", path)
        moduli = [1e9 * _number(kind, key, path) for key in ("along_gpa", "across_gpa", "shear_gpa")]
        more = {"edge_stiffness_n": _number(plate, "edge_stiffness_n", path)} if "edge_stiffness_n" in plate else {}
        if "least_thickness_mm" in plate:
            more["least_thickness_m"] = _mm(plate, "least_thickness_mm", path)
        plates[side] = PlateDesign(
            outline,
            PlateWood(Stiffness(*moduli), _number(kind, "density_kg_m3", path)),
            _mm(plate, "thickness_mm", path),
            _place(plate, place, path),
            tuple(_beam(brace, path) for brace in plate.get("brace", ())),
            _beam(plate["bridge"], path) if "bridge" in plate else None,
            (_mm(plate, "hole_mm", path), hole) if "hole_mm" in plate else None,
            **more,
        )
    volume = _number(said, "volume_litres", path) / 1000
    return Design(plates["top"], plates["back"], volume, hole, name=str(said.get("name", path.parent.name)))


def key_of(quantity: str) -> str:
    """How a quantity is called in the files.

    >>> key_of("main top"), key_of("mobility")
    ('main_top_hz', 'mobility_s_kg')
    """
    return quantity.replace(" ", "_") + ("_s_kg" if quantity == "mobility" else "_hz")


def _own(stock) -> tuple:
    """The pieces of the maker's stock; none in a folder where nothing is written down yet."""
    empty = Path(stock).is_dir() and not any(file.name != "session.toml" for file in Path(stock).glob("*.toml"))
    return () if empty else read_stock(stock)


def _builds(path, items, sets, left_out, tapped) -> tuple[PastBuild, ...]:
    builds = []
    for k, item in enumerate(items, start=1):
        said = dict(item)
        name = str(said.pop("name", f"build {k}"))
        woods = {side: said.pop(side, None) for side in ("top", "back")}
        lost = [f"{side} {wood!r}" for side, wood in woods.items() if wood not in sets]
        if lost:
            left_out.append((name, f"its {' and '.join(lost)} cannot be found, measured, in the stock"))
            continue
        measured = _measured(said, f"{path}, {name}", QUANTITIES, tapped, beside=path)
        builds.append(PastBuild(name, sets[woods["top"]], sets[woods["back"]], measured))
    return tuple(builds)


def _measured(said: Mapping, where, quantities, tapped, *, beside: Path | None = None) -> dict:
    """Quantity -> (value, error) of one guitar; guitars read from `taps` are put into `tapped`."""
    keys = {key_of(name): name for name in quantities}
    out = {}
    for key in said:
        if key not in keys and key.replace("_u_", "_") not in keys and key not in ("name", "notes", "taps"):
            raise LuthkitError(
                f"{where}: the word {key!r} is not known; allowed are {', '.join(keys)}, the same with _u, and taps"
            )
    if taps := said.get("taps"):
        if not isinstance(taps, str):
            raise LuthkitError(f"{where}: taps is {taps!r}; name a folder or a profile in double quotes")
        if taps not in tapped:
            tapped[taps] = read_tapped((beside or where).parent / taps)
        out |= tapped[taps].measured
    for key, name in keys.items():
        if key in said:
            value = _number(said, key, where)
            unit = "_s_kg" if name == "mobility" else "_hz"
            u_key = f"{key.removesuffix(unit)}_u{unit}"
            usual = value * (MOBILITY_U if name == "mobility" else FREQUENCY_U)
            out[name] = (value, _number(said, u_key, where) if u_key in said else usual)
    return out


def _beam(said: Mapping, where) -> Beam:
    name = str(said.get("name", ""))
    where = f"{where}, {name or 'a brace'}"
    return Beam(
        _place(said, "from_mm", where),
        _place(said, "to_mm", where),
        _mm(said, "width_mm", where),
        _mm(said, "height_mm", where),
        1e9 * _number(said, "along_gpa", where),
        _number(said, "density_kg_m3", where),
        end_height_m=_mm(said, "end_height_mm", where) if "end_height_mm" in said else None,
        extra_mass_kg=_number(said, "extra_mass_g", where) / 1000 if "extra_mass_g" in said else 0.0,
        name=name,
    )


def _toml(path: Path) -> dict:
    try:
        return tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except tomllib.TOMLDecodeError as error:
        raise LuthkitError(f"{path} is not valid TOML: {error}; mend that line") from error
    except (UnicodeDecodeError, OSError) as error:
        raise LuthkitError(f"{path} cannot be read as UTF-8 text ({error})") from error


def _table(said: Mapping, key: str, where) -> dict:
    if not isinstance(said.get(key), Mapping):
        raise LuthkitError(f"{where} has no [{key}]; see the sample design for what belongs there")
    return said[key]


def _number(said: Mapping, key: str, where) -> float:
    value = said.get(key)
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        what = f"is {value!r}" if key in said else "is missing"
        raise LuthkitError(f"{where}: {key} {what}; write a number")
    return float(value)


def _mm(said: Mapping, key: str, where) -> float:
    return _number(said, key, where) / 1000


def _place(said: Mapping, key: str, where) -> tuple[float, float]:
    pair = said.get(key)
    if not isinstance(pair, list) or len(pair) != 2 or not all(isinstance(x, (int, float)) for x in pair):
        raise LuthkitError(
            f"{where}: {key} is {pair!r}; write two numbers in mm, from the tail and from the centre line"
        )
    return pair[0] / 1000, pair[1] / 1000


def _sha256(path: Path) -> str:
    import hashlib

    return hashlib.sha256(path.read_bytes()).hexdigest()
