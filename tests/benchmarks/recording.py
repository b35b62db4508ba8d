"""Figures of recording: the ear against whole files, the level check, the bar.

`python -m tests.benchmarks.recording [n]`. Everything is printed, nothing asserted. All sound is made;
tests/shop/test_level_check.py holds what meddles with it.
"""

import sys
import time
from pathlib import Path

import numpy as np

from luthkit import simulate
from luthkit.guitar.sentinel import TAP_OPTIONS, read_bar
from luthkit.shop.ear import Ear
from luthkit.shop.live import blocks_of
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


def level_figures(n):
    """Shares of chains that are suspected."""
    honest = suspected = 0
    rng = np.random.default_rng(7)
    for seed in range(4 * n):
        t60_s = (None, 0.2, 0.4, 0.8)[seed % 4]
        found = chain.heard(chain.taps(100 + seed, level_db=5, t60_s=t60_s, snr_db=rng.uniform(25, 55)))
        suspected += bool(found.suspicions)
        honest += 1
    print(f"level check: {suspected} of {honest} honest chains suspected (25 to 55 dB over the room)")
    for meddle in (chain.gain_control, chain.compressor, chain.suppression):
        found = [chain.heard(meddle(chain.taps(200 + k, snr_db=rng.uniform(35, 55)))) for k in range(n)]
        named, bad = sum(bool(one.suspicions) for one in found), sum(not one.is_good for one in found)
        print(f"level check: {meddle.__name__}: {named} of {n} suspected, {bad} not called good")


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
    level_figures(size)
    bar_figures(2 * size)
