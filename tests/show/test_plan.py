"""Pictures, page, words and form of a plan, by what is drawn and said in them."""

import csv
import json
from dataclasses import replace

import numpy as np
import pytest
from hand import Hand
from made_plan import small_plan

from luthkit.cli import main
from luthkit.errors import LuthkitError
from luthkit.guitar.build_stages import CARE
from luthkit.guitar.choosing import NOT_REACHED, REACHED, UNCERTAIN
from luthkit.guitar.profile import make_profile
from luthkit.shop.logbook import start_logbook
from luthkit.shop.new_piece import add_piece
from luthkit.shop.plan_folder import make_plan, read_plan_folder
from luthkit.shop.profile_file import write_profile
from luthkit.show.forms import plan_form
from luthkit.show.forms.plan import copy_plan
from luthkit.show.meanings import PLUS_MINUS
from luthkit.show.page import page_html
from luthkit.show.plan import HEADINGS, ORDER, bench, lead, pair_rows, plan_data, plan_page, plan_text
from luthkit.show.plots.plan import percent, plot_progress, plot_ranking
from luthkit.show.words import with_error
from luthkit.signal.modes import Mode, ModeSet


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return small_plan(tmp_path_factory.mktemp("plans") / "small")


@pytest.fixture(scope="module")
def plan(folder):
    return make_plan(read_plan_folder(folder))


def test_the_ranking_shows_each_step_with_its_bar(plan):
    ax = plot_ranking(plan.ranking)
    assert len(ax.get_yticklabels()) == len(plan.ranking.pairs)
    names = list(plan.ranking.target.measured)
    assert len(ax.containers) == len(names) * len(plan.ranking.pairs)
    step, u = plan.ranking.pairs[0].steps[names[0]]
    line, _, (bars,) = ax.containers[0].lines
    assert line.get_xdata()[0] == pytest.approx(step)
    (start, end), *_ = bars.get_segments()
    assert end[0] - start[0] == pytest.approx(2 * 1.96 * u)
    assert "95 %" in ax.get_xlabel()
    legend = [text.get_text() for text in ax.get_legend().get_texts()]
    assert {"within reach", *names} == set(legend)


def test_the_stages_stand_side_by_side(plan):
    ax = plot_progress(plan.progress)
    assert [label.get_text().split("\n")[0] for label in ax.get_xticklabels()] == [
        "before cutting",
        "braced plates",
        "closed box",
    ]
    top = list(plan.progress[0].steps).index("main top")
    assert ax.containers[top].lines[0].get_ydata() == pytest.approx([p.steps["main top"][0] for p in plan.progress])


def test_the_page_tells_of_care_and_chance(plan):
    html = page_html(plan_page(plan))
    assert html.count("<table>") == 4 and html.count("data:image/png;base64") == 2
    for sentence in (*CARE, *lead(plan.ranking), *bench(plan)):
        assert sentence.replace("'", "&#x27;") in html
    assert "http" not in html.split("<body")[1].replace("http-equiv", "")
    assert "only 2 past builds" in html


def test_rows_carry_errors_and_text_the_same(plan):
    rows = pair_rows(plan.ranking)
    assert all(len(row) == len(HEADINGS) for row in rows)
    assert all("±" in cell for row in rows for cell in row[5:])
    target, (first, *pairs) = plan.ranking.target, rows
    assert first[:3] == ("", target.name, "reference") and len(pairs) == len(plan.ranking.pairs)
    mobility, u = target.measured["mobility"]
    assert first[6] == with_error(*target.measured["main top"]) and first[8] == with_error(1e3 * mobility, 1e3 * u)
    assert ORDER in plan_text(plan)
    lacking = replace(target, measured={"air": target.measured["air"]})
    assert pair_rows(replace(plan.ranking, target=lacking))[0][6:] == ("not given",) * 3
    text = plan_text(plan)
    assert all(row[1] in text for row in rows) and "closed box" in text


