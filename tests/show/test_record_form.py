"""The form that records, without a browser: a microphone that plays a file, hands that press buttons."""

import math
import re
from functools import partial
from html import unescape
from pathlib import Path

import pytest

from luthkit.errors import LuthkitError
from luthkit.shop.live import Block, Input, blocks_of
from luthkit.shop.logbook import open_logbook
from luthkit.shop.session import read_session
from luthkit.shop.sitting import Plan, Sitting
from luthkit.show.forms import record, record_choices
from luthkit.show.plots.record import plot_takes
from luthkit.show.sitting import level_meter, progress_table, sitting_page
from luthkit.signal.recording import open_recording

SAMPLES = Path(__file__).parents[2] / "sample_audio"
PLAYED = SAMPLES / "build_seven/taps/bridge_centre_2.flac"


SAMPLE = record._sample


class Played:
    """Stands for the microphone: the blocks of a file, then quiet, so that buttons can be pressed."""

    press = staticmethod(lambda number: None)

    def __init__(self, name="", **_):
        self.recording = open_recording(PLAYED)
        self.sample_rate_hz = self.recording.sample_rate_hz

    def __enter__(self):
        return self

    def __exit__(self, *_):
        pass

    def blocks(self):
        for number, block in enumerate(blocks_of(self.recording)):
            self.press(number)
            yield block
        raise LuthkitError("the file is over")


@pytest.fixture
def bench(tmp_path, monkeypatch):
    (tmp_path / "notebooks").mkdir()
    (tmp_path / "sample_audio").symlink_to(SAMPLES)
    monkeypatch.chdir(tmp_path / "notebooks")
    monkeypatch.setattr(record, "Microphone", Played)
    monkeypatch.setattr(record_choices, "list_inputs", lambda **_: (Input("desk", 1, 44100.0, True),))
    monkeypatch.setattr(record, "_SHOW_EVERY_S", math.inf)
    monkeypatch.setattr(record, "_sample", lambda _: None)  # no rehearsal: quicker
    return tmp_path


class Hand:
    def __init__(self):
        self.parts = {}
        todo = [record.record_form()]
        while todo:
            part = todo.pop()
            todo += getattr(part, "children", ())
            self.parts[getattr(part, "description", "") or next(iter(part._dom_classes), "")] = part

    def __getitem__(self, name):
        return self.parts[name]

    def text(self, name):
        return " ".join(re.sub(r"<[^>]*>", " ", self.parts[name].value).split())


def test_without_a_microphone_one_sentence_says_so_and_a_rehearsal_is_shown(bench, monkeypatch):
    monkeypatch.setattr(record_choices, "list_inputs", lambda **_: ())
    monkeypatch.setattr(record, "_sample", SAMPLE)
    hand = Hand()
    assert 'data-done="1"' in hand["luthkit-status"].value
    page = hand.text("luthkit-page")
    assert page.startswith("No microphone was found") and "synthetic" in page and "Nothing of it is kept" in page
    assert "4 good taps, 1 left out" in page and "one placement" not in page and "left out: clipped" in page
    assert "data:image/png" in hand["luthkit-page"].value
    assert sorted(path.name for path in bench.iterdir()) == ["notebooks", "sample_audio"]
    assert "press Look again for microphones" in hand.text("luthkit-microphones") and hand["Microphone"].disabled
    found = (Input("desk", 1, 44100.0, False), Input("built in", 1, 44100.0, True))
    monkeypatch.setattr(record_choices, "list_inputs", lambda *, anew: found if anew else ())
    hand["Look again for microphones"].click()
    assert hand.text("luthkit-microphones") == "2 found." and not hand["Microphone"].disabled
    assert hand["Microphone"].value == "built in"


