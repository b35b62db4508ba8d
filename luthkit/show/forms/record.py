"""The form that records: large letters, a chime, a level meter, and few big buttons for dusty hands."""

from __future__ import annotations

import queue
import time
from base64 import b64encode
from html import escape
from io import BytesIO
from math import isfinite

import ipywidgets as widgets

from ...errors import LuthkitError
from ...shop.bar_record import check_bar
from ...shop.desk import Desk, chime
from ...shop.draft import Draft
from ...shop.ear import Ear
from ...shop.level_check import check_level, meter_words
from ...shop.live import Microphone, blocks_of, list_inputs
from ...shop.logbook import start_logbook
from ...shop.safe import safe_name
from ...shop.session import POSITIONS
from ...shop.sitting import Plan
from ...shop.spots import CARE, MASS
from ...shop.stages import STAGES
from ...signal.recording import find_recordings, open_recording
from ..page import Page, paragraphs
from ..sitting import sitting_page
from .common import LAYOUT, WIDE, find_guitars
from .form import Form, sentence

_SHOW_EVERY_S = 0.15
_LEVEL_S = 40.0
_COLOURS = {"kept": "#0072B2", "left out": "#882255", "good": "#0072B2", "too loud": "#882255"}
_MARKS = {"kept": "✓ ", "left out": "✗ "}
_AGAIN = [  # words, condition, added mass in grams
    ("no", ("", 0.0)),
    ("with the soundhole plugged", ("soundhole plugged", 0.0)),
    ("with the back held still", ("back blocked", 0.0)),
    *((f"with {mass:g} g of putty at the bridge", (MASS, mass)) for mass in (5.0, 10.0, 20.0)),
]
_BIG = {"width": "16rem", "height": "4rem"}
_REHEARSAL = (
    "A rehearsal: the taps of a sample guitar (synthetic sound, made by a computer), heard and judged as if they came "
    "from a microphone. Nothing of it is kept."
)


def record_form(*, start=None) -> widgets.Widget:
    """The form that records taps, strums and plucks from a microphone into a logbook.

    It opens with a rehearsal on sample sound.
    `start` is the folder where sample guitars are looked for (default: the current folder and those beside it).
    """
    bench = _Bench(start)
    form = Form("Start recording", bench.fields, name="record")
    form.act = bench.act
    return form.open(ready=True)


