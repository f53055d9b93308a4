"""Cells of contacts that a point provably sees from end to end.

A rope that runs from a point to a place it sees runs straight: a shortest path's parts are shortest
paths. So a cell that the point sees as a whole can only be the first contact from that point; the same
holds from the anchor. The proof of sight: the triangle between the stood-off point and the stood-off
cell meets no face of the building.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from roof3d.taut.sight import CORNER, MARGIN, height_over, next_leaf, pierces


@njit(cache=True)
def _span(fan, p, low, high):  # type: ignore[no-untyped-def]
    """Fill a fan (16,), triangle p-low-high: corner, two sides, cross product, products of the sides."""
    for c in range(3):
        fan[c] = p[c]
        fan[3 + c] = low[c] - p[c]
        fan[6 + c] = high[c] - p[c]
    fan[9] = fan[4] * fan[8] - fan[5] * fan[7]
    fan[10] = fan[5] * fan[6] - fan[3] * fan[8]
    fan[11] = fan[3] * fan[7] - fan[4] * fan[6]
    fan[12] = fan[3] * fan[3] + fan[4] * fan[4] + fan[5] * fan[5]
    fan[13] = fan[3] * fan[6] + fan[4] * fan[7] + fan[5] * fan[8]
    fan[14] = fan[6] * fan[6] + fan[7] * fan[7] + fan[8] * fan[8]
    fan[15] = fan[12] * fan[14] - fan[13] * fan[13]


@njit(cache=True, inline="always")
def _off(fan, x, y, z):  # type: ignore[no-untyped-def]
    """Height of a point over the fan's plane, times the length of its cross product."""
    return fan[9] * (x - fan[0]) + fan[10] * (y - fan[1]) + fan[11] * (z - fan[2])


@njit(cache=True)
def _over(fan, x, y, z, spare):  # type: ignore[no-untyped-def]
    """Whether a point lies over the fan (by its shares of the two sides); a fan without area is all over."""
    if fan[15] <= 0.0:
        return True
    wx, wy, wz = x - fan[0], y - fan[1], z - fan[2]
    wu = wx * fan[3] + wy * fan[4] + wz * fan[5]
    wv = wx * fan[6] + wy * fan[7] + wz * fan[8]
    r = (fan[14] * wu - fan[13] * wv) / fan[15]
    s = (fan[12] * wv - fan[13] * wu) / fan[15]
    return r >= -spare and s >= -spare and r + s <= 1.0 + spare


@njit(cache=True)
def _meets(fan, faces, k):  # type: ignore[no-untyped-def]
    """Whether a side of triangle k meets the fan, or a corner lies over it nearer than MARGIN.

    A face counts MARGIN larger than it is (sight.py): its corners must stay off the fan.
    """
    size = np.sqrt(fan[9] * fan[9] + fan[10] * fan[10] + fan[11] * fan[11])
    for i in range(3):
        a, b = CORNER + 3 * i, CORNER + 3 * ((i + 1) % 3)
        ax, ay, az = faces[k, a], faces[k, a + 1], faces[k, a + 2]
        bx, by, bz = faces[k, b], faces[k, b + 1], faces[k, b + 2]
        s0, s1 = _off(fan, ax, ay, az), _off(fan, bx, by, bz)
        if s0 * s1 <= 0.0 and s0 != s1:
            t = s0 / (s0 - s1)
            if _over(fan, ax + t * (bx - ax), ay + t * (by - ay), az + t * (bz - az), 1e-9):
                return True
        if size > 0.0 and abs(s0) <= MARGIN * size and _over(fan, ax, ay, az, 0.0):
            return True
    return False


