"""`luthkit start`: a workshop folder, and JupyterLab opened in it."""

from __future__ import annotations

from .common import NOTHING_USABLE


def add(commands) -> None:
    start = commands.add_parser("start", help="lay out a workshop folder and open the notebooks there")
    start.add_argument("folder", metavar="FOLDER", help="a new folder, or a workshop that is there already")
    start.add_argument("--no-browser", action="store_true", help="do not open the browser; print the address")
    start.add_argument("--lay-out-only", action="store_true", help="lay the folder out and end there")
    start.add_argument("--json", action="store_true", help="lay out only, and print JSON")
    start.set_defaults(run=run)


def run(options) -> int:
    from ..shop.workshop import lab_command, lay_out

    added = lay_out(options.folder)
    if options.json:
        from ..show.data import to_json

        print(to_json({"folder": options.folder, "added": added}), flush=True)
        return 0
    if added:
        print(f"The workshop lies in {options.folder}: {len(added)} things were added.", flush=True)
    else:
        print(f"The workshop in {options.folder} is as you left it.", flush=True)
    if options.lay_out_only:
        return 0
    import signal
    import subprocess

    opens = "JupyterLab opens at the address below" if options.no_browser else "JupyterLab opens in your browser"
    print(f"{opens}. To end it, come back here and press Ctrl-C twice.", flush=True)
    command, environment = lab_command(options.folder, browser=not options.no_browser)
    heard = signal.signal(signal.SIGINT, lambda *_: None)  # it reaches JupyterLab too, which asks, and ends by itself
    try:
        code = subprocess.call(command, env=environment)
    finally:
        signal.signal(signal.SIGINT, heard)
    return NOTHING_USABLE if code > 0 else 0
