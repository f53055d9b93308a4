"""Stopping by the clock, by Ctrl-C, by a limit of work: what comes back is checked, never called proven."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from roof3d.check import check
from roof3d.place import Effort, Placement, place, placement_json
from roof3d.plan import read_plan, write_plan
from roof3d.records import Plan, Protection, Roof
from tests.test_place import PLAN, barn_job

ROOT = Path(__file__).resolve().parents[1]
MANY = PLAN.replace('along = ["ridge"]', 'along = ["ridge", "slope"]\nslope_step = "0.15 m"').replace(
    '"0.6 m"', '"0.1 m"'
)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("stop")


@pytest.fixture(scope="module")
def made(folder: Path) -> tuple[Roof, Plan]:
    (folder / "many.toml").write_text(MANY)
    return barn_job(folder)


@pytest.fixture(scope="module")
def roof(made: tuple[Roof, Plan]) -> Roof:
    return made[0]


@pytest.fixture(scope="module")
def plan(made: tuple[Roof, Plan]) -> Plan:
    found = made[1]
    wish = replace(found.candidates, along=("ridge", "slope"), line_lengths=(4.0,), slope_step=1.5)
    return replace(found, candidates=wish, protection=(Protection(kinds=("rake", "eave")),))


@pytest.fixture(scope="module")
def whole(roof: Roof, plan: Plan) -> Placement:
    return place(roof, plan)


def command(*options: str) -> list[str]:
    return [sys.executable, "-m", "roof3d.cli", "place", *options]


def env() -> dict[str, str]:
    return {**os.environ, "PYTHONPATH": str(ROOT)}


def first(stream: object, word: str, process: subprocess.Popen[str]) -> None:
    """Wait for the first line of progress that holds ``word``."""
    assert process.stderr is not None
    for line in process.stderr:
        if word in line:
            return
    raise AssertionError(f"ended without a word of {word}")


def sound(values: dict, roof: Roof, file: Path) -> None:
    """The plan that was written is the one that is told of, and its check finds no danger."""
    result = check(roof, read_plan(file))
    assert [f for f in result.findings if f.severity == "danger"] == []
    assert values["work"]["unserved_m2"] == pytest.approx(result.work_m2 - result.served_m2, abs=1e-5)
    assert values["proof"]["best"] >= values["proof"]["bound"]
    assert not values["proof"]["proven"]


@pytest.mark.skipif(os.name == "nt", reason="Ctrl-C is sent to a process of its own only on POSIX")
def test_ctrl_c_writes_the_best_so_far(folder: Path, roof: Roof) -> None:
    """Some thousand places: after a moment Ctrl-C. A plan is there all the same, and says what it lacks."""
    out, values = folder / "stopped.toml", folder / "stopped.json"
    process = subprocess.Popen(
        command(str(folder / "many.toml"), "--out", str(out), "--json", str(values)),
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env=env(),
        start_new_session=True,
    )
    try:
        first(process.stderr, "judging places", process)
        time.sleep(1.0)
        process.send_signal(signal.SIGINT)
        text, errors = process.communicate(timeout=300)
    finally:
        process.kill()
    assert "stopping: the best so far is checked and written" in errors
    assert "Traceback" not in errors
    assert process.returncode in (0, 1)
    told = json.loads(values.read_text())
    doubt = told["proof"]["doubts"][0]
    assert doubt.startswith("stopped after ")
    assert "places were judged" in doubt
    assert doubt in text
    assert "no proof that it is the least" in text or "nothing is chosen" in text
    sound(told, roof, out)


def test_seconds_end_the_search(folder: Path, roof: Roof) -> None:
    out, values = folder / "seconds.toml", folder / "seconds.json"
    run = subprocess.run(
        command(str(folder / "many.toml"), "--seconds", "1", "--out", str(out), "--json", str(values)),
        capture_output=True,
        text=True,
        env=env(),
        timeout=300,
        check=False,
    )
    assert run.returncode in (0, 1), run.stderr
    told = json.loads(values.read_text())
    assert "stopped after" in told["proof"]["doubts"][0]
    sound(told, roof, out)


@pytest.mark.parametrize("text", ["0", "-1", "nan"])
def test_limits_that_cannot_be(folder: Path, made: tuple[Roof, Plan], text: str) -> None:
    run = subprocess.run(
        command(str(folder / "plan.toml"), f"--seconds={text}"),
        capture_output=True,
        text=True,
        env=env(),
        timeout=300,
        check=False,
    )
    assert run.returncode == 2
    assert "--seconds" in run.stderr
    # a slow machine shows progress first
    said = [line for line in run.stderr.splitlines() if not line.endswith(" ...")]
    assert len(said) == 1


def after(asks: int) -> Callable[[], bool]:
    left = [asks]

    def stop() -> bool:
        left[0] -= 1
        return left[0] < 0

    return stop


@pytest.mark.parametrize("asks", [0, 7, 25, 60, 120, 200])
def test_a_stop_at_any_time_leaves_a_sound_plan(
    roof: Roof, plan: Plan, whole: Placement, tmp_path: Path, asks: int
) -> None:
    """Wherever the question is answered with yes: the claims made are those of the check, and a stop that
    cut something off is told."""
    found = place(roof, plan, stop=after(asks))
    write_plan(found.plan, tmp_path / "placed.toml")
    again = check(roof, read_plan(tmp_path / "placed.toml"))
    assert again.served_m2 == pytest.approx(found.result.served_m2)
    assert [f for f in again.findings if f.severity == "danger"] == []
    if found.proven:
        assert found.anchors == whole.anchors
    else:
        assert found.doubts or found.gap > 0
    if found.complete:
        assert found.anchors >= whole.anchors
        assert found.bound <= whole.anchors


def test_a_limit_of_work_repeats_exactly(folder: Path, roof: Roof, plan: Plan) -> None:
    """The same bytes, whatever the machine does beside it: the limit counts work, not seconds."""
    few = Effort(work=0.02, swaps=50)
    one, two = (placement_json(place(roof, plan, effort=few)) for _ in range(2))
    assert json.dumps(one) == json.dumps(two)
    (folder / "limit.toml").write_text((folder / "plan.toml").read_text())
    files = []
    for number in (1, 2):
        values = folder / f"limit{number}.json"
        run = subprocess.run(
            command(
                str(folder / "limit.toml"),
                "--effort",
                "0.5",
                "--json",
                str(values),
                "--out",
                str(folder / "limit-placed.toml"),
            ),
            capture_output=True,
            text=True,
            env=env(),
            timeout=300,
            check=False,
        )
        assert run.returncode in (0, 1), run.stderr
        files.append(values.read_bytes() + (folder / "limit-placed.toml").read_bytes())
    assert files[0] == files[1]
    assert np.isfinite(json.loads((folder / "limit1.json").read_text())["proof"]["best"])
