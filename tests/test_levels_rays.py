"""What lies below against dense rays: a general-purpose library (shapely) finds what each one meets.

No ray over a body's swept footprint may meet a surface that one can land on higher than levels say, and
the bodies of places further along a swing are covered by the same look-up.
"""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from roof3d.building import build
from roof3d.levels import HALF_WIDTH_M, INSET_M, REACH_M, STEEP_ABOVE_DEG, profiles
from roof3d.levels.profile import outward_of
from roof3d.records import Floats, Roof
from tests.conftest import MODELS, shared_data

BETWEEN = 0.9  # m between places along an edge
REAL = [
    "vienna_hip_valley",
    "vienna_many_planes",
    "nl_rowhouse_dormer",
    "denhaag_parts_nasty",
    "zurich_hip_bellcast",
]
ALONE = ("vienna_hip_valley", "zurich_hip_bellcast")  # nothing is near enough below their edges
OWN = ["dormers", "terrace", "flat", "mono-pitch", "l-valley"]


def places(roof: Roof) -> tuple[Floats, Floats, list[str], Floats]:
    """Places on fall edges, outward directions, ids of their planes, and what levels say lies below."""
    at, out, own, top = [], [], [], []
    found = profiles(roof)
    for edge in (edge for edge in roof.edges if edge.fall):
        zero = 0.0
        for p, q in zip(edge.points[:-1], edge.points[1:], strict=True):
            size = float(np.linalg.norm(q - p))
            for t in np.arange(BETWEEN / 3, size, BETWEEN):
                profile = found[edge.id]
                step = int(np.searchsorted(profile.at, zero + t, side="right")) - 1
                at.append(p + (q - p) * (t / size))
                out.append(outward_of(q - p, edge))
                own.append(edge.facets[0])
                top.append(profile.top[min(step, len(profile.top) - 1)])
            zero += size
    return np.array(at), np.array(out), own, np.array(top)


def check_rays(roof: Roof) -> int:
    """Number of rays that met something, after none met it higher than levels say."""
    corners = roof.mesh.vertices[roof.mesh.triangles]
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    size = np.linalg.norm(normal, axis=1)
    flat = np.abs(normal[:, 2]) > size * (np.cos(np.deg2rad(STEEP_ABOVE_DEG)) + 1e-6)
    rows = {facet.id: row for row, facet in enumerate(roof.facets)}
    owner = np.full(len(corners), -1)
    for row, facet in enumerate(roof.facets):
        owner[facet.triangles] = row
    corners, normal, owner = corners[flat], normal[flat], owner[flat]
    at, out, own, top = places(roof)
    along = np.column_stack((-out[:, 1], out[:, 0], np.zeros(len(out))))
    u = np.linspace(-0.98, 0.98, 9) * HALF_WIDTH_M
    v = np.linspace(INSET_M + 0.01, REACH_M - 0.01, 9)
    grid = np.array([(a, b) for a in u for b in v])
    start = at[:, None] + grid[None, :, :1] * along[:, None] + grid[None, :, 1:] * out[:, None]
    start = start.reshape(-1, 3) - np.array([0.0, 0.0, 0.0101])
    place = np.repeat(np.arange(len(at)), len(grid))
    tree = shapely.STRtree(shapely.polygons(corners[:, :, :2]))
    ray, triangle = tree.query(shapely.points(start[:, :2]), predicate="intersects")
    n = normal[triangle]
    z = (
        corners[triangle, 0, 2]
        - np.einsum("ij,ij->i", start[ray, :2] - corners[triangle, 0, :2], n[:, :2]) / n[:, 2]
    )
    # a ray that begins under something may begin inside of a building
    open_sky = np.ones(len(start), dtype=bool)
    open_sky[ray[z > start[ray, 2]]] = False
    ray, triangle, z = ray[open_sky[ray]], triangle[open_sky[ray]], z[open_sky[ray]]
    order = np.lexsort((z, ray))
    first = order[np.flatnonzero(np.diff(ray[order], append=-1))]  # the highest on each ray
    # beside the edge a body slides on along the edge's own plane
    counts = first[owner[triangle[first]] != np.array([rows[name] for name in own])[place[ray[first]]]]
    assert (z[counts] <= top[place[ray[counts]]] + 1e-6).all()
    return len(counts)


@pytest.mark.parametrize("name", OWN)
def test_no_ray_meets_anything_higher_on_the_models(name: str) -> None:
    check_rays(build(MODELS / f"{name}.glb", grade=-3.0))


@pytest.mark.parametrize("name", REAL)
def test_no_ray_meets_anything_higher_on_real_buildings(name: str) -> None:
    found = check_rays(build(shared_data(name) / f"{name}.obj", unit="m", up="z"))
    assert found > 0 or name in ALONE
