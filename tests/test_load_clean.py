"""Welding, dropping, turning and ordering: whatever the file does, the same mesh comes out."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from roof3d.load import read_mesh, sky, winding
from roof3d.load.clean import Cleaned, clean
from roof3d.load.sky import directions, sky_votes
from roof3d.load.weld import weld
from roof3d.records import Mesh
from tests.load_helpers import (
    SHED_AREA,
    SHED_FACES,
    SHED_POINTS,
    SHED_TRIANGLES,
    SHED_VOLUME,
    area,
    assert_same_mesh,
    fan,
    loaded,
    volume,
    write_obj,
)

OPEN_TRIANGLES = fan(SHED_FACES[1:])  # no floor
ROOF_TRIANGLES = fan(SHED_FACES[5:])
WALL_TRIANGLES = fan(SHED_FACES[1:5])


def cleaned(points: Any, triangles: Any, parts: Any = None, names: tuple[str, ...] = ("",)) -> Cleaned:
    triangles = np.asarray(triangles, dtype=np.int64)
    parts = np.zeros(len(triangles), dtype=np.int64) if parts is None else np.asarray(parts)
    return clean(np.asarray(points, dtype=float), triangles, parts, names)


def normals(mesh: Cleaned | Mesh) -> np.ndarray:
    a, b, c = (mesh.vertices[mesh.triangles[:, k]] for k in range(3))
    cross = np.cross(b - a, c - a)
    return cross / np.linalg.norm(cross, axis=1)[:, None]


def outward(mesh: Cleaned | Mesh) -> np.ndarray:
    """Which triangles face away from the middle of the shed (which is convex)."""
    centre = mesh.vertices[mesh.triangles].mean(axis=1)
    return np.einsum("ni,ni->n", normals(mesh), centre - [5, 3, 2]) > 0


# ------------------------------------------------------------------------------------------ weld


def test_weld_joins_what_is_near_and_nothing_else() -> None:
    points = np.array([[0, 0, 0], [0, 0, 0.00009], [0, 0, 0.0003], [1, 0, 0], [1, 0, 0], [-0.0, 0, 0]])
    joined = weld(points, 1e-4)
    assert joined.row[0] == joined.row[1] == joined.row[5]
    assert joined.row[3] == joined.row[4]
    assert len(joined.points) == 3
    np.testing.assert_allclose(joined.points[joined.row[0]], [0, 0, 0.000045])
    assert joined.moved_m == pytest.approx(0.000045)
    assert joined.near == 1


def test_welded_points_are_sorted_by_where_they_went() -> None:
    # the mean of the first two lies behind the third, their first point before it
    joined = weld(np.array([[0, 0, 0], [8e-5, 0, 0], [1e-5, 1, 0]]), 1e-4)
    np.testing.assert_allclose(joined.points, [[1e-5, 1, 0], [4e-5, 0, 0]])
    assert joined.row.tolist() == [1, 1, 0]


@settings(deadline=None)
@given(st.integers(0, 2**32 - 1))
def test_weld_does_not_care_for_order_repetition_or_grid(seed: int) -> None:
    rng = np.random.default_rng(seed)
    centres = rng.random((20, 3)) * 5
    points = np.repeat(centres, 4, axis=0) + rng.normal(size=(80, 3)) * 1e-5
    first = weld(points, 1e-4)
    order = rng.permutation(np.repeat(np.arange(80), 2))
    other = weld(points[order], 1e-4)
    np.testing.assert_array_equal(first.points, other.points)
    np.testing.assert_array_equal(first.row[order], other.row)
    # a grid of cells would split points that lie on either side of a line; a shift shows it
    shift = rng.random(3)
    moved = weld(points + shift, 1e-4)
    np.testing.assert_allclose(moved.points[moved.row], first.points[first.row] + shift, atol=1e-9)


def test_points_over_the_tolerance_stay_apart(tmp_path: Path) -> None:
    # a slit of 1 mm in a roof is in the model: it is not closed in silence
    points = [[0, 0, 0], [4, 0, 0], [4, 2, 0], [0, 2, 0], [0, 2.001, 0], [4, 2.001, 0], [4, 4, 0], [0, 4, 0]]
    mesh = cleaned(points, fan([(0, 1, 2, 3), (4, 5, 6, 7)]))
    assert len(mesh.vertices) == 8
    assert "8 edges on one triangle only" in mesh.doubts[0]


# --------------------------------------------------------------------------------- what is dropped


def test_every_repair_is_counted() -> None:
    triangles = [*SHED_TRIANGLES, *SHED_TRIANGLES[:3], SHED_TRIANGLES[4][::-1], (0, 0, 1), (0, 1, 1)]
    triangles[8] = triangles[8][::-1]
    mesh = cleaned(
        SHED_POINTS[np.asarray(triangles)].reshape(-1, 3), np.arange(3 * len(triangles)).reshape(-1, 3)
    )
    assert mesh.repairs == (
        "Welded 66 vertices to 10.",
        "Dropped 2 triangles without area.",
        "Dropped 4 repeated triangles.",
        "Turned 1 triangle to face outward.",
    )
    assert len(mesh.triangles) == 16
    assert outward(mesh).all()
    assert mesh.oriented.all()


def test_needle_keeps_its_neighbours_together() -> None:
    # a corner in the middle of the ridge, filled by a triangle without area on one side
    points = np.vstack((SHED_POINTS, [[5, 3, 5]]))
    faces = [*SHED_FACES[:5], (4, 5, 9, 10, 8), (6, 7, 8), (6, 8, 9), (8, 10, 9)]
    mesh = cleaned(points, fan(faces))
    assert mesh.repairs == ("Dropped 1 triangle without area.",)
    assert mesh.oriented.all()
    assert mesh.doubts == ()
    # without it there is a T-junction, which is told
    mesh = cleaned(points, fan(faces[:-1]))
    assert mesh.doubts[0] == (
        "The surface is not closed: 3 edges on one triangle only; "
        "1 edge with other vertices on it (T-junctions)."
    )
    assert outward(mesh).all()
    assert mesh.oriented.all()


def test_triangles_of_millimetres_are_kept() -> None:
    mesh = cleaned(np.array([[0, 0, 0], [0.001, 0, 0], [0, 0.001, 0]]), [[0, 1, 2]])
    assert len(mesh.triangles) == 1


# ----------------------------------------------------------------------------------- orientation


@pytest.mark.parametrize("triangles", [SHED_TRIANGLES, OPEN_TRIANGLES, ROOF_TRIANGLES])
@given(st.integers(0, 2**32 - 1))
@settings(deadline=None, max_examples=25)
def test_any_winding_comes_out_outward(triangles: np.ndarray, seed: int) -> None:
    # closed: by volume; without a floor, and the bare roof: by the sky
    rng = np.random.default_rng(seed)
    flip = rng.random(len(triangles)) < rng.choice([0, 0.5, 1])
    mesh = cleaned(SHED_POINTS, np.where(flip[:, None], triangles[:, ::-1], triangles))
    assert outward(mesh).all()
    assert mesh.oriented.all()
    turned = [text for text in mesh.repairs if text.startswith("Turned")]
    assert turned == (
        [f"Turned {flip.sum()} triangle{'s' if flip.sum() > 1 else ''} to face outward."]
        if flip.any()
        else []
    )


def test_two_sheds_side_by_side_share_a_wall() -> None:
    # both closed, one wall there twice: its edges have three triangles and more, the sky decides
    points = np.vstack((SHED_POINTS, SHED_POINTS * [-1, 1, 1] + np.array([20, 0, 0])))
    mesh = cleaned(points, np.vstack((SHED_TRIANGLES, SHED_TRIANGLES + 10)))
    assert "Dropped 3 repeated triangles." in mesh.repairs
    wall = (np.abs(mesh.vertices[mesh.triangles][:, :, 0] - 10) < 1e-9).all(axis=1)
    assert np.count_nonzero(wall) == 3
    assert mesh.oriented[~wall].all()
    assert not mesh.oriented[wall].any()
    assert "Unknown which side of 3 triangles is outside (24.0 m²)." in mesh.doubts
    centre = mesh.vertices[mesh.triangles].mean(axis=1)
    away = np.einsum("ni,ni->n", normals(mesh), centre - [10, 3, 2])
    assert (away[~wall] > 0).all()


def test_a_sheet_that_sees_the_sky_on_both_sides_has_no_outside() -> None:
    fence = [[0, 0, 0], [8, 0, 0], [8, 0, 2], [0, 0, 2]]
    for faces in ([(0, 1, 2, 3)], [(3, 2, 1, 0)]):
        mesh = cleaned(fence, fan(faces))
        assert not mesh.oriented.any()
        assert "Unknown which side of 2 triangles is outside (16.0 m²)." in mesh.doubts
        np.testing.assert_allclose(normals(mesh), [[0, 1, 0]] * 2)  # the same, however the file winds it


def test_a_level_sheet_faces_up() -> None:
    for faces in ([(0, 1, 2, 3)], [(3, 2, 1, 0)]):
        mesh = cleaned([[0, 0, 3], [8, 0, 3], [8, 5, 3], [0, 5, 3]], fan(faces))
        assert mesh.oriented.all()
        np.testing.assert_allclose(normals(mesh), [[0, 0, 1]] * 2)


def test_the_underside_of_a_slab_is_not_guessed() -> None:
    # top and underside of a sloped roof, 0.2 m apart, no rim: no side of the underside sees the sky,
    # so that is a doubt and no claim
    top = SHED_POINTS[[4, 5, 9, 8, 6, 7]]
    points = np.vstack((top, top - np.array([0, 0, 0.2])))
    faces = [(0, 1, 2, 3), (3, 2, 4, 5), (6, 7, 8, 9), (9, 8, 10, 11)]
    mesh = cleaned(points, fan(faces))
    upper = mesh.vertices[mesh.triangles][:, :, 2].max(axis=1) > 4.9
    assert mesh.oriented[upper].all()
    assert (normals(mesh)[upper, 2] > 0).all()
    assert not mesh.oriented[~upper].any()


def test_a_moebius_strip_is_a_doubt() -> None:
    count = 12
    angle = np.linspace(0, 2 * np.pi, count, endpoint=False)
    half = angle / 2
    rim = [
        np.stack(
            (
                (5 + s * np.cos(half)) * np.cos(angle),
                (5 + s * np.cos(half)) * np.sin(angle),
                s * np.sin(half),
            ),
            1,
        )
        for s in (-1, 1)
    ]
    points = np.vstack(rim)
    triangles = []
    for i in range(count):
        j = (i + 1) % count
        a, b = i, i + count
        c, d = (j, j + count) if j else (j + count, j)
        triangles += [(a, b, c), (b, d, c)]
    mesh = cleaned(points, triangles)
    assert not mesh.oriented.any()
    assert any("one-sided" in text for text in mesh.doubts)


def test_samples_run_out_without_a_wrong_answer(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(winding, "_SAMPLES", 4)
    loose = np.arange(3 * len(ROOF_TRIANGLES)).reshape(-1, 3)
    points = SHED_POINTS[ROOF_TRIANGLES].reshape(-1, 3) + np.repeat(np.arange(len(loose)), 3)[:, None] * [
        20,
        0,
        0,
    ]
    far = np.array([[100, 0, 0], [100.5, 0, 0], [100, 0.5, 0]])
    mesh = cleaned(np.vstack((points, far)), np.vstack((loose, loose[-1:] + 3)))
    assert np.count_nonzero(~mesh.oriented) == 1
    assert any("1 triangle is outside" in text for text in mesh.doubts)


# ------------------------------------------------------------------------------------------- sky


def test_directions_fill_the_upper_half() -> None:
    around = directions()
    np.testing.assert_allclose(np.linalg.norm(around, axis=1), 1)
    assert (around[:, 2] > 0).all()
    # a level plate sees sum of 2 cos / n = 1 of the sky; a wall half of that on each side
    np.testing.assert_allclose(2 * around[:, 2].mean(), 1, atol=1e-12)
    assert abs(around[:, :2].mean(axis=0)).max() < 0.05


def test_sky_of_a_plate_under_a_lid() -> None:
    plate = np.array([[[-1, -1, 0], [1, -1, 0], [0, 1, 0]]], dtype=float)
    point, up = np.zeros((1, 3)), np.array([[0.0, 0, 1]])
    assert sky_votes(plate, point, up)[0] == pytest.approx(1)
    assert sky_votes(plate, point, up)[1] == 0
    lid = np.array([[[-50, -50, 1], [50, -50, 1], [0, 80, 1]]], dtype=float)
    covered = sky_votes(np.vstack((plate, lid)), point, up)[0]
    # half-space form factor of a lid 1 m up, 20 m and more wide: under 1 % of cosine-weighted sky is left
    assert covered < 0.02
    far = sky_votes(np.vstack((plate, lid + np.array([0, 0, 60]))), point, up)[0]
    assert 0.2 < far < 0.95


@settings(deadline=None, max_examples=20)
@given(st.integers(0, 2**32 - 1))
def test_sky_against_a_plain_loop(seed: int) -> None:
    # reference: Moeller and Trumbore's test of every ray with every triangle
    rng = np.random.default_rng(seed)
    corners = rng.random((40, 1, 3)) * 10 + rng.normal(size=(40, 3, 3)) * 2
    points = corners.mean(axis=1)[:10]
    cross = np.cross(corners[:10, 1] - corners[:10, 0], corners[:10, 2] - corners[:10, 0])
    facing = cross / np.linalg.norm(cross, axis=1)[:, None]
    front, back = np.zeros(10), np.zeros(10)
    around = directions()
    for i, origin in enumerate(points):
        for way in around:
            hit = False
            for j, (a, b, c) in enumerate(corners):
                matrix = np.column_stack((b - a, c - a, -way))
                u, v, t = np.linalg.solve(matrix, origin - a)
                hit = hit or (j != i and u >= 0 and v >= 0 and u + v <= 1 and t > 1e-3)
            slant = float(facing[i] @ way)
            if not hit and slant > 0:
                front[i] += 2 * slant / len(around)
            elif not hit:
                back[i] -= 2 * slant / len(around)
    got = sky_votes(corners, points, facing)
    np.testing.assert_allclose(got[0], front, atol=1e-12)
    np.testing.assert_allclose(got[1], back, atol=1e-12)


def test_sky_of_many_triangles_equals_that_of_few(monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(5)
    corners = rng.random((3000, 1, 3)) * 30 + rng.normal(size=(3000, 3, 3))
    cross = np.cross(corners[:50, 1] - corners[:50, 0], corners[:50, 2] - corners[:50, 0])
    facing = cross / np.linalg.norm(cross, axis=1)[:, None]
    whole = sky_votes(corners, corners[:50].mean(axis=1), facing)
    monkeypatch.setattr(sky, "_CHUNK", 7)
    parts = sky_votes(corners, corners[:50].mean(axis=1), facing)
    np.testing.assert_array_equal(whole, parts)


# ------------------------------------------------------------------------------------ metamorphic


def shuffled(seed: int, points: np.ndarray, triangles: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Vertices and triangles in another order, corners rotated, some vertices repeated, some wound back."""
    rng = np.random.default_rng(seed)
    order = rng.permutation(np.concatenate((np.arange(len(points)), rng.integers(0, len(points), 5))))
    where = [rng.choice(np.flatnonzero(order == row)) for row in range(len(points))]
    mixed = np.array([[where[corner] for corner in np.roll(row, rng.integers(3))] for row in triangles])
    back = rng.random(len(mixed)) < 0.3
    mixed[back] = mixed[back][:, ::-1]
    return points[order], mixed[rng.permutation(len(mixed))]


