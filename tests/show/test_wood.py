"""A piece of wood in words, data, pictures and on a page: what stands there is what was read."""

import json
import re
import shutil
from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np
import pytest
from hand import Hand

from luthkit import LuthkitError
from luthkit.cli import main
from luthkit.shop.logbook import start_logbook
from luthkit.shop.new_piece import add_day, add_piece
from luthkit.shop.woodpile import read_history, read_pieces, read_wood
from luthkit.show import data, forms
from luthkit.show.page import page_html
from luthkit.show.plots.wood import plot_budget, plot_nodal_lines, plot_stock
from luthkit.show.wood import (
    change_rows,
    closed_rows,
    stock_page,
    stock_text,
    wood_data,
    wood_page,
    wood_rows,
    wood_summary,
    wood_text,
    written_rows,
)
from luthkit.wood.stock import read_stock

STOCK = Path(__file__).parent.parent.parent / "sample_audio" / "stock"


@pytest.fixture(scope="module")
def readings():
    return read_pieces(read_stock(STOCK))


@pytest.fixture(scope="module")
def history():
    return read_history(next(piece for piece in read_stock(STOCK) if piece.name == "Spruce 31"))


def test_a_wood_is_compared_with_its_own_kind_or_with_none(tmp_path):
    """Wood Handbook, tables 5-1, 5-3 and 5-5: Sitka spruce 10.8 GPa and 10 % for shear, E_R 0.078 of it, G 0.40."""
    sizes = "\n[[measured]]\nlength_mm = 550\nwidth_mm = 200\nthickness_mm = 3\nmass_g = 140\n"
    for name, wood in (("a", "Sitka spruce"), ("b", "Fichte"), ("c", "Fichte"), ("d", "red spruce")):
        (tmp_path / f"{name}.toml").write_text(f'species = "{wood}"{sizes}modes_hz = [38, 52]\n', encoding="utf-8")
    sitka, fichte, other, red = read_pieces(read_stock(tmp_path))
    assert "The middle of Sitka spruce is 11.9 GPa along, 0.93 across, 448 kg/m³" in wood_text([sitka])
    assert "The middle of red spruce is 12.6 GPa along, 448 kg/m³" in wood_text([red])
    for text in (wood_text([fichte]), wood_page([fichte]).body):
        assert (
            "The middle of" not in text and "Fichte is not in the list of woods" in text and "red spruce, white" in text
        )
    for text in (stock_text([sitka, fichte, other]), stock_page([sitka, fichte, other]).body):
        assert text.count("not in the list") == 1 and "b, c: Fichte is not" in text and "The middle of" not in text


def test_the_bars_are_as_long_as_the_errors(history):
    ax = plot_budget(history[-1])
    known = history[-1].at_climate
    names = ["density", "along", "across", "shear", "sound_speed", "radiation_ratio", "impedance"]
    lengths = {}
    for patch in ax.patches:
        row = round(patch.get_y() + patch.get_height() / 2)
        lengths[row] = max(lengths.get(row, 0), patch.get_x() + patch.get_width())
    for row, name in enumerate(names):
        assert lengths[row] == pytest.approx(100 * known[name].relative_u, rel=2e-3)
    assert [tick.get_text() for tick in ax.get_yticklabels()][1] == "stiffness along"
    assert "thickness" in [text.get_text() for text in ax.get_legend().get_texts()]


def test_nodal_lines_say_which_pitch_they_belong_to(history):
    ax = plot_nodal_lines(history[-1])
    texts = [text.get_text() for text in ax.texts]
    assert len(texts) == 9
    assert re.match(r"38\.\d Hz   1 across, 1 along", texts[0])
    assert "Spruce 31" in ax.get_title(loc="left")


def test_the_stock_is_drawn_with_its_errors(readings):
    ax = plot_stock(readings)
    texts = [text.get_text() for text in ax.texts]
    assert {"Mahogany 4, brace", "Maple 12, back", "Spruce 31, top"} <= set(texts)
    bars = [container for container in ax.containers if container.has_yerr]
    assert len(bars) == 3
    spruce = next(r for r in readings if r.piece.name == "Spruce 31").at_climate["along"]
    heights = [np.ptp(bar[2][1].get_segments()[0][:, 1]) for bar in bars]
    assert min(abs(height - 2 * 1.96 * spruce.u / 1e9) for height in heights) < 1e-6


