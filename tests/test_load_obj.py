"""OBJ: what is read, and what is refused with its line."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import shapely
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st

from roof3d.errors import InputError
from roof3d.load import read_mesh
from roof3d.load.polygons import cut_faces, cut_polygon
from tests.load_helpers import (
    L_SHAPE,
    SHED_AREA,
    SHED_FACES,
    SHED_POINTS,
    SHED_VOLUME,
    area,
    assert_same_mesh,
    loaded,
    volume,
    write_obj,
)

CORNERS = "v 0 0 0\nv 4 0 0\nv 4 4 0\nv 0 4 0\n"


def read(folder: Path, text: str | bytes):  # type: ignore[no-untyped-def]
    path = folder / "model.obj"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return read_mesh(path, unit="m", up="z")


def test_polygons_of_a_closed_shed(tmp_path: Path) -> None:
    mesh = read_mesh(write_obj(tmp_path / "shed.obj", SHED_POINTS, SHED_FACES), unit="m", up="z")
    assert len(mesh.vertices) == 10
    assert len(mesh.triangles) == mesh.triangles_in_file == 16
    assert area(mesh) == pytest.approx(SHED_AREA, rel=1e-12)
    assert volume(mesh) == pytest.approx(SHED_VOLUME, rel=1e-12)
    assert mesh.oriented.all()
    assert mesh.doubts == mesh.repairs == ()
    assert mesh.origin.tolist() == [5, 3, 2]
    assert (mesh.unit, mesh.up) == ("m", "z")


def test_concave_polygon_keeps_its_area(tmp_path: Path) -> None:
    points = np.column_stack((L_SHAPE, L_SHAPE[:, 1] * 0.5))
    mesh = read_mesh(write_obj(tmp_path / "l.obj", points, [range(6)]), unit="m", up="z")
    assert area(mesh) == pytest.approx(shapely.Polygon(L_SHAPE).area * np.hypot(1, 0.5), rel=1e-12)


def test_all_ways_to_write_a_corner(tmp_path: Path) -> None:
    plain = read(tmp_path, CORNERS + "f 1 2 3\nf 1 3 4\n")
    for faces in (
        "vt 0 0\nvn 0 0 1\nf 1/1/1 2/1/1 3/1/1\nf 1/1/1 3/1/1 4/1/1\n",
        "vn 0 0 1\nf 1//1 2//1 3//1\nf 1//1 3//1 4//1\n",
        "vt 0 0\nf 1/1 2/1 3/1\nf 1/1 3/1 4/1\n",
        "f -4 -3 -2\nf -4 -2 -1\n",
        "f 1 2 3 # a comment\nf 1 3 4\n",
        "f 1 2 \\\n 3\nf 1 3 4\n",
        "f 1 2 \\\r\n 3\r\nf 1 3 4\r\n",
        "f +1 +2 +3\nf 1 3 4\n",
        "\tf 1 2 3\n  f 1 3 4\n",
    ):
        assert_same_mesh(plain, read(tmp_path, CORNERS + faces))
    assert_same_mesh(plain, read(tmp_path, b"\xef\xbb\xbf" + (CORNERS + "f 1 2 3\nf 1 3 4\n").encode()))
    coloured = "v 0 0 0 1 0 0\nv 4 0 0 1 0 0\nv 4 4 0 0.5 0.5 0.5\nv 0 4 0 1 1 1\n"
    assert_same_mesh(plain, read(tmp_path, coloured + "f 1 2 3\nf 1 3 4\n"))


def test_long_runs_are_read_like_single_lines(tmp_path: Path) -> None:
    # a triangle strip long enough to be read in batches, and the same with a comment on every line
    points = np.array([[i * 0.01, i % 2, 0] for i in range(45_000)], dtype=float)
    faces = [(i, i + 1, i + 2) for i in range(len(points) - 2)]
    path = write_obj(tmp_path / "strip.obj", points, faces)
    slow = "\n".join(f"{line} # {number}" for number, line in enumerate(path.read_text().splitlines()))
    assert_same_mesh(read_mesh(path, unit="m", up="z"), read(tmp_path, slow))


def test_parts_from_objects_and_groups(tmp_path: Path) -> None:
    mesh = read(tmp_path, CORNERS + "o hall\ng roof\nf 1 2 3\no hall\ng wall\nf 1 3 4\n")
    assert mesh.part_names == ("hall/roof", "hall/wall")
    assert sorted(mesh.parts.tolist()) == [0, 1]


def test_material_library_is_named_and_not_opened(tmp_path: Path) -> None:
    mesh = read(tmp_path, "mtllib ../../../etc/passwd\nusemtl tiles\n" + CORNERS + "f 1 2 3 4\nl 1 2\n")
    assert any("passwd" in text and "not opened" in text for text in mesh.repairs)
    assert "Passed over 1 line or point element." in mesh.repairs


def test_free_forms_are_a_doubt(tmp_path: Path) -> None:
    mesh = read(tmp_path, CORNERS + "f 1 2 3 4\ncstype bezier\ndeg 3 3\nsurf 0 1 0 1 1 2 3 4\nend\n")
    assert any("free-form" in text for text in mesh.doubts)


def test_against_trimesh_as_reference(tmp_path: Path) -> None:
    # trimesh 5 as the independent reader of triangles
    path = write_obj(tmp_path / "shed.obj", SHED_POINTS, [face[:3] for face in SHED_FACES])
    mesh, other = read_mesh(path, unit="m", up="z"), trimesh.load_mesh(path, process=False)
    assert area(mesh) == pytest.approx(other.area, rel=1e-12)
    np.testing.assert_allclose([loaded(mesh).min(0), loaded(mesh).max(0)], other.bounds, atol=1e-12)


@pytest.mark.parametrize(
    ("text", "place", "found"),
    [
        ("hello, this is a letter\n", "line 1", "'hello, this is a letter'"),
        (CORNERS, "", "no face"),
        ("# nothing\n", "", "no face (0 vertices)"),
        (CORNERS + "f 1 2 9\n", "line 5", "vertex 9"),
        (CORNERS + "f 1 2 3\nf 1 2 9\nf 1 2 3 4\n", "line 6", "vertex 9"),
        (CORNERS + "f 0 1 2\n", "line 5", "'f 0 1 2'"),
        (CORNERS + "f -5 1 2\n", "line 5", "'f -5 1 2'"),
        (CORNERS + "f 1 2\n", "line 5", "a face of 2 corners"),
        (CORNERS + "f 1 2 x\n", "line 5", "'f 1 2 x'"),
        (CORNERS + "f 1 2 1_0\n", "line 5", "'f 1 2 1_0'"),
        (CORNERS + "f 1 2 99999999999999999999\n", "line 5", "99999999999999999999"),
        ("v 0 0 nan\n" + CORNERS + "f 1 2 3\n", "vertex 1", "0 0 nan"),
        (CORNERS + "v 1 inf 0\nf 1 2 3\n", "vertex 5", "1 inf 0"),
        (CORNERS + "v 1 1e999 0\nf 1 2 3\n", "vertex 5", "1 inf 0"),
        ("v 1,5 2,5 3\n", "line 1", "'v 1,5 2,5 3'"),
        ("v 1 2\n", "line 1", "'v 1 2'"),
        ("v 1_0 2 3\n", "line 1", "'v 1_0 2 3'"),
        (CORNERS + "csh rm -rf /\nf 1 2 3\n", "line 5", "the command 'csh'"),
        (b"v 0 0 0\0\0", "", "binary data"),
        (CORNERS + "f 1 1 2\nf 2 2 2\n", "", "no triangle with an area among 2"),
        ("v 0 0 0\nv 1 0 0\nv 2 0 0\nf 1 2 3\n", "", "no triangle with an area among 1"),
    ],
)
def test_what_is_refused(tmp_path: Path, text: str | bytes, place: str, found: str) -> None:
    with pytest.raises(InputError) as caught:
        read(tmp_path, text)
    assert caught.value.place == place
    assert found in caught.value.found
    assert "\n" not in str(caught.value)
    assert str(caught.value).startswith(str(tmp_path / "model.obj"))


# ------------------------------------------------------------------------- cutting polygons


def star(seed: int, corners: int) -> tuple[np.ndarray, list[np.ndarray]]:
    """A simple polygon round the origin with holes, in the plane."""
    rng = np.random.default_rng(seed)
    angle = np.sort(rng.random(corners)) * 2 * np.pi
    radius = rng.random(corners) * 9 + 1
    outline = np.column_stack((radius * np.cos(angle), radius * np.sin(angle)))
    holes: list[np.ndarray] = []
    for _ in range(6):
        hole = rng.normal(size=2) * 3 + rng.random() * 0.6 * np.array(
            [[0, 0], [1, 0], [1, 1], [0.3, 0.2], [0, 1]]
        )
        solid = shapely.Polygon(outline)
        apart = all(shapely.Polygon(hole).distance(shapely.Polygon(other)) > 0.01 for other in holes)
        if solid.is_valid and solid.buffer(-0.01).contains(shapely.Polygon(hole)) and apart:
            holes.append(hole)
    return outline, holes


@settings(deadline=None, max_examples=60)
@given(st.integers(0, 10**6), st.integers(3, 30))
def test_cut_polygons_cover_what_shapely_says(seed: int, corners: int) -> None:
    outline, holes = star(seed, corners)
    expected = shapely.Polygon(outline, holes)
    if not expected.is_valid or expected.area < 0.1:
        return
    rng = np.random.default_rng(seed)
    turn, _ = np.linalg.qr(rng.normal(size=(3, 3)))
    flat = np.concatenate([outline, *holes])
    points = np.column_stack((flat, np.zeros(len(flat)))) @ turn.T + rng.normal(size=3) * 100
    ends = np.cumsum([len(outline), *map(len, holes)])
    rings = [np.arange(end - len(ring), end) for end, ring in zip(ends, [outline, *holes], strict=True)]
    cut = cut_polygon(points, rings)
    assert len(cut.crossed) == 0
    assert len(cut.triangles) == len(flat) + 2 * len(holes) - 2  # no corner lost, none added
    union = shapely.union_all([shapely.Polygon(flat[triangle]) for triangle in cut.triangles])
    assert union.symmetric_difference(expected).area < 1e-6 * expected.area
    assert cut.warps.max(initial=0) < 1e-9


def test_crossing_outline_is_a_doubt(tmp_path: Path) -> None:
    bow = [[0, 0, 0], [4, 4, 0], [4, 0, 0], [2, -1, 0], [0, 4, 0]]
    mesh = read_mesh(write_obj(tmp_path / "bow.obj", bow, [range(5)]), unit="m", up="z")
    assert "The outline of the face in line 6 crosses itself." in mesh.doubts


def test_warped_quad_is_a_doubt(tmp_path: Path) -> None:
    text = "v 0 0 0\nv 4 0 0\nv 4 4 0.4\nv 0 4 0\nf 1 2 3 4\n"
    assert any(doubt.startswith("Not flat: 1 polygon, up to 0.1") for doubt in read(tmp_path, text).doubts)
    assert not any("flat" in doubt for doubt in read(tmp_path, text.replace("0.4", "0.02")).doubts)


@settings(deadline=None, max_examples=30)
@given(st.integers(0, 10**6), st.integers(5, 12))
def test_many_polygons_at_once_are_cut_like_each_alone(seed: int, corners: int) -> None:
    rng = np.random.default_rng(seed)
    rows = []
    for number in range(6):  # convex ones, and stars of which most are not
        angle = np.sort(rng.random(corners)) * 2 * np.pi
        radius = np.ones(corners) if number % 2 else rng.random(corners) + 0.5
        rows.append(np.column_stack((radius * np.cos(angle), radius * np.sin(angle), np.zeros(corners))))
    points = np.concatenate(rows)
    rings = np.arange(len(points)).reshape(6, corners)
    cut = cut_faces(points, rings.ravel(), np.full(6, corners))
    for number, ring in enumerate(rings):
        outline = shapely.Polygon(points[ring, :2])
        if outline.is_valid and outline.area > 0.1:
            pieces = [shapely.Polygon(points[row, :2]) for row in cut.triangles[cut.face == number]]
            assert len(pieces) == corners - 2
            assert shapely.union_all(pieces).symmetric_difference(outline).area < 1e-6


def test_star_that_runs_round_twice_is_a_doubt(tmp_path: Path) -> None:
    angle = np.arange(5) * 4 * np.pi / 5
    star = np.column_stack((4 * np.cos(angle), 4 * np.sin(angle), np.zeros(5)))
    mesh = read_mesh(write_obj(tmp_path / "star.obj", star, [range(5)]), unit="m", up="z")
    assert "The outline of the face in line 6 crosses itself." in mesh.doubts


def test_polygons_without_area_are_counted(tmp_path: Path) -> None:
    mesh = read(tmp_path, CORNERS + "f 1 2 3 4\nf 1 2 1 2\nf 1 1 1 1 1\nf 1 2 2\n")
    assert mesh.repairs == ("Dropped 2 polygons without area.", "Dropped 1 triangle without area.")
    assert area(mesh) == 16


def test_polygon_of_a_hundred_thousand_corners_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="100000 corners"):
        read(tmp_path, CORNERS + "f" + " 1 2 3 4" * 25_000 + "\n")


def test_concave_quad_is_cut_at_its_reflex_corner() -> None:
    dart = np.array([[0, 0, 0], [4, 0, 0], [1, 1, 0], [0, 4, 0]], dtype=float)
    for start in range(4):
        order = np.roll(np.arange(4), start)
        cut = cut_faces(dart, order, np.array([4]))
        got = sum(shapely.Polygon(dart[triangle, :2]).area for triangle in cut.triangles)
        assert got == pytest.approx(shapely.Polygon(dart[:, :2]).area)
        assert all((triangle == 2).any() for triangle in cut.triangles)
