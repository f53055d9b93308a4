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


def figures(result):
    """Segments as (place, state, figures), without ids, so that numbering does not matter."""
    rows = []
    for s in result.segments:
        loaded = result.roof.to_loaded(np.array([s.start, s.end]))
        ends = sorted(tuple(np.round(p, 1) + 0.0) for p in loaded)
        if s.to_m - s.from_m > 0.05:
            rows.append((s.anchor, s.state, ends, s.margin_m, s.surplus_m))
    return sorted(rows, key=lambda row: (row[0], row[1], row[2]))


@pytest.mark.parametrize("change", ["subdivided", "shuffled", "flipped", "moved"])
def test_the_same_building_cut_another_way_has_the_same_findings(gable, change, tmp_path):
    plan, plain, mesh = gable
    vertices, faces = np.array(mesh.vertices), np.array(mesh.faces)
    shift = np.zeros(3)
    if change == "subdivided":
        vertices, faces = trimesh.remesh.subdivide(vertices, faces)
    elif change == "shuffled":
        faces = faces[np.random.default_rng(2).permutation(len(faces))]
    elif change == "flipped":
        faces = faces[:, ::-1]
    else:
        shift = np.array([80_000.0, 450_000.0, 0.0])
        vertices = vertices + shift
    lines = [f"v {x:.9f} {y:.9f} {z:.9f}" for x, y, z in vertices]
    lines += [f"f {a} {b} {c}" for a, b, c in faces + 1]
    path = tmp_path / "other.obj"
    path.write_text("\n".join(lines))
    roof = build(path, unit="m", up="z", grade=0.0)
    anchors = tuple(replace(a, at=tuple(np.array(a.at) + shift)) for a in plan.anchors)
    other = check(roof, replace(plan, anchors=anchors))
    before, after = figures(plain), figures(other)
    if change == "moved":
        after = [
            (a, s, [tuple(np.round(np.array(p) - shift, 1) + 0.0) for p in ends], m, u)
            for a, s, ends, m, u in after
        ]
        after.sort(key=lambda row: (row[0], row[1], row[2]))
    assert [(a, s) for a, s, *_ in before] == [(a, s) for a, s, *_ in after]
    for one, two in zip(before, after, strict=True):
        assert np.abs(np.array(one[2]) - np.array(two[2])).max() <= 0.11
        if one[3] is not None:
            assert two[3] == pytest.approx(one[3], abs=0.02)
        assert two[4] == pytest.approx(one[4], abs=0.02)
    assert other.served_m2 == pytest.approx(plain.served_m2, rel=0.01)
    assert sorted({f.code for f in other.findings}) == sorted({f.code for f in plain.findings})
