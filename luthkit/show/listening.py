"""Build and reference for the ear: equally loud players, and the build with the reference's balance."""

from __future__ import annotations

from base64 import b64encode
from dataclasses import dataclass
from html import escape
from io import BytesIO

import numpy as np

from ..errors import LuthkitError
from ..shop.session import read_session
from ..signal.bands import BandLevels, third_octaves
from ..signal.listening import LIMIT_DB, coloured, difference_db, equally_loud, loudness_lufs
from ..signal.strokes import Stroke, find_strokes
from .page import Page, bullets, file_word, identity_of, image, table
from .plots.listening import plot_difference

LENGTH_S = 6.0
_BAND_LENGTH_S = 2.0
_WORDS = (
    "All players are equally loud. What differs may be the guitar, but also the strum, the strings and "
    "their age, the player and the room: listen to several strums before you trust your ear.",
    "The third player is a SIMULATION: the build's own strum through a filter that gives it the reference's balance of "
    f"third octaves, smoothed, by no more than {LIMIT_DB:g} dB. It lets you hear that difference alone, without the "
    "difference of the two strums; how each mode rings on is not changed.",
    "Of two sounds people tend to prefer the second, and what they hope for: the blind test below balances both.",
    "For those who check: loudness after ITU-R BS.1770.",
)


@dataclass(frozen=True, eq=False)
class Played:
    """What is to be heard of one guitar: its middling strum, and the balance of all its strums."""

    name: str
    samples: np.ndarray  # (n,)
    sample_rate_hz: int
    bands: BandLevels
    n_strokes: int
    source: str
    sha256: str


def read_played(path, *, kind: str = "strum") -> Played:
    """The strums (or plucks) of a folder: the one of middling loudness, and the mean power in each third octave.

    Raises `LuthkitError` when there is none, or as `read_session` does.
    """
    session = read_session(path)
    recordings = {r.name: r.path for r in session.of_kind(kind)}
    found = find_strokes(recordings, kind=kind) if recordings else None
    strokes = [s for s in found.strokes if s.length_s >= _BAND_LENGTH_S] if found else []
    if not strokes:
        why = f": {found.rejected[0].reason}" if found and found.rejected else ""
        raise LuthkitError(f"{session.name} has no {kind} of {_BAND_LENGTH_S:g} s or more{why}; record some")
    by_loudness = sorted(strokes, key=lambda s: loudness_lufs(_sound(s), s.sample_rate_hz))
    middling = by_loudness[(len(by_loudness) - 1) // 2]
    return Played(
        name=session.name,
        samples=_sound(middling),
        sample_rate_hz=middling.sample_rate_hz,
        bands=_mean_bands(strokes),
        n_strokes=len(strokes),
        source=middling.source,
        sha256=found.sources[middling.source],
    )


def players(build: Played, reference: Played) -> tuple[tuple[tuple[str, bytes], ...], np.ndarray, np.ndarray]:
    """((name, WAV file) of build, reference and the simulation, equally long and loud), mid_hz, gain_db."""
    mid_hz, gain_db = difference_db(build.bands, reference.bands)
    length_s = min(len(each.samples) / each.sample_rate_hz for each in (build, reference))
    cut = [each.samples[: int(length_s * each.sample_rate_hz)] for each in (build, reference)]
    cut.append(coloured(cut[0], build.sample_rate_hz, mid_hz, gain_db))
    rates = (build.sample_rate_hz, reference.sample_rate_hz, build.sample_rate_hz)
    sounds, _ = equally_loud([_faded(x, rate) for x, rate in zip(cut, rates, strict=True)], rates)
    names = (build.name, reference.name, f"{build.name} with the balance of {reference.name} (simulation)")
    return tuple((name, _wav(x, rate)) for name, x, rate in zip(names, sounds, rates, strict=True)), mid_hz, gain_db


def listening_page(build: Played, reference: Played, heard) -> Page:
    """Three players and the curve between the first two; `heard` is what `players` gave for them."""
    sounds, mid_hz, gain_db = heard
    shown = [
        f'<p>{escape(name)}<br><audio controls preload="auto" aria-label="{escape(name)}" '
        f'src="data:audio/wav;base64,{b64encode(wav).decode("ascii")}"></audio></p>'
        for name, wav in sounds
    ]
    rows = [(p.name, str(p.n_strokes), p.source) for p in (build, reference)]
    largest = int(np.argmax(np.abs(gain_db)))
    alt = (
        f"Balance of {reference.name} against {build.name} in third octaves from {mid_hz[0]:.0f} "
        f"to {mid_hz[-1]:.0f} Hz; the largest difference is {gain_db[largest]:+.1f} dB at {mid_hz[largest]:.0f} Hz"
    )
    body = "\n".join(
        [
            *shown,
            image(plot_difference(mid_hz, gain_db, build.name, reference.name), alt),
            table(("Guitar", "Strums read", "The one you hear"), rows),
            bullets(_WORDS),
        ]
    )
    title, identity = f"{build.name} heard beside {reference.name}", identity_of(build.sha256, reference.sha256)
    stem = f"{file_word(build.name)}_heard_beside_{file_word(reference.name)}"
    return Page(title, body, stem, identity, done=f"{build.name} and {reference.name} are ready to be heard")


def _sound(stroke: Stroke) -> np.ndarray:
    return stroke.after_onset(start_s=-min(0.05, stroke.onset_s), length_s=LENGTH_S)


def _mean_bands(strokes: list[Stroke]) -> BandLevels:
    """The mean over strums, each made equally loud by its A-weighted level."""
    each = [third_octaves(s.after_onset(length_s=_BAND_LENGTH_S), s.sample_rate_hz) for s in strokes]
    n_bands = min(len(levels.mid_hz) for levels in each)
    levels = np.array([levels.level_db[:n_bands] - levels.a_weighted_db for levels in each])
    with np.errstate(divide="ignore"):
        mean_db = 10 * np.log10(np.mean(10 ** (levels / 10), axis=0))
    return BandLevels(each[0].mid_hz[:n_bands], mean_db, float("nan"), 0.0)


def _faded(samples: np.ndarray, rate: int, fade_s: float = 0.3) -> np.ndarray:
    """The end faded out, so that a cut is not heard as a click."""
    n = min(len(samples), round(fade_s * rate))
    out = np.array(samples, float)
    out[len(out) - n :] *= np.cos(np.linspace(0, np.pi / 2, n)) ** 2
    return out


def _wav(samples: np.ndarray, rate: int) -> bytes:
    import soundfile

    store = BytesIO()
    soundfile.write(store, samples, rate, format="WAV", subtype="PCM_16")
    return store.getvalue()
