"""Cramer-Rao bounds: how small the error of an unbiased estimator can be at all.

Fisher information for Gaussian data with mean m and covariance C (Kay, Fundamentals of Statistical Signal
Processing, vol. 1, eq. 3.31, from memory): I_ij = m_i' C^-1 m_j + tr(C^-1 C_i C^-1 C_j) / 2.
"""

from __future__ import annotations

import numpy as np
from scipy.linalg import solve_triangular, toeplitz


def sinusoid_bound(pole: complex, amplitude: complex, noise_rms: float, time_s) -> tuple[float, float]:
    """Least standard deviations of frequency |s| / 2 pi in Hz and of damping ratio, for Re[a exp(s t)] plus
    white noise at the times `time_s` (n,); amplitude and phase are unknown too."""
    time_s = np.asarray(time_s, float)
    wave = amplitude * np.exp(pole * time_s)
    unit = np.exp(pole * time_s)
    columns = np.stack([(time_s * wave).real, -(time_s * wave).imag, unit.real, -unit.imag], axis=1)
    covariance = _inverse(columns.T @ columns / noise_rms**2)
    return tuple(np.sqrt(_frequency_and_ratio(pole, covariance[:2, :2])))


def room_bound(
    poles,
    residues,
    *,
    t60_s: float,
    direct_to_reverberant_db: float,
    delay_s: float = 0.004,
    n_placements: int,
    noise_rms: float,
    start_s: float = 0.003,
    length_s: float = 0.4,
    sample_rate_hz: float = 2400.0,
    from_covariance: bool = False,
) -> tuple[np.ndarray, np.ndarray]:
    """Least standard deviations (n,) of frequencies in Hz and damping ratios of all modes of a body in a room.

    Each placement hears s(t) = Re sum residue exp(pole t) and, as Gaussian noise, s run through a tail with
    variance w(u) ~ exp(-2 u 3 ln 10 / T60) from `delay_s` on: covariance S W S' + noise_rms^2. Room and hiss count
    as known; amplitudes are free in each placement. `noise_rms` is that of one placement's average, in the band
    up to half of `sample_rate_hz`. With `from_covariance` what the reverberation itself tells about the poles
    counts as well (the second term of the information; slow).
    """
    poles, residues = np.asarray(poles), np.asarray(residues)
    n, n_start = round(length_s * sample_rate_hz), round(start_s * sample_rate_hz)
    t = np.arange(n + n_start) / sample_rate_hz
    each = np.exp(np.outer(t, poles))
    moved = t[:, None] * each * residues
    slopes = np.stack([moved.real, -moved.imag, each.real, -each.imag], axis=-1).reshape(len(t), -1)
    weight = np.exp(-6 * np.log(10) / t60_s * t) * (t >= delay_s)
    weight *= 10 ** (-direct_to_reverberant_db / 10) / weight.sum()

    def spread(wave):
        return toeplitz(wave, np.zeros(len(t)))[n_start:] * np.sqrt(weight)

    sound = spread((each @ residues).real)
    factor = np.linalg.cholesky(sound @ sound.T + noise_rms**2 * np.eye(n))
    scale = np.linalg.norm(slopes, axis=0)
    slopes = slopes / scale
    white = solve_triangular(factor, slopes[n_start:], lower=True)
    information = white.T @ white
    if from_covariance:
        sound = solve_triangular(factor, sound, lower=True).astype(np.float32)
        changes = np.empty((slopes.shape[1], n * n), np.float32)
        for k, slope in enumerate(slopes.T):
            half = solve_triangular(factor, spread(slope), lower=True).astype(np.float32) @ sound.T
            changes[k] = (half + half.T).ravel()
        information = information + 0.5 * (changes @ changes.T)
    covariance = _inverse(information) / np.outer(scale, scale) / n_placements
    pairs = [covariance[4 * k : 4 * k + 2, 4 * k : 4 * k + 2] for k in range(len(poles))]
    squares = np.array([_frequency_and_ratio(pole, pair) for pole, pair in zip(poles, pairs, strict=True)])
    return tuple(np.sqrt(squares.T))


def normal_quantile(sds, share: float) -> float:
    """Quantile of |error| of a mixture of normal errors with the standard deviations `sds` (n,), equal shares."""
    from scipy.optimize import brentq
    from scipy.special import erf

    sds = np.asarray(sds, float)
    return float(brentq(lambda x: np.mean(erf(x / sds / np.sqrt(2))) - share, 0.0, 10 * sds.max()))


def _inverse(information: np.ndarray) -> np.ndarray:
    scale = np.sqrt(np.diag(information))
    return np.linalg.inv(information / np.outer(scale, scale)) / np.outer(scale, scale)


def _frequency_and_ratio(pole: complex, covariance: np.ndarray) -> np.ndarray:
    """Variances (2,) of |s| / 2 pi and -Re s / |s| from the covariance (2, 2) of (Re s, Im s)."""
    size = abs(pole)
    a, b = pole.real / size, pole.imag / size
    slopes = np.array([[a / (2 * np.pi), b / (2 * np.pi)], [-b * b / size, a * b / size]])
    return np.einsum("qi,ij,qj->q", slopes, covariance, slopes)