def test_what_can_do_nothing_is_greyed_and_says_why(bench, monkeypatch):
    hand, seen, focused = Hand(), {}, []
    big = ["Ready", "Take the last one back", "Skip this position", "Finish and keep"]
    assert "not listening yet" in hand.text("luthkit-meter")
    for name in big:
        assert hand[name].layout.display == "none"
        monkeypatch.setattr(hand[name], "focus", lambda name=name: focused.append(name), raising=False)
    monkeypatch.setattr(
        Played,
        "press",
        staticmethod(lambda k: seen.update({k: [hand[n].layout.display or hand[n].disabled for n in big]})),
    )
    hand["Guitar"].value, hand["Placements"].value, hand["Good taps at each"].value = "Twelve", 2, 1
    hand["Start recording"].click()
    assert seen[0] == [False, True, False, True] and focused[0] == "Ready"
    assert seen[max(seen)] == [False] * 4
    assert all(hand[name].layout.display == "none" for name in big)  # the file was over
    hand["Strums"].value = 3
    hand["Each position again"].value = "with the soundhole plugged"
    hand["Belongs to my repeat study"].value = True
    assert hand.text("luthkit-care").endswith("goes into your repeat study.")
    assert "strums: 3" in hand.text("luthkit-care") and "soundhole plugged" in hand.text("luthkit-care")


def test_the_plan_and_the_level_say_where_one_stands():
    sitting = Sitting(Plan(("bridge centre", "bass wing"), n_taps=3, n_strums=2))
    table = progress_table(sitting.skip())
    cells = re.findall(r"<t[dh]>(.*?)</t[dh]>", table)
    assert cells[:8] == [
        "where",
        "placement 1",
        "placement 2",
        "once",
        "bridge centre",
        "0 of 3 (skipped)",
        "0 of 3",
        "",
    ]
    assert cells[8:] == ["bass wing", "➤ 0 of 3", "0 of 3", "", "an open chord", "", "", "0 of 2"]
    assert "11 more in all" in table
    widths = [float(re.search(r"width:([\d.]+)%", level_meter(level))[1]) for level in (-math.inf, -60, -30, 0, 3)]
    assert widths == [0, 0, 50, 100, 100]
    meter = level_meter(-8)
    assert 'role="meter"' in meter and 'aria-valuenow="-8"' in meter and "left:80%;width:15%" in meter


def test_a_sitting_ends_in_the_logbook(bench, monkeypatch):
    monkeypatch.setattr(record, "read_instrument", partial(record.read_instrument, band_hz=(60.0, 150.0)))
    hand = Hand()
    hand["Guitar"].value = "Twelve"
    hand["Good taps at each"].value = 3
    hand["Placements"].value = 1
    hand["Temperature, °C"].value = "20,5"
    hand["Stage"].value = "closed box"
    hand["Belongs to my repeat study"].value = True
    hand["Start recording"].click()
    assert 'data-done="2"' in hand["luthkit-status"].value and hand.text("luthkit-large").startswith("Done")
    page = hand.text("luthkit-page")
    assert "3 good taps" in page and "They are kept in the folder" in page and ".." not in page
    assert "All taps come from one placement: the stated errors cannot hold" in page
    (kept,) = open_logbook(bench / "logbook").sessions("Twelve")
    assert kept.conditions["temperature_c"] == 20.5 and kept.stage == "closed box"
    assert read_session(kept.path).conditions["repeat_study"] is True
    assert len(read_session(kept.path).find_taps().taps) == 3
    assert "with the button below" in hand.text("luthkit-large")
    hand["Read the modes of this session"].click()
    assert 'data-done="3"' in hand["luthkit-status"].value and "3 taps" in hand.text("luthkit-page")


def test_taps_with_a_plug_are_asked_for_with_a_caution_and_listed_so(bench, monkeypatch):
    hand = Hand()
    assert hand.text("luthkit-care") == ""
    hand["Each position again"].value = "with 10 g of putty at the bridge"
    assert "No lump of mass on an old finish" in hand.text("luthkit-care")
    hand["Each position again"].value = "with the soundhole plugged"
    assert "must not press on the rosette" in hand.text("luthkit-care")
    said = []
    monkeypatch.setattr(record._Bench, "_say", lambda _, *words, **__: said.append(" ".join(words)))
    monkeypatch.setattr(Played, "press", staticmethod(lambda k: k % 20 == 0 and hand["Ready"].click()))
    hand["Guitar"].value, hand["Placements"].value, hand["Good taps at each"].value = "Twelve", 1, 2
    hand["Start recording"].click()
    assert 'data-done="2"' in hand["luthkit-status"].value
    assert any("Plug the soundhole" in words and "must not press" in words for words in said)
    (kept,) = open_logbook(bench / "logbook").sessions("Twelve")
    session = read_session(kept.path)
    assert [len(session.find_taps(condition=each).taps) for each in ("", "soundhole plugged")] == [2, 2]
    assert "must not press on the rosette" in hand.text("luthkit-page")


