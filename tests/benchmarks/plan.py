"""Choosing wood, measured on simulated shops whose guitars hold effects that the planner does not know.

`python -m tests.benchmarks.plan [N_SHOPS [FIRST_SEED]]`. For each shop: past builds with measured woods, a stock, and
two references of the same design, one from this shop and one from another with habits of its own. Printed, with
binomial errors: how often the pair chosen is among the truly best tenth of all pairs; beside it a planner who knows the
shop's physics exactly and has the same readings, and two simpler rules; whether stated chances come true; the
forecast's error and whether its bands hold, before and at each stage; and how long a stock of 500 sets takes.
"""

import os

os.environ.setdefault("OMP_NUM_THREADS", "1")

import sys
import time
from itertools import pairwise

import numpy as np

from luthkit.guitar.choosing import MOBILITY_STEP, Target, chance_within, rank, with_reference
from luthkit.guitar.design import BOX, BRACED, FINISHED, Design, PlateDesign
from luthkit.guitar.planning import PastBuild, calibrate
from luthkit.guitar.wood_set import WoodSet
from luthkit.simulate import stock
from luthkit.simulate.shops import SimulatedShop

# how well a frequency and a mobility are read, relative. Usual: hung up again the same day, planning value 0.2 to 0.5 %
# (from memory); mobility from a hammer or from known masses (planning value, no source). Careful: the mean of several
USUAL, CAREFUL = (0.003, 0.05), (0.002, 0.02)
SIZES = np.log1p([MOBILITY_STEP if name == "mobility" else 0.02 for name in FINISHED])


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


def distances(guitars, aim) -> np.ndarray:
    """True steps of the quantity farthest off, of arrays (..., 4) of finished quantities."""
    return np.abs((np.log(guitars) - aim) / SIZES).max(axis=-1)


def one_shop(seed, design, recipes, *, n_builds=12, n_tops=40, n_backs=30, reach=1.0, reading_u=USUAL):
    """Reference ("own" or "other") -> its figures; and the forecasts of a few guitars at each stage."""
    rng = np.random.default_rng(seed)
    shop, other = (SimulatedShop.random(rng, *recipes, stock.VOLUME_M3, stock.HOLE_RADIUS_M) for _ in range(2))
    every = FINISHED + BOX + BRACED
    past, off = [], []
    for k in range(n_builds):
        (top,), (top_set,) = boards(rng, stock.TOP_WOOD, 1, f"past top {k} ")
        (back,), (back_set,) = boards(rng, stock.BACK_WOOD, 1, f"past back {k} ")
        seen = measured(rng, shop.build(rng, top, back), reading_u, every)
        past.append(PastBuild(f"build {k}", top_set, back_set, seen))
        exact = shop.guitars([shop.plate("top", top_set.wood)], [shop.plate("back", back_set.wood)])[0, 0]
        off.append(np.log([seen[name][0] for name in FINISHED]) - np.log(exact))
    calibration, bare = calibrate(design, past), calibrate(design)
    tops, top_sets = boards(rng, stock.TOP_WOOD, n_tops, "top ")
    backs, back_sets = boards(rng, stock.BACK_WOOD, n_backs, "back ")
    true = shop.guitars([shop.plate("top", w) for w in tops], [shop.plate("back", w) for w in backs])
    as_read = shop.guitars(
        [shop.plate("top", each.wood) for each in top_sets], [shop.plate("back", each.wood) for each in back_sets]
    )
    best_known = np.log(as_read) + np.mean(off, axis=0)  # true physics, its offset from the same builds
    at_random = list(zip(rng.integers(n_tops, size=3), rng.integers(n_backs, size=3), strict=True))
    built = {}

    def build(pair):
        if pair not in built:
            guitar = shop.build(rng, tops[pair[0]], backs[pair[1]])
            built[pair] = np.array([guitar[name] for name in FINISHED]), measured(rng, guitar, reading_u, every)
        return built[pair]

    out = {}
    for hand, maker in (("own", shop), ("other", other)):
        reference = maker.build(rng, stock.board(rng, stock.TOP_WOOD), stock.board(rng, stock.BACK_WOOD))
        reference = {name: reference[name] for name in FINISHED}
        target = Target(measured(rng, reference, reading_u), reach_steps=reach)
        aim = np.log(list(reference.values()))
        read = np.log([value for value, _ in target.measured.values()])
        far = distances(true, aim)

        def chosen(calibration, target=target):
            best = rank(calibration, top_sets, back_sets, target).pairs[0]
            return [s.name for s in top_sets].index(best.top), [s.name for s in back_sets].index(best.back)

        at = chosen(calibration)
        known = np.unravel_index(np.argmin(np.abs((best_known - read) / SIZES).max(axis=-1)), far.shape)
        row = {"place": (far < far[at]).mean(), "known": (far < far[known]).mean(), "chances": [], "stages": []}
        row["bare"] = (far < far[chosen(bare)]).mean()
        row |= {"distance": far[at], "least": far.min(), "median": np.median(far)}
        taught, believed = with_reference(calibration, target)
        for pair in [at, *at_random]:
            final, seen = build(tuple(int(k) for k in pair))
            came = distances(final, aim) <= reach
            forecast, errors = taught.forecast(top_sets[pair[0]], back_sets[pair[1]]), []
            for names in ((), BRACED, BRACED + BOX):
                updated = forecast.given({name: seen[name] for name in names})
                error = np.log(final) - updated.mean[:4]
                errors.append((error, error / np.sqrt(np.diag(updated.covariance)[:4])))
                row["chances"].append((len(names), chance_within(updated, believed), came))
            row["stages"].append(errors)
        out[hand] = row
    return out


