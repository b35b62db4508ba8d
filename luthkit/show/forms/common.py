"""What the forms share: fields, folders to pick, and a reader that remembers. No code to read or to change.

Every error is one sentence in the form. A form starts with the sample guitars and reads them at once, so that
a notebook runs from top to bottom without a hand.
"""

from __future__ import annotations

import os
import re
from contextlib import suppress
from pathlib import Path

import ipywidgets as widgets

from ...errors import LuthkitError
from ...shop.logbook import MARK, PROFILES, open_logbook
from ...shop.profile_file import is_profile
from ...shop.reading import read_instruments
from ...signal.recording import SUFFIXES
from .form import Form, row

__all__ = [
    "LAYOUT",
    "WIDE",
    "Form",
    "Reader",
    "WrongEntry",
    "chosen",
    "each_of",
    "find_guitars",
    "find_profiles",
    "folded",
    "folder_list",
    "folders_near",
    "label",
    "leave_out",
    "list_field",
    "mark_list",
    "marked",
    "path_field",
    "row",
    "study_box",
    "text_field",
]

WIDE = {"description_width": "11rem"}
LAYOUT = {"width": "44rem", "max_width": "98%"}


def find_guitars(start=None) -> list[str]:
    """Folders that hold recordings, in and beside the folder `start`: the samples, the last session of each guitar
    in a logbook there, then other folders."""
    start = Path(start) if start is not None else Path.cwd()
    logged = [os.path.relpath(path, Path.cwd()) for path in _logged(start)]
    beside = ("sample_audio", start.parent.name)
    found = folders_near(start, lambda folder: folder.name not in beside and _holds_sounds(folder))
    samples = [path for path in found if Path(path).parent.name == "sample_audio"]
    return list(dict.fromkeys([*samples, *logged, *found]))


def folders_near(start, fits) -> list[str]:
    """Folders that `fits` says yes to, in and beside the folder `start` (None: the current one): the samples first."""
    start = Path(start) if start is not None else Path.cwd()
    found: dict[str, None] = {}
    for root in (start / "sample_audio", start.parent / "sample_audio", start, start.parent):
        with suppress(OSError):
            inside = sorted(path for path in root.iterdir() if path.is_dir() and path.name[0] not in "._")
            found |= {os.path.relpath(folder, Path.cwd()): None for folder in (root, *inside) if fits(folder)}
    return list(found)


def find_profiles(start=None) -> list[str]:
    """Reference profiles in the folder `start` and in a logbook at, in or beside it."""
    start = Path(start) if start is not None else Path.cwd()
    homes = (start, *(place / PROFILES for place in (start, start / "logbook", start.parent / "logbook")))
    found = {os.path.relpath(path, Path.cwd()): None for home in homes for path in sorted(home.glob("*.toml"))}
    return [path for path in found if is_profile(path) and _says_profile(path)]


def _says_profile(path: str) -> bool:
    with suppress(OSError, UnicodeDecodeError):
        return re.search(r"^profile *=", Path(path).read_text(encoding="utf-8-sig"), re.MULTILINE) is not None
    return False


def _logged(start: Path) -> list[Path]:
    """The last session of each guitar in a logbook at, in or beside `start`."""
    for place in (start, start / "logbook", start.parent / "logbook"):
        if (place / MARK).is_file():
            try:
                logbook = open_logbook(place)
                sessions = [logbook.sessions(guitar.name) for guitar in logbook.guitars()]
            except LuthkitError:
                continue
            return [each[-1].path for each in sessions if each]
    return []


def _holds_sounds(folder: Path) -> bool:
    """Whether there is a sound file in the folder, or a session.toml with sounds one level down."""
    try:
        if any(path.suffix.lower() in SUFFIXES for path in folder.iterdir()):
            return True
        return (folder / "session.toml").is_file()
    except OSError:
        return False


def label(path: str) -> str:
    """The folder's own name and where it lies."""
    folder = Path(path)
    if folder.suffix == ".toml":
        return f"{folder.stem}   (profile)"
    if (folder.parent.parent / MARK).is_file():
        return f"{folder.parent.name}, {folder.name}   (logbook)"
    return f"{folder.name}   ({Path(os.path.abspath(folder)).parent.name})"


def folder_list(words, guitars, value=None):
    """A list of folders to pick one from."""
    options = [(label(path), path) for path in guitars] or [("no folder with recordings found here", None)]
    return list_field(words, options, value=value or options[0][1])


