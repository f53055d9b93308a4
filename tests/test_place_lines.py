"""Where anchor lines are proposed: by hand on small invented roofs, and held against their own rules."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from roof3d.building import build
from roof3d.place.candidates import Candidate, find_candidates, slope_axes
from roof3d.place.lines import find_lines, steepest
from roof3d.plan import read_plan
from roof3d.records import Candidates, KeepOut, Plan, Roof
from tests.test_place import PLAN, barn


def job(folder: Path, **wish: object) -> Plan:
    (folder / "plan.toml").write_text(PLAN)
    plan = read_plan(folder / "plan.toml")
    return replace(plan, candidates=replace(Candidates(spacing=0.6, edge_setback=0.3), **wish))


@pytest.fixture(scope="module")
def roof(tmp_path_factory: pytest.TempPathFactory) -> Roof:
    return build(barn(tmp_path_factory.mktemp("barn") / "barn.obj"), unit="m", up="z")


def low_hip(path: Path, rise: float) -> Roof:
    """A house of 10 m by 6 m with a hip roof; over the corners hips rise by ``rise`` over 3 m each way."""
    points = [(x, y, z) for z in (0.0, 3.0) for x, y in ((0, 0), (10, 0), (10, 6), (0, 6))]
    points += [(3.0, 3.0, 3.0 + rise), (7.0, 3.0, 3.0 + rise)]
    faces = ["4 3 2 1", "1 2 6 5", "2 3 7 6", "3 4 8 7", "4 1 5 8", "5 6 10 9", "6 7 10", "7 8 9 10", "8 5 9"]
    path.write_text("\n".join([*(f"v {x} {y} {z}" for x, y, z in points), *(f"f {f}" for f in faces)]) + "\n")
    return build(path, unit="m", up="z")


def test_along_a_slope_lines_run_level_from_rafter_to_rafter(roof: Roof, tmp_path: Path) -> None:
    plan = job(tmp_path, along=("slope",), slope_step=1.0)
    places, _ = find_candidates(roof, plan)
    lines = find_lines(roof, plan, places, span=3.0)
    # slopes of 4.47 m with a step of 1 m and 0.3 m off the eaves: four rows each, on rafters 0.6 .. 5.4 m
    assert len(lines) == 8
    for line in lines:
        facet = next(f for f in roof.planes if f.id == line.on)
        _, up = slope_axes(facet)
        assert np.ptp(line.points @ up) < 1e-6
        assert np.ptp(line.points[:, 2]) < 1e-9
        assert np.linalg.norm(line.points[-1] - line.points[0]) == pytest.approx(4.8)
        assert (np.linalg.norm(np.diff(line.points, axis=0), axis=1) <= 3.0 + 1e-9).all()
        assert all(min(np.linalg.norm(one.at - p) for one in places) < 1e-9 for p in line.points)


def test_a_row_with_a_gap_is_two_lines(roof: Roof, tmp_path: Path) -> None:
    plan = job(tmp_path, along=("slope",), slope_step=1.0)
    band = KeepOut("K", ((2.9, -9.0), (3.1, -9.0), (3.1, 9.0), (2.9, 9.0)))
    plan = replace(plan, keep_out=(band,))
    lines = find_lines(roof, plan, find_candidates(roof, plan)[0], span=3.0)
    loaded = [roof.to_loaded(line.points) for line in lines]
    # 0.6 .. 2.4 and 3.6 .. 5.4 are 1.8 m each, shorter than any line proposed
    assert not loaded
    wider = replace(plan, candidates=replace(plan.candidates, spacing=0.5))
    loaded = [
        roof.to_loaded(line.points)
        for line in find_lines(roof, wider, find_candidates(roof, wider)[0], span=3.0)
    ]
    assert len(loaded) == 16
    assert all((points[:, 0] < 2.9).all() or (points[:, 0] > 3.1).all() for points in loaded)


@pytest.mark.parametrize(("rise", "some"), [(0.9, True), (1.3, False)])
def test_hips_take_lines_only_where_they_are_nearly_level(tmp_path: Path, rise: float, some: bool) -> None:
    """EN 795, 3.2.3 (secondary): at most 15 degrees. Hips rise by 0.9 m over 4.24 m: 12.0 degrees; by 1.3 m:
    17.0 degrees."""
    roof = low_hip(tmp_path / "hip.obj", rise)
    plan = job(tmp_path, along=("hip",), spacing=0.5)
    assert steepest(plan)[0] == 15.0
    assert "15 degrees" in steepest(plan)[1]
    assert steepest(replace(plan, rules="eu-363")) == (15.0, "")
    lines = find_lines(roof, plan, find_candidates(roof, plan)[0], span=12.0)
    hips = {edge.id for edge in roof.edges if edge.kind == "hip"}
    assert len(hips) == 4
    assert {line.on for line in lines} == (hips if some else set())


def test_ridges_that_go_on_in_one_another_count_as_one(roof: Roof, tmp_path: Path) -> None:
    plan = job(tmp_path, along=("ridge",))
    places, _ = find_candidates(roof, plan)
    (ridge,) = [edge for edge in roof.edges if edge.kind == "ridge"]
    middle = ridge.points.mean(axis=0)
    half = replace(ridge, id="R1", points=np.array([ridge.points[0], middle]))
    # the other half runs the other way, as edges of a model may
    rest = replace(ridge, id="R2", points=np.array([ridge.points[-1], middle]))
    apart = replace(roof, edges=(*(e for e in roof.edges if e.kind != "ridge"), half, rest))

    def on(one: Candidate) -> Candidate:
        nearer = np.linalg.norm(one.at - ridge.points[0]) < np.linalg.norm(one.at - ridge.points[-1])
        return replace(one, on="R1" if nearer else "R2")

    whole = find_lines(roof, plan, places, span=12.0)
    joined = find_lines(apart, plan, [on(one) for one in places], span=12.0)
    assert joined[0].on == "R1 R2"
    assert [np.sort(a.points, axis=0).tolist() for a in whole] == [
        np.sort(b.points, axis=0).tolist() for b in joined
    ]
