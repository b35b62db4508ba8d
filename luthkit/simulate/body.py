"""A guitar's body as a sum of damped modes.

The lowest three come from three coupled oscillators (top, air in the soundhole, back: Christensen and
Vistisen 1980, Christensen 1984; Fletcher and Rossing, The Physics of Musical Instruments, ch. 9); the others
(dipoles, first cavity mode, many higher modes) are added with shapes of their own.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .._frozen import frozen_array

AIR_DENSITY_KG_M3 = 1.205
SPEED_OF_SOUND_M_S = 343.2
POSITIONS = ("bridge centre", "bass wing", "treble wing", "back", "rim")


@dataclass(frozen=True, eq=False)
class Body:
    """Damped modes of a guitar, as a microphone hears them.

    `poles` (n_modes,) complex in rad/s with positive imaginary part; `residues` (n_modes, n_positions)
    complex: sound pressure at the microphone after a unit impulse at a position is
    Re sum residue exp(pole t).
    """

    poles: np.ndarray
    residues: np.ndarray
    positions: tuple[str, ...] = POSITIONS[:1]
    labels: tuple[str, ...] = ()

    def __post_init__(self):
        order = np.argsort(np.abs(self.poles))
        labels = self.labels or ("",) * len(order)
        object.__setattr__(self, "poles", frozen_array(np.asarray(self.poles)[order], dtype=complex, ndim=1))
        object.__setattr__(self, "residues", frozen_array(np.asarray(self.residues)[order], dtype=complex, ndim=2))
        object.__setattr__(self, "labels", tuple(labels[i] for i in order))

    @property
    def frequency_hz(self) -> np.ndarray:
        """Undamped natural frequencies |s| / 2 pi."""
        return np.abs(self.poles) / (2 * np.pi)

    @property
    def damping_ratio(self) -> np.ndarray:
        """Damping ratios -Re s / |s|."""
        return -self.poles.real / np.abs(self.poles)

    def level_db(self, position: int = 0) -> np.ndarray:
        """Height of each mode's own peak in the spectrum of an impulse, 0 dB = the strongest."""
        height = np.abs(self.residues[:, position]) / -self.poles.real
        return 20 * np.log10(height / height.max())

    def impulse_response(self, length_s: float, sample_rate_hz: float, position: int = 0) -> np.ndarray:
        """Pressure after a unit impulse at t = 0, shape (n_samples,)."""
        n_samples = round(length_s * sample_rate_hz)
        audible = self.frequency_hz < 0.45 * sample_rate_hz
        response = np.zeros(n_samples)
        block = int(min(n_samples, 4096))
        inner = np.exp(np.outer(self.poles[audible], np.arange(block)) / sample_rate_hz)
        step = np.exp(self.poles[audible] * block / sample_rate_hz)
        state = self.residues[audible, position].copy()
        for start in range(0, n_samples, block):
            stop = min(start + block, n_samples)
            response[start:stop] = (state @ inner[:, : stop - start]).real
            state = state * step
        return response


def pole(frequency_hz, damping_ratio):
    """Pole s = 2 pi f (-zeta + i sqrt(1 - zeta^2)) in rad/s."""
    zeta = np.asarray(damping_ratio, float)
    return 2 * np.pi * np.asarray(frequency_hz, float) * (-zeta + 1j * np.sqrt(1 - zeta**2))


@dataclass(frozen=True)
class AirTopBack:
    """Three coupled oscillators: main top (p), air plug in the hole (a), main back (b), SI units.

    K = diag(k_p, 0, k_b) + mu a a', a = (A_p, S, A_b), mu = rho c^2 / V; M = diag(m_p, m_a, m_b); R = diag.
    """

    top_mass_kg: float = 0.060
    top_stiffness_n_m: float = 7.0e4
    top_area_m2: float = 0.042
    back_mass_kg: float = 0.170
    back_stiffness_n_m: float = 2.95e5
    back_area_m2: float = 0.030
    hole_radius_m: float = 0.050
    hole_length_m: float = 0.0855  # effective length of the air plug, end corrections included
    volume_m3: float = 0.0175
    top_q: float = 28.0
    air_q: float = 30.0
    back_q: float = 32.0

    def matrices(self) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Mass, damping and stiffness matrices, each (3, 3), in the order top, air, back."""
        hole_area = np.pi * self.hole_radius_m**2
        areas = np.array([self.top_area_m2, hole_area, self.back_area_m2])
        mu = AIR_DENSITY_KG_M3 * SPEED_OF_SOUND_M_S**2 / self.volume_m3
        air_mass = AIR_DENSITY_KG_M3 * hole_area * self.hole_length_m
        mass = np.diag([self.top_mass_kg, air_mass, self.back_mass_kg])
        stiffness = np.diag([self.top_stiffness_n_m, 0.0, self.back_stiffness_n_m])
        stiffness = stiffness + mu * np.outer(areas, areas)
        quality = np.array([self.top_q, self.air_q, self.back_q])
        damping = np.diag(np.sqrt(np.diag(stiffness) * np.diag(mass)) / quality)
        return mass, damping, stiffness

    def modes(self, *, plugged: bool = False, back_blocked: bool = False) -> tuple[np.ndarray, np.ndarray]:
        """Poles (n,) and residues (n, 2) of the volume acceleration after an impulse on top and on back.

        n is 3, less one for an airtight plug in the hole and one for a back that is held still.
        """
        poles, shapes, push = self._solve(plugged, back_blocked)
        areas = np.array([self.top_area_m2, np.pi * self.hole_radius_m**2, self.back_area_m2])
        return poles, 2 * (areas @ shapes * poles**2)[:, None] * push

    def top_share(self, *, plugged: bool = False, back_blocked: bool = False) -> np.ndarray:
        """Of what moves of top and back in each mode, the top's part of the kinetic energy, (n,), 0 to 1."""
        poles, shapes, _ = self._solve(plugged, back_blocked)
        energy = np.array([self.top_mass_kg, self.back_mass_kg])[:, None] * np.abs(shapes[[0, 2]] * poles) ** 2
        return energy[0] / energy.sum(axis=0)

    def _solve(self, plugged: bool, back_blocked: bool):
        """Poles (n,), displacements (3, n) of top, air and back, and (n, 2) what a push on top or back stirs."""
        free = [0, *([] if plugged else [1]), *([] if back_blocked else [2])]
        mass, damping, stiffness = (matrix[np.ix_(free, free)] for matrix in self.matrices())
        n = len(free)
        inverse = np.linalg.inv(mass)
        state = np.block([[np.zeros((n, n)), np.eye(n)], [-inverse @ stiffness, -inverse @ damping]])
        poles, vectors = np.linalg.eig(state)
        left = np.linalg.inv(vectors)
        keep = np.flatnonzero(poles.imag > 0)
        keep = keep[np.argsort(np.abs(poles[keep]))]
        shapes, push = np.zeros((3, len(keep)), complex), np.zeros((len(keep), 3), complex)
        shapes[free] = vectors[:n, keep]
        push[:, free] = left[keep][:, n:] @ inverse
        return poles[keep], shapes, push[:, [0, 2]]


