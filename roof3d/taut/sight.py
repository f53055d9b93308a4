"""Whether a straight piece of rope is free of the building: double precision, bounding-box tree.

Four lengths make the answer robust against files that are exact to a millimetre at best:

- ``STAND_OFF`` (2 mm): rope ends and contact points are moved this far off every face they touch
  before a piece is tested, so that a rope lying on a face is not blocked by it. Lengths are always
  those of the unmoved points.
- ``FINE`` (0.02 mm, or what the planes are off): what is found blocked stood off refutes a rope only if it is
  blocked this near to the faces too, triangles as large as they are, and by the building itself (ways.py).
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
FINE = 2e-5
MARGIN = 0.001
ON_SURFACE = 0.001
ON_FACE = 1e-6  # m, rounding
LEAF = 4  # triangles in a leaf


# columns of Sight.faces, together so that a face is one run of memory
NORMAL, OFFSET = 0, 3  # unit normal; plane's offset
SIDE, SIDE_OFFSET = 4, 13  # unit inward normals of the three sides, in its plane; their offsets
CORNER = 16  # the three corners
SOLID = 25  # 1, or 0 for plugs (cracks.py)
COLUMNS = 26


@dataclass(frozen=True, eq=False)
class Sight:
    """Covering triangles in a bounding-box tree; local frame, metres.

    The tree's nodes stand in the order of a walk that goes left first, so that a walk needs no stack: into a
    node is to the next row, past it to ``links[row, 0]``.
    """

    faces: Floats  # (t, COLUMNS)
    region: Ints  # (t,)
    faced: Ints  # (t,) 1 where the normal is known to point outward, 0 unknown, -1 plug
    boxes: Floats  # (n, 6) low, high
    links: Ints  # (n, 3) row past the node; of leaves: first triangle, number (of others nil)

    @property
    def arrays(self) -> tuple[np.ndarray, ...]:
        """What the compiled functions take."""
        return self.faces, self.boxes, self.links


@njit(cache=True)
def _build(low, high, middle):  # type: ignore[no-untyped-def]
    n = len(middle)
    order = np.arange(n)
    boxes = np.empty((2 * n + 1, 6))
    links = np.zeros((2 * n + 1, 3), np.int64)
    parent = np.full(2 * n + 1, -1)
    right = np.zeros(2 * n + 1, np.int64)
    stack = [(0, n, -1)]
    used = 0
    while len(stack) > 0:
        start, stop, above = stack.pop()
        node = used
        used += 1
        parent[node] = above
        if above >= 0:
            right[above] = node  # the left child first, then the right one
        for axis in range(3):
            boxes[node, axis], boxes[node, 3 + axis] = np.inf, -np.inf
            for k in range(start, stop):
                boxes[node, axis] = min(boxes[node, axis], low[order[k], axis])
                boxes[node, 3 + axis] = max(boxes[node, 3 + axis], high[order[k], axis])
        if stop - start <= LEAF:
            links[node, 1], links[node, 2] = start, stop - start
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
        stack.append((half, stop, node))
        stack.append((start, half, node))
    for node in range(used):
        above = parent[node]
        links[node, 0] = used if above < 0 else links[above, 0] if right[above] == node else right[above]
    return order, boxes[:used], links[:used]


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
    order, boxes, links = _build(low, high, corners.mean(axis=1))
    corners, normal, region = corners[order], normal[order], region[order]
    along_side = np.roll(corners, -1, axis=1) - corners
    along_side /= np.maximum(np.linalg.norm(along_side, axis=2), 1e-300)[:, :, None]
    side = np.cross(normal[:, None, :], along_side)
    opposite = np.roll(corners, -2, axis=1) - corners
    side *= np.where(np.einsum("tij,tij->ti", side, opposite) < 0, -1.0, 1.0)[:, :, None]
    faces = np.empty((len(corners), COLUMNS))
    faces[:, NORMAL:OFFSET] = normal
    faces[:, OFFSET] = np.einsum("ij,ij->i", normal, corners.mean(axis=1))
    faces[:, SIDE:SIDE_OFFSET] = side.reshape(-1, 9)
    faces[:, SIDE_OFFSET:CORNER] = np.einsum("tij,tij->ti", side, corners)
    faces[:, CORNER:SOLID] = corners.reshape(-1, 9)
    faces[:, SOLID] = 1.0 if solid is None else region < solid
    known = np.where(region < (len(oriented) if solid is None else solid), oriented[region], -1)
    return Sight(faces, region, known.astype(np.int64), boxes, links)


@njit(cache=True)
def _outline_distance2(faces, k, x, y, z):  # type: ignore[no-untyped-def]
    """Squared distance from a point to the nearest side of triangle k."""
    best = np.inf
    for i in range(3):
        a, b = CORNER + 3 * i, CORNER + 3 * ((i + 1) % 3)
        dx = faces[k, b] - faces[k, a]
        dy = faces[k, b + 1] - faces[k, a + 1]
        dz = faces[k, b + 2] - faces[k, a + 2]
        px, py, pz = x - faces[k, a], y - faces[k, a + 1], z - faces[k, a + 2]
        length2 = dx * dx + dy * dy + dz * dz
        t = 0.0
        if length2 > 0.0:
            t = min(1.0, max(0.0, (px * dx + py * dy + pz * dz) / length2))
        px -= t * dx
        py -= t * dy
        pz -= t * dz
        best = min(best, px * px + py * py + pz * pz)
    return best


@njit(cache=True, inline="always")
def height_over(faces, k, x, y, z):  # type: ignore[no-untyped-def]
    """Signed height of a point over the plane of triangle k."""
    return faces[k, 0] * x + faces[k, 1] * y + faces[k, 2] * z - faces[k, OFFSET]


@njit(cache=True, inline="always")
def _inside_side(faces, k, i, x, y, z):  # type: ignore[no-untyped-def]
    """Signed distance of a point from side i of triangle k, positive inward."""
    s = SIDE + 3 * i
    return faces[k, s] * x + faces[k, s + 1] * y + faces[k, s + 2] * z - faces[k, SIDE_OFFSET + i]


@njit(cache=True)
def over_triangle(faces, k, p, margin=MARGIN):  # type: ignore[no-untyped-def]
    """Whether a point lies over triangle k grown by a margin in its plane."""
    for i in range(3):  # noqa: SIM110 - numba knows no generators
        if _inside_side(faces, k, i, p[0], p[1], p[2]) < -margin:
            return False
    return True


@njit(cache=True)
def pierces(faces, k, px, py, pz, qx, qy, qz, margin):  # type: ignore[no-untyped-def]
    """Whether the piece p-q passes through triangle k, grown by a margin in its plane."""
    s0 = height_over(faces, k, px, py, pz)
    s1 = height_over(faces, k, qx, qy, qz)
    if s0 * s1 > 0.0 or s0 == s1:
        return False
    if margin == 0.0 and min(abs(s0), abs(s1)) < ON_FACE:
        return False  # it touches
    t = s0 / (s0 - s1)
    x = px + t * (qx - px)
    y = py + t * (qy - py)
    z = pz + t * (qz - pz)
    outside = False
    for i in range(3):
        away = _inside_side(faces, k, i, x, y, z)
        if away < -margin:
            return False
        if away < 0.0:
            outside = True
    if outside:
        return _outline_distance2(faces, k, x, y, z) <= margin * margin
    return True


@njit(cache=True)
def blocked(sight, p, q, margin=MARGIN):  # type: ignore[no-untyped-def]
    """Whether anything stands in the straight piece from p to q; triangles count a margin larger.

    Without a margin plugs count for nothing: what stands in the way then is the building itself.
    """
    faces, boxes, links = sight
    px, py, pz, qx, qy, qz = p[0], p[1], p[2], q[0], q[1], q[2]
    dx, dy, dz = qx - px, qy - py, qz - pz
    ix = 1.0 / dx if dx != 0.0 else np.inf
    iy = 1.0 / dy if dy != 0.0 else np.inf
    iz = 1.0 / dz if dz != 0.0 else np.inf
    node, count = 0, len(links)
    while node < count:
        past = links[node, 0]
        enter, leave = 0.0, 1.0
        if dx != 0.0:
            a = (boxes[node, 0] - px) * ix
            b = (boxes[node, 3] - px) * ix
            enter = max(enter, min(a, b))
            leave = min(leave, max(a, b))
        elif px < boxes[node, 0] or px > boxes[node, 3]:
            node = past
            continue
        if dy != 0.0:
            a = (boxes[node, 1] - py) * iy
            b = (boxes[node, 4] - py) * iy
            enter = max(enter, min(a, b))
            leave = min(leave, max(a, b))
        elif py < boxes[node, 1] or py > boxes[node, 4]:
            node = past
            continue
        if dz != 0.0:
            a = (boxes[node, 2] - pz) * iz
            b = (boxes[node, 5] - pz) * iz
            enter = max(enter, min(a, b))
            leave = min(leave, max(a, b))
        elif pz < boxes[node, 2] or pz > boxes[node, 5]:
            node = past
            continue
        if enter > leave + 1e-12:
            node = past
            continue
        number = links[node, 2]
        if number == 0:
            node += 1
            continue
        first = links[node, 1]
        for k in range(first, first + number):
            if margin == 0.0 and faces[k, SOLID] == 0.0:
                continue
            if pierces(faces, k, px, py, pz, qx, qy, qz, margin):
                return True
        node = past
    return False


@njit(cache=True)
def crossed(sight, p, q, out):  # type: ignore[no-untyped-def]
    """Triangles that the piece p-q passes through (capped by the length of out)."""
    faces, boxes, links = sight
    node, count = 0, 0
    while node < len(links):
        past = links[node, 0]
        enter, leave = 0.0, 1.0
        outside = False
        for c in range(3):
            d = q[c] - p[c]
            if abs(d) < 1e-15:
                if p[c] < boxes[node, c] or p[c] > boxes[node, 3 + c]:
                    outside = True
                    break
                continue
            a, b = (boxes[node, c] - p[c]) / d, (boxes[node, 3 + c] - p[c]) / d
            enter, leave = max(enter, min(a, b)), min(leave, max(a, b))
        if outside or enter > leave + 1e-12:
            node = past
            continue
        number = links[node, 2]
        if number == 0:
            node += 1
            continue
        first = links[node, 1]
        for k in range(first, first + number):
            if count < len(out) and pierces(faces, k, p[0], p[1], p[2], q[0], q[1], q[2], MARGIN):
                out[count] = k
                count += 1
        node = past
    return count


@njit(cache=True)
def next_leaf(boxes, links, lower, upper, node):  # type: ignore[no-untyped-def]
    """From a node on, the next leaf whose box meets lower-upper: (node past it, first triangle, number).

    Begin with node nil; a number of nil says that there is none left.
    """
    while node < len(links):
        apart = False
        for c in range(3):
            if boxes[node, c] > upper[c] or boxes[node, 3 + c] < lower[c]:
                apart = True
        if apart:
            node = links[node, 0]
        elif links[node, 2] == 0:
            node += 1
        else:
            return links[node, 0], links[node, 1], links[node, 2]
    return node, 0, 0


@njit(cache=True)
def near_triangles(sight, p, radius, found):  # type: ignore[no-untyped-def]
    """Triangles closer to p than radius, written to ``found``; returns how many (capped)."""
    faces, boxes, links = sight
    x, y, z = p[0], p[1], p[2]
    lower, upper = (x - radius, y - radius, z - radius), (x + radius, y + radius, z + radius)
    node = count = 0
    while True:
        node, first, number = next_leaf(boxes, links, lower, upper, node)
        if number == 0:
            return count
        for k in range(first, first + number):
            if abs(height_over(faces, k, x, y, z)) > radius:
                continue
            inside = True
            for i in range(3):
                if _inside_side(faces, k, i, x, y, z) < 0.0:
                    inside = False
            touching = inside or _outline_distance2(faces, k, x, y, z) <= radius * radius
            if touching and count < len(found):
                found[count] = k
                count += 1


@njit(cache=True)
def winding(faces, p):  # type: ignore[no-untyped-def]
    """Generalised winding number of the triangles about p: about 1 inside a closed solid, 0 outside.

    Solid angle of a triangle after van Oosterom and Strackee (1983).
    """
    total = 0.0
    for k in range(len(faces)):
        ax, ay, az = faces[k, 16] - p[0], faces[k, 17] - p[1], faces[k, 18] - p[2]
        bx, by, bz = faces[k, 19] - p[0], faces[k, 20] - p[1], faces[k, 21] - p[2]
        cx, cy, cz = faces[k, 22] - p[0], faces[k, 23] - p[1], faces[k, 24] - p[2]
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