class _Bench:
    """The fields, the big buttons, and the loop between microphone and maker."""

    def __init__(self, start):
        self._start = start
        self._rehearsed = False
        self._orders: queue.SimpleQueue[str] = queue.SimpleQueue()
        self._shown_s = 0.0
        inputs, self._trouble = _inputs()
        self._guitar = widgets.Text(description="Guitar", placeholder="Number 12", style=WIDE, layout=LAYOUT)
        self._logbook = widgets.Text(description="Logbook", value="../logbook", style=WIDE, layout=LAYOUT)
        options = [(f"{i.name}{' (the usual one)' if i.is_usual else ''}", i.name) for i in inputs]
        usual = next((i.name for i in inputs if i.is_usual), options[0][1] if options else None)
        self._input = widgets.Dropdown(
            description="Microphone",
            options=options or [("no microphone found", None)],
            value=usual,
            style=WIDE,
            layout=LAYOUT,
        )
        self._positions = widgets.SelectMultiple(
            description="Positions", options=POSITIONS, value=POSITIONS[:1], rows=5, style=WIDE, layout=LAYOUT
        )
        self._taps = _count("Good taps at each", 5, 0, 50)
        self._placements = _count("Placements", 2, 1, 20)
        self._bar = _count("Taps of the bar first", 0, 0, 20)
        self._again = widgets.Dropdown(
            description="Each position again", options=[words for words, _ in _AGAIN], style=WIDE, layout=LAYOUT
        )
        self._care = widgets.HTML()
        self._care.add_class("luthkit-care")
        self._again.observe(lambda _: self._show_care(), "value")
        self._knocks = _count("Knocks in the room", 0, 0, 20)
        self._strums = _count("Strums", 0, 0, 20)
        self._plucks = _count("Plucks of each string", 0, 0, 20)
        self._stage = widgets.Dropdown(
            description="Stage",
            options=[("not said", ""), *((stage, stage) for stage in STAGES)],
            style=WIDE,
            layout=LAYOUT,
        )
        self._temperature = widgets.Text(description="Temperature, °C", style=WIDE, layout=LAYOUT)
        self._humidity = widgets.Text(description="Relative humidity, %", style=WIDE, layout=LAYOUT)
        self._what = widgets.ToggleButtons(
            options=["Record", "Check the level"], description="What to do", style={"description_width": "11rem"}
        )
        self._large, self._meter, self._sound = widgets.HTML(), widgets.HTML(), widgets.HTML()
        self._large.add_class("luthkit-large")
        self._meter.add_class("luthkit-meter")
        buttons = [
            self._button("Ready", "ready", "hand-paper-o"),
            self._button("Take the last one back", "back", "undo"),
            self._button("Skip this position", "skip", "forward"),
            self._button("Finish and keep", "finish", "save"),
        ]
        before, after = [self._taps, self._placements, self._bar], [self._knocks, self._strums, self._plucks]
        counts = [widgets.HBox(before), self._again, self._care, widgets.HBox(after)]
        counts += [self._temperature, self._humidity]
        self.fields = [
            self._what,
            self._guitar,
            self._stage,
            self._logbook,
            self._input,
            self._positions,
            *counts,
            self._large,
            self._meter,
            widgets.HBox(buttons),
            self._sound,
        ]

    def act(self) -> Page:
        """The rehearsal the first time, then what the maker chose."""
        if not self._rehearsed:
            self._rehearsed = True
            return self._rehearse()
        while not self._orders.empty():
            self._orders.get()
        return self._check() if self._what.value == "Check the level" else self._record()

    def _rehearse(self) -> Page:
        desk = Desk(Plan(POSITIONS[:1], n_placements=1, n_taps=4), 48000, chimes=False)
        remarks = [_REHEARSAL]
        if self._trouble:
            remarks.insert(0, self._trouble)
        sample = _sample(self._start)
        if sample:
            desk.ear = Ear(sample.sample_rate_hz)
            for block in blocks_of(sample):
                desk.hear(block)
                if desk.sitting.spot is None:
                    break
        words = "Press Start recording" if not self._trouble else "No microphone"
        self._say(words, "Hang the guitar up, damp the strings, put the microphone 30 to 50 cm before the bridge.")
        return sitting_page(desk.sitting, title="Rehearsal", remarks=remarks)

    def _record(self) -> Page:
        if not self._guitar.value.strip():
            raise LuthkitError("say which guitar it is, in the field Guitar")
        condition, added_mass_g = dict(_AGAIN)[self._again.value]
        plan = Plan(
            self._positions.value,
            n_placements=self._placements.value,
            n_taps=self._taps.value,
            n_bar_taps=self._bar.value,
            condition=condition,
            added_mass_g=added_mass_g,
            n_knocks=self._knocks.value,
            n_strums=self._strums.value,
            n_plucks=self._plucks.value,
        )
        words = {
            "guitar": self._guitar.value.strip(),
            "stage": self._stage.value,
            "temperature_c": _number(self._temperature),
            "relative_humidity_percent": _number(self._humidity),
        }
        with Microphone(self._input.value or "") as microphone:
            logbook = start_logbook(self._logbook.value.strip())
            draft = Draft(logbook.path / safe_name(words["guitar"]), words=words)
            desk = Desk(plan, microphone.sample_rate_hz, draft=draft)
            self._say(desk.sitting.instruction)
            for block in microphone.blocks():
                news = desk.hear(block)
                finish = False
                while not self._orders.empty():
                    order = self._orders.get()
                    finish |= order == "finish"
                    orders = {"ready": desk.ready, "back": desk.take_back, "skip": desk.skip}
                    news += orders.get(order, list)()
                self._tell(desk, news)
                if finish or desk.sitting.spot is None:
                    break
        path = draft.finish(logbook=logbook)
        self._say("Done, all is kept", "Notebook 1 reads the modes.")
        return sitting_page(desk.sitting, path=path, bar=check_bar(path, logbook=logbook))

    def _check(self) -> Page:
        self._say("Three soft taps, then three hard ones", "two seconds apart")
        takes = []
        with Microphone(self._input.value or "") as microphone:
            ear = Ear(microphone.sample_rate_hz)
            for block in microphone.blocks():
                takes += ear.hear(block)
                self._show_level(ear.level_db, f"{len(takes)} of 6 heard")
                if len(takes) >= 6 or ear.heard > _LEVEL_S * microphone.sample_rate_hz or not self._orders.empty():
                    break
        found = check_level(takes)
        self._say("The level is good" if found.is_good else "Not yet", " ".join((*found.advice, *found.suspicions)))
        return Page("Level", paragraphs((*found.advice, *found.suspicions)), "level", "0" * 64)

    def _tell(self, desk, news) -> None:
        for item in news:
            mark, colour = _MARKS.get(item.kind, ""), _COLOURS.get(item.kind, "inherit")
            more = item.reason or (desk.sitting.instruction if item.kind in ("kept", "left out") else "")
            self._say(f"{mark}{item.words}", more, colour=colour)
        if news:
            self._sound.value = _audio(news[-1].kind, len(desk.sitting.judged))
        self._show_level(desk.ear.level_db, desk.sitting.instruction)

    def _say(self, words: str, more: str = "", *, colour: str = "inherit") -> None:
        self._large.value = (
            f'<div style="font-size:44px;line-height:1.2;padding:12px 0 4px;color:{colour}">{escape(words)}</div>'
            f'<div style="font-size:22px;line-height:1.3;padding-bottom:8px">{escape(more)}</div>'
        )

    def _show_care(self) -> None:
        condition, _ = dict(_AGAIN)[self._again.value]
        self._care.value = f'<div style="font-size:15px;color:#882255">{escape(CARE.get(condition, ""))}</div>'

    def _show_level(self, level_db: float, words: str) -> None:
        if time.monotonic() - self._shown_s < _SHOW_EVERY_S:
            return
        self._shown_s = time.monotonic()
        what = meter_words(level_db)
        width = max(0.0, min(100.0, 100 * (1 + level_db / 60))) if isfinite(level_db) else 0.0
        bar = f'<div style="width:{width:.0f}%;height:22px;background:{_COLOURS.get(what, "#8C8C8C")}"></div>'
        self._meter.value = (
            f'<div style="width:44rem;background:#E8E8E8">{bar}</div>'
            f'<div style="font-size:18px">{what} · {escape(words)}</div>'
        )

    def _button(self, words: str, order: str, icon: str):
        button = widgets.Button(description=words, icon=icon, layout=_BIG, style={"font_size": "18px"})
        button.on_click(lambda _: self._orders.put(order))
        return button


