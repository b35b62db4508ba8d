"""The command: `luthkit modes` and `luthkit compare`. A thin face; all work is done elsewhere.

Exit code 0: done; 1: nothing usable in the recordings; 2: used wrongly; 130: stopped by Ctrl-C.
Errors are one sentence on standard error.
"""

from __future__ import annotations

import argparse
import os
import signal
import sys

from . import __version__
from ._text import one_line
from .errors import LuthkitError

NOTHING_USABLE, BAD_USE, STOPPED = 1, 2, 130


class _BadUse(Exception):
    """The command line makes no sense; the message is one sentence."""


class _Parser(argparse.ArgumentParser):
    def error(self, message):
        raise _BadUse(f"{message}; see {self.prog} --help")


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
    return _say("stopped by Ctrl-C", STOPPED) if stops and code not in (0, STOPPED) else code


def _run(argv) -> int:
    options = None
    try:
        _prepare()
        options = _parser().parse_args(argv)
        return options.run(options)
    except SystemExit as done:  # --help and --version
        return int(done.code or 0)
    except KeyboardInterrupt:
        return _say("stopped by Ctrl-C", STOPPED)
    except BrokenPipeError:  # the reader of our output went away, as `head` does
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except _BadUse as error:
        return _say(error, BAD_USE, options)
    except LuthkitError as error:
        return _say(error, NOTHING_USABLE, options)
    except Exception as error:  # never a traceback in the maker's face
        fault = f"luthkit met a fault of its own, {type(error).__name__}: {error}"
        return _say(fault, NOTHING_USABLE, options)


def _parser() -> argparse.ArgumentParser:
    parser = _Parser(prog="luthkit", description="Read the modes of guitars from tap recordings and compare them.")
    parser.add_argument("--version", action="version", version=f"luthkit {__version__}")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", required=True, parser_class=_Parser)

    modes = commands.add_parser("modes", help="the modes of one instrument")
    modes.add_argument("paths", nargs="+", metavar="FOLDER|FILE", help="one folder of recordings, or sound files")
    modes.set_defaults(run=_modes)

    compare = commands.add_parser("compare", help="a build beside one or more references")
    compare.add_argument("build", metavar="BUILD", help="folder of recordings of the new guitar")
    compare.add_argument("references", nargs="+", metavar="REFERENCE", help="folder of a reference guitar")
    compare.add_argument(
        "--setting",
        default="re-hung",
        help="what changed between recordings: re-hung (default), same set-up, other operator, other room",
    )
    compare.set_defaults(run=_compare)
    for command in (modes, compare):
        command.add_argument("--json", action="store_true", help="print JSON and nothing else")
        command.add_argument("--report", metavar="FILE", help="where to write the report (one HTML file)")
    return parser


def _modes(options) -> int:
    folders = [path for path in options.paths if os.path.isdir(path)]
    if folders and len(options.paths) > 1:
        raise _BadUse("modes reads one instrument: name one folder, or several files, but not several folders")
    _check_paths(options.paths, options.report)
    from .shop.reading import read_instrument
    from .show import data, words

    modeset = read_instrument(options.paths)
    write = options.report is not None and bool(modeset.modes)
    if options.json:
        report = _write_report(modeset, options.report) if write else None
        print(data.to_json({**data.modeset_data(modeset), "report": report}), flush=True)
    else:
        print(words.modes_text(modeset), flush=True)
        if write:
            print(f"\nReport: {_write_report(modeset, options.report)}", flush=True)
    return 0 if modeset.modes else _say(_no_modes(modeset), NOTHING_USABLE)


def _compare(options) -> int:
    from .guitar.thresholds import Thresholds

    _check_paths([options.build, *options.references], options.report)
    try:
        thresholds = Thresholds(setting=options.setting)
    except LuthkitError as error:
        raise _BadUse(str(error)) from error
    from .guitar.comparison import compare
    from .shop.reading import read_instruments
    from .show import data, words

    build, *references = read_instruments([options.build, *options.references])
    for modeset in (build, *references):
        if not modeset.modes:
            raise LuthkitError(_no_modes(modeset))
    comparison = compare(build, references, thresholds=thresholds)
    if options.json:
        report = _write_report(comparison, options.report)
        print(data.to_json({**data.comparison_data(comparison), "report": report}), flush=True)
    else:
        print(words.comparison_text(comparison), flush=True)
        print(f"\nReport: {_write_report(comparison, options.report)}", flush=True)
    return 0


def _write_report(result, path) -> str:
    from .show.report import default_path, write_report

    try:
        return str(write_report(result, path or default_path(result)))
    except LuthkitError as error:
        raise _BadUse(str(error)) from error


def _check_paths(paths, report):
    """What can be seen at once to be a slip of the hand, before a long reading begins."""
    for path in paths:
        if not os.path.exists(path):
            raise _BadUse(f"{path} does not exist; check the spelling of the folder or file")
    if report is not None:
        folder = os.path.dirname(report) or "."
        if os.path.isdir(report) or not os.path.isdir(folder):
            raise _BadUse(f"the report cannot be written to {report}; name a file in a folder that exists")
        if os.path.exists(report):
            from .show.report import identity_in

            if identity_in(report) is None:
                raise _BadUse(f"{report} exists and is no report of luthkit; name another file for the report")


def _no_modes(modeset) -> str:
    """Why there is nothing to show, in one sentence."""
    name = modeset.name or "this instrument"
    if modeset.taps_accepted:
        return f"no mode was found in the {modeset.taps_accepted} taps of {name}; record at least 5 clean taps"
    if not modeset.rejected:
        return f"no tap was found in the recordings of {name}; record at least 5 clean taps"
    first, more = modeset.rejected[0], len(modeset.rejected) - 1
    others = f" (and {more} more left out)" if more else ""
    reason = first.reason if first.source in first.reason else f"{first.source}: {first.reason}"
    return f"no usable tap in {name}: {reason.rstrip('.')}{others}"


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


def _say(sentence, code: int, options=None) -> int:
    """One sentence on standard error, and for --json an object with that sentence on standard output."""
    sentence = one_line(str(sentence))
    if getattr(options, "json", False):
        import json

        print(json.dumps({"modes": [], "error": sentence}), flush=True)
    print(f"luthkit: {sentence}", file=sys.stderr, flush=True)
    return code
