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
SEAM = 1e-9
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
    reach = np.asarray(footprint.bounds)
    low, high = corners[:, :, :2].min(axis=1), corners[:, :, :2].max(axis=1)
    rows = np.flatnonzero(((high >= reach[:2]) & (low <= reach[2:])).all(axis=1) & (lands | rim | roof))
    corner, flats = corners[rows], corners[rows, :, :2]
    one, other = corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0]
    up = one[:, 0] * other[:, 1] - one[:, 1] * other[:, 0]
    solid = np.abs(up) / 2 > LEAST_M2
    lands, rim, roof, own = lands[rows] & solid, rim[rows], roof[rows] & solid, own[rows] & solid
    # height over a place: its plane's height at the origin, and how it rises along x and y
    with np.errstate(divide="ignore", invalid="ignore"):
        rise = np.column_stack(
            (
                (other[:, 1] * one[:, 2] - one[:, 1] * other[:, 2]) / up,
                (one[:, 0] * other[:, 2] - other[:, 0] * one[:, 2]) / up,
            )
        )
        level = corner[:, 0, 2] - np.einsum("ij,ij->i", rise, corner[:, 0, :2])

    def heights(shape: shapely.Geometry, t: int) -> Floats:
        z: Floats = level[t] + shapely.get_coordinates(shape) @ rise[t]
        return z

    shapes = shapely.polygons(flats)
    covers: list[shapely.Geometry] = []
    over: list[shapely.Geometry] = []
    for t in np.flatnonzero(roof & ~own).tolist():
        if corner[t, :, 2].max() < below:
            continue
        part = shapely.intersection(shapes[t], footprint)
        if part.area > LEAST_M2 and (least := heights(part, t).min()) >= below:
            (over if least >= below + HEADROOM_M else covers).append(part)
    cover, high_cover = shapely.unary_union(covers), shapely.unary_union(over)
    mine = np.flatnonzero(roof & own)
    own_cover: shapely.Geometry | None = None
    best, which = -np.inf, -1
    found = np.flatnonzero((lands & ~own) | rim)
    most = np.minimum(corner[found, :, 2].max(axis=1), below)
    for k in np.argsort(-most, kind="stable").tolist():
        if most[k] < best:
            break  # none of the others stands higher
        t = int(found[k])
        shape = shapely.LineString(flats[t]) if rim[t] else shapes[t]
        size, least = (shapely.length, LEAST_M) if rim[t] else (shapely.area, LEAST_M2)
        left = shapely.intersection(shape, footprint)
        if size(left) <= least:
            continue
        xy = shapely.get_coordinates(left)
        under = len(mine) > 0 and not rim[t]
        if under and (heights(left, t) <= level[mine[0]] + xy @ rise[mine[0]]).all():
            if own_cover is None:
                parts = shapes[mine]
                own_cover = shapely.unary_union(
                    parts[shapely.area(shapely.intersection(parts, footprint)) > LEAST_M2]
                )
            left = shapely.difference(left, own_cover)
        if covers:
            left = shapely.difference(left, cover)
        if over and not _seen(shapely.intersection(left, high_cover), corners, int(rows[t]), edge):
            left = shapely.difference(left, high_cover)
        if size(left) <= least:
            continue
        z = np.sort(corner[t, :, 2])[[0, -1]] if rim[t] else heights(left, t)
        height = min(float(z.max()), below)
        if z.min() <= below and (height > best or (height == best and t < which)):
            best, which = height, t
    return best, int(rows[which]) if which >= 0 else -1


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
    return not bool(hit(origin, np.concatenate((target, target)), corners).all())


def hit(start: Floats, end: Floats, corners: Floats) -> np.ndarray:
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
        # nothing slips through the seam of two triangles
        inside = (np.abs(det) > 1e-12) & (u >= -SEAM) & (v >= -SEAM) & (u + v <= 1 + SEAM)
        inside &= (t > 1e-6) & (t < 1 - 1e-6)
    found: np.ndarray = inside.any(axis=1)
    return found


def _at(xy: Floats, corner: Floats) -> Floats:
    normal = np.cross(corner[1] - corner[0], corner[2] - corner[0])
    z: Floats = (float(normal @ corner[0]) - xy @ normal[:2]) / normal[2]
    return z


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