SHARES = (0.72, 0.70, 0.12, 1.0)  # bass wing, treble wing and rim against the bridge's centre; the back's radiation


def coupled_modes(model: AirTopBack, *, shares=SHARES, plugged: bool = False, back_blocked: bool = False):
    """Poles (n,), residues (n, n_positions) after a blow at each of `POSITIONS`, and names of the coupled modes.

    The lowest is called air; of the other two, main top is the one in which more of the plates' energy is in the top.
    """
    poles, low = model.modes(plugged=plugged, back_blocked=back_blocked)
    energy = model.top_share(plugged=plugged, back_blocked=back_blocked)
    labels = ["main back"] * len(poles)
    labels[max(range(0 if plugged else 1, len(poles)), key=lambda k: energy[k])] = "main top"
    if not plugged:
        labels[0] = "air"
    top, back = low[:, 0], low[:, 1]
    bass, treble, rim, other_side = shares
    return poles, np.stack([top, bass * top, treble * top, other_side * back, rim * top], axis=1), labels


def guitar(rng: np.random.Generator, model: AirTopBack | None = None, *, top_share: float = 1.0) -> Body:
    """A guitar struck at every position of `POSITIONS`: three coupled modes, dipoles, cavity, many higher.

    `top_share` scales the frequencies of the plate modes above the lowest three (a stiffer or lighter top).
    Shapes at the bridge wings, the back and the rim are invented, of plausible size.
    """
    poles, shapes, labels = coupled_modes(model or AirTopBack())
    scale = np.abs(shapes[:, 0]).max() / 0.9
    poles, shapes = list(poles), list(shapes)
    named = [
        # label, frequency, Q, pattern over the positions, strength
        ("cross dipole", 285 * top_share, 42, (0.10, 1.0, -0.9, 0.05, 0.2), 0.30),
        ("long dipole", 372 * top_share, 40, (0.45, 0.40, 0.42, 0.08, 0.2), 0.55),
        ("first cavity", 402, 45, (0.25, 0.22, 0.22, 0.35, 0.1), 0.40),
    ]
    for label, frequency, quality, pattern, strength in named:
        s = pole(frequency * (1 + 0.01 * rng.standard_normal()), 0.5 / (quality * rng.uniform(0.9, 1.1)))
        poles.append(s)
        shapes.append(strength * scale * np.array(pattern) * np.exp(1j * rng.uniform(-0.4, 0.4)))
        labels.append(label)
    frequency = 455.0 * top_share
    for _ in range(34):
        s = pole(frequency, 0.5 / rng.uniform(30, 60))
        pattern = rng.uniform(-1, 1, 5) + np.array([0.5, 0.2, 0.2, 0, 0])
        poles.append(s)
        shapes.append(rng.uniform(0.3, 1.0) * scale * pattern * np.exp(1j * rng.uniform(0, 2 * np.pi)))
        labels.append("")
        frequency += rng.uniform(0.7, 1.5) * 62 * (frequency / 455) ** 0.35
    return Body(np.array(poles), np.array(shapes), POSITIONS, tuple(labels))


def random_body(rng: np.random.Generator, *, n_modes: int = 16, weakest_db: float = -20.0) -> Body:
    """Random modes for benchmarks: `n_modes` from 80 to 1000 Hz, Q 15 to 60, peaks down to `weakest_db`.

    Neighbours are at least about 4 % apart; many more modes follow above, up to 5 kHz.
    """
    low, high = 80.0, 1000.0
    cell = np.log(high / low) / n_modes
    inside = low * np.exp(cell * (np.arange(n_modes) + 0.5 + rng.uniform(-0.35, 0.35, n_modes)))
    above, frequency = [], high * 1.03
    while frequency < 5000:
        above.append(frequency)
        frequency += rng.uniform(40, 120)
    frequency = np.concatenate([inside, above])
    poles = pole(frequency, 0.5 / rng.uniform(15, 60, len(frequency)))
    level_db = rng.uniform(weakest_db, 0, len(frequency))
    level_db[rng.integers(n_modes)] = 0.0
    residues = 10 ** (level_db / 20) * -poles.real * np.exp(1j * rng.uniform(0, 2 * np.pi, len(frequency)))
    return Body(poles, residues[:, None])
