"""The notebooks: shipped clean, no code to read, and they run from top to bottom on the sample guitars."""

import ast
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from lab import CHROMIUM

from luthkit.show.forms.form import AT_WORK

HOME = Path(__file__).parent.parent
NOTEBOOKS = sorted((HOME / "notebooks").glob("[0-9]_*.ipynb"))


def ids(path):
    return path.stem


@pytest.fixture(scope="module")
def bench(tmp_path_factory):
    """A copy of the notebooks beside the sample guitars, so that nothing is written among the sources."""
    folder = tmp_path_factory.mktemp("bench")
    shutil.copytree(HOME / "notebooks", folder / "notebooks")
    (folder / "sample_audio").symlink_to(HOME / "sample_audio")
    return folder


def test_the_notebooks_are_numbered_in_the_order_of_the_work():
    assert [path.stem[0] for path in NOTEBOOKS] == [str(k) for k in range(len(NOTEBOOKS))]
    assert len(NOTEBOOKS) == 8


def test_shipped_without_outputs_and_with_the_code_hidden():
    import nbformat  # takes more than a second

    for path in NOTEBOOKS:
        notebook = nbformat.read(path, as_version=4)
        nbformat.validate(notebook)
        assert notebook.cells[0].cell_type == "markdown"
        assert "widgets" not in notebook.metadata
        for cell in notebook.cells:
            if cell.cell_type != "code":
                continue
            assert cell.outputs == [] and cell.execution_count is None, path
            assert cell.metadata.jupyter.source_hidden is True, path
            tree = ast.parse(cell.source)
            assert not [n for n in ast.walk(tree) if isinstance(n, (ast.FunctionDef, ast.ClassDef, ast.Lambda))], path
            assert len(tree.body) <= 2, "a cell is one or two lines"
            assert "luthkit.show.forms" in cell.source, path


@pytest.mark.skipif(os.path.exists(CHROMIUM), reason="test_workshop_in_a_browser.py runs them all")
@pytest.mark.parametrize("path", NOTEBOOKS, ids=ids)
def test_runs_from_top_to_bottom_on_the_sample_guitars(path, bench):
    import nbformat

    code = (
        "import sys, nbformat, nbclient; book = nbformat.read(sys.argv[1], 4);"
        "book.cells.append(nbformat.v4.new_code_cell(sys.argv[2]));"
        "nbclient.NotebookClient(book, timeout=400, kernel_name='python3').execute();"
        "nbformat.write(book, sys.argv[1])"
    )
    there = bench / "notebooks" / f"run_{path.name}"
    shutil.copy(path, there)
    wait = f"import threading\n[t.join() for t in threading.enumerate() if t.name == {AT_WORK!r}]\nNone"
    subprocess.run([sys.executable, "-c", code, there, wait], cwd=there.parent, check=True, capture_output=True)
    book = nbformat.read(there, as_version=4)
    states = book.metadata.widgets["application/vnd.jupyter.widget-state+json"]["state"].values()
    values = [state["state"].get("value") for state in states]
    texts = [value for value in values if isinstance(value, str)]
    assert any('data-done="1"' in text for text in texts), [text[:300] for text in texts]
    assert any("data:image/png;base64" in text and "<table>" in text for text in texts)
    for cell in book.cells:
        for output in cell.get("outputs", ()):
            assert output.output_type in ("execute_result", "display_data"), output
