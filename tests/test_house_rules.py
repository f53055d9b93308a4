"""Rules of the house that no linter knows: ways of import, docstrings, commands that the README promises."""

from __future__ import annotations

import ast
import json
import os
import re
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

import roof3d
from tests.conftest import PROJECT

PACKAGE = PROJECT / "roof3d"
MODULES = sorted(PACKAGE.rglob("*.py"))

# Everybody may import the base; each stage may import the base, itself and the stages before it.
BASE = ("compiled", "errors", "units", "records", "progress", "tomlfile", "formulas", "rules", "plan")
STAGES = (
    "load",
    "planes",
    "edges",
    "levels",
    "building",
    "taut",
    "fall",
    "arrest",
    "check",
    "place",
    "explain",
    "show",
    "batch",
)
SHELL = ("cli", "__main__", "__init__")  # thin: these may import all
# Within show, each output stands alone: none of them computes a finding.
KNOWN = (*BASE, *STAGES, *SHELL)


def unit_of(path: Path) -> str:
    """Name of the stage (first level below the package) that a module belongs to."""
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


def imports_of(path: Path) -> set[str]:
    """First-level names of this package that a module imports, wherever in it the import stands."""
    return imports_in(path.read_text(encoding="utf-8"), path.relative_to(PROJECT))


def imports_in(source: str, place: Path) -> set[str]:
    package = list(place.with_suffix("").parts)[:-1]
    found: set[str] = set()
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            found |= {a.name.split(".")[1] for a in node.names if a.name.startswith("roof3d.")}
        elif isinstance(node, ast.ImportFrom):
            origin = package[: len(package) - node.level + 1] if node.level else []
            target = [*origin, *(node.module or "").split(".")] if node.module else origin
            if target[:1] == ["roof3d"]:
                names = target[1:2] or [a.name for a in node.names]
                found |= set(names)
    return found - {"__version__"}


def test_the_reader_of_imports_sees_every_form() -> None:
    source = """
import roof3d.load.obj
from roof3d import planes
from ..edges import find
from .. import taut
from . import other
def late():
    from roof3d.show.table import write
import numpy.linalg
"""
    found = imports_in(source, Path("roof3d/fall/module.py"))
    assert found == {"load", "planes", "edges", "taut", "fall", "show"}


def test_every_module_has_its_place() -> None:
    assert {unit_of(path) for path in MODULES} <= set(KNOWN)


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_imports_go_one_way(path: Path) -> None:
    here = unit_of(path)
    if here in SHELL:
        return
    allowed = (
        set(BASE[: BASE.index(here) + 1]) if here in BASE else {*BASE, *STAGES[: STAGES.index(here) + 1]}
    )
    assert imports_of(path) - allowed == set()


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_every_module_says_what_it_is_for(path: Path) -> None:
    text = ast.get_docstring(ast.parse(path.read_text(encoding="utf-8")))
    assert text, "no docstring"


def test_heavy_libraries_are_loaded_only_where_needed() -> None:
    """Starting the program must not load what only pictures, reports or servers use."""
    code = (
        "import sys, roof3d, roof3d.errors\n"
        "import importlib\n"
        "importlib.import_module('roof3d.cli')\n"
        "heavy = {'pyvista', 'vtk', 'vtkmodules', 'typst', 'ezdxf', 'xlsxwriter', 'starlette', 'uvicorn'}\n"
        "print(sorted(heavy & set(sys.modules)))"
    )
    run = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, timeout=120, cwd=PROJECT, check=True
    )
    assert run.stdout.strip() == "[]"


def test_version_is_written_once() -> None:
    project = tomllib.loads((PROJECT / "pyproject.toml").read_text())["project"]
    assert "version" in project["dynamic"]
    assert re.fullmatch(r"\d+\.\d+\.\d+", roof3d.__version__)
    assert f"## {roof3d.__version__}" in section("What changed", "README.md") or (
        f"### {roof3d.__version__}" in section("What changed", "README.md")
    )


def test_licence_is_there() -> None:
    project = tomllib.loads((PROJECT / "pyproject.toml").read_text())["project"]
    assert project["license"] == "MIT"
    assert (PROJECT / "LICENSE").read_text().startswith("MIT License")


def section(title: str, file: str) -> str:
    """Text from a heading to the next of the same depth."""
    text = (PROJECT / file).read_text(encoding="utf-8")
    start = text.index(f"## {title}")
    end = text.find("\n## ", start + 1)
    return text[start : end if end > 0 else None]


def commands(file: str) -> list[str]:
    """Lines of the shell blocks of a page."""
    blocks = re.findall(r"```(?:sh|bash|console)\n(.*?)```", (PROJECT / file).read_text(), flags=re.S)
    return [line.strip() for block in blocks for line in block.splitlines() if line.strip()]


