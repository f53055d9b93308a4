"""Flat surfaces cut into very many triangles: cut anew into few, and nothing else changes."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from roof3d import taut
from roof3d.building import from_mesh
from roof3d.load import read_mesh
from roof3d.load.winding import find_edges
from roof3d.planes import flat
from roof3d.planes.flat import with_few_triangles
from roof3d.planes.recut import straight_rows
from roof3d.records import Floats, Mesh, Roof
from tests.bodies import box, cut, mesh_of, welded
from tests.conftest import MODELS, shared_data
from tests.taut_kit import finer

REAL = ["denhaag_gable", "rotterdam_block_nasty", "vienna_hip_valley", "zurich_gable_open", "bsi_house_ifc"]


@pytest.fixture(autouse=True)
def every_size(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Small meshes as well, so that tests are quick."""
    monkeypatch.setattr(flat, "FROM_TRIANGLES", 1)
    monkeypatch.setattr(flat, "WORTH", 3)
    yield


def model(name: str) -> Mesh:
    return read_mesh(MODELS / f"{name}.glb")


def areas(mesh: Mesh) -> tuple[float, float]:
    """Area, m2, and volume, m3 (as far as closed)."""
    corner = mesh.vertices[mesh.triangles]
    cross = np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])
    volume = np.einsum("ij,ij->", corner[:, 0], cross) / 6
    return 0.5 * float(np.linalg.norm(cross, axis=1).sum()), float(volume)


def uses(mesh: Mesh) -> list[int]:
    """How many edges have one triangle, two, more."""
    counts = np.bincount(find_edges(mesh.triangles, len(mesh.vertices)).uses, minlength=3)
    return [int(count) for count in counts[1:]]


def split_at_random(mesh: Mesh, times: int, seed: int) -> Mesh:
    """Triangles cut in two at random places of random edges, with all that share the edge."""
    rng = np.random.default_rng(seed)
    points = mesh.vertices.tolist()
    triangles = [tuple(row) for row in mesh.triangles.tolist()]
    source = list(range(len(triangles)))
    for _ in range(times):
        a, b, _ = np.roll(triangles[rng.integers(len(triangles))], rng.integers(3)).tolist()
        share = float(rng.uniform(0.2, 0.8))
        points.append([(1 - share) * p + share * q for p, q in zip(points[a], points[b], strict=True)])
        new = len(points) - 1
        for row in [row for row, t in enumerate(triangles) if a in t and b in t]:
            old = triangles[row]
            triangles[row] = tuple(new if k == a else k for k in old)
            triangles.append(tuple(new if k == b else k for k in old))
            source.append(source[row])
    return replace(
        mesh,
        vertices=np.array(points),
        triangles=np.array(triangles),
        parts=mesh.parts[source],
        oriented=mesh.oriented[source],
    )


def same_roof(one: Roof, two: Roof, off: float = 1e-6) -> None:
    assert len(one.planes) == len(two.planes)
    for a, b in zip(one.planes, two.planes, strict=True):
        assert a.id == b.id
        assert a.area_m2 == pytest.approx(b.area_m2, rel=1e-5)
        assert a.normal == pytest.approx(b.normal, abs=1e-5)
    assert len(one.edges) == len(two.edges)
    for e, f in zip(one.edges, two.edges, strict=True):
        assert (e.id, e.kind, e.fall, e.facets, e.doubt) == (f.id, f.kind, f.fall, f.facets, f.doubt)
        assert e.points == pytest.approx(f.points, abs=off)
        assert e.drop_m == pytest.approx(f.drop_m, abs=1e-3)


def on_edges(mesh: Mesh, number: int, seed: int) -> Floats:
    """Places a little over random triangles that face up."""
    rng = np.random.default_rng(seed)
    corner = mesh.vertices[mesh.triangles]
    cross = np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])
    weight = np.where(cross[:, 2] > 0.2 * np.linalg.norm(cross, axis=1), cross[:, 2], 0.0)
    chosen = rng.choice(len(corner), number, p=weight / weight.sum())
    places: Floats = np.einsum("nc,nck->nk", rng.dirichlet(np.ones(3), number), corner[chosen])
    return places + np.array([0.0, 0.0, 0.9])


# ------------------------------------------------------------------------- what may not change


