"""Cuts polygons, concave ones and ones with holes too, into triangles in their own plane.

Triangles are kept, quadrilaterals are cut at the shorter diagonal that lies inside, all others by
ear clipping (D. H. Meisters, "Polygons have ears", American Mathematical Monthly 82, 1975), holes
being joined to the outer ring first. No vertex is added.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from roof3d.records import Floats, Ints


@dataclass(frozen=True, eq=False)
class Cut:
    """Triangles cut from faces."""

    triangles: Ints  # (m, 3)
    face: Ints  # (m,) row of the face each comes from
    warps: Floats  # (k,) greatest distance of a corner from the mean plane, faces of over 3 corners
    crossed: Ints  # faces whose triangles do not add up to their area: the outline crosses itself
    empty: int = 0  # polygons of over three corners without area, which give no triangle


def cut_faces(vertices: Floats, corners: Ints, counts: Ints) -> Cut:
    """Cut faces given as one flat array of corners and the number of corners of each.

    ``vertices`` (n, 3) must be finite and ``corners`` in range. Faces of under 3 corners give none.
    """
    starts = np.concatenate(([0], np.cumsum(counts)[:-1])) if len(counts) else np.zeros(0, dtype=np.int64)
    triples = np.flatnonzero(counts == 3)
    triangles = [corners[starts[triples, None] + np.arange(3)].reshape(-1, 3)]
    faces = [triples]
    warps: list[Floats] = []
    crossed: list[Ints] = []
    empty = 0

    loop: list[Ints] = []
    for count in np.unique(counts[counts > 3]):
        same = np.flatnonzero(counts == count)
        rings = corners[starts[same, None] + np.arange(count)]
        cut, good, warp = _cut_quads(vertices, rings) if count == 4 else _cut_convex(vertices, rings)
        triangles.append(cut[good].reshape(-1, 3))
        faces.append(np.repeat(same[good], count - 2))
        warps.append(warp[good])
        loop.append(same[~good])
    for face in np.concatenate(loop) if loop else ():
        ring = corners[starts[face] : starts[face] + counts[face]]
        one = cut_polygon(vertices, [ring])
        triangles.append(one.triangles)
        faces.append(np.full(len(one.triangles), face))
        warps.append(one.warps)
        empty += not len(one.triangles)
        if len(one.crossed):
            crossed.append(np.array([face]))
    return Cut(
        np.concatenate(triangles),
        np.concatenate(faces),
        np.concatenate(warps) if warps else np.zeros(0),
        np.concatenate(crossed) if crossed else np.zeros(0, dtype=np.int64),
        empty,
    )


def _cut_quads(vertices: Floats, quads: Ints) -> tuple[Ints, np.ndarray, Floats]:
    """(n, 2, 3) triangles; which quads could be cut so; how far each is off its plane."""
    p = vertices[quads]
    normal = np.cross(p[:, 2] - p[:, 0], p[:, 3] - p[:, 1])
    size = np.linalg.norm(normal, axis=1)
    unit = normal / np.where(size > 0, size, 1)[:, None]
    warp = np.abs(np.einsum("nij,nj->ni", p - p.mean(axis=1, keepdims=True), unit)).max(axis=1)

    def areas(a: int, b: int, c: int) -> Floats:
        return np.asarray(np.einsum("ni,ni->n", np.cross(p[:, b] - p[:, a], p[:, c] - p[:, a]), unit))

    by_02 = np.minimum(areas(0, 1, 2), areas(0, 2, 3))
    by_13 = np.minimum(areas(0, 1, 3), areas(1, 2, 3))
    long_02 = np.linalg.norm(p[:, 2] - p[:, 0], axis=1)
    long_13 = np.linalg.norm(p[:, 3] - p[:, 1], axis=1)
    slack = 1e-12 * size
    use_02 = (by_02 > slack) & ((by_13 <= slack) | (long_02 <= long_13))
    cut = np.where(
        use_02[:, None, None],
        quads[:, [[0, 1, 2], [0, 2, 3]]],
        quads[:, [[0, 1, 3], [1, 2, 3]]],
    )
    return cut, (by_02 > slack) | (by_13 > slack), warp


def _cut_convex(vertices: Floats, rings: Ints) -> tuple[Ints, np.ndarray, Floats]:
    """(n, k - 2, 3) triangles in a fan; which polygons are convex; how far each is off its plane."""
    p = vertices[rings]
    p = p - p.mean(axis=1, keepdims=True)
    normal = np.cross(p, np.roll(p, -1, axis=1)).sum(axis=1)
    size = np.linalg.norm(normal, axis=1)
    unit = normal / np.where(size > 0, size, 1)[:, None]
    warp = np.abs(np.einsum("nij,nj->ni", p, unit)).max(axis=1)
    ahead = np.roll(p, -1, axis=1) - p
    behind = np.roll(ahead, 1, axis=1)
    bend = np.einsum("nij,nj->ni", np.cross(behind, ahead), unit)
    turn = np.arctan2(bend, np.einsum("nij,nij->ni", behind, ahead)).sum(axis=1)
    # every corner bends the same way, and all together once round (a star with five points: twice)
    good = (bend > 1e-9 * size[:, None]).all(axis=1) & (turn < 2 * np.pi + 0.1)
    place = np.arange(1, rings.shape[1] - 1)
    fans = np.stack((np.zeros_like(place), place, place + 1), axis=1)
    return rings[:, fans], good, warp


def cut_polygon(vertices: Floats, rings: Sequence[Ints | Sequence[int]]) -> Cut:
    """Cut one polygon: outer ring, then holes, each a sequence of vertex indices."""
    index = [_open_ring(vertices, ring) for ring in rings]
    index = [ring for position, ring in enumerate(index) if len(ring) >= 3 or position == 0]
    none = np.zeros((0, 3), dtype=np.int64)
    nothing = np.zeros(0, dtype=np.int64)
    if len(index[0]) < 3:
        return Cut(none, nothing, np.zeros(0), nothing, 1)
    everything = vertices[np.concatenate(index)]
    centre = everything.mean(axis=0)
    outer = vertices[index[0]] - centre
    normal = np.cross(outer, np.roll(outer, -1, axis=0)).sum(axis=0)  # Newell's: twice the area
    size = float(np.linalg.norm(normal))
    if not size > 0:
        return Cut(none, nothing, np.zeros(0), nothing, 1)
    normal /= size
    warp = float(np.abs((everything - centre) @ normal).max())
    helper = np.eye(3)[int(np.argmin(np.abs(normal)))]
    u = np.cross(helper, normal)
    u /= np.linalg.norm(u)
    frame = np.stack((u, np.cross(normal, u)), axis=1)

    ids: list[int] = []
    flat: list[Floats] = []
    loops: list[list[int]] = []
    net = 0.0
    for number, ring in enumerate(index):
        points = (vertices[ring] - centre) @ frame
        x, y = points.T
        area = 0.5 * float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))
        net += abs(area) if number == 0 else -abs(area)
        order = range(len(ring)) if (area > 0) == (number == 0) else range(len(ring) - 1, -1, -1)
        loops.append([len(ids) + place for place in order])
        ids.extend(int(value) for value in ring)
        flat.append(points)
    plane = np.concatenate(flat)
    cut = _clip_ears(plane, _join_holes(plane, loops))
    a, b, c = plane[cut[:, 0]], plane[cut[:, 1]], plane[cut[:, 2]]
    signed = 0.5 * ((b - a)[:, 0] * (c - a)[:, 1] - (b - a)[:, 1] * (c - a)[:, 0])
    wrong = (
        abs(float(np.abs(signed).sum()) - net) > 1e-6 * abs(0.5 * size)
        or float(signed.min(initial=0)) < -1e-9 * size
    )
    return Cut(
        np.asarray(ids, dtype=np.int64)[cut],
        np.zeros(len(cut), dtype=np.int64),
        np.array([warp]) if len(ids) > 3 else np.zeros(0),
        np.zeros(1 if wrong else 0, dtype=np.int64),
    )


def _open_ring(vertices: Floats, ring: Ints | Sequence[int]) -> list[int]:
    """The ring without corners that repeat the one before, the closing one included."""
    kept: list[int] = []
    for corner in ring:
        if not kept or not np.array_equal(vertices[corner], vertices[kept[-1]]):
            kept.append(int(corner))
    while len(kept) > 1 and np.array_equal(vertices[kept[0]], vertices[kept[-1]]):
        kept.pop()
    return kept


def _join_holes(plane: Floats, loops: list[list[int]]) -> list[int]:
    """One ring that runs to each hole and back along a bridge that crosses nothing."""
    outer = loops[0]
    holes = sorted(loops[1:], key=lambda loop: (-max(float(plane[i, 0]) for i in loop), min(loop)))
    for number, hole in enumerate(holes):
        start = max(range(len(hole)), key=lambda place: (float(plane[hole[place], 0]), -place))
        tip = plane[hole[start]]
        walls = [outer, *holes[number:]]
        tails = np.concatenate([plane[loop] for loop in walls])
        heads = np.concatenate([plane[np.roll(loop, -1)] for loop in walls])
        gaps = np.linalg.norm(plane[outer] - tip, axis=1)
        best = int(np.argmin(gaps))
        for place in np.argsort(gaps, kind="stable"):
            end = plane[outer[place]]
            if not _crosses(tip, end, tails, heads).any() and _inside_corner(plane, outer, int(place), tip):
                best = int(place)
                break
        turned = [*hole[start:], *hole[:start], hole[start]]
        outer = [*outer[: best + 1], *turned, *outer[best:]]
    return outer


def _side(a: Floats, b: Floats, c: Floats) -> Floats:
    """Twice the signed area of a, b, c."""
    return np.asarray(
        (b[..., 0] - a[..., 0]) * (c[..., 1] - a[..., 1]) - (b[..., 1] - a[..., 1]) * (c[..., 0] - a[..., 0])
    )


def _crosses(p: Floats, q: Floats, tails: Floats, heads: Floats) -> np.ndarray:
    """Which segments the open segment p, q crosses or touches away from its ends."""
    d1, d2 = _side(p, q, tails), _side(p, q, heads)
    d3, d4 = _side(tails, heads, p), _side(tails, heads, q)
    proper = (d1 * d2 < 0) & (d3 * d4 < 0)
    along = q - p
    length = float(along @ along)
    place = (tails - p) @ along
    own = (tails == p).all(axis=1) | (tails == q).all(axis=1)
    touched = (d1 == 0) & (place > 0) & (place < length) & ~own
    return np.asarray(proper | touched)


def _inside_corner(plane: Floats, ring: list[int], place: int, point: Floats) -> bool:
    """Whether ``point`` is seen from the ring's corner into the polygon (matters at doubled corners)."""
    here, before, after = plane[ring[place]], plane[ring[place - 1]], plane[ring[(place + 1) % len(ring)]]
    left_of_out = float(_side(here, after, point)) >= 0
    left_of_in = float(_side(before, here, point)) >= 0
    return (
        (left_of_in and left_of_out)
        if float(_side(before, here, after)) >= 0
        else (left_of_in or left_of_out)
    )


