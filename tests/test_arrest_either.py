"""Canada: 6 kN in any fall, and Quebec's 6 kN or 1.8 m, through whole checks by the command line."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from roof3d.cli import main
from roof3d.fall import ForceLimit, Limits
from roof3d.fall.limits import FORCE, FREE_FALL
from roof3d.rules import load_rules

# An invented mast on an invented tower: a roof of 2 m by 2 m, 14 m up, and an anchor above its middle.
BOX = "\n".join(
    [
        *(f"v {x} {y} {z}" for z in (0, 14) for x, y in ((0, 0), (2, 0), (2, 2), (0, 2))),
        *("f 4 3 2 1", "f 5 6 7 8", "f 1 2 6 5", "f 2 3 7 6", "f 3 4 8 7", "f 4 1 5 8"),
    ]
)


def run(folder: Path, rules: str, *, line: float, rise: float, peak: str = "") -> tuple[int, dict[str, Any]]:
    """Exit status and result of a plan with a lanyard of ``line`` m on an anchor ``rise`` m over the roof."""
    (folder / "tower.obj").write_text(BOX)
    plan = folder / "tower.toml"
    sheet = (
        f'average_force = "4 kN"\nleast_force = "4 kN"\npeak_force = "{peak}"\nmaximum_extension = "1.2 m"'
        if peak
        else ""
    )
    plan.write_text(f"""
rules = "{rules}"
[model]
file = "tower.obj"
unit = "m"
up = "z"
grade = 0.0
[worker]
mass = "100 kg"
[line]
length = {line}
[line.absorber]
{sheet}
[line.rope]
elongation = "2 %"
[[anchor]]
id = "A1"
at = [1.0, 1.0, {14 + rise}]
rating = "24 kN"
direction_within = "180 deg"
[[work]]
id = "middle"
polygon = [[0.6, 0.6], [1.4, 0.6], [1.4, 1.4], [0.6, 1.4]]
""")
    out = folder / "tower.json"
    status = main(["check", str(plan), "--json", str(out), "--quiet"])
    return status, json.loads(out.read_text())


def broken(data: dict[str, Any]) -> set[str]:
    return {word for segment in data["edge_segments"] for word in segment["breaks"]}


@pytest.mark.parametrize("rules", ["ca", "ca-quebec"])
def test_a_plan_comes_out_clean_where_the_law_allows_it(tmp_path: Path, rules: str) -> None:
    status, data = run(tmp_path, rules, line=2.3, rise=2.85, peak="5.5 kN")
    assert status == 0
    assert data["findings"] == []
    falls = [s for s in data["edge_segments"] if s["free_fall_m"] is not None]
    assert falls
    assert data["summary"]["worst_state"] == "arrest"
    assert max(s["free_fall_m"] for s in falls) < 1.2


def test_six_kilonewtons_in_any_fall_where_nothing_else_is_said(tmp_path: Path) -> None:
    """Alberta's guide to s 828 limits the force whatever the fall; the set `ca` keeps the stricter."""
    status, data = run(tmp_path, "ca", line=2.3, rise=2.85, peak="7 kN")
    assert status == 1
    assert broken(data) == {"force"}
    assert [f["code"] for f in data["findings"]] == ["arrest-force-over-limit"]
    # an absorber of which nothing is known may have any class's force
    status, data = run(tmp_path, "ca", line=2.3, rise=2.85)
    assert status == 1
    assert "force" in broken(data)
    assert any("8.00 kN over the limit of 6.00 kN" in finding["text"] for finding in data["findings"])


def test_one_of_the_two_is_enough_in_quebec(tmp_path: Path) -> None:
    """S-2.1, r. 13, s 347: limit the maximum fall arrest force to 6 kN or the free fall distance to 1,8 m."""
    # a short fall at more than 6 kN; more than any absorber is allowed stays too much
    status, data = run(tmp_path, "ca-quebec", line=2.3, rise=2.85, peak="7 kN")
    assert status == 0
    assert broken(data) == set()
    status, data = run(tmp_path, "ca-quebec", line=2.3, rise=2.85, peak="9 kN")
    assert status == 1
    assert broken(data) == {"force"}
    assert ["9.00 kN over the limit of 8.00 kN" in f["text"] for f in data["findings"]] == [True]
    # a long fall at less than 6 kN; at more, both limits are broken
    _, gentle = run(tmp_path, "ca-quebec", line=2.0, rise=1.0, peak="5.5 kN")
    assert max(s["free_fall_m"] or 0 for s in gentle["edge_segments"]) > 1.8
    assert not broken(gentle) & {"force", "free-fall"}
    assert not {"free-fall-over-limit", "arrest-force-over-limit"} & {f["code"] for f in gentle["findings"]}
    _, hard = run(tmp_path, "ca-quebec", line=2.0, rise=1.0, peak="7 kN")
    assert broken(hard) >= {"force", "free-fall"}
    assert {"free-fall-over-limit", "arrest-force-over-limit"} <= {f["code"] for f in hard["findings"]}
    # the same fall under `ca`
    _, both = run(tmp_path, "ca", line=2.0, rise=1.0, peak="5.5 kN")
    assert "free-fall" in broken(both)


def test_table_of_one_of_the_two() -> None:
    rules = load_rules("ca-quebec")
    force = ForceLimit(
        rules.value("arrest_force_limit"),
        0.0,
        None,
        1000.0,
        0.5,
        short_fall=rules.value("arrest_force_limit_short_fall"),
    )
    falls, nil = np.array([1.79, 1.81]), np.zeros(2)
    for peak, want in (
        (5999.0, [(False, False), (False, False)]),
        (6001.0, [(False, False), (True, True)]),
        (7999.0, [(False, False), (True, True)]),
        (8001.0, [(False, True), (True, True)]),
    ):
        limits = Limits(free_fall=rules.value("free_fall_limit"), force=replace(force, absorber_peak=peak))
        got = limits.broken(falls, nil, nil + 2.0)
        assert [(bool(row[FREE_FALL]), bool(row[FORCE])) for row in got] == want, peak