@settings(deadline=None, max_examples=30)
@given(
    st.integers(0, 2**32 - 1),
    st.sampled_from([SHED_TRIANGLES, OPEN_TRIANGLES, ROOF_TRIANGLES, WALL_TRIANGLES]),
)
def test_order_repetition_and_winding_change_nothing(seed: int, triangles: np.ndarray) -> None:
    first = cleaned(SHED_POINTS, triangles)
    other = cleaned(*shuffled(seed, SHED_POINTS, triangles))
    np.testing.assert_array_equal(first.vertices, other.vertices)
    np.testing.assert_array_equal(first.triangles, other.triangles)
    np.testing.assert_array_equal(first.oriented, other.oriented)
    assert first.doubts == other.doubts


@settings(deadline=None, max_examples=20)
@given(st.integers(0, 2**32 - 1))
def test_parts_come_in_one_order(seed: int) -> None:
    rng = np.random.default_rng(seed)
    names = np.array(["roof", "wall", "wall", "", "floor"])
    parts = rng.integers(0, 5, len(SHED_TRIANGLES))
    first = cleaned(SHED_POINTS, SHED_TRIANGLES, parts, tuple(names))
    order, rename = rng.permutation(len(parts)), rng.permutation(5)
    other = cleaned(
        SHED_POINTS, SHED_TRIANGLES[order], np.argsort(rename)[parts[order]], tuple(names[rename])
    )
    np.testing.assert_array_equal(first.parts, other.parts)
    assert first.part_names == other.part_names
    assert list(first.part_names) == sorted(first.part_names)


