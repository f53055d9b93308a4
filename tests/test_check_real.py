"""Whole checks from files: real buildings against their truths, and meshes cut another way."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import trimesh

from roof3d.building import build
from roof3d.check import check
from roof3d.plan import read_plan
from roof3d.records import STATES, Anchor, Line, Plan, Roof
from tests.conftest import MODELS, shared_data, shared_truth


def ridge_plan(roof: Roof, length: float) -> Plan:
    """Two anchors on the longest ridge, a third and two thirds along it."""
    ridge = max((e for e in roof.edges if e.kind == "ridge"), key=lambda e: e.length_m)
    places = [ridge.points[0] + t * (ridge.points[-1] - ridge.points[0]) for t in (1 / 3, 2 / 3)]
    anchors = tuple(
        Anchor(f"A{k}", tuple(roof.to_loaded(p + np.array([0, 0, 0.02]))), rating=25_000.0)
        for k, p in enumerate(places, 1)
    )
    return Plan(rules="eu-363", anchors=anchors, line=Line(length=length))


def test_gable_of_a_city_model_with_two_anchors():
    """Eave height above the wall foot from the building's own attributes (see its truth file)."""
    folder = shared_data("denhaag_gable")
    truth = shared_truth("denhaag_gable")
    roof = build(folder / "denhaag_gable.obj", unit="m", up="z")
    eaves = [edge for edge in truth["computed"]["edges"] if edge["kind"] == "eave"]
    found = sorted(edge.drop_m for edge in roof.edges if edge.kind == "eave")
    assert found == pytest.approx(sorted(edge["drop_m"] for edge in eaves), abs=0.02)
    short, long = (check(roof, ridge_plan(roof, length)) for length in (3.0, 7.0))
    metres = [sum(s.to_m - s.from_m for s in r.segments if STATES.index(s.state) <= 2) for r in (short, long)]
    assert metres[1] > metres[0]
    assert long.served_m2 >= short.served_m2
    assert long.worst_margin_m is not None
    # the deepest place below an eave cannot have more room than the eave is high
    for s in long.segments:
        if s.clearance_available_m is not None:
            assert s.clearance_available_m <= max(e.points[:, 2].max() for e in roof.edges) - roof.grade


@pytest.fixture(scope="module")
def gable(tmp_path_factory):
    plan = read_plan(MODELS / "gable.toml")
    plan = replace(plan, model=replace(plan.model, unit="m", up="z"))
    roof = build(MODELS / "gable.obj", unit="m", up="z", grade=0.0)
    return plan, check(roof, plan), trimesh.load_mesh(MODELS / "gable.obj", process=False)


def figures(result, back=lambda points: points):
    """Segments as (place, state, figures), without ids, so that numbering does not matter."""
    rows = []
    for s in result.segments:
        loaded = back(result.roof.to_loaded(np.array([s.start, s.end])))
        ends = sorted(tuple(np.round(p, 1) + 0.0) for p in loaded)
        if s.to_m - s.from_m > 0.05:
            rows.append((s.anchor, s.state, ends, s.margin_m, s.surplus_m))
    return sorted(rows, key=lambda row: (row[0], row[1], row[2]))


CHANGES = ["subdivided", "shuffled", "flipped", "moved", "turned", "in feet", "y up", "split"]


