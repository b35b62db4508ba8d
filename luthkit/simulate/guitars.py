"""Random guitars of three body kinds, whose bodies answer to a plugged soundhole, a blocked back or a mass.

Lowest modes by `AirTopBack`; dipoles, cavity mode, whole-body bending, a few strange modes and many higher ones have
shapes of their own. The spread of every figure is invented, as wide as what makers report (from memory), wider
than one shop's guitars, and drawn from flat distributions.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from .body import POSITIONS, SHARES, AirTopBack, Body, coupled_modes, pole

KINDS = ("classical", "small steel-string", "large steel-string")
CONDITIONS = ("", "soundhole plugged", "back blocked", "mass at bridge")
NAMES = ("air", "main top", "main back", "cross dipole", "long dipole", "first cavity mode", "whole-body bending")

_RANGES = {  # of the oscillators on their own, by body kind
    #                       classical         small             large
    "hole_radius_m": ((0.0405, 0.0445), (0.048, 0.0515), (0.048, 0.0515)),
    "volume_m3": ((0.0130, 0.0165), (0.0140, 0.0180), (0.0190, 0.0260)),
    "helmholtz_hz": ((108, 140), (114, 146), (102, 132)),
    "top_hz": ((138, 200), (142, 205), (128, 190)),
    "back_hz": ((165, 255), (180, 250), (155, 235)),
    "top_mass_kg": ((0.045, 0.080), (0.055, 0.090), (0.065, 0.110)),
    "top_area_m2": ((0.028, 0.045), (0.030, 0.046), (0.038, 0.058)),
    "back_mass_kg": ((0.120, 0.240), (0.120, 0.240), (0.140, 0.280)),
    "back_area_m2": ((0.018, 0.040), (0.018, 0.040), (0.024, 0.050)),
}
_LOW_HZ = (  # where air, top and back may come to lie, by body kind
    ((84, 114), (155, 230), (180, 282)),
    ((90, 124), (160, 230), (188, 270)),
    ((80, 112), (146, 214), (170, 255)),
)
_PLATE_HZ = {
    "cross dipole": ((212, 340), (250, 398), (222, 368)),
    "long dipole": ((330, 488), (322, 478), (302, 438)),
    "first cavity mode": ((355, 435), (355, 445), (325, 405)),
    "whole-body bending": ((52, 84), (52, 84), (50, 80)),
}


@dataclass(frozen=True, eq=False)
class OwnMode:
    """A mode that no coupled oscillator tells of."""

    label: str
    frequency_hz: float
    q_factor: float
    residues: np.ndarray  # complex, by position
    shifts: tuple[float, float, float]  # of the frequency: hole plugged, back blocked, 10 g at the bridge
    of_the_back: bool = False  # gone when the back is blocked


@dataclass(frozen=True, eq=False)
class RandomGuitar:
    """A guitar that can be struck as it is or in one of `CONDITIONS`."""

    body_kind: str
    model: AirTopBack
    own_modes: tuple[OwnMode, ...]
    shares: np.ndarray  # (4,) of the lowest modes, as `SHARES`

    def body(self, condition: str = "", *, added_mass_g: float = 0.0) -> Body:
        """The modes in one condition, named as by `coupled_modes`."""
        plugged, blocked = condition == "soundhole plugged", condition == "back blocked"
        model = replace(self.model, top_mass_kg=self.model.top_mass_kg + added_mass_g / 1000)
        poles, shapes, labels = coupled_modes(model, shares=self.shares, plugged=plugged, back_blocked=blocked)
        poles, shapes = list(poles), list(shapes)
        for mode in self.own_modes:
            if blocked and mode.of_the_back:
                continue
            moved = (mode.shifts[0] * plugged, mode.shifts[1] * blocked, mode.shifts[2] * added_mass_g / 10)
            poles.append(pole(mode.frequency_hz * (1 + sum(moved)), 0.5 / mode.q_factor))
            shapes.append(mode.residues)
            labels.append(mode.label)
        return Body(np.array(poles), np.array(shapes), POSITIONS, tuple(labels))


def random_guitar(rng: np.random.Generator, body_kind: str | None = None) -> RandomGuitar:
    """A guitar of one of `KINDS` (None: any), drawn anew until its lowest modes lie where such modes may lie."""
    kind = KINDS.index(body_kind) if body_kind else int(rng.integers(len(KINDS)))
    while True:
        model = _random_model(rng, kind)
        frequency = np.abs(model.modes()[0]) / (2 * np.pi)
        top, back = (1, 2) if model.top_share()[1] > model.top_share()[2] else (2, 1)
        if all(low < frequency[k] < high for k, (low, high) in zip((0, top, back), _LOW_HZ[kind], strict=True)):
            break
    scale = np.abs(model.modes()[1][:, 0]).max() / 0.9
    shares = SHARES * np.exp(rng.standard_normal(4) * [0.15, 0.15, 0.6, 0.3])
    return RandomGuitar(KINDS[kind], model, tuple(_own_modes(rng, kind, scale)), shares)


def _random_model(rng, kind: int) -> AirTopBack:
    drawn = {name: rng.uniform(*ranges[kind]) for name, ranges in _RANGES.items()}
    helmholtz, top, back = (2 * np.pi * drawn.pop(name) for name in ("helmholtz_hz", "top_hz", "back_hz"))
    hole = np.pi * drawn["hole_radius_m"] ** 2
    return AirTopBack(
        **drawn,
        hole_length_m=343.2**2 * hole / (drawn["volume_m3"] * helmholtz**2),
        top_stiffness_n_m=drawn["top_mass_kg"] * top**2,
        back_stiffness_n_m=drawn["back_mass_kg"] * back**2,
        top_q=rng.uniform(14, 42),
        air_q=rng.uniform(18, 45),
        back_q=rng.uniform(18, 48),
    )


def _own_modes(rng, kind: int, scale: float):
    """Dipoles, cavity, whole-body bending, strange modes among them, many higher ones."""

    def own(label, frequency_hz, q, pattern, strength, shifts, **rest):
        residues = strength * scale * np.array(pattern) * np.exp(1j * rng.uniform(-0.5, 0.5))
        return OwnMode(label, frequency_hz, q, residues, shifts, **rest)

    hz = {name: rng.uniform(*ranges[kind]) for name, ranges in _PLATE_HZ.items()}
    vary = np.exp(0.3 * rng.standard_normal(8))
    #        bridge, bass wing, treble wing, back, rim
    pattern = (rng.uniform(-0.3, 0.3), 1.0, -0.9 * vary[0], rng.uniform(-0.2, 0.2), rng.uniform(-0.3, 0.3))
    shifts = (rng.uniform(-0.004, 0.004), rng.uniform(-0.004, 0.004), -rng.uniform(0, 0.004))
    yield own("cross dipole", hz["cross dipole"], rng.uniform(28, 62), pattern, 0.3 * vary[1], shifts)
    pattern = (0.45, 0.42 * vary[2], 0.42 * vary[2] * rng.uniform(0.8, 1.25), rng.uniform(-0.15, 0.15), 0.1)
    shifts = (rng.uniform(-0.008, 0.004), rng.uniform(-0.006, 0.006), -rng.uniform(0.002, 0.02))
    yield own("long dipole", hz["long dipole"], rng.uniform(24, 62), pattern, 0.55 * vary[3], shifts)
    pattern = (0.25, 0.22 * vary[4], 0.22 * vary[4], 0.35 * vary[5], 0.1)
    shifts = (rng.uniform(-0.015, 0.015), rng.uniform(-0.01, 0.01), -rng.uniform(0, 0.006))
    yield own("first cavity mode", hz["first cavity mode"], rng.uniform(28, 62), pattern, 0.4 * vary[6], shifts)
    if rng.uniform() < 0.7:
        pattern = rng.uniform(0.5, 1.0, 5)
        name, strength = "whole-body bending", rng.uniform(0.005, 0.04) * vary[7]
        yield own(name, hz[name], rng.uniform(25, 80), pattern, strength, (0.0, 0.0, -rng.uniform(0, 0.006)))
    for _ in range(rng.poisson(1.0)):  # a brace, a side, the neck, a second shape of the back
        frequency = np.exp(rng.uniform(np.log(130), np.log(450)))
        pattern, strength = rng.uniform(-1, 1, 5), rng.uniform(0.03, 0.3)
        shifts = (rng.uniform(-0.01, 0.005), rng.uniform(-0.01, 0.01), -rng.uniform(0, 0.02))
        yield own("", frequency, rng.uniform(25, 70), pattern, strength, shifts, of_the_back=rng.uniform() < 0.5)
    frequency = max(hz["long dipole"], hz["first cavity mode"]) + rng.uniform(15, 90)
    while frequency < 2500:
        pattern = rng.uniform(-1, 1, 5) + np.array([0.5, 0.2, 0.2, 0, 0])
        shifts = (rng.uniform(-0.005, 0.005), rng.uniform(-0.005, 0.005), -rng.uniform(0, 0.02))
        yield own("", frequency, rng.uniform(28, 62), pattern, rng.uniform(0.3, 1.0), shifts)
        frequency += rng.uniform(0.7, 1.5) * 62 * (frequency / 455) ** 0.35
