"""Joins vertices that are the same point, whatever order the file has them in."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from roof3d.records import Floats, Ints


@dataclass(frozen=True, eq=False)
class Weld:
    """Distinct points, sorted by x, y, z, and the row that each given point went to."""

    points: Floats  # (k, 3)
    row: Ints  # (n,)
    moved_m: float  # greatest distance that a point was moved by
    near: int  # distinct points that were joined to another within the tolerance


def weld(points: Floats, tolerance_m: float) -> Weld:
    """Join points that are equal, and those linked by steps of up to the tolerance.

    A cluster goes to the mean of its distinct points, so that neither order nor repetition matters.
    """
    distinct, row = _distinct(points + 0.0)  # no minus zero
    pairs = cKDTree(distinct, balanced_tree=False).query_pairs(tolerance_m, output_type="ndarray")
    if not len(pairs):
        return Weld(distinct, row, 0.0, 0)
    count = len(distinct)
    graph = coo_array((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(count, count))
    clusters, label = connected_components(graph, directed=False)
    sizes = np.bincount(label, minlength=clusters)
    means = np.stack(
        [np.bincount(label, weights=distinct[:, axis], minlength=clusters) / sizes for axis in range(3)],
        axis=1,
    )
    alone = sizes[label] == 1
    means[label[alone]] = distinct[alone]  # exact, whatever the division does
    moved = float(np.linalg.norm(means[label] - distinct, axis=1).max())
    order = np.lexsort(means.T[::-1])
    rank = np.empty(clusters, dtype=np.int64)
    rank[order] = np.arange(clusters)
    return Weld(means[order], rank[label][row], moved, count - clusters)


def _distinct(points: Floats) -> tuple[Floats, Ints]:
    """Distinct rows sorted by x, y, z, and the row of each point."""
    order = np.lexsort(points.T[::-1])
    ordered = points[order]
    first = np.ones(len(points), dtype=bool)
    first[1:] = (ordered[1:] != ordered[:-1]).any(axis=1)
    row = np.empty(len(points), dtype=np.int64)
    row[order] = np.cumsum(first) - 1
    return ordered[first], row
