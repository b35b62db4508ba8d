"""What all commands share: exit codes, misuse, reports, and one sentence for each error."""

from __future__ import annotations

import argparse
import os
import re
import sys
from contextlib import contextmanager

from .._text import one_line
from ..errors import LuthkitError

NOTHING_USABLE, BAD_USE, STOPPED = 1, 2, 130
_BELOW_ZERO = re.compile(r"-\d+([.,]\d+)? ?%?")


class BadUse(Exception):
    """The command line makes no sense; the message is one sentence."""


class Parser(argparse.ArgumentParser):
    def parse_known_args(self, args=None, namespace=None):
        """As usual; but "-5%" and "-2,5" are numbers below zero, too, and no options."""
        typed = sys.argv[1:] if args is None else args
        plain = [arg.rstrip(" %").replace(",", ".") if _BELOW_ZERO.fullmatch(arg) else arg for arg in typed]
        return super().parse_known_args(plain, namespace)

    def error(self, message):
        raise BadUse(f"{message}; see {self.prog} --help")


def add_output(command, *, sheet: bool = False) -> None:
    """The options of every command that shows a result, with or without a page to print."""
    command.add_argument("--json", action="store_true", help="print JSON and nothing else")
    command.add_argument("--report", metavar="FILE", help="where to write the report (one HTML file)")
    if sheet:
        command.add_argument("--sheet", metavar="FILE", help="write a one-page sheet to print (.pdf or .html)")


def tell(options, *, data, text, page=None) -> int:
    """Print a result as the options ask and write its report; 0. `data`, `text` and `page` make what is wanted."""
    from ..show.data import to_json

    write = page is not None and options.report is not None
    if not options.json:
        print(text(), flush=True)
    report = write_report(page(), options.report) if write else None
    if options.json:
        print(to_json({**data(), **({"report": report} if page else {})}), flush=True)
    elif report:
        print(f"\nReport: {report}", flush=True)
    return 0


def hertz(option: str, text: str) -> float:
    """A frequency typed after an option."""
    try:
        return float(text)
    except ValueError:
        raise BadUse(f"{option} wants a frequency in hertz first, such as 196, not {text!r}") from None


def write_report(page, path) -> str:
    """Write a `Page` to `path`, or where reports go by themselves; the path it went to."""
    from ..show.page import default_path, write_page

    with misuse():
        return str(write_page(page, path or default_path(page)))


def write_sheet(page, path) -> None:
    """Write the one-page sheet of what `page` makes, a `Page`, to `path`; nothing for None."""
    if path is None:
        return
    from ..show import page as pages

    with misuse():
        pages.write_sheet(page(), path)


@contextmanager
def misuse():
    """What is wrong within comes from the command line: a `LuthkitError` becomes `BadUse`."""
    try:
        yield
    except LuthkitError as error:
        raise BadUse(str(error)) from error


def check_paths(paths, report):
    """What can be seen at once to be a slip of the hand, before a long reading begins."""
    for path in paths:
        if not os.path.exists(path):
            raise BadUse(
                f"{path} does not exist; check the spelling of the folder or file (guitars of a logbook go by their "
                "names inside the workshop only)"
            )
    if report is not None:
        folder = os.path.dirname(report) or "."
        if os.path.isdir(report) or not os.path.isdir(folder):
            raise BadUse(f"the report cannot be written to {report}; name a file in a folder that exists")
        if os.path.exists(report):
            from ..show.page import identity_in

            if identity_in(report) is None:
                raise BadUse(f"{report} exists and is no report of luthkit; name another file for the report")


def no_modes(modeset) -> str:
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


def say(sentence, code: int, options=None) -> int:
    """One sentence on standard error, and for --json an object with that sentence on standard output."""
    sentence = one_line(str(sentence))
    if getattr(options, "json", False):
        import json

        print(json.dumps({"error": sentence}), flush=True)
    print(f"luthkit: {sentence}", file=sys.stderr, flush=True)
    return code
