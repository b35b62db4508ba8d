"""Figures of recording: the ear against whole files, the level check, the bar.

`python -m tests.benchmarks.recording [n]`. Everything is printed, nothing asserted. All sound is made;
tests/shop/test_level_check.py holds what meddles with it.
"""

import sys
import time
from math import isfinite
from pathlib import Path

import numpy as np
from scipy.signal import istft, lfilter, stft

from luthkit import simulate
from luthkit.guitar.sentinel import TAP_OPTIONS, read_bar
from luthkit.shop.ear import Ear
from luthkit.shop.live import blocks_of
from luthkit.signal.faults import in_band
from luthkit.signal.recording import Recording, open_recording
from luthkit.signal.taps import find_taps

sys.path.insert(0, str(Path(__file__).parents[1]))
from shop import test_level_check as chain

SAMPLES = Path(__file__).parents[2] / "sample_audio"


def ear_figures():
    """Taps of the sample guitars, heard live and found in the file."""
    same = total = rejected = 0
    began, sound_s = time.perf_counter(), 0.0
    for path in sorted(SAMPLES.glob("*/taps/*.flac")):
        recording = open_recording(path)
        ear = Ear(recording.sample_rate_hz)
        takes = [take for block in blocks_of(recording) for take in ear.hear(block)]
        sounds = [Recording.from_samples(t.samples, t.sample_rate_hz, name=str(k)) for k, t in enumerate(takes)]
        live, whole = find_taps(sounds), find_taps(recording)
        times = {round(takes[int(tap.source)].start_s + tap.time_s, 3) for tap in live.taps}
        same += len(times & {round(tap.time_s, 3) for tap in whole.taps})
        total += len(whole.taps)
        rejected += len(live.rejected) - len(whole.rejected)
        sound_s += recording.duration_s
    share = 100 * (time.perf_counter() - began) / sound_s
    print(f"ear: {same} of {total} good taps of the files kept live, {rejected:+d} left out; {share:.0f} % of one core")


def hand_taps(rng, seed):
    """Three soft taps and three hard ones; in every other chain the soft ones last longer, as a soft mallet does."""
    gains_db = (*rng.uniform(-18, -9, 3), *rng.uniform(-2, 1, 3))
    room = {"snr_db": rng.uniform(28, 55), "t60_s": (None, 0.2, 0.4, 0.8)[seed % 4]}
    pulses_s = ((1.0e-3, 1.5e-3), (0.5e-3, 0.9e-3)) if seed // 4 % 2 else ()
    return 10 ** (rng.uniform(-4, 6) / 20) * chain.taps(seed, gains_db=gains_db, pulses_s=pulses_s, **room)


def a_compressor(rng, sound):
    ratio, start = rng.uniform(2.5, 10), 10 ** (rng.uniform(-38, -22) / 20)
    loud = chain.envelope(sound, rng.uniform(0.05, 0.3), rng.uniform(0.001, 0.02))
    return sound * np.where(loud > start, (np.maximum(loud, 1e-9) / start) ** (1 / ratio - 1), 1.0)


def a_gain_control(rng, sound):
    wanted, most = (10 ** (rng.uniform(*ends) / 20) for ends in ((-30, -20), (12, 24)))
    loud = chain.envelope(sound, rng.uniform(0.4, 3), rng.uniform(0.002, 0.05))
    return sound * np.minimum(most, wanted / np.maximum(loud, 1e-6))


def a_gate(rng, sound):
    shut, start = 10 ** (-rng.uniform(12, 40) / 20), 10 ** (rng.uniform(-44, -34) / 20)
    gain = np.where(chain.envelope(sound, rng.uniform(0.03, 0.15), 1e-4) > start, 1.0, shut)
    kept = np.exp(-1 / (rng.uniform(0.01, 0.05) * chain.RATE))
    return sound * lfilter([1 - kept], [1, -kept], gain)


def a_spectral_suppressor(rng, sound):
    floor, over = 10 ** -rng.uniform(0.5, 1.5), rng.uniform(1.5, 3)
    options = {"fs": chain.RATE, "nperseg": 512, "noverlap": 384}
    spectra = stft(sound, **options)[2]
    power = np.abs(spectra) ** 2
    noise = 1.5 * np.quantile(power, 0.3, axis=1, keepdims=True)
    gain = np.sqrt(np.maximum(1 - over * noise / np.maximum(power, 1e-20), floor**2))
    return istft(spectra * lfilter([0.4], [1, -0.6], gain, axis=1), **options)[1][: len(sound)]


