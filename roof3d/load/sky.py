"""Which side of a surface sees the sky: rays to the upper half of the sphere, many at once.

For each direction the scene is turned so that the direction is the view axis; a point sees the sky
if no triangle covers it nearer to the viewer. Points that a ray grazes count as covered.
"""

from __future__ import annotations

import math

import numpy as np
import shapely

from roof3d.records import Floats

_DIRECTIONS = 24
_FEW, _MANY = 12, 500_000  # directions for so many triangles and more
_CHUNK = 50_000
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


def sky_votes(corners: Floats, points: Floats, normals: Floats) -> tuple[Floats, Floats]:
    """How much sky the front and the back of each point see, (n,) each, 0 to about 1.

    ``corners`` (m, 3, 3) are all triangles, those that the points lie on included.
    """
    views = [
        _View(direction, points) for direction in directions(_DIRECTIONS if len(corners) < _MANY else _FEW)
    ]
    for start in range(0, len(corners), _CHUNK):
        chunk = corners[start : start + _CHUNK]
        columns = [np.ascontiguousarray(chunk[:, corner]) for corner in range(3)]
        for view in views:
            view.cover(columns)
    front, back = np.zeros(len(points)), np.zeros(len(points))
    for view in views:
        slant = normals @ view.direction
        weight = np.where(view.covered, 0.0, np.abs(slant)) * (2.0 / len(views))
        front += np.where(slant > 0, weight, 0.0)
        back += np.where(slant < 0, weight, 0.0)
    return front, back


class _View:
    """One direction: the points as the viewer sees them, and which of them are covered so far."""

    def __init__(self, direction: Floats, points: Floats) -> None:
        self.direction = direction
        helper = np.eye(3)[int(np.argmin(np.abs(direction)))]
        u = np.cross(direction, helper)
        u /= np.linalg.norm(u)
        self.frame = np.stack((u, np.cross(direction, u), direction), axis=1)
        seen = points @ self.frame
        self.flat, self.depth = seen[:, :2], seen[:, 2]
        self.tree = shapely.STRtree(shapely.points(self.flat))
        self.covered = np.zeros(len(points), dtype=bool)
        # counts of points on a grid, summed up, to pass over triangles that can hold none
        self.start = self.flat.min(axis=0)
        self.step = np.maximum((self.flat.max(axis=0) - self.start) / _CELLS, 1e-9)
        cell = np.clip(((self.flat - self.start) / self.step).astype(np.int64), 0, _CELLS - 1)
        sums = np.zeros((_CELLS + 1, _CELLS + 1), dtype=np.int64)
        np.add.at(sums, (cell[:, 0] + 1, cell[:, 1] + 1), 1)
        self.sums = sums.cumsum(axis=0).cumsum(axis=1)

    def cover(self, columns: list[Floats]) -> None:
        """Mark the points that triangles, given as three columns of corners (m, 3), lie before."""
        turned = [column @ self.frame for column in columns]
        low = np.minimum(np.minimum(turned[0], turned[1]), turned[2])
        high = np.maximum(np.maximum(turned[0], turned[1]), turned[2])
        maybe = np.flatnonzero(self._can_hold(low, high))
        boxes = shapely.box(low[maybe, 0], low[maybe, 1], high[maybe, 0], high[maybe, 1])
        which, place = self.tree.query(boxes)
        triangle = maybe[which]
        a, b, c = (column[triangle] for column in turned)
        p = self.flat[place]
        whole = _side(a, b, c)
        turn, size = np.sign(whole), np.abs(whole)
        wa, wb, wc = turn * _side(b, c, p), turn * _side(c, a, p), turn * _side(a, b, p)
        inside = (size > 0) & (np.minimum(np.minimum(wa, wb), wc) >= -_SLACK * size)
        z = (wa * a[:, 2] + wb * b[:, 2] + wc * c[:, 2]) / np.where(size > 0, size, 1.0)
        self.covered[place[inside & (z > self.depth[place] + _CLEAR_M)]] = True

    def _can_hold(self, low: Floats, high: Floats) -> np.ndarray:
        """Boxes with a point in them or within one cell (so that rounding cannot hide one)."""
        x0, y0 = (
            np.clip((low[:, k] - self.start[k]) / self.step[k] - 1, 0, _CELLS).astype(np.intp) for k in (0, 1)
        )
        x1, y1 = (
            np.clip((high[:, k] - self.start[k]) / self.step[k] + 2, 0, _CELLS).astype(np.intp)
            for k in (0, 1)
        )
        return np.asarray(self.sums[x1, y1] - self.sums[x0, y1] - self.sums[x1, y0] + self.sums[x0, y0] > 0)


def _side(s: Floats, t: Floats, r: Floats) -> Floats:
    """Twice the signed area of each triangle s, t, r in the first two coordinates."""
    return np.asarray((t[:, 0] - s[:, 0]) * (r[:, 1] - s[:, 1]) - (t[:, 1] - s[:, 1]) * (r[:, 0] - s[:, 0]))
