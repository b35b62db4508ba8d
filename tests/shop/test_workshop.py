"""A workshop: laid out once, the maker's from then on."""

import json
import os
import shutil
import subprocess
from pathlib import Path, PureWindowsPath

import pytest

from luthkit.cli import main
from luthkit.errors import LuthkitError
from luthkit.shop.logbook import open_logbook
from luthkit.shop.safe import COMING
from luthkit.shop.workshop import START, lab_command, lay_out, link_to, results_folder, without_outputs

HOME = Path(__file__).resolve().parents[2]


@pytest.fixture
def source(tmp_path):
    """A small stand-in for luthkit's own folder."""
    there = tmp_path / "luthkit source"
    (there / "notebooks").mkdir(parents=True)
    (there / "sample_audio" / "old one").mkdir(parents=True)
    (there / "notebooks" / "1_read_modes.ipynb").write_text("{}")
    (there / "sample_audio" / "old one" / "a.wav").write_bytes(b"RIFF")
    (there / "sample_audio" / "ABOUT.md").write_text("synthetic")
    return there


def contents(folder):
    return {
        path.relative_to(folder).as_posix(): path.read_bytes() for path in sorted(folder.rglob("*")) if path.is_file()
    }


def test_everything_is_there(tmp_path, source):
    shop = tmp_path / "Werkstatt Grünspecht 2"
    added = lay_out(shop, source=source)
    assert {"notebooks/1_read_modes.ipynb", "sample_audio/old one", "sample_audio/ABOUT.md", START, "logbook"} <= set(
        added
    )
    assert (shop / "sample_audio/old one/a.wav").read_bytes() == b"RIFF"
    assert open_logbook(shop / "logbook").guitars() == ()
    text = (shop / START).read_text(encoding="utf-8")
    assert text.startswith("# What do I do now?") and "(notebooks/1_read_modes.ipynb)" in text and "synthetic" in text


def test_windows_takes_all_that_is_laid_out():
    """Names that it allows, and paths that stay short (260 characters, from memory)."""
    for part in ("notebooks", "sample_audio"):
        for path in (HOME / part).rglob("*"):
            inside = PureWindowsPath(path.relative_to(HOME))
            assert len(str(inside)) < 100 and not inside.is_reserved()
            assert set('<>:"|?*').isdisjoint(str(inside)) and inside.name[-1] not in ". "


def test_laid_out_again_nothing_of_the_makers_changes(tmp_path, source):
    shop = tmp_path / "shop"
    lay_out(shop, source=source)
    (shop / "notebooks/1_read_modes.ipynb").write_text("mine now")
    (shop / START).unlink()
    shutil.rmtree(shop / "sample_audio")
    (shop / "logbook" / "letter.txt").write_text("kept")
    before = contents(shop)
    (source / "notebooks/1_read_modes.ipynb").write_text("newer")
    assert lay_out(shop, source=source) == []
    assert contents(shop) == before
    (source / "notebooks/9_new.ipynb").write_text("{}")
    assert lay_out(shop, source=source) == ["notebooks/9_new.ipynb"]
    after = contents(shop)
    assert {key: after[key] for key in before if not key.endswith("laid_out.txt")} == {
        key: value for key, value in before.items() if not key.endswith("laid_out.txt")
    }


def test_a_spoilt_sample_is_put_back_when_its_folder_was_deleted(tmp_path, source):
    shop = tmp_path / "shop"
    lay_out(shop, source=source)
    (shop / "sample_audio/old one/names.toml").write_text("a slip")
    assert lay_out(shop, source=source) == []  # what is there is not touched
    shutil.rmtree(shop / "sample_audio/old one")
    assert lay_out(shop, source=source) == ["sample_audio/old one"]
    assert [path.name for path in (shop / "sample_audio/old one").iterdir()] == ["a.wav"]


def test_what_is_saved_goes_into_one_folder_of_the_workshop(tmp_path, source, monkeypatch):
    shop = tmp_path / "Werkstatt 1 & 2"
    lay_out(shop, source=source)
    assert results_folder(shop / "notebooks") == results_folder(shop) == shop / "results"
    (shop / "logbook" / ".luthkit").mkdir(exist_ok=True)  # a logbook keeps a folder of that name as well
    assert results_folder(shop / "logbook") == shop / "results"
    assert results_folder(tmp_path) == tmp_path / "results"
    assert link_to(shop / "results/a.html") == ""  # JupyterLab was not opened by us
    monkeypatch.setenv("LUTHKIT_WORKSHOP", lab_command(shop)[1]["LUTHKIT_WORKSHOP"])
    assert link_to(shop / "results/a b?.html") == "/files/results/a%20b%3F.html"
    assert link_to(tmp_path / "elsewhere.html") == ""


