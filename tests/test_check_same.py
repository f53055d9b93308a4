"""The whole check moved, turned, cut finer, in another order, in other units: same states and margins."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from roof3d.building import build
from roof3d.check import Result, check
from roof3d.load import read_mesh
from roof3d.records import STATES, Anchor, Floats, Ints, Line, Plan
from tests.conftest import MODELS, shared_data
from tests.test_check_never import plan_for

BORDER = 0.03  # m from where a state changes, which is known to a centimetre
EVERY = 0.37  # m
CLOSE = 1e-3  # m of margin
ON = 2e-3  # m from an edge
REAL = ("vienna_valley", "zurich_gable_open")
OWN = ("gable", "l-valley", "butterfly", "hip")
SHIFT = np.array([412_000.25, 5_330_000.5, 180.125])
Body = tuple[Floats, Ints]


def quarters(body: Body) -> Body:
    """Each triangle cut into four, in the same planes."""
    points, rows = body
    corner = points[rows]
    a, b, c = corner[:, 0], corner[:, 1], corner[:, 2]
    ab, bc, ca = (a + b) / 2, (b + c) / 2, (c + a) / 2
    parts = [np.stack(part, axis=1) for part in ((a, ab, ca), (ab, b, bc), (ca, bc, c), (ab, bc, ca))]
    soup = np.concatenate(parts).reshape(-1, 3)
    welded, back = np.unique(soup.round(9), axis=0, return_inverse=True)
    return welded, back.reshape(-1, 3)


def shuffled(body: Body) -> Body:
    points, rows = body
    rng = np.random.default_rng(5)
    order = rng.permutation(len(points))
    place = np.empty_like(order)
    place[order] = np.arange(len(order))
    turned = np.stack([np.roll(row, k) for row, k in zip(rows, rng.integers(0, 3, len(rows)), strict=True)])
    return points[order], place[turned][rng.permutation(len(rows))]


def turned(degrees: float) -> Callable[[Floats], Floats]:
    c, s = np.cos(np.deg2rad(degrees)), np.sin(np.deg2rad(degrees))
    turn = np.array([[c, s, 0.0], [-s, c, 0.0], [0.0, 0.0, 1.0]])
    return lambda points: points @ turn


WAYS: dict[str, tuple[Callable[[Body], Body], Callable[[Floats], Floats], str, float]] = {
    "moved": (lambda body: body, lambda points: points + SHIFT, "m", 1.0),
    "turned": (lambda body: body, turned(37.0), "m", 1.0),
    "turned back to front": (lambda body: body, turned(180.0), "m", 1.0),
    "finer": (quarters, lambda points: points, "m", 1.0),
    "another order": (shuffled, lambda points: points, "m", 1.0),
    "millimetres": (lambda body: body, lambda points: points, "mm", 1000.0),
    "feet": (lambda body: body, lambda points: points, "ft", 1 / 0.3048),
}


def written(path: Path, body: Body, scale: float) -> Path:
    lines = ["v " + " ".join(f"{x * scale:.9f}" for x in point) for point in body[0]]
    lines += ["f " + " ".join(str(k + 1) for k in row) for row in body[1]]
    path.write_text("\n".join(lines) + "\n")
    return path


def places(result: Result) -> tuple[Floats, list[tuple[int, float]]]:
    """Places of all edges away from where states change, with state and margin."""
    at, told = [], []
    for s in result.segments:
        size = s.to_m - s.from_m
        unit = (s.end - s.start) / max(float(np.linalg.norm(s.end - s.start)), 1e-12)
        for t in np.arange(BORDER, size - BORDER, EVERY):
            at.append(result.roof.to_loaded(s.start + t * unit))
            told.append((STATES.index(s.state), np.inf if s.margin_m is None else s.margin_m))
    return np.array(at), told


def found(result: Result, point: Floats) -> list[tuple[int, float]]:
    """State and margin of the segments that pass a place."""
    out = []
    for s in result.segments:
        start, end = result.roof.to_loaded(s.start), result.roof.to_loaded(s.end)
        along = end - start
        t = float(np.clip((point - start) @ along / max(float(along @ along), 1e-12), 0.0, 1.0))
        if np.linalg.norm(start + t * along - point) < ON:
            out.append((STATES.index(s.state), np.inf if s.margin_m is None else s.margin_m))
    return out


@pytest.fixture(scope="module", params=OWN + REAL)
def first(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> tuple[Body, Result]:
    name = request.param
    path = shared_data(name) / f"{name}.obj" if name in REAL else MODELS / f"{name}.glb"
    mesh = read_mesh(path, *(("m", "z") if name in REAL else (None, None)))
    body = mesh.vertices + mesh.origin, mesh.triangles
    roof = build(written(tmp_path_factory.mktemp("same") / "body.obj", body, 1.0), unit="m", up="z")
    return body, check(roof, plan_for(roof, 6.0))


@pytest.mark.parametrize("way", WAYS)
def test_nothing_changes(first: tuple[Body, Result], tmp_path: Path, way: str) -> None:
    body, before = first
    cut, moved, unit, scale = WAYS[way]
    points, rows = cut(body)
    roof = build(written(tmp_path / "body.obj", (moved(points), rows), scale), unit=unit, up="z")
    (anchor,) = before.plan.anchors
    at = moved(np.array([anchor.at]))[0]
    plan = Plan(rules=before.plan.rules, anchors=(Anchor("A1", tuple(at.tolist())),), line=Line(length=6.0))
    after = check(roof, plan)
    assert len(after.roof.planes) == len(before.roof.planes)
    assert after.served_m2 == pytest.approx(before.served_m2, abs=0.02 * before.work_m2)
    at, told = places(before)
    assert len(told) > 20
    for place, (state, margin) in zip(moved(at), told, strict=True):
        now = [
            m
            for code, m in found(after, place)
            if code == state and (m == margin or abs(m - margin) <= CLOSE)
        ]
        assert now, (place, STATES[state], margin, found(after, place))
