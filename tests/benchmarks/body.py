"""How well box, top and back are told, and what a change does to them, on simulated guitars of all body kinds.

    python -m tests.benchmarks.body [--guitars 300] [--sound 20]

All guitars are synthetic. The fit stands beside the closed forms (`uncouple`, `effective_mass`) that use less of the
same readings. "Rich" guitars have dipoles and a standing wave that pull on air, top and back, which the model lacks;
what a wave does is taken off the parts by themselves (`wave_log_shifts`), but for plain guitars, which have none.
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import replace
from math import pi, sqrt
from pathlib import Path

import numpy as np

from luthkit import simulate
from luthkit.errors import LuthkitError
from luthkit.guitar.body_fit import AIR, BACK, NAMES, TOP, BodyReading, fit_body
from luthkit.guitar.body_readings import fit_conditions, reading_by_hand
from luthkit.guitar.evidence import Reading
from luthkit.guitar.uncoupled import effective_mass, uncouple
from luthkit.guitar.what_if import Change, what_if
from luthkit.signal.modes import read_modes
from luthkit.simulate.guitars import random_guitar

sys.path.insert(0, str(Path(__file__).parent.parent))
from rich_guitar import rich_guitar

CONDITIONS = ({}, {"soundhole_plugged": True}, {"added_mass_kg": 0.010})
CHANGES = {
    "soundhole radius -10 %": {"hole_radius_factor": 0.90},
    "soundhole radius +8 %": {"hole_radius_factor": 1.08},
    "box -10 %": {"volume_factor": 0.90},
    "bridge +15 g": {"bridge_mass_kg": 0.015},
    "bridge -8 g": {"bridge_mass_kg": -0.008},
    "top 15 % stiffer": {"top_stiffness_factor": 1.15},
    "back 15 % stiffer": {"back_stiffness_factor": 1.15},
}


def truth_of(model) -> dict[str, float]:
    """The parts of a simulated guitar by themselves, from textbook formulas."""
    hole = pi * model.hole_radius_m**2
    return {
        "box_frequency_hz": 343.2 / (2 * pi) * sqrt(hole / (model.volume_m3 * model.hole_length_m)),
        "top_frequency_hz": sqrt(model.top_stiffness_n_m / model.top_mass_kg) / (2 * pi),
        "top_mass_kg": model.top_mass_kg,
    }


def plain_readings(model, rng, u):
    """Readings of the oscillators alone: by name, with relative errors `u`."""
    readings = []
    for condition in CONDITIONS:
        heavier = replace(model, top_mass_kg=model.top_mass_kg + condition.get("added_mass_kg", 0.0))
        plugged = condition.get("soundhole_plugged", False)
        poles, _ = heavier.modes(plugged=plugged)
        share = heavier.top_share(plugged=plugged)
        names = [] if plugged else [AIR]
        names += [TOP, BACK] if share[len(names)] > share[len(names) + 1] else [BACK, TOP]
        readings.append(noisy(dict(zip(names, np.abs(poles) / (2 * pi), strict=True)), condition, rng, u))
    return readings


def noisy(hz, condition, rng, u) -> BodyReading:
    hz = {name: float(f * (1 + u * rng.standard_normal())) for name, f in hz.items()}
    return BodyReading(hz, {name: u * f for name, f in hz.items()}, **condition)


def closed(readings) -> dict[str, tuple[float, float]]:
    """The closed forms: value and standard uncertainty; nothing where they have no answer."""
    first, plugged, loaded = readings
    found = {}
    try:
        alone = uncouple(
            [first.frequency_hz[n] for n in NAMES],
            [plugged.frequency_hz[n] for n in (TOP, BACK)],
            open_u_hz=[first.frequency_u_hz[n] for n in NAMES],
            plugged_u_hz=[plugged.frequency_u_hz[n] for n in (TOP, BACK)],
        )
        found["box_frequency_hz"] = alone.box_frequency_hz, alone.box_frequency_u_hz
        found["top_frequency_hz"] = alone.top_frequency_hz, alone.top_frequency_u_hz
    except LuthkitError:
        pass
    try:
        f = [list(r.frequency_hz.values()) for r in (first, loaded)]
        u = [list(r.frequency_u_hz.values()) for r in (first, loaded)]
        mass = effective_mass([0, 0.010], f, frequency_u_hz=u)
        found["top_mass_kg"] = mass.mass_kg, mass.mass_u_kg
    except LuthkitError:
        pass
    return found


def fitted(readings, model, *, wave: bool) -> dict[str, tuple[float, float]]:
    known = {"volume_m3": (model.volume_m3, 0.03), "hole_radius_m": (model.hole_radius_m, 0.01)}
    fit = fit_body(readings, known=known)
    numbers = (fit if wave else replace(fit, wave_log=0 * fit.wave_log)).numbers
    return {name: (number.value, number.u) for name, number in numbers.items()}


def line(words, errors, stated, n):
    errors, stated = np.array(errors), np.array(stated)
    print(
        f"  {words:30s} rms {100 * np.sqrt(np.mean(errors**2)):5.2f} %"
        f"  median |error| {100 * np.median(np.abs(errors)):5.2f} %"
        f"  stated {100 * np.median(stated):5.2f} %  in 95 %: {100 * np.mean(np.abs(errors) < 1.96 * stated):3.0f} %"
        f"  ({len(errors)} of {n})"
    )


def parts(n, u, *, rich):
    print(
        f"\n{'Rich' if rich else 'Plain'} guitars, {100 * u:.1f} % error a frequency; open, plugged, 10 g at the bridge"
    )
    rng = np.random.default_rng(101)
    rows = {}
    for _ in range(n):
        guitar = rich_guitar(rng) if rich else random_guitar(rng)
        if rich:
            readings = [noisy(guitar.named(**c), c, rng, u) for c in CONDITIONS]
        else:
            readings = plain_readings(guitar.model, rng, u)
        truth = truth_of(guitar.model)
        ways = [("closed form", closed(readings)), ("fit", fitted(readings, guitar.model, wave=rich))]
        ways += [] if rich else [("fit, wave supposed", fitted(readings, guitar.model, wave=True))]
        for way, found in ways:
            for name, true in truth.items():
                if name in found:
                    value, error = found[name]
                    rows.setdefault((name, way), []).append((value / true - 1, error / value))
    for (name, way), values in sorted(rows.items()):
        line(f"{name}, {way}", *zip(*values, strict=True), n)


def ten_on_sixty(n):
    print("\nOne mode, 10 g on 60 g, 0.3 % error a frequency (back held and hole plugged, nothing else moves)")
    rng, errors, stated = np.random.default_rng(7), [], []
    for _ in range(n):
        f = 180 / np.sqrt([1, 7 / 6]) * (1 + 0.003 * rng.standard_normal(2))
        found = effective_mass([0, 0.010], f, frequency_u_hz=0.003 * f)
        errors.append(found.mass_kg / 0.060 - 1)
        stated.append(found.mass_u_kg / found.mass_kg)
    line("effective mass, one mass", errors, stated, n)
    errors, stated = [], []
    for _ in range(n):
        f = 180 / np.sqrt([1, 7 / 6, 8 / 6]) * (1 + 0.003 * rng.standard_normal(3))
        found = effective_mass([0, 0.010, 0.020], f, frequency_u_hz=0.003 * f)
        errors.append(found.mass_kg / 0.060 - 1)
        stated.append(found.mass_u_kg / found.mass_kg)
    line("effective mass, 10 and 20 g", errors, stated, n)


def unseen(n, u):
    print(f"\nA change that was not fitted, rich guitars, {100 * u:.1f} % error a frequency; the plate modes in order")
    rng = np.random.default_rng(303)
    pairs = []
    for _ in range(n):
        guitar = rich_guitar(rng)
        readings = [noisy(guitar.named(**c), c, rng, u) for c in CONDITIONS]
        known = {
            "volume_m3": (guitar.model.volume_m3, 0.03),
            "hole_radius_m": (guitar.model.hole_radius_m, 0.01),
        }
        pairs.append((guitar, fit_body(readings, known=known)))
    for words, change in CHANGES.items():
        rows = []
        for guitar, fit in pairs:
            try:
                told = what_if(fit, Change(**change))
            except LuthkitError:
                continue
            true, now = (np.sort(list(guitar.named(**what).values())) for what in (change, {}))
            heard = np.isfinite(told.after_hz) & (true < 300)
            error, stated = told.after_hz / true - 1, told.after_u_hz / told.after_hz
            shift = (1 + told.shift) / (true / now) - 1
            rows += list(zip(error[heard], stated[heard], shift[heard], (true / now - 1)[heard], strict=True))
        error, stated, shift, true = np.array(rows).T
        print(
            f"  {words:24s} within 1 %: {100 * np.mean(np.abs(error) < 0.01):5.1f} %  median |error| "
            f"{100 * np.median(np.abs(error)):.2f} %  95th percentile {100 * np.percentile(np.abs(error), 95):.2f} %  "
            f"no change assumed: {100 * np.percentile(np.abs(true), 95):5.2f} %  "
            f"shift alone: {100 * np.percentile(np.abs(shift), 95):.2f} %  "
            f"in 95 %: {100 * np.mean(np.abs(error) < 1.96 * stated):3.0f} %  ({len(error)} modes)"
        )


def from_sound(n):
    print(
        f"\nFrom sound: {n} plain guitars, 8 taps a condition in 2 placements, room 0.35 s and 15 dB, hum, noise -40 dB"
    )
    rng, rows, left = np.random.default_rng(505), {}, 0
    bench = simulate.Bench(n_taps=8, n_placements=2, sample_rate_hz=16000, t60_s=0.35, direct_to_reverberant_db=15.0)
    for _ in range(n):
        guitar = random_guitar(rng)

        def read(condition="", grams=0.0, guitar=guitar):
            body = guitar.body(condition, added_mass_g=grams)
            return read_modes(simulate.tap_set(rng, body, bench)), body

        modeset, body = read()
        hand = {label: float(f) for label, f in zip(body.labels, body.frequency_hz, strict=True) if label in NAMES}
        conditions = [
            Reading("soundhole plugged", read("soundhole plugged")[0]),
            Reading("mass at bridge", read("mass at bridge", 10.0)[0], 10.0),
        ]
        known = {"volume_m3": (guitar.model.volume_m3, 0.03), "hole_radius_m": (guitar.model.hole_radius_m, 0.01)}
        try:
            fit = fit_conditions(reading_by_hand(modeset, hand), modeset, conditions, known=known)
        except LuthkitError:
            left += 1
            continue
        rows.setdefault("all conditions followed", []).append(
            (float(sum(len(r.frequency_hz) for r in fit.readings) == 8), 1.0)
        )
        for name, true in truth_of(guitar.model).items():
            number = fit.numbers[name]
            rows.setdefault(name, []).append((number.value / true - 1, number.u / number.value))
    followed = [each for each, _ in rows.pop("all conditions followed")]
    print(f"  every mode of every condition found: {sum(followed):.0f} of {n}; a low mode not read as it is: {left}")
    for name, values in rows.items():
        line(f"{name}, fit", *zip(*values, strict=True), n)


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--guitars", type=int, default=300)
    parser.add_argument("--sound", type=int, default=20)
    options = parser.parse_args()
    ten_on_sixty(options.guitars)
    for u in (0.003, 0.001):
        parts(options.guitars, u, rich=False)
        parts(options.guitars, u, rich=True)
        unseen(options.guitars, u)
    from_sound(options.sound)


if __name__ == "__main__":
    main()