def test_words_hold_every_number(history, readings):
    text = wood_text(history)
    assert len(wood_rows(history[-1])) == 10
    for word in ("GPa", "radiation ratio", "as measured", "by the three-tap formulas", "cannot tell whether it moved"):
        assert word in text
    assert len(closed_rows(history[-1])) == 3 and len(change_rows(history)) == 4
    assert change_rows(history[:1]) == []
    table = stock_text(readings)
    assert re.search(r"Mahogany 4 .* papers missing", table)
    assert "law of your place" in table


def test_what_was_written_down_stands_on_the_page(history):
    rows = dict(written_rows(history[-1]))
    assert rows["Mass"] == "139.20 ± 0.10 g" and rows["Air"] == "20 °C, 47 % humidity"
    assert rows["Hardness in N"] == "1700"
    for text in (wood_text(history), wood_page(history).body):
        assert all(what in text and said in text for what, said in rows.items())


def test_an_earlier_day_that_cannot_be_read_says_why(history):
    broken = replace(history[0], notes=("the taps are not there",))
    for text in (wood_text([broken, history[-1]]), wood_page([broken, history[-1]]).body):
        assert "2023-04-14: the taps are not there" in text
    assert not any("placement" in reading_note for reading in history for reading_note in reading.notes)


@pytest.mark.parametrize("count", [2, 5])
@pytest.mark.parametrize("wrong", [1.16, 0.85, 10.0])
def test_days_that_cannot_both_be_true_are_no_change(history, count, wrong):
    """Wood changes its density by 15 % at most (common practice, no source): a mass or a size is written wrongly."""

    def on_days(factor):
        days = []
        for k in range(count):
            known = {name: replace(b, value=b.value * factor ** (k == 1)) for name, b in history[-1].at_climate.items()}
            measurement = replace(history[-1].measurement, day=date(2020 + k, 3, 1))
            days.append(replace(history[-1], measurement=measurement, values=known, at_climate=known))
        return days

    said = "one of the days is probably written wrongly"
    assert [row[2] for row in change_rows(on_days(wrong))] == 4 * [f"cannot tell: {said}"]
    density = history[-1].at_climate["density"].value
    for text in (wood_text(on_days(wrong)), wood_page(on_days(wrong)).body):
        assert "moved" not in text and f"{said}. Look at the sizes" in text
        assert f"{density * wrong:.0f}"[:3] in text and "2021-03-01" in text
    for text in (wood_text(on_days(1.14)), wood_page(on_days(1.14)).body):
        assert said not in text
    only = [replace(day, values={"density": day.values["density"]}, at_climate={}) for day in on_days(wrong)]
    assert said in wood_summary(only)[-1] and "moved" not in wood_text(only)


def test_from_four_days_on_the_course_decides(history):
    """A piece whose stiffness along the grain rises by 6 % a year, one that stays, and one with a day too few."""
    reading = history[-1]

    def on_days(yearly, count=6):
        days = []
        for k in range(count):
            measurement = replace(reading.measurement, day=date(2020 + k, 3, 1))
            along = reading.at_climate["along"]
            known = {**reading.at_climate, "along": replace(along, value=along.value * (1 + yearly * k))}
            days.append(replace(reading, measurement=measurement, at_climate=known))
        return days

    moving, still = (dict((what, verdict) for what, _, verdict in change_rows(on_days(y))) for y in (0.06, 0.0))
    along = "stiffness along the grain, EL"
    assert moving[along].startswith("moved: ")
    assert "no change seen" in moving["density"] and "no change seen" in still[along]
    few = dict((what, verdict) for what, _, verdict in change_rows(on_days(0.0, count=3)))
    u = dict((row[0], row[1]) for row in change_rows(on_days(0.0, count=3)))[along]
    assert few[along].startswith("cannot tell whether it moved; less than ")
    percent = float(few[along].split()[-5])  # the error shown beside it has one figure
    assert percent == pytest.approx(1.96 * float(u.split(" ± ")[1].split()[0]), rel=0.26)


