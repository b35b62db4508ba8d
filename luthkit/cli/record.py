"""`luthkit record`: taps, strums and plucks from a microphone, judged at once, into a folder or the logbook."""

from __future__ import annotations

import queue
import shlex
import sys
import threading
from contextlib import suppress
from dataclasses import asdict

from .common import NOTHING_USABLE, BadUse, check_paths, say
from .logbook import add_place, place

_KEYS = "Enter: ready · b: take the last one back · s: skip this position · q: stop here and keep what there is"


def add(commands) -> None:
    record = commands.add_parser("record", help="record taps, strums and plucks from a microphone, hands free")
    record.add_argument(
        "folder", nargs="?", metavar="FOLDER", help="a new folder for the session, in place of the logbook"
    )
    add_place(record)
    record.add_argument("--guitar", default="", metavar="NAME", help="what the guitar is called")
    record.add_argument("--position", action="append", metavar="WHERE", help="where to tap; give it several times")
    record.add_argument(
        "--taps", type=int, default=5, metavar="N", help="good taps for each position (5); 0 for strings alone"
    )
    record.add_argument("--placements", type=int, default=2, metavar="N", help="how often it is placed (2)")
    record.add_argument("--bar", type=int, default=0, metavar="N", help="first N taps of the metal bar (0)")
    record.add_argument(
        "--condition",
        default="",
        metavar="WHAT",
        help="tap again with soundhole plugged, back blocked, or mass at bridge",
    )
    record.add_argument("--mass", type=float, default=0.0, metavar="G", help="the mass at the bridge, grams")
    record.add_argument(
        "--knocks", type=int, default=0, metavar="N", help="N knocks in the room without the guitar (0)"
    )
    record.add_argument("--strums", type=int, default=0, metavar="N", help="then N strums of an open chord (0)")
    record.add_argument("--plucks", type=int, default=0, metavar="N", help="then N plucks of each open string (0)")
    record.add_argument("--strings", default="", metavar="NOTES", help="the open strings (E2 A2 D3 G3 B3 E4)")
    record.add_argument("--stage", default="", help="stage of the build, such as strung")
    record.add_argument("--temperature", type=float, metavar="C", help="of the room, degrees Celsius")
    record.add_argument("--humidity", type=float, metavar="PERCENT", help="relative humidity of the room")
    record.add_argument("--input", default="", metavar="NAME", help="the microphone; see --inputs")
    record.add_argument("--rate", type=int, metavar="HZ", help="samples a second (the microphone's own)")
    record.add_argument("--inputs", action="store_true", help="list the microphones and stop")
    record.add_argument("--level", action="store_true", help="only check the level, with six taps")
    record.add_argument("--silent", action="store_true", help="no chimes")
    record.add_argument("--report", metavar="FILE", help="where to write the report (one HTML file)")
    record.add_argument("--json", action="store_true", help="print JSON and nothing else")
    record.set_defaults(run=run)


def run(options) -> int:
    from ..shop.live import Microphone, list_inputs
    from ..show import data

    check_paths((), options.report)
    if options.inputs:
        return _show_inputs(list_inputs(), options.json)
    if options.level:
        with Microphone(options.input, sample_rate_hz=options.rate) as microphone:
            return _check_level(microphone, options)
    from ..shop.bar_record import check_bar
    from ..shop.desk import Desk
    from ..shop.sitting import Plan
    from ..shop.spots import OPEN_STRINGS

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
    report = None
    if options.report:
        from ..show.page import write_page

        report = str(write_page(sitting_page(desk.sitting, path=path, bar=bar), options.report))
    judged = desk.sitting.judged
    if options.json:
        good = sum(one.kept for one in judged if one.spot.noun == "tap")
        told = [{"file": j.file, "good_taps": j.kept, "verdict": j.verdict} for j in judged]
        bar_told = {**asdict(bar[0]), "checks": [asdict(check) for check in bar[1]]} if bar else None
        result = {"session": str(path), "good_taps": good, "takes": told, "bar": bar_told, "report": report}
        print(data.to_json(result), flush=True)
        return 0
    for check in bar[1] if bar else ():
        print("\n".join((f"\nThe bar: {check.verdict}.", *check.reasons)), flush=True)
    print("\n".join((f"\n{desk.sitting.tally} are kept in {path}", *missing(desk.sitting))), flush=True)
    if report:
        print(f"Report: {report}", flush=True)
    for command, kinds in (("modes", ("tap",)), ("tone", ("strum", "pluck"))):
        if any(one.kept and one.spot.kind in kinds for one in judged):
            print(f"What next: luthkit {command} {shlex.quote(str(path))}", flush=True)
    return 0


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
    tell = (lambda *_: None) if options.json else _tell
    if desk.sitting.plan.condition:
        tell(f"With {desk.sitting.plan.condition}:", CARE[desk.sitting.plan.condition])
    tell(desk.sitting.instruction, _KEYS)
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
                tell(item.words, item.reason)
                if item.kind in ("kept", "left out") and desk.sitting.spot and item is news[-1]:
                    tell(desk.sitting.instruction)
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


def _tell(words: str, more: str = "") -> None:
    bold, plain = ("\033[1m", "\033[0m") if sys.stdout.isatty() else ("", "")
    print(f"{bold}{words}{plain}{f'  ({more})' if more else ''}", flush=True)


def _sound(kind: str) -> None:
    """A chime, where there is a loudspeaker."""
    import sounddevice

    from ..shop.desk import chime

    with suppress(sounddevice.PortAudioError):
        sounddevice.play(chime(kind), 44100)


def _show_inputs(inputs, as_json: bool) -> int:
    from ..show import data

    if as_json:
        listed = [{"name": i.name, "n_channels": i.n_channels, "usual": i.is_usual} for i in inputs]
        print(data.to_json({"inputs": listed}), flush=True)
    else:
        for item in inputs:
            print(f"{item.name}{'   (the usual one)' if item.is_usual else ''}", flush=True)
    return 0 if inputs else say("no microphone was found on this computer; plug one in and try again", NOTHING_USABLE)


def _check_level(microphone, options) -> int:
    from ..shop.ear import Ear
    from ..shop.level_check import check_level
    from ..show import data

    if not options.json:
        _tell("Tap three times softly, then three times hard, two seconds apart.")
    ear, takes = Ear(microphone.sample_rate_hz), []
    for block in microphone.blocks():
        takes += ear.hear(block)
        if len(takes) >= 6 or ear.heard > 30 * microphone.sample_rate_hz:
            break
    found = check_level(takes)
    if options.json:
        print(data.to_json({**asdict(found), "is_good": found.is_good}), flush=True)
    else:
        for sentence in (*found.advice, *found.suspicions):
            print(sentence, flush=True)
    return 0 if found.is_good else NOTHING_USABLE