def path_field(words):
    """A field for the path of a folder that is not in the list; with "and" besides what is marked there."""
    alone = not words.startswith("and ")
    return text_field(words, f"path of a folder; leave empty {'to use the list' if alone else 'if it is in the list'}")


def text_field(words, hint="", *, kind=widgets.Text, **more):
    """A field to type in, with a hint while it is empty; or another `kind` of field that is typed in."""
    hint = {"placeholder": hint} if hint else {}
    return kind(description=words, style=WIDE, layout=LAYOUT, **hint, **more)


def list_field(words, options, **more):
    """A list to choose one from."""
    return widgets.Dropdown(description=words, options=list(options), style=WIDE, layout=LAYOUT, **more)


def folded(words, fields) -> widgets.VBox:
    """Fields that show when a button is pressed, and hide when it is pressed again."""
    inside = widgets.VBox(list(fields), layout={"display": "none"})
    fold = widgets.ToggleButton(description=words, layout={"width": "18rem", "margin": "2px 2px 2px 11.5rem"})
    fold.observe(lambda change: setattr(inside.layout, "display", "" if change["new"] else "none"), "value")
    return widgets.VBox([fold, inside])


def mark_list(words, paths, value=()):
    """A list of folders and profiles to mark none, one or several of."""
    options, rows = [(label(path), path) for path in paths], max(2, min(6, len(paths)))
    return widgets.SelectMultiple(
        description=words, options=options, value=list(value), rows=rows, style=WIDE, layout=LAYOUT
    )


def leave_out(picked, marks, paths):
    """What is picked in one list is not offered in the list `marks` of `paths`: nothing stands beside itself."""

    def fill(_=None):
        before = marks.value
        marks.options = [(label(path), path) for path in paths if path != picked.value]
        marks.value = [path for path in before if path != picked.value]

    picked.observe(fill, names="value")
    fill()


def study_box():
    """Whether the maker's repeat study is used."""
    words = "Use my repeat study, if the logbook has one"
    return widgets.Checkbox(description=words, value=True, indent=True, style=WIDE, layout=LAYOUT)


def marked(picked, typed: str) -> list[Path]:
    """What was marked in a list, and the typed path if there is one."""
    return [*map(Path, picked), *(chosen([], typed) if typed.strip() else [])]


def chosen(picked, typed: str) -> list[Path]:
    """The typed path if there is one, else what was picked."""
    if typed.strip():
        return [Path(typed.strip().strip("\"'")).expanduser()]
    if not picked or picked[0] is None:
        raise LuthkitError("no guitar is chosen; pick one from the list or type the path of its folder")
    return [Path(path) for path in picked]


class WrongEntry(LuthkitError):
    """What stands in a field cannot be; the field gets the keyboard."""

    def __init__(self, field, words):
        super().__init__(f"{field.description} {words}")
        self.field = field


def each_of(*questions) -> list:
    """The answer of each question. All wrong entries are told at once: `LuthkitError`, with a line for each."""
    answers, wrong = [], []
    for question in questions:
        try:
            answers.append(question())
        except LuthkitError as error:
            wrong.append(error)
    if not wrong:
        return answers
    field = getattr(wrong[0], "field", None)
    if field is not None:
        field.focus()
    raise LuthkitError("\n".join(map(str, wrong)))


class Reader:
    """Reads instruments and remembers them as long as their files do not change."""

    def __init__(self):
        self._known = {}

    def read(self, folders):
        prints = [self._print(folder) for folder in folders]
        new = {key: folder for key, folder in zip(prints, folders, strict=True) if key not in self._known}
        if new:
            self._known.update(zip(new, read_instruments(list(new.values())), strict=True))
        modesets = [self._known[key] for key in prints]
        for modeset in modesets:
            if not modeset.modes:
                why = f": {modeset.rejected[0].reason}" if modeset.rejected else ""
                raise LuthkitError(f"there is no usable tap in {modeset.name}{why}")
        return modesets

    @staticmethod
    def _print(folder):
        """Path, sizes and times of all files in a folder."""
        files = sorted(path for path in folder.rglob("*") if path.is_file()) if folder.is_dir() else [folder]
        return (
            str(folder),
            *((str(p), p.stat().st_size, p.stat().st_mtime_ns) for p in files if p.exists()),
        )
