"""Two other ways to read the same taps, for comparison: sdypy-EMA's LSCF and the -3 dB width of the spectrum.

Both are told the truth when picking, which luthkit is not.
"""

from __future__ import annotations

import numpy as np


def complex_spectrum(tapset, *, settle_s: float = 0.0, length_s: float = 1.2, pad: int = 1):
    """Frequencies (n,) and mean FFT (n,) of the taps, without a window, from the first sample at `settle_s` after
    the onset on; each tap is turned back by what its first sample is late."""
    rate = tapset.taps[0].sample_rate_hz
    n = round(length_s * rate)
    frequency = np.fft.rfftfreq(pad * n, 1 / rate)
    total = np.zeros(len(frequency), complex)
    for tap in tapset.taps:
        start_s = tap.onset_s + settle_s
        first = int(np.ceil(start_s * rate))
        spectrum = np.fft.rfft(tap.samples[first : first + n, 0], pad * n)
        total += spectrum * np.exp(-2j * np.pi * frequency * (first / rate - start_s))
    return frequency, total / len(tapset.taps)


def lscf_search(frequency, response, *, band_hz=(40.0, 980.0), order: int = 60):
    """sdypy-EMA's pole search by LSCF, all orders up to `order`."""
    from sdypy import EMA

    model = EMA.Model(
        response[None],
        frequency,
        lower=band_hz[0],
        upper=band_hz[1],
        pol_order_high=order,
        frf_form="accelerance",
    )
    model.get_poles(method="lscf", show_progress=False)
    return model


def lscf_modes(tapset, true_poles, *, settle_s: float = 0.0) -> np.ndarray:
    """The pole (n,) nearest to each true one in the complex plane, among all orders; NaN where none is within 3 %.

    So both frequency and damping of the truth help to choose. `settle_s` 0 hands over the tap from the onset on,
    as one would; a few milliseconds leave the force pulse out, and what remains is a pure decay: the best case.
    """
    frequency, response = complex_spectrum(tapset, settle_s=settle_s)
    inside = frequency <= 2500.0
    model = lscf_search(frequency[inside], response[inside])
    found = np.concatenate([np.ravel(poles) for poles in model.all_poles])
    found = found[np.isfinite(found) & (found.imag > 0) & (found.real < 0)]
    away = np.abs(found[:, None] / true_poles - 1)
    nearest = found[np.argmin(away, axis=0)]
    return np.where(away.min(axis=0) < 0.03, nearest, np.nan)


def width_modes(tapset, true_poles, *, pad: int = 8) -> np.ndarray:
    """Poles (n,) from the highest point of the mean spectrum within 3 % of each true frequency and the width 3 dB
    below it: zeta = width / 2 f. NaN where the spectrum does not fall by 3 dB on both sides."""
    frequency, response = complex_spectrum(tapset, pad=pad)
    size = np.abs(response)
    found = []
    for hz in np.abs(true_poles) / (2 * np.pi):
        near = np.flatnonzero(np.abs(frequency / hz - 1) < 0.03)
        top = near[np.argmax(size[near])]
        half = size[top] / np.sqrt(2)
        below, above = np.flatnonzero(size[:top] < half), np.flatnonzero(size[top:] < half)
        if not len(below) or not len(above):  # nowhere 3 dB lower
            found.append(np.nan)
            continue
        low, high = below[-1], top + above[0]
        left = frequency[low] + (half - size[low]) / (size[low + 1] - size[low]) * frequency[1]
        right = frequency[high] - (half - size[high]) / (size[high - 1] - size[high]) * frequency[1]
        zeta = min((right - left) / (2 * frequency[top]), 0.999)
        found.append(2 * np.pi * frequency[top] * (-zeta + 1j * np.sqrt(1 - zeta**2)))
    return np.array(found)
