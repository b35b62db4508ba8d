"""`luthkit start`: Ctrl-C is for JupyterLab, which asks first and then ends its notebooks in good order."""

import os
import signal
import subprocess
import sys

import pytest

LAB = """
import signal, time
pressed = []
signal.signal(signal.SIGINT, lambda *_: pressed.append(True))
print("open", flush=True)
late = time.monotonic() + 60
for n, word in enumerate(("asks", "ended in good order"), start=1):
    while len(pressed) < n:
        assert time.monotonic() < late
        time.sleep(0.01)
    time.sleep(0.4)
    print(word, flush=True)
"""
START = f"""
import os, sys
from luthkit import cli
from luthkit.shop import workshop
workshop.lay_out = lambda folder: []
workshop.lab_command = lambda *_, **__: ([sys.executable, "-c", {LAB!r}], dict(os.environ))
sys.exit(cli.main(["start", "shop"]))
"""


@pytest.mark.skipif(os.name != "posix", reason="sends the signal of Ctrl-C")
def test_jupyterlab_ends_by_itself_when_ctrl_c_is_pressed_twice():
    with subprocess.Popen(
        [sys.executable, "-c", START], stdout=subprocess.PIPE, text=True, start_new_session=True
    ) as job:
        told = []
        for line in job.stdout:
            told.append(line.strip())
            if told[-1] in ("open", "asks"):
                os.killpg(job.pid, signal.SIGINT)  # as a terminal does, to all that run in it
    assert told[-3:] == ["open", "asks", "ended in good order"] and job.returncode == 0
