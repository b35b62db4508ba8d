"""Choosing wood, measured on simulated shops whose guitars hold effects that the planner does not know.

`python -m tests.benchmarks.plan [N_SHOPS]`. For each shop: past builds with measured woods, a stock, a reference
that is a guitar of the same design. Printed: how often the pair chosen is among the truly best tenth of all pairs,
whether stated chances come true, the forecast's error and whether its bands hold, before and at each stage, beside
two simpler rules; and how long a stock of 500 sets takes.
"""

import os

os.environ.setdefault("OMP_NUM_THREADS", "1")

import sys
import time
from itertools import pairwise

import numpy as np

from luthkit.guitar.choosing import Target, chance_within, rank
from luthkit.guitar.design import BOX, BRACED, FINISHED, Design, PlateDesign
from luthkit.guitar.planning import PastBuild, calibrate
from luthkit.guitar.wood_set import WoodSet
from luthkit.simulate import stock
from luthkit.simulate.shops import SimulatedShop

USUAL, CAREFUL = (0.003, 0.05), (0.002, 0.02)  # how well a frequency and a mobility are read


def planner_design(recipes=None) -> Design:
    """The design as the maker writes it down."""
    plates = [PlateDesign(**{n: getattr(r, n) for n in PlateDesign.__dataclass_fields__}) for r in recipes]
    return Design(*plates, stock.VOLUME_M3, stock.HOLE_RADIUS_M)


def measured(rng, true, reading_u, names=FINISHED):
    """Values as a maker reads them, with their standard uncertainty."""
    out = {}
    for name in names:
        u = reading_u[name == "mobility"]
        value = true[name] * np.exp(u * rng.standard_normal())
        out[name] = (value, u * value)
    return out


def boards(rng, usual, n, name):
    """(true woods, measured sets)."""
    true = [stock.board(rng, usual) for _ in range(n)]
    sets = [WoodSet(f"{name}{k}", stock.as_measured(rng, wood), stock.MEASURED_U) for k, wood in enumerate(true)]
    return true, sets


def one_shop(seed, design, recipes, *, n_builds=12, n_tops=40, n_backs=30, reach=1.0, reading_u=USUAL):
    rng = np.random.default_rng(seed)
    shop = SimulatedShop.random(rng, *recipes, stock.VOLUME_M3, stock.HOLE_RADIUS_M)
    every = FINISHED + BOX + BRACED
    past = []
    for k in range(n_builds):
        (top,), (top_set,) = boards(rng, stock.TOP_WOOD, 1, f"past top {k} ")
        (back,), (back_set,) = boards(rng, stock.BACK_WOOD, 1, f"past back {k} ")
        past.append(
            PastBuild(f"build {k}", top_set, back_set, measured(rng, shop.build(rng, top, back), reading_u, every))
        )
    calibration = calibrate(design, past)
    tops, top_sets = boards(rng, stock.TOP_WOOD, n_tops, "top ")
    backs, back_sets = boards(rng, stock.BACK_WOOD, n_backs, "back ")
    reference = shop.build(rng, stock.board(rng, stock.TOP_WOOD), stock.board(rng, stock.BACK_WOOD))
    reference = {name: reference[name] for name in FINISHED}
    target = Target(measured(rng, reference, reading_u), reach_steps=reach)
    aim = np.log([reference[name] for name in FINISHED])
    sizes = np.log1p([target.mobility_step if name == "mobility" else target.frequency_step for name in FINISHED])

    def distance(guitar):
        return np.abs((np.log([guitar[name] for name in FINISHED]) - aim) / sizes).max()

    top_plates = [shop.plate("top", wood) for wood in tops]
    back_plates = [shop.plate("back", wood) for wood in backs]
    true = np.array([[distance(shop.guitar(t, b)) for b in back_plates] for t in top_plates])
    ranking = rank(calibration, top_sets, back_sets, target)
    best = ranking.pairs[0]
    at = [s.name for s in top_sets].index(best.top), [s.name for s in back_sets].index(best.back)
    raw = rank(calibrate(design), top_sets, back_sets, target).pairs[0]
    raw_at = [s.name for s in top_sets].index(raw.top), [s.name for s in back_sets].index(raw.back)
    out = {
        "place": (true < true[at]).mean(),
        "place without past builds": (true < true[raw_at]).mean(),
        "distance": true[at],
        "least": true.min(),
        "median": np.median(true),
        "verdict": ranking.verdict,
        "chances": [],
        "stages": [],
    }
    picks = [at, *zip(rng.integers(n_tops, size=11), rng.integers(n_backs, size=11), strict=True)]
    for i, j in picks:
        guitar = shop.build(rng, tops[i], backs[j])
        forecast = calibration.forecast(top_sets[i], back_sets[j])
        final = np.log([guitar[name] for name in FINISHED])
        came = distance(guitar) <= reach
        row = []
        seen = measured(rng, guitar, reading_u, every)
        for names in ((), BRACED, BRACED + BOX):
            updated = forecast.given({name: seen[name] for name in names})
            error = final - updated.mean[:4]
            row.append((error, error / np.sqrt(np.diag(updated.covariance)[:4])))
            out["chances"].append((len(names), chance_within(updated, target), came))
        out["stages"].append(row)
    return out