def test_a_notebook_is_saved_without_what_its_form_shows():
    cells = [
        {"cell_type": "markdown", "source": "my note"},
        {"cell_type": "code", "source": "form()", "outputs": [{"output_type": "stream"}], "execution_count": 3},
    ]
    model = {"type": "notebook", "content": {"nbformat": 4, "cells": cells}}
    without_outputs(model, path="x", contents_manager=None)
    assert cells[0]["source"] == "my note" and (cells[1]["outputs"], cells[1]["execution_count"]) == ([], None)
    for other in ({"type": "file", "content": "text"}, {"type": "notebook", "content": {"nbformat": 3}}):
        before = json.dumps(other)
        without_outputs(other)
        assert json.dumps(other) == before


def test_what_stood_there_before_is_left_alone(tmp_path, source):
    shop = tmp_path / "shop"
    (shop / "notebooks").mkdir(parents=True)
    (shop / "notebooks/1_read_modes.ipynb").write_text("an old friend")
    (shop / START).write_text("a note")
    lay_out(shop, source=source)
    assert (shop / "notebooks/1_read_modes.ipynb").read_text() == "an old friend"
    assert (shop / START).read_text() == "a note"


def test_cut_short_it_is_finished_the_next_time(tmp_path, source, monkeypatch):
    shop = tmp_path / "shop"
    real = os.rename

    def stop(old, new):
        if "old one" in str(new):
            raise KeyboardInterrupt
        return real(old, new)

    monkeypatch.setattr("luthkit.shop.safe.os.rename", stop)
    with pytest.raises(KeyboardInterrupt):
        lay_out(shop, source=source)
    assert not (shop / "sample_audio/old one").exists()
    monkeypatch.undo()
    lay_out(shop, source=source)
    assert (shop / "sample_audio/old one/a.wav").exists()
    assert not [path for path in shop.rglob("*") if path.name.startswith(COMING)]


def test_places_that_will_not_do(tmp_path, source):
    (tmp_path / "file").write_text("x")
    with pytest.raises(LuthkitError, match="is a file"):
        lay_out(tmp_path / "file", source=source)
    with pytest.raises(LuthkitError, match="own folder"):
        lay_out(source / "notebooks", source=source)
    with pytest.raises(LuthkitError, match="holds no folder notebooks"):
        lay_out(tmp_path / "shop", source=tmp_path)
    assert not (tmp_path / "shop").exists()


def test_the_command_lays_out_the_real_notebooks_and_samples(tmp_path, capsys):
    shop = tmp_path / "Übung macht"
    assert main(["start", str(shop), "--lay-out-only"]) == 0
    assert "were added" in capsys.readouterr().out
    real = sorted(path.name for path in (HOME / "notebooks").glob("[0-9]_*.ipynb"))
    assert sorted(path.name for path in (shop / "notebooks").iterdir()) == real
    for path in (HOME / "notebooks").glob("[0-9]_*.ipynb"):
        assert f"(notebooks/{path.name})" in (shop / START).read_text(encoding="utf-8")
    assert (shop / "sample_audio/build_seven/session.toml").exists()
    assert main(["start", str(shop), "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["added"] == []


def test_jupyterlab_opens_at_the_first_page(tmp_path, source, monkeypatch):
    shop = tmp_path / "a b"
    lay_out(shop, source=source)
    monkeypatch.setenv("JUPYTER_CONFIG_PATH", "/elsewhere")
    command, environment = lab_command(shop, browser=False)
    assert f"--ServerApp.root_dir={shop.resolve()}" in command and "--no-browser" in command
    assert f"--LabApp.default_url=/lab/tree/{START}" in command
    ours, theirs = environment["JUPYTER_CONFIG_PATH"].split(os.pathsep)
    assert theirs == "/elsewhere"
    # a folder called luthkit, as a clone is, where this is typed: not taken for the package
    (tmp_path / "luthkit").mkdir()
    run = [*command[: command.index("-m")], "-c", "import luthkit.shop.workshop as w; print(w.START)"]
    assert subprocess.check_output(run, cwd=tmp_path, env=environment, text=True).strip() == START
    settings = json.loads((Path(ours) / "labconfig/default_setting_overrides.json").read_text())
    assert settings["@jupyterlab/apputils-extension:notification"]["fetchNews"] == "false"
    server = json.loads((Path(ours) / "jupyter_server_config.json").read_text())
    assert server["ContentsManager"]["pre_save_hook"] == f"{without_outputs.__module__}.{without_outputs.__name__}"
