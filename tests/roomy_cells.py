"""Cells in a room, drawn from definitions in time: three decaying sinusoids, Gaussian tails by convolution."""

import numpy as np

from luthkit import simulate
from luthkit.signal.cells import Cell
from luthkit.signal.heard import DECAY_PER_S, FIRST_REFLECTION_S, WIDE_BLOCK, hear
from luthkit.signal.room import Mains, Room

RATE, N, START_S = 2400.0, 1440, 0.003
ROOM = Room(t60_s=0.3, reverberant_to_direct=0.1)
STILL = Mains(50.0, 0)
HISS, TOP_HZ = 2e-3, 700.0
POLES = simulate.pole([98.0, 203.0, 391.0], [0.02, 0.015, 0.02])
AMPLITUDES = np.array([1.0, 0.5j, -0.4 + 0.2j])


def one_tap(samples, lead=(), before=(), *, position="", placement=""):
    """A cell of one tap, recorded as it is."""
    filter_, taps = np.ones(1), np.asarray(samples)[None]
    before = np.reshape(before, (1, -1))
    return Cell(
        position, placement, 0, RATE, START_S, taps, np.ones(1), before, np.asarray(lead, float), 48000, filter_
    )


def ringing(n=N):
    return (np.exp(np.outer(START_S + np.arange(n) / RATE, POLES)) @ AMPLITUDES).real


def tails(rng, n_runs: int, n: int):
    """Gaussian tails from their definition: variance falls 60 dB in T60, energy 0.1, from the first reflection on."""
    t = np.arange(n) / RATE
    weight = np.exp(-6 * np.log(10) * t / ROOM.t60_s) * (np.arange(n) >= round(FIRST_REFLECTION_S * RATE))
    return rng.standard_normal((n_runs, n)) * np.sqrt(ROOM.reverberant_to_direct * weight / weight.sum())


def in_a_room(rng, n_cells=2, share=1.0):
    """Cells of one sound, each with a tail and a hiss of its own, heard up to `TOP_HZ`."""
    sound = ringing()
    late = [np.convolve(sound, tail)[:N] for tail in tails(rng, n_cells, N)]
    cells = [one_tap(sound + each + HISS * rng.standard_normal(N)) for each in late]
    return [hear(cell, HISS, STILL, TOP_HZ, share, WIDE_BLOCK) for cell in cells]


def transformed(heard, samples, n_lead: int = 0):
    """Spectra (n_blocks, m, k) of samples (n, k): X(omega) = sum over t of x(t) exp(-alpha t) exp(-i omega t), written
    out, the first `n_lead` before the decaying sinusoids begin."""
    time = START_S + np.arange(-n_lead, len(samples) - n_lead) / RATE
    return np.exp(-1j * heard.omega[..., None] * time - DECAY_PER_S * time) @ samples
