"""What is asked before a recording: the few things that matter, and the rest folded away."""

from __future__ import annotations

from html import escape
from math import inf

import ipywidgets as widgets

from ...errors import LuthkitError
from ...shop.live import list_inputs
from ...shop.safe import leaves_a_name
from ...shop.session import NUMBERS, PLATE, POSITIONS, STAGES
from ...shop.sitting import Plan
from ...shop.spots import CARE, MASS
from .common import LAYOUT, WIDE, WrongEntry, each_of, folded, list_field, row, text_field
from .form import sentence

_SHORT = {"width": "18rem"}
_BESIDE = {"width": "auto", "margin": "2px 1rem 2px 2px"}
_WHAT = {  # what to do: how to make ready
    "Record a guitar": "Hang the guitar up, damp the strings, put the microphone 30 to 50 cm before the bridge.",
    "Record a plate": "Hang the plate from a thread, or lay it on soft foam; hold the microphone near it.",
    "Check the level": "Nothing is kept. Have ready what you will record, with the microphone where it will stand.",
}
_GUITAR, _PLATE, _LEVEL = _WHAT
_OF_A_PLATE = (
    "On foam the plate lies where it does not move. Tap near a corner, then in the "
    "middle of an end, then in the middle of a side. The taps go into the stock, not into the logbook."
)
_AGAIN = [  # words, condition, added mass in grams
    ("no", ("", 0.0)),
    ("with the soundhole plugged", ("soundhole plugged", 0.0)),
    ("with the back held still", ("back blocked", 0.0)),
    *((f"with {mass:g} g of putty at the bridge", (MASS, mass)) for mass in (5.0, 10.0, 20.0)),
]