def test_units_axes_and_offsets_change_nothing(tmp_path: Path) -> None:
    plain = read_mesh(write_obj(tmp_path / "m.obj", SHED_POINTS, SHED_TRIANGLES), unit="m", up="z")
    for unit, factor in {"cm": 100, "mm": 1000, "ft": 1 / 0.3048, "in": 1 / 0.0254}.items():
        mesh = read_mesh(
            write_obj(tmp_path / "u.obj", SHED_POINTS * factor, SHED_TRIANGLES), unit=unit, up="z"
        )
        assert_same_mesh(mesh, plain, atol=1e-12)
    turned = np.stack((SHED_POINTS[:, 0], SHED_POINTS[:, 2], -SHED_POINTS[:, 1]), axis=1)
    assert_same_mesh(
        read_mesh(write_obj(tmp_path / "y.obj", turned, SHED_TRIANGLES), unit="m", up="y"), plain
    )
    for offset in ([2_683_604.125, 1_252_102.25, 444.5], [-1e7, 1e7, 0]):
        mesh = read_mesh(
            write_obj(tmp_path / "o.obj", SHED_POINTS + offset, SHED_TRIANGLES), unit="m", up="z"
        )
        np.testing.assert_array_equal(loaded(mesh), loaded(plain) + offset)  # to the last bit
        np.testing.assert_array_equal(mesh.triangles, plain.triangles)
        assert np.abs(mesh.vertices).max() < 7
        assert (mesh.origin == np.round(mesh.origin)).all()


