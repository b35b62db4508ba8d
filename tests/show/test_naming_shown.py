"""Names in words, in pictures, as data and in the form: what the maker sees."""

import json
import re
from dataclasses import replace

import numpy as np
import pytest
from benchmarks.naming import BRIDGE, made_reading
from made_session import write_session

from luthkit import simulate
from luthkit.cli import main
from luthkit.guitar.evidence import Reading
from luthkit.guitar.naming import CANNOT_TELL, name_modes, overrule
from luthkit.guitar.next_test import MASS_CARE
from luthkit.show.data import to_json
from luthkit.show.forms import naming_form
from luthkit.show.names import name_rows, name_text, naming_data, naming_page, naming_summary, naming_text, percent
from luthkit.show.plots.naming import outline, panels, plot_evidence, plot_outlines
from luthkit.show.words import mode_rows


@pytest.fixture(scope="module")
def naming():
    rng = np.random.default_rng(4)
    guitar = simulate.random_guitar(rng)
    usual = made_reading(rng, guitar.body(), BRIDGE)
    return name_modes(
        usual, [Reading("soundhole plugged", made_reading(rng, guitar.body("soundhole plugged"), BRIDGE))]
    )


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    folder = tmp_path_factory.mktemp("bench") / "sample_audio" / "wren"
    write_session(folder, plugged=False, knock=False)
    return folder


def test_a_row_says_name_and_how_sure(naming):
    for row, named in zip(name_rows(naming), naming.modes, strict=True):
        assert row[3].startswith(named.name)
        assert row[4].removeprefix("none of the names fits: ") == percent(named.probability)
        assert row[4].startswith("none") == (named.name == "no name")
        if named.name == CANNOT_TELL:
            assert named.likeliest in row[3]
    assert percent(1.0) == "over 99 %" and percent(0.704) == "70 %"


@pytest.mark.usefixtures("blank_pictures")
def test_a_mode_without_a_name_does_not_gainsay_itself(naming):
    """Not "no name, sure 94 %": what is sure is that no name fits. The maker's own "no name" has no figure."""
    first = naming.modes[0]
    modes = (replace(first, name="no name", probability=0.94), *naming.modes[1:])
    assert name_rows(replace(naming, modes=modes))[0][3:5] == ("no name", "none of the names fits: 94 %")
    mine = overrule(naming, first.mode.frequency_hz, "no name", "a loose lamp")
    assert name_rows(mine)[0][3:] == ("no name", "", "so named by the maker: a loose lamp")
    doubtful = replace(first, name=CANNOT_TELL, posterior={"no name": 0.6, "air": 0.4})
    assert name_text(doubtful) == "cannot tell: no name 60 %, air 40 %"
    for name in ("no name", CANNOT_TELL, "air"):  # as the table of modes calls them
        called = replace(naming, modes=tuple(replace(one, name=name) for one in naming.modes))
        rows = mode_rows(naming.modeset, called)
        assert {row[1] for row, one in zip(rows, naming.modes, strict=True) if one.mode.kind == "body"} == {name}
    for shown in (naming_text(naming), naming_page(naming).body):
        assert "unnamed" not in shown.lower()


@pytest.mark.usefixtures("blank_pictures")
def test_the_makers_own_name_is_shown_as_such(naming):
    mine = overrule(naming, naming.modes[0].mode.frequency_hz, "whole-body bending", "hung by the neck <b>")
    row = name_rows(mine)[0]
    assert row[3:] == ("whole-body bending", "", "so named by the maker: hung by the neck <b>")
    assert "hung by the neck &lt;b&gt;" in naming_page(mine).body


def test_the_terminal_the_page_and_the_data_say_the_same(naming):
    text, page, data = naming_text(naming), naming_page(naming), json.loads(to_json(naming_data(naming)))
    assert page.body.count("<img") == 2 and "<table>" in page.body
    for named, told in zip(naming.modes, data["modes"], strict=True):
        assert told["name"] == named.name and sum(told["posterior"].values()) == pytest.approx(1)
        assert name_text(named) in text and name_text(named) in page.body
    assert naming_summary(naming)[0] in text
    if naming.next_tests:
        assert naming.next_tests[0].care in text


@pytest.mark.usefixtures("blank_pictures")
def test_a_mass_is_never_proposed_without_its_caution(naming):
    tests = [test for test in naming_data(naming)["next_tests"] if "mass" in test["what"]]
    assert all(test["care"] == MASS_CARE for test in tests)
    body = naming_page(naming).body
    assert ("known mass" in body) == ("old finish" in body)


