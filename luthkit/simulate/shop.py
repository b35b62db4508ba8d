"""The sound of the invented workshop: taps, plucks and strums of its guitars, all synthetic.

`write_shop(folder)` writes the recordings, a session.toml for each guitar, the truth and a page about it all.
Each file has its own random numbers, drawn from the seed and the file's name, so that any of them can be made
again alone, sample for sample.
"""

from __future__ import annotations

from collections.abc import Collection
from functools import partial
from pathlib import Path
from zlib import crc32

import numpy as np
from scipy.signal import fftconvolve

from . import recipe
from .bench import force_pulse, in_band_rms, mains_hum, room_response
from .body import Body, coupled_modes, guitar, pole
from .histories import sample_texts
from .papers import about_text, rounded, session_text, truth_text
from .plan_papers import plan_texts
from .recipe import GUITARS, PLACEMENTS, SAMPLE_RATE_HZ, ShopGuitar
from .strings import String, pluck_sound, strum_sound
from .woodpile import SAMPLE_RATE_HZ as WOOD_RATE_HZ
from .woodpile import wood_sounds, wood_texts


def write_shop(folder, *, only: Collection[str] | None = None) -> list[Path]:
    """Write everything, or the sounds named in `only` (paths relative to `folder`), and return the paths.

    FLAC, 16 bits, mono. Files of the same name are replaced. Times of the blows and the modes, strings and
    rooms are written to truth.json, in SI units; ABOUT.md tells in plain words what all this is.
    """
    folder, written, sounds_told = Path(folder), [], {}
    bodies = {instrument.folder: shop_body(instrument) for instrument in GUITARS}
    plugged = {instrument.folder: plugged_body(instrument) for instrument in GUITARS if instrument.plugged}
    for instrument in GUITARS:
        for name, make in _plan(instrument, bodies[instrument.folder]).items():
            if only is not None and name not in only:
                continue
            samples, sounds_told[name] = make()
            written.append(_write_flac(folder / name, samples))
    for name, make in wood_sounds().items():
        if only is None or name in only:
            samples, sounds_told[name] = make()
            written.append(_write_flac(folder / name, samples, WOOD_RATE_HZ))
    if only is not None:
        return written
    texts = {f"{instrument.folder}/session.toml": session_text(instrument) for instrument in GUITARS}
    texts |= wood_texts() | sample_texts() | plan_texts()
    texts["truth.json"] = truth_text(bodies, plugged, sounds_told)
    texts["ABOUT.md"] = about_text()
    for name, text in texts.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_text(text, encoding="utf-8", newline="\n")
        written.append(folder / name)
    return written


def shop_body(instrument: ShopGuitar) -> Body:
    """The modes of one guitar. The higher ones have a common pattern and differ by about 1 % and 4 % of Q."""
    common = guitar(_rng("one pattern for all"), instrument.model)
    rng = _rng(instrument.folder)
    frequency_hz = common.frequency_hz * np.exp(0.01 * rng.standard_normal(len(common.poles)))
    damping_ratio = common.damping_ratio * np.exp(0.04 * rng.standard_normal(len(common.poles)))
    poles = pole(frequency_hz, damping_ratio)
    for k, label in enumerate(common.labels):
        if label in instrument.plate_modes:
            frequency, quality = instrument.plate_modes[label]
            poles[k] = pole(frequency, 0.5 / quality)
        elif label:  # of the three coupled modes: they are as the model says
            poles[k] = common.poles[k]
    return Body(poles, common.residues, common.positions, common.labels)


def plugged_body(instrument: ShopGuitar) -> Body:
    """The same guitar with the soundhole plugged: no air mode, top and back move, all that lies above stays."""
    body = shop_body(instrument)
    poles, shapes, labels = coupled_modes(instrument.model, plugged=True)
    stays = [k for k, label in enumerate(body.labels) if label not in ("air", "main top", "main back")]
    return Body(
        np.concatenate([poles, body.poles[stays]]),
        np.concatenate([shapes, body.residues[stays]]),
        body.positions,
        (*labels, *(body.labels[k] for k in stays)),
    )