def test_what_to_take_is_said_first_and_where_nothing_reaches_that(plan):
    """Both pieces by name, the distance and the chance of the first pair."""
    ranking, (first, *_) = plan.ranking, plan.ranking.pairs
    numbers = f"{first.distance_steps:.1f} ({first.distance_low_steps:.1f} to {first.distance_high_steps:.1f})"
    pair = f"{first.top} for the top and {first.back} for the back"
    (reached,) = lead(replace(ranking, verdict=REACHED, tied=1))
    assert reached.startswith(f"Take {pair}. ")
    tied, more = lead(replace(ranking, verdict=REACHED, tied=3))
    assert f"{pair}, or another of the first {min(3, len(ranking.pairs))} pairs." in tied
    assert more.startswith("The first 3 pairs cannot be ranked")
    none, nearest, farthest = lead(replace(ranking, verdict=NOT_REACHED, tied=1))
    assert none.startswith("No set in the stock reaches") and nearest.startswith(f"The nearest: {pair}.")
    name, (step, _) = max(first.steps.items(), key=lambda item: abs(item[1][0]))
    assert f"the {name} lies farthest off" in farthest and ("above" if step > 0 else "below") in farthest
    unsure, *_ = lead(replace(ranking, verdict=UNCERTAIN))
    assert unsure.startswith("Cannot tell") and percent(max(each.chance for each in ranking.pairs)) in unsure
    for said in (reached, tied, nearest):
        assert numbers in said and percent(first.chance) in said


def test_the_guitar_on_the_bench_in_words(plan):
    now, change = bench(plan)
    last = plan.progress[-1]
    assert plan.folder.in_progress.top.name in now and last.stage.name in now and percent(last.chance) in now
    assert max(abs(step) for step, _ in last.steps.values()) == pytest.approx(
        float(now.split(" ±")[0].rsplit(" ", 1)[1]), abs=0.05
    )
    assert all(word in change for word in last.stage.can_change)
    assert bench(replace(plan, progress=())) == ()


def test_a_caution_on_thickness_stands_below_its_table(plan):
    """Only where there is one; no empty column."""
    step = replace(plan.thickness[0], caution="Mind the limit.")
    warned = replace(plan, thickness=(step, *(replace(each, caution="") for each in plan.thickness[1:])))
    for text in (plan_text(warned), page_html(plan_page(warned))):
        assert text.count("top −0.1 mm: Mind the limit.") == 1
    assert "Mind" not in plan_text(replace(plan, thickness=warned.thickness[1:]))


def test_json_holds_numbers_with_their_units(plan):
    data = json.loads(json.dumps(plan_data(plan)))
    pair = data["pairs"][0]
    assert 0 <= pair["chance"] <= 1 and pair["distance_low_steps"] <= pair["distance_steps"]
    assert pair["forecast"]["main_top_u_hz"] > 0 and pair["forecast"]["mobility_u_s_kg"] > 0
    assert np.isclose(sum(step["change_m"] for step in data["thickness"]), 0)
    assert data["verdict"] == plan.ranking.verdict


def test_the_command_prints_and_reports(folder, tmp_path, capsys):
    report = tmp_path / "plan.html"
    assert main(["plan", str(folder), "--json", "--reach", "2", "--report", str(report)]) == 0
    data = json.loads(capsys.readouterr().out)
    assert data["reach_steps"] == 2 and report.exists()
    assert main(["plan", str(folder), "--reach", "-1"]) == 2
    assert "--reach is -1" in capsys.readouterr().err
    assert main(["plan", str(tmp_path)]) == 1
    assert "design.toml is not there" in capsys.readouterr().err


def test_the_form_finds_the_plan_and_shows_it(folder, monkeypatch):
    monkeypatch.chdir(folder.parent)
    form = plan_form(start=folder.parent)
    texts = [child.value for child in form.children if hasattr(child, "value") and isinstance(child.value, str)]
    assert any('data-done="1"' in text for text in texts), texts
    assert any("<table>" in text and "data:image/png" in text for text in texts)


def test_the_form_offers_guitars_and_profiles_as_reference(folder, tmp_path, monkeypatch):
    small_plan(tmp_path / "plans" / "small")
    mode = Mode(100.0, 0.2, 0.015, 0.001, 0.0, 1.0)
    modes = tuple(replace(mode, frequency_hz=f, frequency_u_hz=0.002 * f) for f in (100.0, 185.0, 235.0))
    old = ModeSet(modes, 8, (), 2, {}, {"conditions": {"body_kind": "classical"}}, "x", name="Old")
    write_profile(make_profile("Old ones", [old]), tmp_path / "plans")
    monkeypatch.chdir(tmp_path / "plans")
    hand = Hand(plan_form(start=tmp_path / "plans"))
    assert hand["Reference"].value == "" and hand.done == 1
    hand["Reference"].value = next(path for _, path in hand["Reference"].options if path and path.endswith(".toml"))
    hand["Choose the wood"].click()
    said = hand["luthkit-page"].value
    assert hand.done == 2 and "not given" in said and "reaches Old ones within" in said


