"""A physical guitar and room: made sound whose truth is known, for tests, benchmarks and the sample audio.

A guitar is a sum of damped modes. The lowest three come from three coupled oscillators (top, air in the
soundhole, back: Christensen and Vistisen 1980, Christensen 1984; Fletcher and Rossing, The Physics of Musical
Instruments, ch. 9), the others (dipoles, first cavity mode, many higher modes) are added with their own shapes.
A tap is a short force pulse; the microphone hears the radiated sound, the room's reverberation, mains hum and
hiss. Everything drawn at random comes from the `numpy.random.Generator` handed in.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.signal import butter, fftconvolve, sosfilt

from ._frozen import frozen_array
from .errors import LuthkitError
from .signal.taps import Tap, TapSet

AIR_DENSITY_KG_M3 = 1.205
SPEED_OF_SOUND_M_S = 343.2
POSITIONS = ("bridge centre", "bass wing", "treble wing", "back", "rim")


@dataclass(frozen=True, eq=False)
class Body:
    """Damped modes of a guitar, as a microphone hears them.

    `poles` (n_modes,) complex in rad/s with positive imaginary part; `residues` (n_modes, n_positions) complex:
    sound pressure at the microphone after a unit impulse at a position is Re sum residue exp(pole t).
    """

    poles: np.ndarray
    residues: np.ndarray
    positions: tuple[str, ...] = POSITIONS[:1]
    labels: tuple[str, ...] = ()

    def __post_init__(self):
        order = np.argsort(np.abs(self.poles))
        labels = self.labels or ("",) * len(order)
        object.__setattr__(self, "poles", frozen_array(np.asarray(self.poles)[order], dtype=complex, ndim=1))
        object.__setattr__(
            self, "residues", frozen_array(np.asarray(self.residues)[order], dtype=complex, ndim=2)
        )
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

    def modes(self) -> tuple[np.ndarray, np.ndarray]:
        """Poles (3,) and residues (3, 2) of the volume acceleration for an impulse on the top and on the back."""
        mass, damping, stiffness = self.matrices()
        inverse = np.linalg.inv(mass)
        state = np.block([[np.zeros((3, 3)), np.eye(3)], [-inverse @ stiffness, -inverse @ damping]])
        poles, vectors = np.linalg.eig(state)
        left = np.linalg.inv(vectors)
        areas = np.array([self.top_area_m2, np.pi * self.hole_radius_m**2, self.back_area_m2])
        keep = np.flatnonzero(poles.imag > 0)
        keep = keep[np.argsort(np.abs(poles[keep]))]
        out = areas @ vectors[:3, keep] * poles[keep] ** 2
        push = left[keep][:, 3:] @ inverse[:, [0, 2]]
        return poles[keep], 2 * out[:, None] * push


def guitar(
    rng: np.random.Generator, model: AirTopBack | None = None, *, top_share: float = 1.0, n_higher: int = 34
) -> Body:
    """A whole guitar struck at every position of `POSITIONS`: three coupled modes, dipoles, cavity, many higher.

    `top_share` scales the frequencies of the plate modes above the lowest three (a stiffer or lighter top).
    Shapes at the bridge wings, the back and the rim are invented, of plausible size.
    """
    model = model or AirTopBack()
    poles, low = model.modes()
    top, back = low[:, 0], low[:, 1]
    #        bridge  bass wing     treble wing   back   rim
    shapes = np.stack([top, 0.72 * top, 0.70 * top, back, 0.12 * top], axis=1)
    scale = np.abs(top).max() / 0.9
    poles, shapes = list(poles), list(shapes)
    labels = ["air", "main top", "main back"]
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
    for _ in range(n_higher):
        s = pole(frequency, 0.5 / rng.uniform(30, 60))
        pattern = rng.uniform(-1, 1, 5) + np.array([0.5, 0.2, 0.2, 0, 0])
        poles.append(s)
        shapes.append(rng.uniform(0.3, 1.0) * scale * pattern * np.exp(1j * rng.uniform(0, 2 * np.pi)))
        labels.append("")
        frequency += rng.uniform(0.7, 1.5) * 62 * (frequency / 455) ** 0.35
    return Body(np.array(poles), np.array(shapes), POSITIONS, tuple(labels))


def random_body(
    rng: np.random.Generator, *, n_modes: int = 16, range_hz=(80.0, 1000.0), weakest_db: float = -20.0
) -> Body:
    """Random modes for benchmarks: `n_modes` spread over `range_hz`, Q 15 to 60, peaks down to `weakest_db`.

    Neighbours are at least about 4 % apart; many more modes follow above the range, up to 5 kHz.
    """
    low, high = range_hz
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


def force_pulse(duration_s: float, sample_rate_hz: float, delay_s: float = 0.0) -> np.ndarray:
    """A raised-cosine pulse of unit area that starts at `delay_s`, shape (n_samples,)."""
    t = np.arange(int(np.ceil((duration_s + delay_s) * sample_rate_hz)) + 1) / sample_rate_hz - delay_s
    shape = np.where((t > 0) & (t < duration_s), 1 - np.cos(2 * np.pi * t / duration_s), 0.0)
    return shape / shape.sum()


def room_response(
    rng: np.random.Generator,
    sample_rate_hz: float,
    *,
    t60_s: float = 0.4,
    direct_to_reverberant_db: float = 10.0,
    delay_s: float = 0.004,
) -> np.ndarray:
    """Impulse response of a room: the direct sound, then from `delay_s` on a decaying Gaussian tail.

    `direct_to_reverberant_db` is the ratio of their energies; `delay_s` the detour of the first reflection.
    """
    t = np.arange(round(1.3 * t60_s * sample_rate_hz)) / sample_rate_hz
    tail = rng.standard_normal(len(t)) * np.exp(-3 * np.log(10) * t / t60_s) * (t >= delay_s)
    tail *= np.sqrt(10 ** (-direct_to_reverberant_db / 10) / np.sum(tail**2))
    tail[0] = 1.0
    return tail


def mains_hum(rng: np.random.Generator, n_samples: int, sample_rate_hz: float, mains_hz: float) -> np.ndarray:
    """Mains hum of unit root mean square: fundamental, harmonics to the 12th with random phases, shape (n,)."""
    t = np.arange(n_samples) / sample_rate_hz
    actual = mains_hz * (1 + 2e-4 * rng.standard_normal())
    hum = np.zeros(n_samples)
    for k in range(1, 13):
        strength = rng.uniform(0.2, 1.0) / k**0.7
        hum += strength * np.cos(2 * np.pi * k * actual * t + rng.uniform(0, 2 * np.pi))
    return hum / np.sqrt(np.mean(hum**2))


def in_band_rms(samples, sample_rate_hz, band_hz=(60.0, 1000.0)) -> float:
    """Root mean square of `samples` (n,) between two frequencies (4th-order Butterworth band)."""
    sos = butter(4, band_hz, "bandpass", fs=sample_rate_hz, output="sos")
    return float(np.sqrt(np.mean(sosfilt(sos, samples) ** 2)))


@dataclass(frozen=True)
class Bench:
    """How the taps of a session are made and recorded."""

    n_taps: int = 8
    n_placements: int = 1
    sample_rate_hz: int = 48000
    length_s: float = 1.2
    pre_s: float = 0.1
    pulse_s: tuple[float, float] = (0.5e-3, 1.2e-3)
    level_spread_db: float = 6.0  # taps differ by up to this, either way
    snr_db: float = 40.0  # first 0.25 s of a middling tap over the noise, both 60 to 1000 Hz
    hum_db: float | None = -35.0  # hum under the same stretch of the tap; None: no hum
    mains_hz: float = 50.0
    t60_s: float | None = None  # None: no room
    direct_to_reverberant_db: float = 10.0


def tap_sounds(
    rng: np.random.Generator, body: Body, bench: Bench, *, position: int = 0
) -> list[tuple[np.ndarray, float, int]]:
    """Taps at one position: a list of (samples (n,), onset in seconds, number of the placement).

    Taps are dealt evenly over the placements; each placement has its own room response and each tap its own
    pulse, level, hum phase and hiss. A middling tap peaks near 0.2 of full scale.
    """
    if bench.n_taps < 1 or bench.n_placements < 1:
        raise LuthkitError(f"a bench needs at least one tap and one placement, not {bench}")
    rate = bench.sample_rate_hz
    dry = body.impulse_response(bench.length_s, rate, position)
    rooms = [
        room_response(
            rng, rate, t60_s=bench.t60_s, direct_to_reverberant_db=bench.direct_to_reverberant_db
        )
        if bench.t60_s
        else np.ones(1)
        for _ in range(bench.n_placements)
    ]
    wet = [fftconvolve(dry, room)[: len(dry)] for room in rooms]
    gain = 0.2 / np.abs(fftconvolve(dry, force_pulse(np.mean(bench.pulse_s), rate))).max()
    middling = gain * fftconvolve(dry, force_pulse(np.mean(bench.pulse_s), rate))[: round(0.25 * rate)]
    reference = in_band_rms(middling, rate)
    bandwidth = np.sqrt((rate / 2) / (1000 - 60))
    n_pre = round(bench.pre_s * rate)
    sounds = []
    for k in range(bench.n_taps):
        placement = k * bench.n_placements // bench.n_taps
        delay = rng.uniform(0, 1) / rate
        strike = gain * 10 ** (rng.uniform(-1, 1) * bench.level_spread_db / 20)
        pulse = force_pulse(rng.uniform(*bench.pulse_s), rate, delay)
        samples = np.zeros(n_pre + len(dry))
        samples[n_pre:] = strike * fftconvolve(wet[placement], pulse)[: len(dry)]
        samples += reference * 10 ** (-bench.snr_db / 20) * bandwidth * rng.standard_normal(len(samples))
        if bench.hum_db is not None:
            hum = mains_hum(rng, len(samples), rate, bench.mains_hz)
            samples += reference * 10 ** (bench.hum_db / 20) * hum
        sounds.append((samples, (n_pre + delay) / rate, placement))
    return sounds


def tap_set(rng: np.random.Generator, body: Body, bench: Bench, *, position: int = 0) -> TapSet:
    """Taps as a `TapSet` with the true onsets, for tests that leave the search for onsets out."""
    name = body.positions[position] if position < len(body.positions) else ""
    taps = tuple(
        Tap(
            samples=frozen_array(samples[:, None]),
            sample_rate_hz=bench.sample_rate_hz,
            onset_s=onset,
            time_s=onset,
            source=f"synthetic {k}",
            position=name,
            placement=str(placement),
            snr_db=bench.snr_db,
        )
        for k, (samples, onset, placement) in enumerate(tap_sounds(rng, body, bench, position=position))
    )
    return TapSet(taps=taps, rejected=(), sources={}, parameters={})


def join_tap_sets(tap_sets: Sequence[TapSet]) -> TapSet:
    """One `TapSet` of several positions."""
    return replace(tap_sets[0], taps=tuple(tap for s in tap_sets for tap in s.taps))
