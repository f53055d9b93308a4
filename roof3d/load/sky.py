"""Which side of a surface sees the sky: rays to the upper half of the sphere, many at once.

For each direction the scene is turned so that the direction is the view axis; a point sees the sky
if no triangle covers it nearer to the viewer. Points that a ray grazes count as covered.
"""

from __future__ import annotations

import math

import numpy as np
import shapely

from roof3d.records import Floats, Ints

_DIRECTIONS = 24
_CLEAR_M = 1e-3  # hits nearer than this are the surface itself
_CELLS = 512
_SLACK = 1e-9


def directions(count: int = _DIRECTIONS) -> Floats:
    """Unit vectors spread evenly over the upper half of the sphere, (count, 3)."""
    golden = math.pi * (3 - math.sqrt(5))
    steps = np.arange(count)
    z = (steps + 0.5) / count
    level = np.sqrt(1 - z * z)
    angle = golden * steps + 0.7234  # no axis of a plan is likely to be met
    return np.stack((level * np.cos(angle), level * np.sin(angle), z), axis=1)


def sky_votes(corners: Floats, points: Floats, normals: Floats, own: Ints) -> tuple[Floats, Floats]:
    """How much sky the front and the back of each point see, (n,) each, 0 to about 1.

    ``corners`` (m, 3, 3) are all triangles, ``own`` (n,) the triangle that each point lies on.
    """
    front, back = np.zeros(len(points)), np.zeros(len(points))
    for direction in directions():
        slant = normals @ direction
        seen = ~_covered(corners, points, own, direction)
        weight = np.where(seen, np.abs(slant), 0.0) * (2.0 / _DIRECTIONS)
        front += np.where(slant > 0, weight, 0.0)
        back += np.where(slant < 0, weight, 0.0)
    return front, back


def _covered(corners: Floats, points: Floats, own: Ints, direction: Floats) -> np.ndarray:
    """Whether a triangle lies in the way from each point in the direction."""
    helper = np.eye(3)[int(np.argmin(np.abs(direction)))]
    u = np.cross(direction, helper)
    u /= np.linalg.norm(u)
    frame = np.stack((u, np.cross(direction, u)), axis=1)
    flat, depth = points @ frame, points @ direction
    shape, height = corners @ frame, corners @ direction
    low, high = shape.min(axis=1), shape.max(axis=1)

    maybe = np.flatnonzero(_holds_points(flat, low, high))
    boxes = shapely.box(low[maybe, 0], low[maybe, 1], high[maybe, 0], high[maybe, 1])
    which, place = shapely.STRtree(shapely.points(flat)).query(boxes)
    triangle = maybe[which]
    a, b, c = (shape[triangle, corner] for corner in range(3))
    p = flat[place]

    def side(s: Floats, t: Floats, r: Floats) -> Floats:
        return np.asarray(
            (t[:, 0] - s[:, 0]) * (r[:, 1] - s[:, 1]) - (t[:, 1] - s[:, 1]) * (r[:, 0] - s[:, 0])
        )

    whole = side(a, b, c)
    turn = np.sign(whole)
    wa, wb, wc = (turn * side(*pair, p) for pair in ((b, c), (c, a), (a, b)))
    size = np.abs(whole)
    inside = (size > 0) & (np.minimum(np.minimum(wa, wb), wc) >= -_SLACK * size)
    safe = np.where(size > 0, size, 1.0)
    z = (wa * height[triangle, 0] + wb * height[triangle, 1] + wc * height[triangle, 2]) / safe
    blocks = inside & (z > depth[place] + _CLEAR_M) & (triangle != own[place])
    covered = np.zeros(len(points), dtype=bool)
    covered[place[blocks]] = True
    return covered


def _holds_points(flat: Floats, low: Floats, high: Floats) -> np.ndarray:
    """Boxes that can hold a point, by counts on a grid; cheap for millions of small ones."""
    start, end = flat.min(axis=0), flat.max(axis=0)
    step = np.maximum((end - start) / _CELLS, 1e-9)
    cell = np.clip(((flat - start) / step).astype(np.int64), 0, _CELLS - 1)
    sums = np.zeros((_CELLS + 1, _CELLS + 1), dtype=np.int64)
    np.add.at(sums, (cell[:, 0] + 1, cell[:, 1] + 1), 1)
    sums = sums.cumsum(axis=0).cumsum(axis=1)
    # one cell of room on each side, so that rounding cannot hide a point
    first = np.clip(np.floor((low - start) / step).astype(np.int64) - 1, 0, _CELLS)
    last = np.clip(np.floor((high - start) / step).astype(np.int64) + 2, 0, _CELLS)
    inside = (
        sums[last[:, 0], last[:, 1]]
        - sums[first[:, 0], last[:, 1]]
        - sums[last[:, 0], first[:, 1]]
        + sums[first[:, 0], first[:, 1]]
    )
    return np.asarray(inside > 0)
