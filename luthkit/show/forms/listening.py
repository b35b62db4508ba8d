"""The listening form of the fourth notebook: players of equal loudness, and a blind test."""

from __future__ import annotations

from html import escape

import ipywidgets as widgets

from ...errors import LuthkitError
from ...guitar.blind_test import blind_test
from ..listening import listening_page, players, read_played
from .common import Form, chosen, find_guitars, folder_list, path_field, text_field
from .form import sentence


def listening_form(*, start=None) -> widgets.Widget:
    """Hear a build beside a reference, and find out blind whether you can tell them apart.

    `start` is the folder where guitars are looked for (default: the current folder and those beside it).
    """
    guitars = find_guitars(start)
    build = folder_list("Build", guitars)
    reference = folder_list("Reference", guitars, guitars[1] if len(guitars) > 1 else None)
    build_path, reference_path = path_field("or a build elsewhere"), path_field("or a reference elsewhere")
    form = Form("Listen", [build, build_path, reference, reference_path], name="listening")
    blind = _Blind()

    def act():
        first = chosen([build.value], build_path.value)[0]
        second = chosen([reference.value], reference_path.value)[0]
        if first == second:
            raise LuthkitError("build and reference are the same folder; choose two guitars")
        read = read_played(first), read_played(second)
        heard = players(*read)
        (_, a), (_, b), _ = heard[0]
        blind.use(a, b)
        return listening_page(*read, heard)

    form.act = act
    return widgets.VBox([form.open(ready=len(guitars) > 1), blind.panel])


class _Blind:
    """Three players and two answers; X is A or B, and nobody says which before the end."""

    def __init__(self):
        self._test = None
        self._sounds = {}
        self._n_trials = text_field("Trials", kind=widgets.BoundedIntText, value=12, min=4, max=40)
        self._n_trials.layout.width = "20rem"
        self._begin = widgets.Button(description="Begin a blind test", icon="eye-slash", layout={"width": "14rem"})
        self._answers = [
            widgets.Button(description=f"X is {name}", disabled=True, layout={"width": "10rem"}) for name in "AB"
        ]
        self._boxes = {name: widgets.HBox() for name in "ABX"}
        self._said = widgets.HTML("Press <b>Listen</b> first, then begin.")
        self._said.add_class("luthkit-tally")
        self._begin.on_click(lambda _: self._start())
        for button, name in zip(self._answers, "AB", strict=True):
            button.on_click(lambda _, name=name: self._answer(name))
        rows = [widgets.HBox([widgets.Label(f"{name}:"), box]) for name, box in self._boxes.items()]
        self.panel = widgets.VBox(
            [widgets.HBox([self._n_trials, self._begin]), *rows, widgets.HBox(self._answers), self._said]
        )

    def use(self, a: bytes, b: bytes):
        """New sounds; a test that was begun with others ends."""
        self._sounds, self._test = {"A": a, "B": b}, None
        for box in self._boxes.values():
            box.children = ()
        self._show("Begin when you are ready. Hear A, B and X as often as you like.")

    def _start(self):
        if not self._sounds:
            self._show("Press Listen first, then begin.")
            return
        try:
            self._test = blind_test(self._n_trials.value)
        except LuthkitError as error:
            self._show(sentence(error))
            return
        for name in "AB":
            self._boxes[name].children = (_player(self._sounds[name]),)
        self._ask()

    def _answer(self, name):
        self._test = self._test.answer(name)
        self._ask()

    def _ask(self):
        if self._test.finished:
            self._boxes["X"].children = ()
        else:
            hidden = self._test.hidden[len(self._test.answers)]
            self._boxes["X"].children = (_player(self._sounds[hidden]),)
        self._show(self._test.verdict())

    def _show(self, words):
        asking = self._test is not None and not self._test.finished
        for button in self._answers:
            button.disabled = not asking
        self._said.value = f'<span role="status" style="font-size:15px">{escape(words)}</span>'


def _player(wav: bytes):
    return widgets.Audio(value=wav, format="wav", autoplay=False, loop=False)