def main(n_shops=30):
    recipes = stock.design()
    design = planner_design(recipes)
    for n_builds, reading_u in ((4, USUAL), (12, USUAL), (12, CAREFUL)):
        print(f"\nfrequencies read to {100 * reading_u[0]:g} %, mobility to {100 * reading_u[1]:g} %")
        shops = [one_shop(1000 + k, design, recipes, n_builds=n_builds, reading_u=reading_u) for k in range(n_shops)]
        report(n_builds, shops)
    speed(design)


def report(n_builds, shops):
    print(f"\n== {len(shops)} shops, {n_builds} past builds each, 40 tops by 30 backs ==")
    place = np.array([shop["place"] for shop in shops])
    print(f"pair chosen among the true best tenth: {100 * (place <= 0.1).mean():.0f} % of shops")
    print(f"its place, median {100 * np.median(place):.1f} %, 90th percentile {100 * np.quantile(place, 0.9):.1f} %")
    raw = np.array([shop["place without past builds"] for shop in shops])
    print(f"the bare model, not set right: among the best tenth in {100 * (raw <= 0.1).mean():.0f} %; by chance 10 %")
    medians = (np.median([shop[name] for shop in shops]) for name in ("distance", "least", "median"))
    print("true distance in steps: chosen {:.2f}, best there is {:.2f}, median of the stock {:.2f}".format(*medians))
    print("verdicts:", {v: sum(s["verdict"] == v for s in shops) for v in {s["verdict"] for s in shops}})
    chances = [each for shop in shops for each in shop["chances"]]
    for n_seen, stage in ((0, "before cutting"), (4, "braced plates"), (7, "closed box")):
        stated = np.array([(p, came) for n, p, came in chances if n == n_seen], float)
        text = []
        edges = [0, 0.05, 0.2, 0.4, 0.6, 1.01]
        for low, high in pairwise(edges):
            inside = stated[(stated[:, 0] >= low) & (stated[:, 0] < high)]
            if len(inside) >= 15:
                text.append(f"{100 * inside[:, 0].mean():.0f} -> {100 * inside[:, 1].mean():.0f} ({len(inside)})")
        print(f"{stage}: chance stated -> come true, %:", ", ".join(text))
    for k, stage in enumerate(("before cutting", "braced plates tapped", "closed box tapped")):
        error = np.array([row[k][0] for shop in shops for row in shop["stages"]])
        z = np.array([row[k][1] for shop in shops for row in shop["stages"]])
        rms = " ".join(f"{100 * e:.1f}" for e in np.sqrt((error**2).mean(axis=0)))
        held = " ".join(f"{100 * h:.0f}" for h in (np.abs(z) < 1.96).mean(axis=0))
        print(f"{stage}: rms error of {', '.join(FINISHED)}: {rms} %; in the 95 % band: {held} %")


def speed(design):
    rng = np.random.default_rng(5)
    _, tops = boards(rng, stock.TOP_WOOD, 250, "top ")
    _, backs = boards(rng, stock.BACK_WOOD, 250, "back ")
    calibration = calibrate(design)
    forecast = calibration.forecast(tops[0], backs[0])
    target = Target({name: (forecast.value(name)[0], 0.003 * forecast.value(name)[0]) for name in FINISHED})
    start = time.perf_counter()
    rank(calibration, tops, backs, target)
    print(f"\nstock of 500 sets (250 tops by 250 backs, all 62,500 pairs): {time.perf_counter() - start:.1f} s")


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:]))
