"""A workshop folder: where the maker's logbook, notebooks and the sample guitars lie together.

    my workshop/
      START_HERE.md      what to do first, and which notebook is for what
      notebooks/         copies of the notebooks; the maker's own from then on
      sample_audio/      invented guitars to play with, synthetic sound; may be deleted
      logbook/           the maker's guitars
      results/           what the notebooks save
      .luthkit/          what was laid out, and what was chosen last in each form

Laid out again, only what is new in luthkit is added: nothing that stands there is changed, and what the maker
deleted does not come back, but for samples: as long as their folder stands, what is missing in it is put back as it
was. JupyterLab takes its settings from the folder `lab` beside this module: among them, that single keys do not
act on cells, so that arrows and letters reach the fields of a form.
"""

from __future__ import annotations

import os
import shutil
import sys
from collections.abc import Callable
from functools import partial
from pathlib import Path
from urllib.parse import quote

from ..errors import LuthkitError
from .logbook import start_logbook
from .safe import file_aside, folder_aside, settle, write_whole

START = "START_HERE.md"
NOTEBOOKS, SAMPLES, LOGBOOK, RESULTS = "notebooks", "sample_audio", "logbook", "results"
_INNER = ".luthkit"
_LAID = f"{_INNER}/laid_out.txt"
_SERVED = "LUTHKIT_WORKSHOP"  # in the environment of JupyterLab: the folder it was opened in
_START_TEXT = """# What do I do now?

Click on a notebook below. It opens with a few words; press **Open the form** in the row of buttons above them
(or *Run → Run All Cells* in the menu), and a form appears, filled with sample guitars. Those are invented, and their
sound is synthetic, made by a computer: try everything on them. If one is not as it was any more, delete its folder in
*sample_audio* and begin again with `luthkit start`: it is put back. To make room, the list of files at the left folds
away when a form opens; the sign of a folder in the left margin brings it back.

| I want to … | open |
|---|---|
{rows}

**First time?** Open notebook 2: it compares a new guitar with two references and shows all that is known about the
difference. Then record your own guitar with notebook 0.

Your guitars are kept in the folder *logbook*: plain sound files and plain text, which open without luthkit too. Copy
that folder to another disk now and then. What you save in a notebook goes into the folder *results*. The folder
*sample_audio* may be deleted as a whole when you no longer need it.
Nothing leaves this computer.
"""
JOBS = {  # the number of a notebook: the maker's wish
    "0": "record taps, strums and plucks",
    "1": "read the modes of one guitar",
    "2": "compare a build with its references",
    "3": "know which mode is which, and what a change would do",
    "4": "hear and measure strums and plucks",
    "5": "follow a guitar over months and years",
    "6": "measure a piece of wood",
    "7": "choose wood for the next guitar",
}


def lay_out(folder, *, source=None) -> list[str]:
    """Make `folder` a workshop and give back what was added, as paths inside it; nothing when all is there.

    `source` is the folder that holds the notebooks and the sample guitars of luthkit (default: the one luthkit was
    installed from). Raises `LuthkitError` when that is not there, or when `folder` is a file, is that very
    source, or cannot be written to.
    """
    folder, source = Path(folder).expanduser(), _source(source)
    if folder.exists() and not folder.is_dir():
        raise LuthkitError(f"{folder} is a file; name a folder for the workshop, a new one or one that is there")
    if folder.resolve().is_relative_to(source.resolve()):
        raise LuthkitError(f"{folder} lies in luthkit's own folder; name a folder of your own for the workshop")
    try:
        folder.mkdir(parents=True, exist_ok=True)
        laid, offered, added = _laid(folder), _offered(source), []
        for name, make in offered.items():
            put_back = name.startswith(f"{SAMPLES}/") and (folder / SAMPLES).is_dir()
            if (name in laid and not put_back) or (folder / name).exists():
                continue
            (folder / name).parent.mkdir(exist_ok=True)
            make(folder / name)
            added.append(name)
        if not offered.keys() <= laid:
            (folder / _INNER).mkdir(exist_ok=True)
            write_whole(folder / _LAID, "".join(f"{name}\n" for name in sorted(laid | offered.keys())))
    except OSError as error:
        why = (error.strerror or type(error).__name__).lower()
        raise LuthkitError(f"the workshop cannot be laid out in {folder} ({why}); name another folder") from error
    return added


