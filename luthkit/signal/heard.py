"""A cell in a room, frequency by frequency: there the room multiplies.

The microphone hears the direct sound and, a little later, that sound run through the room's tail. In the frequency
domain this is a product: Y = S (1 + G) + noise, with S the direct sound and G the transform of the tail. A Gaussian
tail makes G Gaussian, with a covariance that depends on the distance between two frequencies alone, whatever the
sound: the room is the same relative noise everywhere. Before the transform all is weighed with exp(-alpha t), which
makes poles and tail die faster by a known rate and leaves the product a product, as the end is quiet then.

Distant frequencies hardly share their G, so the band is cut into blocks of frequencies that count as independent.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.fft import fft

from .cells import Cell
from .poles import Look
from .room import Mains, Room, hum_lines

LENGTH_S = 0.6  # of a cell that is looked at
DECAY_PER_S = 4.0  # alpha
LOWEST_HZ = 50.0
BLOCK = 98  # frequencies a block: some 160 Hz, against the 5 Hz over which G of a usual room keeps its value
WIDE_BLOCK = 190  # for the last step: slower, and modes beside an edge are read better
FIRST_REFLECTION_S = 0.003  # detour of the first reflection, a metre or so: common practice, no source
MAINS_DRIFT = 3e-4  # of the mains frequency, from one tap to the next: common practice, no source
RECORDED_BLUR_HZ = 5.3


@dataclass(frozen=True, eq=False)
class Heard:
    """One cell's spectrum in blocks of m frequencies.

    `omega`, `spectrum` and `lead` (n_blocks, m): frequencies in rad/s, the transform of what was recorded, and of its
    part before the decaying sinusoids begin, which is taken as it is; `noise` (n_blocks, m, m) the covariance of hiss
    and hum. `share` is what the cell counts for: positions tapped in one placement hear the very same room, so
    together they say no more about it than one of them would.
    """

    omega: np.ndarray
    spectrum: np.ndarray
    lead: np.ndarray
    noise: np.ndarray
    sample_rate_hz: float
    start_s: float
    n: int  # samples after the lead
    share: float

    def waves(self, poles) -> tuple[np.ndarray, ...]:
        """What an amplitude and its conjugate multiply, and the slopes of both by the pole and its conjugate:
        four arrays (n_blocks, m, n_poles)."""
        return *self._transform(poles), *self._transform(np.conj(poles))

    def sound(self, poles, amplitudes) -> np.ndarray:
        """Direct sound S (n_blocks, m)."""
        here, there = (self._transform(each, slopes=False)[0] for each in (poles, np.conj(poles)))
        return self.lead + here @ amplitudes + there @ amplitudes.conj()

    def around(self, poles, amplitudes) -> tuple[np.ndarray, np.ndarray]:
        """Direct sound, and its slopes (n_blocks, m, 4 n_poles) by (Re, Im) of the poles, then of the amplitudes."""
        here, slope, there, back = self.waves(poles)
        slopes = [pair_columns(slope * amplitudes, back * amplitudes.conj()), pair_columns(here, there)]
        return self.lead + here @ amplitudes + there @ amplitudes.conj(), np.concatenate(slopes, axis=-1)

    @cached_property
    def _turns(self) -> list[np.ndarray]:
        """exp(-i omega t) (n_blocks, m, 1) of one sample, of all of them, and of the time before them."""
        times = (1 / self.sample_rate_hz, self.n / self.sample_rate_hz, self.start_s)
        return [np.exp(-1j * self.omega * each)[..., None] for each in times]

    def _transform(self, poles, *, slopes: bool = True) -> tuple[np.ndarray, ...]:
        """Half the sum over samples of exp(x t), x = pole - alpha - i omega, and its slope by the pole."""
        step, n, rates = 1 / self.sample_rate_hz, self.n, np.asarray(poles) - DECAY_PER_S
        turns = zip(self._turns, (step, n * step, self.start_s), strict=True)
        ratio, last, start = (turn * np.exp(rates * time) for turn, time in turns)
        scale = 0.5 * start / (1 - ratio)
        value = scale * (1 - last)
        if not slopes:
            return (value,)
        return value, self.start_s * value + step * (value * ratio / (1 - ratio) - n * (scale * last))

    def tail(self, room: Room) -> np.ndarray:
        """Covariance (m, m) of G, the same in every block: the sum of the tail's power, turned by the distance."""
        rate = self.sample_rate_hz
        keep = np.exp(-2 * room.decay_per_s / rate)
        x = -2 * DECAY_PER_S - 1j * (self.omega[0][:, None] - self.omega[0])
        late = round(FIRST_REFLECTION_S * rate) / rate
        return room.reverberant_to_direct * (1 - keep) * np.exp(x * late) / (1 - keep * np.exp(x / rate))

    def samples(self, weights: np.ndarray) -> np.ndarray:
        """Sum over frequencies of `weights` (n_blocks, m, k) times what each sample after the lead adds: (n, k)."""
        spacing = self.omega[0, 1] - self.omega[0, 0]
        size = round(2 * np.pi * self.sample_rate_hz / spacing)
        spread = np.zeros((size, weights.shape[-1]), complex)
        turned = weights * np.exp(-1j * self.omega * self.start_s)[..., None]
        spread[np.rint(self.omega / spacing).astype(int)] = turned
        time = self.start_s + np.arange(self.n) / self.sample_rate_hz
        return fft(spread, axis=0)[: self.n] * np.exp(-DECAY_PER_S * time)[:, None]


