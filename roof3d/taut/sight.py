"""Whether a straight piece of rope is free of the building: double precision, bounding-box tree.

Three lengths make the answer robust against files that are exact to a millimetre at best:

- ``STAND_OFF`` (2 mm): rope ends and contact points are moved this far off every face they touch
  before a piece is tested, so that a rope lying on a face is not blocked by it. Lengths are always
  those of the unmoved points.
- ``MARGIN`` (1 mm): triangles count this much larger in their own plane, so that no piece slips
  through hairline gaps where outlines do not share vertices.
- ``ON_SURFACE`` (1 mm): points this far inside a face still count as outside.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit

from roof3d.records import Floats, Ints

STAND_OFF = 0.002
MARGIN = 0.001
ON_SURFACE = 0.001
LEAF = 4  # triangles in a leaf


@dataclass(frozen=True, eq=False)
class Sight:
    """Covering triangles in a bounding-box tree; all arrays float64, local frame, metres."""

    normal: Floats  # (t, 3) unit
    offset: Floats  # (t,)
    side: Floats  # (t, 3, 3) unit inward normals of the triangle's sides, in its plane
    side_offset: Floats  # (t, 3)
    corner: Floats  # (t, 3, 3)
    region: Ints  # (t,)
    faced: Ints  # (t,) 1 where the normal is known to point outward, 0 unknown, -1 plug
    box_low: Floats  # (n, 3)
    box_high: Floats  # (n, 3)
    child: Ints  # (n, 2) inner: left, right; leaf: -1 - first, count

    @property
    def arrays(self) -> tuple[np.ndarray, ...]:
        """What the compiled functions take."""
        return (
            self.normal,
            self.offset,
            self.side,
            self.side_offset,
            self.corner,
            self.box_low,
            self.box_high,
            self.child,
        )


@njit(cache=True)
def _build(low, high, middle):  # type: ignore[no-untyped-def]
    n = len(middle)
    order = np.arange(n)
    box_low = np.empty((2 * n + 1, 3))
    box_high = np.empty((2 * n + 1, 3))
    child = np.empty((2 * n + 1, 2), np.int64)
    stack = [(0, n, 0)]
    used = 1
    while len(stack) > 0:
        start, stop, node = stack.pop()
        for axis in range(3):
            smallest, largest = np.inf, -np.inf
            for k in range(start, stop):
                smallest = min(smallest, low[order[k], axis])
                largest = max(largest, high[order[k], axis])
            box_low[node, axis] = smallest
            box_high[node, axis] = largest
        if stop - start <= LEAF:
            child[node, 0] = -1 - start
            child[node, 1] = stop - start
            continue
        best, width = 0, -1.0
        for axis in range(3):
            a, b = np.inf, -np.inf
            for k in range(start, stop):
                a = min(a, middle[order[k], axis])
                b = max(b, middle[order[k], axis])
            if b - a > width:
                best, width = axis, b - a
        keys = np.empty(stop - start)
        for k in range(start, stop):
            keys[k - start] = middle[order[k], best]
        rank = np.argsort(keys)
        order[start:stop] = order[start:stop][rank]
        half = (start + stop) // 2
        left, right = used, used + 1
        used += 2
        child[node, 0] = left
        child[node, 1] = right
        stack.append((start, half, left))
        stack.append((half, stop, right))
    return order, box_low[:used], box_high[:used], child[:used]


def build_sight(
    corners: Floats, region: Ints, region_normals: Floats, oriented: np.ndarray, solid: int | None = None
) -> Sight:
    """Tree over triangles (t, 3, 3); normals are those of their regions where these are flat.

    Regions from number ``solid`` on are plugs (cracks.py): they block, but push nothing off.
    """
    cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    size = np.linalg.norm(cross, axis=1)
    good = size > 1e-12
    corners, region, cross, size = corners[good], region[good], cross[good], size[good]
    normal = cross / size[:, None]
    # a sliver's own normal is noise: its region's plane passes through it all the same
    along = np.einsum("ij,ij->i", normal, region_normals[region])
    normal = np.where((np.abs(along) < 0.99)[:, None], region_normals[region], normal)
    flip = np.einsum("ij,ij->i", normal, region_normals[region]) < 0
    normal[flip] *= -1.0
    corners = corners.copy()
    corners[flip] = corners[flip][:, ::-1]
    low, high = corners.min(axis=1) - 2 * MARGIN, corners.max(axis=1) + 2 * MARGIN
    order, box_low, box_high, child = _build(low, high, corners.mean(axis=1))
    corners, normal, region = corners[order], normal[order], region[order]
    along_side = np.roll(corners, -1, axis=1) - corners
    along_side /= np.maximum(np.linalg.norm(along_side, axis=2), 1e-300)[:, :, None]
    side = np.cross(normal[:, None, :], along_side)
    opposite = np.roll(corners, -2, axis=1) - corners
    side *= np.where(np.einsum("tij,tij->ti", side, opposite) < 0, -1.0, 1.0)[:, :, None]
    return Sight(
        normal=np.ascontiguousarray(normal),
        offset=np.einsum("ij,ij->i", normal, corners.mean(axis=1)),
        side=np.ascontiguousarray(side),
        side_offset=np.einsum("tij,tij->ti", side, corners),
        corner=np.ascontiguousarray(corners),
        region=region,
        faced=np.where(region < (len(oriented) if solid is None else solid), oriented[region], -1).astype(
            np.int64
        ),
        box_low=box_low,
        box_high=box_high,
        child=child,
    )


@njit(cache=True, inline="always")
def _corner_distance2(corner, k, x, y, z):  # type: ignore[no-untyped-def]
    """Squared distance from a point to the nearest side of triangle k."""
    best = np.inf
    for i in range(3):
        j = (i + 1) % 3
        dx = corner[k, j, 0] - corner[k, i, 0]
        dy = corner[k, j, 1] - corner[k, i, 1]
        dz = corner[k, j, 2] - corner[k, i, 2]
        px, py, pz = x - corner[k, i, 0], y - corner[k, i, 1], z - corner[k, i, 2]
        length2 = dx * dx + dy * dy + dz * dz
        t = 0.0
        if length2 > 0.0:
            t = min(1.0, max(0.0, (px * dx + py * dy + pz * dz) / length2))
        px -= t * dx
        py -= t * dy
        pz -= t * dz
        best = min(best, px * px + py * py + pz * pz)
    return best


@njit(cache=True)
def pierces(sight, k, p, q):  # type: ignore[no-untyped-def]
    """Whether the piece p-q passes through triangle k, grown by MARGIN in its plane."""
    normal, offset, side, side_offset, corner = sight[0], sight[1], sight[2], sight[3], sight[4]
    s0 = normal[k, 0] * p[0] + normal[k, 1] * p[1] + normal[k, 2] * p[2] - offset[k]
    s1 = normal[k, 0] * q[0] + normal[k, 1] * q[1] + normal[k, 2] * q[2] - offset[k]
    if s0 * s1 > 0.0 or s0 == s1:
        return False
    t = s0 / (s0 - s1)
    x = p[0] + t * (q[0] - p[0])
    y = p[1] + t * (q[1] - p[1])
    z = p[2] + t * (q[2] - p[2])
    outside = False
    for i in range(3):
        away = side[k, i, 0] * x + side[k, i, 1] * y + side[k, i, 2] * z - side_offset[k, i]
        if away < -MARGIN:
            return False
        if away < 0.0:
            outside = True
    if outside:
        return _corner_distance2(corner, k, x, y, z) <= MARGIN * MARGIN
    return True


@njit(cache=True)
def blocked(sight, p, q):  # type: ignore[no-untyped-def]
    """Whether anything stands in the straight piece from p to q."""
    box_low, box_high, child = sight[5], sight[6], sight[7]
    stack = np.empty(64, np.int64)
    stack[0] = 0
    top = 1
    dx, dy, dz = q[0] - p[0], q[1] - p[1], q[2] - p[2]
    ix = 1.0 / dx if dx != 0.0 else np.inf
    iy = 1.0 / dy if dy != 0.0 else np.inf
    iz = 1.0 / dz if dz != 0.0 else np.inf
    while top > 0:
        top -= 1
        node = stack[top]
        enter, leave = 0.0, 1.0
        if dx != 0.0:
            a = (box_low[node, 0] - p[0]) * ix
            b = (box_high[node, 0] - p[0]) * ix
            enter = max(enter, min(a, b))
            leave = min(leave, max(a, b))
        elif p[0] < box_low[node, 0] or p[0] > box_high[node, 0]:
            continue
        if dy != 0.0:
            a = (box_low[node, 1] - p[1]) * iy
            b = (box_high[node, 1] - p[1]) * iy
            enter = max(enter, min(a, b))
            leave = min(leave, max(a, b))
        elif p[1] < box_low[node, 1] or p[1] > box_high[node, 1]:
            continue
        if dz != 0.0:
            a = (box_low[node, 2] - p[2]) * iz
            b = (box_high[node, 2] - p[2]) * iz
            enter = max(enter, min(a, b))
            leave = min(leave, max(a, b))
        elif p[2] < box_low[node, 2] or p[2] > box_high[node, 2]:
            continue
        if enter > leave + 1e-12:
            continue
        if child[node, 0] < 0:
            first = -1 - child[node, 0]
            for k in range(first, first + child[node, 1]):
                if pierces(sight, k, p, q):
                    return True
        else:
            stack[top] = child[node, 0]
            stack[top + 1] = child[node, 1]
            top += 2
    return False


@njit(cache=True)
def crossed(sight, p, q, out):  # type: ignore[no-untyped-def]
    """Triangles that the piece p-q passes through (capped by the length of out)."""
    box_low, box_high, child = sight[5], sight[6], sight[7]
    stack = np.empty(64, np.int64)
    stack[0] = 0
    top = 1
    count = 0
    while top > 0:
        top -= 1
        node = stack[top]
        enter, leave = 0.0, 1.0
        outside = False
        for c in range(3):
            d = q[c] - p[c]
            if abs(d) < 1e-15:
                if p[c] < box_low[node, c] or p[c] > box_high[node, c]:
                    outside = True
                    break
                continue
            a, b = (box_low[node, c] - p[c]) / d, (box_high[node, c] - p[c]) / d
            enter, leave = max(enter, min(a, b)), min(leave, max(a, b))
        if outside or enter > leave + 1e-12:
            continue
        if child[node, 0] >= 0:
            stack[top] = child[node, 0]
            stack[top + 1] = child[node, 1]
            top += 2
            continue
        first = -1 - child[node, 0]
        for k in range(first, first + child[node, 1]):
            if count < len(out) and pierces(sight, k, p, q):
                out[count] = k
                count += 1
    return count


@njit(cache=True)
def next_leaf(sight, lower, upper, stack, top):  # type: ignore[no-untyped-def]
    """The next leaf whose box meets the box lower-upper: (stack height left, first triangle, number).

    Begin with ``stack[0] = 0`` and ``top = 1``; a number of nil says that there is none left.
    """
    box_low, box_high, child = sight[5], sight[6], sight[7]
    while top > 0:
        top -= 1
        node = stack[top]
        apart = False
        for c in range(3):
            if box_low[node, c] > upper[c] or box_high[node, c] < lower[c]:
                apart = True
        if apart:
            continue
        if child[node, 0] < 0:
            return top, -1 - child[node, 0], child[node, 1]
        stack[top] = child[node, 0]
        stack[top + 1] = child[node, 1]
        top += 2
    return 0, 0, 0


@njit(cache=True)
def near_triangles(sight, p, radius, found):  # type: ignore[no-untyped-def]
    """Triangles closer to p than radius, written to ``found``; returns how many (capped)."""
    normal, offset, side, side_offset, corner = sight[0], sight[1], sight[2], sight[3], sight[4]
    lower, upper = np.empty(3), np.empty(3)
    for c in range(3):
        lower[c], upper[c] = p[c] - radius, p[c] + radius
    stack = np.empty(64, np.int64)
    stack[0], top = 0, 1
    count = 0
    while True:
        top, first, number = next_leaf(sight, lower, upper, stack, top)
        if number == 0:
            return count
        for k in range(first, first + number):
            s = normal[k, 0] * p[0] + normal[k, 1] * p[1] + normal[k, 2] * p[2] - offset[k]
            if abs(s) > radius:
                continue
            inside = True
            for i in range(3):
                away = side[k, i, 0] * p[0] + side[k, i, 1] * p[1] + side[k, i, 2] * p[2] - side_offset[k, i]
                if away < 0.0:
                    inside = False
            touching = inside or _corner_distance2(corner, k, p[0], p[1], p[2]) <= radius * radius
            if touching and count < len(found):
                found[count] = k
                count += 1


@njit(cache=True)
def lift(sight, faced, p, out):  # type: ignore[no-untyped-def]
    """Move p off every face it touches: the least shift that clears each by STAND_OFF.

    Hildreth's dual ascent on min |b|^2 with n_i . b >= STAND_OFF - (n_i . p - o_i). Faces of unknown
    side count with the side that p lies on, or where it lies in them with the side that looks up; the
    answer is then a guess and True is returned. Where no shift clears all (a gap), the shift is capped
    and the piece behind will be found blocked: the cautious answer for a claim of reach.
    """
    normal, offset = sight[0], sight[1]
    found = np.empty(48, np.int64)
    count = near_triangles(sight, p, 2.0 * STAND_OFF, found)
    out[0], out[1], out[2] = p[0], p[1], p[2]
    guess = False
    if count == 0:
        return guess
    ns = np.empty((count, 3))
    need = np.empty(count)
    used = 0
    for i in range(count):
        k = found[i]
        if faced[k] < 0:
            continue
        sign = 1.0
        if faced[k] == 0:
            over = normal[k, 0] * p[0] + normal[k, 1] * p[1] + normal[k, 2] * p[2] - offset[k]
            if abs(over) > ON_SURFACE:
                sign = 1.0 if over > 0.0 else -1.0
            else:
                guess = True
                if normal[k, 2] < -1e-9 or (abs(normal[k, 2]) <= 1e-9 and normal[k, 0] + normal[k, 1] < 0):
                    sign = -1.0
        x, y, z = sign * normal[k, 0], sign * normal[k, 1], sign * normal[k, 2]
        gap = STAND_OFF - (x * p[0] + y * p[1] + z * p[2] - sign * offset[k])
        new = True
        for j in range(used):
            if ns[j, 0] * x + ns[j, 1] * y + ns[j, 2] * z > 0.9999999:
                new = False
                need[j] = max(need[j], gap)
                break
        if new:
            ns[used, 0], ns[used, 1], ns[used, 2] = x, y, z
            need[used] = gap
            used += 1
    weight = np.zeros(used)
    bx = by = bz = 0.0
    for _ in range(200):
        change = 0.0
        for j in range(used):
            step = need[j] - (ns[j, 0] * bx + ns[j, 1] * by + ns[j, 2] * bz)
            step = max(step, -weight[j])
            weight[j] += step
            bx += step * ns[j, 0]
            by += step * ns[j, 1]
            bz += step * ns[j, 2]
            change = max(change, abs(step))
        if change < 1e-9:
            break
    size = np.sqrt(bx * bx + by * by + bz * bz)
    if size > 8.0 * STAND_OFF:
        bx, by, bz = bx * 8.0 * STAND_OFF / size, by * 8.0 * STAND_OFF / size, bz * 8.0 * STAND_OFF / size
    out[0] += bx
    out[1] += by
    out[2] += bz
    return guess


@njit(cache=True)
def lift_all(sight, faced, points):  # type: ignore[no-untyped-def]
    """``lift`` for points (n, 3): the places (n, 3), and which of them are guesses (n,)."""
    out = np.empty_like(points)
    guess = np.zeros(len(points), np.bool_)
    for i in range(len(points)):
        guess[i] = lift(sight, faced, points[i], out[i])
    return out, guess


@njit(cache=True)
def winding(corner, p):  # type: ignore[no-untyped-def]
    """Generalised winding number of the triangles about p: about 1 inside a closed solid, 0 outside.

    Solid angle of a triangle after van Oosterom and Strackee (1983).
    """
    total = 0.0
    for k in range(len(corner)):
        ax, ay, az = corner[k, 0, 0] - p[0], corner[k, 0, 1] - p[1], corner[k, 0, 2] - p[2]
        bx, by, bz = corner[k, 1, 0] - p[0], corner[k, 1, 1] - p[1], corner[k, 1, 2] - p[2]
        cx, cy, cz = corner[k, 2, 0] - p[0], corner[k, 2, 1] - p[1], corner[k, 2, 2] - p[2]
        la = np.sqrt(ax * ax + ay * ay + az * az)
        lb = np.sqrt(bx * bx + by * by + bz * bz)
        lc = np.sqrt(cx * cx + cy * cy + cz * cz)
        det = ax * (by * cz - bz * cy) - ay * (bx * cz - bz * cx) + az * (bx * cy - by * cx)
        den = (
            la * lb * lc
            + (ax * bx + ay * by + az * bz) * lc
            + (bx * cx + by * cy + bz * cz) * la
            + (cx * ax + cy * ay + cz * az) * lb
        )
        total += 2.0 * np.arctan2(det, den)
    return total / (4.0 * np.pi)
