"""Strokes: strums and single plucks within a recording, found, cut, kept or left out with the reason.

A tap leaps out of silence; a stroke often begins while the one before still rings. So the leap is sought band
by band: where at least half of the bands rise above all that rang shortly before, a string was let go.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import scipy.fft
from scipy.ndimage import maximum_filter1d, uniform_filter1d

from .._frozen import frozen_array, frozen_dict
from ..errors import LuthkitError
from . import faults
from .onsets import pick_onset
from .recording import Recording
from .taps import Rejection, named_recordings, read_each

KINDS = ("strum", "pluck")
_HOP_S, _FRAME_S, _N_BANDS = 0.005, 0.023, 20
_BEFORE_HOPS = 8  # what rang in these 40 ms is what a stroke must rise above
_LEAP_LIMIT_DB = 20.0
_STAYS_DB = 1.0
_GUARD_S, _HAND_GUARD_S = 0.01, 0.05
_NOISE_S = 0.25
_HAND_DB, _HAND_S = 9.0, 0.2  # a hand on the strings makes them fall by so much within this time


@dataclass(frozen=True, eq=False)
class Stroke:
    """One strum or pluck: samples from `onset_s` before it to the next one, a hand on the strings, or the end."""

    samples: np.ndarray  # (n_samples, n_channels), read-only float64, full scale = 1.0
    sample_rate_hz: int
    onset_s: float  # from the first sample of the cut to the onset
    time_s: float  # onset in the recording
    source: str  # Recording.name
    kind: str  # one of KINDS
    noise: np.ndarray  # (n, n_channels), the quietest stretch of the recording
    over_before_db: float  # level of the first 0.25 s over what sounded before, 60 to 1000 Hz
    stopped: str  # what ended it: "next stroke", "hand", "end of the recording"

    @property
    def length_s(self) -> float:
        """From the onset to the end of the cut."""
        return len(self.samples) / self.sample_rate_hz - self.onset_s

    def after_onset(self, *, start_s: float = 0.0, length_s: float | None = None) -> np.ndarray:
        """One channel (the mean of all) from `start_s` after the onset on, shape (n,)."""
        first = round((self.onset_s + start_s) * self.sample_rate_hz)
        last = None if length_s is None else first + round(length_s * self.sample_rate_hz)
        return self.samples[first:last].mean(axis=1)


@dataclass(frozen=True, eq=False)
class StrokeSet:
    """Strokes kept, in the order of the recordings, and those left out with reasons."""

    strokes: tuple[Stroke, ...]
    rejected: tuple[Rejection, ...]
    sources: Mapping[str, str]  # Recording.name -> SHA-256
    parameters: Mapping[str, object]


def find_strokes(
    recordings,
    *,
    kind: str = "strum",
    min_leap_db: float = 5.0,
    min_hint_db: float = 2.0,
    min_apart_s: float = 0.25,
    min_over_floor_db: float = 12.0,
    min_length_s: float = 0.5,
    length_s: float = 10.0,
    pre_s: float = 0.1,
) -> StrokeSet:
    """Find the strums (or the plucks) in recordings, cut them, leave out the spoilt ones, each with its reason.

    recordings : a `Recording` or the path of a sound file, several of them, or a dictionary name -> path.
        One that cannot be used becomes a `Rejection` without a time, and the rest goes on.
    kind : "strum" or "pluck": what the maker says they are; both are found alike.
    min_leap_db : how far half of the third-of-an-octave-like bands from 100 Hz to 10 kHz must rise above
        what rang in the 40 ms before. Between min_hint_db and this it is left out as too weak.
    min_apart_s : strings let go within this time are one stroke.
    min_over_floor_db : how far its loudest moment must stand over the quietest of the recording.
    min_length_s, length_s, pre_s : the shortest and the longest stretch after the onset, and what is kept
        before it. A cut ends where the next stroke begins, or where a hand stops the strings.

    Raises `LuthkitError` for a limit out of range, or two recordings of one name. All limits are common
    practice, no published source.
    """
    parameters = {key: value for key, value in locals().items() if key != "recordings"}
    _check(parameters)
    strokes, rejected, sources = read_each(
        named_recordings(recordings), lambda recording: _strokes_of(recording, parameters)
    )
    return StrokeSet(tuple(strokes), tuple(rejected), frozen_dict(sources), frozen_dict(parameters))


def _strokes_of(recording: Recording, p: Mapping) -> tuple[list[Stroke], list[Rejection]]:
    rate, name = recording.sample_rate_hz, recording.name
    hop = round(_HOP_S * rate)
    power = _band_power(recording, hop)
    total = power.sum(axis=1)
    if not total.max() > 0:
        return [], [Rejection(name, None, "silence: every sample is the same")]
    leaps = _leaps(power, p["min_apart_s"])
    floor = _floor(total)
    stands = 10 * np.log10([total[k : k + 20].max() / max(floor, 1e-10 * total.max()) for k, _ in leaps])
    leaps = [leap for leap, over in zip(leaps, stands, strict=True) if over >= p["min_over_floor_db"]]
    clear = [k for k, leap_db in leaps if leap_db >= p["min_leap_db"]]
    if not clear:
        best = max((leap_db for _, leap_db in leaps), default=0.0)
        reason = f"no stroke found: nothing begins suddenly (the clearest rise is {best:.0f} dB over what rang before)"
        return [], [Rejection(name, None, reason)]
    onsets = [_onset_near(recording, k * hop) for k in clear]
    rejected = [
        Rejection(
            name,
            k * hop / rate,
            f"too weak a rise: {leap_db:.1f} dB over what still rang ({p['min_leap_db']:g} dB are asked for); "
            "a grace note, a string touched, or a noise",
        )
        for k, leap_db in leaps
        if p["min_hint_db"] <= leap_db < p["min_leap_db"] and min(abs(k - c) * hop for c in clear) > 0.12 * rate
    ]
    quiet = int(np.argmin(_running_mean(total, round(_NOISE_S / _HOP_S)))) * hop
    noise = frozen_array(recording.read(quiet, min(recording.n_samples, quiet + round(_NOISE_S * rate))))
    strokes = []
    for k, onset in enumerate(onsets):
        follower = onsets[k + 1] if k + 1 < len(onsets) else None
        stroke, reason = _cut(recording, onset, follower, total, hop, noise, p)
        if reason:
            rejected.append(Rejection(name, onset / rate, reason))
        else:
            strokes.append(stroke)
    return strokes, sorted(rejected, key=lambda r: r.time_s or 0.0)


def _cut(recording, onset, follower, total, hop, noise, p) -> tuple[Stroke | None, str]:
    """A stroke, or the reason why it is none."""
    rate = recording.sample_rate_hz
    stop, stopped = recording.n_samples, "end of the recording"
    if follower is not None:
        stop, stopped = follower - round(_GUARD_S * rate), "next stroke"
    hand = _hand(total[onset // hop : stop // hop])
    if hand is not None:
        stop, stopped = onset + hand * hop - round(_HAND_GUARD_S * rate), "hand"
    if (stop - onset) / rate < p["min_length_s"]:
        end = {"next stroke": "the next one comes", "hand": "it is stopped"}.get(stopped, "the recording ends")
        return None, f"too short: {end} after {(stop - onset) / rate:.2f} s ({p['min_length_s']:g} s are asked for)"
    stop = min(stop, onset + round(p["length_s"] * rate))
    start = max(0, onset - round(p["pre_s"] * rate))
    cut = recording.read(start, stop)
    if clipped := faults.clipped(cut, full_scale=1.0):
        return None, clipped
    first = cut[onset - start :][: round(faults.FIRST_S * rate)]
    if np.mean(noise**2) > 0.05 * np.mean(first**2) and (
        hum := faults.hum_dominated(cut, rate, onset - start, max_hum_share=0.5)
    ):
        return None, hum
    over_db = faults.snr_db(cut, rate, onset - start)
    told = {"source": recording.name, "kind": p["kind"], "noise": noise, "over_before_db": over_db, "stopped": stopped}
    return Stroke(frozen_array(cut), rate, (onset - start) / rate, onset / rate, **told), ""


# ---- where strokes begin and end ------


def _band_power(recording: Recording, hop: int) -> np.ndarray:
    """Power (n_hops, n_bands) from 100 Hz to 10 kHz in frames of 23 ms around each hop, channels averaged."""
    rate = recording.sample_rate_hz
    size = 2 ** round(np.log2(_FRAME_S * rate))
    window = np.hanning(size + 1)[:-1].astype(np.float32)
    frequency = np.arange(size // 2 + 1) * rate / size
    edges = np.searchsorted(frequency, np.geomspace(100, min(10_000, 0.45 * rate), _N_BANDS + 1))
    edges = np.unique(edges)
    rows, left = [], None
    for _, block in recording.blocks(block_s=10.0):
        mono = block.mean(axis=1).astype(np.float32)
        left = np.concatenate([mono[size // 2 : 0 : -1] if left is None else left, mono])
        n_frames = max(0, (left.size - size) // hop + 1)
        frames = np.lib.stride_tricks.sliding_window_view(left, size)[::hop][:n_frames] if n_frames else []
        for first in range(0, n_frames, 256):
            spectrum = scipy.fft.rfft(frames[first : first + 256] * window, axis=1)
            energy = spectrum.real**2 + spectrum.imag**2
            rows.append(np.add.reduceat(energy[:, : edges[-1]], edges[:-1], axis=1))
        left = left[n_frames * hop :]
    return np.concatenate(rows).astype(float) if rows else np.zeros((1, edges.size - 1))


def _leaps(power, min_apart_s) -> list[tuple[int, float]]:
    """(hop, leap in dB) of each rise, the mean over the half of the bands that rise most.

    Strings ring on, a click is over at once: a tenth of a second later half of the bands must still lie higher.
    """
    level = 10 * np.log10(power + 1e-5 * power.max(axis=0) + 1e-300)
    before = maximum_filter1d(level, _BEFORE_HOPS, axis=0, mode="nearest")
    lag = _BEFORE_HOPS // 2 + 3
    before = np.concatenate([np.repeat(level[:1], lag, axis=0), before[:-lag]])[: len(level)]
    rise = np.sort(np.clip(level - before, 0, _LEAP_LIMIT_DB), axis=1)
    leap = rise[:, rise.shape[1] // 2 :].mean(axis=1)
    found: list[tuple[int, float]] = []
    reach = round(0.1 / _HOP_S)
    later = uniform_filter1d(level, 10, axis=0, mode="nearest")  # 0.065 to 0.115 s after
    later = np.concatenate([later[18:], np.repeat(level[-1:], 18, axis=0)])[: len(level)]
    stays = np.sort(later - before, axis=1)[:, rise.shape[1] // 2 :].mean(axis=1)
    leap[stays < _STAYS_DB] = 0
    top = (leap == maximum_filter1d(leap, 2 * reach + 1)) & (leap > 1.0)
    for k in np.flatnonzero(top):
        if found and (k - found[-1][0]) * _HOP_S < min_apart_s:
            if leap[k] > 2 * found[-1][1]:  # a weak rise before the true one
                found[-1] = (int(k), float(leap[k]))
            continue
        found.append((int(k), float(leap[k])))
    return found


def _onset_near(recording: Recording, sample: int) -> int:
    rate = recording.sample_rate_hz
    start = max(0, sample - round(0.02 * rate))
    piece = recording.read(start, min(recording.n_samples, sample + round(0.012 * rate)))
    return start + round(pick_onset(piece, rate) * rate)


def _running_mean(values, n):
    n = min(n, len(values))
    total = np.concatenate([[0.0], np.cumsum(values)])
    return (total[n:] - total[:-n]) / n


def _floor(total) -> float:
    """The quietest quarter of a second."""
    return float(max(_running_mean(total, round(_NOISE_S / _HOP_S)).min(), 0.0))


def _hand(total) -> int | None:
    """Hop where a hand stops the strings, or None: a sudden fall that what came before does not foretell."""
    n, lag = round(_HAND_S / _HOP_S), round(0.5 / _HOP_S)
    level = 10 * np.log10(_running_mean(total, 10) + 1e-300)
    if len(level) < lag + 2 * n:
        return None
    fall = level[:-n] - level[n:]
    usual = (level[: -n - lag] - level[lag:-n]) * n / lag  # of the half second before
    later = np.maximum.accumulate(level[::-1])[::-1][n:]  # after a beat the sound comes back, after a hand it does not
    lost = level[:-n] - later
    sudden = np.flatnonzero((fall[lag:] > np.maximum(_HAND_DB, 3 * usual)) & (lost[lag:] > _HAND_DB / 2))
    if not sudden.size:
        return None
    # the fall began at the last moment that still lay on the old slope
    first = lag + int(sudden[0])
    slope = max(0.0, usual[sudden[0]]) / n
    old = level[first] - slope * np.arange(n)
    off = np.flatnonzero(level[first : first + n] < old - 2.0)
    return first + int(off[0]) if off.size else first


def _check(p: Mapping) -> None:
    if p["kind"] not in KINDS:
        raise LuthkitError(f"kind is {p['kind']!r}; use one of {', '.join(map(repr, KINDS))}.")
    if not 0 < p["min_hint_db"] <= p["min_leap_db"] <= _LEAP_LIMIT_DB:
        raise LuthkitError(
            f"min_hint_db is {p['min_hint_db']} and min_leap_db {p['min_leap_db']}; "
            f"give rising values from 0 to {_LEAP_LIMIT_DB:g} dB."
        )
    if not 0.1 <= p["min_length_s"] <= p["length_s"] <= 60:
        raise LuthkitError(
            f"min_length_s is {p['min_length_s']} and length_s {p['length_s']}; "
            "allowed are 0.1 s and more, at most 60 s, and min_length_s not above length_s."
        )
    for key, low, high in (("pre_s", 0.0, 5.0), ("min_apart_s", 0.05, 5.0)):
        if not low <= p[key] <= high:
            raise LuthkitError(f"{key} is {p[key]}; allowed are {low:g} to {high:g} s.")
