"""What a body can meet inward of an edge that juts out over what is below.

It swings back under the edge as far as it went out. There a lower roof, a ledge or rising ground may stand
higher than what lies outside. Only what has something over it and can be seen from the plumb plane through
the edge counts: what is open to the sky is another edge's matter, and behind a wall nothing can be met. The
top of a wall close under the roof is none to land on; the caller leaves out what is close under the edge.
"""

from __future__ import annotations

import numpy as np
import shapely

from roof3d.levels.covered import HEADROOM_M, LEAST_M, LEAST_M2, hit
from roof3d.records import Floats

SPACING_M = 0.15  # between places of a surface that are tried
OUT_M = 0.01  # sight begins this much outside of the edge
ABOVE_M = 0.02  # and ends this much above a surface
UNDER_M = 0.01  # it stays this much below the edge
SKY = np.array([0.0, 0.0, 1000.0])  # m, straight up
HEADROOM = np.array([0.0, 0.0, HEADROOM_M])  # with less over it no body gets on a thing
RIM_M = 0.05  # headroom over the rim of a sheet is sought from this much below, for it may touch the roof
TOP_M = 1e-3  # and over a surface from this much above
DEPTHS = 4  # heights that sight begins from


def under_overhang(
    corners: Floats,  # (t, 3, 3) triangles near the footprint
    lands: np.ndarray,  # (t,) bool: surfaces that can be landed on, and rims of sheets
    middle: Floats,  # (2,) on the edge, in plan
    along: Floats,  # (2,) unit
    outward: Floats,  # (2,) unit
    half: float,  # half the width of the footprint along the edge
    own: float,  # and of the edge's own part of it
    reach: float,  # how far inward
    below: float,  # only what lies under this height counts
    floor: float,  # and over this one
) -> tuple[float, int]:
    """Greatest height inward of the edge that can be seen from under it, and its triangle; ``floor`` and -1
    where nothing stands higher."""
    wide, deep = half * along, reach * outward
    footprint = shapely.Polygon([middle - wide, middle + wide, middle + wide - deep, middle - wide - deep])
    box = np.array(footprint.bounds) + np.array([-1.0, -1.0, 1.0, 1.0]) * 2 * OUT_M
    flats = corners[:, :, :2]
    inside = (flats.max(axis=1) >= box[:2]).all(axis=1) & (flats.min(axis=1) <= box[2:]).all(axis=1)
    inside &= corners[:, :, 2].max(axis=1) > floor
    rows = np.flatnonzero(inside)
    corners, lands = corners[rows], lands[rows]
    order = np.flatnonzero(lands & (corners[:, :, 2].min(axis=1) < below))
    most = np.minimum(corners[order, :, 2].max(axis=1), below)
    for t in order[np.argsort(-most, kind="stable")].tolist():
        flat = corners[t, :, :2]
        one, other = flat[1] - flat[0], flat[2] - flat[0]
        thin = abs(float(one[0] * other[1] - one[1] * other[0])) / 2 <= LEAST_M2
        shape = shapely.LineString(flat) if thin else shapely.Polygon(flat)
        part = shapely.intersection(shape, footprint)
        if (part.length <= LEAST_M) if thin else (part.area <= LEAST_M2):
            continue
        xy = _places(part, thin)
        z = _heights(xy, corners[t], thin)
        some = (z > floor) & (z < below)
        xy, z = xy[some], z[some]
        if len(z) and _any_seen(xy, z, thin, middle, along, outward, own, below, corners):
            high = _heights(shapely.get_coordinates(part), corners[t], thin)
            return min(float(high.max()), below), int(rows[t])
    return floor, -1


def _places(part: shapely.Geometry, thin: bool) -> Floats:
    """Places of a part in plan: next to its corners, and others not far apart."""
    if thin:
        line: Floats = shapely.get_coordinates(shapely.segmentize(part, SPACING_M))
        return line
    x0, y0, x1, y1 = part.bounds
    x, y = np.meshgrid(
        np.arange(x0 + SPACING_M / 2, x1, SPACING_M), np.arange(y0 + SPACING_M / 2, y1, SPACING_M)
    )
    grid = np.column_stack((x.ravel(), y.ravel()))
    shapely.prepare(part)
    grid = grid[shapely.contains_xy(part, grid[:, 0], grid[:, 1])]
    inner = shapely.get_coordinates(shapely.point_on_surface(part))
    corners = shapely.get_coordinates(part)
    return np.concatenate((inner + 0.98 * (corners - inner), inner, grid))


def _heights(xy: Floats, corner: Floats, thin: bool) -> Floats:
    if thin:
        way = corner[np.argmax(np.linalg.norm(corner - corner[0], axis=1))] - corner[0]
        t = (xy - corner[0, :2]) @ way[:2] / max(float(way[:2] @ way[:2]), 1e-300)
        sloping: Floats = corner[0, 2] + np.clip(t, 0.0, 1.0) * way[2]
        return sloping
    normal = np.cross(corner[1] - corner[0], corner[2] - corner[0])
    z: Floats = (float(normal @ corner[0]) - xy @ normal[:2]) / normal[2]
    return z


def _any_seen(
    xy: Floats,
    z: Floats,
    thin: bool,
    middle: Floats,
    along: Floats,
    outward: Floats,
    own: float,
    below: float,
    corners: Floats,
) -> bool:
    """Whether some place is seen from under the edge's own part next to it, level or from higher up."""
    target = np.column_stack((xy, np.minimum(z + ABOVE_M, below - UNDER_M)))
    foot = np.column_stack((xy, z - RIM_M if thin else z + TOP_M))
    room = hit(target, target + SKY, corners) & ~hit(foot, foot + HEADROOM, corners)
    xy, target = xy[room], target[room]
    if not len(xy):
        return False
    side = np.clip((xy - middle) @ along, -max(own - OUT_M, 0.0), max(own - OUT_M, 0.0))
    foot = middle + side[:, None] * along + OUT_M * outward
    share = np.linspace(0.0, 1.0, DEPTHS)
    start = target[:, 2] + share[:, None] * np.maximum(below - UNDER_M - target[:, 2], 0.0)
    origin = np.concatenate([np.column_stack((foot, heights)) for heights in start])
    return not bool(hit(origin, np.tile(target, (DEPTHS, 1)), corners).all())
