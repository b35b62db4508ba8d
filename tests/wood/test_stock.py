"""The stock as text: read as meant, refused with the place and the remedy, papers watched."""

import datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from luthkit import LuthkitError
from luthkit.wood.stock import check_sizes, read_stock

SPRUCE = """
name = "Spruce 31"
species = "Sitka spruce"
use = "top"
run_out_degrees = 4
[[measured]]
date = 2024-03-01
length_mm = 550
width_mm = 200
thickness_mm = [3.01, 3.00, 2.99]
thickness_mm_u = 0.01
mass_g = 138.6
relative_humidity_percent = 50
[[measured]]
date = 2022-03-01
length_mm = 551
width_mm = 200
thickness_mm = 3
mass_g = 140
moisture_percent = 11
modes_hz = [38, 52]
q_factors = [60, 120]
"""
ROSEWOOD = """
species = "Brazilian rosewood"
use = "back"
papers_file = "permit.pdf"
[[measured]]
length_mm = 540
width_mm = 205
thickness_mm = 2.6
mass_g = 260
"""


def written(folder, **texts):
    for name, text in texts.items():
        (folder / f"{name}.toml").write_text(text, encoding="utf-8")
    return folder


def test_pieces_are_read_as_meant(tmp_path):
    rosewood, spruce = read_stock(written(tmp_path, spruce=SPRUCE, rosewood=ROSEWOOD))
    assert (spruce.name, spruce.use, rosewood.name) == ("Spruce 31", "top", "rosewood")
    assert [m.day for m in spruce.measurements] == [datetime.date(2022, 3, 1), datetime.date(2024, 3, 1)]
    latest = spruce.latest
    assert latest.thickness_m.value == pytest.approx(3e-3)
    assert latest.thickness_m.u == pytest.approx((0.01e-3**2 / 3 + 0.01e-3**2) ** 0.5)
    assert not latest.notes
    assert latest.length_m.u == pytest.approx(0.5e-3)
    assert latest.moisture_percent.value == pytest.approx(9.271, abs=1e-3)
    assert latest.density.value == pytest.approx(420)
    assert not latest.is_strip
    assert spruce.measurements[0].heard == ((38.0, 60.0), (52.0, 120.0))
    assert spruce.measurements[0].moisture_percent.value == 11
    assert any("neither humidity nor moisture" in note for note in rosewood.latest.notes)


def test_a_protected_wood_without_papers_is_marked_and_the_law_decides(tmp_path):
    rosewood, spruce = read_stock(written(tmp_path, spruce=SPRUCE, rosewood=ROSEWOOD))
    assert rosewood.missing_papers and "law of your place" in rosewood.cautions()[0]
    assert "permit.pdf is not there" in rosewood.cautions()[0]
    assert any("Dust" in caution for caution in rosewood.cautions())
    assert not spruce.missing_papers and any("runs out" in caution for caution in spruce.cautions())
    (tmp_path / "permit.pdf").write_bytes(b"%PDF")
    assert not rosewood.missing_papers
    assert "keep its papers with it" in rosewood.cautions()[0]


def test_a_table_tells_the_same(tmp_path):
    (tmp_path / "stock.csv").write_text(
        "name,species,use,date,length_mm,width_mm,thickness_mm,mass_g,relative_humidity_percent,modes_hz\n"
        'Spruce 31,Sitka spruce,top,2024-03-01,550,200,3.01 3.00 2.99,138.6,50,"37.8 52.4"\n'
        "Spruce 31,,,2022-03-01,551,200,3,140,,\n"
        "Maple 2,sugar maple,back,2024-03-01,540,205,3,226,50,\n",
        encoding="utf-8",
    )
    maple, spruce = read_stock(tmp_path / "stock.csv")
    assert (maple.name, len(spruce.measurements)) == ("Maple 2", 2)
    assert spruce.species.name == "Sitka spruce"
    assert spruce.latest.thickness_m.value == pytest.approx(3e-3)
    assert [f for f, _ in spruce.latest.heard] == [37.8, 52.4]


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("mass_g = 138.6", "mass_kg = 0.1386", "mass_kg.*not known"),
        ("mass_g = 138.6\n", "", "has no mass_g"),
        ("length_mm = 550", "length_mm = 0.55", "length_mm is 0.55"),
        ('use = "top"', 'use = "lid"', "use is 'lid'"),
        ("date = 2024-03-01", 'date = "spring"', "such as 2024-03-09"),
        ("modes_hz = [38, 52]", "modes_hz = [38]", "same length"),
        ("[[measured]]", "[measured]", "TOML|double brackets"),
        ("moisture_percent = 11", 'taps = "../elsewhere"', "beside this file"),
        ("relative_humidity_percent = 50", "relative_humidity_percent = 100", "from 1 to 98"),
        ("mass_g = 138.6", "mass_g = 0.1386", "550 x 200 x 3 mm and 0.1386 g make 0.42 kg/m3.*in grams.*millimetres"),
        ("thickness_mm = 3\n", "thickness_mm = 0.3\n", "make 4230 kg/m3, but wood has 80 to 1500"),
        ("[3.01, 3.00, 2.99]", "[3.01, 30.1, 2.99]", "30.1 mm lies far from the others, .* 3.01 mm .is it 3.01"),
        ("[3.01, 3.00, 2.99]", "[]", "thickness_mm is empty"),
        ("thickness_mm_u = 0.01", 'thickness_mm_u = "fine"', "thickness_mm_u is 'fine'"),
    ],
)
def test_what_is_wrong_is_named(tmp_path, old, new, words):
    assert old in SPRUCE
    with pytest.raises(LuthkitError, match=words):
        read_stock(written(tmp_path, spruce=SPRUCE.replace(old, new)))