def _inputs():
    """(inputs, why there are none in one sentence, or "")."""
    try:
        inputs = list_inputs()
    except LuthkitError as error:
        return (), sentence(error)
    return inputs, "" if inputs else "No microphone was found on this computer; plug one in and run this again."


def _sample(start):
    """A tap recording of a sample guitar, one with a spoilt tap in it; None where there is none."""
    for folder in find_guitars(start):
        for path in find_recordings(folder):
            if path.name == "bridge_centre_2.flac" and path.parent.name == "taps":
                return open_recording(path)
    return None


def _count(words: str, value: int, low: int, high: int):
    return widgets.BoundedIntText(
        description=words, value=value, min=low, max=high, style=WIDE, layout={"width": "18rem"}
    )


def _number(field) -> float | None:
    text = field.value.strip().replace(",", ".")
    try:
        return float(text) if text else None
    except ValueError:
        raise LuthkitError(f"{field.description} is {field.value!r}; write a number, or leave it empty") from None


def _audio(kind: str, count: int) -> str:
    """A chime that plays when it is put into the page; `count` makes each one new."""
    import soundfile

    store = BytesIO()
    soundfile.write(store, chime(kind), 44100, format="WAV")
    data = b64encode(store.getvalue()).decode("ascii")
    return f'<audio autoplay data-count="{count}" src="data:audio/wav;base64,{data}"></audio>'
