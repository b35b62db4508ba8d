"""How near the truth luthkit's modes come: `python -m tests.benchmarks.accuracy [--sets 50] [--jobs 2] [--scene NAME]`.

Every scene draws random bodies and taps (`luthkit.simulate`, 8 taps, 1.2 s, 48 kHz, 16 modes between 80 and
1000 Hz down to -20 dB and many above, force pulses of 0.5 to 1.2 ms, levels +-6 dB, hum at -35 dB) from the seeds
0, 1, 2, ... and prints the goal beside the measured figure. A mode counts as found when a mode of kind "body" lies
within 3 % of it, one to one. On the same taps: sdypy-EMA's LSCF and the -3 dB width (`rivals`), and the Cramer-Rao
bounds (`bounds`).
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field, replace
from functools import partial

import numpy as np
from scipy.optimize import linear_sum_assignment

from luthkit import simulate
from luthkit.errors import LuthkitError
from luthkit.signal.cells import SETTLE_S
from luthkit.signal.modes import LENGTH_S, read_modes
from luthkit.signal.taps import Tap, TapSet

from .bounds import decay_bound, normal_quantile, room_bound
from .rivals import lscf_modes, width_modes

CENTS = 1200 / np.log(2)
READ_HZ = (60.0, 700.0)  # where modes are counted
THIN = 4  # every so many samples, in a band of that much less hiss, tell the same of modes below 5 kHz
RIVALS = ("LSCF", "LSCF, 3 ms on", "-3 dB width")
SCENES = ("quiet 40 dB", "quiet 25 dB", "workshop", "workshop, 5 placements", "four modes", "sinusoid", "pairs")
BENCHES = {
    "quiet 40 dB": simulate.Bench(),
    "quiet 25 dB": simulate.Bench(snr_db=25),
    "workshop": simulate.Bench(t60_s=0.4, n_placements=2),
    "workshop, 5 placements": simulate.Bench(t60_s=0.4, n_placements=5),
    "four modes": simulate.Bench(t60_s=0.4, n_placements=2),
    "pairs": simulate.Bench(),
}


@dataclass(frozen=True, eq=False)
class Outcome:
    """One set: arrays (n,) over the true modes in `READ_HZ`, NaN where a mode was not found.

    Errors in cents and as a share of the true damping ratio; `*_score` are errors over stated uncertainty.
    """

    frequency_hz: np.ndarray
    strong: np.ndarray  # the three lowest above -10 dB; in a scene of pairs, the pair
    cents: np.ndarray
    damping: np.ndarray
    cents_score: np.ndarray
    damping_score: np.ndarray
    false: int
    seconds: float
    rivals: dict[str, tuple[np.ndarray, np.ndarray]] = field(default_factory=dict)
    bounds: dict[str, tuple[np.ndarray, np.ndarray]] = field(default_factory=dict)  # in a room of the strong modes


def pair_up(true_hz, found_hz, *, within: float = 0.03) -> list[tuple[int, int]]:
    """Indices (truth, found) of the one-to-one pairing with the least sum of distances, each within a limit."""
    distance = np.abs(np.log(np.asarray(found_hz)[None, :] / np.asarray(true_hz)[:, None]))
    rows, columns = linear_sum_assignment(np.minimum(distance, within) - within)
    return [(i, j) for i, j in zip(rows, columns, strict=True) if distance[i, j] < within]


def quiet_or_workshop(seed: int, scene: str, *, with_rivals: bool = True, full_bound: bool = False) -> Outcome:
    """One random set of a scene of `BENCHES`, read and compared with its truth."""
    rng, bench = np.random.default_rng(seed), BENCHES[scene]
    body = simulate.random_body(rng)
    strong = None
    if scene == "pairs":
        body, strong = with_pair(rng, body)
    if scene == "four modes":  # and no others, in rooms of many kinds
        four = np.sort(rng.choice(16, 4, replace=False))
        body = simulate.Body(body.poles[four], body.residues[four])
        bench = replace(bench, t60_s=rng.uniform(0.25, 0.6), direct_to_reverberant_db=rng.uniform(8, 28))
    before = rng.bit_generator.state
    tapset = simulate.tap_set(rng, body, bench)
    began = time.perf_counter()
    try:
        modes = [mode for mode in read_modes(tapset).modes if mode.kind == "body"]
    except LuthkitError:
        modes = []
    seconds = time.perf_counter() - began
    true_hz, true_ratio = body.frequency_hz, body.damping_ratio
    found_hz = np.array([mode.frequency_hz for mode in modes])
    pairs = pair_up(true_hz, found_hz, within=0.015 if scene == "pairs" else 0.03) if modes else []
    counted = (true_hz > READ_HZ[0]) & (true_hz < READ_HZ[1])
    if strong is None:
        strong = np.zeros(len(true_hz), bool)
        strong[np.flatnonzero(counted & (body.level_db() > -10))[:3]] = True
    errors = np.full((4, len(true_hz)), np.nan)
    for i, j in pairs:
        cents = CENTS * np.log(found_hz[j] / true_hz[i])
        damping = modes[j].damping_ratio / true_ratio[i] - 1
        cents_u = CENTS * modes[j].frequency_u_hz / found_hz[j]
        damping_u = modes[j].damping_ratio_u / true_ratio[i]
        errors[:, i] = cents, damping, cents / cents_u, damping / damping_u
    paired = {j for _, j in pairs}
    false = sum(READ_HZ[0] < hz < READ_HZ[1] and j not in paired for j, hz in enumerate(found_hz))
    return Outcome(
        true_hz[counted],
        strong[counted],
        *errors[:, counted],
        false=false,
        seconds=seconds,
        rivals=read_rivals(tapset, body.poles[counted]) if with_rivals else {},
        bounds=read_bounds(body, bench, np.flatnonzero(strong), full=full_bound)
        if bench.t60_s
        else quiet_bounds(before, body, bench, np.flatnonzero(counted)),
    )


def with_pair(rng, body: simulate.Body) -> tuple[simulate.Body, np.ndarray]:
    """Two modes 3 % apart, Q 25, levels within 6 dB of the strongest, among those of `body` 8 % and more away."""
    low = rng.uniform(90, 650)
    poles = simulate.pole([low, 1.03 * low], 0.02)
    height = np.max(np.abs(body.residues[:, 0]) / -body.poles.real)
    levels = height * 10 ** (rng.uniform(-6, 0, 2) / 20)
    residues = levels * -poles.real * np.exp(1j * rng.uniform(0, 2 * np.pi, 2))
    apart = (body.frequency_hz < low / 1.08) | (body.frequency_hz > 1.03 * 1.08 * low)
    joined = simulate.Body(
        np.concatenate([body.poles[apart], poles]),
        np.concatenate([body.residues[apart, 0], residues])[:, None],
    )
    return joined, np.isin(joined.poles, poles)


def read_rivals(tapset: TapSet, poles) -> dict[str, tuple[np.ndarray, np.ndarray]]:
    """Errors in cents and in damping (share) of `RIVALS` on the same taps."""
    found = (
        lscf_modes(tapset, poles),
        lscf_modes(tapset, poles, settle_s=SETTLE_S),
        width_modes(tapset, poles),
    )
    ratio = [-each.real / np.abs(each) for each in (poles, *found)]
    return {
        name: (CENTS * np.log(np.abs(each) / np.abs(poles)), zeta / ratio[0] - 1)
        for name, each, zeta in zip(RIVALS, found, ratio[1:], strict=True)
    }


def quiet_bounds(rng_state, body: simulate.Body, bench: simulate.Bench, counted):
    """Least standard deviations, in cents and as a share of damping, of the modes `counted` (indices) in these very
    taps: all modes there, hiss and hum as made, from where luthkit reads on, and whole from the longest pulse on."""
    still, rate = replace(bench, hum_db=-np.inf), bench.sample_rate_hz
    rng, sounds = np.random.default_rng(), []
    for snr_db in (np.inf, bench.snr_db):
        rng.bit_generator.state = rng_state
        sounds.append(simulate.tap_set(rng, body, replace(still, snr_db=snr_db)).taps)
    hiss = np.sqrt(np.mean([(noisy.samples - clean.samples) ** 2 for clean, noisy in zip(*sounds, strict=True)]))
    found = {}
    for name, start_s, length_s in (
        ("what is read", SETTLE_S, LENGTH_S),
        ("whole taps", bench.pulse_s[1], bench.length_s),
    ):
        firsts = [int(np.ceil((tap.onset_s + start_s) * rate)) for tap in sounds[0]]
        n = min(round(length_s * rate), *(len(tap.samples) - k for tap, k in zip(sounds[0], firsts, strict=True)))
        time_s = start_s + np.arange(0, n, THIN) / rate
        each = np.exp(np.outer(time_s, body.poles))
        columns = np.stack([each.real, -each.imag], axis=-1).reshape(len(each), -1)
        clean = [tap.samples[k : k + n : THIN, 0] for tap, k in zip(sounds[0], firsts, strict=True)]
        amplitudes = np.linalg.lstsq(columns, np.transpose(clean), rcond=None)[0].T
        hz, ratio = decay_bound(
            body.poles,
            amplitudes[:, 0::2] + 1j * amplitudes[:, 1::2],
            hiss / np.sqrt(THIN),
            time_s,
            lines_hz=bench.mains_hz * np.arange(1, 13),
        )
        found[name] = (CENTS * hz[counted] / body.frequency_hz[counted], ratio[counted] / body.damping_ratio[counted])
    return found


def read_bounds(body: simulate.Body, bench: simulate.Bench, strong, *, full: bool):
    """Least standard deviations, in cents and as a share of damping, of the `strong` modes (indices).

    Only what lies up to 1.4 times the highest of them is looked at, which a neighbour beyond hardly moves.
    """
    top_hz = 1.4 * body.frequency_hz[strong].max()
    low = body.frequency_hz < top_hz
    t = np.arange(0, 0.25, 1 / 4800)
    middling = (body.residues[low, 0] @ np.exp(np.outer(body.poles[low], t))).real
    hiss = np.sqrt(np.mean(middling**2) * bench.n_placements / bench.n_taps) * 10 ** (-bench.snr_db / 20)
    found = {}
    for name in ("direct sound", "direct sound and tail")[: 1 + full]:
        hz, ratio = room_bound(
            body.poles[low],
            body.residues[low, 0],
            t60_s=bench.t60_s,
            direct_to_reverberant_db=bench.direct_to_reverberant_db,
            n_placements=bench.n_placements,
            noise_rms=hiss,
            length_s=0.7,
            sample_rate_hz=2.2 * top_hz,
            from_covariance=name.endswith("tail"),
        )
        found[name] = (
            CENTS * hz[strong] / body.frequency_hz[strong],
            ratio[strong] / body.damping_ratio[strong],
        )
    return found


def sinusoid(seed: int, *, snr_db: float = 40.0, rate: int = 16000, length_s: float = 1.2):
    """Errors of frequency and damping ratio of one damped sinusoid in white noise: (2, 3), over the bound of the
    whole record, over that of the part luthkit reads, and over the stated uncertainty; and how many modes are
    read that are not there."""
    rng = np.random.default_rng(seed)
    frequency, quality = np.exp(rng.uniform(np.log(80), np.log(700))), rng.uniform(15, 60)
    pole = complex(simulate.pole(frequency, 0.5 / quality))
    amplitude = 0.2 * np.exp(1j * rng.uniform(0, 2 * np.pi))
    n_before, n = round(0.1 * rate), round(length_s * rate)
    t = np.arange(n) / rate
    wave = (amplitude * np.exp(pole * t)).real
    noise = np.sqrt(np.mean(wave[: round(0.25 * rate)] ** 2)) * 10 ** (-snr_db / 20)
    samples = np.concatenate([np.zeros(n_before), wave]) + noise * rng.standard_normal(n_before + n)
    tap = Tap(samples[:, None], rate, n_before / rate, n_before / rate, "synthetic")
    modes = read_modes(TapSet((tap,), (), {}, {})).modes
    n_more = len(modes) - 1
    mode = min(modes, key=lambda m: abs(m.frequency_hz - frequency))
    error = np.array([mode.frequency_hz - frequency, mode.damping_ratio - 0.5 / quality])
    start = int(np.ceil(SETTLE_S * rate))
    whole = np.ravel(decay_bound(pole, amplitude, noise, t))
    read = np.ravel(decay_bound(pole, amplitude, noise, t[start : start + round(LENGTH_S * rate)]))
    stated = (mode.frequency_u_hz, mode.damping_ratio_u)
    return error[:, None] / np.array([whole, read, stated]).T, n_more


# ---- the table


def quantiles(errors) -> tuple[float, float]:
    """Median and 95th percentile of the sizes of `errors`, those not found (NaN) left out."""
    return tuple(np.nanquantile(np.abs(errors), (0.5, 0.95)))


def gather(outcomes: Sequence[Outcome], name: str, only: str = "") -> np.ndarray:
    """One figure of all sets, (n,), of the strong modes only when `only` says so."""
    return np.concatenate([getattr(o, name)[o.strong if only else slice(None)] for o in outcomes])


def line(what: str, measured: float, goal: float | None = None, *, unit: str = "", at_least: bool = False) -> str:
    """One row: what, the figure, the goal, and whether it is met."""
    row = f"  {what:<58}{measured:>10.3g} {unit:<6}"
    if goal is None:
        return row.rstrip()
    met = measured >= goal if at_least else measured <= goal
    return row + f"goal {'>=' if at_least else '<='} {goal:<6g} {'met' if met else 'MISSED'}"


def common_rows(outcomes: Sequence[Outcome]) -> list[str]:
    """Coverage and time, and the rivals beside luthkit."""
    ours = {"frequency": gather(outcomes, "cents"), "damping": 100 * gather(outcomes, "damping")}
    rows = []
    for what in ("cents_score", "damping_score"):
        scores = gather(outcomes, what)
        scores = scores[np.isfinite(scores)]
        name = "frequency" if what.startswith("cents") else "damping"
        rows.append(
            line(f"95 % intervals that cover, {name}", np.mean(np.abs(scores) < 1.96), 0.90, at_least=True)
            + f"  (median score {np.median(np.abs(scores)):.2f}, 0.67 if exact)"
        )
    rows.append(line("read_modes, median", np.median([o.seconds for o in outcomes]), unit="s"))
    if outcomes[0].rivals:
        rows.append(f"  {'beside it, on the same taps':<32}{'found':>8}{'median':>18}{'95th percentile':>22}")
        for k, (name, unit) in enumerate((("frequency", "cents"), ("damping", "%"))):
            own = quantiles(ours[name])
            rows.append(
                f"  {'luthkit, ' + name:<32}{np.mean(np.isfinite(ours[name])):>8.3f}"
                f"{own[0]:>9.3g} {unit:<15}{own[1]:>9.3g} {unit}"
            )
            for rival in RIVALS:
                errors = np.concatenate([o.rivals[rival][k] for o in outcomes]) * (1 if k == 0 else 100)
                theirs = quantiles(errors)
                rows.append(
                    f"  {rival + ', ' + name:<32}{np.mean(np.isfinite(errors)):>8.3f}"
                    f"{theirs[0]:>9.3g} {unit:<6}({theirs[0] / own[0]:>5.1f}x)"
                    f"{theirs[1]:>9.3g} {unit:<6}({theirs[1] / own[1]:>5.1f}x)"
                    f"   goal 3x, 10x {'met' if theirs[0] >= 3 * own[0] and theirs[1] >= 10 * own[1] else 'MISSED'}"
                )
    return rows


def quiet_rows(outcomes, goals) -> list[str]:
    """Recall, false modes and errors against goals (recall, false, cents x 2, damping % x 2)."""
    cents, damping = quantiles(gather(outcomes, "cents")), quantiles(100 * gather(outcomes, "damping"))
    found = np.isfinite(gather(outcomes, "cents"))
    return [
        line("recall, 60 to 700 Hz", found.mean(), goals[0], at_least=True),
        line("false modes a set", np.mean([o.false for o in outcomes]), goals[1]),
        line("frequency error, median", cents[0], goals[2], unit="cents"),
        line("frequency error, 95th percentile", cents[1], goals[3], unit="cents"),
        line("damping error, median", damping[0], goals[4], unit="%"),
        line("damping error, 95th percentile", damping[1], goals[5], unit="%"),
        *bound_rows(outcomes),
        *common_rows(outcomes),
    ]


def bound_rows(outcomes) -> list[str]:
    """What an efficient unbiased reader of these very taps would leave, and how far luthkit and LSCF stand over it."""
    own = (gather(outcomes, "cents"), gather(outcomes, "damping"))
    rows = []
    for name in outcomes[0].bounds:
        for k, (what, unit) in enumerate((("frequency", "cents"), ("damping", "%"))):
            least = np.concatenate([o.bounds[name][k] for o in outcomes])
            limit = [normal_quantile(least, share) for share in (0.5, 0.95)]
            scores = (own[k] / least)[np.isfinite(own[k])]
            shown = [each * (100 if k else 1) for each in limit]
            row = f"  bound of {name}, {what}: {shown[0]:.3g} and {shown[1]:.3g} {unit}; luthkit over it"
            row += "".join(f" {each / most:.2f}" for each, most in zip(quantiles(own[k]), limit, strict=True))
            row += f", RMS {np.sqrt(np.mean(scores**2)):.2f}"
            if outcomes[0].rivals:
                theirs = quantiles(np.concatenate([o.rivals[RIVALS[1]][k] for o in outcomes]))
                row += f"; {RIVALS[1]}" + "".join(f" {e / m:.1f}" for e, m in zip(theirs, limit, strict=True))
            rows.append(row)
    return rows


def workshop_rows(outcomes) -> list[str]:
    """The workshop: strong modes, recall, and what no unbiased estimator can undercut."""
    cents, damping = (
        quantiles(gather(outcomes, "cents", "strong")),
        quantiles(gather(outcomes, "damping", "strong")),
    )
    all_found = [np.all(np.isfinite(o.cents[o.strong])) for o in outcomes]
    rows = [
        line("sets with the three lowest strong modes found", np.mean(all_found), 0.95, at_least=True),
        line("their frequency error, 95th percentile", cents[1], 8, unit="cents"),
        line("their damping error, 95th percentile", 100 * damping[1], 15, unit="%"),
    ]
    for name in ("direct sound", "direct sound and tail"):
        known = [o.bounds[name] for o in outcomes if name in o.bounds]
        if known:
            limit = [normal_quantile(np.concatenate([each[k] for each in known]), 0.95) for k in (0, 1)]
            rows.append(f"  Cramer-Rao bound from the {name}, {len(known)} sets: 95th percentile of an efficient")
            rows.append(
                f"    unbiased estimator {limit[0]:.1f} cents and {100 * limit[1]:.0f} % damping"
                + (": the damping goal lies below it" if limit[1] > 0.15 else ": the damping goal lies above it")
            )
    found = np.isfinite(gather(outcomes, "cents"))
    return [
        *rows,
        line("recall, 60 to 700 Hz", found.mean(), 0.85, at_least=True),
        line("false modes a set", np.mean([o.false for o in outcomes])),
        *common_rows(outcomes),
    ]


def sinusoid_rows(outcomes) -> list[str]:
    """Root mean square errors over the bounds."""
    scores = np.array([scores for scores, _ in outcomes])
    n_more = np.array([n for _, n in outcomes])
    ratio = np.sqrt(np.mean(scores**2, axis=0))
    spread = 1 / np.sqrt(2 * len(scores))
    rows = []
    for k, name in enumerate(("frequency", "damping")):
        rows.append(line(f"{name}: RMS error over the bound of the whole record", ratio[k, 0], 1.3))
        rows.append(
            line(f"{name}: over the bound of what is read (+-{2 * spread:.2f})", ratio[k, 1], 1.3)
            + ("" if ratio[k, 1] > 1 - 3 * spread else "  BELOW THE BOUND")
        )
        rows.append(line(f"{name}: over the stated uncertainty", ratio[k, 2]))
    alone = np.sqrt(np.mean(scores[n_more == 0, :, 1] ** 2, axis=0))
    rows.append(line("sets with a mode that is not there, share", np.mean(n_more > 0)))
    rows.append(f"  without those sets: {alone[0]:.2f} and {alone[1]:.2f} of the bound of what is read")
    return rows


def pair_rows(outcomes) -> list[str]:
    both = [np.all(np.isfinite(o.cents[o.strong])) for o in outcomes]
    own = [gather(outcomes, name, "strong") for name in ("cents", "damping")]
    return [
        line("sets with both of the pair found (within 1.5 %)", np.mean(both), 0.95, at_least=True),
        line("their frequency error, 95th percentile", quantiles(own[0])[1], unit="cents"),
        line("their damping error, 95th percentile", 100 * quantiles(own[1])[1], unit="%"),
        line("false modes a set", np.mean([o.false for o in outcomes])),
        *common_rows([replace(o, **{n: getattr(o, n)[o.strong] for n in _PER_MODE}, rivals={}) for o in outcomes]),
    ]


_PER_MODE = ("frequency_hz", "strong", "cents", "damping", "cents_score", "damping_score")


def run(scene: str, n_sets: int, pool, *, with_rivals: bool = True, full_bound_sets: int = 0) -> list[str]:
    """The rows of one scene."""
    if scene == "sinusoid":
        return sinusoid_rows(list(pool.map(sinusoid, range(4 * n_sets))))
    read = partial(quiet_or_workshop, scene=scene, with_rivals=with_rivals)
    full = partial(read, full_bound=True)
    jobs = [pool.submit(full if seed < full_bound_sets else read, seed) for seed in range(n_sets)]
    outcomes = [job.result() for job in jobs]
    if scene == "quiet 40 dB":
        return quiet_rows(outcomes, (0.99, 0.1, 0.1, 0.5, 0.2, 2))
    if scene == "quiet 25 dB":
        return quiet_rows(outcomes, (0.97, None, 0.4, 2, 1, 10))
    return pair_rows(outcomes) if scene == "pairs" else workshop_rows(outcomes)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--sets", type=int, default=50, help="random sets a scene (four times as many sinusoids)")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--scene", choices=SCENES, action="append", help="may be given more than once; default: all")
    parser.add_argument("--full-bound", type=int, default=50, metavar="N", help="sets whose tail counts in the bound")
    parser.add_argument("--no-rivals", action="store_true")
    asked = parser.parse_args()
    with ProcessPoolExecutor(asked.jobs) as pool:
        for scene in asked.scene or SCENES:
            n_sets = 4 * asked.sets if scene == "sinusoid" else asked.sets
            print(f"{scene} ({n_sets} random sets)")
            rows = run(scene, asked.sets, pool, with_rivals=not asked.no_rivals, full_bound_sets=asked.full_bound)
            print("\n".join(rows) + "\n", flush=True)


if __name__ == "__main__":
    main()
