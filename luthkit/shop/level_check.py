"""The level of a microphone, from some soft and some hard taps: what to turn, and what the system does to the sound.

Computers are set up for speech: a gain control that turns loud sound down and soft sound up, a noise suppression
that shuts the door when nobody speaks, a limiter that cuts the peaks. All of them bend a decay, and all give themselves
away: in an honest chain a tap that is struck harder is louder by as much at its beginning as at its end, and the room
between the taps stays as loud as it was.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import inf, isfinite, nan

import numpy as np
from scipy.signal import sosfiltfilt

from .._threads import one_thread
from ..signal.faults import in_band
from ..signal.onsets import band_filter
from ..signal.recording import Recording
from ..signal.taps import find_taps
from .ear import Take

HIGHEST_DB, LOWEST_DB = -3.0, -12.0  # where the hardest tap should peak (common practice, no source)
QUIET_DB = 30.0  # a middling tap should stand so far over the room, 60 to 1000 Hz (common practice, no source)
_ASKED_RANGE_DB = 6.0  # soft and hard taps differ by more than that, in any hand (common practice, no source)
_CLEAN_TAPS = 4  # below that many nothing can be told
_UNEVEN_DB = 2.2  # honest chains stay under that (simulated; figures in tests/benchmarks/recording.py)
_SUNK_DB, _SHUT_DB = -3.0, -9.0  # the room after a tap against the room before it
_CLIFF_DB = 5.0  # free ringing stays under 2 dB, a noise suppression makes 6 and more (simulated)
_EARLY_S, _AFTER_S = (0.003, 0.03), 0.25
_STEP_S, _STEPS, _FEWEST_STEPS = 0.01, 33, 6  # of the curve of a tap's level, from its onset
_BAND_HZ = (60.0, 400.0)  # of that curve: there soft taps and hard ones excite all modes alike
_OVER_ROOM_DB = 10.0  # quieter parts of the curve are not looked at
_WORDS = "switch off gain control and noise suppression in the system's sound settings, or use another input"


@dataclass(frozen=True)
class LevelCheck:
    """What some trial taps say of the level. NaN where there were too few taps for a figure."""

    n_taps: int
    peak_db: float  # of the hardest tap, dB of full scale
    snr_db: float  # of a middling tap, first 0.25 s over the room before, 60 to 1000 Hz
    range_db: float  # loudest over softest tap
    uneven_db: float  # how much that changes while taps ring; near 0 in an honest chain
    after_db: float  # the room after a tap against the room before it
    advice: tuple[str, ...]  # what to do about the level; what is well says so
    suspicions: tuple[str, ...]  # signs that the system alters the sound

    @property
    def is_good(self) -> bool:
        """Whether recording can begin."""
        return not self.suspicions and self.n_taps >= _CLEAN_TAPS and LOWEST_DB <= self.peak_db <= HIGHEST_DB


@one_thread
def check_level(takes: Sequence[Take]) -> LevelCheck:
    """Judge the level from takes of three soft taps and three hard ones, in any order.

    `uneven_db` is the range, over the first third of a second, of the level of the hard taps over that of the soft
    ones: medians of the harder and the softer half, steps of 10 ms, 60 to 400 Hz, as long as all stand 10 dB over the
    room; NaN where that is less than 60 ms. `after_db` is the median change of the room's noise from before each tap
    to the end of its take.
    """
    peak_db = max((take.peak_db for take in takes), default=-inf)
    found = [(take, *_levels(take)) for take in takes]
    rows = [row for _, row, _ in found if row]
    range_db = max(r.early for r in rows) - min(r.early for r in rows) if len(rows) > 1 else nan
    snr_db = float(np.median([r.snr_db for r in rows])) if rows else nan
    after = [r.after - r.before for r in rows if isfinite(r.before)]
    after_db = float(np.median(after)) if len(after) > 2 else nan
    uneven_db = _uneven_db(rows)
    suspicions = []
    if any(why.startswith("clipped") and take.peak_db < -1 for take, _, why in found):
        suspicions.append(
            f"Hard taps are cut flat below full scale: a limiter is at work, or a preamplifier is too loud; {_WORDS}."
        )
    if len(rows) >= _CLEAN_TAPS and range_db < _ASKED_RANGE_DB:
        suspicions.append(
            f"The level does not follow the tap: soft and hard differ by {range_db:.0f} dB only. If you did tap softly "
            f"and hard, a gain control is at work: {_WORDS}."
        )
    if uneven_db > _UNEVEN_DB:
        suspicions.append(
            f"Hard taps do not die away as soft ones do: the difference changes by {uneven_db:.1f} dB, under "
            f"{_UNEVEN_DB:g} dB in an honest chain. The system alters the sound while it rings; {_WORDS}."
        )
    cliff = float(np.median([r.cliff for r in rows])) if len(rows) > 2 else nan
    if after_db < _SHUT_DB or any(r.shut for r in rows):
        suspicions.append(f"After a tap there is silence, not the room: a noise suppression is at work; {_WORDS}.")
    elif cliff > _CLIFF_DB:
        suspicions.append(
            f"The taps do not die away evenly, they are cut off ({cliff:.0f} dB too steep at the end): a noise "
            f"suppression is at work; {_WORDS}."
        )
    elif after_db < _SUNK_DB:
        suspicions.append(
            f"The room is {-after_db:.0f} dB quieter after a tap than before it: a gain control is at work; {_WORDS}."
        )
    advice = _advice([why for _, row, why in found if not row], len(rows), peak_db, snr_db)
    if len(rows) >= _CLEAN_TAPS and not suspicions and not isfinite(uneven_db):
        advice += ("Whether the system alters the sound cannot be told: the soft taps stand too little over the room.",)
    return LevelCheck(len(rows), peak_db, snr_db, range_db, uneven_db, after_db, advice, tuple(suspicions))


def meter_words(level_db: float) -> str:
    """What a level of the moment means, in a word or two.

    >>> [meter_words(level) for level in (-float("inf"), -50, -8, -1)]
    ['nothing', 'quiet', 'good', 'too loud']
    """
    if level_db == -inf:
        return "nothing"
    return "too loud" if level_db > HIGHEST_DB else "good" if level_db >= 2 * LOWEST_DB else "quiet"


def _advice(left_out: Sequence[str], n_taps: int, peak_db: float, snr_db: float) -> tuple[str, ...]:
    if peak_db == -inf:
        return ("Nothing was heard. Choose another input, plug the microphone in, and see that it is not muted.",)
    if not n_taps and peak_db < -0.1:
        why = "Nothing of what was heard is a clean tap. Damp the strings, come nearer or turn the gain up."
        return (why, f"If that does not help, something alters the sound: {_WORDS}.")
    said = []
    if peak_db > -0.1:
        said.append("Too loud: the hardest tap is cut off at full scale. Turn the gain down by 10 dB and check again.")
    elif peak_db > HIGHEST_DB:
        said.append(f"A little too loud: turn the gain down by about {peak_db - HIGHEST_DB + 3:.0f} dB.")
    elif peak_db < LOWEST_DB:
        said.append(
            f"Quiet: the hardest tap peaks at {peak_db:.0f} dB. Turn the gain up by about "
            f"{LOWEST_DB + 4 - peak_db:.0f} dB, or come nearer, but not within 20 cm of the soundhole."
        )
    else:
        said.append(f"The level is good: the hardest tap peaks at {peak_db:.0f} dB.")
    if n_taps < _CLEAN_TAPS and peak_db <= -0.1:
        why = f": {left_out[-1]}" if left_out else ""
        said.append(f"Only {n_taps} clean tap{'s' * (n_taps != 1)} heard, {_CLEAN_TAPS} are needed; check again{why}.")
        if sum(reason.startswith("double hit") for reason in left_out) > n_taps:
            said.append(
                f"Most taps sound as if struck twice. If they were not, a noise suppression is at work: {_WORDS}."
            )
    if snr_db < QUIET_DB:
        said.append(
            f"The room is loud: a tap stands only {snr_db:.0f} dB over it. Switch off what hums and blows, close the "
            "door, come nearer."
        )
    return tuple(said)


@dataclass(frozen=True)
class _Levels:
    early: float  # dB, 60 to 1000 Hz
    curve: np.ndarray  # dB, 60 to 400 Hz, in steps of 10 ms from the onset; NaN where too near the room
    before: float
    after: float
    snr_db: float
    shut: bool  # digital silence after the tap where there was none before
    cliff: float  # dB: how much steeper the steepest stretch of the fall is than what came before it


def _levels(take: Take) -> tuple[_Levels | None, str]:
    """Levels in one take with a single tap; else None, and why."""
    sound = Recording.from_samples(take.samples, take.sample_rate_hz, name="trial")
    found = find_taps(sound, min_snr_db=6.0, min_fall_db=3.0)
    if len(found.taps) != 1 or any(r.time_s is not None for r in found.rejected):
        return None, found.rejected[0].reason if found.rejected else "more than one tap"
    (tap,) = found.taps
    rate = take.sample_rate_hz
    onset = round(tap.time_s * rate)
    band = np.sum(in_band(take.samples, rate) ** 2, axis=1)
    margin = round(0.02 * rate)
    quiet = slice(margin, onset - margin) if onset > round(0.2 * rate) else slice(0)
    before = _db(band[quiet]) if quiet.stop else nan
    noise = 10 ** (before / 10) if isfinite(before) else 0.0
    early = _db(band[onset + round(_EARLY_S[0] * rate) : onset + round(_EARLY_S[1] * rate)] - noise)
    after = _db(band[len(band) - round(_AFTER_S * rate) - margin : len(band) - margin])
    shut = _longest_still(take.samples[onset:]) > 0.02 * rate > 10 * _longest_still(take.samples[:onset])
    curve = _curve(take.samples, rate, onset, quiet)
    return _Levels(early, curve, before, after, tap.snr_db, shut, _cliff(band[onset:], rate)), ""


def _curve(samples: np.ndarray, rate: float, onset: int, quiet: slice) -> np.ndarray:
    """Level of the tap without the room's noise, which is that of `quiet`, step by step."""
    power = np.sum(sosfiltfilt(band_filter(*_BAND_HZ, rate), samples, axis=0, padtype=None) ** 2, axis=1)
    noise = power[quiet].mean() if quiet.stop else np.inf
    step = round(_STEP_S * rate)
    steps = power[onset : onset + _STEPS * step]
    steps = np.convolve(steps[: len(steps) // step * step].reshape(-1, step).mean(axis=1), np.ones(3) / 3, "valid")
    heard = steps > 10 ** (_OVER_ROOM_DB / 10) * noise
    return 10 * np.log10(np.where(heard, steps - noise, np.nan))


def _uneven_db(rows: Sequence[_Levels]) -> float:
    """Range of the level of hard taps over soft ones while they ring; NaN where too little of it can be heard."""
    if len(rows) < _CLEAN_TAPS:
        return nan
    rows, half = sorted(rows, key=lambda r: r.early), len(rows) // 2
    length = min(len(r.curve) for r in rows)
    curves = np.array([r.curve[:length] for r in rows])
    heard = np.all(np.isfinite(curves), axis=0)
    length = length if heard.all() else int(np.argmin(heard))
    if length < _FEWEST_STEPS:
        return nan
    return float(np.ptp(np.median(curves[-half:, :length], axis=0) - np.median(curves[:half, :length], axis=0)))


def _cliff(power: np.ndarray, rate: float) -> float:
    """How much more the level falls in one stretch of 0.1 s than in any that began 0.06 s or more before it, in dB.

    What rings freely falls ever more slowly, but for beats; a door that is shut makes a cliff.
    """
    step = round(0.02 * rate)
    count = min(len(power) // step, 60)
    level = 10 * np.log10(np.maximum(power[: count * step].reshape(count, step).mean(axis=1), 1e-30))
    smooth = np.convolve(level, np.ones(3) / 3, "valid")
    fall = smooth[:-5] - smooth[5:]
    steepest = np.maximum.accumulate(fall)
    return float(np.max(fall[3:] - steepest[:-3], initial=0.0))


def _db(power: np.ndarray) -> float:
    return float(10 * np.log10(max(power.mean() if len(power) else 0.0, 1e-30)))


def _longest_still(samples: np.ndarray) -> int:
    """Longest run of samples that are all alike."""
    moves = np.flatnonzero(np.any(np.diff(samples, axis=0) != 0, axis=1))
    return int(np.diff(np.concatenate([[-1], moves, [len(samples) - 1]])).max()) if len(samples) > 1 else 0