@pytest.mark.parametrize("file", ["README.md", "DEVELOPERS.md"])
def test_commands_of_the_pages_exist(file: str) -> None:
    listed = commands(file)
    assert listed
    parsed = _help_of_commands()
    for line in listed:
        line = line.split(" #")[0].removeprefix("$ ")
        words = line.split()
        if words[0].startswith(("scripts/", ".ci/")):
            script = PROJECT / words[0]
            assert script.is_file(), line
            assert os.access(script, os.X_OK), line
        elif words[0] == "roof3d":
            assert words[1] in parsed, line
            for option in (word.split("=")[0] for word in words[2:] if word.startswith("--")):
                assert option in parsed[words[1]], line
        for word in words[1:]:
            if word.startswith(("models/", "scripts/")):
                assert (PROJECT / word).exists(), line


def test_readme_lists_every_command_and_no_other() -> None:
    listed = re.findall(r"^\| `([a-z]+) [A-Z]", section("Use", "README.md"), flags=re.MULTILINE)
    assert sorted(listed) == sorted(_help_of_commands())


def _help_of_commands() -> dict[str, str]:
    """Help text of each subcommand, by its name."""
    names = re.findall(r"^    ([a-z]+) {2,}\S", _run_help(), flags=re.MULTILINE)
    assert {"inspect", "check", "picture"} <= set(names)
    return {name: _run_help(name) for name in names}


def _run_help(*words: str) -> str:
    run = subprocess.run(
        [sys.executable, "-m", "roof3d.cli", *words, "--help"],
        capture_output=True,
        text=True,
        timeout=120,
        cwd=PROJECT,
        check=True,
    )
    return run.stdout


@pytest.mark.parametrize("file", ["README.md", "DEVELOPERS.md", "models/README.md"])
def test_links_and_paths_of_the_pages_exist(file: str) -> None:
    text = (PROJECT / file).read_text(encoding="utf-8")
    for target in re.findall(r"\]\(([^)#]+?)(?:#[^)]*)?\)", text):
        if not target.startswith("http"):
            assert ((PROJECT / file).parent / target).exists(), target
    for path in re.findall(r"`((?:roof3d|scripts|models|tests|\.ci)/[\w./-]+)`", text):
        assert (PROJECT / path).exists(), path


def test_shipped_plan_schema_is_the_one_that_the_reader_has() -> None:
    from roof3d.plan import plan_schema

    shipped = json.loads((PACKAGE / "plan.schema.json").read_text())
    assert shipped == plan_schema()


def test_package_data_is_packaged() -> None:
    """Every data file of the package has a pattern that takes it along into an installation."""
    patterns = tomllib.loads((PROJECT / "pyproject.toml").read_text())["tool"]["setuptools"]["package-data"]
    endings = {Path(p).suffix for p in patterns["roof3d"]} | {".py"}
    if shutil.which("git") and (PROJECT / ".git").exists():
        tracked = subprocess.run(
            ["git", "ls-files", "roof3d"], capture_output=True, text=True, cwd=PROJECT, check=True
        )
        files = [Path(f) for f in tracked.stdout.split()]
    else:
        files = [f for f in PACKAGE.rglob("*") if f.is_file() and "__pycache__" not in f.parts]
    assert files
    for file in files:
        if file.suffix and file.name != "py.typed":
            assert file.suffix in endings, file


def test_scripts_name_no_place_to_download_from() -> None:
    """Where packages come from is the machine's setting, not the project's."""
    words = re.compile(r"index-url|find-links|https?://", re.IGNORECASE)
    files = [PROJECT / ".ci" / "run", *(p for p in (PROJECT / "scripts").iterdir() if p.is_file())]
    assert len(files) > 3
    for path in files:
        assert not words.search(path.read_text(encoding="utf-8")), path


def test_what_modules_import_is_installed_with_them() -> None:
    """What a module imports as it is loaded is a dependency, not an extra; extras are loaded where used."""
    project = tomllib.loads((PROJECT / "pyproject.toml").read_text())["project"]
    declared = {re.split(r"[^\w-]", line)[0].lower().replace("-", "_") for line in project["dependencies"]}
    missing = []
    for path in MODULES:
        for node in ast.parse(path.read_text()).body:
            names = [node.module or ""] if isinstance(node, ast.ImportFrom) else []
            names += [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
            for name in names:
                top = name.split(".")[0]
                if top not in sys.stdlib_module_names and top not in declared | {"roof3d", "__future__"}:
                    missing.append(f"{path.relative_to(PROJECT)}: {top}")
    allowed = {"starlette", "uvicorn", "websockets"}  # show/view_*: loaded by the command that needs them
    assert [line for line in missing if line.split(": ")[1] not in allowed] == []
