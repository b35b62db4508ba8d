"""What all forms share: fields, buttons, a line of status and a page of results. No code to read or to change.

Every error is one sentence in the form. A form starts with the sample guitars and reads them at once, so that
a notebook runs from top to bottom without a hand.
"""

from __future__ import annotations

import os
from html import escape
from pathlib import Path

import ipywidgets as widgets

from ...errors import LuthkitError
from ...shop.reading import read_instruments
from ...signal.recording import SUFFIXES
from ..page import STYLE, default_path, write_page

WIDE = {"description_width": "11rem"}
LAYOUT = {"width": "44rem"}


def find_guitars(start=None) -> list[str]:
    """Folders that hold recordings, in and beside the folder `start`: the samples, then the maker's own."""
    start = Path(start) if start is not None else Path.cwd()
    found: dict[str, None] = {}
    for root in (start / "sample_audio", start.parent / "sample_audio", start, start.parent):
        try:
            inside = sorted(path for path in root.iterdir() if path.is_dir() and path.name[0] not in "._")
        except OSError:
            continue
        for folder in inside:
            if folder.name != "sample_audio" and _holds_sounds(folder):
                found[os.path.relpath(folder, Path.cwd())] = None
    return list(found)


def _holds_sounds(folder: Path) -> bool:
    """Whether there is a sound file in the folder, or a session.toml with sounds one level down."""
    try:
        if any(path.suffix.lower() in SUFFIXES for path in folder.iterdir()):
            return True
        return (folder / "session.toml").is_file()
    except OSError:
        return False


def label(path: str) -> str:
    """The folder's own name and where it lies."""
    folder = Path(path)
    return f"{folder.name}   ({folder.parent.name or folder.parent.resolve().name})"


def folder_list(words, guitars, value=None):
    """A list of folders to pick one from."""
    options = [(label(path), path) for path in guitars] or [("no folder with recordings found here", None)]
    return widgets.Dropdown(description=words, options=options, value=value or options[0][1], style=WIDE, layout=LAYOUT)


def path_field(words):
    """A field for the path of a folder that is not in the list."""
    return widgets.Text(
        description=words,
        placeholder="path of a folder; leave empty to use the list",
        style=WIDE,
        layout=LAYOUT,
    )


def chosen(picked, typed: str) -> list[Path]:
    """The typed path if there is one, else what was picked."""
    if typed.strip():
        return [Path(typed.strip().strip("\"'")).expanduser()]
    if not picked or picked[0] is None:
        raise LuthkitError("no guitar is chosen; pick one from the list or type the path of its folder")
    return [Path(path) for path in picked]


class Reader:
    """Reads instruments and remembers them as long as their files do not change."""

    def __init__(self):
        self._known = {}

    def read(self, folders):
        prints = [self._print(folder) for folder in folders]
        new = {key: folder for key, folder in zip(prints, folders, strict=True) if key not in self._known}
        if new:
            self._known.update(zip(new, read_instruments(list(new.values())), strict=True))
        modesets = [self._known[key] for key in prints]
        for modeset in modesets:
            if not modeset.modes:
                why = f": {modeset.rejected[0].reason}" if modeset.rejected else ""
                raise LuthkitError(f"there is no usable tap in {modeset.name}{why}")
        return modesets

    @staticmethod
    def _print(folder):
        """Path, sizes and times of all files in a folder."""
        files = sorted(path for path in folder.rglob("*") if path.is_file()) if folder.is_dir() else [folder]
        return (
            str(folder),
            *((str(p), p.stat().st_size, p.stat().st_mtime_ns) for p in files if p.exists()),
        )


class Form:
    """Fields, two buttons, a line of status and a page of results. `act` gives the `Page` to show."""

    def __init__(self, verb, fields):
        self.reader = Reader()
        self.act = None
        self._result = None
        self._count = 0
        self._fields = fields
        self._go = widgets.Button(description=verb, button_style="primary", icon="check")
        self._save = widgets.Button(description="Save report", disabled=True, icon="save")
        self._status = widgets.HTML()
        self._status.add_class("luthkit-status")
        self._page = widgets.HTML()
        self._page.add_class("luthkit-page")
        self._go.on_click(lambda _: self._run())
        self._save.on_click(lambda _: self._write())

    def open(self, *, ready: bool):
        """The whole form; reads what is chosen at once when `ready`."""
        if ready:
            self._run()
        else:
            self._say("Choose, then press the button.")
        style = widgets.HTML(f"<style>{STYLE}.jp-InputPlaceholder{{display:none!important}}</style>")
        buttons = widgets.HBox([self._go, self._save])
        return widgets.VBox([style, *self._fields, buttons, self._status, self._page])

    def _run(self):
        self._go.disabled = self._save.disabled = True
        self._say("Reading the recordings; this takes some seconds.")
        try:
            self._result = self.act()
        except Exception as error:
            self._result = None
            self._page.value = ""
            self._say(_sentence(error), wrong=True)
        else:
            self._count += 1
            self._page.value = f'<div class="luthkit">{self._result.body}</div>'
            self._say(f"Done ({self._count}).")
        self._go.disabled = False
        self._save.disabled = self._result is None

    def _write(self):
        try:
            path = write_page(self._result, default_path(self._result))
        except Exception as error:
            self._say(_sentence(error), wrong=True)
        else:
            self._say(f"The report was saved as {path.resolve()}")

    def _say(self, sentence, *, wrong=False):
        color = "#882255" if wrong else "inherit"
        self._status.value = f'<span style="color:{color};font-size:15px">{escape(sentence)}</span>'


def _sentence(error) -> str:
    """One sentence for the form, never a traceback."""
    if isinstance(error, LuthkitError):
        text = str(error)
    else:
        text = f"luthkit met a fault of its own, {type(error).__name__}: {error}"
    text = " ".join(text.split())
    return text[:1].upper() + text[1:]
