"""The forms of the notebooks, worked as a hand would: pick, press, look."""

import csv
import datetime
import itertools
import re
import threading
import time
import urllib.parse
from dataclasses import replace
from pathlib import PureWindowsPath

import numpy as np
import pytest
import soundfile
from hand import Hand

from luthkit.errors import LuthkitError
from luthkit.shop.keeping import add_session
from luthkit.shop.logbook import start_logbook
from luthkit.shop.study import keep_study
from luthkit.show import forms
from luthkit.show.forms import common, form, task
from luthkit.show.forms.task import Stopped, Task
from luthkit.show.page import Page, save_pieces, save_report, table
from luthkit.show.report import report_page


@pytest.fixture
def shop(tmp_path, monkeypatch, build, references):
    """Three folders of guitars beside a folder of notebooks; reading them gives hand-made mode sets."""
    sets = {"new build": build, "old": references[0], "older": references[1]}
    for name in sets:
        folder = tmp_path / "sample_audio" / name
        folder.mkdir(parents=True)
        (folder / "a.wav").touch()
    (tmp_path / "sample_audio" / "empty").mkdir()
    (tmp_path / "notebooks").mkdir()
    monkeypatch.chdir(tmp_path / "notebooks")
    asked = []

    def read(folders):
        asked.append([folder.name for folder in folders])
        for folder in folders:
            if folder.name not in sets:
                raise LuthkitError(f"{folder} does not exist; check the spelling")
        return tuple(sets[folder.name] for folder in folders)

    monkeypatch.setattr(common, "read_instruments", read)
    sets["asked"] = asked
    return sets


def test_guitars_are_found_beside_the_notebooks(shop):
    names = [re.split(r"[\\/]", path)[-1] for path in common.find_guitars()]
    assert names == ["new build", "old", "older"]


def test_the_first_form_reads_a_sample_by_itself_and_another_when_asked(shop):
    hand = Hand(forms.modes_form())
    assert hand.done == 1 and hand.picture
    before = hand.picture
    hand["Guitar"].value = hand["Guitar"].options[1][1]
    hand["Read modes"].click()
    assert hand.done == 2 and hand.picture != before
    assert shop["asked"] == [["new build"], ["old"]]
    hand["Guitar"].value = hand["Guitar"].options[0][1]
    hand["Read modes"].click()
    assert shop["asked"] == [["new build"], ["old"]]  # known already, the files have not changed
    assert hand.picture == before


def test_the_second_form_puts_the_build_beside_all_others(shop, tmp_path):
    hand = Hand(forms.comparison_form())
    assert hand.done == 1 and hand.picture
    lead = re.search(r'<div class="short"><p>(.*?)</p>', hand["luthkit-page"].value)[1]
    assert f"<b>{lead}</b>" in hand["luthkit-status"].value  # the page may lie below the window
    assert shop["asked"] == [["new build", "old", "older"]]
    before = hand["luthkit-page"].value
    assert "beside" in before and "<b>" not in before.split("<table>")[1]
    hand["References"].value = hand["References"].value[:1]
    hand["What else differed"].value = "other room"
    hand["Compare"].click()
    assert hand.done == 2 and "“other room”" in hand["luthkit-page"].value
    hand["Save report"].click()
    (report,) = (tmp_path / "notebooks" / "results").glob("*.html")
    assert report.name in hand.said and str(report.parent) in hand.said


@pytest.mark.parametrize(
    ("path", "words"), [("/nowhere/<at> all", "does not exist"), ("~/no such folder", "does not exist")]
)
def test_a_typed_path_wins_and_an_error_is_one_sentence_in_the_form(shop, path, words):
    hand = Hand(forms.modes_form())
    hand["or a folder elsewhere"].value = path
    hand["Read modes"].click()
    assert words in hand.said and hand["luthkit-page"].value == ""
    assert "<at>" not in hand["luthkit-status"].value
    assert hand["Save report"].disabled and not hand["Read modes"].disabled
    assert hand["Save sheet (PDF)"].disabled and hand["Save sheet (PDF)"].layout.display != "none"  # greyed, not gone


def test_any_fault_is_a_sentence(shop, monkeypatch):
    hand = Hand(forms.comparison_form())
    hand["References"].value = ()
    hand["Compare"].click()
    assert hand.said.startswith("No reference is marked")
    monkeypatch.setattr(forms.comparison, "compare", lambda *_, **__: 1 / 0)
    hand["References"].value = hand["References"].options[1][1:]
    hand["Compare"].click()
    assert hand.said == "Luthkit met a fault of its own, ZeroDivisionError: division by zero"


