"""An invented guitar of the model, and what taps of it would say."""

from dataclasses import replace

import numpy as np

from luthkit.guitar.air_top_back import BodyModel
from luthkit.guitar.body_fit import AIR, BACK, NAMES, BodyReading

PLAIN = BodyModel(
    top_mass_kg=0.06,
    top_stiffness_n_m=7e4,
    top_area_m2=0.042,
    back_mass_kg=0.17,
    back_stiffness_n_m=2.95e5,
    back_area_m2=0.030,
    volume_m3=0.0175,
    hole_radius_m=0.050,
    hole_length_m=0.0855,
    top_q=1e9,
    air_q=1e9,
    back_q=1e9,
)


def reading(body, rng=None, *, u=1e-4, added_mass_kg=0.0, **condition):
    """What taps of a `BodyModel` would say, with relative errors `u` (Qs: 5 %)."""
    body = replace(body, top_mass_kg=body.top_mass_kg + added_mass_kg, top_q=25.0, air_q=35.0, back_q=30.0)
    modes = body.modes(**condition)
    gone = [AIR] * condition.get("soundhole_plugged", False) + [BACK] * condition.get("back_blocked", False)
    names = [name for name in NAMES if name not in gone]
    hz, q = np.array(modes.frequency_hz), np.array(modes.q_factor)
    if rng is not None:
        hz, q = hz * (1 + u * rng.standard_normal(len(hz))), q * (1 + 0.05 * rng.standard_normal(len(q)))
    errors = [dict(zip(names, share * values, strict=True)) for share, values in ((u, hz), (0.05, q))]
    hz, q = (dict(zip(names, map(float, values), strict=True)) for values in (hz, q))
    return BodyReading(hz, errors[0], q, errors[1], added_mass_kg=added_mass_kg, **condition)


def without_wave(fit):
    """A fit of a guitar that has three pistons and no standing wave in its box."""
    return replace(fit, wave_log=0 * fit.wave_log)


def readings_of(body, rng=None, **options):
    conditions = ({}, {"soundhole_plugged": True}, {"back_blocked": True}, {"added_mass_kg": 0.010})
    return [reading(body, rng, **options, **condition) for condition in conditions]
