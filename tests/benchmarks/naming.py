"""How often luthkit names a mode rightly, and how far its probabilities can be believed.

    python -m tests.benchmarks.naming [--guitars 300] [--first-seed 0] [--read 0] [--scene plug]

Random guitars of all three body kinds (`luthkit.simulate.random_guitar`); the body kind is not told. For speed the
modes are not read from sound but made: the true modes with errors like those of a reading in a workshop, weak and
crowded ones missed, a room mode here and there (`made_reading`). `--read N` checks N guitars by complete readings of
synthetic taps in a room. Truth of top against back: the mode in which more of the energy of both plates is the top's;
where that is nearly even (40 to 60 %) no name is right, and figures are printed with and without those guitars.

Ways of weighing were chosen on seeds 5000 to 5999; figures are of seeds 9000 to 9299 and of 0 to 299. The tables of
guitar.priors were written with the spread of this very simulator in view, and its air, top and back obey the same
equations as guitar.pistons: a test on guitars of its kind, not on real ones.
"""

from __future__ import annotations

import argparse

import numpy as np

from luthkit import simulate
from luthkit.guitar.evidence import Reading
from luthkit.guitar.naming import CANNOT_TELL, name_modes
from luthkit.guitar.priors import NAMES, UNNAMED
from luthkit.signal.modes import Mode, ModeSet, read_modes

FOUR = ("air", "main top", "main back", "cross dipole")
CENTRE, BRIDGE = ("bridge centre",), ("bridge centre", "bass wing", "treble wing")
SCENES = (  # name, positions, conditions, goal for the four names
    ("bridge centre only", CENTRE, (), 80),
    ("three positions", BRIDGE, (), 92),
    ("three positions, plug", BRIDGE, ("soundhole plugged",), 98),
    ("three positions, back", (*BRIDGE, "back"), (), None),
    ("three positions, back, plug", (*BRIDGE, "back"), ("soundhole plugged",), None),
    ("all", (*BRIDGE, "back", "rim"), ("soundhole plugged", "mass at bridge"), None),
)


def made_reading(rng, body: simulate.Body, positions) -> ModeSet:
    """A `ModeSet` as a reading of 8 taps a place in a workshop might give it, without any sound.

    Frequencies are off by 0.1 to 0.4 %, damping by 8 %, heights by 1 dB and 0.15 rad; each place has a gain (2 dB) and
    an onset (0.15 ms) of its own. What lies 32 dB and more under the strongest at every place is missed, half of
    what lies 24 dB under, and what stands nearer than a third of its width to a louder neighbour.
    """
    inside = np.flatnonzero((body.frequency_hz > 60) & (body.frequency_hz < 1000))
    columns = [body.positions.index(position) for position in positions]
    poles = body.poles[inside]
    heights = body.residues[inside][:, columns] / -poles.real[:, None]
    level = 20 * np.log10(np.abs(heights).max(axis=1) / np.abs(heights).max())
    found = rng.uniform(size=len(inside)) < 1 / (1 + np.exp(-(level + 24) / 2.5))
    frequency, ratio = body.frequency_hz[inside], body.damping_ratio[inside]
    for k in range(len(inside)):
        gap = np.abs(frequency - frequency[k])
        hidden = (gap > 0) & (gap < 0.66 * ratio[k] * frequency[k]) & (level > level[k])
        found[k] &= not hidden.any()
    frequency = frequency * np.exp(rng.uniform(0.001, 0.004) * rng.standard_normal(len(inside)))
    ratio = ratio * np.exp(0.08 * rng.standard_normal(len(inside)))
    noise = 0.11 * rng.standard_normal(heights.shape) + 0.15j * rng.standard_normal(heights.shape)
    heights = heights * np.exp(noise)
    heights = heights + 0.01 * np.abs(heights).max() * _complex(rng, heights.shape)
    delay = 0.00015 * rng.standard_normal(len(columns))
    heights = heights * np.exp(0.23 * rng.standard_normal(len(columns)) + 2j * np.pi * frequency[:, None] * delay)
    kinds, truth = ["body"] * len(inside), [body.labels[i] or UNNAMED for i in inside]
    for _ in range(rng.poisson(0.4)):  # a mode of the room that was taken for one of the guitar
        frequency = np.append(frequency, np.exp(rng.uniform(np.log(65), np.log(250))))
        ratio = np.append(ratio, 0.5 / rng.uniform(20, 90))
        size = np.abs(heights).max() * 10 ** (rng.uniform(-30, -14) / 20)
        heights = np.vstack([heights, size * _complex(rng, heights.shape[1])])
        kinds.append("room" if rng.uniform() < 0.5 else "body")
        truth.append(UNNAMED)
        found = np.append(found, True)
    order = [k for k in np.argsort(frequency) if found[k]]
    power = np.mean(np.abs(heights) ** 2, axis=1)
    level = 10 * np.log10(power / power[order].max())
    modes = tuple(
        Mode(frequency[k], 0.002 * frequency[k], ratio[k], 0.08 * ratio[k], level[k], 1.0, kind=kinds[k]) for k in order
    )
    heights = heights[order] / np.abs(heights[order]).max()
    known = {"truth": [truth[k] for k in order]}
    return ModeSet(modes, 8, (), 2, {}, known, "made", positions=tuple(positions), amplitudes=heights)


