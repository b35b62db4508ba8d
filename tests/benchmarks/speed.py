"""How long luthkit takes, against other software in the same run: `python -m tests.benchmarks.speed [--quick]`.

Prints: the whole analysis of ten taps against sdypy-EMA's pole search (order 60, one response, 40 to 980 Hz);
`import luthkit` against `import numpy` in fresh interpreters; the cost of 10, 20 and 40 taps; memory and time for
half an hour of recording with 300 taps (left out by --quick); a set in a room, for information. Times are those of the
processor, the best of several turns taken in rotation, so that another program's load falls on all alike.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from luthkit import find_taps, read_modes, simulate
from luthkit.signal.recording import Recording

from .accuracy import line
from .rivals import complex_spectrum, lscf_search

RATE = 48000
EVERY_S = 6.0  # from one tap to the next in the long recording

_IMPORT = "import time; t = time.perf_counter(); import {}; print(time.perf_counter() - t)"
_LONG = """
import resource, sys, time
start = time.perf_counter()
from luthkit import find_taps, read_modes
tapset = find_taps(sys.argv[1])
found_s = time.perf_counter() - start
found_kb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
modes = read_modes(tapset).modes
peak_kb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
print(len(tapset.taps), len(modes), found_s, time.perf_counter() - start, found_kb / 1024, peak_kb / 1024)
"""


def best_times(tasks: dict[str, Callable[[], object]], turns: int) -> dict[str, float]:
    """Least seconds of the processor for each task over so many turns, one untimed turn first."""
    for task in tasks.values():
        task()
    taken = {name: [] for name in tasks}
    for _ in range(turns):
        for name, task in tasks.items():
            start = time.process_time()
            task()
            taken[name].append(time.process_time() - start)
    return {name: min(each) for name, each in taken.items()}


def make_taps(n_taps: int, **bench):
    rng = np.random.default_rng(0)
    return simulate.tap_set(rng, simulate.random_body(rng), simulate.Bench(n_taps=n_taps, **bench))


def one_recording(tapset) -> Recording:
    """The taps of a set one after the other, as a maker would record them."""
    return Recording.from_samples(np.concatenate([tap.samples for tap in tapset.taps]), RATE, name="ten taps")


def analysis_rows(turns: int) -> list[str]:
    """Ten taps: luthkit whole against the other's pole search alone."""
    tapset = make_taps(10)
    recording = one_recording(tapset)
    frequency, response = complex_spectrum(tapset)
    inside = frequency < 2500
    taken = best_times(
        {
            "search": lambda: lscf_search(frequency[inside], response[inside]),
            "modes": lambda: read_modes(tapset),
            "all": lambda: read_modes(find_taps(recording)),
        },
        turns,
    )
    return [
        line("sdypy-EMA pole search (LSCF, order 60)", taken["search"], unit="s"),
        line("read_modes, ten taps", taken["modes"], unit="s"),
        line("  times the pole search", taken["modes"] / taken["search"], 3),
        line("find_taps and read_modes, one recording of ten taps", taken["all"], unit="s"),
        line("  times the pole search", taken["all"] / taken["search"], 3),
    ]


def import_rows(turns: int) -> list[str]:
    """Import times, medians over fresh interpreters."""
    taken = {"numpy": [], "luthkit": []}
    for turn in range(turns + 1):
        for name, each in taken.items():
            command = [sys.executable, "-c", _IMPORT.format(name)]
            seconds = float(subprocess.run(command, capture_output=True, text=True, check=True).stdout)
            if turn:
                each.append(seconds)
    median = {name: float(np.median(each)) for name, each in taken.items()}
    return [
        line("import numpy, median", 1000 * median["numpy"], unit="ms"),
        line("import luthkit, median", 1000 * median["luthkit"], unit="ms"),
        line("  times numpy", median["luthkit"] / median["numpy"], 1.5),
    ]


def growth_rows(turns: int) -> list[str]:
    """Seconds by number of taps; linear cost doubles at most from 10 to 20 and from 20 to 40."""
    sets = {n: make_taps(n) for n in (10, 20, 40)}
    recordings = {n: one_recording(tapset) for n, tapset in sets.items()}
    rows = []
    for name, tasks in (
        ("read_modes", {n: lambda n=n: read_modes(sets[n]) for n in sets}),
        ("find_taps", {n: lambda n=n: find_taps(recordings[n]) for n in sets}),
    ):
        taken = best_times(tasks, turns)
        rows += [line(f"{name}, {n} taps", seconds, unit="s") for n, seconds in taken.items()]
        rows += [line(f"  {2 * n} taps over {n} taps", taken[2 * n] / taken[n], 2.2) for n in (10, 20)]
    return rows


def write_long(path: Path, *, minutes: float = 30.0) -> int:
    """A mono 16-bit file of taps six seconds apart, written tap by tap; returns how many."""
    import soundfile

    rng = np.random.default_rng(1)
    n_taps = round(minutes * 60 / EVERY_S)
    tapset = make_taps(20, length_s=EVERY_S - 0.1)
    with soundfile.SoundFile(path, "w", RATE, 1, "PCM_16") as file:
        for _ in range(n_taps):
            file.write(tapset.taps[rng.integers(20)].samples)
    return n_taps


def memory_rows() -> list[str]:
    """Half an hour on disk, analysed in a process of its own; the peak is what the system counts as resident."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "long.wav"
        n_taps = write_long(path)
        command = [sys.executable, "-c", _LONG, str(path)]
        said = subprocess.run(command, capture_output=True, text=True, check=True).stdout.split()
    accepted, modes, found_s, all_s, found_mb, peak_mb = map(float, said)
    return [
        f"  30 minutes with {n_taps} taps: {accepted:.0f} accepted, {modes:.0f} modes",
        line("find_taps", found_s, unit="s"),
        line("find_taps and read_modes", all_s, unit="s"),
        line("peak memory after find_taps", found_mb, 500, unit="MB"),
        line("peak memory in all", peak_mb, 500, unit="MB"),
    ]


def room_rows() -> list[str]:
    tapset = make_taps(10, t60_s=0.4, n_placements=2)
    taken = best_times({"room": lambda: read_modes(tapset)}, 1)
    return [line("read_modes, ten taps in a room, two placements", taken["room"], unit="s")]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--turns", type=int, default=5)
    parser.add_argument("--quick", action="store_true", help="leave the half hour out")
    asked = parser.parse_args()
    parts = {
        "ten taps": lambda: analysis_rows(asked.turns),
        "import": lambda: import_rows(2 * asked.turns + 1),
        "number of taps": lambda: growth_rows(asked.turns),
        "in a room": room_rows,
        "half an hour": memory_rows,
    }
    for name, rows in parts.items():
        if not (asked.quick and name == "half an hour"):
            print(name)
            print("\n".join(rows()) + "\n", flush=True)


if __name__ == "__main__":
    main()
