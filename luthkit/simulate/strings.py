"""Plucked strings: stiff, moving up and down and across, each partial with its own decay, driving a body."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.signal import butter, fftconvolve, sosfilt

from .body import Body


@dataclass(frozen=True)
class String:
    """A stiff string between hinged ends, open or stopped at a fret.

    The core bears the tension and the stiffness; windings only add mass. Decay rates are for a partial that
    moves up and down, as exp(-rate t): `steady_loss_per_s` + `loss_per_s_khz` f + `loss_per_s_khz2` f^2,
    f in kHz. A string that moves across, along the top, drives the bridge `across_share` as much, loses
    `across_loss` as much, and sounds higher by the fraction `across_sharp`: so a note beats and dies away
    with two slopes. These figures are invented, of plausible size.
    """

    name: str
    frequency_hz: float  # f0, of the same string without stiffness
    core_diameter_m: float
    linear_density_kg_m: float
    length_m: float = 0.648
    youngs_modulus_pa: float = 200e9  # steel
    steady_loss_per_s: float = 0.6
    loss_per_s_khz: float = 1.2
    loss_per_s_khz2: float = 0.15
    across_share: float = 0.15
    across_loss: float = 0.45
    across_sharp: float = 0.0006

    @property
    def tension_n(self) -> float:
        """Tension T = mu (2 L f0)^2 in N."""
        return self.linear_density_kg_m * (2 * self.length_m * self.frequency_hz) ** 2

    @property
    def inharmonicity(self) -> float:
        """B = pi^3 E d^4 / (64 T L^2), d the diameter of the core (Fletcher, JASA 36, 1964, from memory)."""
        stiffness = np.pi**3 * self.youngs_modulus_pa * self.core_diameter_m**4
        return stiffness / (64 * self.tension_n * self.length_m**2)

    def stopped(self, fret: int) -> String:
        """The same string stopped at a fret, in equal temperament; the tension stays."""
        shorter = 2 ** (-fret / 12)
        return replace(self, frequency_hz=self.frequency_hz / shorter, length_m=self.length_m * shorter)

    def partials_hz(self, highest_hz: float = 10_000.0) -> np.ndarray:
        """Partials f_n = n f0 sqrt(1 + B n^2) of the up and down motion, shape (n_partials,)."""
        n = np.arange(1, int(highest_hz / self.frequency_hz) + 1)
        return n * self.frequency_hz * np.sqrt(1 + self.inharmonicity * n**2)

    def decay_rates_per_s(self, frequency_hz) -> np.ndarray:
        """Decay rates of up and down motion at these frequencies."""
        khz = np.asarray(frequency_hz) / 1000
        return self.steady_loss_per_s + self.loss_per_s_khz * khz + self.loss_per_s_khz2 * khz**2

    def pull(self, *, place: float = 0.2, angle_deg: float = 40.0, displacement_m: float = 1e-3) -> Body:
        """Force on the bridge in N after an ideal pluck, as a sum of damped partials; residues (2 n, 1).

        Plucked at the fraction `place` of the length, `angle_deg` off the line that stands upright on the
        top. Partial n starts with 2 T h sin(n pi place) / (pi place (1 - place) n L): it falls as 1 / n.
        """
        up_hz = self.partials_hz()
        n = np.arange(1, len(up_hz) + 1)
        force = 2 * self.tension_n * displacement_m * np.sin(n * np.pi * place)
        force /= np.pi * place * (1 - place) * n * self.length_m
        rate = self.decay_rates_per_s(up_hz)
        across_hz = up_hz * (1 + self.across_sharp)
        poles = np.concatenate([-rate + 2j * np.pi * up_hz, -self.across_loss * rate + 2j * np.pi * across_hz])
        angle = np.deg2rad(angle_deg)
        force = np.concatenate([np.cos(angle) * force, self.across_share * np.sin(angle) * force])
        labels = tuple(f"{k} {way}" for way in ("up", "across") for k in n)
        return Body(poles, force[:, None], ("bridge",), labels)


def pluck_sound(
    body: Body, string: String, *, length_s: float, sample_rate_hz: float, position: int = 0, **pluck
) -> np.ndarray:
    """Sound pressure from the moment a plucked string is let go, (n_samples,); `pluck` as in `String.pull`.

    The string drives the body and does not feel it. Before that moment the finger holds the bridge under a
    steady force; what counts is the change of the force from there on. Nothing below 30 Hz is heard.
    """
    force = string.pull(**pluck).impulse_response(length_s, sample_rate_hz)
    answer = body.impulse_response(1.5, sample_rate_hz, position)
    sound = fftconvolve(force - force[0], answer)[: len(force)] / sample_rate_hz
    return sosfilt(butter(2, 30.0, "highpass", fs=sample_rate_hz, output="sos"), sound)


def strum_sound(
    rng: np.random.Generator,
    body: Body,
    strings: Sequence[String],
    *,
    length_s: float,
    sample_rate_hz: float,
    gap_s: tuple[float, float] = (0.015, 0.030),
    spread_db: float = 2.0,
) -> tuple[np.ndarray, np.ndarray]:
    """(sound (n_samples,), when each string is let go in s): one stroke over the strings as ordered."""
    starts = np.concatenate([[0.0], np.cumsum(rng.uniform(*gap_s, len(strings) - 1))])
    starts = np.round(starts * sample_rate_hz) / sample_rate_hz
    total = np.zeros(round(length_s * sample_rate_hz))
    for string, start in zip(strings, starts, strict=True):
        pluck = {
            "place": rng.uniform(0.18, 0.22),
            "angle_deg": rng.uniform(25, 55),
            "displacement_m": 1e-3 * 10 ** (rng.uniform(-1, 1) * spread_db / 20),
        }
        sound = pluck_sound(body, string, length_s=length_s - start, sample_rate_hz=sample_rate_hz, **pluck)
        first = round(start * sample_rate_hz)
        total[first : first + len(sound)] += sound[: len(total) - first]
    return total, starts
