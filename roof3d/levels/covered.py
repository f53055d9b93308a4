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


def uncovered_height(
    corners: Floats,  # (t, 3, 3) triangles near the footprint
    lands: np.ndarray,  # (t,) bool: surfaces that can be landed on
    rim: np.ndarray,  # (t,) bool: free rims of sheets (lines)
    roof: np.ndarray,  # (t,) bool: of roof planes
    own: np.ndarray,  # (t,) bool: of the edge's own plane
    footprint: shapely.Polygon,  # in plan
    below: float,
) -> tuple[float, int]:
    """Highest height under ``below`` in the footprint that no roof covers, and its triangle (-1).

    A roof covers what lies under it: other planes where they are above ``below``, the edge's own plane
    wherever it is above the thing.
    """
    flat = shapely.polygons(corners[:, :, :2])
    area = shapely.area(flat)
    solid = area > LEAST_M2
    covers = []
    own_parts = []
    for t in np.flatnonzero(roof & solid):
        part = shapely.intersection(flat[t], footprint)
        if part.area <= LEAST_M2:
            continue
        if own[t]:
            own_parts.append(flat[t])
        elif _heights(part, corners[t]).min() >= below:
            covers.append(part)
    cover = shapely.unary_union(covers)
    own_cover = shapely.unary_union(own_parts)
    own_plane = corners[np.flatnonzero(own & solid)[:1]]
    best, which = -np.inf, -1
    for t in np.flatnonzero((lands & solid & ~own) | rim):
        if rim[t]:
            part = shapely.intersection(shapely.LineString(corners[t, :2]), footprint)
            if part.length <= LEAST_M:
                continue
            heights = np.array([corners[t, :, 2].min(), corners[t, :, 2].max()])
            left = shapely.difference(part, cover)
            gone = left.length <= LEAST_M
        else:
            part = shapely.intersection(flat[t], footprint)
            if part.area <= LEAST_M2:
                continue
            heights = _heights(part, corners[t])
            left = shapely.difference(part, cover)
            under_own = len(own_plane) > 0 and _under(part, corners[t], own_plane[0])
            if under_own:
                left = shapely.difference(left, own_cover)
            gone = left.area <= LEAST_M2
            if not gone:
                heights = _heights(left, corners[t])
        if gone or heights.min() > below:
            continue
        height = min(float(heights.max()), below)
        if height > best:
            best, which = height, int(t)
    return best, which


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