def test_data_are_plain_and_whole(history):
    told = json.loads(data.to_json(wood_data(history[-1])))
    assert told["as_measured"]["along"]["value"] == pytest.approx(12.4e9, rel=0.02)
    parts = told["as_measured"]["along"]["budget"]
    assert sum(u**2 for u in parts.values()) ** 0.5 == pytest.approx(history[-1].values["along"].relative_u)
    assert told["modes"][0]["label"] == [1, 1] and len(told["sources"]) == 3


def test_pages_need_nothing_from_outside(history, readings):
    for page in (wood_page(history), stock_page(readings)):
        html = page_html(page)
        assert html.count("<img alt=") == len(re.findall("<img", html)) >= 1
        assert "http" not in html.replace("data:image", "") and "<script" not in html
        assert "dust" in html.lower()
    assert "Beside the usual three-tap formulas" in wood_page(history).body
    assert wood_page(history).identity != wood_page(history[:1]).identity


def test_the_command_shows_a_piece_and_the_stock(tmp_path, capsys):
    report = tmp_path / "stock.html"
    assert main(["wood", str(STOCK), "--report", str(report)]) == 0
    assert "Maple 12" in capsys.readouterr().out and report.exists()
    assert main(["wood", str(STOCK), "--piece", "maple 12", "--json", "--climate", "22", "40"]) == 0
    (told,) = json.loads(capsys.readouterr().out)["pieces"]
    assert told["climate"] == {"temperature_c": 22.0, "relative_humidity_percent": 40.0}
    assert main(["wood", str(STOCK / "mahogany_4.toml")]) == 0
    assert "Mahogany 4" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (["wood", str(STOCK), "--piece", "oak"], 2, "it has Mahogany 4"),
        (["wood", "/nowhere"], 2, "does not exist"),
        (["wood", str(STOCK.parent / "plan")], 2, "is the folder of a plan; use luthkit plan"),
        (["wood", str(STOCK), "--climate", "20", "120"], 2, "--climate"),
        (["wood", str(STOCK.parent / "truth.json")], 1, "is no stock"),
    ],
)
def test_the_command_says_what_is_wrong(words, code, said, capsys):
    assert main(words) == code
    assert said in capsys.readouterr().err


@pytest.mark.usefixtures("blank_pictures")
def test_the_form_measures_a_piece_and_the_stock(tmp_path, monkeypatch):
    from luthkit.show.forms import wood_form

    (tmp_path / "sample_audio").symlink_to(STOCK.parent)
    monkeypatch.chdir(tmp_path)
    form = wood_form()
    _, stock, path, piece, buttons, status, page = form.children
    assert 'data-done="1"' in status.value and "Spruce 31" in page.value
    assert "<table>" in page.value and "data:image/png" in page.value
    piece.value = "Maple 12"
    buttons.children[0].click()
    assert 'data-done="2"' in status.value and "Maple 12" in page.value
    piece.value = "all pieces"
    buttons.children[0].click()
    assert "3 pieces" in page.value
    path.value = "/nowhere"
    buttons.children[0].click()
    assert "is no stock" in status.value
    assert stock.value.endswith("stock")


def written_down(hand, **changed):
    """Fill in the form, all well but for what is changed, and press."""
    said = {"Name": "Larch No. 3", "Wood": "larch", "Use": "top", "Length in mm": "550", "Width in mm": "200,5"}
    said |= {"Thickness in mm": "3,02 3.00; 3.01", "Mass in g": "140.8", "Temperature in °C": "21"}
    said |= {"Humidity in %": "48", "Day": "2024-05-01", "or a folder elsewhere": str(STOCK / "spruce_31")}
    for field, value in (said | changed).items():
        hand[field].value = value
    hand["Write it down"].click()
    return hand.said