def _clip_ears(plane: Floats, ring: list[int]) -> Ints:
    """Triangles of a counter-clockwise ring that may touch itself."""
    ring = list(ring)
    cut: list[tuple[int, int, int]] = []
    scale = float(np.ptp(plane, axis=0).max()) ** 2
    place = 0
    while len(ring) > 3:
        count = len(ring)
        corners = plane[ring]
        bend = _side(np.roll(corners, 1, axis=0), corners, np.roll(corners, -1, axis=0))
        blocking = corners[bend <= 0]
        chosen = -1
        for turn in range(count):
            at = (place + turn) % count
            if bend[at] <= 1e-14 * scale:
                continue
            triple = corners[at - 1], corners[at], corners[(at + 1) % count]
            if not _holds_any(*triple, blocking):
                chosen = at
                break
        if chosen < 0:  # only corners in line are left, or the outline crosses itself
            chosen = int(np.argmin(np.abs(bend)))
        cut.append((ring[chosen - 1], ring[chosen], ring[(chosen + 1) % count]))
        ring.pop(chosen)
        place = chosen % len(ring)  # go on behind, so that triangles do not fan out from one corner
    cut.append((ring[0], ring[1], ring[2]))
    return np.asarray(cut, dtype=np.int64)


def _holds_any(a: Floats, b: Floats, c: Floats, points: Floats) -> bool:
    """Whether a triangle holds, or touches, one of the points other than its own corners."""
    if not len(points):
        return False
    inside = (_side(a, b, points) >= 0) & (_side(b, c, points) >= 0) & (_side(c, a, points) >= 0)
    own = (points == a).all(axis=1) | (points == b).all(axis=1) | (points == c).all(axis=1)
    return bool((inside & ~own).any())