def test_the_evidence_is_drawn_as_it_weighs(naming):
    ax = plot_evidence(naming)
    shown = [named for named in naming.modes if named.mode.frequency_hz < 600]
    written = [text.get_text().replace("−", "-") for text in ax.texts]
    expected = [round(named.weights[kind]) for named in shown for kind in naming.evidence]
    assert [int(text) for text in written] == expected
    labels = [label.get_text() for label in ax.get_yticklabels()]
    assert len(labels) == len(shown) and all(
        f"{n.mode.frequency_hz:.0f} Hz" in t for n, t in zip(shown, labels, strict=True)
    )


def test_circles_show_what_was_measured_and_which_way_it_moves(naming):
    axes = plot_outlines(naming)
    chosen = panels(naming)
    dipole = next(k for k, named in enumerate(chosen) if named.name == "cross dipole")
    circles = [c for c in axes[dipole].collections if len(c.get_offsets()) == 1 and c.get_sizes()[0] > 19]
    at = {
        place: [c for c in circles if tuple(c.get_offsets()[0]) == place] for place in ((-0.07, 0.175), (0.07, 0.175))
    }
    opened = [bool((on[0].get_facecolors()[0][:3] == 1).all()) for on in at.values()]
    assert sorted(opened) == [False, True]
    assert [len(on) for on in at.values()] == [2 if is_open else 1 for is_open in opened]  # the open one is crossed
    assert "cross dipole" in axes[dipole].get_title()


def test_the_outline_is_a_closed_body_with_a_waist():
    half, up = outline()
    assert half[0] == half[-1] == 0 and np.all(half >= 0) and np.all(np.diff(up) > 0)
    turns = np.sign(np.diff(half))
    assert np.sum(np.diff(turns[turns != 0]) != 0) == 3  # out, in to the waist, out again, in


def said(form):
    parts, todo = {}, [form]
    while todo:
        part = todo.pop()
        todo += getattr(part, "children", ())
        parts[getattr(part, "description", "") or next(iter(part._dom_classes), "")] = part
    return parts


@pytest.mark.usefixtures("blank_pictures")
def test_the_form_names_a_guitar_and_logs_the_makers_word_once(folder, monkeypatch):
    monkeypatch.chdir(folder.parent)
    parts = said(naming_form(start=folder.parent.parent))
    status = lambda: re.sub(r"<[^>]*>", "", parts["luthkit-status"].value)  # noqa: E731
    assert 'data-done="1"' in parts["luthkit-status"].value and parts["luthkit-page"].value.count("<img") == 2
    parts["The mode at"].value = "two hundred"
    parts["Name the modes"].click()
    assert "no frequency" in status() and "Because is empty" in status()
    assert not (folder / "names.toml").exists()
    first = re.search(r"<td>1</td><td[^>]*>([\d.]+)", parts["luthkit-page"].value or "")
    assert first is None  # an error leaves no page
    parts["The mode at"].value, parts["because"].value = "", ""
    parts["Name the modes"].click()
    hertz = re.search(r"<td>1</td><td[^>]*>([\d.]+)", parts["luthkit-page"].value)[1]
    parts["The mode at"].value, parts["is in truth the"].value = f"{hertz} Hz", "main top"
    parts["because"].value = "I know it"
    parts["Name the modes"].click()
    assert "so named by the maker: I know it" in parts["luthkit-page"].value
    again = said(naming_form(start=folder.parent.parent))
    assert again["The mode at"].value == "" and again["because"].value == ""
    assert (folder / "names.toml").read_text(encoding="utf-8").count("[[mode]]") == 1
    parts["The mode at"].value, parts["is in truth the"].value = hertz, "taken back"
    parts["Name the modes"].click()
    assert "so named by the maker" not in parts["luthkit-page"].value and parts["The mode at"].value == ""
    parts["The mode at"].value = hertz
    parts["Name the modes"].click()
    assert "No name of your own is to be taken back" in status()
    (folder / "names.toml").unlink()


def test_the_command(folder, tmp_path, capsys):
    report = tmp_path / "wren.html"
    assert main(["name", str(folder), "--json", "--report", str(report)]) == 0
    told = json.loads(capsys.readouterr().out)
    assert "air" in [mode["name"] for mode in told["modes"]] and told["report"] == str(report)
    assert "Which mode is which" in report.read_text(encoding="utf-8")
    hertz = f"{told['modes'][0]['frequency_hz']:.1f}"
    assert main(["name", str(folder), "--call", hertz, "no name", "--because", "a loose lamp"]) == 0
    assert "a loose lamp" in capsys.readouterr().out and (folder / "names.toml").exists()
    assert main(["name", str(folder), "--take-back", hertz]) == 0
    assert "a loose lamp" not in capsys.readouterr().out
    (folder / "names.toml").unlink()
    for wrong in (["--call", "196", "air"], ["--body-kind", "round"], ["--call", "x", "air", "--because", "y"]):
        assert main(["name", str(folder), *wrong]) == 2
        assert capsys.readouterr().err.count("\n") == 1
    assert not (folder / "names.toml").exists()