def true_reading(rng, body: simulate.Body, positions) -> ModeSet:
    """A complete reading of synthetic taps in a room, two placements."""
    bench = simulate.Bench(n_placements=2, t60_s=0.4, sample_rate_hz=16000)
    sets = [simulate.tap_set(rng, body, bench, position=body.positions.index(position)) for position in positions]
    return read_modes(simulate.join_tap_sets(sets))


def name_one(seed: int, positions, conditions, *, read=made_reading, body_kind=""):
    """Of each mode of a guitar (true name, likeliest name, name given, probability); top's share, naming, guitar."""
    rng = np.random.default_rng(seed)
    guitar = simulate.random_guitar(rng)
    modeset = read(rng, guitar.body(), positions)
    readings = []
    for condition in conditions:
        mass = 10.0 if condition == "mass at bridge" else 0.0
        other = read(rng, guitar.body(condition, added_mass_g=mass), positions)
        readings.append(Reading(condition, other, mass))
    naming = name_modes(modeset, readings, body_kind=guitar.body_kind if body_kind == "told" else "")
    truth = true_names(guitar.body(), modeset)
    share = guitar.model.top_share()[1:].max()
    rows = [(t, n.likeliest, n.name, n.probability) for t, n in zip(truth, naming.modes, strict=True)]
    return rows, share, naming, guitar


def true_names(body: simulate.Body, modeset: ModeSet) -> list[str]:
    """The name of each mode read: as it was made, or that of the true mode it stands for, one to one, within 2 %."""
    from .accuracy import pair_up

    if "truth" in modeset.parameters:
        return modeset.parameters["truth"]
    truth = [UNNAMED] * len(modeset.modes)
    for i, j in pair_up(body.frequency_hz, [mode.frequency_hz for mode in modeset.modes], within=0.02):
        truth[j] = body.labels[i] or UNNAMED
    return truth


def figures(seeds, positions, conditions, **options) -> dict:
    rows, shares = [], []
    for seed in seeds:
        some, share, _, _ = name_one(seed, positions, conditions, **options)
        rows += some
        shares += [share] * len(some)
    shares = np.array(shares)
    truth, likeliest, given = (np.array([row[k] for row in rows]) for k in range(3))
    probability = np.array([row[3] for row in rows])
    right = truth == likeliest
    four = np.isin(truth, FOUR)
    clear = shares > 0.6
    either = four | np.isin(likeliest, FOUR)
    sure = probability > 0.9
    bands = {}
    for low, high in ((0.3, 0.6), (0.6, 0.75), (0.75, 0.85), (0.85, 0.95), (0.95, 1.0)):
        inside = either & (probability > low) & (probability <= high)
        if inside.any():
            bands[f"{low:.2f}-{high:.2f}"] = (
                100 * probability[inside].mean(),
                100 * right[inside].mean(),
                inside.sum(),
            )
    return {
        "right": 100 * right[four].mean(),
        "right, clear": 100 * right[four & clear].mean(),
        "told": 100 * (given[four] != CANNOT_TELL).mean(),
        "told and wrong": 100 * np.mean((given[either] != CANNOT_TELL) & ~right[either]),
        "wrong, sure": 100 * np.mean(sure[either] & ~right[either]),
        "wrong of sure": 100 * np.mean(~right[either & sure]),
        "named": {n: 100 * right[truth == n].mean() for n in (*NAMES, UNNAMED)},
        "bands": bands,
    }


def _complex(rng, shape):
    return (rng.standard_normal(shape) + 1j * rng.standard_normal(shape)) / np.sqrt(2)


def main(argv=None) -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--guitars", type=int, default=300)
    parser.add_argument("--first-seed", type=int, default=0)
    parser.add_argument("--read", type=int, default=0, help="check so many guitars by complete readings of taps")
    parser.add_argument("--scene", default="", help="only the scenes whose name ends in this")
    options = parser.parse_args(argv)
    runs = [("made readings", made_reading, options.guitars)]
    if options.read:
        runs = [("complete readings of taps in a room", true_reading, options.read)]
    for words, read, n in runs:
        print(f"\n{n} simulated guitars, {words}, body kind not told")
        for name, positions, conditions, goal in SCENES[: 3 if read is true_reading else None]:
            if not name.endswith(options.scene):
                continue
            seeds = range(options.first_seed, options.first_seed + n)
            f = figures(seeds, positions, conditions, read=read)
            print(
                f"\n{name}: right {f['right']:.1f} % (goal {goal}), top and back clear {f['right, clear']:.1f} %; "
                f"a name given {f['told']:.0f} %, given and wrong {f['told and wrong']:.1f} %"
            )
            wrong, of_sure = f["wrong, sure"], f["wrong of sure"]
            print(f"  over 90 % and wrong: {wrong:.2f} % of all (goal 1), {of_sure:.2f} % of the sure")
            print("  " + ", ".join(f"{n} {x:.0f}" for n, x in f["named"].items()))
            print("  stated -> right: " + ", ".join(f"{s:.0f} -> {r:.0f} ({n})" for s, r, n in f["bands"].values()))


if __name__ == "__main__":
    main()
