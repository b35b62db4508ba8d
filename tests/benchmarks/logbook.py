"""How quick the logbook is, beside reading every text with the standard library alone; printed, never asserted.

Processor time, so that other work on the machine does not count; wall time for what waits for the disk.

.venv/bin/python -m tests.benchmarks.logbook
"""

from __future__ import annotations

import datetime
import os
import shutil
import subprocess
import sys
import tempfile
import time
import tomllib
from pathlib import Path

from luthkit.shop.keeping import add_session
from luthkit.shop.logbook import start_logbook
from luthkit.shop.reading import read_instrument
from luthkit.shop.verify import verify

SAMPLE = Path(__file__).parents[2] / "sample_audio" / "build_seven"
N_GUITARS, N_SESSIONS = 100, 50
LISTED = """
import time, sys
from luthkit.shop.logbook import open_logbook
book = open_logbook(sys.argv[1])
start = time.process_time(); n = len(book.sessions()); print(n, time.process_time() - start)
"""


def lay_out(home: Path) -> None:
    """5,000 sessions with the words of the sample guitar, written long ago."""
    book = start_logbook(home)
    text = (SAMPLE / "session.toml").read_bytes()
    for g in range(N_GUITARS):
        for k in range(N_SESSIONS):
            folder = book.path / f"guitar {g}" / str(datetime.date(2020, 1, 1) + datetime.timedelta(7 * k))
            folder.mkdir(parents=True)
            (folder / "session.toml").write_bytes(text)
            os.utime(folder / "session.toml", (1e9, 1e9))


def timed(words: str, work, *, repeat: int = 3) -> None:
    best = []
    for _ in range(repeat):
        start = time.process_time()
        work()
        best.append(time.process_time() - start)
    print(f"{words:<62} {1000 * min(best):9.1f} ms  (slowest of {repeat}: {1000 * max(best):.1f})")


def in_a_new_python(home: Path) -> tuple[str, str]:
    run = subprocess.run([sys.executable, "-c", LISTED, home], capture_output=True, text=True, check=True)
    return tuple(run.stdout.split())


def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        home = Path(folder) / "book"
        lay_out(home)
        n, cold = in_a_new_python(home)
        print(f"{n} sessions listed, no memory of them, in a new Python:  {1000 * float(cold):.1f} ms (aim 2000)")
        n, warm = in_a_new_python(home)
        print(f"{n} sessions listed, remembered, in a new Python:         {1000 * float(warm):.1f} ms (aim 200)")
        book = start_logbook(home)
        timed("listed and filtered, remembered", lambda: book.sessions(stage="strung", since=datetime.date(2020, 6, 1)))
        timed("one guitar", lambda: book.sessions("guitar 7"))
        texts = sorted(home.glob("*/*/session.toml"))
        timed("tomllib on every text, whole", lambda: [tomllib.loads(t.read_text()) for t in texts], repeat=1)
        shutil.rmtree(home)
        book = start_logbook(home)
        start = time.perf_counter()
        kept = add_session(book, SAMPLE)
        print(f"a session of 13 files kept, synced (wall time): {1000 * (time.perf_counter() - start):.0f} ms")
        timed("verified (13 files)", lambda: verify(book))
        timed("modes of a session, read", lambda: read_instrument(SAMPLE), repeat=1)
        read_instrument(kept.path)
        timed("modes of a session, kept", lambda: read_instrument(kept.path))


if __name__ == "__main__":
    main()
