"""README and DEVELOPERS.md say what is so: names, commands, links, floors, glossary, thresholds."""

import dataclasses
import doctest
import importlib
import inspect
import os
import pkgutil
import re
import shutil
import sys
import tomllib
from pathlib import Path

import numpy as np
import pytest
import soundfile
from test_floors import COMMON, FLOORS, SIDE

import luthkit
from luthkit import cli
from luthkit.guitar.verdicts import VERDICTS

HOME = Path(__file__).parent.parent
README = (HOME / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (HOME / "DEVELOPERS.md").read_text(encoding="utf-8")
PAGES = ("README.md", "DEVELOPERS.md", "sample_audio/ABOUT.md")
INNER = {"cells", "poles", "room", "selection", "fellows", "faults", "onsets"}  # of signal: no one calls them


def chapter(text: str, title: str) -> str:
    """What stands under a heading, up to the next of the same rank."""
    return re.search(rf"^## {title}\n(.*?)(?=^## |\Z)", text, re.M | re.S)[1]


def blocks(text: str, language: str) -> list[str]:
    return re.findall(rf"^```{language}\n(.*?)^```", text, re.M | re.S)


def first_cells(text: str) -> list[str]:
    """The first cell of each row of the tables in a text, headings left out."""
    rows = re.findall(r"^\|(.*?)\|", text, re.M)
    rules = [k for k, row in enumerate(rows) if set(row) <= set("-: ")]
    return [row.strip() for k, row in enumerate(rows) if k not in rules and k + 1 not in rules]


def coded(cells) -> list[str]:
    return [name for cell in cells for name in re.findall(r"`([^`]+)`", cell)]


def commands(text: str) -> list[list[str]]:
    """Every command in the shell blocks of a page, in words."""
    lines = [line.split("#")[0] for block in blocks(text, "sh") for line in block.splitlines()]
    return [part.split() for line in lines for part in line.split("&&") if part.strip()]


def test_every_public_name_is_listed_once():
    listed = coded(first_cells(chapter(README, "For those who write Python")))
    assert sorted(listed) == sorted(luthkit.__all__)


def test_the_example_does_what_it_says(monkeypatch):
    monkeypatch.chdir(HOME)
    (text,) = blocks(README, "python")
    example = doctest.DocTestParser().get_doctest(text, {}, "README.md", "README.md", 0)
    assert len(example.examples) >= 4
    assert doctest.DocTestRunner().run(example).failed == 0


@pytest.mark.parametrize("command", commands(README) + commands(DEVELOPERS), ids=" ".join)
def test_every_command_can_be_typed(command, monkeypatch):
    monkeypatch.syspath_prepend(HOME)  # as `python -m` does
    program, *words = command
    if program.startswith(".venv/bin/"):
        program = program.removeprefix(".venv/bin/")
        assert (Path(sys.executable).parent / program).exists() or shutil.which(program), command
    elif program.startswith(".ci/"):
        assert os.access(HOME / program, os.X_OK), command
    else:
        assert program == "python3", command
    if program == "luthkit":
        options = vars(cli.parser().parse_args(words))
        words = [options.get("build"), options.get("guitar"), *options.get("references", ()), *options.get("paths", ())]
        words = [word for word in words if word]
        assert words or options["command"] == "start"
    elif words[:1] == ["-m"] and words[1] != "venv":
        assert importlib.util.find_spec(words[1]) is not None, command
        words = words[2:]
    for word in words:
        if "/" in word or word in ("notebooks", "sample_audio"):
            assert (HOME / word).exists(), word


def test_set_up_takes_two_commands():
    before = chapter(README, "Set up").split("On Windows")[0]
    assert [command[0] for command in commands(before)] == ["python3", ".venv/bin/pip"]


def test_ci_runs_what_the_readme_says():
    text = (HOME / ".ci/run").read_text(encoding="utf-8")
    wanted = re.findall(r"from_readme '(.*?)'", text)
    lines = [line for block in blocks(README, "sh") for line in block.splitlines()]
    found = [[line for line in lines if re.match(start, line)] for start in wanted]
    assert [len(each) for each in found] == [1, 1, 1], found
    assert found[2][0].startswith(".venv/bin/pytest")


@pytest.mark.parametrize("page", PAGES)
def test_links_are_relative_and_alive(page):
    text = (HOME / page).read_text(encoding="utf-8")
    assert "://" not in text, "a page needs no network"
    for target in re.findall(r"\]\(([^)]+)\)", text):
        there = ((HOME / page).parent / target.split("#")[0]).resolve()
        assert there.exists() and there.is_relative_to(HOME), target


def test_the_readme_explains_every_verdict():
    cells = first_cells(chapter(README, "What the figures mean"))
    assert sorted(cells) == sorted(VERDICTS)


def test_the_readme_gives_the_thresholds_in_use():
    text = " ".join(chapter(README, "How sure this is").split())
    limits = luthkit.Thresholds()
    for who in ("typical", "best"):
        frequency = getattr(limits, f"frequency_heard_{who}").value
        damping = getattr(limits, f"damping_heard_{who}").value
        link = " in frequency and" if who == "typical" else " and"
        assert f"{100 * frequency:g} %{link} {100 * damping:g} %" in text


def test_the_session_in_the_readme_can_be_read(tmp_path):
    (text,) = blocks(README, "toml")
    (tmp_path / "session.toml").write_text(text, encoding="utf-8")
    names = re.findall(r'^file = "(.*?)"', text, re.M)
    for name in names:
        soundfile.write(tmp_path / name, np.zeros(16000), 16000)
    session = luthkit.read_session(tmp_path)
    assert [recording.name for recording in session.recordings] == names
    assert session.notes == () and len(set(session.placements.values())) == 2
    assert session.conditions["relative_humidity_percent"] == 47


def test_the_picture_of_the_floors_is_true():
    (picture,) = blocks(chapter(DEVELOPERS, "The floors"), "")
    drawn = [line.split()[0] for line in picture.splitlines() if line[:1].strip()]
    house = HOME / "luthkit"
    there = [floor for floor in FLOORS if any((house / floor).glob("*.py"))]
    assert drawn == ["cli/", *(f"{floor}/" for floor in sorted(there, key=FLOORS.get, reverse=True))]
    said = coded([chapter(DEVELOPERS, "The floors").split("```")[2].split("| module")[0]])
    assert {f"{name}.py" for name in COMMON if name} | {f"{name}/" for name in SIDE} <= set(said)


def test_every_module_is_told_of_once():
    house = HOME / "luthkit"
    there = [path.relative_to(house).as_posix() for path in house.rglob("*.py")]
    there = [name for name in there if not Path(name).name.startswith("_") and Path(name).stem not in COMMON]
    assert sorted(coded(first_cells(chapter(DEVELOPERS, "The floors")))) == sorted(there)


def test_every_dependency_has_its_reason():
    project = tomllib.loads((HOME / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    wanted = [*project["dependencies"], *project["optional-dependencies"]["test"]]
    wanted = [re.match(r"[\w-]+", line)[0].lower() for line in wanted]
    told = ",".join(first_cells(chapter(DEVELOPERS, "Dependencies"))).lower()
    assert sorted(name.strip() for name in told.split(",")) == sorted(wanted)


def public_things():
    """(name of the module, class or function) of all that someone outside may call."""
    for found in pkgutil.walk_packages(luthkit.__path__, "luthkit."):
        parts = found.name.split(".")
        if found.ispkg or parts[1] in SIDE or parts[-1].startswith("_") or parts[-1] in INNER:
            continue
        module = importlib.import_module(found.name)
        for name, thing in vars(module).items():
            if not name.startswith("_") and getattr(thing, "__module__", None) == found.name:
                yield found.name, thing


def names_of(thing) -> dict[str, str]:
    """Fields, properties and parameters, each with its type as written."""
    if inspect.isfunction(thing):
        return {p.name: str(p.annotation) for p in inspect.signature(thing).parameters.values()}
    if not dataclasses.is_dataclass(thing):
        return {}
    fields = {field.name: str(field.type) for field in dataclasses.fields(thing)}
    for name, value in vars(thing).items():
        if isinstance(value, property):
            fields[name] = str(value.fget.__annotations__.get("return", ""))
    return {name: kind for name, kind in fields.items() if not name.startswith("_")}


def glossary() -> tuple[list[str], list[str]]:
    """(endings that name a unit, words)."""
    entries = coded(first_cells(chapter(DEVELOPERS, "Glossary")))
    return [e for e in entries if e.startswith("_")], [e for e in entries if not e.startswith("_")]


def test_every_field_of_a_result_stands_in_the_glossary():
    _, words = glossary()
    homes = {getattr(luthkit, name).__module__ for name in luthkit.__all__}
    results = [thing for module, thing in public_things() if module in homes and inspect.isclass(thing)]
    assert len(results) >= 15
    for result in results:
        for field in names_of(result):
            assert field in words, f"{result.__name__}.{field} is not in the glossary of DEVELOPERS.md"


def test_every_number_says_its_unit():
    endings, words = glossary()
    seen = 0
    for module, thing in public_things():
        for name, kind in names_of(thing).items():
            if "float" in kind:
                seen += 1
                known = name in words or name.endswith(tuple(endings))
                assert known, f"{module}.{thing.__name__}: {name} says no unit and is not in the glossary"
    assert seen > 100


def test_the_glossary_holds_nothing_that_is_gone():
    endings, words = glossary()
    assert len(words) == len(set(words)), "a word is told of twice"
    used = {name for _, thing in public_things() for name in names_of(thing)}
    assert set(words) <= used, set(words) - used
    for ending in endings:
        assert any(name.endswith(ending) for name in used), ending