def main(n_shops=30, first=1000):
    recipes = stock.design()
    design = planner_design(recipes)
    for n_builds, reading_u in ((12, USUAL), (12, CAREFUL), (4, USUAL)):
        shops = [one_shop(first + k, design, recipes, n_builds=n_builds, reading_u=reading_u) for k in range(n_shops)]
        words = f"frequencies read to {100 * reading_u[0]:g} %, mobility to {100 * reading_u[1]:g} %"
        print(f"\n== {n_shops} shops, {n_builds} past builds each, 40 tops by 30 backs; {words} ==")
        for hand in ("own", "other"):
            print(f"-- the reference is a guitar of {'this shop' if hand == 'own' else 'another shop'}")
            report([shop[hand] for shop in shops])
        forecasts([errors for shop in shops for errors in shop["own"]["stages"]])
    speed(design)


def share(true) -> str:
    """Percent that are true, with the binomial standard error."""
    p = np.mean(true)
    return f"{100 * p:.0f} ± {100 * np.sqrt(p * (1 - p) / len(true)):.0f} %"


def report(rows):
    for name, words in (
        ("place", "pair chosen is among the true best tenth"),
        ("known", "the same by one who knows the shop's physics, with the same readings"),
        ("bare", "the same by the bare model, not set right"),
    ):
        places = np.array([row[name] for row in rows])
        print(f"{words}: {share(places <= 0.1)}; its place in the middle {100 * np.median(places):.1f} %")
    medians = (np.median([row[name] for row in rows]) for name in ("distance", "least", "median"))
    print("true distance in steps: chosen {:.2f}, best there is {:.2f}, median of the stock {:.2f}".format(*medians))
    for n_seen, stage in ((0, "before cutting"), (4, "braced plates"), (7, "closed box")):
        stated = np.array([(p, came) for row in rows for n, p, came in row["chances"] if n == n_seen], float)
        text = []
        for low, high in pairwise([0, 0.05, 0.2, 0.4, 0.6, 0.8, 1.01]):
            inside = stated[(stated[:, 0] >= low) & (stated[:, 0] < high)]
            if len(inside) >= 25:
                text.append(f"{100 * inside[:, 0].mean():.0f} -> {share(inside[:, 1])} of {len(inside)}")
        print(f"{stage}: chance stated -> come true, %:", ", ".join(text), flush=True)


def forecasts(stages):
    for k, stage in enumerate(("before cutting", "braced plates tapped", "closed box tapped")):
        error, z = (np.array([row[k][part] for row in stages]) for part in (0, 1))
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
    start = time.process_time()
    rank(calibration, tops, backs, target)
    spent = time.process_time() - start
    print(f"\nstock of 500 sets (250 tops by 250 backs, all 62,500 pairs): {spent:.1f} s of processor time")


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:]))
