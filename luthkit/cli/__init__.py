"""The command `luthkit`. A thin face: each command is a module beside this one, and all work is done elsewhere.

Exit code 0: done; 1: nothing usable in the recordings; 2: used wrongly; 130: stopped by Ctrl-C.
Errors are one sentence on standard error.
"""

from __future__ import annotations

import os
import signal
import sys
from importlib import import_module

from .. import __version__
from ..errors import LuthkitError
from .common import BAD_USE, NOTHING_USABLE, STOPPED, BadUse, Parser, say

# modules beside this one, in the order of --help; each has add(commands)
COMMANDS = (
    "start",
    "record",
    "keep",
    "logbook",
    "verify",
    "parcel",
    "modes",
    "name",
    "body",
    "compare",
    "profile",
    "tone",
    "history",
    "wood",
    "plan",
)


def main(argv=None) -> int:
    """Run the command with the arguments given (default: those of the process) and return its exit code."""
    stops = []

    def stop(*_):
        stops.append(True)
        raise KeyboardInterrupt

    try:
        before = signal.signal(signal.SIGINT, stop)
    except ValueError:  # not in the main thread: nobody presses Ctrl-C here
        return _run(argv)
    try:
        code = _run(argv)
    finally:
        signal.signal(signal.SIGINT, before)
    # a library that catches everything may have swallowed the interrupt, and failed for it
    return say("stopped by Ctrl-C", STOPPED) if stops and code not in (0, STOPPED) else code


def _run(argv) -> int:
    options = None
    try:
        _prepare()
        options = parser().parse_args(argv)
        return options.run(options)
    except SystemExit as done:  # --help and --version
        return int(done.code or 0)
    except KeyboardInterrupt:
        return say("stopped by Ctrl-C", STOPPED)
    except BrokenPipeError:  # the reader of our output went away, as `head` does
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except BadUse as error:
        return say(error, BAD_USE, options)
    except LuthkitError as error:
        return say(error, NOTHING_USABLE, options)
    except Exception as error:  # never a traceback in the maker's face
        fault = f"luthkit met a fault of its own, {type(error).__name__}: {error}"
        return say(fault, NOTHING_USABLE, options)


def parser() -> Parser:
    """The parser of all commands; a command's module adds its own with `add`."""
    parser = Parser(prog="luthkit", description="Read the modes of guitars from recordings, compare and follow them.")
    parser.add_argument("--version", action="version", version=f"luthkit {__version__}")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", required=True, parser_class=Parser)
    for name in COMMANDS:
        import_module(f".{name}", __name__).add(commands)
    return parser


def _prepare():
    """Output that never fails on a letter, and no chatter of libraries on standard error."""
    import logging
    import warnings

    logging.getLogger("matplotlib").setLevel(logging.ERROR)
    if not sys.warnoptions:
        warnings.simplefilter("ignore")
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="backslashreplace")
