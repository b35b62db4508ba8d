"""Spectral centroid: where the middle of a spectrum lies, frame by frame, and settled for a stroke."""

from __future__ import annotations

from dataclasses import dataclass
from numbers import Integral

import numpy as np
import scipy.fft
import scipy.signal
from scipy.ndimage import uniform_filter1d

from .._frozen import frozen_array
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
    gate=None,
) -> np.ndarray:
    """Spectral centroid in Hz of each frame, shape (n_frames,): sum f w(f) / sum w(f).

    samples: shape (n,). weighting: w = |X| ("amplitude") or |X|^2 ("power"); they differ much, so it must be
    named. The frames are `n_fft` long and `hop` apart, under `window` (a name of scipy.signal, taken
    periodic, or n_fft samples). centred: frame k lies around sample k hop, with silence before and after the
    sound; otherwise it begins there. gate: magnitudes (n_fft // 2 + 1,) below which a bin counts nothing, such as
    a multiple of what noise alone gives; None: every bin counts. A silent frame has no centroid: NaN.

    >>> click = np.eye(1, 64)[0]  # equal at all frequencies: a quarter of the sample rate
    >>> one = dict(n_fft=64, window="boxcar", centred=False)
    >>> float(spectral_centroid(click, 48000, weighting="amplitude", **one)[0])
    12000.0
    """
    if weighting not in WEIGHTINGS:
        raise LuthkitError(f"weighting is {weighting!r}; use one of {', '.join(map(repr, WEIGHTINGS))}.")
    x = np.asarray(samples)
    x = x if x.dtype == np.float32 else x.astype(float, copy=False)
    if x.ndim != 1 or not np.isfinite(x.sum()):  # a sum of finite samples is finite, and quick
        raise LuthkitError(f"A centroid is read from one channel of finite samples, not from shape {x.shape}.")
    if not sample_rate_hz > 0:
        raise LuthkitError(f"sample_rate_hz is {sample_rate_hz}; it must be positive.")
    if not (isinstance(n_fft, Integral) and isinstance(hop, Integral) and n_fft > 1 and hop > 0):
        raise LuthkitError(f"n_fft is {n_fft!r} and hop {hop!r}; use whole numbers from 2 and from 1.")
    w = scipy.signal.get_window(window, n_fft) if isinstance(window, str) else np.asarray(window, float)
    w = w.astype(x.dtype, copy=False)
    if w.shape != (n_fft,):
        raise LuthkitError(f"The window has shape {w.shape}; it must have n_fft = {n_fft} samples.")
    if centred:
        x = np.pad(x, n_fft // 2)
    if x.size < n_fft:
        raise LuthkitError(f"The sound has {x.size} samples, fewer than one frame of {n_fft}; use a smaller n_fft.")
    frames = np.lib.stride_tricks.sliding_window_view(x, n_fft)[::hop]
    moments = np.empty((n_fft // 2 + 1, 2), x.dtype)  # one product gives both sums
    moments[:, 0] = np.arange(n_fft // 2 + 1)
    moments[:, 1] = 1
    floor = None if gate is None else np.asarray(gate, x.dtype) ** 2
    centroid = np.full(len(frames), np.nan)
    for start in range(0, len(frames), 64):  # a long strum need not be in memory as frames all at once
        spectrum = scipy.fft.rfft(frames[start : start + 64] * w, axis=1)
        weight = np.square(spectrum.real)
        weight += np.square(spectrum.imag)
        if floor is not None:
            weight[weight < floor] = 0
        if weighting == "amplitude":
            np.sqrt(weight, out=weight)
        first, total = (weight @ moments).T.astype(float)
        np.divide(first, total, out=centroid[start : start + 64], where=total > 0)
    return centroid * (sample_rate_hz / n_fft)


@dataclass(frozen=True, eq=False)
class CentroidTrack:
    """The centroid of one stroke over time, and settled: the mean over a stretch after the attack."""

    time_s: np.ndarray  # (n_frames,) from the onset to the middle of each frame
    centroid_hz: np.ndarray  # (n_frames,) NaN where nothing stands over the noise
    weighting: str
    settled_hz: float
    settled_u_hz: float  # what the noise leaves open; how much strokes differ shows only over several
    settled_from_s: float
    settled_to_s: float


def centroid_track(
    samples,
    sample_rate_hz: float,
    *,
    weighting: str = "amplitude",
    noise=None,
    settled_s: tuple[float, float] = (0.2, 1.2),
    n_fft: int = 2048,
    hop: int = 512,
) -> CentroidTrack:
    """The centroid of one stroke from its onset on, frame by frame, freed of the noise of the room.

    samples: (n,) from the onset on. noise: (m,) a stretch without the stroke. Bins less than 10 dB over what the
    noise gives on average count nothing: weighted by amplitude, thousands of bins of faint hiss would else draw
    the centroid up. Where the gate lies matters, so the uncertainty is half of what 6 dB more of it change.
    settled_s: the stretch over which the mean is taken, cut short where the sound is.
    """
    gate = None if noise is None or len(noise) < n_fft else 10**0.5 * _noise_magnitude(noise, n_fft)
    options = {"weighting": weighting, "n_fft": n_fft, "hop": hop, "centred": False}
    track = spectral_centroid(samples, sample_rate_hz, gate=gate, **options)
    time_s = (np.arange(track.size) * hop + n_fft / 2) / sample_rate_hz
    low, high = settled_s
    inside = (time_s >= low) & (time_s <= high)
    if not np.any(np.isfinite(track[inside])):
        raise LuthkitError(
            f"Nothing stands over the noise from {low:g} to {high:g} s after the onset; record longer or louder."
        )
    settled_hz, doubt_hz = float(np.nanmean(track[inside])), 0.0
    if gate is not None:
        first, last = np.flatnonzero(inside)[[0, -1]]
        part = np.asarray(samples)[first * hop : last * hop + n_fft]
        stricter = spectral_centroid(part, sample_rate_hz, gate=2 * gate, **options)
        doubt_hz = 0.5 * abs(float(np.nanmean(stricter)) - settled_hz) if np.any(np.isfinite(stricter)) else settled_hz
    return CentroidTrack(
        time_s=frozen_array(time_s),
        centroid_hz=frozen_array(track),
        weighting=weighting,
        settled_hz=settled_hz,
        settled_u_hz=doubt_hz,
        settled_from_s=low,
        settled_to_s=float(min(high, time_s[inside][-1])),
    )


def _noise_magnitude(noise, n_fft):
    """Root mean square of |X| of each bin over frames of noise, smoothed over a few bins."""
    noise = np.asarray(noise, float)
    frames = np.lib.stride_tricks.sliding_window_view(noise - noise.mean(), n_fft)[:: n_fft // 4]
    power = np.mean(np.abs(scipy.fft.rfft(frames * scipy.signal.get_window("hann", n_fft), axis=1)) ** 2, axis=0)
    return np.sqrt(uniform_filter1d(power, 9, mode="nearest"))
