"""What lies under a roof cannot be landed on from outside it: floors and beams inside a building.

The hot loop takes whatever surface reaches into the footprint. Where the highest one is neither roof
nor ground (nothing that the sky sees), the parts of it that a roof covers are cut away here, exactly.
"""

from __future__ import annotations

import numpy as np
import shapely

from roof3d.records import Floats, Ints

LEAST_M2 = 1e-6
LEAST_M = 1e-4
HEADROOM_M = 0.5  # a body gets under a roof that is at least this much higher than the edge
ABOVE_M = 0.05  # sight is tried this much above a surface


def uncovered_height(
    corners: Floats,  # (t, 3, 3) triangles near the footprint
    lands: np.ndarray,  # (t,) bool: surfaces that can be landed on
    rim: np.ndarray,  # (t,) bool: free rims of sheets (lines)
    roof: np.ndarray,  # (t,) bool: of roof planes
    own: np.ndarray,  # (t,) bool: of the edge's own plane
    footprint: shapely.Polygon,  # in plan
    below: float,
    edge: Floats,  # (3,) a place just outside of the edge
) -> tuple[float, int]:
    """Highest height under ``below`` in the footprint that no roof covers, and its triangle (-1).

    A roof covers what lies under it: other planes where they are above ``below``, the edge's own plane
    wherever it is above the thing. What is seen from the edge under a roof well above it is not covered.
    """
    reach = shapely.bounds(footprint)
    low, high = corners[:, :, :2].min(axis=1), corners[:, :, :2].max(axis=1)
    near = ((high >= reach[:2]) & (low <= reach[2:])).all(axis=1)
    flat = shapely.polygons(corners[:, :, :2])
    solid = near & (shapely.area(flat) > LEAST_M2)
    covers: list[shapely.Geometry] = []
    over: list[shapely.Geometry] = []
    own_parts: list[shapely.Geometry] = []
    rows = np.flatnonzero(roof & solid)
    for t, part in zip(rows, shapely.intersection(flat[rows], footprint), strict=True):
        if part.area <= LEAST_M2:
            continue
        if own[t]:
            own_parts.append(flat[t])
        elif (least := _heights(part, corners[t]).min()) >= below:
            (over if least >= below + HEADROOM_M else covers).append(part)
    cover, high_cover = shapely.unary_union(covers), shapely.unary_union(over)
    own_cover = shapely.unary_union(own_parts)
    own_plane = corners[np.flatnonzero(own & solid)[:1]]
    best, which = -np.inf, -1
    rows = np.flatnonzero((lands & solid & ~own) | (rim & near))
    most = np.minimum(corners[rows, :, 2].max(axis=1), below)
    for t in rows[np.argsort(-most, kind="stable")]:
        if min(float(corners[t, :, 2].max()), below) < best:
            break  # none of the others stands higher
        if rim[t]:
            part = shapely.intersection(shapely.LineString(corners[t, :2]), footprint)
            size, least = shapely.length, LEAST_M
        else:
            part = shapely.intersection(flat[t], footprint)
            size, least = shapely.area, LEAST_M2
        if size(part) <= least:
            continue
        left = shapely.difference(part, cover)
        if not rim[t] and len(own_plane) > 0 and _under(part, corners[t], own_plane[0]):
            left = shapely.difference(left, own_cover)
        if over and not _seen(shapely.intersection(left, high_cover), corners, t, edge):
            left = shapely.difference(left, high_cover)
        if size(left) <= least:
            continue
        heights = np.sort(corners[t, :, 2])[[0, -1]] if rim[t] else _heights(left, corners[t])
        if heights.min() > below:
            continue
        height = min(float(heights.max()), below)
        if height > best or (height == best and t < which):
            best, which = height, int(t)
    return best, which


def _seen(part: shapely.Geometry, corners: Floats, thing: int, edge: Floats) -> bool:
    """Whether some place of a part of triangle ``thing`` in plan is seen from an edge.

    Tried from the edge's own height and from a little above each place, level; to the part's corners (a bit
    inward) and its middle. A wall in between hides the place.
    """
    if part.is_empty:
        return False
    middle = shapely.get_coordinates(shapely.point_on_surface(part))[0]
    xy = np.concatenate(([middle], middle + 0.95 * (shapely.get_coordinates(part) - middle)))
    z = _at(xy, corners[thing]) if part.area > 0 else np.full(len(xy), corners[thing, :, 2].max())
    target = np.column_stack((xy, np.minimum(z + ABOVE_M, edge[2])))
    level = np.column_stack((np.broadcast_to(edge[:2], xy.shape), target[:, 2]))
    origin = np.concatenate((level, np.broadcast_to(edge, target.shape)))
    return not bool(_hit(origin, np.concatenate((target, target)), corners).all())


def _hit(start: Floats, end: Floats, corners: Floats) -> np.ndarray:
    """Whether straight lines ``start`` to ``end`` (n, 3) meet some triangle (t, 3, 3)."""
    along = (end - start)[:, None]
    e1, e2 = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
    p = np.cross(along, e2[None])
    det = np.einsum("ntk,tk->nt", p, e1)
    with np.errstate(divide="ignore", invalid="ignore"):
        away = start[:, None] - corners[None, :, 0]
        u = np.einsum("ntk,ntk->nt", away, p) / det
        q = np.cross(away, e1[None])
        v = np.einsum("ntk,ntk->nt", q, np.broadcast_to(along, q.shape)) / det
        t = np.einsum("ntk,tk->nt", q, e2) / det
        inside = (np.abs(det) > 1e-12) & (u >= 0) & (v >= 0) & (u + v <= 1) & (t > 1e-6) & (t < 1 - 1e-6)
    found: np.ndarray = inside.any(axis=1)
    return found


def _plane(corner: Floats) -> tuple[Floats, float]:
    normal = np.cross(corner[1] - corner[0], corner[2] - corner[0])
    return normal, float(normal @ corner[0])


def _at(xy: Floats, corner: Floats) -> Floats:
    normal, offset = _plane(corner)
    z: Floats = (offset - xy @ normal[:2]) / normal[2]
    return z


def _heights(part: shapely.Geometry, corner: Floats) -> Floats:
    return _at(shapely.get_coordinates(part), corner)


def _under(part: shapely.Geometry, corner: Floats, plane: Floats) -> bool:
    xy = shapely.get_coordinates(part)
    return bool((_at(xy, corner) <= _at(xy, plane)).all())


def nearby(
    starts: Ints, members: Ints, low: Floats, cell: float, shape: tuple[int, int], box: Floats
) -> Ints:
    """Triangles listed in the grid cells that a box in plan (x0, y0, x1, y1) touches."""
    rows, columns = shape
    c0, r0 = np.floor((box[:2] - low) / cell).astype(int)
    c1, r1 = np.floor((box[2:] - low) / cell).astype(int)
    found = [
        members[starts[r * columns + c] : starts[r * columns + c + 1]]
        for r in range(max(0, r0), min(rows - 1, r1) + 1)
        for c in range(max(0, c0), min(columns - 1, c1) + 1)
    ]
    return np.unique(np.concatenate(found)) if found else np.zeros(0, dtype=np.int64)