def test_other_things_are_refused(tmp_path):
    with pytest.raises(LuthkitError, match="no piece of wood"):
        read_stock(tmp_path)
    with pytest.raises(LuthkitError, match="is no stock"):
        read_stock(tmp_path / "nothing.csv")
    with pytest.raises(LuthkitError, match="two pieces"):
        read_stock(written(tmp_path, one=SPRUCE, two=SPRUCE))
    (tmp_path / "table.csv").write_text("name,mass_g\nA,heavy\n")
    with pytest.raises(LuthkitError, match="line 2: mass_g is 'heavy'"):
        read_stock(tmp_path / "table.csv")
    (tmp_path / "table.csv").write_text("name,mass_g\nA,1,2\n")
    with pytest.raises(LuthkitError, match="more cells"):
        read_stock(tmp_path / "table.csv")


@pytest.mark.parametrize(
    ("said", "u_mm"),
    [("3", 0.0539), ("[3, 3]", 0.0406), ("[3.1, 2.9]", 0.102), ("[3, 3, 3]", 0.02), ("3\nthickness_mm_u = 0.01", 0.01)],
)
def test_one_or_two_thicknesses_say_little_of_the_whole_plate(tmp_path, said, u_mm):
    """0.05 mm from place to place, a planning value without source, and 0.02 mm of the gauge: hypot, by hand."""
    (piece,) = read_stock(written(tmp_path, one=ROSEWOOD.replace("2.6", said)))
    assert 1e3 * piece.latest.thickness_m.u == pytest.approx(u_mm, rel=0.005)
    assert any("measure at six places" in note for note in piece.latest.notes) == (u_mm > 0.03)


def test_a_piece_never_measured_says_so(tmp_path):
    (piece,) = read_stock(written(tmp_path, one='species = "oak"'))
    with pytest.raises(LuthkitError, match="never measured"):
        _ = piece.latest
    assert piece.species is None and piece.cautions() == ()


@given(middle=st.floats(1.5, 20), strayed=st.floats(0.5, 1.6), density=st.floats(40, 1900))
def test_sizes_are_taken_exactly_where_wood_can_have_them(middle, strayed, density):
    """80 to 1500 kg/m3, and 30 % of the middle of the thicknesses: common practice, no source."""
    thick = [middle, middle * strayed, middle, middle]
    sizes = {"length_mm": 500, "width_mm": 200, "thickness_mm": thick}
    said = sizes | {"mass_g": density * 1e-6 * 500 * 200 * sum(thick) / 4}
    if 0.7 < strayed < 1.3 and 81 < density < 1490:
        check_sizes(said, "here")
    elif abs(strayed - 1) > 0.301 or not 79 < density < 1510:
        with pytest.raises(LuthkitError, match=r"here: .*(lies far|kg/m3)"):
            check_sizes(said, "here")


def test_a_slip_is_guessed_only_where_it_fits():
    sizes = {"length_mm": 550, "width_mm": 200, "thickness_mm": [3, 3, 3, 4], "mass_g": 140}
    with pytest.raises(LuthkitError, match=r"a thickness of 4 mm lies far") as told:
        check_sizes(sizes, "here")
    assert "is it" not in str(told.value)