@pytest.mark.usefixtures("blank_pictures")
def test_a_piece_is_written_down_and_measured_by_both_forms(tmp_path, monkeypatch):
    (tmp_path / "notebooks").mkdir()
    start_logbook(tmp_path / "logbook")
    (tmp_path / "sample_audio").symlink_to(STOCK.parent)
    monkeypatch.chdir(tmp_path / "notebooks")
    first, hand = Hand(forms.wood_form()), Hand(forms.piece_form())
    assert written_down(hand).startswith("Wrote down Larch No. 3")
    assert hand.picture and "Larch No. 3.toml" in hand["luthkit-page"].value
    file = tmp_path / "stock" / "Larch No. 3.toml"
    (piece,) = read_stock(tmp_path / "stock")
    day = piece.latest
    assert (piece.path, piece.name, piece.species_name, piece.use) == (file, "Larch No. 3", "larch", "top")
    assert (str(day.day), day.temperature_c, day.relative_humidity_percent) == ("2024-05-01", 21, 48)
    sizes = [day.inputs[name][0] for name in ("length", "width", "thickness", "mass")]
    assert sizes == pytest.approx([0.550, 0.2005, 0.00301, 0.1408])
    copied, sound = tmp_path / "stock" / day.taps / "end.flac", STOCK / "spruce_31" / "end.flac"
    assert copied.read_bytes() == sound.read_bytes()
    assert first["Stock"].value == "../stock" and first["Piece"].options == ("Larch No. 3", "all pieces")
    first["Measure"].click()
    assert first.done == 2 and "Larch No. 3" in first["luthkit-page"].value
    before = file.read_bytes()
    assert hand["Which piece"].value == "a new one"
    for again in ("Larch No. 3", "larch no. 3"):
        assert "written down in" in written_down(hand, Name=again, **{"Mass in g": "150"})
    assert file.read_bytes() == before and len(list(file.parent.iterdir())) == 2


def test_a_further_day_goes_to_the_end_of_the_file_and_nothing_is_lost(tmp_path, monkeypatch):
    stock = tmp_path / "stock"
    stock.mkdir()
    text = (STOCK / "spruce_31.toml").read_text(encoding="utf-8").replace("spruce_31", "kept") + "# my own word"
    (stock / "a.toml").write_bytes(("\ufeff" + text).replace("\n", "\r\n").encode())
    shutil.copytree(STOCK / "spruce_31", stock / "kept")
    before = {path: path.read_bytes() for path in stock.rglob("*.*")}
    monkeypatch.chdir(tmp_path)
    hand = Hand(forms.piece_form())
    hand["Which piece"].value = "Spruce 31"
    assert hand["Mass in g"].placeholder == "139.2 on 2024-03-11"
    day = {"Day": "2024-09-01", "Moisture in %": "8,5", "Force hammer": None}
    assert written_down(hand, Name="", **day).startswith("Wrote down Spruce 31")
    assert "On the shelf, 2023-04-14 to 2024-09-01" in hand["luthkit-page"].value
    (piece,) = read_stock(stock)
    assert len(piece.measurements) == 3
    third = piece.latest
    assert (str(third.day), third.taps, third.moisture_percent.value) == ("2024-09-01", "a 2024-09-01", 8.5)
    assert (stock / third.taps / "end.flac").read_bytes() == (STOCK / "spruce_31" / "end.flac").read_bytes()
    now = {path: path.read_bytes() for path in stock.rglob("*.*")}
    assert now[stock / "a.toml"].startswith(before.pop(stock / "a.toml")) and before.items() <= now.items()
    assert "measured on 2024-09-01 already" in written_down(hand, **day)
    assert {path: path.read_bytes() for path in stock.rglob("*.*")} == now


def test_a_file_that_takes_no_further_day_stays_as_it_is(tmp_path):
    sizes = "length_mm = 550, width_mm = 200, thickness_mm = 3, mass_g = 140"
    (tmp_path / "a.toml").write_text(f"measured = [{{ {sizes} }}]\n", encoding="utf-8")
    (piece,) = read_stock(tmp_path)
    later = {"date": date(2024, 5, 1), "length_mm": 550, "width_mm": 200, "thickness_mm": 3, "mass_g": 141}
    with pytest.raises(LuthkitError, match="under a line \\[\\[measured"):
        add_day(piece, later, sounds=STOCK / "spruce_31")
    assert len(list(tmp_path.iterdir())) == 1 and read_stock(tmp_path)[0].latest.mass_kg.value == 0.140


def test_taps_of_a_recorded_session_keep_their_places(tmp_path):
    """As notebook 0 leaves them: a folder for each spot; what was left out is no tap."""
    for folder, sound in (("bridge_centre_1", "corner"), ("rim_1", "end"), ("left_out", "side")):
        (tmp_path / "session" / folder).mkdir(parents=True)
        shutil.copy(STOCK / "spruce_31" / f"{sound}.flac", tmp_path / "session" / folder / "tap_01.flac")
    said = '[[recording]]\nfile = "left_out"\nkind = "left out"\n'
    (tmp_path / "session" / "session.toml").write_text(said, encoding="utf-8")
    sizes = {"length_mm": 550, "width_mm": 200, "thickness_mm": [3.0], "mass_g": 139.2}
    piece = add_piece(tmp_path / "stock", {"name": "A"}, sizes, sounds=tmp_path / "session")
    assert set(read_wood(piece).sources) == {"bridge_centre_1/tap_01.flac", "rim_1/tap_01.flac"}