@njit(cache=True)
def sees_all(sight, p, ends, cell):  # type: ignore[no-untyped-def]
    """True only if p sees every place of the segment ends[cell] (all stood off)."""
    faces, boxes, links = sight
    fan = np.empty(16)
    _span(fan, p, ends[cell, 0], ends[cell, 1])
    px, py, pz = fan[0], fan[1], fan[2]
    lx, ly, lz = ends[cell, 0, 0], ends[cell, 0, 1], ends[cell, 0, 2]
    hx, hy, hz = ends[cell, 1, 0], ends[cell, 1, 1], ends[cell, 1, 2]
    lower = (min(px, min(lx, hx)), min(py, min(ly, hy)), min(pz, min(lz, hz)))
    upper = (max(px, max(lx, hx)), max(py, max(ly, hy)), max(pz, max(lz, hz)))
    node = 0
    while True:
        node, first, number = next_leaf(boxes, links, lower, upper, node)
        if number == 0:
            return True
        for k in range(first, first + number):
            # all of the fan on one side of the face, and off it: they do not meet
            s0 = height_over(faces, k, px, py, pz)
            s1 = height_over(faces, k, lx, ly, lz)
            s2 = height_over(faces, k, hx, hy, hz)
            if (s0 > 0.0 and s1 > 0.0 and s2 > 0.0) or (s0 < 0.0 and s1 < 0.0 and s2 < 0.0):
                continue
            if (
                pierces(faces, k, px, py, pz, lx, ly, lz, MARGIN)
                or pierces(faces, k, px, py, pz, hx, hy, hz, MARGIN)
                or pierces(faces, k, lx, ly, lz, hx, hy, hz, MARGIN)
                or _meets(fan, faces, k)
            ):
                return False


@njit(cache=True)
def cells_seen(sight, p, ends, within, seen):  # type: ignore[no-untyped-def]
    """seen[c] = 1 where the stood-off point p sees all of the stood-off cell ends[c], of those ``within``."""
    for c in within:
        seen[c] = sees_all(sight, p, ends, c)


@njit(cache=True)
def _inside_tetrahedron(corners, x, y, z):  # type: ignore[no-untyped-def]
    """Whether a point lies in the tetrahedron of four corners (4, 3); on its border counts."""
    for i in range(4):
        o, u, v, w = i, (i + 1) % 4, (i + 2) % 4, (i + 3) % 4
        wx, wy, wz = corners[w, 0], corners[w, 1], corners[w, 2]
        ux, uy, uz = corners[u, 0] - wx, corners[u, 1] - wy, corners[u, 2] - wz
        vx, vy, vz = corners[v, 0] - wx, corners[v, 1] - wy, corners[v, 2] - wz
        nx, ny, nz = uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx
        here = nx * (x - wx) + ny * (y - wy) + nz * (z - wz)
        there = nx * (corners[o, 0] - wx) + ny * (corners[o, 1] - wy) + nz * (corners[o, 2] - wz)
        if here * there < 0.0:
            return False
    return True


@njit(cache=True)
def all_see_all(sight, ends, a, b):  # type: ignore[no-untyped-def]
    """True only if every place of the segment ends[a] sees every place of ends[b] (all stood off).

    All pieces between them lie in the tetrahedron of the four ends: no face of the building meets its
    sides, and none lies inside.
    """
    for which in range(2):
        if not sees_all(sight, ends[a, which], ends, b) or not sees_all(sight, ends[b, which], ends, a):
            return False
    faces, boxes, links = sight
    corners = np.empty((4, 3))
    lower, upper = np.empty(3), np.empty(3)
    for c in range(3):
        for which in range(2):
            corners[which, c], corners[2 + which, c] = ends[a, which, c], ends[b, which, c]
        lower[c] = min(min(corners[0, c], corners[1, c]), min(corners[2, c], corners[3, c]))
        upper[c] = max(max(corners[0, c], corners[1, c]), max(corners[2, c], corners[3, c]))
    node = 0
    while True:
        node, first, number = next_leaf(boxes, links, lower, upper, node)
        if number == 0:
            return True
        for k in range(first, first + number):
            if _inside_tetrahedron(corners, faces[k, CORNER], faces[k, CORNER + 1], faces[k, CORNER + 2]):
                return False
