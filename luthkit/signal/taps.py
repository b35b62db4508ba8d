"""Taps: onsets found in recordings, cut with the noise before them, kept or rejected with a reason."""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from .._frozen import frozen_array, frozen_dict
from .._threads import one_thread
from ..errors import LuthkitError, RecordingError
from . import faults
from .fellows import judge
from .onsets import pick_onset, read_envelope, rises
from .recording import Recording, open_recording

_GUARD_S = 0.005  # a cut ends this long before the next tap
_NEAR_S = 0.03  # the onset is sought this far around the rise of the energy


@dataclass(frozen=True, eq=False)
class Tap:
    """One accepted tap: samples from `onset_s` before the onset (room noise) to the end of the cut."""

    samples: np.ndarray  # (n_samples, n_channels), read-only float64, full scale = 1.0
    sample_rate_hz: int
    onset_s: float  # from the first sample of the cut to the onset
    time_s: float  # onset in the recording
    source: str  # Recording.name
    position: str = ""  # where it was struck, e.g. "bridge centre"; "" when nobody said
    placement: str = ""  # taps between two re-placements of guitar and microphone share one name
    snr_db: float = float("nan")  # level of the first 0.25 s over the noise before the tap, 60 to 1000 Hz


@dataclass(frozen=True)
class Rejection:
    """A tap, or a whole file (`time_s` is None), that was left out, with the reason in the maker's words."""

    source: str
    time_s: float | None
    reason: str


@dataclass(frozen=True, eq=False)
class TapSet:
    """Accepted taps of one instrument, in the order of the recordings, and the rejected ones with reasons."""

    taps: tuple[Tap, ...]
    rejected: tuple[Rejection, ...]
    sources: Mapping[str, str]  # Recording.name -> SHA-256
    parameters: Mapping[str, object]
    notes: tuple[str, ...] = ()  # plain sentences about what was noticed and is no fault


@one_thread
def find_taps(
    recordings,
    *,
    positions: Mapping[str, str] | None = None,
    placements: Mapping[str, str] | None = None,
    pre_s: float = 0.1,
    length_s: float = 1.2,
    min_length_s: float = 0.4,
    min_rise_db: float = 6.0,
    min_over_floor_db: float = 8.0,
    min_snr_db: float = 15.0,
    double_hit_db: float = -12.0,
    double_hit_range_s: tuple[float, float] = (0.005, 0.2),
    max_hum_share: float = 0.5,
    min_fall_db: float = 8.0,
    max_q: float = 200.0,
    max_string_db: float = -30.0,
    min_fellows: int = 4,
    min_likeness: float = 0.6,
    outlier_frequency: float = 0.005,
    outlier_damping: float = 0.25,
    outlier_level_db: float = 12.0,
    outlier_widest_level_db: float = 18.0,
    outlier_deviations: float = 5.0,
) -> TapSet:
    """Find the taps in recordings, cut them, and leave out the spoilt ones, each with its reason.

    recordings : a `Recording` or the path of a sound file, several of them, or a dictionary name -> path.
        Files are read block by block, one after the other. One that cannot be used becomes a `Rejection`
        without a time, and the rest goes on.
    positions, placements : recording name -> where it was struck, and the name of the set-up (guitar and
        microphone are put back in place between two set-ups).
    pre_s, length_s : what is cut before and after each onset, at most; a cut ends where the file or the next
        tap does.
    min_length_s : shortest stretch after the onset; a shorter one is "too short".
    min_rise_db, min_over_floor_db : how far the energy must leap, mean over three bands, and stand over the
        floor.
    min_snr_db : least level of the first 0.25 s over the noise before, 60 to 1000 Hz; below it "too weak".
    double_hit_db, double_hit_range_s : a second blow as strong as this against the first, within this range.
    max_hum_share : share of the power that mains hum may carry.
    min_fall_db : how much quieter 0.3 to 0.4 s must be than the first 0.1 s, so that speech and notes stay
        out.
    max_q, max_string_db : lines of higher Q that together are as loud as this late in the cut, against the
        tap, are strings left ringing.
    min_fellows : with at least so many other taps of the same position and placement, outliers are looked
        for.
    min_likeness : how alike two taps must sound, from 0 to 1, to be fellows where no position is known; where
        it is known, one that is less like the majority is an outlier.
    outlier_frequency, outlier_damping, outlier_level_db : least distance from the median of the fellows that
        makes an outlier, the first two relative.
    outlier_deviations : the same in robust standard deviations; the larger counts, but for the level no more
        than outlier_widest_level_db.

    Returns a `TapSet`, which may hold no tap. Raises `LuthkitError` for a limit out of range, or two
    recordings of one name.

    The limits are common practice (no published source) but for the width of the outlier limits, which were
    set so that random clean sets lose well under 2 % of their taps. Double hits are found by comparison with
    two or more fellows; a tap without them is judged by itself, and then a second blow within 20 ms may go
    unseen.
    """
    parameters = {key: value for key, value in locals().items() if key not in ("recordings", "positions", "placements")}
    _check(parameters)
    positions, placements = dict(positions or {}), dict(placements or {})
    notes: list[str] = []
    named = tuple(named_recordings(recordings))
    taps, rejected, sources = read_each(named, lambda recording: _taps_of(recording, parameters, notes))
    taps = [
        replace(tap, position=positions.get(tap.source, ""), placement=placements.get(tap.source, "")) for tap in taps
    ]
    order = {name: k for k, (name, _) in enumerate(named)}
    taps, strangers = _without_strangers(taps, parameters)
    rejected = sorted(rejected + strangers, key=lambda r: (order[r.source], r.time_s or 0.0))
    return TapSet(tuple(taps), tuple(rejected), frozen_dict(sources), frozen_dict(parameters), tuple(notes))


