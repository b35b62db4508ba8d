"""How well plates of six woods are measured from taps, and how long it takes.

    python -m tests.benchmarks.wood [PLATES]

Plates that are as uneven and soft in shear as wood is, in air, with sizes off within workshop tolerances, taps with
noise 40 dB under them; nobody tells which mode is which. Beside it the closed formulas on the same taps. All synthetic.
"""

from __future__ import annotations

import sys
import time

import numpy as np

from luthkit.signal.modes import read_modes
from luthkit.simulate.bench import Bench, join_tap_sets, tap_set
from luthkit.simulate.planks import PLACES, plate_body
from luthkit.wood.inversion import invert_modes
from luthkit.wood.piece import LENGTH_U_M, MASS_U_KG, THICKNESS_U_M, Measurement, Piece, Quantity
from luthkit.wood.plates import Plate, Stiffness, plate_modes
from luthkit.wood.reading import STIFF, measure_wood
from luthkit.wood.species import expected_wood, find_species

WOODS = ("Sitka spruce", "Engelmann spruce", "western redcedar", "sugar maple", "mahogany", "black walnut")
BENCH = Bench(n_taps=5, sample_rate_hz=22_050, snr_db=40.0, hum_db=None)
LOSSES = ("loss_along", "loss_across", "loss_shear")
AIMS = {"along": 1.5, "across": 3.0, "shear": 3.0, "loss_along": 5.0, "loss_across": 5.0, "loss_shear": 5.0}


def one_plate(rng: np.random.Generator, wood: str):
    """(errors beyond the sizes', all errors, stated errors, closed formulas' errors), relative, by name."""
    species = find_species(wood)
    middle = expected_wood(species).stiffness
    true = Stiffness(
        middle.along_pa * np.exp(0.12 * rng.standard_normal()),
        middle.across_pa * np.exp(0.18 * rng.standard_normal()),
        middle.shear_pa * np.exp(0.18 * rng.standard_normal()),
        float(np.clip(middle.poisson_ratio + 0.05 * rng.standard_normal(), 0.25, 0.5)),
    )
    losses = np.array([0.008, 0.021, 0.017]) * np.exp(0.2 * rng.standard_normal(3))
    density = species.density_kg_m3 * np.exp(0.07 * rng.standard_normal())
    length, width, thick = rng.uniform(0.50, 0.56), rng.uniform(0.185, 0.215), rng.uniform(2.4e-3, 4e-3)
    plate = Plate(length, width, thick, density * length * width * thick)
    ratios = {"long_ratio": rng.uniform(10, 20), "cross_ratio": rng.uniform(10, 30)}
    body = plate_body(plate, true, tuple(losses), rng=rng, **ratios)
    taps = join_tap_sets([tap_set(rng, body, BENCH, position=k) for k in range(len(PLACES))])
    found = plate_modes(plate, middle, n_modes=11).frequency_hz
    modes = read_modes(taps, band_hz=(max(20.0, 0.6 * found[0]), 1.25 * found[-1])).modes
    truth = dict(zip((*STIFF, *LOSSES), (true.along_pa, true.across_pa, true.shear_pa, *losses), strict=True))

    def read(shifts):
        sizes = ((length, LENGTH_U_M), (width, LENGTH_U_M), (thick, THICKNESS_U_M), (plate.mass_kg, MASS_U_KG))
        quantities = [Quantity(value + shift * u, u) for (value, u), shift in zip(sizes, shifts, strict=True)]
        day = Measurement(None, *quantities, moisture_percent=Quantity(9.0, 0.5))
        return measure_wood(Piece("plate", wood, "top", measurements=(day,)), modes)

    exact, measured = read(np.zeros(4)), read(rng.standard_normal(4))
    beyond = {name: exact.values[name].value / truth[name] - 1 for name in truth if name in exact.values}
    all_of_it = {name: measured.values[name].value / truth[name] - 1 for name in truth if name in measured.values}
    stated = {name: measured.values[name].relative_u for name in all_of_it}
    closed = {}
    if exact.plate and exact.plate.closed:
        closed = {name: getattr(exact.plate.closed, f"{name}_pa") / truth[name] - 1 for name in STIFF}
    return beyond, all_of_it, stated, closed


def quantiles(values) -> str:
    values = 100 * np.abs(np.asarray(values))
    return f"{np.median(values):6.2f} {np.percentile(values, 95):6.2f}" if len(values) else "     -      -"


def accuracy(n_each: int) -> None:
    rng = np.random.default_rng(2024)
    rows = [one_plate(rng, wood) for wood in WOODS for _ in range(n_each)]
    print(f"{len(rows)} synthetic plates of {len(WOODS)} woods; errors in percent, median and 95th percentile")
    print("                sizes exact    sizes as measured   closed, exact    within 1 u  2 u   missing  aim")
    for name, aim in AIMS.items():
        beyond = [row[0][name] for row in rows if name in row[0]]
        z = np.array([abs(row[1][name]) / row[2][name] for row in rows if name in row[1]])
        closed = [row[3][name] for row in rows if name in row[3]]
        print(
            f"{name:12s} {quantiles(beyond)}   {quantiles([r[1][name] for r in rows if name in r[1]])}   "
            f"{quantiles(closed)}   {100 * np.mean(z < 1):8.0f} {100 * np.mean(z < 2):4.0f} "
            f"{len(rows) - len(beyond):8d}   {aim:g}"
        )


def speed() -> None:
    plate = Plate(0.55, 0.20, 0.003, 0.1386)
    wood = Stiffness(11.9e9, 0.9282e9, 0.7616e9, 0.372)
    modes = plate_modes(plate, wood, n_modes=10)
    heard = [_Heard(f, 1e-3 * f) for f in modes.frequency_hz]
    for what, work in (
        ("forward, ten modes", lambda: plate_modes(plate, wood, n_modes=10)),
        ("inversion, ten modes heard", lambda: invert_modes(plate, heard)),
    ):
        work()
        times = []
        for _ in range(15):
            start = time.perf_counter()
            work()
            times.append(time.perf_counter() - start)
        print(f"{what}: median {1e3 * np.median(times):.1f} ms, best {1e3 * min(times):.1f} ms")


class _Heard:
    def __init__(self, frequency_hz: float, frequency_u_hz: float):
        self.frequency_hz, self.frequency_u_hz = frequency_hz, frequency_u_hz
        self.damping_ratio, self.damping_ratio_u = 0.007, 1e-4


if __name__ == "__main__":
    speed()
    accuracy(max(1, int(sys.argv[1]) // len(WOODS)) if len(sys.argv) > 1 else 10)