def lab_command(folder, *, browser: bool = True) -> tuple[list[str], dict[str, str]]:
    """The command that opens JupyterLab in a workshop, and the environment it wants."""
    folder = Path(folder).expanduser().resolve()
    # -P: a folder called luthkit where the maker types, as a clone is, is not taken for the package
    command = [sys.executable, "-P", "-m", "jupyterlab", f"--ServerApp.root_dir={folder}"]
    command += [f"--LabApp.default_url=/lab/tree/{START}"] if (folder / START).exists() else []
    command += [] if browser else ["--no-browser"]
    settings = [str(Path(__file__).with_name("lab")), os.environ.get("JUPYTER_CONFIG_PATH")]
    return command, {
        **os.environ,
        "JUPYTER_CONFIG_PATH": os.pathsep.join(part for part in settings if part),
        _SERVED: str(folder),
    }


def without_outputs(model, **_) -> None:
    """For JupyterLab: a notebook is saved as it was shipped, with the maker's notes, without what the forms show.

    What they show is no lasting thing; opened again it would be a dead picture of a form.
    """
    if model["type"] != "notebook" or model["content"]["nbformat"] != 4:
        return
    for cell in model["content"]["cells"]:
        if cell["cell_type"] == "code":
            cell["outputs"], cell["execution_count"] = [], None


def results_folder(here=None) -> Path:
    """Where what is shown in `here` (default: the current folder) is saved: the folder `results` of the workshop
    around it; where there is none, in `here` itself. It need not be there yet."""
    return _home(here) / RESULTS


def choices_file(here=None) -> Path:
    """Where the forms shown in `here` remember what was chosen; its folder may have to be made."""
    return _home(here) / _INNER / "choices.json"


def _home(here) -> Path:
    here = Path(here or Path.cwd()).resolve()
    return next((folder for folder in (here, *here.parents) if (folder / _LAID).is_file()), here)


def link_to(path) -> str:
    """The address at which JupyterLab shows a file of the workshop it was opened in; "" where it cannot."""
    home = os.environ.get(_SERVED)
    path = Path(path).resolve()
    if not home or not path.is_relative_to(home):
        return ""
    return f"/files/{quote(path.relative_to(home).as_posix())}"


def _source(source) -> Path:
    source = Path(source) if source is not None else Path(__file__).resolve().parents[2]
    for part in (NOTEBOOKS, SAMPLES):
        if not (source / part).is_dir():
            raise LuthkitError(
                f"{source} holds no folder {part}; install luthkit from its own folder with pip install -e, as its "
                "README says"
            )
    return source


def _laid(folder: Path) -> set[str]:
    """What was laid out here before."""
    try:
        return set((folder / _LAID).read_text(encoding="utf-8").splitlines())
    except FileNotFoundError:
        return set()


def _offered(source: Path) -> dict[str, Callable[[Path], object]]:
    """What luthkit has to lay out, by its path inside the workshop, and how that is made there."""
    items = [*sorted((source / NOTEBOOKS).glob("[0-9]_*.ipynb")), *sorted((source / SAMPLES).iterdir())]
    copies = {item.relative_to(source).as_posix(): partial(_copy, item) for item in items if item.name[0] != "."}
    return {**copies, START: lambda page: write_whole(page, _start_text(page.parent)), LOGBOOK: start_logbook}


def _copy(item: Path, target: Path) -> None:
    if item.is_dir():
        with folder_aside(target.parent) as aside:
            shutil.copytree(item, aside, dirs_exist_ok=True)
            settle(aside, target)
    else:
        with file_aside(target) as aside:
            shutil.copyfile(item, aside)


def _start_text(folder: Path) -> str:
    rows = []
    for path in sorted((folder / NOTEBOOKS).glob("[0-9]_*.ipynb")):
        wish = JOBS.get(path.stem[0], path.stem[2:].replace("_", " "))
        rows.append(f"| {wish} | [{path.stem.replace('_', ' ')}]({NOTEBOOKS}/{path.name}) |")
    return _START_TEXT.format(rows="\n".join(rows))