def named_recordings(recordings) -> Iterable[tuple[str, object]]:
    """Pairs (name, Recording or path)."""
    if isinstance(recordings, (Recording, str, os.PathLike)):
        recordings = [recordings]
    if isinstance(recordings, Mapping):
        yield from ((str(name), item) for name, item in recordings.items())
        return
    for item in recordings:
        yield (item.name if isinstance(item, Recording) else Path(item).as_posix()), item


def read_each(named, find) -> tuple[list, list[Rejection], dict[str, str]]:
    """What `find(recording)` kept and left out, of pairs (name, Recording or path), in their order.

    A recording that cannot be used becomes a `Rejection` without a time. The third: name -> SHA-256 of those opened.
    Raises `LuthkitError` when two have one name.
    """
    kept, rejected, sources, seen = [], [], {}, set()
    for name, item in named:
        if name in seen:
            raise LuthkitError(f"two recordings are called {name}; give each its own name.")
        seen.add(name)
        try:
            recording = item if isinstance(item, Recording) else open_recording(item, name=name)
            sources[name] = recording.sha256
            found, left_out = find(recording)
        except RecordingError as error:
            rejected.append(Rejection(name, None, str(error)))
            continue
        kept += found
        rejected += left_out
    return kept, rejected, sources


def _taps_of(recording: Recording, p: Mapping, notes: list[str]) -> tuple[list[Tap], list[Rejection]]:
    """Taps and rejections of one recording; what else was noticed is added to `notes`."""
    rate = recording.sample_rate_hz
    envelope = read_envelope(recording)
    if envelope.same_channels:
        notes.append(f"{recording.name}: both channels are equal, sample for sample; one is kept.")
    if envelope.peak == 0:
        return [], [Rejection(recording.name, None, "silence: every sample is the same")]
    onsets: list[int] = []
    for rise in rises(envelope, min_rise_db=p["min_rise_db"], min_over_floor_db=p["min_over_floor_db"]):
        onset = _onset_near(recording, rise, envelope.quietest)
        if not onsets or onset - onsets[-1] > p["double_hit_range_s"][1] * rate:
            onsets.append(onset)
    if not onsets:
        reason = (
            "no tap found: nothing begins suddenly and stands out from what was before "
            f"(the loudest sample is {20 * np.log10(envelope.peak):.0f} dB of full scale)"
        )
        return [], [Rejection(recording.name, None, reason)]
    taps, rejected = [], []
    for k, onset in enumerate(onsets):
        stop = min(recording.n_samples, onset + round(p["length_s"] * rate))
        if k + 1 < len(onsets):
            stop = min(stop, onsets[k + 1] - round(_GUARD_S * rate))
        start = max(0, onset - round(p["pre_s"] * rate))
        cut = recording.read(start, stop)
        if envelope.same_channels:
            cut = cut[:, :1]
        reason, snr_db = _fault(cut, rate, onset - start, p, followed=k + 1 < len(onsets))
        time_s = onset / rate
        if reason:
            rejected.append(Rejection(recording.name, time_s, reason))
        else:
            onset_s = (onset - start) / rate
            taps.append(Tap(frozen_array(cut), rate, onset_s, time_s, recording.name, snr_db=snr_db))
    return taps, rejected


