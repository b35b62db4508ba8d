"""The folder in which the invented workshop plans: design, wood, past builds and reference, as text. Synthetic."""

from __future__ import annotations

from zlib import crc32

import numpy as np

from ..wood.braced_plate import Beam, PlateWood
from ..wood.plates import Plate, plate_modes
from . import stock
from .recipe import SEED
from .shops import PlateRecipe, SimulatedShop

FOLDER = "plan"
N_BUILDS, N_TOPS, N_BACKS = 8, 13, 11  # the last top and back are on the bench
HEAD = "# SYNTHETIC: an invented guitar, invented wood; every figure is made by a computer.\n"
SIZES_MM = {"top": (540, 202, 4.2), "back": (540, 200, 3.6)}
READ_U = {"length": 0.4, "thickness": 0.01, "mass": 0.05, "pitch": 0.002}
FREQUENCY_U, MOBILITY_U = 0.003, 0.05
FILES = tuple(
    f"plan/{name}" for name in ("design.toml", "wood.csv", "builds.toml", "in_progress.toml", "reference.toml")
)
KEYS = {"air": "air_hz", "main top": "main_top_hz", "main back": "main_back_hz", "mobility": "mobility_s_kg"}


def plan_texts() -> dict[str, str]:
    """Name of each text file -> its text."""
    rng = np.random.default_rng([SEED, crc32(FOLDER.encode())])
    recipes = stock.design()
    shop = SimulatedShop.random(rng, *recipes, stock.VOLUME_M3, stock.HOLE_RADIUS_M)
    woods = {f"Spruce {k + 1:02d}": ("top", stock.board(rng, stock.TOP_WOOD)) for k in range(N_TOPS + N_BUILDS)}
    woods |= {f"Rosewood {k + 1:02d}": ("back", stock.board(rng, stock.BACK_WOOD)) for k in range(N_BACKS + N_BUILDS)}
    builds = [HEAD]
    for k in range(N_BUILDS):
        top, back = f"Spruce {k + 1:02d}", f"Rosewood {k + 1:02d}"
        true = shop.build(rng, woods[top][1], woods[back][1])
        builds += ["[[build]]", f'name = "Number {k + 1}"', f'top = "{top}"', f'back = "{back}"']
        builds += _values(rng, true, [name for name in true if not name.startswith("braced") or k % 2])
    bench = woods[f"Spruce {N_TOPS + N_BUILDS}"][1], woods[f"Rosewood {N_BACKS + N_BUILDS}"][1]
    true = shop.build(rng, *bench)
    now = [HEAD + 'name = "Number 9"', f'top = "Spruce {N_TOPS + N_BUILDS}"', f'back = "Rosewood {N_BACKS + N_BUILDS}"']
    now += _values(rng, true, [name for name in true if name.startswith(("braced", "box"))])
    old = shop.build(rng, stock.board(rng, stock.TOP_WOOD), stock.board(rng, stock.BACK_WOOD))
    reference = [HEAD + 'name = "Rushlight"', "reach_steps = 1", *_values(rng, old, KEYS)]
    return {
        f"{FOLDER}/design.toml": _design_text(*recipes),
        f"{FOLDER}/wood.csv": _wood_text(rng, woods),
        f"{FOLDER}/builds.toml": "\n".join(builds) + "\n",
        f"{FOLDER}/in_progress.toml": "\n".join(now) + "\n",
        f"{FOLDER}/reference.toml": "\n".join(reference) + "\n",
    }


def _values(rng, true, names) -> list[str]:
    lines = []
    for name in names:
        u = MOBILITY_U if name == "mobility" else FREQUENCY_U
        value = true[name] * np.exp(u * rng.standard_normal())
        key = KEYS.get(name, f"{name.replace(' ', '_')}_hz")
        u_key = key.replace("_hz", "_u_hz").replace("_s_kg", "_u_s_kg")
        places = 5 if name == "mobility" else 1
        lines += [f"{key} = {value:.{places}f}", f"{u_key} = {u * value:.{places}f}"]
    return [*lines, ""]


