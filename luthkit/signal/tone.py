"""Measures of tone, frame by frame."""

from __future__ import annotations

import numpy as np
import scipy.fft
import scipy.signal

from ..errors import LuthkitError

WEIGHTINGS = ("amplitude", "power")


def spectral_centroid(
    samples,
    sample_rate_hz: float,
    *,
    weighting: str,
    n_fft: int = 2048,
    hop: int = 512,
    window="hann",
    centred: bool = True,
) -> np.ndarray:
    """Spectral centroid in Hz of each frame, shape (n_frames,): sum f w(f) / sum w(f).

    samples: shape (n,). weighting: w = |X| ("amplitude") or |X|^2 ("power"); they differ much, so it must be
    named. The frames are `n_fft` long and `hop` apart, under `window` (a name of scipy.signal, taken
    periodic, or n_fft samples). centred: frame k lies around sample k hop, with silence before and after the
    sound; otherwise it begins there. A silent frame has no centroid: NaN.

    >>> click = np.eye(1, 64)[0]  # equal at all frequencies: a quarter of the sample rate
    >>> one = dict(n_fft=64, window="boxcar", centred=False)
    >>> float(spectral_centroid(click, 48000, weighting="amplitude", **one)[0])
    12000.0
    """
    if weighting not in WEIGHTINGS:
        raise LuthkitError(f"weighting is {weighting!r}; use one of {', '.join(map(repr, WEIGHTINGS))}.")
    x = np.asarray(samples, float)
    if x.ndim != 1 or not np.all(np.isfinite(x)):
        raise LuthkitError(f"A centroid is read from one channel of finite samples, not from shape {x.shape}.")
    if not (isinstance(n_fft, int) and isinstance(hop, int) and n_fft > 1 and hop > 0):
        raise LuthkitError(f"n_fft is {n_fft!r} and hop {hop!r}; use whole numbers from 2 and from 1.")
    w = scipy.signal.get_window(window, n_fft) if isinstance(window, str) else np.asarray(window, float)
    if w.shape != (n_fft,):
        raise LuthkitError(f"The window has shape {w.shape}; it must have n_fft = {n_fft} samples.")
    if centred:
        x = np.pad(x, n_fft // 2)
    if x.size < n_fft:
        raise LuthkitError(f"The sound has {x.size} samples, fewer than one frame of {n_fft}; use a smaller n_fft.")
    frames = np.lib.stride_tricks.sliding_window_view(x, n_fft)[::hop]
    frequency = np.arange(n_fft // 2 + 1) * sample_rate_hz / n_fft
    centroid = np.full(len(frames), np.nan)
    for start in range(0, len(frames), 256):  # a long strum need not be in memory as frames all at once
        weight = np.abs(scipy.fft.rfft(frames[start : start + 256] * w, axis=1))
        if weighting == "power":
            weight = weight**2
        total = weight.sum(axis=1)
        np.divide(weight @ frequency, total, out=centroid[start : start + 256], where=total > 0)
    return centroid
