"""A folder of synthetic taps of one random guitar: three places, once more with the hole plugged, and a knock."""

import numpy as np
import soundfile

from luthkit import simulate

RATE = 16000
SEED = 8


def write_session(folder, *, plugged=True, knock=True):
    """Write the sounds and their session.toml; the guitar, whose names are known."""
    rng = np.random.default_rng(SEED)
    guitar = simulate.random_guitar(rng, "classical")
    bench = simulate.Bench(n_taps=3, sample_rate_hz=RATE, length_s=0.9, snr_db=50, hum_db=None)
    text = 'guitar = "Wren"\nbody_kind = "classical"\n'

    def write(name, body, position, words):
        nonlocal text
        column = body.positions.index(position)
        for k, (samples, _, _) in enumerate(simulate.tap_sounds(rng, body, bench, position=column)):
            soundfile.write(folder / f"{name}_{k}.wav", samples, RATE)
            text += f'\n[[recording]]\nfile = "{name}_{k}.wav"\n{words}\n'

    folder.mkdir(parents=True, exist_ok=True)
    for position in ("bridge centre", "bass wing", "treble wing"):
        write(position.replace(" ", "_"), guitar.body(), position, f'position = "{position}"')
    if plugged:
        words = 'position = "bridge centre"\ncondition = "soundhole plugged"'
        write("plugged", guitar.body("soundhole plugged"), "bridge centre", words)
    if knock:
        room = simulate.Body(simulate.pole([131.0, 263.0], 0.01), np.ones((2, 1)), ("bridge centre",))
        write("knock", room, "bridge centre", 'kind = "knock"')
    (folder / "session.toml").write_text(text, encoding="utf-8")
    return guitar
