"""Real and published buildings: each format of one building gives the same mesh.

Areas, bounds and counts of open and crowded edges come from the truth files beside the buildings,
which were made from the sources without this package.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path

import numpy as np
import pytest
import trimesh

from roof3d.load import read_mesh
from roof3d.load.clean import clean
from roof3d.load.winding import find_edges
from roof3d.records import Mesh
from tests.conftest import shared_data, shared_truth
from tests.load_helpers import area, loaded

NAMES = (
    "ahn_block_lidar",
    "bsi_house_ifc",
    "denhaag_gable",
    "denhaag_parts_nasty",
    "nl_rowhouse_dormer",
    "rotterdam_block_nasty",
    "vienna_hip_valley",
    "vienna_many_planes",
    "vienna_valley",
    "zurich_gable_open",
    "zurich_hip_bellcast",
)
ABSOLUTE = ("denhaag_gable", "rotterdam_block_nasty")


@cache
def obj(name: str) -> Mesh:
    return read_mesh(shared_data(name) / f"{name}.obj", unit="m", up="z")


def city_file(name: str) -> Path:
    files = sorted(shared_data(name).glob("*.city.json*"))
    if not files:
        pytest.skip(f"{name} has no CityJSON")
    return files[0]


@pytest.mark.parametrize("name", NAMES)
def test_obj_and_glb_are_one_building(name: str) -> None:
    one, other = obj(name), read_mesh(shared_data(name) / f"{name}.glb")
    assert other.up == "y"
    # GLB holds 32 bits: at 100 m a step is 8 micrometres
    np.testing.assert_allclose(loaded(one).min(0), loaded(other).min(0), atol=2e-5)
    np.testing.assert_allclose(loaded(one).max(0), loaded(other).max(0), atol=2e-5)
    assert area(one) == pytest.approx(area(other), rel=1e-5)
    assert (len(one.vertices), len(one.triangles)) == (len(other.vertices), len(other.triangles))
    assert one.oriented.sum() == other.oriented.sum()
    assert one.doubts == other.doubts


@pytest.mark.parametrize("name", NAMES)
def test_cityjson_is_the_same_building(name: str) -> None:
    path = city_file(name)
    one, other = obj(name), read_mesh(path)
    shift = np.array(shared_truth(name)["origin_of_local_frame"])
    # the OBJ is rounded to millimetres
    np.testing.assert_allclose(loaded(other).min(0) - shift, loaded(one).min(0), atol=1e-3)
    np.testing.assert_allclose(loaded(other).max(0) - shift, loaded(one).max(0), atol=1e-3)
    assert area(other) == pytest.approx(area(one), rel=1e-5)
    assert other.oriented.mean() == pytest.approx(one.oriented.mean(), abs=0.02)


@pytest.mark.parametrize("name", ABSOLUTE)
def test_map_coordinates_lose_nothing(name: str) -> None:
    one = obj(name)
    other = read_mesh(shared_data(name) / f"{name}.absolute.obj", unit="m", up="z")
    shift = np.array(shared_truth(name)["origin_of_local_frame"])
    np.testing.assert_allclose(loaded(other) - shift, loaded(one), rtol=0, atol=1e-9)
    np.testing.assert_array_equal(other.triangles, one.triangles)
    np.testing.assert_array_equal(other.oriented, one.oriented)
    assert np.abs(other.vertices).max() < 100


@pytest.mark.parametrize("name", NAMES)
def test_counts_of_the_truth(name: str) -> None:
    mesh, told = obj(name), shared_truth(name)["mesh"]
    assert mesh.triangles_in_file == told["triangles"]
    if name == "bsi_house_ifc":  # counted there before doubled triangles are dropped
        return
    edges = find_edges(mesh.triangles, len(mesh.vertices))
    if name == "vienna_valley":  # one triangle without area was dropped, which opens its edges
        assert len(mesh.triangles) == told["triangles"] - 1
        assert not any("not closed" in text for text in mesh.doubts)
        return
    assert len(mesh.vertices) == told["distinct_vertices"]
    assert np.count_nonzero(edges.uses == 1) == told["open_edges"]


@pytest.mark.parametrize("name", NAMES)
def test_area_against_trimesh(name: str) -> None:
    other = trimesh.load_mesh(shared_data(name) / f"{name}.obj", process=True)
    doubled = other.area - trimesh.Trimesh(other.vertices, np.unique(np.sort(other.faces, 1), axis=0)).area
    assert area(obj(name)) == pytest.approx(other.area - doubled, rel=1e-6)


@pytest.mark.parametrize("name", NAMES)
def test_roofs_face_up(name: str) -> None:
    # over points of the plan, the first surface that is met from above is seen from outside
    mesh = obj(name)
    corners = mesh.vertices[mesh.triangles]
    cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    low, high = corners[:, :, :2].min(axis=1), corners[:, :, :2].max(axis=1)
    rng = np.random.default_rng(1)
    looked = 0
    share = np.abs(cross[:, 2]) / np.abs(cross[:, 2]).sum()
    for row in rng.choice(len(share), 300, p=share):
        p = (rng.dirichlet((1, 1, 1)) @ corners[row])[:2]
        near = np.flatnonzero((low <= p).all(1) & (high >= p).all(1) & (np.abs(cross[:, 2]) > 1e-9))
        best, top = -1, -np.inf
        for row in near:
            a, b, c = corners[row]
            u, v = np.linalg.solve(np.column_stack((b - a, c - a))[:2], p - a[:2])
            z = float((a + u * (b - a) + v * (c - a))[2])
            if u >= 0 and v >= 0 and u + v <= 1 and z > top:
                best, top = int(row), z
        if best >= 0 and mesh.oriented[best]:
            looked += 1
            assert cross[best, 2] > 0
    assert looked > 100


@pytest.mark.parametrize("name", NAMES)
def test_order_winding_and_repetition_change_nothing(name: str) -> None:
    mesh = obj(name)
    rng = np.random.default_rng(11)
    order = rng.permutation(len(mesh.triangles))
    triangles = mesh.triangles[order]
    back = rng.random(len(triangles)) < 0.5
    triangles[back] = triangles[back][:, ::-1]
    soup = mesh.vertices[np.vstack((triangles, triangles[:5]))].reshape(-1, 3)
    rows = np.arange(len(soup)).reshape(-1, 3)
    other = clean(soup, rows, rng.integers(0, 3, len(rows)), ("a", "b", "c"))
    np.testing.assert_array_equal(other.vertices, mesh.vertices)
    np.testing.assert_array_equal(other.triangles, mesh.triangles)
    np.testing.assert_array_equal(other.oriented, mesh.oriented)
    assert "Dropped 5 repeated triangles." in other.repairs


@pytest.mark.parametrize("name", NAMES)
def test_turning_about_the_vertical_changes_nothing(name: str) -> None:
    mesh = obj(name)
    c, s = np.cos(0.7), np.sin(0.7)
    turn = np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]])
    other = clean(mesh.vertices @ turn.T, mesh.triangles, mesh.parts, mesh.part_names)
    assert len(other.triangles) == len(mesh.triangles)
    assert other.oriented.sum() == mesh.oriented.sum()

    def facing(vertices: np.ndarray, triangles: np.ndarray) -> np.ndarray:
        p = vertices[triangles]
        cross = np.cross(p[:, 1] - p[:, 0], p[:, 2] - p[:, 0])
        rows = np.round(np.hstack((p.mean(axis=1), cross)), 6)
        return rows[np.lexsort(np.round(rows, 4).T)]

    known = facing(mesh.vertices, mesh.triangles[mesh.oriented])
    turned = facing(other.vertices @ turn, other.triangles[other.oriented])
    np.testing.assert_allclose(turned, known, atol=1e-4)
