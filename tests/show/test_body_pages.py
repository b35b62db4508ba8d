"""The body in words, as data and as pictures; the sliders worked as a hand would."""

import json

import numpy as np
import pytest
from bodies import PLAIN, reading, readings_of
from hand import Hand

from luthkit.errors import LuthkitError
from luthkit.guitar.body_fit import fit_body
from luthkit.guitar.helmholtz import check_box
from luthkit.guitar.what_if import Change, what_if
from luthkit.shop.body import BodySheet
from luthkit.show import body, forms
from luthkit.show.data import to_json
from luthkit.show.forms import body as body_room
from luthkit.show.plots.body import plot_mobility, plot_what_if

CHECK = check_box(from_taps_hz=125.0, from_taps_u_hz=1.0, volume_m3=0.0175, hole_radius_m=0.05)
SHEET = BodySheet("Söhne <7> $5", fit_body(readings_of(PLAIN)), CHECK, ("a note & more",), {"a.wav": "0" * 64})
LITTLE = BodySheet("little", fit_body([reading(PLAIN)]), None, (), {"a.wav": "0" * 64})
CHANGE = Change(hole_radius_factor=0.95, bridge_mass_kg=-0.006)


def test_numbers_say_where_they_come_from():
    rows = {row[0]: row for row in body.number_rows(SHEET.fit)}
    assert rows["top, mass that the bridge has to move"][2] == "these taps"
    assert rows["top, mass that the bridge has to move"][1].endswith(" g")
    little = {row[0]: row[1:] for row in body.number_rows(LITTLE.fit)}
    assert little["top, mass that the bridge has to move"] == ("cannot tell", "")
    assert all((known == "") == (value == "cannot tell") for value, known in little.values())
    given = fit_body([reading(PLAIN)], known={"volume_m3": (0.0175, 0.03)})
    assert {row[0]: row[2] for row in body.number_rows(given)}["air in the body"] == "given"
    two = fit_body([reading(PLAIN, back_blocked=False)]).order
    assert len(two) == 3


def test_text_for_the_terminal():
    text = body.body_text(SHEET, CHANGE)
    assert "With soundhole diameter -5 %, 6 g less on the bridge:" in text
    assert "a note & more" in text and CHECK.sentence in text
    for line in body.CARE:
        assert line in text
    assert "cannot tell without taps with a known mass" in body.body_text(LITTLE)
    assert "Shift" not in body.body_text(LITTLE)


def test_the_page_is_safe_and_has_its_pictures():
    page = body.body_page(SHEET, CHANGE)
    assert "<7>" not in page.body and page.body.count("<img") == 2 and page.body.count("<table>") == 3
    assert "old finish" in page.body and "rosette" in page.body
    assert page.identity == body.body_page(SHEET).identity != body.body_page(LITTLE).identity


def test_data_is_json():
    said = json.loads(to_json(body.body_data(SHEET, CHANGE)))
    assert said["numbers"]["top_mass_kg"]["value"] == pytest.approx(0.06, rel=0.03)
    assert said["what_if"]["change"]["bridge_mass_kg"] == -0.006
    beyond = json.loads(to_json(body.body_data(SHEET, Change(back_stiffness_factor=1.3, top_stiffness_factor=1.3))))
    assert all(mode["now_hz"] > 0 for mode in beyond["what_if"]["modes"])


def test_cents_are_cents():
    told = what_if(SHEET.fit, CHANGE)
    for row, now, after in zip(body.what_if_rows(told), told.now_hz, told.after_hz, strict=True):
        assert float(row[4]) == pytest.approx(1200 * np.log2(after / now), abs=0.6)


def test_the_picture_shows_now_and_after_with_bars():
    told = what_if(SHEET.fit, CHANGE)
    ax = plot_what_if(told)
    now, after = (bars for bars in ax.containers)
    assert now.lines[0].get_xdata() == pytest.approx(told.now_hz)
    assert after.lines[0].get_xdata() == pytest.approx(told.after_hz)
    assert now.get_label() == "now, 95 % bars"
    ends = after.lines[2][0].get_segments()
    assert [end[1][0] - end[0][0] for end in ends] == pytest.approx(2 * 1.96 * told.after_u_hz)
    assert [text.get_text() for text in ax.get_yticklabels()] == list(told.names)
    above = ax.child_axes[0]
    assert dict(zip([t.get_text() for t in above.get_xticklabels()], above.get_xticks(), strict=True))[
        "A2"
    ] == pytest.approx(110.0)
    assert len(plot_what_if(what_if(SHEET.fit, Change())).containers) == 1


def test_the_mobility_with_its_bands():
    ax = plot_mobility(SHEET.fit, CHANGE)
    assert [line.get_label() for line in ax.lines] == ["now, 95 % band", "after the change, 95 % band"]
    assert len(ax.collections) == 2 and ax.get_xlim() == (60.0, 300.0)
    assert len(plot_mobility(SHEET.fit).lines) == 1


@pytest.fixture
def hand(tmp_path, monkeypatch, build):
    """The form over one folder; reading it gives the sheet above."""
    folder = tmp_path / "sample_audio" / "new build"
    folder.mkdir(parents=True)
    (folder / "a.wav").touch()
    (tmp_path / "notebooks").mkdir()
    monkeypatch.chdir(tmp_path / "notebooks")
    asked = []

    def read(place, **options):
        asked.append(options)
        return SHEET

    monkeypatch.setattr("luthkit.show.forms.common.read_instruments", lambda folders: (build,))
    monkeypatch.setattr(body_room, "read_body", read)
    hand = Hand(forms.body_form())
    hand.asked = asked
    return hand


def test_a_slider_asks_what_if_without_reading_again(hand):
    assert hand.done == 1 and hand.picture
    before = hand.picture
    hand["Soundhole diameter, %"].value = -5
    assert hand.done == 2 and hand.picture != before
    assert "oundhole diameter -5 %" in hand["luthkit-page"].value
    hand["Mass of the bridge, g"].value = 8
    assert "oundhole diameter -5 %, 8 g more on the bridge" in hand["luthkit-page"].value
    assert len(hand.asked) == 1


def test_what_is_typed_reaches_the_reading(hand):
    hand["Air, top, back in Hz"].value = "104 Hz, 196.5 220"
    hand["Soundhole in mm"].value = "86,5 mm"
    hand["Read the body"].click()
    assert hand.asked[-1]["by_hand"] == {"air": 104.0, "main top": 196.5, "main back": 220.0}
    assert hand.asked[-1]["hole_diameter_mm"] == 86.5 and hand.asked[-1]["volume_l"] is None
    hand["Air inside in litres"].value = "much"
    hand["Soundhole in mm"].value = "-3"
    hand["Read the body"].click()
    first, second = hand["luthkit-status"].value.split("<br>")  # all that is wrong, at once
    assert "Soundhole in mm is &#x27;-3&#x27;; write one number above 0" in first
    assert second.startswith("Air inside in litres is &#x27;much&#x27;; write one number")


def test_a_change_that_is_too_large_is_one_sentence(hand, monkeypatch):
    def refuse(*_):
        raise LuthkitError("bridge_mass_kg is 0.02; too much")

    monkeypatch.setattr(body_room, "body_page", refuse)
    hand["Mass of the bridge, g"].value = 20
    assert hand.said.startswith("Bridge_mass_kg") and hand["luthkit-page"].value == ""
