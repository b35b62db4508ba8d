"""A form: fields, buttons, a line of status and a page of results.

Work runs beside the page, so that the form stays alive, tells the time it takes, and can be stopped. What was
chosen is remembered for the next time, in a small text file that the maker does not stumble over.
"""

from __future__ import annotations

import json
import sys
import threading
import time
from contextlib import suppress
from functools import partial
from html import escape
from pathlib import Path

import ipywidgets as widgets

from ...errors import LuthkitError
from ...shop.workshop import choices_file, link_to, results_folder
from ..page import STYLE, save_pieces, save_report, save_sheet
from .task import Stopped, Task

AT_WORK = "form at work"  # name of its thread
_MOST_NAMED = 3  # of the files that were saved
_STYLE = """
.jp-InputPlaceholder,.jp-OutputArea-prompt,.jp-OutputArea-promptOverlay{display:none!important}
.luthkit-earlier{opacity:.4}
.jp-Notebook .jp-Cell.jp-mod-multiSelected{background:none!important}
"""
_SPOKEN_NAMES = """
const name = () => {  // for screen readers: a slider is called as its field, a sign on a button is no word
  for (const row of document.querySelectorAll('.jp-OutputArea .widget-slider')) {
    const words = row.querySelector('.widget-label'), handle = row.querySelector('[role=slider]');
    if (words && handle) handle.setAttribute('aria-label', words.textContent);
  }
  document.querySelectorAll('.jp-OutputArea button > i').forEach(i => i.setAttribute('aria-hidden', 'true'));
};
if (!window.luthkitNames) {
  window.luthkitNames = new MutationObserver(name);
  window.luthkitNames.observe(document.body, {childList: true, subtree: true});
}
name();
"""


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
        self._at_work, self._task = False, None
        self._go = _button(verb, "check", button_style="primary")
        self._stop = _button("Stop", "stop", disabled=True)
        self._save = _button("Save report", "save", disabled=True)
        self._sheet = _button("Save sheet (PDF)", "file", disabled=True)
        self._sheet.layout.display = "none"  # until there is a page that has one
        self._pieces = _button("Save pictures and tables", "table", disabled=True)
        self._status = widgets.HTML()
        self._status.add_class("luthkit-status")
        self._page = widgets.HTML()
        self._page.add_class("luthkit-page")
        self._go.on_click(lambda _: self.press())
        self._stop.on_click(lambda _: self._interrupt())
        for button, write in ((self._save, save_report), (self._sheet, save_sheet), (self._pieces, save_pieces)):
            button.on_click(partial(self._write, write))

    def open(self, *, ready: bool):
        """The whole form; does its work at once when `ready`, as if the button had been pressed."""
        self._recall()
        if _in_notebook():
            from IPython.display import Javascript, display

            display(Javascript(_SPOKEN_NAMES))
        if ready:
            self.press()
        else:
            self.say("Choose, then press the button.")
        style = widgets.HTML(f"<style>{STYLE}{_STYLE}</style>")
        buttons = row(self._go, self._stop, self._save, self._sheet, self._pieces)
        fields = [part for field in self._fields for part in (field, *_hints(field))]
        return widgets.VBox([style, *fields, buttons, self._status, self._page])

    def say(self, sentence: str, *, wrong: bool = False) -> None:
        """A sentence in the line of status."""
        self._status.value = _spoken(escape(sentence), wrong=wrong)

    def focus(self) -> None:
        """The keyboard on the button, and that in view."""
        self._go.focus()

    def press(self) -> None:
        """As the button does. In a notebook, work beside the page; a press while it is at work counts for nothing."""
        if self._at_work:
            return
        self._at_work = True
        if _in_notebook():
            threading.Thread(target=self._run, name=AT_WORK, daemon=True).start()
        else:
            self._run()

    def _interrupt(self):
        if self._task is not None:
            self._task.stop()
        self.focus()  # a button that is greyed loses it to nowhere

    def _run(self):
        self._task = task = Task(self.act)
        for button in (self._save, self._sheet, self._pieces):
            button.disabled = True
        self._stop.disabled, wrong, count = False, False, None
        self.say("Waits until the work above is done.")
        self._page.add_class("luthkit-earlier")
        try:
            page = task.wait(lambda: self.say(f"At work for {time.monotonic() - task.began_s:.0f} s …"))
            self._page.value = f'<div class="luthkit">{page.body}</div>'
            self._page_shown = page
            self._page.remove_class("luthkit-earlier")
            self._remember()
            self._count = count = self._count + 1
            html = _done(page, time.monotonic() - task.began_s)
        except Stopped:
            html = "Stopped. Press the button to begin again."
            if self._page_shown is not None:
                html += " What stands below in grey is of the choice before."
            self._page_shown = None
        except Exception as error:
            self._page.value, self._page_shown = "", None
            html, wrong = escape(sentence(error)).replace("\n", "<br>"), True
        self._stop.disabled = True
        self._save.disabled = self._pieces.disabled = self._page_shown is None
        self._sheet.disabled = getattr(self._page_shown, "sheet", None) is None
        if not self._sheet.disabled:
            self._sheet.layout.display = ""  # from now on: a button that comes and goes is looked for
        self._at_work = False
        self._status.value = _spoken(html, wrong=wrong, count=count)

    def _write(self, write, _):
        try:
            paths = write(self._page_shown, results_folder())
        except Exception as error:
            self.say(sentence(error), wrong=True)
        else:
            self._status.value = _spoken(_saved(paths))

    def _remember(self):
        """Keep what was chosen; a folder that cannot be written to is no reason to stop."""
        if self._name is None:
            return
        chosen = {field.description: field.value for field in _walk(self._fields) if _is_plain(field)}
        with suppress(OSError, TypeError):
            text = json.dumps({**_choices(), self._name: chosen}, indent=1)
            choices_file().parent.mkdir(exist_ok=True)
            choices_file().write_text(text, encoding="utf-8")

    def _recall(self):
        """Set the fields to what was chosen last time, as far as that can still be chosen."""
        before = _choices().get(self._name, {}) if self._name else {}
        for field in _walk(self._fields):
            if _is_plain(field) and field.description in before:
                value = before[field.description]
                with suppress(Exception):  # a folder that is gone, a word that is no choice any more
                    field.value = tuple(value) if isinstance(value, list) else value