@pytest.mark.parametrize("change", CHANGES)
def test_the_same_building_told_another_way_has_the_same_findings(gable, change, tmp_path):
    plan, plain, mesh = gable
    vertices, faces = np.array(mesh.vertices), np.array(mesh.faces)
    turn, shift = np.eye(3), np.zeros(3)
    unit, up, parts = "m", "z", False
    if change == "subdivided":
        vertices, faces = trimesh.remesh.subdivide(vertices, faces)
    elif change == "shuffled":
        faces = faces[np.random.default_rng(2).permutation(len(faces))]
    elif change == "flipped":
        faces = faces[:, ::-1]
    elif change == "moved":
        shift = np.array([80_000.0, 450_000.0, 0.0])
    elif change == "turned":
        turn = trimesh.transformations.rotation_matrix(np.deg2rad(31.0), [0, 0, 1])[:3, :3]
    vertices = vertices @ turn.T + shift
    if change == "in feet":
        vertices, unit = vertices / 0.3048, "ft"
    elif change == "y up":
        vertices, up = vertices @ np.array([[1, 0, 0], [0, 0, -1], [0, 1, 0]]), "y"
    elif change == "split":
        vertices, faces = vertices[faces].reshape(-1, 3), np.arange(3 * len(faces)).reshape(-1, 3)
        parts = True
    lines = [f"v {x:.9f} {y:.9f} {z:.9f}" for x, y, z in vertices]
    for number, (a, b, c) in enumerate(faces + 1):
        lines += [f"o part{number}"] * parts + [f"f {a} {b} {c}"]
    path = tmp_path / "other.obj"
    path.write_text("\n".join(lines))
    roof = build(path, unit=unit, up=up, grade=0.0)
    anchors = tuple(replace(a, at=tuple(turn @ np.array(a.at) + shift)) for a in plan.anchors)
    other = check(roof, replace(plan, anchors=anchors))
    before = figures(plain)
    after = figures(other, lambda points: (points - shift) @ turn)
    assert [(a, s) for a, s, *_ in before] == [(a, s) for a, s, *_ in after]
    for one, two in zip(before, after, strict=True):
        assert np.abs(np.array(one[2]) - np.array(two[2])).max() <= 0.11
        if one[3] is not None:
            assert two[3] == pytest.approx(one[3], abs=0.02)
        assert two[4] == pytest.approx(one[4], abs=0.02)
    assert other.served_m2 == pytest.approx(plain.served_m2, rel=0.01)
    assert sorted({f.code for f in other.findings}) == sorted({f.code for f in plain.findings})


REAL = [
    "bsi_house_ifc",
    "denhaag_parts_nasty",
    "nl_rowhouse_dormer",
    "rotterdam_block_nasty",
    "vienna_hip_valley",
    "vienna_many_planes",
    "vienna_valley",
    "zurich_gable_open",
    "zurich_hip_bellcast",
]


@pytest.mark.parametrize("name", REAL)
def test_the_whole_job_on_a_real_building(name):
    """From file to findings, with the roof's own truth for the height that no clearance can exceed."""
    roof = build(shared_data(name) / f"{name}.glb")
    result = check(roof, ridge_plan(roof, 6.0))
    falls = {edge.id: edge.length_m for edge in roof.edges if edge.fall}
    for anchor in ("A1", "A2"):
        mine = [s for s in result.segments if s.anchor == anchor]
        assert {s.edge for s in mine} <= set(falls)
        assert all(0.0 <= s.from_m < s.to_m <= falls[s.edge] + 1e-6 for s in mine)
        # each stretch of a fall edge is assessed, or listed as a step down
        told = sum(s.to_m - s.from_m for s in mine) + sum(
            to - start for edge in result.to_json()["edges"] for start, to in edge.get("steps", [])
        )
        assert told == pytest.approx(sum(falls.values()), abs=0.02)
    top = max(edge.points[:, 2].max() for edge in roof.edges)
    for s in result.segments:
        assert s.state in STATES
        # no place is nearer than the straight line, none is served beyond the line
        straight = min(
            np.linalg.norm(roof.to_local(a.at) - p) for a in result.plan.anchors for p in (s.start, s.end)
        )
        assert s.taut_length_m >= straight - (s.to_m - s.from_m) - 1e-6
        if s.state in ("short", "swing", "arrest"):
            assert s.clearance_required_m > 0
        if s.clearance_available_m is not None:
            assert s.clearance_available_m <= top - roof.grade + 1e-6
            assert s.margin_m == pytest.approx(s.clearance_available_m - s.clearance_required_m, abs=1e-6)
        if s.state == "arrest":
            assert s.margin_m >= 0 and not s.breaks
    assert 0.0 < result.served_m2 <= result.work_m2
    assert result.work_m2 == pytest.approx(sum(plane.area_m2 for plane in roof.planes), rel=1e-3)
