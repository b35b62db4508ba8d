"""`luthkit record`: taps, strums and plucks from a microphone, judged at once, into a folder or the logbook."""

from __future__ import annotations

import queue
import shlex
import sys
import threading
from contextlib import suppress
from dataclasses import asdict

from .common import NOTHING_USABLE, BadUse, add_output, check_paths, say, tell
from .logbook import add_place, place

_KEYS = "Enter: ready · b: take the last one back · s: skip this position · q: stop here and keep what there is"

_OPTIONS = (  # name, kind, default, what stands for its value, words
    ("guitar", str, "", "NAME", "what the guitar is called"),
    ("taps", int, 5, "N", "good taps for each position (5); 0 for strings alone"),
    ("placements", int, 2, "N", "how often it is placed (2)"),
    ("bar", int, 0, "N", "first N taps of the metal bar (0)"),
    ("condition", str, "", "WHAT", "tap again with soundhole plugged, back blocked, or mass at bridge"),
    ("mass", float, 0.0, "G", "the mass at the bridge, grams"),
    ("knocks", int, 0, "N", "N knocks in the room without the guitar (0)"),
    ("strums", int, 0, "N", "then N strums of an open chord (0)"),
    ("plucks", int, 0, "N", "then N plucks of each open string (0)"),
    ("strings", str, "", "NOTES", "the open strings (E2 A2 D3 G3 B3 E4)"),
    ("stage", str, "", "STAGE", "stage of the build, such as strung"),
    ("temperature", float, None, "C", "of the room, degrees Celsius"),
    ("humidity", float, None, "PERCENT", "relative humidity of the room"),
    ("input", str, "", "NAME", "the microphone; see --inputs"),
    ("rate", int, None, "HZ", "samples a second (the microphone's own)"),
)
_SWITCHES = {
    "inputs": "list the microphones and stop",
    "level": "only check the level, with six taps",
    "silent": "no chimes",
}


def add(commands) -> None:
    record = commands.add_parser("record", help="record taps, strums and plucks from a microphone, hands free")
    words = "a new folder for the session, in place of the logbook"
    record.add_argument("folder", nargs="?", metavar="FOLDER", help=words)
    add_place(record)
    record.add_argument("--position", action="append", metavar="WHERE", help="where to tap; give it several times")
    for name, kind, default, metavar, words in _OPTIONS:
        record.add_argument(f"--{name}", type=kind, default=default, metavar=metavar, help=words)
    for name, words in _SWITCHES.items():
        record.add_argument(f"--{name}", action="store_true", help=words)
    record.set_defaults(run=run)
    add_output(record)


def run(options) -> int:
    from ..shop.live import Microphone, list_inputs

    check_paths((), options.report)
    if options.inputs:
        return _show_inputs(list_inputs(), options)
    if options.level:
        with Microphone(options.input, sample_rate_hz=options.rate) as microphone:
            return _check_level(microphone, options)
    from ..shop.bar_record import check_bar
    from ..shop.desk import Desk
    from ..shop.spots import OPEN_STRINGS, Plan

    plan = Plan(
        tuple(options.position or Plan().positions),
        n_placements=options.placements,
        n_taps=options.taps,
        n_bar_taps=options.bar,
        condition=options.condition,
        added_mass_g=options.mass,
        n_knocks=options.knocks,
        n_strums=options.strums,
        n_plucks=options.plucks,
        strings=tuple(options.strings.replace(",", " ").split()) or OPEN_STRINGS,
    )
    if options.folder and options.logbook:
        raise BadUse("name either a new FOLDER for the session, or a --logbook")
    if not options.folder and not options.guitar.strip():
        raise BadUse("name a new FOLDER for the session, or say which guitar of the logbook it is, with --guitar NAME")
    logbook = None if options.folder else place(options)
    with Microphone(options.input, sample_rate_hz=options.rate) as microphone:
        desk = Desk(plan, microphone.sample_rate_hz, draft=_draft(options, logbook), chimes=not options.silent)
        _sit(desk, microphone, options)
    from ..show.sitting import missing, sitting_page  # loads much; the microphone does not wait for it

    path = desk.draft.finish(logbook=logbook)
    bar = check_bar(path, logbook=logbook)
    return tell(
        options,
        data=lambda: _data(desk.sitting, path, bar),
        text=lambda: "\n".join(_lines(desk.sitting, path, bar, missing(desk.sitting))),
        page=lambda: sitting_page(desk.sitting, path=path, bar=bar),
    )