def test_millimetres_of_map_coordinates_survive(tmp_path: Path) -> None:
    # 1 mm at 10^7 m: text in doubles, the local origin keeps it
    points = SHED_POINTS + np.array([10_000_000.001, -9_999_999.999, 1234.567])
    mesh = read_mesh(write_obj(tmp_path / "far.obj", points, SHED_FACES), unit="m", up="z")
    assert area(mesh) == pytest.approx(SHED_AREA, rel=1e-9)
    assert volume(mesh) == pytest.approx(SHED_VOLUME, rel=1e-8)
    np.testing.assert_allclose(loaded(mesh)[0], points[0], rtol=0, atol=2e-9)


@pytest.mark.parametrize("degrees", [10, 90, 137, 180])
def test_turning_about_the_vertical_changes_nothing(degrees: float) -> None:
    c, s = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
    turn = np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]])
    for triangles in (SHED_TRIANGLES, OPEN_TRIANGLES, ROOF_TRIANGLES):
        mesh = cleaned(SHED_POINTS @ turn.T, triangles[:, ::-1])
        back = mesh.vertices @ turn
        cross = normals(mesh) @ turn
        centre = back[mesh.triangles].mean(axis=1)
        assert (np.einsum("ni,ni->n", cross, centre - [5, 3, 2]) > 0).all()
        assert mesh.oriented.all()


