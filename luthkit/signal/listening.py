"""Sound made ready for the ear: equally loud, and one sound with the colour of another."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ..errors import LuthkitError
from .bands import BandLevels

LIMIT_DB = 12.0
LOUDNESS_LUFS = -23.0  # EBU R 128's target, from memory; lower where a peak would clip
PEAK = 10 ** (-1 / 20)


def loudness_lufs(samples, sample_rate_hz: float) -> float:
    """Loudness of a sound after ITU-R BS.1770-4 (K-weighting, gated), in LUFS (the same as LKFS).

    samples: (n,) or (n, n_channels), full scale 1, at least 0.4 s. -inf where the gate lets nothing through.
    Raises `LuthkitError` for a shorter sound, or one that is not finite. Computed by pyloudnorm.
    """
    import pyloudnorm

    x = np.asarray(samples, float)
    if x.ndim not in (1, 2) or len(x) < 0.4 * sample_rate_hz or not np.all(np.isfinite(x)):
        raise LuthkitError(
            f"loudness takes 0.4 s of finite samples or more, not samples of shape {x.shape} at {sample_rate_hz:g} Hz; "
            "choose a longer stretch"
        )
    if not np.any(x):
        return float("-inf")
    with np.errstate(divide="ignore"):
        return float(pyloudnorm.Meter(sample_rate_hz).integrated_loudness(x))


def equally_loud(
    sounds: Sequence[np.ndarray], sample_rates_hz: Sequence[float]
) -> tuple[tuple[np.ndarray, ...], float]:
    """Copies of sounds (n,) at one loudness, and that loudness in LUFS: -23, or less if a peak would pass -1 dB.

    Raises `LuthkitError` as `loudness_lufs` does, and for a silent sound.
    """
    loudness = [loudness_lufs(x, rate) for x, rate in zip(sounds, sample_rates_hz, strict=True)]
    if not np.all(np.isfinite(loudness)):
        raise LuthkitError("a silent sound cannot be made as loud as another; choose another recording")
    unit = [np.asarray(x, float) * 10 ** (-level / 20) for x, level in zip(sounds, loudness, strict=True)]
    highest = max(float(np.max(np.abs(x))) for x in unit)
    target = min(LOUDNESS_LUFS, 20 * np.log10(PEAK / highest))
    return tuple(x * 10 ** (target / 20) for x in unit), float(target)


def difference_db(of: BandLevels, to: BandLevels, *, limit_db: float = LIMIT_DB) -> tuple[np.ndarray, np.ndarray]:
    """What to add in each third octave to turn the balance of one sound into that of another: (mid_hz, gain_db).

    Loudness is left out (the A-weighted levels are made equal), neighbours are averaged 1 : 2 : 1, and the gain is
    limited to +-`limit_db`. Bands that either sound lacks are left out; `LuthkitError` when none is common.
    """
    mids, first, second = np.intersect1d(of.mid_hz.round(6), to.mid_hz.round(6), return_indices=True)
    gain = (to.level_db[second] - to.a_weighted_db) - (of.level_db[first] - of.a_weighted_db)
    heard = np.isfinite(gain)
    if not heard.any():
        raise LuthkitError("the two sounds have no third octave in common; choose recordings with a higher sample rate")
    mids, gain = mids[heard], gain[heard]
    padded = np.pad(gain, 1, mode="edge")
    return mids, np.clip((padded[:-2] + 2 * gain + padded[2:]) / 4, -limit_db, limit_db)


def coloured(samples, sample_rate_hz: float, mid_hz, gain_db) -> np.ndarray:
    """`samples` (n,) through a minimum-phase filter with `gain_db` at `mid_hz`, straight lines over log f between.

    A simulation: only the balance of the bands changes, not how each mode rings.
    """
    from scipy.signal import fftconvolve

    size = 2 ** int(np.ceil(np.log2(0.25 * sample_rate_hz)))
    frequency = np.fft.rfftfreq(size, 1 / sample_rate_hz)
    log_gain = np.interp(np.log(np.maximum(frequency, 1.0)), np.log(mid_hz), gain_db) * np.log(10) / 20
    cepstrum = np.fft.irfft(log_gain, size)
    fold = np.zeros(size)  # real cepstrum to minimum phase (Oppenheim and Schafer, Discrete-Time Signal Processing)
    fold[0] = fold[size // 2] = 1
    fold[1 : size // 2] = 2
    filter_ = np.fft.irfft(np.exp(np.fft.rfft(cepstrum * fold)), size)[: size // 2]
    x = np.asarray(samples, float)
    return fftconvolve(x, filter_)[: len(x)]
