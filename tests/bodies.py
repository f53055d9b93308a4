"""Small bodies for tests: faces with any number of corners, cut into triangles, as a mesh."""

from __future__ import annotations

from collections.abc import Sequence

import mapbox_earcut as earcut
import numpy as np

from roof3d.records import Floats, Ints, Mesh

Point = Sequence[float]


def mesh_of(
    vertices: Floats, triangles: Ints, *, oriented: bool = True, names: tuple[str, ...] = ("body",)
) -> Mesh:
    """A mesh record around plain arrays."""
    count = len(triangles)
    return Mesh(
        vertices=np.asarray(vertices, dtype=np.float64),
        triangles=np.asarray(triangles, dtype=np.int64),
        parts=np.zeros(count, dtype=np.int64),
        part_names=names,
        oriented=np.full(count, oriented),
        origin=np.zeros(3),
        file="test",
        sha256="",
        unit="m",
        up="z",
        triangles_in_file=count,
    )


def cut(face: Sequence[Point], holes: Sequence[Sequence[Point]] = ()) -> Floats:
    """Triangles (k, 3, 3) of one flat face, counter-clockwise from outside, holes the other way round."""
    rings = [np.asarray(ring, dtype=np.float64) for ring in (face, *holes)]
    points = np.vstack(rings)
    outer = rings[0]
    normal = np.cross(outer, np.roll(outer, -1, axis=0)).sum(axis=0)
    axis = int(np.argmax(np.abs(normal)))
    keep = [k for k in range(3) if k != axis]
    ends = np.cumsum([len(ring) for ring in rings]).astype(np.uint32)
    rows = earcut.triangulate_float64(np.ascontiguousarray(points[:, keep]), ends).reshape(-1, 3)
    triangles = points[rows]
    turn = np.cross(triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0]) @ normal
    triangles[turn < 0] = triangles[turn < 0][:, ::-1]
    return triangles


def welded(triangles: Sequence[Floats], *, oriented: bool = True) -> Mesh:
    """One mesh from triangles (k, 3, 3) of several faces, equal corners welded."""
    soup = np.vstack(list(triangles)).reshape(-1, 3)
    vertices, rows = np.unique(soup.round(6), axis=0, return_inverse=True)
    return mesh_of(vertices, rows.reshape(-1, 3), oriented=oriented)


def box(x0: float, x1: float, y0: float, y1: float, z0: float, z1: float) -> list[Floats]:
    """The six faces of a box."""
    a, b, c, d = (x0, y0), (x1, y0), (x1, y1), (x0, y1)
    low = [(*p, z0) for p in (a, b, c, d)]
    high = [(*p, z1) for p in (a, b, c, d)]
    sides = [[low[i], low[(i + 1) % 4], high[(i + 1) % 4], high[i]] for i in range(4)]
    return [cut(low[::-1]), cut(high), *[cut(side) for side in sides]]


def gable(length: float = 10.0, width: float = 8.0, eave: float = 3.0, rise: float = 3.0) -> list[Floats]:
    """A closed gabled house: ridge along x, from y = 0 to ``width``."""
    low = [(0, 0, 0), (length, 0, 0), (length, width, 0), (0, width, 0)]
    high = [(x, y, eave) for x, y, _ in low]
    west, east = (0, width / 2, eave + rise), (length, width / 2, eave + rise)
    return [
        cut(low[::-1]),
        cut([low[0], low[1], high[1], high[0]]),
        cut([low[2], low[3], high[3], high[2]]),
        cut([low[1], low[2], high[2], east, high[1]]),
        cut([low[3], low[0], high[0], west, high[3]]),
        cut([high[0], high[1], east, west]),
        cut([high[2], high[3], west, east]),
    ]
