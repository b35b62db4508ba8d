"""Imports go down only, `import luthkit` costs little more than numpy, and text is UTF-8 on every system."""

import ast
import re
import subprocess
import sys
from pathlib import Path

import pytest

import luthkit

HOME = Path(luthkit.__file__).parent
FLOORS = {"signal": 0, "wood": 1, "guitar": 2, "shop": 3, "show": 4}
TOP = 5  # cli/ and __main__.py
COMMON = {"", "errors", "_frozen", "_text", "_threads"}  # anyone may use these; "" is the package itself
SIDE = {"simulate"}  # made sound: stands beside the house, sees signal and wood only, and no floor sees it
HEAVY = ("scipy.signal", "librosa", "matplotlib", "pandas", "ipywidgets", "soundfile")


def inner_imports(path: Path, home: Path):
    """The luthkit modules that a source file imports anywhere, as names relative to the package."""
    package = ("luthkit", *path.relative_to(home).parts[:-1])
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        names = []
        if isinstance(node, ast.Import):
            names = [item.name for item in node.names]
        elif isinstance(node, ast.ImportFrom):
            base = package[: len(package) - node.level + 1] if node.level else ()
            stem = ".".join([*base, *([node.module] if node.module else [])])
            names = [f"{stem}.{item.name}" for item in node.names]
        for name in names:
            if name == "luthkit" or name.startswith("luthkit."):
                yield name.removeprefix("luthkit").lstrip(".")


def floor_of(module: str) -> int | None:
    """The floor of a module; None for what is common to all."""
    first = module.split(".", maxsplit=1)[0]
    if first in FLOORS:
        return FLOORS[first]
    return TOP if first in ("cli", "__main__") else None


def upward_imports(home: Path):
    """(file, import) of each import that goes up, or that takes from the side."""
    for path in sorted(home.rglob("*.py")):
        module = ".".join(path.relative_to(home).with_suffix("").parts)
        first = module.split(".")[0]
        for target in inner_imports(path, home):
            stem = target.split(".")[0]
            mine, theirs = floor_of(module), floor_of(target)
            if first in SIDE:
                bad = theirs is not None and theirs > FLOORS["wood"]
            elif stem in SIDE:
                bad = True
            elif mine is None:
                bad = theirs is not None
            else:
                bad = theirs is not None and theirs > mine
            if bad:
                yield module, target


def test_imports_go_down_only():
    assert list(upward_imports(HOME)) == []


def test_every_module_has_a_floor():
    for path in HOME.rglob("*.py"):
        module = ".".join(path.relative_to(HOME).with_suffix("").parts)
        first = module.split(".")[0]
        assert floor_of(module) is not None or first in COMMON | SIDE | {"__init__"}, module


@pytest.mark.parametrize(
    ("file", "line"),
    [
        ("signal/modes.py", "from ..guitar.comparison import compare"),
        ("signal/modes.py", "def f():\n    from luthkit.show import page"),
        ("guitar/model.py", "import luthkit.shop.session"),
        ("guitar/model.py", "from .. import simulate"),
        ("shop/session.py", "from ..cli import main"),
        ("errors.py", "from .signal import taps"),
    ],
)
def test_the_check_itself_sees_an_import_that_goes_up(tmp_path, file, line):
    path = tmp_path / file
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(line)
    assert len(list(upward_imports(tmp_path))) == 1


def loaded_after(statement: str) -> list[str]:
    """Heavy modules that stand in sys.modules after a statement, in a fresh Python."""
    code = f"import sys\n{statement}\nprint(*[name for name in {HEAVY!r} if name in sys.modules])"
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    return run.stdout.split()


def test_importing_luthkit_loads_numpy_at_most():
    assert loaded_after("import luthkit") == []
    assert loaded_after("import luthkit.cli; luthkit.cli.main(['modes', '/nowhere/at/all'])") == []
    assert loaded_after("import scipy.signal") == ["scipy.signal"]  # the check can fail


def test_public_names_load_when_first_used():
    for name in luthkit.__all__:
        assert getattr(luthkit, name) is not None
    with pytest.raises(AttributeError, match="it has"):
        _ = luthkit.no_such_thing


def implicit_encodings(code: str):
    """Lines where text is read or written in whatever letters the system prefers: on Windows that is not UTF-8."""
    for node in ast.walk(ast.parse(code)):
        if isinstance(node, ast.Call) and "encoding" not in {word.arg for word in node.keywords}:
            name = getattr(node.func, "attr", getattr(node.func, "id", ""))
            given = [value for value in node.args if isinstance(value, ast.Constant) and isinstance(value.value, str)]
            modes = [value.value for value in given if re.fullmatch("[rwxabt+]{1,3}", value.value)]
            opens = name == "open" and (isinstance(node.func, ast.Name) or modes)
            if name in ("read_text", "write_text") or (opens and not any("b" in mode for mode in modes)):
                yield node.lineno


def test_every_text_names_its_encoding():
    files = [*HOME.rglob("*.py"), *(HOME.parent / ".ci").glob("[df]*")]
    found = {path.name: list(implicit_encodings(path.read_text(encoding="utf-8"))) for path in files}
    assert {name: lines for name, lines in found.items() if lines} == {}


@pytest.mark.parametrize(
    ("code", "n"),
    [
        ("path.read_text()\npath.write_text(text)\nopen(path)\nopen(path, 'w', newline='')\npath.open('a')", 5),
        ("path.read_text(encoding='utf-8')\nopen(path, 'rb')\npath.open('xb')\nopen(path, encoding='utf-8')", 0),
        ("form.open(ready=True)\nparcel.open(entry)\nos.open(path, os.O_RDONLY)", 0),
    ],
)
def test_the_check_itself_sees_an_encoding_left_out(code, n):
    assert len(list(implicit_encodings(code))) == n
