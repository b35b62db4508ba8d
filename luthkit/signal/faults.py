"""Faults of a single tap: each check returns the reason in the maker's words, with the figure, or ""."""

from __future__ import annotations

import numpy as np
from scipy.ndimage import maximum_filter1d, median_filter
from scipy.signal import resample_poly, sosfiltfilt

from .onsets import band_filter, second_hit

BAND_HZ = (60.0, 1000.0)
FIRST_S = 0.25  # the stretch after the onset whose level is the level of the tap


def in_band(samples, sample_rate_hz: float) -> np.ndarray:
    """Samples (n, n_channels) between 60 and 1000 Hz, without delay (2nd-order Butterworth run both ways)."""
    sos = band_filter(*BAND_HZ, sample_rate_hz)
    return sosfiltfilt(sos, samples - samples.mean(axis=0), axis=0, padtype=None)


def levels(samples, sample_rate_hz: float, onset: int) -> tuple[float, float]:
    """Mean square of the first 0.25 s after sample `onset` and of the noise before it, both 60 to 1000 Hz.

    With less than 30 ms before the onset the quietest 0.1 s of the second half of the cut stands in for the
    noise; what still rings there makes the noise look larger, never smaller.
    """
    first = samples[onset : onset + round(FIRST_S * sample_rate_hz)]
    loud = _power(in_band(first, sample_rate_hz))
    margin = round(0.002 * sample_rate_hz)
    before = samples[: max(0, onset - margin)]
    if len(before) >= round(0.03 * sample_rate_hz):
        return loud, _power(in_band(before, sample_rate_hz))
    size = round(0.1 * sample_rate_hz)
    tail = in_band(samples[len(samples) // 2 :], sample_rate_hz)
    pieces = [tail[i : i + size] for i in range(0, max(1, len(tail) - size), size)]
    return loud, min(_power(piece) for piece in pieces)


def snr_db(samples, sample_rate_hz: float, onset: int) -> float:
    """Level of the first 0.25 s over the noise before, 60 to 1000 Hz, in dB; infinite with no noise at all.

    The noise power is taken out of the first stretch: 10 log10((P_first - P_noise) / P_noise).
    """
    loud, noise = levels(samples, sample_rate_hz, onset)
    if noise <= 0:
        return float("inf") if loud > 0 else float("-inf")
    return float(10 * np.log10((loud - noise) / noise)) if loud > noise else float("-inf")


def clipped(samples, *, full_scale: float | None) -> str:
    """Runs of three or more samples at full scale, or a flat top below it that no smooth crest explains.

    `samples` (n, n_channels); `full_scale` is 1 for files, None where the samples have no full scale of their
    own.
    """
    for channel in samples.T:
        magnitude = np.abs(channel)
        if full_scale is not None:
            _, length = _longest_run(magnitude >= full_scale * (1 - 2.0**-15))
            if length >= 3:
                return f"clipped: {length} samples in a row at full scale; turn the gain down"
        steps = np.diff(np.unique(channel[-8192:]))  # the quiet end shows the size of one step
        if not len(steps):
            continue
        step = max(float(np.median(steps[steps <= 2 * steps.min()])), np.finfo(float).eps)
        # of white noise, from its second differences, in which a note that rings on plays no part
        hiss = float(np.median(np.abs(np.diff(channel[-8192:], 2)))) / (0.6745 * np.sqrt(6))
        for sign in (1.0, -1.0):
            wave = sign * channel
            top = wave.max()
            start, length = _longest_run(wave >= top - 0.5 * step)
            left, right = start - 2, start + length + 1
            if length < 3 or left < 0 or right >= len(wave) or top <= 0:
                continue
            # A crest that is flat to one step over `length` samples has fallen by about
            # step * ((length / 2 + 2) / (length / 2))^2 two samples further out.
            smooth = step * ((length + 4) / length) ** 2
            # Where hiss of some steps may make so many alike by chance, the fall must be more than hiss as well.
            by_chance = (step / max(2.5 * hiss, step)) ** (length - 1) > 1e-5
            if min(top - wave[left], top - wave[right]) > 4 * smooth + (7 * hiss if by_chance else 0.0):
                level = 20 * np.log10(top)
                return f"clipped: the crest is cut flat over {length} samples at {level:.1f} dB of full scale"
    return ""


def doubled(samples, sample_rate_hz: float, onset_s: float, *, double_hit_db: float, range_s) -> str:
    """A second blow soon after the first."""
    gap_s, level_db = second_hit(samples, sample_rate_hz, onset_s, range_s=range_s)
    if level_db > double_hit_db:
        return f"double hit: struck again {1000 * gap_s:.0f} ms later, {level_db:+.0f} dB against the first"
    return ""


def mains_share(samples, sample_rate_hz: float, onset: int) -> tuple[float, float]:
    """(share of the power of the first 0.25 s that mains lines carry, the mains frequency 50 or 60 Hz).

    The lines are fitted where the tap has died away, in the second half of the cut.
    """
    first = samples[onset : onset + round(FIRST_S * sample_rate_hz)]
    whole = _power(first - first.mean(axis=0))
    q = max(1, int(sample_rate_hz // 6000))
    late = resample_poly(samples[(onset + len(samples)) // 2 :] - samples.mean(axis=0), 1, q, axis=0)
    if whole <= 0 or len(late) < 64:
        return 0.0, 50.0
    t = np.arange(len(late)) * q / sample_rate_hz
    best = (0.0, 50.0)
    for mains in (50.0, 60.0):
        for drift in (-0.002, -0.001, 0.0, 0.001, 0.002):
            lines = mains * (1 + drift) * np.arange(1, 1 + int(1000 // mains))
            phase = 2 * np.pi * np.outer(t, lines)
            basis = np.concatenate([np.cos(phase), np.sin(phase)], axis=1)
            fitted = basis @ np.linalg.lstsq(basis, late, rcond=None)[0]
            best = max(best, (min(1.0, _power(fitted) / whole), mains))
    return best


def hum_dominated(samples, sample_rate_hz: float, onset: int, *, max_hum_share: float) -> str:
    """Mains lines carry most of the energy."""
    margin = round(0.002 * sample_rate_hz)
    before = samples[: max(0, onset - margin)]
    first = samples[onset : onset + round(FIRST_S * sample_rate_hz)]
    if len(before) > margin and _power(before - samples.mean(axis=0)) < 0.1 * max_hum_share * _power(
        first - samples.mean(axis=0)
    ):
        return ""  # too quiet before the tap for a hum that matters: spare the fit
    share, mains = mains_share(samples, sample_rate_hz, onset)
    if share > max_hum_share:
        return f"hum: {100 * share:.0f} % of the sound is mains hum ({mains:.0f} Hz and multiples)"
    return ""


def too_weak(samples, sample_rate_hz: float, onset: int, *, snr_db: float, min_snr_db: float) -> str:
    """The reason for a tap that stands too little over the noise, and whether that noise is hum."""
    reason = f"too weak: {snr_db:.0f} dB over the noise, 60 to 1000 Hz ({min_snr_db:g} dB are asked for)"
    share, mains = mains_share(samples, sample_rate_hz, onset)
    noise_share = 1 / (1 + 10 ** (snr_db / 10))
    return f"{reason}; most of that noise is mains hum of {mains:.0f} Hz" if share > 0.5 * noise_share else reason


def not_a_tap(samples, sample_rate_hz: float, onset: int, *, min_fall_db: float) -> str:
    """Sound that swells, or does not die away, as speech and held notes do."""
    band = np.sum(in_band(samples, sample_rate_hz) ** 2, axis=1)
    size = round(0.1 * sample_rate_hz)
    early, later = onset + size, onset + 3 * size
    fall_db = 10 * np.log10(
        max(band[onset:early].mean(), np.finfo(float).tiny)
        / max(band[later : later + size].mean(), np.finfo(float).tiny)
    )
    if fall_db < min_fall_db:
        return (
            f"does not die away like a tap: only {fall_db:.0f} dB quieter after 0.3 s "
            f"(at least {min_fall_db:.0f} dB is asked for)"
        )
    return ""


def strings_ringing(samples, sample_rate_hz: float, onset: int, *, max_q: float, max_string_db: float) -> str:
    """Lines of high Q that still sound late in the cut: strings that were not damped.

    Two stretches of the cut are compared line by line; a line whose amplitude falls from one to the other as
    exp(-pi f T / Q) with Q above `max_q`, over what was there before the tap, and not at a mains multiple, is
    a string's. The reason tells how long the strongest rings: T60 = 3 ln 10 Q / (pi f) = 2.2 Q / f.
    """
    q = max(1, int(sample_rate_hz // 4000))
    rate = sample_rate_hz / q
    slow = resample_poly(samples - samples.mean(axis=0), 1, q, axis=0)
    at = round(onset / q)
    first = slow[at : at + round(FIRST_S * rate)]
    late = slow[at + round(0.25 * rate) :]
    half = len(late) // 2
    if half < 0.15 * rate:
        half = round(min(0.15 * rate, 0.6 * len(late)))
    shift_s = (len(late) - half) / rate
    window = np.hanning(half + 2)[1:-1, np.newaxis]
    size = 1 << (4 * half - 1).bit_length()
    power = [
        np.sum(np.abs(np.fft.rfft(window * part, size, axis=0)) ** 2, axis=1)
        for part in (late[:half], late[len(late) - half :])
    ]
    # amplitude A of a steady line gives power (A sum(w) / 2)^2; its mean square is A^2 / 2
    power = [2 * p / np.sum(window) ** 2 for p in power]
    frequency = np.arange(len(power[0])) * rate / size
    width = max(1, round(2.0 * size / half))
    peaks = _peaks(power[1], width) & (frequency > 70) & (frequency < 1000)
    candidates = np.flatnonzero(peaks)
    if not len(candidates):
        return ""
    fall = np.sqrt(power[0][candidates] / power[1][candidates])
    f = frequency[candidates]
    quality = np.pi * f * shift_s / np.log(np.maximum(fall, 1 + 1e-3))
    mains_gap = np.minimum(np.abs(f / 50 - np.round(f / 50)) * 50, np.abs(f / 60 - np.round(f / 60)) * 60)
    level_db = 10 * np.log10(power[1][candidates] / max(_power(first), np.finfo(float).tiny))
    before_db = _line_level_before(slow[: max(0, at - round(0.002 * rate))], f, rate)
    before_db -= 10 * np.log10(max(_power(first), np.finfo(float).tiny))
    ringing = (quality > max_q) & (mains_gap > 1.5) & (level_db > before_db + 6)
    around = median_filter(power[1], round(60 * size / rate), mode="nearest")[candidates]
    ringing &= power[1][candidates] > 10**1.4 * around  # a line, no chance crest of the noise
    if not ringing.any():
        return ""
    total_db = 10 * np.log10(np.sum(10 ** (level_db[ringing] / 10)))
    if total_db <= max_string_db:
        return ""
    strongest = np.flatnonzero(ringing)[np.argmax(level_db[ringing])]
    ring_s = 2.2 * quality[strongest] / f[strongest]
    length = f"about {ring_s:.2g} s" if ring_s < 30 else "30 s or longer"
    return (
        f"strings ring: a line at {f[strongest]:.0f} Hz (Q {min(quality[strongest], 9999):.0f}) takes "
        f"{length} to fall by 60 dB and is {total_db:.0f} dB against the tap late in the cut; damp them"
    )


def _power(samples) -> float:
    """Mean square, summed over the channels."""
    return float(np.sum(np.mean(np.square(samples), axis=0))) if len(samples) else 0.0


def _longest_run(condition: np.ndarray) -> tuple[int, int]:
    """(start, length) of the longest run of True."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], condition, [False]]).astype(np.int8)))
    if not len(edges):
        return 0, 0
    lengths = edges[1::2] - edges[::2]
    best = int(np.argmax(lengths))
    return int(edges[2 * best]), int(lengths[best])


def _peaks(power: np.ndarray, width: int) -> np.ndarray:
    return (power > 0) & (power == maximum_filter1d(power, 2 * width + 1))


def _line_level_before(before: np.ndarray, frequency_hz: np.ndarray, rate: float) -> np.ndarray:
    """Mean-square level in dB of a line at each frequency in the stretch before the tap."""
    if len(before) < 0.03 * rate:
        return np.full(len(frequency_hz), -np.inf)
    window = np.hanning(len(before) + 2)[1:-1]
    carrier = np.exp(-2j * np.pi * np.outer(frequency_hz, np.arange(len(before))) / rate)
    amplitude = carrier @ (window[:, np.newaxis] * before) / window.sum()
    return 10 * np.log10(np.maximum(2 * np.sum(np.abs(amplitude) ** 2, axis=1), np.finfo(float).tiny))
