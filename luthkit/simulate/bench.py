"""Taps on a bench: force pulses, the room's answer, mains hum and hiss."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.signal import butter, fftconvolve, sosfilt

from .._frozen import frozen_array
from ..errors import LuthkitError
from ..signal.taps import Tap, TapSet
from .body import Body


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
    """Mains hum of unit root mean square: fundamental and harmonics to the 12th, random phases, (n,)."""
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
        room_response(rng, rate, t60_s=bench.t60_s, direct_to_reverberant_db=bench.direct_to_reverberant_db)
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
