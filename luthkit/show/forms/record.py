"""The form that records: large letters, a chime, a level meter, and few big buttons for dusty hands."""

from __future__ import annotations

import queue
import time
from base64 import b64encode
from functools import partial
from html import escape
from io import BytesIO
from math import inf
from pathlib import Path

import ipywidgets as widgets

from ...shop.bar_record import check_bar
from ...shop.desk import Desk, chime
from ...shop.draft import Draft
from ...shop.ear import Ear
from ...shop.level_check import check_level
from ...shop.live import Microphone, blocks_of
from ...shop.logbook import start_logbook
from ...shop.names import name_instrument
from ...shop.reading import read_instrument
from ...shop.safe import safe_name
from ...shop.session import POSITIONS
from ...shop.sitting import TAKEN_BACK, Plan, Sitting
from ...signal.recording import find_recordings, open_recording
from ..page import Page, paragraphs
from ..report import report_page
from ..sitting import level_meter, progress_table, sitting_page
from .common import Form, find_guitars, row
from .piece import new_taps
from .record_choices import RecordChoices

_SHOW_EVERY_S = 0.15
_LEVEL_S = 40.0
_COLOURS = {"kept": "#0072B2", "left out": "#882255"}
_MARKS = {"kept": "✓ ", "left out": "✗ "}
_BIG = {"width": "auto", "min_width": "9rem", "height": "4rem"}
_IN_VIEW = "<style>.luthkit-big{scroll-margin:12rem 0 55vh}</style>"  # focused: large letters above it to the top
_FINISH, _ENOUGH = "Finish and keep", "That is enough"  # the second while the level is checked
_GO_ON = "Start recording again with the same guitar to go on."
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
    form.act, bench.form = bench.act, form
    return form.open(ready=True)


