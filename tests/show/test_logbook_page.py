"""The logbook for people: its table, its picture, its page, and the form in the hand of a maker."""

import datetime
import json

import pytest
from hand import Hand
from shop.conftest import make_source
from show.conftest import AWKWARD

from luthkit.guitar.history import Event
from luthkit.shop.checksums import Finding
from luthkit.shop.logbook import LoggedGuitar, LoggedSession, start_logbook
from luthkit.shop.overview import InHand
from luthkit.shop.verify import Verification
from luthkit.show import data
from luthkit.show.forms import logbook as form_of_logbook
from luthkit.show.forms import logbook_form
from luthkit.show.logbook import overview_data, overview_page, overview_text, verification_lines, verification_page
from luthkit.show.plots.logbook import plot_logbook

TODAY = datetime.date(2024, 4, 10)


def line(name, *days, stage="strung", role="", due_on=None, problems=(), events=()):
    guitar = LoggedGuitar(name, None, role, {})
    sessions = tuple(LoggedSession(name, None, datetime.date(2024, 1, day), stage, {}) for day in days)
    last = sessions[-1].date if sessions else None
    return InHand(guitar, sessions, events, stage, last, "day 60 after stringing", due_on, problems)


@pytest.fixture
def lines():
    return (
        line(AWKWARD, 5, 20, due_on=datetime.date(2024, 4, 8), events=(Event(datetime.date(2024, 1, 3), "strung"),)),
        line("Marlpit", 9, role="reference", due_on=datetime.date(2024, 7, 9)),
        line("Wren", 2, stage="braced", problems=("session.toml is not <valid>",)),
    )


def test_the_picture_shows_every_session_where_it_belongs(lines):
    ax = plot_logbook(lines, today=TODAY)
    drawn = {}
    for points in ax.lines:
        drawn.setdefault((points.get_marker(), points.get_markerfacecolor()), []).extend(
            zip(points.get_xdata(), points.get_ydata(), strict=True)
        )
    strung = [xy for (mark, _), found in drawn.items() if mark == "o" for xy in found]
    assert [(day.day, row) for day, row in strung] == [(5, 0), (20, 0), (9, 1)]
    assert [(day.day, row) for day, row in drawn[("s", "white")]] == [(2, 2)]
    legend = plot_logbook([line("Wren", 3, stage="")]).get_legend()
    assert [text.get_text() for text in legend.get_texts()] == ["session, stage not said"]
    assert [(day.isoformat(), row) for day, row in drawn[(">", "white")]] == [("2024-04-08", 0), ("2024-07-09", 1)]
    labels = [text.get_text() for text in ax.get_yticklabels()]
    assert labels[1] == "Marlpit\n(reference)" and "$5" in labels[0].replace("\\", "")
    ax.figure.canvas.draw()
    assert plot_logbook([]).get_xlabel() == "date"


def test_the_table_says_what_is_late(lines):
    text = overview_text(lines, today=TODAY)
    assert (
        "Due next                On\n" in text and "day 60 after stringing  overdue since 2024-04-08 (2 days)" in text
    )
    assert "ago" not in text and "2024-07-09\n" in text and "not <valid>" in text
    on_the_day = overview_text(lines[:1], today=datetime.date(2024, 4, 8))
    assert on_the_day.endswith("2024-04-08 (today)") and "overdue" not in on_the_day
    long_past = overview_text(lines[:1], today=datetime.date(2026, 6, 26))
    assert long_past.endswith("a session, now  overdue since 2024-04-08 (2 years)")
    assert "luthkit keep FOLDER --guitar NAME" in overview_text((), today=TODAY)
    json.loads(data.to_json(overview_data(lines)))


def test_the_page_holds_picture_and_table_and_nothing_of_html_in_names(lines):
    page = overview_page(lines, path=".", today=TODAY)
    assert page.body.count("<img") == 1 and page.body.count("<table") == 1
    assert "&lt;b&gt;" in page.body and "<b>" not in page.body and "&lt;valid&gt;" in page.body
    assert "3 guitars, 4 sessions; 1 due by today." in page.body
    assert "Record a guitar with notebook 0" in overview_page((), path=".", today=TODAY).body


def test_what_was_found_is_told_in_sentences():
    fine = Verification(2, 7, (), ())
    assert verification_lines(fine) == ["7 sound files of 2 sessions read: all of it is as it was kept."]
    findings = (Finding("Wren/1/a.wav", "changed", None), Finding("Wren/1/b.wav", "not listed", None))
    said = verification_lines(Verification(1, 2, findings, ()))
    assert said[0].endswith("1 thing changed or gone since it was kept.") and len(said) == 3
    assert "bring it back from a copy" in verification_page(Verification(1, 2, findings, ()), path=".").body


def choose(hand, job):
    hand["I want to"].value = next(option for option in hand["I want to"].options if option.startswith(job))


@pytest.fixture
def shop(tmp_path, monkeypatch):
    (tmp_path / "notebooks").mkdir()
    monkeypatch.chdir(tmp_path / "notebooks")
    return tmp_path