def a_limiter(rng, sound):
    most = 10 ** (rng.uniform(-26, -18) / 20)
    return sound * np.minimum(1, most / np.maximum(chain.envelope(sound, rng.uniform(0.03, 0.2)), 1e-9))


def bent_db(before, after):
    """How much the level of a tap changes against what it was, over its first 0.35 s: the median over the taps."""
    window = np.ones(480) / 480
    one, two = (
        np.sqrt(np.convolve(in_band(s[:, None], chain.RATE)[:, 0] ** 2, window, "same")) for s in (before, after)
    )
    gain_db = 20 * np.log10(np.maximum(two, 1e-12) / np.maximum(one, 1e-12))
    room, bent = np.median(one[: chain.RATE // 3]), []
    for k in range(6):
        start = round((0.5 + 2 * k) * chain.RATE)
        peak = start + int(np.argmax(one[start : start + round(1.4 * chain.RATE)]))
        late = [peak + d for d in range(320, round(0.35 * chain.RATE), 160) if one[peak + d] > 4 * room]
        bent.append(max((abs(gain_db[at] - gain_db[peak + 320]) for at in late), default=0.0))
    return np.median(bent)


def level_figures(n):
    """Shares of chains that are suspected, or at least not called good."""
    found = []
    for seed in range(n):
        found.append(chain.heard(hand_taps(np.random.default_rng([8, seed]), seed)))
    told = sum(isfinite(one.uneven_db) for one in found)
    print(f"level check: {sum(bool(one.suspicions) for one in found)} of {n} honest chains suspected, {told} told")
    for number, meddle in enumerate((a_compressor, a_gain_control, a_gate, a_spectral_suppressor, a_limiter)):
        rows = []
        for seed in range(n):
            rng = np.random.default_rng([9, number, seed])
            honest = hand_taps(rng, seed)
            sound = meddle(rng, honest)
            bent = bent_db(honest, sound)
            sound *= 10 ** (rng.uniform(-10, -4) / 20) / np.abs(sound).max()
            check = chain.heard(sound)
            unsure = check.n_taps < 4 or not isfinite(check.uneven_db)
            rows.append((bent > 1, bool(check.suspicions), not check.suspicions and unsure))
        for words, some in (("all", rows), ("those that bend a tap by 1 dB", [row for row in rows if row[0]])):
            seen, unsure = sum(row[1] for row in some), sum(row[2] for row in some)
            print(f"level check: {meddle.__name__}, {words}: {seen} of {len(some)} suspected, {unsure} cannot tell")


def bar_figures(n):
    """Errors of the bar's pitch and damping over random bars, 5 taps each, with and without a room."""
    for t60_s in (None, 0.4):
        rows = []
        for seed in range(n):
            rng = np.random.default_rng(seed)
            frequency, q = rng.uniform(150, 800), rng.uniform(500, 4000)
            poles = simulate.pole(frequency * np.array([1, 2.7565]), 0.5 / (q * np.array([1, 0.9])))
            body = simulate.Body(poles, np.array([[900.0], [600.0]]) + 0j)
            bench = simulate.Bench(n_taps=5, t60_s=t60_s, length_s=1.4, pre_s=0.4, snr_db=35)
            sounds = [s for s, _, _ in simulate.tap_sounds(rng, body, bench)]
            sounds = [Recording.from_samples(s, 48000, name=str(k)) for k, s in enumerate(sounds)]
            found = read_bar(find_taps(sounds, **TAP_OPTIONS))
            rows.append(
                (
                    found.frequency_hz / frequency - 1,
                    found.damping_ratio * 2 * q - 1,
                    abs(found.frequency_hz - frequency) < 1.96 * found.frequency_u_hz,
                    abs(found.damping_ratio - 0.5 / q) < 1.96 * found.damping_ratio_u,
                )
            )
        f, d, cover_f, cover_d = np.abs(np.array(rows, float)).T
        where = f"room {t60_s} s" if t60_s else "no room"
        print(
            f"bar, {where}: frequency {1e6 * np.median(f):.1f} / {1e6 * np.quantile(f, 0.95):.1f} ppm, damping "
            f"{100 * np.median(d):.2f} / {100 * np.quantile(d, 0.95):.2f} % (median / 95th percentile); "
            f"95 % intervals cover {100 * cover_f.mean():.0f} %, {100 * cover_d.mean():.0f} %"
        )


if __name__ == "__main__":
    size = int(sys.argv[1]) if len(sys.argv) > 1 else 50
    ear_figures()
    level_figures(2 * size)
    bar_figures(2 * size)
