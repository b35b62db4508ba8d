"""Strums and plucks: how fast and how right, `python -m tests.benchmarks.tone [--quick]`.

Prints, never asserts: centroid track and third octaves of a minute of strums beside librosa's spectral_centroid and
melspectrogram on the same frames; decays and stretch of simulated plucks whose strings move in two ways, beside a
straight line through the band's envelope; the time for 40 real notes (needs .ci/fetch_fixtures).
"""

from __future__ import annotations

import argparse
import time
from pathlib import Path

import numpy as np

from luthkit import simulate
from luthkit.signal.bands import third_octaves
from luthkit.signal.decay import decay_from_envelope
from luthkit.signal.partials import read_note
from luthkit.signal.recording import open_recording
from luthkit.signal.strokes import find_strokes
from luthkit.signal.tone import spectral_centroid
from luthkit.simulate.strings import String, pluck_sound

from .speed import best_times

HOME = Path(__file__).resolve().parents[2]
RATE = 44_100


def tone_speed(turns: int) -> None:
    from librosa.feature import melspectrogram
    from librosa.feature import spectral_centroid as theirs

    strums = open_recording(HOME / "sample_audio/build_seven/strums/E_major.flac").read()[:, 0]
    double = np.resize(strums, 60 * RATE)
    frames = {"n_fft": 2048, "hop_length": 512}
    for name, x in (("double", double), ("single", double.astype(np.float32))):
        seconds = best_times(
            {
                "luthkit": lambda x=x: (spectral_centroid(x, RATE, weighting="amplitude"), third_octaves(x, RATE)),
                "librosa": lambda x=x: (theirs(y=x, sr=RATE, **frames), melspectrogram(y=x, sr=RATE, **frames)),
            },
            turns,
        )
        ours, librosa = seconds["luthkit"], seconds["librosa"]
        print(f"a minute, {name} precision: luthkit {ours:.3f} s, librosa {librosa:.3f} s, ratio {librosa / ours:.1f}")


def random_string(rng) -> String:
    """A string of plausible size whose two motions differ in loss, pitch and strength."""
    f0 = np.exp(rng.uniform(np.log(80), np.log(350)))
    return String(
        "random",
        f0,
        rng.uniform(0.25e-3, 0.45e-3),
        90 / (2 * 0.648 * f0) ** 2,
        steady_loss_per_s=rng.uniform(0.4, 1.2),
        loss_per_s_khz=rng.uniform(0.8, 2.0),
        across_share=rng.uniform(0.1, 0.4),
        across_loss=rng.uniform(0.3, 0.7),
        across_sharp=rng.choice([-1, 1]) * rng.uniform(3e-4, 2e-3),
    )


def pluck_errors(n: int, noise_db: float) -> None:
    early, late, lined, stretch, pulls, two = [], [], [], [], [], 0
    for seed in range(n):
        rng = np.random.default_rng(seed)
        string, body = random_string(rng), simulate.guitar(rng)
        sound = pluck_sound(body, string, length_s=5.0, sample_rate_hz=RATE, place=rng.uniform(0.1, 0.25))
        level = 10 ** (noise_db / 20) * np.sqrt(np.mean(sound[: RATE // 2] ** 2))
        noise = level * rng.standard_normal(sound.size + RATE // 4)
        sound = sound + noise[: sound.size]
        note = read_note(sound, RATE, noise=noise[sound.size :])
        stretch.append(note.inharmonicity / string.inharmonicity - 1)
        for partial in note.partials[:10]:
            if not partial.lines:
                continue
            true_s = 3 * np.log(10) / string.decay_rates_per_s(string.partials_hz()[partial.number - 1])
            early.append(partial.early.decay_time_s / true_s - 1)
            pulls.append(abs(partial.early.decay_time_s - true_s) < 1.96 * partial.early.decay_time_u_s)
            line = decay_from_envelope(sound, RATE, partial.frequency_hz, bandwidth_hz=20.0)
            lined.append(line.decay_time_s / true_s - 1)
            if len(partial.lines) == 2:
                two += 1
                late.append(partial.late.decay_time_s * string.across_loss / true_s - 1)
    print(f"{n} plucks, noise {noise_db:.0f} dB: {len(early)} partials read, {100 * two / len(early):.0f} % as two")
    for name, errors in (("louder motion", early), ("a straight line instead", lined), ("longer motion", late)):
        print(f"  decay, {name}: error {_spread(errors)}")
    print(f"  95 % intervals of the louder motion that cover: {100 * np.mean(pulls):.0f} %")
    print(f"  stretch B: error {_spread(stretch)}")


def _spread(errors) -> str:
    size = np.abs(np.array(errors)[np.isfinite(errors)])
    return f"{100 * np.median(size):.1f} / {100 * np.percentile(size, 95):.0f} % (median / 95th percentile)"


def real_notes(turns: int) -> None:
    files = sorted((HOME / ".fixtures/guitar").glob("*.wav"))
    if not files:
        print("no real notes: run .ci/fetch_fixtures")
        return
    files = [*files, *files][:40]

    def read():
        for file in files:
            (stroke,) = find_strokes(open_recording(file), kind="pluck").strokes
            read_note(stroke.after_onset(), stroke.sample_rate_hz, noise=stroke.noise.mean(axis=1))

    seconds, used = best_times({"notes": read}, turns)["notes"], time.process_time()
    read()
    print(f"40 real notes found and read: {seconds:.2f} s ({time.process_time() - used:.2f} s of the processor's)")


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("--quick", action="store_true", help="fewer turns and plucks")
    quick = options.parse_args().quick
    tone_speed(3 if quick else 15)
    real_notes(1 if quick else 5)
    for noise_db in (-60.0, -40.0):
        pluck_errors(6 if quick else 60, noise_db)


if __name__ == "__main__":
    main()