def test_taps_that_lie_in_the_stock_are_offered_and_read_where_they_are(tmp_path, monkeypatch):
    """A recorded session, with what was left out in it, which is read neither here nor later."""
    taps = tmp_path / "stock" / "Larch 2024-05-01"
    shutil.copytree(STOCK / "spruce_31", taps)
    (taps / "left_out").mkdir()
    shutil.copy(taps / "end.flac", taps / "left_out" / "tap_01.flac")
    for name, where in (("a guitar", "bridge centre"), ("a plate", "corner")):
        (tmp_path / name).mkdir()
        shutil.copy(taps / "end.flac", tmp_path / name)
        (tmp_path / name / "session.toml").write_text(f'[[recording]]\nfile = "end.flac"\nposition = "{where}"\n')
    (taps / "session.toml").write_text('[[recording]]\nfile = "left_out"\nkind = "left out"\n', encoding="utf-8")
    start_logbook(tmp_path / "logbook")
    (tmp_path / "notebooks").mkdir()
    monkeypatch.chdir(tmp_path / "notebooks")
    hand = Hand(forms.piece_form())
    offered = [path for _, path in hand["Taps in"].options if path]
    assert [Path(path).resolve() for path in offered] == [taps, tmp_path / "a plate"]  # and no guitar
    hand["Taps in"].value = offered[0]
    assert written_down(hand, **{"or a folder elsewhere": ""}).startswith("Wrote down")
    (piece,) = read_stock(tmp_path / "stock")
    assert piece.latest.taps == taps.name and len(list((tmp_path / "stock").iterdir())) == 2
    assert set(read_wood(piece).sources) == {"corner.flac", "end.flac", "side.flac"}


@pytest.mark.parametrize(
    ("field", "value", "said"),
    [
        ("Name", " ", "has no name"),
        ("Mass in g", "", "Mass in g is empty; write a number from 0.1 to 50000"),
        ("Mass in g", "0.1392", "and 0.1392 g make 0.4"),
        ("Thickness in mm", "3.01 3 30,1 3 2.99 3", "As written here: a thickness of 30.1 mm lies far from the others"),
        ("Width in mm", "2000", "; write a number from 2 to 1500"),
        ("Length in mm", "550 551", "Length in mm is"),
        ("Thickness in mm", "3 mm", "or several with spaces"),
        ("Day", "1 May", "write a date such as 2024-03-09"),
        ("or a folder elsewhere", "/nowhere", "/nowhere does not exist"),
    ],
)
def test_what_is_missing_or_cannot_be_is_told_and_nothing_is_written(field, value, said, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert said in written_down(Hand(forms.piece_form()), **{field: value})
    assert not list(tmp_path.glob("stock/*"))


def test_all_that_is_wrong_is_told_at_once(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    wrong = {"Name": "", "Mass in g": "heavy", "Width in mm": "", "Day": "1 May", "or a folder elsewhere": "/nowhere"}
    hand = Hand(forms.piece_form())
    written_down(hand, **wrong)
    told = hand["luthkit-status"].value.split("<br>")
    assert len(told) == 5
    for line, word in zip(told, ("has no name", "Width in mm", "Mass in g", "Day is", "/nowhere"), strict=True):
        assert word in line


@pytest.mark.parametrize("name", ["session", "../../etc", "a..b: Ø", ".hidden"])
def test_any_name_makes_a_file_that_is_read_again(name, tmp_path):
    said = {"length_mm": 500, "width_mm": 200, "thickness_mm": [3.0], "mass_g": 130}
    piece = add_piece(tmp_path / "stock", {"name": name}, said, sounds=STOCK / "spruce_31")
    (found,) = read_stock(tmp_path / "stock")
    assert found.name == name and found.path == piece.path
    assert (tmp_path / "stock" / found.latest.taps / "end.flac").is_file()
