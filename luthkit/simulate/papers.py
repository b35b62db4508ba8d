"""What lies beside the sound of the invented workshop: sessions, the truth, and a page in plain words."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict

import numpy as np

from . import recipe
from .body import Body
from .histories import REPEAT_STUDY
from .plan_papers import FOLDER as PLAN_FOLDER
from .recipe import GUITARS, TAP_POSITIONS, ShopGuitar
from .strings import String
from .woodpile import FOLDER as WOOD_FOLDER
from .woodpile import SNR_DB as WOOD_SNR_DB
from .woodpile import wood_truth


def session_text(instrument: ShopGuitar) -> str:
    """session.toml of one guitar."""
    text = f'''# SYNTHETIC: made by a computer from a physical model. There is no such guitar; see ../ABOUT.md.
guitar = "{instrument.name}"
date = {instrument.date}
stage = "{instrument.stage}"
stage_note = "{instrument.stage_note}"
temperature_c = {instrument.temperature_c}
relative_humidity_percent = {instrument.humidity_percent}
strings = "steel, round figures"
strings_age_h = {instrument.strings_age_h}
pluck_point = "a fifth of the scale"
soundhole_diameter_mm = {2000 * instrument.model.hole_radius_m:g}
body_volume_l = {1000 * instrument.model.volume_m3:g}
microphone = "simulated, 40 cm before the bridge"
room = "simulated workshop"
support = "hung by the head on a soft loop, strings damped with felt for the taps"
mallet = "simulated, soft tip"
notes = "SYNTHETIC sound of an invented guitar: {instrument.wood}"
'''
    for file, position, placement, plugged in instrument.takes():
        text += f'''
[[recording]]
file = "{file}"
position = "{position}"
placement = "{placement}"
'''
        text += 'condition = "soundhole plugged"\n' if plugged else ""
    for kind in ("strum", "pluck"):
        text += f'\n[[recording]]\nfile = "{kind}s"\nkind = "{kind}"\n'
    return text


def truth_text(bodies: Mapping[str, Body], plugged: Mapping[str, Body], sounds_told: Mapping[str, dict]) -> str:
    """truth.json: what is true of every guitar, string and sound, in SI units, rounded to seven digits.

    `bodies`, and those with the soundhole `plugged`, by the name of the folder; `sounds_told` by that of the file.
    """
    truth = {
        "synthetic": "All of this is made by a computer. No guitar, person or room behind it is real.",
        "made_by": "python -m luthkit.simulate sample_audio",
        "seed": recipe.SEED,
        "sample_rate_hz": recipe.SAMPLE_RATE_HZ,
        "room": {
            "t60_s": recipe.T60_S,
            "direct_to_reverberant_db": recipe.DIRECT_TO_REVERBERANT_DB,
            "mains_hz": recipe.MAINS_HZ,
            "hum_db": recipe.HUM_DB,
            "snr_db": recipe.SNR_DB,
        },
        "strings": [_string_truth(string) for string in recipe.STRINGS],
        "guitars": {
            instrument.folder: {
                "name": instrument.name,
                "wood": instrument.wood,
                "air_top_back": asdict(instrument.model),
                "modes": _modes_truth(bodies[instrument.folder]),
                **_plugged_truth(plugged.get(instrument.folder)),
            }
            for instrument in GUITARS
        },
        "wood": wood_truth(),
        "sounds": sounds_told,
    }
    return json.dumps(truth, indent=1) + "\n"


def _modes_truth(body: Body) -> list[dict]:
    levels = {place: body.level_db(body.positions.index(place)) for place in TAP_POSITIONS}
    return [
        {
            "label": label,
            "frequency_hz": rounded(frequency),
            "damping_ratio": rounded(damping),
            "level_db": {place: round(float(level[k]), 2) for place, level in levels.items()},
        }
        for k, (label, frequency, damping) in enumerate(
            zip(body.labels, body.frequency_hz, body.damping_ratio, strict=True)
        )
    ]


def _plugged_truth(body: Body | None) -> dict:
    """The modes below the first that the plug leaves as it is."""
    if body is None:
        return {}
    moved = [mode for mode in _modes_truth(body) if mode["label"] in ("main top", "main back")]
    return {"modes_soundhole_plugged": moved}


def _string_truth(string: String) -> dict:
    """Up and down motion of the open string; see `across_sharp` and `across_loss` for the other."""
    partials = string.partials_hz()[:20]
    return {
        **asdict(string),
        "tension_n": rounded(string.tension_n),
        "inharmonicity": rounded(string.inharmonicity),
        "partials_hz": rounded(partials),
        "decay_rates_per_s": rounded(string.decay_rates_per_s(partials)),
    }


def rounded(value):
    """Seven digits, so that the text is the same on every machine."""
    if np.ndim(value):
        return [rounded(item) for item in value]
    return float(f"{float(value):.7g}")


def _times(n: int) -> str:
    return "once" if n == 1 else f"{n} times"


def about_text() -> str:
    """ABOUT.md: what the folder holds and how it was made."""
    table = "\n".join(
        f"| `{each.folder}` | {each.name} | {each.stage}, {each.stage_note} | {each.wood} |" for each in GUITARS
    )
    plugged = " and ".join(each.name for each in GUITARS if each.plugged)
    plucks = ", ".join(f"{each.name} {_times(each.n_plucks)}" for each in GUITARS)
    strums = ", ".join(f"{each.name} {each.n_strums}" for each in GUITARS)
    return f"""# This sound is SYNTHETIC