def row(*parts) -> widgets.HBox:
    """Parts side by side; a narrow window gets two rows, and nothing is cut."""
    return widgets.HBox(parts, layout={"flex_flow": "row wrap"})


def _button(words: str, icon: str, **options) -> widgets.Button:
    """A button as wide as its words, at any zoom."""
    layout = {"width": "auto", "min_width": "6rem", "flex": "0 0 auto"}
    return widgets.Button(description=words, icon=icon, layout=layout, **options)


def sentence(error) -> str:
    """One sentence for the form, never a traceback; one line for each of several wrong entries."""
    if isinstance(error, LuthkitError):
        texts = str(error).splitlines()
    else:
        texts = [f"luthkit met a fault of its own, {type(error).__name__}: {error}"]
    lines = [" ".join(text.split()) for text in texts if text.strip()]
    return "\n".join(line[:1].upper() + line[1:] for line in lines)


def _done(page, seconds: float) -> str:
    """'Read 36 taps of Number 12 in 4 s.', and the answer, which may else stand below the window; HTML."""
    took = f"in {seconds:.0f} s" if seconds >= 1.5 else "at once"
    done = escape(f"{page.done or f'{page.title}: done'} {took}.")
    return f"{done}<br><b>{page.lead}</b>" if page.lead else done


def _saved(paths: list[Path]) -> str:
    """Where the files went, each with a link where the browser can open it; HTML."""
    if not paths:
        return "There is no picture and no table to save."
    look = 'target="_blank" style="color:#0057A8;text-decoration:underline"'  # JupyterLab hides links else
    names = []
    for path in paths[:_MOST_NAMED]:
        name, link = escape(path.name), link_to(path)
        names.append(f'<a href="{escape(link)}" {look}>{name}</a>' if link else name)
    more = f" and {len(paths) - _MOST_NAMED} more" if len(paths) > _MOST_NAMED else ""
    return f"Saved in the folder {escape(str(paths[0].parent))}: {', '.join(names)}{more}"


def _spoken(html: str, *, wrong: bool = False, count: int | None = None) -> str:
    """A line of status that a screen reader speaks; `count` numbers what was done."""
    role, color = ("alert", "#882255") if wrong else ("status", "inherit")
    done = f' data-done="{count}"' if count else ""
    return f'<span role="{role}"{done} style="color:{color};font-size:15px;line-height:1.4">{html}</span>'


def _in_notebook() -> bool:
    return "ipykernel.kernelapp" in sys.modules


def _walk(fields):
    for field in fields:
        yield field
        yield from _walk(getattr(field, "children", ()))


def _hints(field) -> list[widgets.Widget]:
    """What to say below a field: how several are chosen in a list of which several may be."""
    if not isinstance(field, widgets.SelectMultiple):
        return []
    words = "Several: hold Ctrl (on a Mac: Cmd) and click, or Shift and the arrow keys. The same takes one away."
    return [widgets.HTML(f'<span class="luthkit-hint">{words}</span>', layout={"margin": "-4px 0 2px 11.7rem"})]


def _is_plain(field) -> bool:
    """Whether what was chosen in it is remembered; long texts are not."""
    return (
        isinstance(field, widgets.ValueWidget) and not isinstance(field, widgets.Textarea) and bool(field.description)
    )


def _choices() -> dict:
    try:
        found = json.loads(choices_file().read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return found if isinstance(found, dict) and all(isinstance(v, dict) for v in found.values()) else {}