def _wood_text(rng, woods: dict[str, tuple[str, PlateWood]]) -> str:
    """The stock as a table: rough plates with their sizes and the pitches of their taps."""
    sizes = "length_mm,width_mm,thickness_mm,thickness_mm_u,mass_g"
    lines = [f"name,species,use,date,{sizes},relative_humidity_percent,modes_hz,notes"]
    for name, (use, wood) in woods.items():
        length, width, thick = (size * np.exp(0.02 * rng.standard_normal()) for size in SIZES_MM[use])
        mass = wood.density_kg_m3 * length * width * thick * 1e-6
        plate = Plate(length / 1e3, width / 1e3, thick / 1e3, mass / 1e3)
        pitch = plate_modes(plate, wood.stiffness, n_modes=6).frequency_hz
        pitch = pitch * np.exp(READ_U["pitch"] * rng.standard_normal(6))
        length, width = (size + READ_U["length"] * rng.standard_normal() for size in (length, width))
        thick, mass = thick + READ_U["thickness"] * rng.standard_normal(), mass + READ_U["mass"] * rng.standard_normal()
        cells = [name, "Sitka spruce" if use == "top" else "", use, "2024-02-10"]
        cells += [f"{length:.1f}", f"{width:.1f}", f"{thick:.2f}", "0.02", f"{mass:.1f}", "48"]
        lines.append(",".join([*cells, " ".join(f"{f:.1f}" for f in pitch), "SYNTHETIC"]))
    return "\n".join(lines) + "\n"


def _design_text(top: PlateRecipe, back: PlateRecipe) -> str:
    body = stock.BODY
    lines = [HEAD + 'name = "Concert model (invented)"']
    lines += [f"volume_litres = {_g(1e3 * stock.VOLUME_M3)}", f"hole_radius_mm = {_g(1e3 * stock.HOLE_RADIUS_M)}"]
    lines += ["", "[outline]", *(f"{name.removesuffix('_m')}_mm = {_g(1e3 * size)}" for name, size in body.items())]
    for side, plate, place in (("top", top, "bridge_mm"), ("back", back, "struck_mm")):
        wood = plate.wood.stiffness
        lines += ["", f"[{side}]", f"thickness_mm = {_g(1e3 * plate.thickness_m)}"]
        lines += [f"least_thickness_mm = {_g(1e3 * plate.least_thickness_m)}", f"{place} = {_mm(plate.tap_m)}"]
        lines += [f"edge_stiffness_n = {_g(plate.edge_stiffness_n)}"]
        if plate.soundhole_m:
            lines.append(f"hole_mm = {_g(1e3 * plate.soundhole_m[0])}")
        lines += ["", f"[{side}.wood]", f"along_gpa = {_g(wood.along_pa / 1e9)}"]
        lines += [f"across_gpa = {_g(wood.across_pa / 1e9)}", f"shear_gpa = {_g(wood.shear_pa / 1e9)}"]
        lines += [f"density_kg_m3 = {_g(plate.wood.density_kg_m3)}"]
        for brace in plate.braces:
            lines += ["", f"[[{side}.brace]]", *_beam(brace)]
        if plate.bridge:
            lines += ["", f"[{side}.bridge]", *_beam(plate.bridge)]
    return "\n".join(lines) + "\n"


def _beam(beam: Beam) -> list[str]:
    lines = [f'name = "{beam.name}"', f"from_mm = {_mm(beam.start_m)}", f"to_mm = {_mm(beam.end_m)}"]
    lines += [f"width_mm = {_g(1e3 * beam.width_m)}", f"height_mm = {_g(1e3 * beam.height_m)}"]
    if beam.end_height_m is not None:
        lines.append(f"end_height_mm = {_g(1e3 * beam.end_height_m)}")
    lines += [f"along_gpa = {_g(beam.young_pa / 1e9)}", f"density_kg_m3 = {_g(beam.density_kg_m3)}"]
    return lines + ([f"extra_mass_g = {_g(1e3 * beam.extra_mass_kg)}"] if beam.extra_mass_kg else [])


def _mm(place) -> str:
    return f"[{', '.join(_g(1e3 * x) for x in place)}]"


def _g(value: float) -> str:
    return f"{value:.5g}"