@pytest.mark.parametrize("name", ["gable", "l-valley", "dormers", "flat", "terrace", "forty-planes"])
def test_a_finely_cut_model_is_the_model(name: str) -> None:
    plain = model(name)
    few = with_few_triangles(finer(plain, 3))
    assert len(few.triangles) == len(plain.triangles)
    assert uses(few) == [0, 3 * len(few.triangles) // 2]  # closed
    assert areas(few) == pytest.approx(areas(plain), rel=1e-7)
    same_roof(from_mesh(plain), from_mesh(finer(plain, 3)))


@pytest.mark.parametrize("name", REAL)
def test_a_finely_cut_real_building_is_the_building(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    plain = read_mesh(shared_data(name) / f"{name}.glb")
    monkeypatch.setattr(flat, "FROM_TRIANGLES", len(plain.triangles) + 1)
    same_roof(from_mesh(plain), from_mesh(finer(plain, 3)))


@settings(deadline=None, max_examples=15)
@given(st.integers(0, 2**32 - 1), st.sampled_from(["gable", "hip", "l-valley", "mansard"]))
def test_cut_any_way_it_is_the_same_body(seed: int, name: str) -> None:
    plain = model(name)
    cut_up = split_at_random(plain, 150, seed)
    few = with_few_triangles(cut_up)
    assert len(few.triangles) <= len(plain.triangles) + 40  # small regions are not worth it
    assert uses(few) == [0, 3 * len(few.triangles) // 2]
    assert areas(few) == pytest.approx(areas(plain), rel=1e-6)
    known = {tuple(p) for p in cut_up.vertices.tolist()}
    assert {tuple(p) for p in few.vertices.tolist()} <= known  # no vertex is moved


def test_forty_planes_at_forty_thousand_triangles_lengths_within_a_millimetre() -> None:
    plain = model("forty-planes")
    fine = split_at_random(finer(plain, 3), 200, 4)
    one, two = from_mesh(plain), from_mesh(fine)
    same_roof(one, two)
    places = on_edges(plain, 200, 2)
    anchor = on_edges(plain, 1, 5)[0]
    a, b = (taut.measure(taut.prepare(roof), anchor, places, 25.0) for roof in (one, two))
    near = a.hi <= 25.0
    assert near.sum() > 30
    assert b.hi[near] == pytest.approx(a.hi[near], abs=1e-3)
    assert b.lo[near] == pytest.approx(a.lo[near], abs=1e-3)


def test_the_same_bytes_twice_and_once_more() -> None:
    fine = finer(model("dormers"), 3)
    one, two = with_few_triangles(fine), with_few_triangles(fine)
    assert one.triangles.tobytes() == two.triangles.tobytes()
    again = with_few_triangles(one)
    assert again.vertices.tobytes() == one.vertices.tobytes()
    assert areas(again) == pytest.approx(areas(one), rel=1e-12)


def test_it_is_told() -> None:
    told = with_few_triangles(finer(model("gable"), 4)).repairs[-1]
    assert "10240 triangles became 40" in told
    assert "0.1 mm" in told


@pytest.mark.parametrize(("name", "times"), [("forty-planes", 4), ("dormers", 5), ("mansard", 5)])
def test_a_finely_cut_model_kept_to_millimetres_has_the_same_edges(name: str, times: int) -> None:
    """Triangles of a few centimetres then lean by degrees; their corners are off by half a millimetre."""
    plain = model(name)
    fine = finer(plain, times)
    one, two = from_mesh(plain), from_mesh(replace(fine, vertices=fine.vertices.round(3)))
    assert len(two.planes) == len(one.planes)
    assert len(two.edges) == len(one.edges)
    for e, f in zip(one.edges, two.edges, strict=True):
        assert (e.kind, e.fall) == (f.kind, f.fall)
        assert e.length_m == pytest.approx(f.length_m, abs=0.01)


# ------------------------------------------------------------------------- what is not merged


def test_a_finely_cut_barrel_keeps_all_its_triangles() -> None:
    """Bends of 0.2 degrees, 0.02 mm from one triangle to the next: merged they would be off by metres."""
    angle = np.linspace(0, np.pi / 2, 451)
    x, z = 5 * np.cos(angle), 5 * np.sin(angle)
    along = np.linspace(0, 8, 40)
    points = np.stack([np.tile(along, 451), np.repeat(x, 40), np.repeat(z, 40)], axis=1)
    grid = np.arange(451 * 40).reshape(451, 40)
    a, b, c, d = grid[:-1, :-1], grid[:-1, 1:], grid[1:, 1:], grid[1:, :-1]
    triangles = np.concatenate(
        [np.stack([k.ravel() for k in (a, b, c)], axis=1), np.stack([k.ravel() for k in (a, c, d)], axis=1)]
    )
    mesh = mesh_of(points, triangles)
    few = with_few_triangles(mesh)
    off = np.abs(np.hypot(few.vertices[:, 1], few.vertices[:, 2]) - 5)
    assert off.max() < 1e-9
    middle = few.vertices[few.triangles].mean(axis=1)
    assert np.abs(np.hypot(middle[:, 1], middle[:, 2]) - 5).max() < 2e-4
    assert areas(few)[0] == pytest.approx(areas(mesh)[0], rel=1e-6)


@pytest.mark.parametrize("degrees", [0.02, 0.1, 0.5, 1.5])
def test_a_slight_crease_stays_where_it_is(degrees: float) -> None:
    tilt = 4 * np.tan(np.radians(degrees))
    one = cut([(-4, 0, -tilt), (0, 0, 0), (0, 3, 0), (-4, 3, -tilt)])
    two = cut([(0, 0, 0), (4, 0, -tilt), (4, 3, -tilt), (0, 3, 0)])
    few = with_few_triangles(finer(welded([one, two]), 5))
    level = few.vertices[np.abs(few.vertices[:, 2]) < 1e-9]
    assert len(few.triangles) == 4
    assert {tuple(p) for p in level.round(9).tolist()} == {(0, 0, 0), (0, 3, 0)}


def test_parts_and_unknown_sides_keep_their_borders() -> None:
    plate = finer(welded([cut([(0, 0, 0), (4, 0, 0), (4, 4, 0), (0, 4, 0)])]), 5)
    middle = plate.vertices[plate.triangles].mean(axis=1)
    parts = (middle[:, 0] > 2).astype(np.int64)
    told = middle[:, 1] > 2
    few = with_few_triangles(replace(plate, parts=parts, part_names=("tiles", "glass"), oriented=told))
    corner = few.vertices[few.triangles]
    size = 0.5 * np.abs(np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])[:, 2])
    assert np.bincount(few.parts, size) == pytest.approx([8, 8])
    assert size[few.oriented].sum() == pytest.approx(8)
    middle = corner.mean(axis=1)
    assert ((middle[:, 0] > 2) == (few.parts == 1)).all()
    assert ((middle[:, 1] > 2) == few.oriented).all()


def test_holes_stay_open() -> None:
    hole = [(1, 1, 0), (1, 2, 0), (2, 2, 0), (2, 1, 0)]
    plate = welded([cut([(0, 0, 0), (4, 0, 0), (4, 4, 0), (0, 4, 0)], [hole])])
    few = with_few_triangles(finer(plate, 4))
    assert areas(few)[0] == pytest.approx(15)
    assert uses(few) == [8, uses(few)[1]]
    assert len(few.triangles) == 8


def test_two_sheets_back_to_back_stay_two() -> None:
    """A wall without thickness: both faces share their rim and nothing else."""
    face = [(0, 0, 0), (4, 0, 0), (4, 0, 3), (0, 0, 3)]
    plate = finer(welded([cut(face)]), 4)
    count = len(plate.vertices)
    rim = (plate.vertices[:, [0, 2]] <= 0).any(axis=1) | (plate.vertices[:, 0] >= 4)
    rim |= plate.vertices[:, 2] >= 3
    other = np.where(rim, np.arange(count), np.arange(count) + count)
    both = mesh_of(
        np.vstack([plate.vertices, plate.vertices]),
        np.vstack([plate.triangles, other[plate.triangles][:, ::-1]]),
    )
    few = with_few_triangles(both)
    assert areas(few)[0] == pytest.approx(24)
    assert areas(few)[1] == pytest.approx(0, abs=1e-9)
    assert len(few.triangles) == 12  # the file's own ones in two corners, where both faces are one triangle


def test_a_sheet_that_stands_on_a_plane_keeps_its_foot() -> None:
    """Three triangles at an edge: the plane is not merged across it, nor does the foot lose its corners."""
    floor = finer(welded([cut([(0, 0, 0), (4, 0, 0), (4, 4, 0), (0, 4, 0)])]), 4)
    points = [*floor.vertices.tolist(), [1, 2, 1], [3, 2, 1]]
    row = {tuple(np.round(p, 9).tolist()): k for k, p in enumerate(points)}
    steps = np.arange(1, 3.01, 0.25)
    foot = [row[(x, 2.0, 0.0)] for x in steps.tolist()]
    left, right = len(points) - 2, len(points) - 1
    stand = [(a, b, left) for a, b in pairwise(foot)] + [(foot[-1], right, left)]
    whole = mesh_of(np.array(points), np.vstack([floor.triangles, stand]))
    few = with_few_triangles(whole)
    assert areas(few)[0] == pytest.approx(areas(whole)[0], rel=1e-9)
    kept = {tuple(p) for p in few.vertices.round(9).tolist()}
    assert {(x, 2.0, 0.0) for x in steps.tolist()} <= kept


def test_scattered_vertices_are_left_alone() -> None:
    fine = finer(model("gable"), 3)
    rng = np.random.default_rng(3)
    noisy = replace(fine, vertices=fine.vertices + rng.normal(0, 0.002, fine.vertices.shape))
    few = with_few_triangles(noisy)
    assert areas(few) == pytest.approx(areas(noisy), rel=1e-7)
    assert len(few.triangles) > 0.99 * len(noisy.triangles)


def test_a_needle_along_a_ridge_joins_no_two_planes() -> None:
    one = cut([(0, 0, 0), (8, 0, 0), (8, 4, 3), (0, 4, 3)])
    two = cut([(0, 4.00005, 3), (8, 4.00005, 3), (8, 8, 0), (0, 8, 0)])
    gap = np.array([[(0, 4, 3), (8, 4, 3), (8, 4.00005, 3)], [(0, 4, 3), (8, 4.00005, 3), (0, 4.00005, 3)]])
    fine = finer(welded([one, two, gap]), 4)
    rounding = np.random.default_rng(1).uniform(-2e-6, 2e-6, fine.vertices.shape)
    few = with_few_triangles(replace(fine, vertices=fine.vertices + rounding))
    up = few.vertices[few.triangles]
    cross = np.cross(up[:, 1] - up[:, 0], up[:, 2] - up[:, 0])
    assert cross[cross[:, 1] < -1e-3].sum(axis=0) == pytest.approx((0, -48, 64), abs=1e-3)
    assert cross[cross[:, 1] > 1e-3].sum(axis=0) == pytest.approx((0, 48, 64), abs=1e-3)
    assert len(few.triangles) < 1000


def test_an_outline_that_touches_itself_is_cut_right() -> None:
    """Two squares that meet in a corner, on one plane with a third that joins them: a ring round a hole."""
    ring = [
        cut([(x, y, 0), (x + 1, y, 0), (x + 1, y + 1, 0), (x, y + 1, 0)]) for x in range(3) for y in range(3)
    ]
    plate = finer(welded([square for k, square in enumerate(ring) if k not in (4, 8)]), 3)
    few = with_few_triangles(plate)
    assert areas(few)[0] == pytest.approx(7)
    assert all(area == pytest.approx(7) for area in (areas(few)[0], areas(plate)[0]))


def test_overlapping_sheets_of_one_plane_are_left_as_they_are() -> None:
    """A strip that is wound twice round a corner: its outline crosses itself, so it is not cut anew."""
    angle = np.radians(np.arange(0, 541, 10))
    inner = np.stack([np.cos(angle), np.sin(angle), 0 * angle], axis=1)
    points = np.concatenate([inner, 2 * inner])
    count = len(angle)
    rows = np.arange(count - 1)
    triangles = np.concatenate(
        [
            np.stack([rows, rows + count, rows + count + 1], axis=1),
            np.stack([rows, rows + count + 1, rows + 1], axis=1),
        ]
    )
    mesh = mesh_of(points, triangles)
    few = with_few_triangles(mesh)
    assert areas(few)[0] == pytest.approx(areas(mesh)[0], rel=1e-9)


def test_a_box_of_a_million_metres_offset_stays_closed() -> None:
    """The local origin is taken away when a file is read; here it is not, and rounding is 1e-10 m."""
    body = finer(welded(box(0, 8, 0, 6, 0, 3)), 4)
    few = with_few_triangles(replace(body, vertices=body.vertices + np.array([1e6, 2e6, 0.0])))
    assert len(few.triangles) == 12
    assert uses(few) == [0, 18]


# ------------------------------------------------------------------------- parts of it


def test_straight_rows_keeps_what_is_off_the_line() -> None:
    points = np.array([(0, 0, 0), (1, 0.00005, 0), (2, 0, 0), (3, 0.1, 0), (4, 0, 0)], dtype=float)
    assert straight_rows(points, 1e-4).tolist() == [True, False, True, True, True]
    back = np.array([(0, 0, 0), (5, 0, 0), (3, 0, 0)], dtype=float)  # there and back again
    assert straight_rows(back, 1e-4).all()


def test_both_ways_of_sorting_find_the_same_pairs() -> None:
    corner = np.ascontiguousarray(finer(model("dormers"), 2).triangles.T)
    few = flat.shared_sides(corner, int(corner.max()) + 1)
    many = flat.shared_sides(corner, 2**31)  # too many vertices to pack rows and keys into one number
    assert {*zip(*few, strict=True)} == {*zip(*many, strict=True)}


def test_pairs_run_opposite_ways_along_an_edge_of_their_own() -> None:
    triangles = np.array([[0, 1, 2], [1, 0, 3], [1, 2, 4], [1, 2, 5], [2, 0, 6], [0, 2, 7], [2, 0, 8]])
    one, two = flat.shared_sides(np.ascontiguousarray(triangles.T), 9)
    assert [(int(s) % 7, int(t) % 7) for s, t in zip(one, two, strict=True)] == [(0, 1)]


def test_small_meshes_are_not_touched(monkeypatch: pytest.MonkeyPatch) -> None:
    mesh = finer(model("gable"), 2)
    monkeypatch.setattr(flat, "FROM_TRIANGLES", len(mesh.triangles) + 1)
    assert with_few_triangles(mesh) is mesh