def test_buttons_take_back_skip_and_finish(bench, monkeypatch):
    hand = Hand()
    said = []
    monkeypatch.setattr(record._Bench, "_say", lambda _, *words, **__: said.append(" ".join(words)))
    presses = {70: "Take the last one back", 150: "Finish and keep"}
    monkeypatch.setattr(Played, "press", staticmethod(lambda k: k in presses and hand[presses[k]].click()))
    hand["Guitar"].value = "Twelve"
    hand["Good taps at each"].value = 9
    hand["Start recording"].click()
    assert any(words.startswith("Taken back: tap") and "Tap bridge centre" in words for words in said)
    page = hand.text("luthkit-page")
    assert "taken back" in page and "more taps were planned" in page
    (kept,) = open_logbook(bench / "logbook").sessions("Twelve")
    assert len(read_session(kept.path).recordings) >= 1


def test_a_microphone_that_fails_leaves_the_takes_to_go_on_with(bench):
    hand = Hand()
    hand["Guitar"].value = "Twelve"
    hand["Good taps at each"].value = 20
    hand["Start recording"].click()
    assert hand.text("luthkit-status") == "The file is over"
    assert hand.text("luthkit-large").startswith("Not finished Safe so far: 5 good taps.")
    logbook = open_logbook(bench / "logbook")
    (draft,) = logbook.unfinished()
    kept = len(list(draft.glob("*/*.flac")))
    assert kept >= 3 and logbook.sessions() == ()
    hand["Good taps at each"].value = kept + 1
    hand["Placements"].value = 1
    hand["Start recording"].click()  # goes on where it was
    (session,) = logbook.sessions("Twelve")
    assert len(read_session(session.path).recordings) == kept + 1 and logbook.unfinished() == ()


def test_the_taps_of_a_plate_go_into_the_stock(bench):
    hand = Hand()
    assert "Hang the guitar up" in hand.text("luthkit-large")
    hand["What to do"].value = "Record a plate"
    assert "Hang the plate" in hand.text("luthkit-large") and "guitar" not in hand.text("luthkit-large")
    assert hand["Guitar"].description == "Piece" and hand["Placements"].layout.display == "none"
    hand["Start recording"].click()
    assert hand.text("luthkit-status") == "Piece is empty; say which piece it is"
    hand["Guitar"].value = "Larch 3"
    hand["Good taps at each"].value = 1
    hand["Start recording"].click()  # the file is over too soon
    assert hand.text("luthkit-large").startswith("Not finished Safe so far: 2 good taps.")
    hand["Start recording"].click()  # goes on where it was
    (stock,) = bench.rglob("stock")
    (taps,) = stock.iterdir()
    assert taps.name.startswith("Larch 3 ") and not (bench / "logbook").exists()
    assert [r.position for r in read_session(taps).of_kind("tap")] == ["corner", "end", "side"]
    assert f"{taps.name} under Taps in" in hand.text("luthkit-large")
    assert "placement" not in hand.text("luthkit-page").split("number")[0]
    hand["What to do"].value = "Record a guitar"
    assert hand["Guitar"].description == "Guitar" and hand["Placements"].layout.display == ""