def hear(cell: Cell, hiss: float, mains: Mains, top_hz: float, share: float, block: int = BLOCK) -> Heard:
    """The first `LENGTH_S` of a cell from `LOWEST_HZ` to `top_hz`, in white noise of standard deviation `hiss`, in
    blocks of about so many frequencies."""
    rate, n, n_lead = cell.sample_rate_hz, min(cell.n, round(LENGTH_S * cell.sample_rate_hz)), len(cell.lead)
    size = n_lead + n
    time = cell.start_s + np.arange(-n_lead, n) / rate
    bins = np.arange(np.ceil(LOWEST_HZ * size / rate), np.floor(top_hz * size / rate) + 1, dtype=int)
    n_blocks = max(1, round(len(bins) / block))
    bins = bins[: len(bins) // n_blocks * n_blocks].reshape(n_blocks, -1)
    omega = 2 * np.pi * bins * rate / size
    weight, turn = np.exp(-DECAY_PER_S * time), np.exp(-1j * omega * time[0])

    def transform(samples):
        return fft(samples * weight)[bins] * turn

    recorded = np.concatenate([cell.lead, cell.mean[:n]])
    steps = np.arange(len(cell.filter_)) / cell.source_rate_hz
    passed = np.exp(1j * omega[..., None] * steps) @ cell.filter_ * turn
    apart = (bins[:, :, None] - bins[:, None, :]) % size
    noise = hiss**2 * fft(weight**2)[apart] * passed[:, :, None] * passed[:, None, :].conj()
    if mains.n_lines:
        for k, (line, power) in enumerate(zip(*hum_lines(cell, mains, size), strict=True), start=1):
            drift = 2 * np.pi * k * MAINS_DRIFT * mains.frequency_hz * (time - time.mean())
            for each in (transform(wave) for wave in (line, line.conj(), drift * line, drift * line.conj())):
                noise = noise + 0.5 * power * each[:, :, None] * each[:, None, :].conj()
    before = np.concatenate([cell.lead, np.zeros(n)])
    return Heard(omega, transform(recorded), transform(before), noise, rate, cell.start_s, n, share)


def covariance(heard: Heard, tail: np.ndarray, sound: np.ndarray) -> np.ndarray:
    """Covariance (n_blocks, m, m) of what is heard beside the direct sound."""
    return sound[:, :, None] * tail * sound[:, None, :].conj() + heard.noise


def recorded_covariance(heard: Heard, tail: np.ndarray) -> np.ndarray:
    """The same with the record as a first stand-in for the direct sound, blurred along the frequency: the room's own
    dips would else pass for quiet spots."""
    width = RECORDED_BLUR_HZ * 2 * np.pi / (heard.omega[0, 1] - heard.omega[0, 0])
    reach = int(3 * width)
    weights = np.exp(-0.5 * (np.arange(-reach, reach + 1) / width) ** 2)
    padded = np.pad(heard.spectrum, ((0, 0), (reach, reach)), mode="edge")
    m = heard.omega.shape[1]
    near = np.stack([padded[:, k : k + m] for k in range(2 * reach + 1)])
    power = np.einsum("k,kbi,kbj->bij", weights / weights.sum(), near, near.conj())
    return power * tail + heard.noise


def weighed(heard, covariances):
    """What `refine` asks at given poles: cells in a room with fixed `covariances`, one (n_blocks, m, m) a cell."""
    whiteners = [
        np.sqrt(2 * each.share) * np.linalg.inv(np.linalg.cholesky(c))
        for each, c in zip(heard, covariances, strict=True)
    ]

    def look_at(poles, mains_hz) -> list[Look]:
        return [one(*each, poles) for each in zip(heard, whiteners, strict=True)]

    def one(cell: Heard, whitener, poles) -> Look:
        here, slope, there, back = cell.waves(poles)

        def slopes(amplitudes):
            return stacked(whitener @ pair_columns(slope * amplitudes, back * amplitudes.conj()))

        data = stacked(whitener @ (cell.spectrum - cell.lead)[..., None])[:, 0]
        return Look(stacked(whitener @ pair_columns(here, there)), data, len(poles), slopes)

    return look_at


def pair_columns(here: np.ndarray, there: np.ndarray) -> np.ndarray:
    """What (Re z, Im z) of n unknowns multiply, (..., 2 n), where z multiplies `here` and its conjugate `there`."""
    columns = np.empty((*here.shape[:-1], 2 * here.shape[-1]), complex)
    columns[..., 0::2] = here + there
    columns[..., 1::2] = 1j * (here - there)
    return columns


def stacked(values: np.ndarray) -> np.ndarray:
    """Complex (n_blocks, m, k) as real (2 n_blocks m, k)."""
    flat = values.reshape(values.shape[0] * values.shape[1], values.shape[2])
    return np.concatenate([flat.real, flat.imag])