Everything in this folder was made by a computer. No guitar was tapped, no player strummed, no room was
recorded. The guitars, their names and their woods are invented; the workshop does not exist.

| folder | guitar | stage | wood (invented) |
|---|---|---|---|
{table}

Each folder holds

- `taps`: taps at the bridge centre and at both wings of the bridge, {recipe.GOOD_TAPS} good ones in each file.
  Files that end in 1 and in 2 are two placements: between them the guitar was "lifted and put back". A few
  taps are spoilt on purpose (struck twice, clipped, too weak), so that one sees them left out;
- `plugged` ({plugged}): {recipe.GOOD_TAPS} taps at the bridge centre in each placement with the soundhole plugged
  tight, which leaves top and back without the air mode;
- `plucks`: each open string, plucked at about a fifth of its length ({plucks});
- `strums`: strokes of an open E major chord ({strums});
- `session.toml`: what a maker would note down.

`{WOOD_FOLDER}` is the wood of the workshop: a text file for each piece, and taps of a spruce plate that hangs free,
struck at a corner, in the middle of an end and in the middle of a side (a dead room, noise {WOOD_SNR_DB:g} dB under
the taps). The other pieces have their pitches written down. Air, shear and uneven wood are in the sound.

`build_four_over_time` and `reference_fallowfield_over_time` hold no sound: each is a table of readings, as if one
guitar had been recorded on many days over two years (`readings.csv`; `events.csv` says what was done to it). One
settles after it was strung; in the other two modes fall all at once before the last two sessions.
`{REPEAT_STUDY}` is a repeat study, as made up as the rest: one guitar read on three days,
hung up anew three times a day, twice each.

`{PLAN_FOLDER}` is a guitar being planned, as text alone: its design, a stock of invented wood, guitars built before,
one on the bench, and the reference, Rushlight. A simulated shop built them, which does things the planner does not
know of.

`truth.json` tells what is true: the modes of each guitar (frequency, damping ratio, height of the peak where
it is struck), the modes that the plug moves, the strings, the room, when each tap falls, and which are spoilt.

## How it was made

- Body: top, air in the soundhole and back are three coupled oscillators; the modes above them are added, and
  stay as they are when the soundhole is plugged.
- Taps: a force of {1000 * recipe.PULSE_S[0]:g} to {1000 * recipe.PULSE_S[1]:g} ms,
  up to {recipe.LEVEL_SPREAD_DB:g} dB stronger or weaker than usual.
- Strings: stiff, moving up and down and across, high partials dying away first. They drive the body and do
  not feel it.
- Room: reverberation time {recipe.T60_S:g} s, {recipe.DIRECT_TO_REVERBERANT_DB:g} dB under the direct sound,
  different for each placement.
- Noise {recipe.SNR_DB:g} dB under a middling tap (60 to 1000 Hz), and a little mains hum ({recipe.MAINS_HZ:g} Hz).
- Files: 16-bit FLAC, mono, {recipe.SAMPLE_RATE_HZ} Hz.

Against the references the build has a main top about 5 % higher, an air mode a little higher, and a long
dipole damped about 1.7 times as much. Its main back and its cross dipole lie between theirs.

The whole folder is made again, sample for sample, by

    python -m luthkit.simulate sample_audio
"""
