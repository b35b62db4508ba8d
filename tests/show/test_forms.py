"""The forms of the notebooks, worked as a hand would: pick, press, look."""

import csv
import datetime
import re
import threading
import time
from dataclasses import replace

import numpy as np
import pytest
import soundfile

from luthkit.errors import LuthkitError
from luthkit.shop.keeping import add_session
from luthkit.shop.logbook import start_logbook
from luthkit.show import forms
from luthkit.show.forms import common, form


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


class Hand:
    """Finds the parts of a form by what stands on them."""

    def __init__(self, form):
        self.parts = {}
        todo = [form]
        while todo:
            part = todo.pop()
            todo += getattr(part, "children", ())
            name = getattr(part, "description", "") or next(iter(part._dom_classes), "")
            self.parts[name] = part

    def __getitem__(self, name):
        return self.parts[name]

    @property
    def said(self):
        return re.sub(r"<[^>]*>", "", self["luthkit-status"].value)

    @property
    def picture(self):
        found = re.search(r'src="(data:image/png[^"]*)"', self["luthkit-page"].value)
        return found and found[1]


def test_guitars_are_found_beside_the_notebooks(shop):
    names = [re.split(r"[\\/]", path)[-1] for path in common.find_guitars()]
    assert names == ["new build", "old", "older"]


def test_the_first_form_reads_a_sample_by_itself_and_another_when_asked(shop):
    hand = Hand(forms.modes_form())
    assert hand.said == "Done (1)." and hand.picture
    before = hand.picture
    hand["Guitar"].value = hand["Guitar"].options[1][1]
    hand["Read modes"].click()
    assert hand.said == "Done (2)." and hand.picture != before
    assert shop["asked"] == [["new build"], ["old"]]
    hand["Guitar"].value = hand["Guitar"].options[0][1]
    hand["Read modes"].click()
    assert shop["asked"] == [["new build"], ["old"]]  # known already, the files have not changed
    assert hand.picture == before


def test_the_second_form_puts_the_build_beside_all_others(shop, tmp_path):
    hand = Hand(forms.comparison_form())
    assert hand.said == "Done (1)." and hand.picture
    assert shop["asked"] == [["new build", "old", "older"]]
    before = hand["luthkit-page"].value
    assert "beside" in before and "<b>" not in before.split("<table>")[1]
    hand["References"].value = hand["References"].value[:1]
    hand["Between them"].value = "other room"
    hand["Compare"].click()
    assert hand.said == "Done (2)." and "“other room”" in hand["luthkit-page"].value
    hand["Save report"].click()
    (report,) = (tmp_path / "notebooks").glob("*.html")
    assert str(report) in hand.said


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
    hand["Between them"].value = "other room"
    hand["Compare"].click()
    again = Hand(forms.comparison_form())
    assert again["References"].value == hand["References"].value and again["Between them"].value == "other room"
    assert shop["asked"][-1] == ["new build", "older"]
    for spoilt in ("no json", "[]", '{"comparison": {"Between them": "the moon", "References": ["gone"]}}'):
        (tmp_path / "notebooks" / "luthkit_choices.json").write_text(spoilt)
        assert Hand(forms.comparison_form()).said == "Done (1)."


def test_long_work_tells_the_time_and_can_be_stopped(monkeypatch, tmp_path):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(form, "_in_notebook", lambda: True)
    slow = form.Form("Work", [])
    at_work, said = threading.Event(), []

    def act():
        while True:
            said.append(hand.said)
            at_work.set()
            time.sleep(0.02)

    slow.act = act
    hand = Hand(slow.open(ready=False))
    hand["Work"].click()
    assert at_work.wait(10) and hand["Work"].disabled and not hand["Stop"].disabled
    hand["Stop"].click()
    slow._worker.join(10)
    assert hand.said.startswith("Stopped") and not hand["Work"].disabled and hand["Stop"].disabled
    assert any("At work" in each for each in said)


def test_pictures_and_tables_are_saved_as_files(shop, tmp_path, build):
    hand = Hand(forms.modes_form())
    hand["Save pictures and tables"].click()
    hand["Save pictures and tables"].click()
    first, second = sorted(path for path in (tmp_path / "notebooks").iterdir() if path.is_dir())
    assert (first / "picture_1.png").read_bytes().startswith(b"\x89PNG") and second.name.endswith("_2")
    rows = list(csv.reader((first / "table_1.csv").read_text(encoding="utf-8-sig").splitlines()))
    assert rows[0][1].startswith("Frequency") and len(rows) == 1 + len(build.modes)
    assert "104.0" in rows[1][1]


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
    assert Hand(forms.comparison_form()).said == "Done (1)."
    hand["or a build elsewhere"].value = ""
    hand["References"].value = [hand["Build"].value, *hand["References"].value]
    hand["Compare"].click()
    assert shop["asked"][-1].count("new build") <= 1 and hand.said.startswith("Done")
