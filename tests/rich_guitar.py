"""Guitars that the three-oscillator model is too poor for: dipoles and a standing wave in the cavity pull along.

Seven coupled coordinates: top with its main shape, a cross and a long dipole; air in the hole; the first standing
wave of the cavity; back with its main shape and a dipole. A mass at the bridge loads whatever moves there.
Figures beside the main shapes are invented, of plausible size.
"""

from dataclasses import dataclass, field

import numpy as np

from luthkit.simulate.guitars import random_guitar

TOP, CROSS, LONG, AIR, WAVE, BACK, BACK_DIPOLE = range(7)
RHO_C2 = 1.205 * 343.2**2


@dataclass
class RichGuitar:
    """Undamped frequencies of a guitar by name, in any condition and after any change."""

    model: object  # simulate's AirTopBack: main shapes, hole and volume
    plate_hz: dict  # of the dipoles by themselves
    wave_hz: float
    net_area: dict = field(default_factory=dict)  # of the dipoles, as part of the main area
    at_bridge: dict = field(default_factory=dict)
    wave_area: dict = field(default_factory=dict)  # how each surface sits in the standing wave

    def named(self, *, soundhole_plugged=False, back_blocked=False, added_mass_kg=0.0, **factors):
        """Name -> frequency in Hz. `factors` as the fields of `what_if.Change`."""
        model, f = self.model, lambda name: factors.get(name, 1.0)
        radius = model.hole_radius_m * f("hole_radius_factor")
        length = 0.003 + (model.hole_length_m - 0.003) * f("hole_radius_factor")
        volume = model.volume_m3 * f("volume_factor")
        hole = np.pi * radius**2
        stiff, heavy = f("top_stiffness_factor"), f("top_mass_factor")
        mass, stiffness = np.zeros(7), np.zeros(7)
        mass[TOP], stiffness[TOP] = model.top_mass_kg * heavy, model.top_stiffness_n_m * stiff
        mass[BACK] = model.back_mass_kg * f("back_mass_factor")
        stiffness[BACK] = model.back_stiffness_n_m * f("back_stiffness_factor")
        for k, of, share in ((CROSS, TOP, 0.6), (LONG, TOP, 0.7), (BACK_DIPOLE, BACK, 0.7)):
            mass[k] = share * mass[of]
            stiffness[k] = share * (model.top_mass_kg if of == TOP else model.back_mass_kg)
            stiffness[k] *= (2 * np.pi * self.plate_hz[k]) ** 2 * (stiff if of == TOP else f("back_stiffness_factor"))
        mass[AIR] = 1.205 * hole * length
        area = np.zeros(7)
        area[[TOP, AIR, BACK]] = model.top_area_m2, hole, model.back_area_m2
        for k, of in ((CROSS, TOP), (LONG, TOP), (BACK_DIPOLE, BACK)):
            area[k] = self.net_area[k] * area[of]
        wave = np.zeros(7)
        for k, (of, share) in self.wave_area.items():
            wave[k] = share * area[of]
        wave[WAVE] = 0.05
        mass[WAVE] = RHO_C2 / (model.volume_m3 / 2) * wave[WAVE] ** 2 / (2 * np.pi * self.wave_hz) ** 2
        full_mass = np.diag(mass)
        bridge = np.zeros(7)
        bridge[TOP] = 1.0
        for k, share in self.at_bridge.items():
            bridge[k] = share
        full_mass = full_mass + (added_mass_kg + factors.get("bridge_mass_kg", 0.0)) * np.outer(bridge, bridge)
        full = (
            np.diag(stiffness) + RHO_C2 / volume * np.outer(area, area) + RHO_C2 / (volume / 2) * np.outer(wave, wave)
        )
        still = [AIR] * soundhole_plugged + [BACK, BACK_DIPOLE] * back_blocked
        free = [k for k in range(7) if k not in still]
        root = np.linalg.inv(np.linalg.cholesky(full_mass[np.ix_(free, free)]))
        square, shapes = np.linalg.eigh(root @ full[np.ix_(free, free)] @ root.T)
        share = np.zeros((7, len(free)))
        share[free] = shapes**2
        found = np.sqrt(square) / (2 * np.pi)
        low = np.argsort(found)
        names = {}
        if not soundhole_plugged:
            names["air"] = low[0]
            share[:, low[0]] = 0
        if not back_blocked:
            both = [(share[TOP, i] + share[BACK, k], i, k) for i in low for k in low if i != k]
            _, names["main top"], names["main back"] = max(both)
        else:
            names["main top"] = int(np.argmax(share[TOP]))
        return {name: float(found[k]) for name, k in names.items()}


def rich_guitar(rng) -> RichGuitar:
    """One of any body kind."""
    plain = random_guitar(rng)
    own = {mode.label: mode.frequency_hz for mode in plain.own_modes if mode.label}
    return RichGuitar(
        plain.model,
        plate_hz={CROSS: own["cross dipole"], LONG: own["long dipole"], BACK_DIPOLE: rng.uniform(280, 420)},
        wave_hz=own["first cavity mode"],
        net_area={
            CROSS: rng.uniform(-0.04, 0.04),
            LONG: rng.uniform(-0.15, 0.15),
            BACK_DIPOLE: rng.uniform(-0.15, 0.15),
        },
        at_bridge={CROSS: rng.uniform(-0.1, 0.1), LONG: rng.uniform(0.2, 0.5)},
        wave_area={
            TOP: (TOP, rng.uniform(-0.6, -0.3)),
            AIR: (AIR, rng.uniform(0.2, 0.5)),
            BACK: (BACK, rng.uniform(-0.5, -0.2)),
            LONG: (TOP, rng.uniform(-0.4, 0.4)),
            BACK_DIPOLE: (BACK, rng.uniform(-0.4, 0.4)),
        },
    )