class RecordChoices:
    """The fields in a `box`, and what they say. Raises `LuthkitError` for what makes no sense."""

    def __init__(self, *, changed=lambda: None):
        self._what = widgets.ToggleButtons(
            options=list(_WHAT), description="What to do", style={"description_width": "11rem"}
        )
        self._what.observe(lambda _: (self._show_care(), changed()), "value")
        self._guitar = text_field("Guitar", "e.g. Number 12")
        self._input = list_field("Microphone", ())
        self._asked = widgets.HTML(layout={"margin": "0 0 0 12rem"})
        self._asked.add_class("luthkit-asked")
        again = widgets.Button(description="Look again for microphones", icon="refresh", layout={"width": "auto"})
        again.on_click(lambda _: self._look(anew=True))
        self._heard = widgets.HTML()
        self._heard.add_class("luthkit-microphones")
        self._positions = [
            widgets.Checkbox(description=where, value=where == POSITIONS[0], indent=False, layout=_BESIDE)
            for where in POSITIONS
        ]
        self._taps = _count("Good taps at each", 5, 0, 50)
        self._placements = _count("Placements", 2, 1, 20)
        self._stage = list_field("Stage", [("not said", ""), *((stage, stage) for stage in STAGES)])
        self._temperature = widgets.Text(description="Temperature, °C", style=WIDE, layout=_SHORT)
        self._humidity = widgets.Text(description="Relative humidity, %", style=WIDE, layout=_SHORT)
        self._logbook = text_field("Logbook", value="../logbook")
        self._again = list_field("Each position again", [words for words, _ in _AGAIN])
        self._bar = _count("Taps of a metal bar", 0, 0, 20)
        self._knocks = _count("Knocks in the room", 0, 0, 20)
        self._strums = _count("Strums", 0, 0, 20)
        self._plucks = _count("Plucks of each string", 0, 0, 20)
        self._study = widgets.Checkbox(description="Belongs to my repeat study", style=WIDE, layout=LAYOUT)
        self._care = widgets.HTML()
        self._care.add_class("luthkit-care")
        for field in (self._again, self._bar, self._knocks, self._strums, self._plucks, self._study):
            field.observe(lambda _: self._show_care(), "value")
        counts = [row(self._bar, self._knocks), row(self._strums, self._plucks)]
        more = [self._stage, self._logbook, self._again, *counts, self._study]
        fold = folded("More about this session", more)
        words = widgets.Label("Positions", layout={"width": "11rem", "justify_content": "flex-end"})
        positions = widgets.HBox([words, row(*self._positions)])
        self._of_a_guitar = [positions, self._placements, fold]
        rows = [self._what, self._guitar, self._asked, row(self._input, again), self._heard, positions]
        rows += [row(self._taps, self._placements), row(self._temperature, self._humidity), fold, self._care]
        self.box = widgets.VBox(rows)
        self._look()

    def _look(self, *, anew: bool = False) -> None:
        """Ask the system which microphones there are."""
        inputs, self.trouble = _inputs(anew=anew)  # why there are none, in one sentence, or ""
        before = self._input.value
        options = [(f"{i.name}{' (the usual one)' if i.is_usual else ''}", i.name) for i in inputs]
        self._input.options = options or [("no microphone found", "")]
        names = [name for _, name in options]
        usual = next((i.name for i in inputs if i.is_usual), names[0] if names else "")
        self._input.value = before if before in names else usual
        self._input.disabled = not options
        found = f"{len(names)} found." if anew and names else ""
        self._heard.value = _small(self.trouble or found, colour="#882255" if self.trouble else "inherit")

    @property
    def checks_level(self) -> bool:
        """Whether the level is to be checked, and nothing recorded."""
        return self._what.value == _LEVEL

    @property
    def is_plate(self) -> bool:
        """Whether a free plate of wood is to be struck, not a guitar."""
        return self._what.value == _PLATE

    @property
    def invitation(self) -> str:
        """How to make ready for what was chosen."""
        return _WHAT[self._what.value]

    @property
    def microphone(self) -> str:
        """Its name, as in `list_inputs`; "" where there is none."""
        return self._input.value

    @property
    def logbook(self) -> str:
        """The folder of the logbook."""
        return self._logbook.value.strip()

    def asked(self) -> tuple[dict[str, object], Plan]:
        """What session.toml says beside the recordings, and what is to be struck."""
        words, plan = each_of(self._words, self._plan)
        return words, plan

    def _plan(self) -> Plan:
        self._check_counts()
        if self.is_plate:
            return Plan(PLATE, n_placements=1, n_taps=self._taps.value)
        condition, added_mass_g = dict(_AGAIN)[self._again.value]
        return Plan(
            tuple(box.description for box in self._positions if box.value),
            n_placements=self._placements.value,
            n_taps=self._taps.value,
            n_bar_taps=self._bar.value,
            condition=condition,
            added_mass_g=added_mass_g,
            n_knocks=self._knocks.value,
            n_strums=self._strums.value,
            n_plucks=self._plucks.value,
        )

    def _check_counts(self) -> None:
        """Something to strike is asked for, and where."""
        taps = self._taps.description
        if self.is_plate and not self._taps.value:
            raise LuthkitError(f"{taps} is 0; write a number from 1 to {self._taps.max}")
        if not self.is_plate and not (self._taps.value or self._strums.value or self._plucks.value):
            others = f"{self._strums.description} and {self._plucks.description}"
            raise LuthkitError(f"{taps} is 0, and so are {others}; ask for one of them at least")
        if not self.is_plate and not any(box.value for box in self._positions):
            raise LuthkitError("none of the Positions is marked; mark one at least")

    def _words(self) -> dict[str, object]:
        guitar, temperature_c, humidity = each_of(
            self._name,
            lambda: _number(self._temperature, "temperature_c"),
            lambda: _number(self._humidity, "relative_humidity_percent"),
        )
        return {
            "guitar": guitar,
            "stage": self._stage.value,
            "temperature_c": temperature_c,
            "relative_humidity_percent": humidity,
            "repeat_study": self._study.value or None,
        }

    def _name(self) -> str:
        guitar = self._guitar.value.strip()
        what = self._guitar.description
        self._asked.value = "" if guitar else _small(f"Say which {what.lower()} it is.", colour="#882255")
        if not guitar:
            raise WrongEntry(self._guitar, f"is empty; say which {what.lower()} it is")
        if not leaves_a_name(guitar):
            raise WrongEntry(
                self._guitar, f"is '{guitar}', of which nothing can name a folder; write letters or numbers"
            )
        return guitar

    def _show_care(self) -> None:
        """What is asked for besides taps, which may be folded away, and what to mind."""
        for field in self._of_a_guitar:
            field.layout.display = "none" if self.is_plate else ""
        self._guitar.description = "Piece" if self.is_plate else "Guitar"
        self._guitar.placeholder = "e.g. Spruce 31" if self.is_plate else "e.g. Number 12"
        if self.is_plate:
            self._care.value = _small(_OF_A_PLATE)
            return
        condition, _ = dict(_AGAIN)[self._again.value]
        extra = [f"each position again {self._again.value}"] if condition else []
        for field in (self._bar, self._knocks, self._strums, self._plucks):
            extra += [f"{field.description.lower()}: {field.value}"] if field.value else []
        said = [f"Also asked for: {'; '.join(extra)}."] if extra else []
        said += [CARE[condition]] if condition else []
        said += ["This session goes into your repeat study."] if self._study.value else []
        self._care.value = _small(" ".join(said), colour="#882255")


def _inputs(*, anew: bool):
    """(inputs, why there are none in one sentence, or "")."""
    try:
        inputs = list_inputs(anew=anew)
    except LuthkitError as error:
        return (), sentence(error)
    return (
        inputs,
        "" if inputs else "No microphone was found. Plug one in, wait a moment, then press Look again for microphones.",
    )


def _small(words: str, *, colour: str = "inherit") -> str:
    return f'<div style="font-size:15px;line-height:1.4;color:{colour}">{escape(words)}</div>' if words else ""


def _count(words: str, value: int, low: int, high: int):
    return widgets.BoundedIntText(description=words, value=value, min=low, max=high, style=WIDE, layout=_SHORT)


def _number(field, key: str) -> float | None:
    """The number in a field, within the limits of the word `key` of session.toml; None where it is empty."""
    text, (low, high) = field.value.strip(), NUMBERS[key]
    try:
        value = float(text.replace(",", ".")) if text else None
    except ValueError:
        value = inf
    if value is None or low <= value <= high:
        return value
    raise WrongEntry(field, f"is {text!r}; write a number from {low:g} to {high:g}, or leave it empty")