def _onset_near(recording: Recording, rise: int, quietest: int) -> int:
    """Sample of the onset near a rise of the energy.

    A recording that begins with the blow has no noise before it; its quietest stretch is put in front.
    """
    near = round(_NEAR_S * recording.sample_rate_hz)
    start = rise - near
    piece = recording.read(max(0, start), min(recording.n_samples, rise + near))
    if start < 0:
        quiet = recording.read(quietest, min(recording.n_samples, quietest - start))
        start = -len(quiet)
        piece = np.concatenate([quiet, piece])
    return max(0, start + round(pick_onset(piece, recording.sample_rate_hz) * recording.sample_rate_hz))


def _fault(cut, rate: float, onset: int, p: Mapping, *, followed: bool) -> tuple[str, float]:
    """(the first fault found or "", the level over the noise in dB)."""
    after_s = (len(cut) - onset) / rate
    if after_s < p["min_length_s"]:
        end = "the next sound" if followed else "the recording ends"
        return f"too short: {end} {after_s:.2f} s after the onset ({p['min_length_s']:g} s are asked for)", np.nan
    snr_db = faults.snr_db(cut, rate, onset)
    reason = (
        faults.clipped(cut, full_scale=1.0)
        or faults.hum_dominated(cut, rate, onset, max_hum_share=p["max_hum_share"])
        or (
            faults.too_weak(cut, rate, onset, snr_db=snr_db, min_snr_db=p["min_snr_db"])
            if snr_db < p["min_snr_db"]
            else ""
        )
        or faults.not_a_tap(cut, rate, onset, min_fall_db=p["min_fall_db"])
        or faults.strings_ringing(cut, rate, onset, max_q=p["max_q"], max_string_db=p["max_string_db"])
    )
    return reason, snr_db


def _without_strangers(taps: list[Tap], p: Mapping) -> tuple[list[Tap], list[Rejection]]:
    """Taps that agree with their fellows, and the others as rejections."""
    groups: dict[tuple, list[int]] = {}
    for i, tap in enumerate(taps):
        spot = (tap.position, tap.placement, tap.sample_rate_hz, tap.samples.shape[1])
        groups.setdefault(spot, []).append(i)
    reasons = [""] * len(taps)
    for (position, *_), members in groups.items():
        found = judge([taps[i] for i in members], same_spot=bool(position), limits=p)
        for i, reason in zip(members, found, strict=True):
            reasons[i] = reason
    kept = [tap for tap, reason in zip(taps, reasons, strict=True) if not reason]
    strangers = [Rejection(tap.source, tap.time_s, reason) for tap, reason in zip(taps, reasons, strict=True) if reason]
    return kept, strangers


def _check(p: Mapping) -> None:
    """Raise `LuthkitError` for limits that make no sense."""
    if not 0 <= p["pre_s"] <= 5:
        raise LuthkitError(f"pre_s is {p['pre_s']}; allowed are 0 to 5 s, 0.1 s is usual.")
    if not 0.25 <= p["min_length_s"] <= p["length_s"] <= 30:
        raise LuthkitError(
            f"min_length_s is {p['min_length_s']} and length_s {p['length_s']}; "
            "allowed are 0.25 s and more, at most 30 s, and min_length_s not above length_s."
        )
    low, high = p["double_hit_range_s"]
    if not 0 < low < high <= 1:
        raise LuthkitError(f"double_hit_range_s is {(low, high)}; give two rising times of at most 1 s.")
    for key in ("max_hum_share", "min_likeness", "outlier_frequency", "outlier_damping"):
        if not 0 < p[key] <= 1:
            raise LuthkitError(f"{key} is {p[key]}; allowed is more than 0, up to 1.")
    for key in ("max_q", "min_fellows", "outlier_level_db", "outlier_widest_level_db", "outlier_deviations"):
        if not p[key] > 0:
            raise LuthkitError(f"{key} is {p[key]}; allowed is more than 0.")
