"""A physical guitar and room: made sound whose truth is known, for tests, benchmarks and the sample audio.

`body` holds the modes of a guitar, `guitars` draws whole guitars of three body kinds by chance, `strings` the
strings that drive a body, `bench` the taps, the room, hum and hiss, `shop` the invented workshop whose recordings lie
in sample_audio/ (`python -m luthkit.simulate`).
Everything drawn at random comes from the `numpy.random.Generator` handed in.
"""

from .bench import Bench, force_pulse, in_band_rms, join_tap_sets, mains_hum, room_response, tap_set, tap_sounds
from .body import AIR_DENSITY_KG_M3, POSITIONS, SPEED_OF_SOUND_M_S, AirTopBack, Body, guitar, pole, random_body
from .guitars import RandomGuitar, random_guitar
from .strings import String, pluck_sound, strum_sound

__all__ = [
    "AIR_DENSITY_KG_M3",
    "POSITIONS",
    "SPEED_OF_SOUND_M_S",
    "AirTopBack",
    "Bench",
    "Body",
    "RandomGuitar",
    "String",
    "force_pulse",
    "guitar",
    "in_band_rms",
    "join_tap_sets",
    "mains_hum",
    "pluck_sound",
    "pole",
    "random_body",
    "random_guitar",
    "room_response",
    "strum_sound",
    "tap_set",
    "tap_sounds",
]
