"""From the triangles of a file to a welded mesh in canonical order, each repair counted."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from roof3d.load.source import many
from roof3d.load.weld import weld
from roof3d.load.winding import Edges, Winding, find_edges, wind
from roof3d.records import Floats, Ints

WELD_M = 1e-4  # and a ten-millionth of the extent
_SEARCHED_EDGES = 200_000  # open edges up to which T-junctions are looked for


@dataclass(frozen=True, eq=False)
class Cleaned:
    """What ``clean`` gives: rows sorted, so that the order of the input does not matter."""

    vertices: Floats
    triangles: Ints
    parts: Ints
    part_names: tuple[str, ...]
    oriented: np.ndarray
    repairs: tuple[str, ...]
    doubts: tuple[str, ...]


def clean(points: Floats, triangles: Ints, parts: Ints, names: tuple[str, ...]) -> Cleaned:
    """Weld, drop what has no area or is there twice, orient, sort.

    ``points`` (n, 3) are local, metres, z up; ``triangles`` (m, 3) are in range.
    """
    repairs: list[str] = []
    points, triangles = _used(points, triangles)
    tolerance = WELD_M + 1e-7 * float(np.ptp(points, axis=0).max())
    joined = weld(points, tolerance)
    if len(joined.points) < len(points):
        text = f"Welded {len(points)} vertices to {len(joined.points)}"
        if joined.near:
            moved = f"moved by up to {joined.moved_m * 1000:.2g} mm"
            text += f" ({joined.near} within {tolerance * 1000:.2g} mm of another, {moved})"
        repairs.append(text + ".")
    points, triangles = joined.points, joined.row[triangles]

    triangles, parts, collapsed = _drop_collapsed(triangles, parts)
    if not len(triangles):
        return _nothing(repairs)
    triangles, parts, doubles = _drop_doubles(triangles, parts, names)
    if doubles:
        repairs.append(f"Dropped {many(doubles, 'repeated triangle')}.")

    solid = _heights(points, triangles) > tolerance
    edges = find_edges(triangles, len(points))
    winding = wind(points, triangles, edges, solid)
    triangles = np.where(winding.flip[:, None], triangles[:, ::-1], triangles)
    turned = int(np.count_nonzero(winding.flip & winding.oriented & solid))
    if turned:
        repairs.append(f"Turned {many(turned, 'triangle')} to face outward.")
    needles = int(np.count_nonzero(~solid))
    if collapsed + needles:
        repairs.insert(min(len(repairs), 1), f"Dropped {many(collapsed + needles, 'triangle')} without area.")
    doubts = _doubts(points, triangles, edges, winding, solid)
    if not solid.any():
        return _nothing(repairs)
    return _sorted(points, triangles[solid], parts[solid], names, winding.oriented[solid], repairs, doubts)


def _used(points: Floats, triangles: Ints) -> tuple[Floats, Ints]:
    """Only the points that triangles have, in the same order."""
    used = np.zeros(len(points), dtype=bool)
    used[triangles] = True
    return points[used], (np.cumsum(used) - 1)[triangles]


def _nothing(repairs: list[str]) -> Cleaned:
    empty = np.zeros((0, 3), dtype=np.int64)
    return Cleaned(np.zeros((0, 3)), empty, empty[:, 0], (), np.zeros(0, dtype=bool), tuple(repairs), ())


def _drop_collapsed(triangles: Ints, parts: Ints) -> tuple[Ints, Ints, int]:
    """Drop triangles of which two corners are one point."""
    a, b, c = triangles.T
    good = (a != b) & (b != c) & (c != a)
    return triangles[good], parts[good], int(np.count_nonzero(~good))


def _drop_doubles(triangles: Ints, parts: Ints, names: tuple[str, ...]) -> tuple[Ints, Ints, int]:
    """Sort triangles by their corners and keep one of each three, of the part first by name.

    Which way round a double is wound must not matter either: the first corner is the least row, and
    of two windings the smaller is kept. ``wind`` decides afterwards.
    """
    first = np.argmin(triangles, axis=1)
    triangles = np.take_along_axis(triangles, (first[:, None] + np.arange(3)) % 3, axis=1)
    rank = np.empty(len(names), dtype=np.int64)
    rank[np.argsort(np.asarray(names, dtype=object), kind="stable")] = np.arange(len(names))
    low, high = np.minimum(triangles[:, 1], triangles[:, 2]), np.maximum(triangles[:, 1], triangles[:, 2])
    order = np.lexsort((triangles[:, 1], rank[parts], high, low, triangles[:, 0]))
    key = np.stack((triangles[:, 0], low, high), axis=1)[order]
    new = np.ones(len(order), dtype=bool)
    new[1:] = (key[1:] != key[:-1]).any(axis=1)
    kept = order[new]
    return triangles[kept], parts[kept], len(order) - len(kept)


def _heights(points: Floats, triangles: Ints) -> Floats:
    """Least height of each triangle, metres."""
    a, b, c = (points[triangles[:, corner]] for corner in range(3))
    double = np.linalg.norm(np.cross(b - a, c - a), axis=1)
    squares = [np.einsum("ni,ni->n", side, side) for side in (b - a, c - b, a - c)]
    longest = np.maximum(np.maximum(squares[0], squares[1]), squares[2])
    return np.asarray(double / np.sqrt(longest))


def _doubts(points: Floats, triangles: Ints, edges: Edges, winding: Winding, solid: np.ndarray) -> list[str]:
    """What the mesh leaves open, in words."""
    doubts = []
    open_edges = int(np.count_nonzero(edges.uses == 1))
    if open_edges:
        text = f"The surface is not closed: {many(open_edges, 'edge')} on one triangle only"
        met = _t_junctions(points, edges)
        if met is None:
            text += "; too many to look for vertices that lie on them"
        elif met:
            text += f"; {many(met, 'edge')} with other vertices on it (T-junctions)"
        doubts.append(text + ".")
    crowded = int(np.count_nonzero(edges.uses > 2))
    if crowded:
        doubts.append(f"More than two triangles meet at {many(crowded, 'edge')}.")
    if winding.one_sided:
        doubts.append(f"No consistent winding fits {many(winding.one_sided, 'surface')} (one-sided).")
    lost = solid & ~winding.oriented
    if lost.any():
        corners = points[triangles[lost]]
        area = 0.5 * float(
            np.linalg.norm(
                np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1
            ).sum()
        )
        which = many(int(np.count_nonzero(lost)), "triangle")
        doubts.append(f"Unknown which side of {which} is outside ({area:.1f} m²).")
    return doubts


def _t_junctions(points: Floats, edges: Edges) -> int | None:
    """Open edges that have the end of another open edge on them; None where they are too many."""
    ends = edges.ends[edges.uses == 1]
    if len(ends) > _SEARCHED_EDGES:
        return None
    rim = np.unique(ends)
    a, b = points[ends[:, 0]], points[ends[:, 1]]
    length = np.linalg.norm(b - a, axis=1)
    tree = cKDTree(points[rim])
    near = tree.query_ball_point(0.5 * (a + b), 0.5 * length)
    counts = np.fromiter(map(len, near), dtype=np.int64, count=len(near))
    edge = np.repeat(np.arange(len(ends)), counts)
    other = rim[np.fromiter((row for rows in near for row in rows), dtype=np.int64, count=int(counts.sum()))]
    along = (b - a)[edge] / length[edge, None]
    offset = points[other] - a[edge]
    place = np.einsum("ni,ni->n", offset, along)
    apart = np.linalg.norm(offset - place[:, None] * along, axis=1)
    on = (apart < 1e-3) & (place > 1e-3) & (place < length[edge] - 1e-3)
    return len(np.unique(edge[on]))


def _sorted(
    points: Floats,
    triangles: Ints,
    parts: Ints,
    names: tuple[str, ...],
    oriented: np.ndarray,
    repairs: list[str],
    doubts: list[str],
) -> Cleaned:
    """Drop unused points; least corner first; triangles in order; parts by name, then by first triangle."""
    points, triangles = _used(points, triangles)
    first = np.argmin(triangles, axis=1)
    triangles = np.take_along_axis(triangles, (first[:, None] + np.arange(3)) % 3, axis=1)
    order = np.lexsort(triangles.T[::-1])
    triangles, parts, oriented = triangles[order], parts[order], oriented[order]
    present, start = np.unique(parts, return_index=True)
    ranked = sorted(range(len(present)), key=lambda row: (names[int(present[row])], int(start[row])))
    rank = np.empty(len(present), dtype=np.int64)
    rank[ranked] = np.arange(len(present))
    return Cleaned(
        points,
        np.ascontiguousarray(triangles),
        rank[np.searchsorted(present, parts)],
        tuple(names[int(present[row])] for row in ranked),
        oriented,
        tuple(repairs),
        tuple(doubts),
    )