def test_slips_of_the_hand_are_sentences(bench, monkeypatch):
    hand, focused = Hand(), []
    for name in ("Guitar", "Relative humidity, %"):
        monkeypatch.setattr(hand[name], "focus", lambda name=name: focused.append(name), raising=False)
    hand["Start recording"].click()
    assert hand.text("luthkit-status") == "Guitar is empty; say which guitar it is"
    assert hand.text("luthkit-asked") and focused == ["Guitar"]
    hand["Relative humidity, %"].value, hand["Good taps at each"].value = "dry", 0
    hand["Start recording"].click()  # all that is wrong, at once; the keyboard goes to the first
    told = hand["luthkit-status"].value.split("<br>")
    assert [line.rpartition(">")[2].split(" is ")[0] for line in told[:2]] == ["Guitar", "Relative humidity, %"]
    assert "Good taps at each is 0" in told[2] and len(told) == 3 and focused == ["Guitar"] * 2
    focused.remove("Guitar")
    hand["Good taps at each"].value = 5
    hand["Guitar"].value = "Twelve"
    hand["Relative humidity, %"].value = "dry"
    hand["Start recording"].click()
    assert not hand.text("luthkit-asked") and focused[1:] == ["Relative humidity, %"]
    assert "Relative humidity, % is 'dry'; write a number" in hand["luthkit-status"].value.replace("&#x27;", "'")


@pytest.mark.parametrize(
    ("field", "typed", "said"),
    [
        (
            "Relative humidity, %",
            "450",
            "Relative humidity, % is '450'; write a number from 0 to 100, or leave it empty",
        ),
        ("Temperature, °C", "nan", "Temperature, °C is 'nan'; write a number from -30 to 60, or leave it empty"),
        ("Good taps at each", 0, "Good taps at each is 0, and so are Strums and Plucks of each string; ask for one of"),
        ("bridge centre", False, "None of the Positions is marked; mark one at least"),
        ("Guitar", "???/\\..", r"Guitar is '???/\..', of which nothing can name a folder; write letters or numbers"),
    ],
)
def test_a_wrong_entry_is_told_by_its_label_and_nothing_is_made(bench, field, typed, said):
    hand = Hand()
    hand["Guitar"].value = "Twelve"
    hand[field].value = typed
    before = sorted(bench.rglob("*"))
    hand["Start recording"].click()
    assert unescape(hand.text("luthkit-status")).startswith(said)
    assert sorted(bench.rglob("*")) == before
    hand["What to do"].value = "Record a plate"
    hand["Good taps at each"].value = 0
    hand["Start recording"].click()
    if field in ("Good taps at each", "bridge centre"):
        assert hand.text("luthkit-status") == "Good taps at each is 0; write a number from 1 to 50"
    assert sorted(bench.rglob("*")) == before


def test_the_level_is_checked_and_advised_upon(bench, monkeypatch):
    hand, seen = Hand(), set()
    finish = hand["Finish and keep"]
    look = lambda _: seen.add((finish.description, finish.disabled, finish.layout.display))  # noqa: E731
    monkeypatch.setattr(Played, "press", staticmethod(look))
    hand["What to do"].value = "Check the level"
    hand["Start recording"].click()
    assert 'data-done="2"' in hand["luthkit-status"].value and "Too loud" in hand.text("luthkit-page")
    assert seen == {("That is enough", False, "")}
    assert (finish.description, finish.layout.display) == ("Finish and keep", "none")
    assert hand.text("luthkit-large").startswith("Not yet") and not (bench / "logbook").exists()


def test_the_picture_shows_every_take_with_its_level():
    sound = open_recording(PLAYED)
    from luthkit.shop.desk import Desk

    desk = Desk(Plan(n_taps=6, n_placements=1), sound.sample_rate_hz, chimes=False)
    for block in blocks_of(sound):
        desk.hear(Block(block.samples))
    axes = plot_takes(desk.sitting)
    drawn = {line.get_label(): line for line in axes.lines if not line.get_label().startswith("_")}
    assert list(drawn["left out"].get_xdata()) == [4] and len(drawn["kept"].get_xdata()) == 6
    peaks = [one.take.peak_db for one in desk.sitting.judged if one.kept]
    assert list(drawn["kept"].get_ydata()) == pytest.approx(peaks)
    assert any(text.get_text() == "clipped" for text in axes.texts)
    assert "dB of full scale" in axes.get_ylabel()


def test_an_empty_sitting_and_awkward_names_make_a_page():
    page = sitting_page(Sitting(Plan()), path=Path("x/y"), title="<b>")
    assert (
        page.body.count("more taps were planned") == 2
        and "0 good taps, 0 left out" in page.body
        and "one placement" not in page.body
    )