def _plan(instrument: ShopGuitar, body: Body) -> dict:
    """Name of each sound file of a guitar -> a function that makes (samples, what is true of it)."""
    plan = {}
    for file, position, placement, plugged in instrument.takes():
        name = f"{instrument.folder}/{file}"
        plan[name] = partial(_taps, name, instrument, body, position, placement, plugged=plugged)
    for string in recipe.STRINGS:
        name = f"{instrument.folder}/plucks/{string.name}.flac"
        plan[name] = partial(_plucks, name, instrument, body, string)
    name = f"{instrument.folder}/strums/E_major.flac"
    plan[name] = partial(_strums, name, instrument, body)
    return plan


def _taps(name: str, instrument: ShopGuitar, body: Body, position: str, placement: str, *, plugged: bool):
    """Six good taps and, as usual where the recipe says so, a spoilt one among them. `body` is the guitar as usual."""
    rng = _rng(name)
    gain, tap_rms = _level(body)
    kinds = ["good"] * recipe.GOOD_TAPS
    if not plugged and (spoilt := instrument.spoilt.get((position, placement))):
        kinds.insert(int(rng.integers(1, recipe.GOOD_TAPS)), spoilt)
    struck = plugged_body(instrument) if plugged else body
    dry = struck.impulse_response(1.5, SAMPLE_RATE_HZ, body.positions.index(position))
    wet = fftconvolve(dry, _room(instrument, placement))
    onsets = 0.8 + np.concatenate([[0.0], np.cumsum(rng.uniform(*recipe.GAP_S, len(kinds) - 1))])
    samples = np.zeros(round((onsets[-1] + 1.6) * SAMPLE_RATE_HZ))
    for kind, onset in zip(kinds, onsets, strict=True):
        strike_db = rng.uniform(-1, 1) * recipe.LEVEL_SPREAD_DB
        pulse = _pulse(rng)
        if kind == "double hit":
            gap = round(rng.uniform(0.04, 0.07) * SAMPLE_RATE_HZ)
            again = _pulse(rng) * 10 ** (-3 / 20)
            pulse = np.pad(pulse, (0, gap + len(again) - len(pulse)))
            pulse[gap:] += again
        blow = fftconvolve(wet, pulse)
        strength = gain * 10 ** (strike_db / 20)
        if kind == "clipped":
            strength = 1.8 / np.abs(blow).max()
        elif kind == "too weak":
            strength = gain * 10 ** (-28 / 20)
        first = round(onset * SAMPLE_RATE_HZ)
        part = samples[first : first + len(blow)]
        part += strength * blow[: len(part)]
    spoilt_told = {str(k): kind for k, kind in enumerate(kinds) if kind != "good"}
    told = {"onsets_s": rounded(np.round(onsets * SAMPLE_RATE_HZ) / SAMPLE_RATE_HZ), "spoilt": spoilt_told}
    if plugged:
        told["condition"] = "soundhole plugged"
    return samples + _background(rng, len(samples), tap_rms), told


def _pulse(rng) -> np.ndarray:
    return force_pulse(rng.uniform(*recipe.PULSE_S), SAMPLE_RATE_HZ)


def _plucks(name: str, instrument: ShopGuitar, body: Body, string: String):
    """One open string, plucked at about a fifth of its length, never twice alike."""
    rng = _rng(name)
    ways = [
        {
            "place": rng.uniform(*recipe.PLUCK_PLACE),
            "angle_deg": rng.uniform(*recipe.PLUCK_ANGLE_DEG),
            "displacement_m": 1e-3 * 10 ** (rng.uniform(-1, 1) * recipe.PLUCK_SPREAD_DB / 20),
        }
        for _ in range(instrument.n_plucks)
    ]
    sounds = [pluck_sound(body, string, length_s=recipe.PLUCK_S, sample_rate_hz=SAMPLE_RATE_HZ, **way) for way in ways]
    samples, told = _in_the_room(rng, instrument, body, sounds)
    return samples, {**told, "plucks": [{key: rounded(value) for key, value in way.items()} for way in ways]}


def _strums(name: str, instrument: ShopGuitar, body: Body):
    """Strokes over an open chord, from the lowest string to the highest."""
    rng = _rng(name)
    chord = [string.stopped(fret) for string, fret in zip(recipe.STRINGS, recipe.E_MAJOR_FRETS, strict=True)]
    strokes = [
        strum_sound(rng, body, chord, length_s=recipe.STRUM_S, sample_rate_hz=SAMPLE_RATE_HZ)
        for _ in range(instrument.n_strums)
    ]
    samples, told = _in_the_room(rng, instrument, body, [sound for sound, _ in strokes])
    starts = [rounded(np.add(first, own)) for first, (_, own) in zip(told["onsets_s"], strokes, strict=True)]
    return samples, {**told, "strings_let_go_s": starts, "chord": "E major", "frets": recipe.E_MAJOR_FRETS}


