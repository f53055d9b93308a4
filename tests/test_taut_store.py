"""Preparations kept on disk: the same lengths, nothing run from a file, and a way to do without."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from roof3d import taut
from roof3d.taut import store
from tests.taut_kit import ground_of, made, strewn

PROGRAM = "from roof3d.cli import main; raise SystemExit(main())"


@pytest.fixture
def kept_in(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder for preparations."""
    monkeypatch.setenv("ROOF3D_CACHE", str(tmp_path / "kept"))
    return tmp_path / "kept"


def lengths(name: str) -> np.ndarray:
    """Brackets from one anchor of a body."""
    mesh = made(name)
    found = taut.measure(
        taut.prepare_mesh(mesh, ground_of(mesh)), strewn(mesh, 1, seed=2)[0], strewn(mesh, 20, seed=1)
    )
    return np.array([found.lo, found.hi])


def test_what_is_kept_gives_the_same_lengths(kept_in: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    first = lengths("model-dormers")
    (file,) = kept_in.glob("*.npz")
    # the second time nothing is prepared
    monkeypatch.setattr("roof3d.taut.field.merge", lambda mesh: pytest.fail("prepared again"))
    assert np.array_equal(lengths("model-dormers"), first)
    monkeypatch.undo()
    monkeypatch.setenv("ROOF3D_CACHE", "off")
    assert np.array_equal(lengths("model-dormers"), first)
    assert list(kept_in.iterdir()) == [file]


def test_another_mesh_or_ground_is_another_file(kept_in: Path) -> None:
    mesh = made("model-dormers")
    moved = made("model-t-plan")
    names = {store.key(mesh, 0.0), store.key(mesh, 0.1), store.key(moved, 0.0)}
    assert len(names) == 3
    assert store.key(mesh, 0.0) in names


@pytest.mark.parametrize("damage", ["cut", "text", "empty", "pickle"])
def test_a_damaged_file_is_made_anew(kept_in: Path, damage: str) -> None:
    first = lengths("model-dormers")
    (file,) = kept_in.glob("*.npz")
    whole = file.read_bytes()
    if damage == "cut":
        file.write_bytes(whole[: len(whole) // 2])
    elif damage == "text":
        file.write_text("not an archive")
    elif damage == "empty":
        file.write_bytes(b"")
    else:  # an object array could run code on loading: it is refused
        with file.open("wb") as handle:
            np.savez(handle, **{"surfaces.corners": np.array([Boom()], dtype=object)})
    assert np.array_equal(lengths("model-dormers"), first)
    assert not Boom.went_off
    assert len(file.read_bytes()) == len(whole)


class Boom:
    """Goes off when a pickle is loaded."""

    went_off = False

    def __reduce__(self) -> tuple[object, tuple[type, str, bool]]:
        return setattr, (Boom, "went_off", True)


def test_a_folder_that_cannot_be_written_is_left_alone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    blocked = tmp_path / "a file"
    blocked.write_text("")
    monkeypatch.setenv("ROOF3D_CACHE", str(blocked / "kept"))
    assert np.isfinite(lengths("model-dormers")).all()
    assert blocked.read_text() == ""


@pytest.mark.parametrize(("limit", "value", "left"), [("FILES_MOST", 2, 2), ("BYTES_MOST", 1000, 1)])
def test_the_oldest_go(
    kept_in: Path, monkeypatch: pytest.MonkeyPatch, limit: str, value: int, left: int
) -> None:
    monkeypatch.setattr(store, limit, value)
    for number, name in enumerate(("model-dormers", "model-t-plan", "model-flat")):
        mesh = made(name)
        taut.prepare_mesh(mesh, ground_of(mesh))
        for age, file in enumerate(sorted(kept_in.glob("*.npz"), key=lambda p: p.stat().st_mtime)):
            os.utime(file, (number * 10 + age, number * 10 + age))
    kept = list(kept_in.glob("*.npz"))
    assert len(kept) == left
    mesh = made("model-flat")
    assert f"{store.key(mesh, ground_of(mesh))}.npz" in {file.name for file in kept}


def test_off_by_the_environment(tmp_path: Path) -> None:
    """A run of the program with ROOF3D_CACHE=off leaves nothing in the user's cache folder."""
    model = Path(__file__).parents[1] / "models" / "dormers.toml"
    for value, files in (("off", 0), ("", 1)):
        home = tmp_path / (value or "on")
        home.mkdir()
        env = {**os.environ, "ROOF3D_CACHE": value, "XDG_CACHE_HOME": str(home)}
        run = subprocess.run(
            [sys.executable, "-c", PROGRAM, "check", str(model), "--quiet"],
            env=env,
            capture_output=True,
            check=False,
        )
        assert run.returncode in (0, 1), run.stderr
        assert len(list(home.rglob("*.npz"))) == files
