"""A real audio path without hardware: a PulseAudio null sink plays, PortAudio records what it plays.

Skips where the programs are missing; fails then when CI is set.
"""

import os
import shutil
import subprocess
import time
from contextlib import contextmanager

import pytest

RATE = 44100


@contextmanager
def audio_path(folder, *, n_sinks=1, n_channels=2):
    """Starts a sound server of its own in `folder`; gives (environment for recorders, a function that plays a file).

    The function returns the running player; the sinks run at RATE. With several, `play(file, k)` plays to the one
    that is recorded in the environment `heard_at(environment, k)`.
    """
    missing = [name for name in ("pulseaudio", "paplay") if not shutil.which(name)]
    try:
        import sounddevice  # noqa: F401
    except (ImportError, OSError) as error:
        missing.append(str(error))
    if missing:
        wanted = "pulseaudio pulseaudio-utils libasound2-plugins libportaudio2"
        message = f"missing: {', '.join(missing)}; apt-get install {wanted}"
        if os.environ.get("CI"):
            pytest.fail(message)
        pytest.skip(message)
    folder.mkdir(mode=0o700)
    socket = folder / "pulse.sock"
    sink = f"format=float32le rate={RATE} channels={n_channels} norewinds=1"
    lines = [
        f"load-module module-native-protocol-unix auth-anonymous=1 socket={socket}",
        *(f"load-module module-null-sink sink_name=fake{k} {sink}" for k in range(n_sinks)),
        "set-default-sink fake0",
        "set-default-source fake0.monitor",
    ]
    (folder / "server.pa").write_text("\n".join(lines) + "\n")
    environment = {**os.environ, "XDG_RUNTIME_DIR": str(folder), "PULSE_SERVER": f"unix:{socket}", "HOME": str(folder)}
    command = ["pulseaudio", "-n", "-F", folder / "server.pa", "--daemonize=no", "--exit-idle-time=-1"]
    command += ["--use-pid-file=no", "--disable-shm=yes"]
    with open(folder / "server.log", "w") as log:
        server = subprocess.Popen(command, env=environment, stdout=log, stderr=log)
        try:
            for _ in range(100):
                if socket.exists():
                    break
                assert server.poll() is None, (folder / "server.log").read_text()
                time.sleep(0.1)
            yield (
                environment,
                lambda file, k=0: subprocess.Popen(["paplay", f"--device=fake{k}", file], env=environment),
            )
        finally:
            server.terminate()
            server.wait(10)


def heard_at(environment, k):
    """The environment of a recorder that hears sink number `k`."""
    return {**environment, "PULSE_SOURCE": f"fake{k}.monitor"}
