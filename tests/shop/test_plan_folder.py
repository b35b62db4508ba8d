"""A folder of plain text becomes a plan; what is wrong in it is said with the file and the word."""

import re
import shutil

import numpy as np
import pytest
from made_plan import SAMPLE, small_plan

from luthkit import LuthkitError
from luthkit.guitar.design import QUANTITIES
from luthkit.shop.plan_folder import is_plan_folder, key_of, make_plan, read_design, read_plan_folder
from luthkit.simulate import stock


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return small_plan(tmp_path_factory.mktemp("plan") / "small")


@pytest.fixture(scope="module")
def read(folder):
    return read_plan_folder(folder)


def test_the_sample_design_is_the_one_it_was_written_from():
    design, recipes = read_design(SAMPLE / "design.toml"), stock.design()
    for plate, recipe in zip((design.top, design.back), recipes, strict=True):
        assert plate.thickness_m == pytest.approx(recipe.thickness_m)
        assert plate.least_thickness_m == pytest.approx(recipe.least_thickness_m)
        assert plate.wood.stiffness.along_pa == pytest.approx(recipe.wood.stiffness.along_pa)
        assert [brace.name for brace in plate.braces] == [brace.name for brace in recipe.braces]
        for one, two in zip(plate.braces, recipe.braces, strict=True):
            assert one.end_m == pytest.approx(two.end_m, abs=1e-5) and one.height_m == pytest.approx(two.height_m)
        x = np.linspace(0, 0.48, 30)
        assert plate.outline.half_width_m(x) == pytest.approx(recipe.outline.half_width_m(x), abs=1e-6)
    assert design.top.bridge.extra_mass_kg == pytest.approx(recipes[0].bridge.extra_mass_kg)
    assert design.top.soundhole_m == pytest.approx(recipes[0].soundhole_m)
    assert design.volume_m3 == pytest.approx(stock.VOLUME_M3)


def test_what_was_built_is_no_longer_in_the_stock(read):
    assert [build.name for build in read.builds] == ["Number 1", "Number 2"]
    assert {s.name for s in read.tops} == {"Spruce 12", "Spruce 13"}
    assert {s.name for s in read.backs} == {"Rosewood 12", "Rosewood 13"}
    assert read.in_progress.name == "Number 9" and read.in_progress.top.name == "Spruce 21"
    assert read.left_out == () and read.target.name == "Rushlight"
    assert set(read.sources) == {"design.toml", "reference.toml", "builds.toml", "in_progress.toml", "wood.csv"}
    assert all(re.fullmatch("[0-9a-f]{64}", sha) for sha in read.sources.values())


def test_the_wood_is_that_of_the_pitches_written_down(read):
    for each in (*read.tops, *read.backs):
        assert min(each.uncertainty) > 0.003 and max(each.uncertainty) < 0.06
    top = read.tops[0].wood
    assert 7e9 < top.stiffness.along_pa < 16e9 and 330 < top.density_kg_m3 < 520


def test_a_plan_holds_all_its_parts(read):
    plan = make_plan(read, reach_steps=2.0)
    assert plan.ranking.target.reach_steps == 2.0
    assert {pair.top for pair in plan.ranking.pairs} == {"Spruce 12", "Spruce 13"}
    assert [step.plate for step in plan.thickness] == ["top", "top", "back", "back"]
    assert [each.stage.name for each in plan.progress] == ["before cutting", "braced plates", "closed box"]
    assert any("only 2 past builds" in note for note in plan.calibration.notes)


def test_a_piece_that_was_not_tapped_is_left_out_with_the_reason(folder, tmp_path):
    shutil.copytree(folder, tmp_path / "plan")
    wood = tmp_path / "plan" / "wood.csv"
    text = wood.read_text(encoding="utf-8")
    line = next(line for line in text.splitlines() if line.startswith("Spruce 13"))
    cells = line.split(",")
    cells[-2] = ""  # its pitches
    wood.write_text(text.replace(line, ",".join(cells)), encoding="utf-8")
    (name, why), *more = read_plan_folder(tmp_path / "plan").left_out
    assert name == "Spruce 13" and "along" in why and not more


def test_every_quantity_has_a_word_of_its_own():
    assert len({key_of(name) for name in QUANTITIES}) == len(QUANTITIES)


@pytest.mark.parametrize(
    ("file", "old", "new", "says"),
    [
        ("design.toml", "volume_litres", "volume_liters", "volume_litres is missing"),
        ("design.toml", "[outline]", "[shape]", r"has no \[outline\]"),
        ("design.toml", "bridge_mm = [145, 0]", "bridge_mm = 145", "bridge_mm is 145"),
        ("reference.toml", "main_top_hz", "top_hz", "'top_hz' is not known"),
        ("reference.toml", "air_hz = ", "air_hz = -", "above 0"),
        ("reference.toml", "air_hz = ", 'air_hz = "x', "not valid TOML"),
        ("builds.toml", "air_hz", "air", "'air' is not known"),
    ],
)
def test_a_slip_is_told_with_its_place(folder, tmp_path, file, old, new, says):
    for name in ("design.toml", "reference.toml", "builds.toml"):
        shutil.copy(folder / name, tmp_path / name)
    lines = (folder / "wood.csv").read_text(encoding="utf-8").splitlines()
    (tmp_path / "wood.csv").write_text("\n".join([lines[0], lines[1], lines[6]]), encoding="utf-8")
    text = (tmp_path / file).read_text(encoding="utf-8")
    assert old in text
    (tmp_path / file).write_text(text.replace(old, new, 1), encoding="utf-8")
    with pytest.raises(LuthkitError, match=says):
        read_plan_folder(tmp_path)


def test_a_folder_that_holds_no_plan(tmp_path):
    assert not is_plan_folder(tmp_path) and is_plan_folder(SAMPLE)
    with pytest.raises(LuthkitError, match=r"design\.toml is not there"):
        read_plan_folder(tmp_path)


def test_a_stock_that_lacks_a_top_or_a_back_is_told_of_in_the_makers_words(folder, tmp_path):
    """What is there, what is missing, and why a piece that is written down is not counted."""
    (tmp_path / "stock").mkdir()
    begin = re.escape(f"your stock {tmp_path / 'stock'} holds ")
    with pytest.raises(LuthkitError, match=begin + "no tops and no backs to choose from; write down a top and a back"):
        read_plan_folder(folder, stock=tmp_path / "stock")
    for name, use in (("Larch 1", "top"), ("Elm 1", "back")):
        words = f'name = "{name}"\nuse = "{use}"\n[[measured]]\nlength_mm = 550\nwidth_mm = 200\n'
        words += "thickness_mm = [3.0]\nmass_g = 140\n"
        if use == "top":
            words += "modes_hz = [50.0, 65.0, 110.0]\nrelative_humidity_percent = 50\n"
        (tmp_path / "stock" / f"{name}.toml").write_text(words, encoding="utf-8")
    with pytest.raises(
        LuthkitError, match=begin + r"1 top and no backs .*; write down a back in .*\(Elm 1 has no value"
    ):
        read_plan_folder(folder, stock=tmp_path / "stock")
    own = small_plan(tmp_path / "plan")
    lines = (own / "wood.csv").read_text(encoding="utf-8").splitlines()
    kept = [line for line in lines if line.split(",")[0] not in ("Rosewood 12", "Rosewood 13")]
    (own / "wood.csv").write_text("\n".join(kept), encoding="utf-8")
    with pytest.raises(
        LuthkitError, match=r"2 tops and no backs .* write down a back there .*Rosewood 01 is in a guitar"
    ):
        read_plan_folder(own)
