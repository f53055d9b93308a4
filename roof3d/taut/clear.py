"""Cells of contacts that a point provably sees from end to end.

A rope that runs from a point to a place it sees runs straight: a shortest path's parts are shortest
paths. So a cell that the point sees as a whole can only be the first contact from that point; the same
holds from the anchor. The proof of sight: the triangle between the stood-off point and the stood-off
cell meets no face of the building.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from roof3d.taut.sight import pierces


@njit(cache=True)
def _cuts(p, q, a, b, c):  # type: ignore[no-untyped-def]
    """Whether segment p-q meets triangle a-b-c (signed volumes; touching counts as meeting)."""
    ux, uy, uz = b[0] - a[0], b[1] - a[1], b[2] - a[2]
    vx, vy, vz = c[0] - a[0], c[1] - a[1], c[2] - a[2]
    nx, ny, nz = uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx
    s0 = nx * (p[0] - a[0]) + ny * (p[1] - a[1]) + nz * (p[2] - a[2])
    s1 = nx * (q[0] - a[0]) + ny * (q[1] - a[1]) + nz * (q[2] - a[2])
    if s0 * s1 > 0.0 or s0 == s1:
        return False
    t = s0 / (s0 - s1)
    wx = p[0] + t * (q[0] - p[0]) - a[0]
    wy = p[1] + t * (q[1] - p[1]) - a[1]
    wz = p[2] + t * (q[2] - p[2]) - a[2]
    uu, uv, vv = ux * ux + uy * uy + uz * uz, ux * vx + uy * vy + uz * vz, vx * vx + vy * vy + vz * vz
    wu, wv = wx * ux + wy * uy + wz * uz, wx * vx + wy * vy + wz * vz
    det = uu * vv - uv * uv
    if det <= 0.0:
        return True
    r, s = (vv * wu - uv * wv) / det, (uu * wv - uv * wu) / det
    return r >= -1e-9 and s >= -1e-9 and r + s <= 1.0 + 1e-9


@njit(cache=True)
def sees_all(normal, offset, side, side_offset, corner, box_low, box_high, child, p, low, high):  # type: ignore[no-untyped-def]
    """True only if p sees every place of the segment low-high (all stood off)."""
    lower, upper = np.empty(3), np.empty(3)
    for c in range(3):
        lower[c] = min(p[c], min(low[c], high[c]))
        upper[c] = max(p[c], max(low[c], high[c]))
    stack = np.empty(64, np.int64)
    stack[0] = 0
    top = 1
    while top > 0:
        top -= 1
        node = stack[top]
        apart = False
        for c in range(3):
            if box_low[node, c] > upper[c] or box_high[node, c] < lower[c]:
                apart = True
        if apart:
            continue
        if child[node, 0] >= 0:
            stack[top] = child[node, 0]
            stack[top + 1] = child[node, 1]
            top += 2
            continue
        first = -1 - child[node, 0]
        for k in range(first, first + child[node, 1]):
            # all of the fan on one side of the face: they do not meet
            s0 = s1 = s2 = 0.0
            for c in range(3):
                s0 += normal[k, c] * p[c]
                s1 += normal[k, c] * low[c]
                s2 += normal[k, c] * high[c]
            s0 -= offset[k]
            s1 -= offset[k]
            s2 -= offset[k]
            if (s0 > 0.0 and s1 > 0.0 and s2 > 0.0) or (s0 < 0.0 and s1 < 0.0 and s2 < 0.0):
                continue
            if (
                pierces(normal, offset, side, side_offset, corner, k, p, low)
                or pierces(normal, offset, side, side_offset, corner, k, p, high)
                or pierces(normal, offset, side, side_offset, corner, k, low, high)
                or _cuts(corner[k, 0], corner[k, 1], p, low, high)
                or _cuts(corner[k, 1], corner[k, 2], p, low, high)
                or _cuts(corner[k, 2], corner[k, 0], p, low, high)
            ):
                return False
    return True


@njit(cache=True)
def cells_seen(sight, p, low, high, seen):  # type: ignore[no-untyped-def]
    """seen[c] = 1 where the stood-off point p sees all of the stood-off cell c."""
    for c in range(len(low)):
        seen[c] = sees_all(
            sight[0], sight[1], sight[2], sight[3], sight[4], sight[5], sight[6], sight[7], p, low[c], high[c]
        )


@njit(cache=True)
def _inside_tetrahedron(q, a, b, c, d):  # type: ignore[no-untyped-def]
    """Whether q lies in the tetrahedron a b c d (on its border counts)."""
    points = (a, b, c, d)
    for i in range(4):
        o, u, v, w = points[i], points[(i + 1) % 4], points[(i + 2) % 4], points[(i + 3) % 4]
        ux, uy, uz = u[0] - w[0], u[1] - w[1], u[2] - w[2]
        vx, vy, vz = v[0] - w[0], v[1] - w[1], v[2] - w[2]
        nx, ny, nz = uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx
        here = nx * (q[0] - w[0]) + ny * (q[1] - w[1]) + nz * (q[2] - w[2])
        there = nx * (o[0] - w[0]) + ny * (o[1] - w[1]) + nz * (o[2] - w[2])
        if here * there < 0.0:
            return False
    return True


@njit(cache=True)
def all_see_all(sight, a0, a1, b0, b1):  # type: ignore[no-untyped-def]
    """True only if every place of a0-a1 sees every place of b0-b1 (all stood off).

    All pieces between them lie in the tetrahedron of the four ends: no face of the building meets its
    sides, and none lies inside.
    """
    for which in range(4):
        p = a0 if which == 0 else a1 if which == 1 else b0 if which == 2 else b1
        low, high = (b0, b1) if which < 2 else (a0, a1)
        if not sees_all(
            sight[0], sight[1], sight[2], sight[3], sight[4], sight[5], sight[6], sight[7], p, low, high
        ):
            return False
    lower, upper = np.empty(3), np.empty(3)
    for c in range(3):
        lower[c] = min(min(a0[c], a1[c]), min(b0[c], b1[c]))
        upper[c] = max(max(a0[c], a1[c]), max(b0[c], b1[c]))
    corner, box_low, box_high, child = sight[4], sight[5], sight[6], sight[7]
    stack = np.empty(64, np.int64)
    stack[0] = 0
    top = 1
    while top > 0:
        top -= 1
        node = stack[top]
        apart = False
        for c in range(3):
            if box_low[node, c] > upper[c] or box_high[node, c] < lower[c]:
                apart = True
        if apart:
            continue
        if child[node, 0] >= 0:
            stack[top] = child[node, 0]
            stack[top + 1] = child[node, 1]
            top += 2
            continue
        first = -1 - child[node, 0]
        for k in range(first, first + child[node, 1]):
            if _inside_tetrahedron(corner[k, 0], a0, a1, b0, b1):
                return False
    return True
