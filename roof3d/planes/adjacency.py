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
    """Pairs of triangles with a common edge, and all 3 m sides of the triangles."""

    first: Ints  # (p,) triangle rows
    second: Ints  # (p,)
    a: Ints  # (p,) vertices of the common edge
    b: Ints  # (p,)
    side_first: Ints  # (p,) rows of sides
    side_second: Ints  # (p,)
    low: Ints  # (3m,) vertices of each side: 0-1 of all triangles, then 1-2, then 2-0
    high: Ints  # (3m,)

    def border(self, label: Ints) -> NDArray[np.bool_]:
        """Sides (3m,) that no triangle with the same label shares."""
        same = label[self.first] == label[self.second]
        border = np.ones(len(self.low), dtype=bool)
        border[self.side_first[same]] = False
        border[self.side_second[same]] = False
        return border


def measure_triangles(mesh: Mesh) -> Measures:
    """Normals, areas, heights and centroids of all triangles."""
    a, b, c = (mesh.vertices[mesh.triangles[:, k]] for k in range(3))
    one, two = b - a, c - a
    cross = np.empty_like(one)
    cross[:, 0] = one[:, 1] * two[:, 2] - one[:, 2] * two[:, 1]
    cross[:, 1] = one[:, 2] * two[:, 0] - one[:, 0] * two[:, 2]
    cross[:, 2] = one[:, 0] * two[:, 1] - one[:, 1] * two[:, 0]
    double = np.sqrt(np.einsum("ij,ij->i", cross, cross))
    three = two - one
    square = np.maximum(np.einsum("ij,ij->i", one, one), np.einsum("ij,ij->i", two, two))
    longest = np.sqrt(np.maximum(square, np.einsum("ij,ij->i", three, three)))
    cross /= np.where(double > 0, double, 1.0)[:, None]
    return Measures(
        normal=cross,
        area=0.5 * double,
        height=double / np.where(longest > 0, longest, 1.0),
        longest=longest,
        centroid=(a + b + c) / 3.0,
    )


def shared_edges(triangles: Ints, count: int) -> Adjacency:
    """Pairs of triangles over each edge. ``count`` is the number of vertices.

    Where more than two triangles meet at an edge every two of them that follow each other are paired.
    """
    size = len(triangles)
    one, two, three = triangles.T
    low = np.concatenate([np.minimum(one, two), np.minimum(two, three), np.minimum(three, one)])
    high = np.concatenate([np.maximum(one, two), np.maximum(two, three), np.maximum(three, one)])
    key = low * np.int64(count) + high
    order = np.argsort(key, kind="stable")
    sorted_key = key[order]
    same = np.flatnonzero(sorted_key[1:] == sorted_key[:-1])
    before, after = order[same], order[same + 1]
    return Adjacency(
        before % size,
        after % size,
        low[before],
        high[before],
        before,
        after,
        low.astype(np.int64),
        high.astype(np.int64),
    )
