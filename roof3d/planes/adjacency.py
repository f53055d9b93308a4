"""Which triangles share an edge, and the measures of each triangle that growing needs."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from roof3d.records import Floats, Ints, Mesh


@dataclass(frozen=True, eq=False)
class Measures:
    """Per triangle: unit normal (m, 3), area (m,) m2, least height (m,) m, centroid (m, 3)."""

    normal: Floats
    area: Floats
    height: Floats
    longest: Floats
    centroid: Floats


@dataclass(frozen=True, eq=False)
class Adjacency:
    """Pairs of triangles with a common edge; ``a`` and ``b`` are the edge's vertices."""

    first: Ints  # (p,) triangle rows
    second: Ints  # (p,)
    a: Ints  # (p,) vertex rows
    b: Ints  # (p,)


def measure_triangles(mesh: Mesh) -> Measures:
    """Normals, areas, heights and centroids of all triangles."""
    corner = mesh.vertices[mesh.triangles]
    one = corner[:, 1] - corner[:, 0]
    two = corner[:, 2] - corner[:, 0]
    cross = np.cross(one, two)
    double = np.linalg.norm(cross, axis=1)
    longest = np.sqrt(
        np.maximum(
            np.maximum((one * one).sum(axis=1), (two * two).sum(axis=1)), ((two - one) ** 2).sum(axis=1)
        )
    )
    safe = np.where(double > 0, double, 1.0)
    return Measures(
        normal=cross / safe[:, None],
        area=0.5 * double,
        height=double / np.where(longest > 0, longest, 1.0),
        longest=longest,
        centroid=corner.mean(axis=1),
    )


def shared_edges(triangles: Ints, count: int) -> tuple[Adjacency, Ints, Ints, NDArray[np.bool_]]:
    """Pairs of triangles over each edge, and the edges themselves.

    ``count`` is the number of vertices. Where more than two triangles meet at an edge every two of
    them that follow each other are paired. Returns the pairs, then for each of the 3 m triangle
    sides: its vertices (3m, 2) low first, its triangle (3m,), and whether it belongs to one triangle only.
    """
    rows = np.arange(len(triangles), dtype=np.int64)
    sides = np.concatenate([triangles[:, [0, 1]], triangles[:, [1, 2]], triangles[:, [2, 0]]])
    side_triangle = np.concatenate([rows, rows, rows])
    low, high = sides.min(axis=1), sides.max(axis=1)
    key = low.astype(np.int64) * count + high
    order = np.argsort(key, kind="stable")
    sorted_key = key[order]
    same = np.flatnonzero(sorted_key[1:] == sorted_key[:-1])
    one, two = order[same], order[same + 1]
    single = np.ones(len(key), dtype=bool)
    single[one] = False
    single[two] = False
    pairs = Adjacency(side_triangle[one], side_triangle[two], low[one], high[one])
    return pairs, np.column_stack([low, high]), side_triangle, single