def test_no_usable_tap_says_why(shop, build):
    shop["new build"] = replace(build, modes=(), taps_accepted=0)
    hand = Hand(forms.modes_form())
    assert hand.said.startswith("There is no usable tap in") and "clipped" in hand.said


def test_without_any_guitar_the_form_waits(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    for empty in (
        forms.modes_form(start=tmp_path / "x" / "y"),
        forms.comparison_form(start=tmp_path / "x" / "y"),
    ):
        hand = Hand(empty)
        assert hand.said == "Choose, then press the button."
        (hand.parts.get("Read modes") or hand["Compare"]).click()
        assert "no guitar is chosen" in hand.said.lower()


def test_what_was_chosen_is_remembered(shop, tmp_path):
    hand = Hand(forms.comparison_form())
    hand["References"].value = hand["References"].value[1:]
    hand["What else differed"].value = "other room"
    hand["Compare"].click()
    again = Hand(forms.comparison_form())
    assert again["References"].value == hand["References"].value and again["What else differed"].value == "other room"
    assert shop["asked"][-1] == ["new build", "older"]
    for spoilt in ("no json", "[]", '{"comparison": {"What else differed": "the moon", "References": ["gone"]}}'):
        (tmp_path / "notebooks" / ".luthkit" / "choices.json").write_text(spoilt)
        assert Hand(forms.comparison_form()).done == 1


def test_long_work_tells_the_time_and_can_be_stopped(monkeypatch, tmp_path):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(form, "_in_notebook", lambda: True)
    monkeypatch.setattr(task, "TICK_S", 0.05)
    slow = form.Form("Work", [])
    said = []

    def act():
        while True:
            said.append(hand.said)
            time.sleep(0.02)

    slow.act = act
    hand = Hand(slow.open(ready=False))
    hand["Work"].click()
    wait_for(lambda: any("At work for" in each for each in said))
    assert not hand["Stop"].disabled
    hand["Work"].click()  # of no effect: it is at work
    assert not hand["Work"].disabled  # so that it keeps the focus of the keyboard
    hand["Stop"].click()
    wait_for(lambda: hand.said.startswith("Stopped"))
    assert hand["Stop"].disabled
    slow.act = lambda: Page("Quick", "", "quick", "0" * 64)
    hand["Work"].click()
    wait_for(lambda: hand.done == 1)
    page, save = hand["luthkit-page"], hand["Save report"]
    assert "luthkit-earlier" not in page._dom_classes and not save.disabled
    slow.act = act
    hand["Work"].click()
    wait_for(lambda: "At work for" in hand.said)
    assert "luthkit-earlier" in page._dom_classes and save.disabled
    hand["Stop"].click()
    wait_for(lambda: hand.said.startswith("Stopped"))
    # what stands there is not of the choice in the fields: grey, and not to be saved
    assert "of the choice before" in hand.said and "luthkit-earlier" in page._dom_classes and save.disabled


def wait_for(true):
    end = time.monotonic() + 20
    while not true():
        assert time.monotonic() < end
        time.sleep(0.01)


@pytest.mark.parametrize("fails", [False, True])
def test_stop_at_any_step_has_one_clean_outcome(fails):
    """Stop pressed at the n-th step of the working thread, for every n: done, failed or stopped, and nothing else.

    A Stopped that escapes from the thread would be a warning, so an error; one that is left over would strike later.
    """

    def act():
        if fails:
            raise LuthkitError("no tap")
        return "done"

    seen = set()
    for nth in itertools.count(1):
        one, steps = Task(act), itertools.count(1)

        def trace(frame, event, _, one=one, steps=steps, nth=nth):
            if frame.f_code.co_filename not in (task.__file__, __file__):
                return None
            frame.f_trace_opcodes = True
            if next(steps) == nth:
                one.stop()
            return trace

        threading.settrace(trace)
        try:
            seen.add(one.wait())
        except (LuthkitError, Stopped) as outcome:
            seen.add(type(outcome))
        finally:
            threading.settrace(None)
        assert not one._thread.is_alive()
        if next(steps) <= nth:
            break  # it was over before
    assert nth > 40 and seen == {Stopped, LuthkitError if fails else "done"}
    one.stop()  # too late: nobody is struck
    assert Task(lambda: sum(range(1000))).wait() == 499500


def test_one_work_after_the_other_and_one_that_waits_can_be_stopped():
    goes_on, order = threading.Event(), []
    first = Task(lambda: (order.append("first begins"), goes_on.wait(20), order.append("first ends")))
    second, third = Task(lambda: order.append("second")), Task(lambda: order.append("third"))
    told = []
    waiting = [threading.Thread(target=first.wait)]
    waiting[0].start()
    wait_for(lambda: order)

    def wait_third():
        try:
            third.wait()
        except Stopped:
            told.append("stopped")

    waiting += [threading.Thread(target=second.wait), threading.Thread(target=wait_third)]
    for one in waiting[1:]:
        one.start()
    third.stop()
    wait_for(lambda: told)
    assert order == ["first begins"]
    goes_on.set()
    for one in waiting:
        one.join(20)
    assert order == ["first begins", "first ends", "second"] and told == ["stopped"]


def test_the_first_work_of_a_form_begins_beside_the_page_and_can_be_stopped(monkeypatch, tmp_path):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(form, "_in_notebook", lambda: True)
    slow = form.Form("Work", [])
    slow.act = lambda: [time.sleep(0.01) for _ in range(10_000)]
    hand = Hand(slow.open(ready=True))  # and does not wait for its end
    wait_for(lambda: "At work for" in hand.said)
    hand["Stop"].click()
    wait_for(lambda: hand.said.startswith("Stopped"))


def test_pictures_and_tables_are_saved_as_files(shop, tmp_path, build):
    hand = Hand(forms.modes_form())
    hand["Save pictures and tables"].click()
    hand["Save pictures and tables"].click()
    first, second = sorted((tmp_path / "notebooks" / "results").iterdir())
    stem = report_page(build).stem
    assert first.name == f"{datetime.date.today()}_{stem}" and second.name == f"{first.name}_2"
    assert (first / f"{stem}.png").read_bytes().startswith(b"\x89PNG")
    assert {f"{stem}_Left-out-and-why.csv", f"{stem}_Second-opinions-on-the-damping.csv"} <= {
        path.name for path in first.iterdir()
    }
    rows = list(csv.reader((first / f"{stem}.csv").read_text(encoding="utf-8-sig").splitlines()))
    assert rows[0][2:4] == ["Frequency (Hz)", "Frequency, ± (Hz)"] and len(rows) == 1 + len(build.modes)
    for row, mode in zip(rows[1:], build.modes, strict=True):
        assert float(row[2]) == pytest.approx(mode.frequency_hz, abs=mode.frequency_u_hz)
        assert float(row[3]) == pytest.approx(mode.frequency_u_hz, rel=0.06)


def test_a_value_and_its_error_part_in_a_saved_table_only_where_the_whole_column_is_alike(tmp_path):
    def saved(*columns):
        body = table([heading for heading, *_ in columns], zip(*(cells for _, *cells in columns), strict=True))
        (path,) = save_pieces(Page("Made up", body, "made_up", "0" * 64), tmp_path)
        return list(zip(*csv.reader(path.read_text(encoding="utf-8-sig").splitlines()), strict=True))

    assert saved(
        ("At", "103.3 ± 1.1 Hz", "", "-4 ± 2 Hz", "196.3 Hz, error unknown"), ("Why", "", "a ± b", "", "c")
    ) == [
        ("At (Hz)", "103.3", "", "-4", "196.3"),
        ("At, ± (Hz)", "1.1", "", "2", ""),
        ("Why", "", "a ± b", "", "c"),
    ]
    assert saved(("Q", "25 ± 12", "+9.1 ± 0.2")) == [("Q", "25", "+9.1"), ("Q, ±", "12", "0.2")]
    for cells in (("1 ± 1 Hz", "2 ± 1 %"), ("1 ± 1 Hz", "no answer"), ("1 ± 1 Hz", "3 Hz"), ("", ""), ("2 g", "3 g")):
        assert saved(("As it is", *cells)) == [("As it is", *cells)]


def test_windows_takes_all_that_is_saved(tmp_path):
    """No path of more than 260 characters in a home of ordinary length, no reserved name (both from memory)."""
    body = f"<h2>{'What was said: ' * 20}</h2><h3>con</h3>{table(('a',), [('b',)])}"
    page = Page("Long", body, "a_very_old_guitar_" * 20, "0" * 64)
    home = PureWindowsPath("C:/Users/Somebody With A Long Name/Documents/My workshop of fine guitars")
    for path in (*save_report(page, tmp_path / "results"), *save_pieces(page, tmp_path / "results")):
        there = home / PureWindowsPath(path.relative_to(tmp_path))
        assert len(str(there)) < 260 and not there.is_reserved()
        assert set('<>:"|?*').isdisjoint(path.name) and path.name[-1] not in ". "


def test_in_a_workshop_all_that_is_saved_goes_into_one_folder_with_links(shop, tmp_path, monkeypatch):
    (tmp_path / ".luthkit").mkdir()
    (tmp_path / ".luthkit" / "laid_out.txt").touch()
    monkeypatch.setenv("LUTHKIT_WORKSHOP", str(tmp_path))
    hand = Hand(forms.modes_form())
    for button in ("Save report", "Save sheet (PDF)", "Save pictures and tables"):
        hand[button].click()
        assert str(tmp_path / "results") in hand.said and hand[button].layout.display != "none"
        link = re.search(r'href="([^"]*)"', hand["luthkit-status"].value)[1]
        assert (tmp_path / urllib.parse.unquote(link).removeprefix("/files/")).is_file()
    assert {path.suffix for path in (tmp_path / "results").iterdir()} == {".html", ".pdf", ""}
    assert list((tmp_path / "notebooks").iterdir()) == []
    assert sorted(path.name for path in (tmp_path / ".luthkit").iterdir()) == ["choices.json", "laid_out.txt"]


def test_guitars_of_the_logbook_stand_in_the_list(shop, tmp_path):
    logbook = start_logbook(tmp_path / "logbook")
    source = tmp_path / "taps of mine"
    source.mkdir()
    soundfile.write(source / "a.wav", np.zeros(8000), 16000)
    for day in ("2024-03-09", "2024-04-09"):
        soundfile.write(source / "a.wav", np.full(8000, float(day[6]) / 10), 16000)
        add_session(logbook, source, guitar="Number 12", words={"date": datetime.date.fromisoformat(day)})
    found = common.find_guitars()
    (mine,) = [path for path in found if "logbook" in path]
    assert common.label(mine) == "Number 12, 2024-04-09   (logbook)"


def test_what_failed_is_not_remembered_and_no_guitar_stands_beside_itself(shop):
    hand = Hand(forms.comparison_form())
    hand["or a build elsewhere"].value = "/no/such guitar"
    hand["Compare"].click()
    assert "does not exist" in hand.said
    assert Hand(forms.comparison_form()).done == 1
    hand["or a build elsewhere"].value = ""
    build, marked = hand["Build"].value, hand["References"].value
    offered = lambda: [path for _, path in hand["References"].options]  # noqa: E731
    assert build not in offered() and len(marked) == 2
    hand["Build"].value = marked[0]
    assert marked[0] not in offered() and build in offered() and hand["References"].value == marked[1:]
    hand["References"].value = ()
    hand["and a reference elsewhere"].value = marked[0]
    hand["Compare"].click()
    assert hand.said == "The build is its own only reference; mark another guitar"


def test_a_profile_is_made_in_the_logbook_and_a_build_held_against_it(shop, tmp_path):
    start_logbook(tmp_path / "logbook")
    hand = Hand(forms.profile_form())
    assert hand.said == "Choose, then press the button."
    hand["Make the profile"].click()
    assert "needs a name" in hand.said and "No guitar is marked" in hand.said
    hand["Call it"].value = "Old ones"
    hand["Drawn from"].value = [path for name, path in hand["Drawn from"].options if name.startswith("old")]
    hand["Make the profile"].click()
    assert hand.done == 1 and "from old, older, without strums" in hand["luthkit-page"].value
    (kept,) = (tmp_path / "logbook" / "profiles").iterdir()
    hand["Make the profile"].click()
    assert "exists already" in hand.said
    other = Hand(forms.comparison_form())
    (profile,) = [path for name, path in other["References"].options if name == "Old ones   (profile)"]
    assert kept.samefile(profile)
    both = other["luthkit-page"].value
    other["References"].value = [profile]
    other["Compare"].click()
    assert other.done == 2 and other["luthkit-page"].value.split("<img")[0] == both.split("<img")[0]


def test_the_repeat_study_of_the_logbook_is_used_unless_it_is_switched_off(shop, tmp_path):
    rows = [
        {"guitar": "old", "mode": "air", "day": d, "hanging": h, "frequency_hz": f, "damping_ratio": 0.01 * f / 100}
        for d, h, f in [(1, 1, 100.0), (1, 2, 100.3), (2, 1, 100.1), (2, 2, 99.8), (3, 1, 99.9), (3, 2, 100.2)]
    ]
    keep_study(start_logbook(tmp_path / "logbook"), rows, date=datetime.date(2024, 11, 2))
    hand = Hand(forms.comparison_form())
    said = "your repeat study of old, in use since 2024-11-02"
    assert "repeat study of old" not in hand["luthkit-page"].value  # the sample build lies in no logbook
    home = tmp_path / "logbook" / "Wren" / "new build"
    home.mkdir(parents=True)
    (home / "a.wav").touch()
    hand["or a build elsewhere"].value = str(home)
    hand["Compare"].click()
    assert hand.done == 2 and said in hand["luthkit-page"].value
    hand["Use my repeat study, if the logbook has one"].value = False
    hand["Compare"].click()
    assert hand.done == 3 and "repeat study of old" not in hand["luthkit-page"].value