def _in_the_room(rng, instrument: ShopGuitar, body: Body, sounds):
    """Sounds one after the other, each stopped by a hand at its end, with room and background."""
    _, tap_rms = _level(body)
    hand = np.ones(len(sounds[0]))
    stop = round(0.15 * SAMPLE_RATE_HZ)
    hand[-stop:] = np.cos(np.linspace(0, np.pi / 2, stop)) ** 2
    silence = np.zeros(round(0.5 * SAMPLE_RATE_HZ))
    dry = np.concatenate([silence, *(hand * sound for sound in sounds), silence])
    wet = fftconvolve(dry, _room(instrument, PLACEMENTS[0]))[: len(dry)]
    wet *= _note_gain(body)
    onsets = 0.5 + np.arange(len(sounds)) * len(hand) / SAMPLE_RATE_HZ
    return recipe.NOTE_GAIN * (wet + _background(rng, len(wet), tap_rms)), {"onsets_s": rounded(onsets)}


def _level(body: Body) -> tuple[float, float]:
    """(gain, root mean square in 60 to 1000 Hz) of a middling tap at the bridge, without a room."""
    tap = fftconvolve(body.impulse_response(0.25, SAMPLE_RATE_HZ), force_pulse(recipe.PULSE_USUAL_S, SAMPLE_RATE_HZ))
    gain = recipe.TAP_PEAK / np.abs(tap).max()
    return gain, gain * in_band_rms(tap, SAMPLE_RATE_HZ)


def _note_gain(body: Body) -> float:
    """The gain of strums and plucks: the same for all notes of a guitar."""
    chord = [
        pluck_sound(body, string, length_s=0.3, sample_rate_hz=SAMPLE_RATE_HZ, displacement_m=1e-3)
        for string in recipe.STRINGS
    ]
    return recipe.NOTE_PEAK / float(np.abs(np.sum(chord, axis=0)).max())


def _room(instrument: ShopGuitar, placement: str) -> np.ndarray:
    """What the room adds at one placement of guitar and microphone, whatever place is struck."""
    return room_response(
        _rng(f"{instrument.folder}, placement {placement}"),
        SAMPLE_RATE_HZ,
        t60_s=recipe.T60_S,
        direct_to_reverberant_db=recipe.DIRECT_TO_REVERBERANT_DB,
    )


def _background(rng, n_samples: int, tap_rms: float) -> np.ndarray:
    """Noise of a quiet room, falling above 300 Hz to the microphone's hiss, and mains hum, (n_samples,)."""
    frequency = np.fft.rfftfreq(n_samples, 1 / SAMPLE_RATE_HZ)
    colour = np.sqrt(1 / (1 + (frequency / 300) ** 2) + 0.05**2) * frequency**2 / (frequency**2 + 30.0**2)
    noise = np.fft.irfft(colour * np.fft.rfft(rng.standard_normal(n_samples)), n_samples)
    noise *= 10 ** (-recipe.SNR_DB / 20) / in_band_rms(noise, SAMPLE_RATE_HZ)
    hum = 10 ** (recipe.HUM_DB / 20) * mains_hum(rng, n_samples, SAMPLE_RATE_HZ, recipe.MAINS_HZ)
    return tap_rms * (noise + hum)


def _rng(name: str) -> np.random.Generator:
    return np.random.default_rng([recipe.SEED, crc32(name.encode())])


def _write_flac(path: Path, samples: np.ndarray, sample_rate_hz: int = SAMPLE_RATE_HZ) -> Path:
    """16-bit FLAC; what is beyond full scale is clipped, as a recorder does."""
    import soundfile

    path.parent.mkdir(parents=True, exist_ok=True)
    whole = np.clip(np.round(samples * 2**15), -(2**15), 2**15 - 1).astype(np.int16)
    soundfile.write(path, whole, sample_rate_hz, subtype="PCM_16")
    return path
