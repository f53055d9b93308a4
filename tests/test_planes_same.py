"""The same building, told otherwise: the same planes and the same edges."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from roof3d.building import from_mesh
from roof3d.load import read_mesh
from roof3d.records import Facet, Floats, Mesh, Roof
from tests.conftest import MODELS, shared_data

UNITS = {"gable": "m", "dormers": "mm", "flat": "ft", "terrace": "m", "mono-pitch": "m", "mansard": "m"}
REAL = ["vienna_hip_valley", "denhaag_parts_nasty", "rotterdam_block_nasty"]


@cache
def mesh_named(name: str) -> Mesh:
    if name in UNITS:
        return read_mesh(MODELS / f"{name}.obj", UNITS[name], "z")
    return read_mesh(shared_data(name) / f"{name}.obj", "m", "z")


@cache
def plain(name: str) -> Roof:
    return from_mesh(mesh_named(name))


def with_triangles(mesh: Mesh, rows: np.ndarray, triangles: np.ndarray | None = None) -> Mesh:
    return replace(
        mesh,
        triangles=mesh.triangles[rows] if triangles is None else triangles,
        parts=mesh.parts[rows],
        oriented=mesh.oriented[rows],
    )


def shuffled(mesh: Mesh) -> Mesh:
    """Triangles and vertices in another order, each triangle begun at another corner."""
    random = np.random.default_rng(7)
    rows = random.permutation(len(mesh.triangles))
    place = random.permutation(len(mesh.vertices))
    inverse = np.argsort(place)
    triangles = np.array(
        [np.roll(t, k) for t, k in zip(inverse[mesh.triangles[rows]], rows % 3, strict=True)]
    )
    return replace(with_triangles(mesh, rows, triangles), vertices=mesh.vertices[place])


def subdivided(mesh: Mesh) -> Mesh:
    """Each triangle in four."""
    corner = mesh.triangles
    sides = np.sort(np.concatenate([corner[:, [0, 1]], corner[:, [1, 2]], corner[:, [2, 0]]]), axis=1)
    unique, at = np.unique(sides, axis=0, return_inverse=True)
    middle = len(mesh.vertices) + at.reshape(3, -1)
    a, b, c = corner.T
    ab, bc, ca = middle
    parts = [[a, ab, ca], [ab, b, bc], [ca, bc, c], [ab, bc, ca]]
    triangles = np.concatenate([np.column_stack(part) for part in parts])
    rows = np.tile(np.arange(len(corner)), 4)
    points = np.vstack([mesh.vertices, mesh.vertices[unique].mean(axis=1)])
    return replace(with_triangles(mesh, rows, triangles), vertices=points)


def tee_junctions(mesh: Mesh) -> Mesh:
    """Every third triangle cut in two at the middle of its longest side; its neighbour is not told."""
    points = list(mesh.vertices)
    triangles: list[list[int]] = []
    rows: list[int] = []
    for row, corner in enumerate(mesh.triangles.tolist()):
        if row % 3:
            triangles.append(corner)
            rows.append(row)
            continue
        sides = [
            np.linalg.norm(mesh.vertices[corner[k]] - mesh.vertices[corner[(k + 1) % 3]]) for k in range(3)
        ]
        k = int(np.argmax(sides))
        a, b, c = corner[k], corner[(k + 1) % 3], corner[(k + 2) % 3]
        points.append(0.5 * (mesh.vertices[a] + mesh.vertices[b]))
        triangles += [[a, len(points) - 1, c], [len(points) - 1, b, c]]
        rows += [row, row]
    return replace(with_triangles(mesh, np.array(rows), np.array(triangles)), vertices=np.array(points))


def soup(mesh: Mesh) -> Mesh:
    """No vertex shared, and nothing known of inside and outside; every second triangle turned over."""
    triangles = np.arange(3 * len(mesh.triangles)).reshape(-1, 3)
    triangles[::2] = triangles[::2, ::-1]
    return replace(
        mesh,
        vertices=mesh.vertices[mesh.triangles].reshape(-1, 3),
        triangles=triangles,
        oriented=np.zeros(len(triangles), dtype=bool),
    )


def doubled(mesh: Mesh) -> Mesh:
    """Every face twice, the second time facing the other way."""
    rows = np.concatenate([np.arange(len(mesh.triangles))] * 2)
    triangles = np.vstack([mesh.triangles, mesh.triangles[:, ::-1]])
    both = with_triangles(mesh, rows, triangles)
    return replace(both, oriented=np.zeros(len(rows), dtype=bool))


def rounded(mesh: Mesh) -> Mesh:
    """Coordinates kept to single precision near the origin, as binary glTF does."""
    return replace(mesh, vertices=mesh.vertices.astype(np.float32).astype(np.float64))


def turned(mesh: Mesh) -> Mesh:
    angle = np.radians(37.3)
    matrix = np.array([[np.cos(angle), -np.sin(angle), 0], [np.sin(angle), np.cos(angle), 0], [0, 0, 1.0]])
    return replace(mesh, vertices=mesh.vertices @ matrix.T)


def moved(mesh: Mesh) -> Mesh:
    return replace(mesh, origin=mesh.origin + np.array([4.5e5, 5.2e6, 120.0]))


def shifted(mesh: Mesh) -> Mesh:
    return replace(mesh, vertices=mesh.vertices + np.array([311.7, -205.3, 17.9]))


CHANGES: list[Callable[[Mesh], Mesh]] = [
    shuffled,
    subdivided,
    tee_junctions,
    soup,
    doubled,
    rounded,
    turned,
    moved,
    shifted,
]


def lengths(roof: Roof) -> dict[str, float]:
    found: Counter[str] = Counter()
    for edge in roof.edges:
        found[f"{edge.kind} {'fall' if edge.fall else 'safe'}"] += edge.length_m
    return dict(found)


def turn(one: Facet, two: Facet, spin: float) -> float:
    """Angle between two downslopes, the first turned by ``spin``; none for level planes."""
    if min(one.pitch_deg, two.pitch_deg) <= 1:
        return 0.0
    return abs((one.azimuth_deg + spin - two.azimuth_deg + 180) % 360 - 180)


@pytest.mark.parametrize("change", CHANGES, ids=lambda change: change.__name__)
@pytest.mark.parametrize("name", [*UNITS, *REAL])
def test_nothing_changes(name: str, change: Callable[[Mesh], Mesh]) -> None:
    one, two = plain(name), from_mesh(change(mesh_named(name)))
    spin = 37.3 if change is turned else 0.0
    areas = [sorted(round(p.area_m2, 2) for p in roof.planes) for roof in (one, two)]
    # needles of a few hundredths of a square metre between planes that bend under 2 deg may change sides
    assert areas[0] == pytest.approx(areas[1], abs=0.03, rel=0.005)
    for plane in one.planes:
        other = min(
            two.planes,
            key=lambda p: (
                abs(p.area_m2 - plane.area_m2) + abs(p.pitch_deg - plane.pitch_deg) + turn(p, plane, spin)
            ),
        )
        assert other.pitch_deg == pytest.approx(plane.pitch_deg, abs=0.02)
        if plane.pitch_deg > 1:
            assert turn(other, plane, spin) < 0.05
    before, after = lengths(one), lengths(two)
    for kind in before.keys() | after.keys():
        assert after.get(kind, 0.0) == pytest.approx(before.get(kind, 0.0), abs=0.12, rel=0.002), kind


@pytest.mark.parametrize("scatter", [0.0005, 0.002, 0.005])
@pytest.mark.parametrize(
    "name", ["gable", "mansard", "terrace", "flat", "vienna_hip_valley", "rotterdam_block_nasty"]
)
def test_vertices_a_few_millimetres_off(name: str, scatter: float) -> None:
    """The same planes; not less to fall over, but for steps of a few centimetres between neighbours."""
    mesh = subdivided(mesh_named(name))
    noise = np.random.default_rng(1).normal(0.0, scatter, mesh.vertices.shape)
    one, two = plain(name), from_mesh(replace(mesh, vertices=mesh.vertices + noise))
    assert len(one.planes) == len(two.planes)
    area = sum(p.area_m2 for p in one.planes)
    assert sum(p.area_m2 for p in two.planes) == pytest.approx(area, rel=0.002)
    fall = [sum(e.length_m for e in roof.edges if e.fall) for roof in (one, two)]
    assert fall[1] == pytest.approx(fall[0], rel=0.01)


@pytest.mark.parametrize("name", ["dormers", "rotterdam_block_nasty"])
def test_names_of_planes_do_not_depend_on_the_order_of_triangles(name: str) -> None:
    one, two = plain(name), from_mesh(shuffled(mesh_named(name)))
    for first, second in zip(one.planes, two.planes, strict=True):
        assert first.id == second.id
        assert first.centroid == pytest.approx(second.centroid, abs=1e-6)
    for edge, other in zip(one.edges, two.edges, strict=True):
        assert (edge.id, edge.kind, edge.fall) == (other.id, other.kind, other.fall)
        assert edge.points == pytest.approx(other.points, abs=1e-6)


@pytest.mark.parametrize("name", list(UNITS))
def test_obj_and_glb_tell_the_same(name: str) -> None:
    one, two = plain(name), from_mesh(read_mesh(Path(MODELS) / f"{name}.glb"))
    assert len(one.planes) == len(two.planes)
    before, after = lengths(one), lengths(two)
    for kind in before.keys() | after.keys():
        assert after.get(kind, 0.0) == pytest.approx(before.get(kind, 0.0), abs=0.12, rel=0.002), kind


def test_same_bytes_twice() -> None:
    one, two = from_mesh(mesh_named("dormers")), from_mesh(mesh_named("dormers"))
    pairs: list[tuple[Floats, Floats]] = [
        (a.points, b.points) for a, b in zip(one.edges, two.edges, strict=True)
    ]
    assert all(a.tobytes() == b.tobytes() for a, b in pairs)
