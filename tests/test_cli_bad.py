"""The command line and bad input: one line, status 2, and nothing of the user's overwritten."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest

from roof3d.cli import main
from tests.conftest import MODELS

SCHEMA = {"schema": "roof3d-result/1"}
MODEL = {"file": "gone.glb", "sha256": "0", "unit": "m", "up": "z"}


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    for name in ("gable.toml", "gable.glb", "gable.obj"):
        shutil.copy(MODELS / name, tmp_path / name)
    return tmp_path


def refused(capsys: pytest.CaptureFixture[str], *arguments: str) -> str:
    """The one line that a command says before it ends with status 2."""
    assert main(list(arguments)) == 2
    out, err = capsys.readouterr()
    assert out == ""
    (line,) = err.strip().splitlines()
    assert line.startswith("roof3d: ")
    return line


@pytest.mark.parametrize(
    ("command", "reads", "option"),
    [
        ("check", "gable.toml", "gable.toml"),
        ("check", "gable.toml", "model"),
        ("inspect", "gable.glb", "gable.glb"),
        ("place", "gable.toml", "model"),
    ],
)
def test_no_result_is_written_over_what_is_read(
    folder: Path, capsys: pytest.CaptureFixture[str], command: str, reads: str, option: str
) -> None:
    named = [line for line in (folder / "gable.toml").read_text().splitlines() if line.startswith("file = ")]
    target = folder / (named[0].split('"')[1] if option == "model" else option)
    before = {path.name: path.read_bytes() for path in folder.iterdir()}
    line = refused(capsys, command, str(folder / reads), "--quiet", "--json", str(target))
    assert "--json: found a file that is read; accepted: another file to write" in line
    assert {path.name: path.read_bytes() for path in folder.iterdir()} == before


@pytest.mark.parametrize("command", ["picture", "drawing", "report", "page", "takeoff"])
def test_no_drawing_is_written_over_its_result(
    folder: Path, capsys: pytest.CaptureFixture[str], command: str
) -> None:
    result = folder / "r.json"
    result.write_text(json.dumps(SCHEMA))
    assert "a file that is read" in refused(capsys, command, str(result), "--out", str(result))
    assert json.loads(result.read_text()) == SCHEMA


def test_a_folder_is_no_file_to_write(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    line = refused(capsys, "check", str(folder / "gable.toml"), "--quiet", "--json", str(folder))
    assert "--json: found a folder; accepted: a file to write" in line
    assert ".tmp" not in line


@pytest.mark.parametrize("command", ["picture", "drawing", "report", "page", "takeoff"])
@pytest.mark.parametrize(
    ("more", "place"),
    [
        ({}, "model file"),
        ({"model": []}, "model"),
        ({"model": {"file": 7}}, "model file"),
        ({"model": MODEL}, "planes"),
        ({"model": MODEL, "planes": [], "edges": []}, "anchors"),
    ],
)
def test_a_result_that_lacks_parts_is_refused(
    folder: Path, capsys: pytest.CaptureFixture[str], command: str, more: dict[str, object], place: str
) -> None:
    result = folder / "r.json"
    result.write_text(json.dumps(SCHEMA | more))
    before = set(folder.iterdir())
    assert f"{place}: found " in refused(capsys, command, str(result))
    assert set(folder.iterdir()) == before


def test_work_beside_the_roof_is_refused(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """It would read as if all work were served."""
    plan = folder / "beside.toml"
    text = (folder / "gable.toml").read_text()
    plan.write_text(text + "\n[[work]]\npolygon = [[900, 0], [901, 0], [901, 1]]\n")
    line = refused(capsys, "check", str(plan), "--quiet")
    assert "work" in line and "polygon: found no place on any roof plane" in line
    assert "a polygon over the roof, which lies between [" in line
