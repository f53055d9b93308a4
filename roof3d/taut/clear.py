"""Cells of contacts that a point provably sees from end to end.

A rope that runs from a point to a place it sees runs straight: a shortest path's parts are shortest
paths. So a cell that the point sees as a whole can only be the first contact from that point; the same
holds from the anchor. The proof of sight: the triangle between the stood-off point and the stood-off
cell meets no face of the building.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from roof3d.taut.sight import MARGIN, next_leaf, pierces


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
def _close_over(q, a, b, c):  # type: ignore[no-untyped-def]
    """Whether q lies over triangle a-b-c and nearer than MARGIN to its plane."""
    ux, uy, uz = b[0] - a[0], b[1] - a[1], b[2] - a[2]
    vx, vy, vz = c[0] - a[0], c[1] - a[1], c[2] - a[2]
    nx, ny, nz = uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx
    size = np.sqrt(nx * nx + ny * ny + nz * nz)
    wx, wy, wz = q[0] - a[0], q[1] - a[1], q[2] - a[2]
    if size <= 0.0 or abs(nx * wx + ny * wy + nz * wz) > MARGIN * size:
        return False
    uu, uv, vv = ux * ux + uy * uy + uz * uz, ux * vx + uy * vy + uz * vz, vx * vx + vy * vy + vz * vz
    wu, wv = wx * ux + wy * uy + wz * uz, wx * vx + wy * vy + wz * vz
    det = uu * vv - uv * uv
    if det <= 0.0:
        return True
    r, s = (vv * wu - uv * wv) / det, (uu * wv - uv * wu) / det
    return r >= 0.0 and s >= 0.0 and r + s <= 1.0


@njit(cache=True)
def sees_all(sight, p, low, high):  # type: ignore[no-untyped-def]
    """True only if p sees every place of the segment low-high (all stood off)."""
    normal, offset, corner = sight[0], sight[1], sight[4]
    lower, upper = np.empty(3), np.empty(3)
    for c in range(3):
        lower[c] = min(p[c], min(low[c], high[c]))
        upper[c] = max(p[c], max(low[c], high[c]))
    stack = np.empty(64, np.int64)
    stack[0], top = 0, 1
    while True:
        top, first, number = next_leaf(sight, lower, upper, stack, top)
        if number == 0:
            return True
        for k in range(first, first + number):
            # all of the fan on one side of the face, and off it: they do not meet
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
            if pierces(sight, k, p, low) or pierces(sight, k, p, high) or pierces(sight, k, low, high):
                return False
            for i in range(3):
                # a face counts MARGIN larger than it is (sight.py): its corners must stay off the fan
                if _cuts(corner[k, i], corner[k, (i + 1) % 3], p, low, high) or _close_over(
                    corner[k, i], p, low, high
                ):
                    return False


@njit(cache=True)
def cells_seen(sight, p, low, high, seen):  # type: ignore[no-untyped-def]
    """seen[c] = 1 where the stood-off point p sees all of the stood-off cell c."""
    for c in range(len(low)):
        seen[c] = sees_all(sight, p, low[c], high[c])


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
        if not sees_all(sight, p, low, high):
            return False
    lower, upper = np.empty(3), np.empty(3)
    for c in range(3):
        lower[c] = min(min(a0[c], a1[c]), min(b0[c], b1[c]))
        upper[c] = max(max(a0[c], a1[c]), max(b0[c], b1[c]))
    corner = sight[4]
    stack = np.empty(64, np.int64)
    stack[0], top = 0, 1
    while True:
        top, first, number = next_leaf(sight, lower, upper, stack, top)
        if number == 0:
            return True
        for k in range(first, first + number):
            if _inside_tetrahedron(corner[k, 0], a0, a1, b0, b1):
                return False