def _data(sitting, path, bar) -> dict:
    good = sum(one.kept for one in sitting.judged if one.spot.noun == "tap")
    takes = [{"file": one.file, "good_taps": one.kept, "verdict": one.verdict} for one in sitting.judged]
    told = {**asdict(bar[0]), "checks": [asdict(check) for check in bar[1]]} if bar else None
    return {"session": str(path), "good_taps": good, "takes": takes, "bar": told}


def _lines(sitting, path, bar, missing):
    for check in bar[1] if bar else ():
        yield from (f"\nThe bar: {check.verdict}.", *check.reasons)
    yield from (f"\n{sitting.tally} are kept in {path}", *missing)
    for command, kinds in (("modes", ("tap",)), ("tone", ("strum", "pluck"))):
        if any(one.kept and one.spot.kind in kinds for one in sitting.judged):
            yield f"What next: luthkit {command} {shlex.quote(str(path))}"


def _draft(options, logbook):
    from ..shop.draft import Draft
    from ..shop.safe import safe_name

    target = logbook.path / safe_name(options.guitar) if logbook else options.folder
    words = {
        "guitar": options.guitar,
        "stage": options.stage,
        "temperature_c": options.temperature,
        "relative_humidity_percent": options.humidity,
    }
    return Draft(target, words=words)


def _sit(desk, microphone, options) -> None:
    """Hear and tell, until the plan is done or the maker stops. Ctrl-C leaves the draft to go on with."""
    from ..shop.spots import CARE

    orders: queue.SimpleQueue[str] = queue.SimpleQueue()
    threading.Thread(target=_read_keys, args=(orders,), daemon=True).start()
    speak = (lambda *_: None) if options.json else _speak
    if desk.sitting.plan.condition:
        speak(f"With {desk.sitting.plan.condition}:", CARE[desk.sitting.plan.condition])
    speak(desk.sitting.instruction, _KEYS)
    act = {"": desk.ready, "b": desk.take_back, "s": desk.skip}
    try:
        for block in microphone.blocks():
            news = desk.hear(block)
            while not orders.empty():
                order = orders.get()
                if order == "q":
                    return
                news += act.get(order, list)()
            for item in news:
                speak(item.words, item.reason)
                if item.kind in ("kept", "left out") and desk.sitting.spot and item is news[-1]:
                    speak(desk.sitting.instruction)
            if news and not options.silent:
                _sound(news[-1].kind)
            if desk.sitting.spot is None:
                return
    except KeyboardInterrupt:
        say(f"{desk.sitting.tally} are safe in {desk.draft.folder}; give the same command again to go on", 0)
        raise


def _read_keys(orders) -> None:
    for line in sys.stdin:
        orders.put(line.strip().lower())


def _speak(words: str, more: str = "") -> None:
    bold, plain = ("\033[1m", "\033[0m") if sys.stdout.isatty() else ("", "")
    print(f"{bold}{words}{plain}{f'  ({more})' if more else ''}", flush=True)


def _sound(kind: str) -> None:
    """A chime, where there is a loudspeaker."""
    import sounddevice

    from ..shop.desk import chime

    with suppress(sounddevice.PortAudioError):
        sounddevice.play(chime(kind), 44100)


def _show_inputs(inputs, options) -> int:
    tell(
        options,
        data=lambda: {"inputs": [{"name": i.name, "n_channels": i.n_channels, "usual": i.is_usual} for i in inputs]},
        text=lambda: "\n".join(f"{item.name}{'   (the usual one)' if item.is_usual else ''}" for item in inputs),
    )
    return 0 if inputs else say("no microphone was found on this computer; plug one in and try again", NOTHING_USABLE)


def _check_level(microphone, options) -> int:
    from ..shop.ear import Ear
    from ..shop.level_check import check_level

    if not options.json:
        _speak("Tap three times softly, then three times hard, two seconds apart.")
    ear, takes = Ear(microphone.sample_rate_hz), []
    for block in microphone.blocks():
        takes += ear.hear(block)
        if len(takes) >= 6 or ear.heard > 30 * microphone.sample_rate_hz:
            break
    found = check_level(takes)
    tell(
        options,
        data=lambda: {**asdict(found), "is_good": found.is_good},
        text=lambda: "\n".join((*found.advice, *found.suspicions)),
    )
    return 0 if found.is_good else NOTHING_USABLE
