"""A JupyterLab of its own, and a real browser that looks at it."""

import os
import secrets
import socket
import subprocess
import sys
import time
import urllib.request
from contextlib import contextmanager

import pytest

from luthkit.shop.workshop import START

CHROMIUM = "/usr/bin/chromium"
QUIET = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]


@contextmanager
def running_lab(bench, environment=None):
    """A JupyterLab in the folder `bench`; gives a function from the name of a notebook ("": none) to its address."""
    with socket.socket() as door:
        door.bind(("127.0.0.1", 0))
        port = door.getsockname()[1]
    token = secrets.token_hex(8)
    environment = {**(environment or os.environ), "JUPYTER_CONFIG_DIR": str(bench / "config")}
    environment["JUPYTER_PREFER_ENV_PATH"] = "1"
    command = [sys.executable, "-m", "jupyterlab", "--no-browser", "--allow-root", "--ip=127.0.0.1"]
    command += [f"--port={port}", "--ServerApp.port_retries=0", f"--IdentityProvider.token={token}"]
    command += [f"--ServerApp.root_dir={bench}"]
    command += [f"--LabApp.default_url=/lab/tree/{START}"] if (bench / START).exists() else []
    with open(bench / "lab.log", "w") as log:
        job = subprocess.Popen(command, stdout=log, stderr=log, env=environment)
        try:
            for _ in range(240):
                try:
                    urllib.request.urlopen(f"http://127.0.0.1:{port}/api?token={token}").close()
                    break
                except OSError:
                    assert job.poll() is None, (bench / "lab.log").read_text()
                    time.sleep(0.25)
            yield (
                lambda name="": (
                    f"http://127.0.0.1:{port}/doc/tree/notebooks/{name}.ipynb?reset&token={token}"
                    if name
                    else f"http://127.0.0.1:{port}/?token={token}"
                )
            )
        finally:
            job.terminate()
            job.wait(30)


@contextmanager
def browser_page(environment=None, **options):
    """A page of a real browser; `page.requested` lists every address it asked for."""
    if not os.path.exists(CHROMIUM):
        assert not os.environ.get("CI"), "chromium is missing: apt-get install chromium"
        pytest.skip("chromium is not installed")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as player:
        browser = player.chromium.launch(executable_path=CHROMIUM, args=QUIET, env=environment)
        page = browser.new_page(**{"viewport": {"width": 1280, "height": 800}, **options})
        page.set_default_timeout(150_000)
        page.requested = []
        page.on("request", lambda request: page.requested.append(request.url))
        yield page
        browser.close()


@contextmanager
def open_notebook(address, environment=None, **options):
    """A page of a real browser in which all cells of the notebook were set running."""
    with browser_page(environment, **options) as page:
        page.goto(address)
        page.get_by_text("Python 3 (ipykernel) | Idle").wait_for()
        page.get_by_text("Run", exact=True).first.click()
        page.get_by_text("Run All Cells", exact=True).click()
        yield page
