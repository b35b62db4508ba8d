"""A form: fields, buttons, a line of status and a page of results.

Work runs beside the page, so that the form stays alive, tells the time it takes, and can be stopped. What was
chosen is remembered for the next time, in a small text file beside the notebook.
"""

from __future__ import annotations

import ctypes
import json
import sys
import threading
import time
from contextlib import suppress
from html import escape
from pathlib import Path

import ipywidgets as widgets

from ...errors import LuthkitError
from ..page import STYLE, default_path, save_pieces, save_sheet, write_page

CHOICES = Path("luthkit_choices.json")


class Stopped(BaseException):
    """The maker pressed Stop."""


class Form:
    """Fields, buttons, a line of status and a page of results. `act` gives the `Page` to show.

    `name` is that of the form in the file of remembered choices; None remembers nothing.
    """

    def __init__(self, verb, fields, *, name: str | None = None):
        self.act = None
        self._page_shown = None
        self._count = 0
        self._fields = fields
        self._name = name
        self._worker = None
        self._go = _button(verb, "check", button_style="primary")
        self._stop = _button("Stop", "stop", disabled=True)
        self._save = _button("Save report", "save", disabled=True)
        self._sheet = _button("Save sheet (PDF)", "file", disabled=True)
        self._pieces = _button("Save pictures and tables", "table", disabled=True)
        self._status = widgets.HTML()
        self._status.add_class("luthkit-status")
        self._page = widgets.HTML()
        self._page.add_class("luthkit-page")
        self._go.on_click(lambda _: self._press())
        self._stop.on_click(lambda _: self._interrupt())
        self._save.on_click(lambda _: self._write(lambda page: [write_page(page, default_path(page))]))
        self._sheet.on_click(lambda _: self._write(save_sheet))
        self._pieces.on_click(lambda _: self._write(save_pieces))

    def open(self, *, ready: bool):
        """The whole form; does its work at once when `ready`."""
        self._recall()
        if ready:
            self._run()
        else:
            self.say("Choose, then press the button.")
        style = widgets.HTML(f"<style>{STYLE}.jp-InputPlaceholder{{display:none!important}}</style>")
        buttons = widgets.HBox([self._go, self._stop, self._save, self._sheet, self._pieces])
        return widgets.VBox([style, *self._fields, buttons, self._status, self._page])

    def say(self, sentence: str, *, wrong: bool = False) -> None:
        """A sentence in the line of status."""
        color = "#882255" if wrong else "inherit"
        self._status.value = f'<span style="color:{color};font-size:15px">{escape(sentence)}</span>'

    def _press(self):
        if not _in_notebook():
            self._run()
        elif self._worker is None or not self._worker.is_alive():
            self._worker = threading.Thread(target=self._run, daemon=True)
            self._worker.start()

    def _interrupt(self):
        """Raise `Stopped` in the worker, at its next step."""
        if self._worker is not None and self._worker.is_alive():
            ident = ctypes.c_ulong(self._worker.ident)
            ctypes.pythonapi.PyThreadState_SetAsyncExc(ident, ctypes.py_object(Stopped))

    def _run(self):
        for button in (self._go, self._save, self._sheet, self._pieces):
            button.disabled = True
        self._stop.disabled = False
        working = _Clock(self)
        try:
            page = self.act()
            working.end()
            self._page.value = f'<div class="luthkit">{page.body}</div>'
            self._page_shown = page
            self._count += 1
            self._remember()
            self.say(f"Done ({self._count}).")
        except (Stopped, KeyboardInterrupt):
            working.end()
            self.say("Stopped; nothing was changed. Press the button to begin again.")
        except Exception as error:
            working.end()
            self._page.value, self._page_shown = "", None
            self.say(sentence(error), wrong=True)
        self._stop.disabled = True
        self._go.disabled = False
        self._save.disabled = self._pieces.disabled = self._page_shown is None
        self._sheet.disabled = getattr(self._page_shown, "sheet", None) is None
        self._sheet.layout.display = "none" if self._sheet.disabled else ""

    def _write(self, write):
        try:
            paths = write(self._page_shown)
        except Exception as error:
            self.say(sentence(error), wrong=True)
        else:
            self.say(_saved([path.resolve() for path in paths]))

    def _remember(self):
        """Keep what was chosen; a folder that cannot be written to is no reason to stop."""
        if self._name is None:
            return
        chosen = {field.description: field.value for field in _walk(self._fields) if _is_plain(field)}
        with suppress(OSError, TypeError):
            CHOICES.write_text(json.dumps({**_choices(), self._name: chosen}, indent=1), encoding="utf-8")

    def _recall(self):
        """Set the fields to what was chosen last time, as far as that can still be chosen."""
        before = _choices().get(self._name, {}) if self._name else {}
        for field in _walk(self._fields):
            if _is_plain(field) and field.description in before:
                value = before[field.description]
                with suppress(Exception):  # a folder that is gone, a word that is no choice any more
                    field.value = tuple(value) if isinstance(value, list) else value


def _button(words: str, icon: str, **options) -> widgets.Button:
    """A button as wide as its words, at any zoom."""
    return widgets.Button(description=words, icon=icon, layout={"width": "auto", "min_width": "6rem"}, **options)


class _Clock:
    """Says how long the work has taken, once a second."""

    def __init__(self, form: Form):
        self._done = threading.Event()
        form.say("At work; this takes some seconds.")
        self._thread = threading.Thread(target=self._tick, args=(form,), daemon=True)
        self._thread.start()

    def _tick(self, form):
        began = time.monotonic()
        while not self._done.wait(1.0):
            form.say(f"At work for {time.monotonic() - began:.0f} s …")

    def end(self):
        self._done.set()
        self._thread.join()


def sentence(error) -> str:
    """One sentence for the form, never a traceback."""
    if isinstance(error, LuthkitError):
        text = str(error)
    else:
        text = f"luthkit met a fault of its own, {type(error).__name__}: {error}"
    text = " ".join(text.split())
    return text[:1].upper() + text[1:]


def _saved(paths: list[Path]) -> str:
    if len(paths) == 1:
        return f"Saved as {paths[0]}"
    names = ", ".join(path.name for path in paths)
    return f"Saved in {paths[0].parent}: {names}" if paths else "There is no picture and no table to save."


def _in_notebook() -> bool:
    return "ipykernel.kernelapp" in sys.modules


def _walk(fields):
    for field in fields:
        yield field
        yield from _walk(getattr(field, "children", ()))


def _is_plain(field) -> bool:
    kinds = (widgets.Dropdown, widgets.SelectMultiple, widgets.Text, widgets.Checkbox, widgets.ToggleButtons)
    numbers = (widgets.FloatText, widgets.BoundedFloatText, widgets.IntText, widgets.BoundedIntText)
    sliders = (widgets.FloatSlider, widgets.IntSlider, widgets.FloatLogSlider)
    return isinstance(field, (*kinds, *numbers, *sliders)) and bool(field.description)


def _choices() -> dict:
    try:
        found = json.loads(CHOICES.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return found if isinstance(found, dict) and all(isinstance(v, dict) for v in found.values()) else {}