def test_finer_triangles_change_nothing_but_their_number() -> None:
    # each triangle in four, corners shared
    for triangles in (SHED_TRIANGLES, OPEN_TRIANGLES, ROOF_TRIANGLES):
        corners = SHED_POINTS[triangles]
        middle = 0.5 * (corners + np.roll(corners, -1, axis=1))
        parts = [np.stack((corners[:, k], middle[:, k], middle[:, k - 1]), axis=1) for k in range(3)]
        fine = np.concatenate([*parts, middle]).reshape(-1, 3)
        mesh = cleaned(fine, np.arange(len(fine)).reshape(-1, 3))
        assert len(mesh.triangles) == 4 * len(triangles)
        assert outward(mesh).all()
        assert mesh.oriented.all()


def test_same_file_same_arrays(tmp_path: Path) -> None:
    path = write_obj(tmp_path / "m.obj", SHED_POINTS, SHED_FACES)
    one, other = read_mesh(path, unit="m", up="z"), read_mesh(path, unit="m", up="z")
    assert one.vertices.tobytes() == other.vertices.tobytes()
    assert one.triangles.tobytes() == other.triangles.tobytes()
    assert one.sha256 == other.sha256


@pytest.mark.parametrize("names", [("annex", "hall"), ("hall", "annex")])
def test_a_double_goes_to_the_part_first_by_name(names: tuple[str, ...]) -> None:
    mesh = cleaned(SHED_POINTS, np.vstack((SHED_TRIANGLES, SHED_TRIANGLES[:4])), [0] * 16 + [1] * 4, names)
    counts = dict(zip(mesh.part_names, np.bincount(mesh.parts).tolist(), strict=True))
    assert counts == ({"annex": 16} if names[0] == "annex" else {"annex": 4, "hall": 12})