def test_a_maker_keeps_notes_and_checks(shop):
    hand = Hand(logbook_form())
    assert hand.said == "Choose, then press the button."
    hand["Do it"].click()
    assert "There is no logbook in" in hand.said and not (shop / "logbook").exists()
    source = make_source(shop / "from the recorder")
    choose(hand, "keep")
    hand["Do it"].click()
    assert "No recordings are named" in hand.said
    hand["Recordings in"].value = f'"{source}"'
    hand["Name of the guitar"].value, hand["A new guitar is a"].value = "Wren", "build"
    hand["Day"].value, hand["Stage"].value = "2024-02-30", "strung"
    hand["Do it"].click()
    assert "2024-02-30" in hand.said and "is no date; write one as" in hand.said
    hand["Day"].value = "2024-02-10"
    hand["Do it"].click()
    assert hand.done == 1 and "Kept as" in hand["luthkit-page"].value and hand.picture
    assert (shop / "logbook" / "Wren" / "2024-02-10" / "taps" / "a.wav").is_file()
    loose = shop / "loose"
    loose.mkdir()
    (source / "b.wav").rename(loose / "one.wav")
    for struck, told in (("as written down with the recordings", True), ("rim", False)):
        (loose / "one.wav").write_bytes((loose / "one.wav").read_bytes() + b"\0" * 2)  # new sound
        hand["Recordings in"].value, hand["Where struck"].value = str(loose), struck
        hand["Do it"].click()
        assert "Kept as" in hand["luthkit-page"].value, hand.said
        assert ("Where and in which placement" in hand["luthkit-page"].value) is told
    choose(hand, "note")
    hand["Do it"].click()  # nobody is taken to have strung a guitar for want of a choice
    assert "What was done is not chosen; choose strung" in hand.said
    hand["What was done"].value, hand["Day"].value = "repair", "2024-02-11"
    hand["Do it"].click()
    assert "Noted for Wren: repair on 2024-02-11." in hand["luthkit-page"].value
    (shop / "logbook" / "Wren" / "2024-02-10" / "b.wav").unlink()
    choose(hand, "check")
    assert hand["Guitar"].options == ("all guitars", "Wren")
    hand["Do it"].click()
    assert (
        "1 thing changed or gone" in hand["luthkit-page"].value and "b.wav has vanished" in hand["luthkit-page"].value
    )


def test_a_repeat_study_is_made_from_recordings(shop, monkeypatch):
    made = [
        {"guitar": "Wren", "mode": "air", "day": f"2024-03-0{day}", "hanging": hanging, "frequency_hz": 100 + off,
         "damping_ratio": 0.01}
        for day, hanging, off in [(1, 1, 0.1), (1, 2, 0.3), (2, 1, 0.0), (2, 2, 0.2), (3, 1, -0.1), (3, 2, -0.3)]
    ]  # fmt: skip
    asked = []
    monkeypatch.setattr(form_of_logbook, "study_rows", lambda home, **days: asked.append((home, days)) or made)
    logbook = start_logbook(shop / "logbook")
    (logbook.path / "Wren").mkdir()
    hand = Hand(logbook_form())
    choose(hand, "make my repeat study")
    assert hand["Guitar"].options == ("Wren",)
    hand["Days of the study"].value = "2024-03-01, 2024-03-03"
    hand["Do it"].click()
    day = datetime.date(2024, 3, 1)
    assert asked == [(logbook.path / "Wren", {"since": day, "until": day.replace(day=3)})]
    page = hand["luthkit-page"].value
    assert hand.done == 2 and "use it from now on" in page
    assert "another day: 0.6" in page and "One person tapped throughout" in page
    choose(hand, "keep")
    (shop / "own.csv").write_text("mode,day,frequency_hz,damping_ratio\n" + "air,1,100,0.01\nair,2,101,0.01\n" * 2)
    hand["Recordings in"].value, hand["Day"].value = str(shop / "own.csv"), "2025-01-02"
    hand["Do it"].click()
    assert (logbook.path / "repeat_study_2025-01-02.csv").is_file() and hand.done == 3


def test_it_opens_with_the_overview_and_packs(shop):
    logbook = start_logbook(shop / "logbook")
    hand = Hand(logbook_form())
    assert hand.done == 1 and "empty" in hand["luthkit-page"].value
    from luthkit.shop.keeping import add_session

    add_session(logbook, make_source(shop / "a"))
    choose(hand, "pack")
    assert hand["Recordings in"].layout.display == "none" and hand["Guitar"].layout.display == ""
    assert hand["Guitar"].options == ("Number 12",) == (hand["Guitar"].value,)
    hand["Do it"].click()
    assert (shop / "notebooks" / "results" / "Number 12.zip").is_file() and hand.done == 2
    hand["Do it"].click()
    assert "exists already" in hand.said
    choose(hand, "keep")
    hand["Logbook"].value = str(shop / "other")
    hand["Recordings in"].value = str(shop / "notebooks" / "results" / "Number 12.zip")
    hand["Do it"].click()
    assert hand.done == 3 and (shop / "other" / "Number 12" / "2024-03-09").is_dir()