class _Bench:
    """The fields, the big buttons, and the loop between microphone and maker."""

    def __init__(self, start):
        self._start = start
        self._first = self._rehearse  # what the next press does, before what the maker chose; None most of the time
        self._orders: queue.SimpleQueue[str] = queue.SimpleQueue()
        self._shown_s, self._peak_db = 0.0, -inf
        self._kept: Path | None = None  # the session recorded last
        self._large, self._meter, self._plan, self._sound = (widgets.HTML() for _ in range(4))
        for part, name in ((self._large, "large"), (self._meter, "meter"), (self._plan, "plan")):
            part.add_class(f"luthkit-{name}")
        self._plan.add_class("luthkit")
        put = self._orders.put
        self._buttons = {
            "ready": self._button("Ready", partial(put, "ready"), "hand-paper-o"),
            "back": self._button("Take the last one back", partial(put, "back"), "undo"),
            "skip": self._button("Skip this position", partial(put, "skip"), "forward"),
            "finish": self._button(_FINISH, partial(put, "finish"), "save"),
        }
        self._next = self._button("Read the modes of this session", self._read_next, "arrow-right")
        self._next.layout.display = "none"
        self._choices = RecordChoices(changed=self._invite)
        buttons, look = row(self._next, *self._buttons.values()), widgets.HTML(_IN_VIEW)
        self.fields = [self._choices.box, self._large, buttons, self._meter, self._plan, self._sound, look]
        self._rest()

    def act(self) -> Page:
        """The rehearsal the first time, then what the maker chose."""
        first, self._first = self._first, None
        if first:
            return first()
        while not self._orders.empty():
            self._orders.get()
        work = self._check if self._choices.checks_level else partial(self._record, *self._choices.asked())
        self._next.layout.display = self._choices.box.layout.display = "none"
        try:
            return work()
        finally:
            self._choices.box.layout.display = ""
            self._rest()
            (self.form if self._next.layout.display else self._next).focus()

    def _read_next(self) -> None:
        self._first = self._read
        self.form.press()

    def _read(self) -> Page:
        modeset = read_instrument(self._kept)
        self._say("The modes are below", "Notebook 1 reads them again at any time, and 3 names them.")
        return report_page(modeset, name_instrument(self._kept, modeset=modeset))

    def _rehearse(self) -> Page:
        desk = Desk(Plan(POSITIONS[:1], n_placements=1, n_taps=4), 48000, chimes=False)
        remarks = filter(None, (self._choices.trouble, _REHEARSAL))
        sample = _sample(self._start)
        if sample:
            desk.ear = Ear(sample.sample_rate_hz)
            for block in blocks_of(sample):
                desk.hear(block)
                if desk.sitting.spot is None:
                    break
        self._invite()
        return sitting_page(desk.sitting, title="Rehearsal", remarks=remarks)

    def _invite(self) -> None:
        """In large letters what to press, and how what was chosen is to hang."""
        self._say("No microphone" if self._choices.trouble else "Press Start recording", self._choices.invitation)

    def _record(self, words, plan: Plan) -> Page:
        choices = self._choices
        with Microphone(choices.microphone) as microphone:
            logbook = None if choices.is_plate else start_logbook(choices.logbook)
            home, name = (logbook.path, words["guitar"]) if logbook else new_taps(words["guitar"], self._start)
            draft = Draft(home / safe_name(name), words=words)
            desk = Desk(plan, microphone.sample_rate_hz, draft=draft)
            try:
                self._sit(desk, microphone)
            except BaseException:  # Stop, or the microphone went away
                self._say("Not finished", f"Safe so far: {desk.sitting.tally}. {_GO_ON}")
                raise
        path = self._kept = draft.finish(logbook=logbook)
        if choices.is_plate:
            self._say("Done, all is kept", f"What next: notebook 6, its second form, with {path.name} under Taps in.")
        elif any(one.kept and one.spot.kind == "tap" for one in desk.sitting.judged):
            self._next.layout.display = ""
            self._say("Done, all is kept", "What next: read the modes of this session, with the button below.")
        else:
            self._say("Done, all is kept", "What next: notebook 4 reads strums and plucks.")
        title = f"Recording of {words['guitar']}"
        bar = None if choices.is_plate else check_bar(path, logbook=logbook)
        return sitting_page(desk.sitting, title=title, path=path, bar=bar)

    def _sit(self, desk, microphone) -> None:
        """Hear, tell and obey until the plan is done or the maker finishes."""
        self._say(desk.sitting.instruction)
        self._allow(desk.sitting, pressed="ready")
        orders = {"ready": desk.ready, "back": desk.take_back, "skip": desk.skip}
        for block in microphone.blocks():
            news, given = desk.hear(block), [""]
            while not self._orders.empty():
                given.append(self._orders.get())
                answer = orders.get(given[-1], list)()
                if not answer:
                    self._say(desk.sitting.instruction)
                news += answer
            self._tell(desk, news)
            if news:
                self._allow(desk.sitting, pressed=given[-1])
            if "finish" in given or desk.sitting.spot is None:
                return

    def _check(self) -> Page:
        self._say("Three soft taps, three hard", "two seconds apart")
        finish = self._buttons["finish"]
        finish.description, finish.tooltip, finish.disabled, finish.layout.display = _ENOUGH, _ENOUGH, False, ""
        finish.focus()
        takes, heard = [], 0
        with Microphone(self._choices.microphone) as microphone:
            ear = Ear(microphone.sample_rate_hz)
            for block in microphone.blocks():
                takes += ear.hear(block)
                self._show_level(ear.level_db)
                if len(takes) != heard:
                    heard = len(takes)
                    self._say(f"{heard} of 6 heard", "three soft taps, then three hard ones")
                if len(takes) >= 6 or ear.heard > _LEVEL_S * microphone.sample_rate_hz or not self._orders.empty():
                    break
        found = check_level(takes)
        told = (*found.suspicions, *found.advice)
        self._say("The level is good" if found.is_good else "Not yet", told[0])
        return Page("Level", paragraphs(told), "level", "0" * 64)

    def _tell(self, desk, news) -> None:
        for item in news:
            mark, colour = _MARKS.get(item.kind, ""), _COLOURS.get(item.kind, "inherit")
            more = item.reason or (desk.sitting.instruction if item.kind in ("kept", "left out") else "")
            self._say(f"{mark}{item.words}", more, colour=colour)
        if news:
            self._sound.value = _audio(news[-1].kind, len(desk.sitting.judged))
        self._show_level(desk.ear.level_db)

    def _say(self, words: str, more: str = "", *, colour: str = "inherit") -> None:
        """In large letters the first sentence, the rest below."""
        words, _, rest = words.partition(". ")
        more = f"{rest} {more}".strip()
        self._large.value = (
            f'<div role="status"><div style="font-size:44px;line-height:1.2;padding:12px 0 4px;color:{colour}">'
            f"{escape(words)}</div>"
            f'<div style="font-size:22px;line-height:1.3;padding-bottom:8px">{escape(more)}</div></div>'
        )

    def _show_level(self, level_db: float) -> None:
        """The loudest since it was last drawn: a tap is over before the eye sees it."""
        self._peak_db = max(self._peak_db, level_db)
        if time.monotonic() - self._shown_s < _SHOW_EVERY_S:
            return
        self._meter.value = level_meter(self._peak_db)
        self._shown_s, self._peak_db = time.monotonic(), -inf

    def _rest(self) -> None:
        """Nothing is recorded now: no big button, no plan, no level."""
        for part in (self._plan, *self._buttons.values()):
            part.layout.display = "none"
        self._buttons["finish"].description = _FINISH
        self._peak_db, self._meter.value = -inf, level_meter(None)

    def _allow(self, sitting: Sitting, *, pressed: str = "") -> None:
        """Grey every button that could do nothing now, and say why."""
        self._plan.value, self._plan.layout.display = progress_table(sitting), ""
        for order, why in _reasons(sitting).items():
            button = self._buttons[order]
            button.disabled, button.tooltip, button.layout.display = bool(why), why or button.description, ""
        if sitting.must_place_again or pressed:
            stays = pressed and not self._buttons[pressed].disabled and not sitting.must_place_again
            self._buttons[pressed if stays else "ready"].focus()  # a greyed button would lose it to nowhere

    @staticmethod
    def _button(words: str, act, icon: str) -> widgets.Button:
        button = widgets.Button(description=words, icon=icon, layout=_BIG, style={"font_size": "18px"})
        button.add_class("luthkit-big")
        button.on_click(lambda _: act())
        return button


def _reasons(sitting: Sitting) -> dict[str, str]:
    """Button -> why it can do nothing now; "" when it can."""
    taken = [one for one in sitting.judged if one.reason != TAKEN_BACK]
    return {
        "ready": "",  # it says again what to do where nothing waits for it
        "back": "" if taken else "nothing was heard yet",
        "skip": "" if sitting.spot else "all is done",
        "finish": "" if any(one.kept for one in taken) else "nothing is kept yet; Stop leaves without a session",
    }


def _sample(start):
    """A tap recording of a sample guitar, one with a spoilt tap in it; None where there is none."""
    for folder in find_guitars(start):
        for path in find_recordings(folder):
            if path.name == "bridge_centre_2.flac" and path.parent.name == "taps":
                return open_recording(path)
    return None


def _audio(kind: str, count: int) -> str:
    """A chime that plays when it is put into the page; `count` makes each one new."""
    import soundfile

    store = BytesIO()
    soundfile.write(store, chime(kind), 44100, format="WAV")
    data = b64encode(store.getvalue()).decode("ascii")
    return f'<audio autoplay data-count="{count}" src="data:audio/wav;base64,{data}"></audio>'