def test_the_form_says_when_there_is_no_plan(tmp_path, monkeypatch):
    (tmp_path / "inner").mkdir()
    monkeypatch.chdir(tmp_path / "inner")
    form = plan_form(start=tmp_path / "inner")
    texts = [child.value for child in form.children if isinstance(getattr(child, "value", None), str)]
    assert any("Choose, then press" in text for text in texts)


def test_a_copy_is_told_of_though_the_stock_holds_nothing_yet(tmp_path, monkeypatch):
    """And once the plan can be shown, what to do with it."""
    small_plan(tmp_path / "sample_audio" / "plan")
    (tmp_path / "notebooks").mkdir()
    start_logbook(tmp_path / "logbook")
    (tmp_path / "stock").mkdir()
    monkeypatch.chdir(tmp_path / "notebooks")
    hand = Hand(plan_form())
    hand["Tops and backs"].value = str(tmp_path / "stock")
    hand["Choose the wood"].click()
    assert hand.said.startswith("Your stock") and "holds no tops and no backs" in hand.said
    hand["Plan"].value = "copy"
    hand["Choose the wood"].click()
    assert hand.said.startswith(f"The sample plan is copied and now yours, in {tmp_path / 'plan'}. Your stock")
    assert (tmp_path / "plan" / "design.toml").is_file() and hand["Plan"].value == "../plan"
    hand["Tops and backs"].value = ""
    hand["Choose the wood"].click()
    assert "delete builds.toml" in hand["luthkit-page"].value
    hand["Choose the wood"].click()
    assert hand.done == 3 and "delete builds.toml" not in hand["luthkit-page"].value


def test_the_sign_and_the_brackets_mean_the_same_as_everywhere(plan):
    assert PLUS_MINUS in plan_text(plan) and PLUS_MINUS in plan_page(plan).body
    assert "68 %" not in plan_page(plan).body and "in brackets 95 %" in plan_page(plan).body


def test_the_sample_is_copied_once_and_the_makers_stock_is_chosen_from(tmp_path, monkeypatch):
    sample = small_plan(tmp_path / "sample_audio" / "plan")
    (tmp_path / "notebooks").mkdir()
    start_logbook(tmp_path / "logbook")
    (tmp_path / "stock").mkdir()
    with open(sample / "wood.csv", encoding="utf-8") as file:
        rows = [row for row in csv.DictReader(file) if row["use"] in ("top", "back")]
    lists = ("thickness_mm", "modes_hz")
    for use in ("top", "back"):
        row = next(row for row in reversed(rows) if row["use"] == use)
        numbers = {key: [float(word) for word in row[key].split()] for key in lists}
        numbers |= {key: float(row[key]) for key in ("length_mm", "width_mm", "mass_g", "relative_humidity_percent")}
        add_piece(tmp_path / "stock", {"name": f"My {use}", "use": use}, numbers)
    monkeypatch.chdir(tmp_path / "notebooks")
    hand = Hand(plan_form())
    assert hand.done == 1 and "My top" not in hand["luthkit-page"].value
    hand["Plan"].value = "copy"
    hand["Tops and backs"].value = str(tmp_path / "stock")
    hand["Choose the wood"].click()
    said = hand["luthkit-page"].value
    assert hand.done == 2 and "My top" in said and "delete builds.toml" in said
    assert hand["Plan"].value == "../plan" and "copy" not in [path for _, path in hand["Plan"].options]
    for file in sample.iterdir():
        assert (tmp_path / "plan" / file.name).read_bytes() == file.read_bytes()
    plan = read_plan_folder(tmp_path / "plan", stock=tmp_path / "stock")
    assert [one.name for one in (*plan.tops, *plan.backs)] == ["My top", "My back"] and plan.builds
    with pytest.raises(LuthkitError, match="is there already"):
        copy_plan(sample, tmp_path / "plan")
