"""Spectra with a named scaling, and the noise floor beside them.

The three scalings, for one tap x of N samples at the rate fs, T = N / fs, X(f) = sum_n x_n exp(-2 pi i f n /
fs), one-sided (f > 0), full scale = 1:

==================  =========================  ==============  ==========================================
scaling             formula                    unit            read it as
==================  =========================  ==============  ==========================================
"energy density"    E(f) = 2 |X|^2 / fs^2      FS^2 s / Hz     energy of the tap per hertz: for things
                                                               that ring and die (its sum times the bin
                                                               width is the energy, Parseval)
"power density"     E(f) / T                   FS^2 / Hz       power per hertz: for noise
"amplitude"         sqrt(2 E(f)) / T           FS              height of a steady sine that would stand
                                                               as high
==================  =========================  ==============  ==========================================

With a window w the first two are divided by mean(w^2), the third by mean(w) (its coherent gain).
Windows and their factors: Harris, "On the use of windows for harmonic analysis with the discrete Fourier
transform", Proc. IEEE 66 (1978) 51-83.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from math import ceil, pi

import numpy as np
import scipy.fft
import scipy.signal

from .. import __version__
from .._frozen import frozen_array, frozen_dict
from ..errors import LuthkitError
from .taps import Tap, TapSet

SCALINGS = {"energy density": "FS^2 s/Hz", "power density": "FS^2/Hz", "amplitude": "FS"}
_TINY = 1e-300


@dataclass(frozen=True, eq=False)
class Spectrum:
    """A one-sided spectrum, scaled as `scaling` says (formulas at the head of this module)."""

    frequency_hz: np.ndarray  # (n,), equally spaced from 0
    value: np.ndarray  # (n,), in `unit`
    noise: np.ndarray  # (n,), the floor measured before the taps, in the same unit; NaN where none was measured
    scaling: str  # "energy density", "power density" or "amplitude"
    bandwidth_hz: float  # equivalent noise bandwidth of the window; peaks narrower than this are not resolved
    n_averaged: int  # how many taps (or stretches) went into it
    duration_s: float  # mean length analysed
    window: str = "boxcar"
    sources: Mapping[str, str] = field(default_factory=dict)  # recording -> SHA-256
    parameters: Mapping[str, object] = field(default_factory=dict)
    version: str = __version__

    def __post_init__(self):
        _check_scaling(self.scaling)
        for name in ("frequency_hz", "value", "noise"):
            object.__setattr__(self, name, frozen_array(getattr(self, name), ndim=1, name=name))
        object.__setattr__(self, "sources", frozen_dict(self.sources))
        object.__setattr__(self, "parameters", frozen_dict(self.parameters))

    @property
    def unit(self) -> str:
        """Unit of `value` and `noise`; FS is digital full scale."""
        return SCALINGS[self.scaling]

    @property
    def level_db(self) -> np.ndarray:
        """10 lg(value) for the densities, 20 lg(value) for "amplitude"; 0 dB is one unit."""
        return self._db(self.value)

    @property
    def noise_db(self) -> np.ndarray:
        """The noise floor on the same decibel scale as `level_db`."""
        return self._db(self.noise)

    def _db(self, value):
        return (20 if self.scaling == "amplitude" else 10) * np.log10(np.maximum(value, _TINY))


@dataclass(frozen=True)
class WindowFactors:
    """What a window does to a steady sine and to noise (Harris 1978)."""

    coherent_gain: float  # mean(w)
    noise_bandwidth_bins: float  # mean(w^2) / mean(w)^2
    scallop_loss_db: float  # reading half a bin beside the true frequency, in dB, negative


def window_factors(window) -> WindowFactors:
    """Coherent gain, equivalent noise bandwidth and scallop loss of a window given as samples of shape (n,).

    >>> window_factors(np.ones(64)).noise_bandwidth_bins
    1.0
    """
    w = np.asarray(window, float)
    if w.ndim != 1 or w.size < 2 or not np.sum(w) > 0:
        raise LuthkitError("A window is a row of at least 2 samples with a positive sum; use scipy.signal.get_window.")
    half_bin = np.abs(np.sum(w * np.exp(-1j * pi * np.arange(w.size) / w.size)))
    return WindowFactors(
        coherent_gain=float(w.mean()),
        noise_bandwidth_bins=float(np.mean(w**2) / w.mean() ** 2),
        scallop_loss_db=float(20 * np.log10(half_bin / w.sum())),
    )


def average_spectrum(
    tapset: TapSet,
    *,
    scaling: str,
    max_hz: float | None = 2000.0,
    length_s: float | None = None,
    lead_s: float = 0.002,
    zero_padding: int = 4,
    equalise: bool = True,
    equalise_band_hz: tuple[float, float] = (60.0, 1000.0),
    channel: int | None = None,
) -> Spectrum:
    """Energy average of the tap spectra, with the noise before the taps on the same scale.

    Each tap is cut from `lead_s` before its onset to `length_s` after it (None: all there is), its mean is
    taken off, and no window is laid on it: an exponential or a Hann window would add damping or lose the onset.
    Every tap is zero-padded to a whole number of seconds, at least `zero_padding` times the longest cut, so
    that all sample rates share one grid of round frequencies.

    equalise: hand taps differ by several decibels; True brings each tap to the same energy within
        `equalise_band_hz` (the mean of all taps') before averaging, and its noise by the same factor.
    channel: None averages the energy of all channels; a number takes that channel only.

    The noise is measured in the stretch before each onset (Hann windows, half overlapped, of the stretch's
    own length, 0.1 s at most), which resolves about 15 Hz: hiss is shown at its true height, a hum line lower
    and wider than it would stand in the tap itself. Shorter than 20 ms: NaN.

    Raises LuthkitError for an unknown scaling, no tap, or options out of range.
    """
    _check_scaling(scaling)
    require_taps(tapset)
    if not isinstance(zero_padding, int) or zero_padding < 1:
        raise LuthkitError(f"zero_padding is {zero_padding!r}; use a whole number from 1.")

    def cuts():  # one at a time: hundreds of taps may be long
        return (tap_samples(tap, length_s=length_s, lead_s=lead_s, channel=channel) for tap in tapset.taps)

    rates = [tap.sample_rate_hz for tap in tapset.taps]
    top_hz = min(rates) / 2 if max_hz is None else float(max_hz)
    if not 0 < top_hz <= min(rates) / 2:
        raise LuthkitError(f"max_hz is {max_hz}; it lies between 0 and half the sample rate, {min(rates) / 2:g} Hz.")
    durations = np.array([len(cut) / rate for cut, rate in zip(cuts(), rates, strict=True)])
    padded_s = max(1, ceil(zero_padding * durations.max() - 1e-9))
    n_bins = int(top_hz * padded_s + 1e-9) + 1
    frequency = np.arange(n_bins) / padded_s
    energy = np.array(
        [_energy_density(cut, rate, rate * padded_s, n_bins) for cut, rate in zip(cuts(), rates, strict=True)]
    )
    noise = np.array([noise_density(tap, frequency, channel) for tap in tapset.taps]) * durations[:, None]
    gain = np.ones(len(rates))
    if equalise:
        low, high = equalise_band_hz
        inside = (frequency >= low) & (frequency <= high)
        band_energy = energy[:, inside].sum(axis=1)
        if inside.any() and np.all(band_energy > 0):
            gain = band_energy.mean() / band_energy
    factor = gain * {"energy density": 1.0, "power density": 1 / durations, "amplitude": 2 / durations**2}[scaling]
    value = np.mean(energy * factor[:, None], axis=0)
    heard = np.isfinite(noise[:, 0])
    floor = np.mean((noise * factor[:, None])[heard], axis=0) if heard.any() else np.full(n_bins, np.nan)
    if scaling == "amplitude":
        value, floor = np.sqrt(value), np.sqrt(floor)
    return Spectrum(
        frequency_hz=frequency,
        value=value,
        noise=floor,
        scaling=scaling,
        bandwidth_hz=float(np.mean(1 / durations)),
        n_averaged=len(rates),
        duration_s=float(durations.mean()),
        sources=tapset.sources,
        parameters={
            "max_hz": max_hz,
            "length_s": length_s,
            "lead_s": lead_s,
            "zero_padding": zero_padding,
            "equalise": equalise,
            "equalise_band_hz": tuple(equalise_band_hz),
            "channel": channel,
        },
    )


def sound_spectrum(
    samples, sample_rate_hz: float, *, scaling: str, window: str = "hann", zero_padding: int = 1
) -> Spectrum:
    """Spectrum of one stretch of sound of shape (n,) under a window: for steady or slowly changing tones.

    `window` is any name `scipy.signal.get_window` knows (taken periodic). For taps use `average_spectrum`,
    which lays no window on a decay. Raises LuthkitError for an unknown scaling or window, or samples that are
    not finite.
    """
    _check_scaling(scaling)
    x = np.asarray(samples, float)
    if x.ndim != 1 or x.size < 4 or not np.all(np.isfinite(x)):
        raise LuthkitError("sound_spectrum takes one channel of at least 4 finite samples, shape (n,).")
    try:
        w = scipy.signal.get_window(window, x.size)
    except (ValueError, TypeError) as error:
        raise LuthkitError(f"There is no window {window!r}; use a name of scipy.signal, e.g. 'hann'.") from error
    n_fft = x.size * zero_padding
    duration = x.size / sample_rate_hz
    energy = _energy_density(x * w, sample_rate_hz, n_fft, n_fft // 2 + 1)
    if scaling == "amplitude":
        value = np.sqrt(2 * energy) / duration / w.mean()
    else:
        value = energy / np.mean(w**2) / (duration if scaling == "power density" else 1)
    return Spectrum(
        frequency_hz=np.arange(n_fft // 2 + 1) * sample_rate_hz / n_fft,
        value=value,
        noise=np.full(value.size, np.nan),
        scaling=scaling,
        bandwidth_hz=window_factors(w).noise_bandwidth_bins / duration,
        n_averaged=1,
        duration_s=duration,
        window=str(window),
        parameters={"window": window, "zero_padding": zero_padding},
    )


def tap_samples(
    tap: Tap, *, length_s: float | None = None, lead_s: float = 0.002, channel: int | None = None
) -> np.ndarray:
    """The tap from `lead_s` before its onset to `length_s` after it, less its mean: (samples, channels)."""
    start = max(0, round((tap.onset_s - lead_s) * tap.sample_rate_hz))
    stop = None if length_s is None else round((tap.onset_s + length_s) * tap.sample_rate_hz)
    cut = _channels(tap, channel)[start:stop]
    if len(cut) < 4:
        raise LuthkitError(f"The tap at {tap.time_s:.3f} s in {tap.source} leaves {len(cut)} samples to analyse.")
    return cut - cut.mean(axis=0)


def _channels(tap, channel):
    n_channels = tap.samples.shape[1]
    if channel is None:
        return tap.samples
    if not 0 <= channel < n_channels:
        raise LuthkitError(f"channel is {channel}; {tap.source} has channels 0 to {n_channels - 1}.")
    return tap.samples[:, channel : channel + 1]


def _check_scaling(scaling):
    if scaling not in SCALINGS:
        raise LuthkitError(f"scaling is {scaling!r}; use one of {', '.join(map(repr, SCALINGS))}.")


def require_taps(tapset):
    if not tapset.taps:
        raise LuthkitError(f"No tap to analyse: {len(tapset.rejected)} were left out (see TapSet.rejected for why).")


def _energy_density(samples, sample_rate_hz, n_fft, n_bins):
    """One-sided energy density 2 |X|^2 / fs^2, averaged over channels; 0 Hz and half the rate count once."""
    energy = np.abs(scipy.fft.rfft(samples, n_fft, axis=0)[:n_bins]) ** 2
    if energy.ndim > 1:
        energy = energy.mean(axis=1)
    energy *= 2 / sample_rate_hz**2
    energy[0] /= 2
    if n_fft % 2 == 0 and n_bins == n_fft // 2 + 1:
        energy[-1] /= 2
    return energy


def noise_density(tap, frequency_hz, channel):
    """Power density of the stretch before the onset, on the given frequencies; NaN when it is under 20 ms."""
    rate = tap.sample_rate_hz
    before = _channels(tap, channel)[: max(0, round((tap.onset_s - 0.003) * rate))]
    if len(before) < 0.02 * rate:
        return np.full(frequency_hz.size, np.nan)
    n = min(len(before), round(0.1 * rate))
    own, density = scipy.signal.welch(before, rate, window="hann", nperseg=n, nfft=max(n, rate // 4), axis=0)
    return np.interp(frequency_hz, own, density.mean(axis=1))
