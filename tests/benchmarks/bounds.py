"""Cramer-Rao bounds: how small the error of an unbiased estimator can be at all.

Fisher information for Gaussian data with mean m and covariance C (Kay, Fundamentals of Statistical Signal
Processing, vol. 1, eq. 3.31, from memory): I_ij = m_i' C^-1 m_j + tr(C^-1 C_i C^-1 C_j) / 2.
"""

from __future__ import annotations

import numpy as np
from scipy.linalg import solve_triangular, toeplitz


def decay_bound(poles, amplitudes, noise_rms: float, time_s, *, lines_hz=()) -> tuple[np.ndarray, np.ndarray]:
    """Least standard deviations (n,) of frequencies |s| / 2 pi in Hz and of damping ratios, for taps that share
    their poles: sum of Re[a exp(s t)] plus white noise at the equally spaced `time_s`.

    `amplitudes` (n,) or (n_taps, n) are unknown too, in each tap or alike in all, which comes to the same. Hum at the
    known `lines_hz`, of unknown strength and phase in each tap, counts as unknown as well.
    """
    time_s, poles = np.asarray(time_s, float), np.atleast_1d(poles)
    n_poles = len(poles)
    amplitudes = np.reshape(amplitudes, (-1, n_poles))
    lines = 2j * np.pi * np.asarray(lines_hz, float)
    each = np.exp(np.outer(time_s, np.concatenate([poles, lines])))
    unknown, _ = np.linalg.qr(_columns(each / np.linalg.norm(each, axis=0)))
    slopes = _columns(time_s[:, None] * each[:, :n_poles])
    slopes = slopes - unknown @ (unknown.T @ slopes)
    gram = (slopes.T @ slopes).reshape(n_poles, 2, n_poles, 2)
    turned = np.array([[amplitudes.real, -amplitudes.imag], [amplitudes.imag, amplitudes.real]])
    information = np.einsum("aitk,kalb,bjtl->kilj", turned, gram, turned, optimize=True)
    return _frequencies_and_ratios(poles, noise_rms**2 * _inverse(information.reshape(2 * n_poles, -1)))


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
    return _frequencies_and_ratios(
        poles, covariance.reshape(len(poles), 4, -1, 4)[:, :2, :, :2].reshape(2 * len(poles), -1)
    )


def normal_quantile(sds, share: float) -> float:
    """Quantile of |error| of a mixture of normal errors with the standard deviations `sds` (n,), equal shares."""
    from scipy.optimize import brentq
    from scipy.special import erf

    sds = np.asarray(sds, float)
    return float(brentq(lambda x: np.mean(erf(x / sds / np.sqrt(2))) - share, 0.0, 10 * sds.max()))


def _inverse(information: np.ndarray) -> np.ndarray:
    scale = np.sqrt(np.diag(information))
    return np.linalg.inv(information / np.outer(scale, scale)) / np.outer(scale, scale)


def _columns(values: np.ndarray) -> np.ndarray:
    """What the real and imaginary parts of amplitudes multiply, (n, 2 m), of exponentials (n, m)."""
    return np.stack([values.real, -values.imag], axis=-1).reshape(len(values), -1)


def _frequencies_and_ratios(poles, covariance: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Standard deviations (n,) of |s| / 2 pi and -Re s / |s| from the covariance of (Re s, Im s), interleaved."""
    size = np.abs(poles)
    a, b = poles.real / size, poles.imag / size
    slopes = np.array([[a / (2 * np.pi), b / (2 * np.pi)], [-b * b / size, a * b / size]])
    k = 2 * np.arange(len(poles))
    blocks = np.array([[covariance[k + i, k + j] for j in (0, 1)] for i in (0, 1)])
    return tuple(np.sqrt(np.einsum("qik,ijk,qjk->qk", slopes, blocks, slopes)))
