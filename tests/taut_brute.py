"""The taut length by brute force: every sequence of up to four contacts, for small bodies.

A third road beside the product and the slow solver of ``taut_kit``; it shares no code with the product and
no principle with the slow solver (no grid of places, no graph). It lists the edges of the mesh itself, cut
where other faces pierce them, and the corners where the body is not convex. For every sequence of these,
level by level, the shortest polyline over it is found by convex minimisation; a sequence is left out only
where its least length is over what is known already (a contact more never shortens). The shortest of
the polylines that are free of the body is the answer:

- its corners lie on the edges themselves, to double precision, so no stand-off makes it longer;
- a polyline is free when no place of it lies deeper than ``EPS`` in the body: between any two places where
  it meets a face, one place is tried, and it counts as inside only where all of a small ball around it is.

Rope that needs more contacts than are allowed is not found: then the answer is infinite.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numba import njit

from roof3d.records import Floats, Mesh
from tests.taut_kit import Solid

EPS = 1e-5  # m, a polyline this deep in a face still lies on it
FLOOR = 1e-3  # m over the ground: lower no rope passes
MOST = 4  # contacts
LIMIT = 8  # contacts that arrays are made for
SEQUENCES = 3_000_000  # of one length, for one point; more is refused


def _ball() -> Floats:
    """Directions all round, 42 of them, none along an axis."""
    g = (1 + 5**0.5) / 2
    base = np.array([[s0, s1 * g, 0.0] for s0 in (-1, 1) for s1 in (-1, 1)])
    tips = np.concatenate([np.roll(base, k, axis=1) for k in range(3)])
    near = np.linalg.norm(tips[:, None] - tips[None], axis=2)
    i, j = np.nonzero(np.triu((near > 1.0) & (near < 2.1)))
    both = np.concatenate((tips, tips[i] + tips[j]))
    both /= np.linalg.norm(both, axis=1)[:, None]
    a, b = 0.3, 0.7
    turn = np.array([[np.cos(a), -np.sin(a), 0], [np.sin(a), np.cos(a), 0], [0, 0, 1]]) @ np.array(
        [[1, 0, 0], [0, np.cos(b), -np.sin(b)], [0, np.sin(b), np.cos(b)]]
    )
    return np.ascontiguousarray(both @ turn.T)


BALL = _ball()
AFAR = np.array([0.2718, 0.3141, 0.9096])


# ------------------------------------------------------------------------------- free of the body


@njit(cache=True)
def _holds(corner, normal, x):  # type: ignore[no-untyped-def]
    """Whether x is inside: faces passed outward less faces passed inward on a way to afar."""
    count = 0
    for k in range(len(corner)):
        ax, ay, az = corner[k, 0]
        ux, uy, uz = corner[k, 1, 0] - ax, corner[k, 1, 1] - ay, corner[k, 1, 2] - az
        vx, vy, vz = corner[k, 2, 0] - ax, corner[k, 2, 1] - ay, corner[k, 2, 2] - az
        hx, hy, hz = AFAR[1] * vz - AFAR[2] * vy, AFAR[2] * vx - AFAR[0] * vz, AFAR[0] * vy - AFAR[1] * vx
        det = ux * hx + uy * hy + uz * hz
        if det == 0.0:
            continue
        sx, sy, sz = x[0] - ax, x[1] - ay, x[2] - az
        u = (sx * hx + sy * hy + sz * hz) / det
        if u < 0.0 or u > 1.0:
            continue
        rx, ry, rz = sy * uz - sz * uy, sz * ux - sx * uz, sx * uy - sy * ux
        v = (rx * AFAR[0] + ry * AFAR[1] + rz * AFAR[2]) / det
        if v < 0.0 or u + v > 1.0 or (vx * rx + vy * ry + vz * rz) / det <= 0.0:
            continue
        outward = normal[k, 0] * AFAR[0] + normal[k, 1] * AFAR[1] + normal[k, 2] * AFAR[2]
        count += 1 if outward > 0.0 else -1
    return count > 0


@njit(cache=True)
def buried(corner, normal, x):  # type: ignore[no-untyped-def]
    """Whether x lies deeper than ``EPS`` in the body: all of a small ball around it is inside."""
    place = np.empty(3)
    for d in range(len(BALL)):
        for c in range(3):
            place[c] = x[c] + EPS * BALL[d, c]
        if not _holds(corner, normal, place):
            return False
    return True


@njit(cache=True)
def crossings(corner, normal, offset, side, p, q, out):  # type: ignore[no-untyped-def]
    """Fractions of p-q where it passes the plane of a triangle, within it or at its rim; how many, or -1.

    -1: it goes clearly through the middle of a face.
    """
    count = 0
    for k in range(len(corner)):
        s0 = s1 = -offset[k]
        for c in range(3):
            s0 += normal[k, c] * p[c]
            s1 += normal[k, c] * q[c]
        if min(s0, s1) > EPS or max(s0, s1) < -EPS or abs(s0 - s1) < 1e-9:
            continue
        t = min(1.0, max(0.0, s0 / (s0 - s1)))
        within = np.inf
        for i in range(3):
            over = 0.0
            for c in range(3):
                over += side[k, i, c] * (p[c] + t * (q[c] - p[c]) - corner[k, i, c])
            within = min(within, over)
        if within > 2 * EPS and min(s0, s1) < -2 * EPS and max(s0, s1) > 2 * EPS:
            return -1
        if within >= -1e-3 and count < len(out):
            out[count] = t
            count += 1
    return count


@njit(cache=True)
def free(body, p, q):  # type: ignore[no-untyped-def]
    """Whether the piece p-q lies nowhere deeper than ``EPS`` in the body."""
    corner, normal, offset, side = body
    places = np.empty(200)
    count = crossings(corner, normal, offset, side, p, q, places)
    if count < 0:
        return False
    places[count], places[count + 1] = 0.0, 1.0
    cuts = np.sort(places[: count + 2])
    size = 0.0
    for c in range(3):
        size += (q[c] - p[c]) ** 2
    size = np.sqrt(size)
    middle = np.empty(3)
    for i in range(len(cuts) - 1):
        if (cuts[i + 1] - cuts[i]) * size <= EPS:
            continue
        for c in range(3):
            middle[c] = p[c] + 0.5 * (cuts[i] + cuts[i + 1]) * (q[c] - p[c])
        if buried(corner, normal, middle):
            return False
    return True


# ------------------------------------------------------------------------------ convex minimisation


@njit(cache=True)
def shortest_over(a, p, start, way, length, chain, k, t):  # type: ignore[no-untyped-def]
    """Shortest polyline a - places t[:k] on contacts chain[:k] - p, body ignored: (length, lower bound).

    Projected Newton steps on lengths blunted to ``sqrt(l^2 + s^2)``. A convex function lies above its
    tangent plane, so its minimum is at least its value less what the gradient allows within the bounds.
    """
    x = np.empty((LIMIT + 2, 3))
    g = np.empty((LIMIT + 1, 3))
    size, slope, diagonal, upper, move, fresh = np.empty((6, LIMIT + 1))
    held = np.empty(LIMIT + 1, np.bool_)
    x[0], x[k + 1] = a, p
    for i in range(k):
        t[i] = 0.5 * length[chain[i]]
    value = lower = 0.0
    for smooth in (1e-2, 1e-4, 1e-6):
        for _ in range(40):
            for i in range(k):
                for c in range(3):
                    x[i + 1, c] = start[chain[i], c] + t[i] * way[chain[i], c]
            value = 0.0
            for i in range(k + 1):
                s = smooth * smooth
                for c in range(3):
                    g[i, c] = x[i + 1, c] - x[i, c]
                    s += g[i, c] ** 2
                size[i] = np.sqrt(s)
                value += size[i]
                for c in range(3):
                    g[i, c] /= size[i]
            gap = 0.0
            for i in range(k):
                e = chain[i]
                before = after = on = 0.0
                for c in range(3):
                    before += way[e, c] * g[i, c]
                    after += way[e, c] * g[i + 1, c]
                    on += way[e, c] ** 2
                slope[i] = before - after
                gap += max(slope[i] * t[i], -slope[i] * (length[e] - t[i]))
                held[i] = (t[i] <= 0.0 and slope[i] >= 0.0) or (t[i] >= length[e] and slope[i] <= 0.0)
                diagonal[i] = (on - before**2) / size[i] + (on - after**2) / size[i + 1] + 1e-9
                upper[i] = 0.0
                if i + 1 < k:
                    f = chain[i + 1]
                    both = other = 0.0
                    for c in range(3):
                        both += way[e, c] * way[f, c]
                        other += way[f, c] * g[i + 1, c]
                    upper[i] = -(both - after * other) / size[i + 1]
            lower = value - gap - (k + 1) * smooth
            if gap <= max(1e-9, 1e-2 * smooth):
                break
            for i in range(k):  # tridiagonal elimination over the places that are free to move
                fresh[i], move[i] = diagonal[i], 0.0 if held[i] else -slope[i]
                if i and not held[i] and not held[i - 1]:
                    factor = upper[i - 1] / fresh[i - 1]
                    fresh[i] -= factor * upper[i - 1]
                    move[i] -= factor * move[i - 1]
            for i in range(k - 1, -1, -1):
                if not held[i]:
                    if i + 1 < k and not held[i + 1]:
                        move[i] -= upper[i] * move[i + 1]
                    move[i] /= fresh[i]
            better = False
            scale = 1.0
            while scale > 1e-6 and not better:
                new = 0.0
                for i in range(k):
                    e = chain[i]
                    place = min(length[e], max(0.0, t[i] + scale * move[i]))
                    for c in range(3):
                        x[i + 1, c] = start[e, c] + place * way[e, c]
                for i in range(k + 1):
                    s = smooth * smooth
                    for c in range(3):
                        s += (x[i + 1, c] - x[i, c]) ** 2
                    new += np.sqrt(s)
                better = new < value - 1e-14
                if better:
                    for i in range(k):
                        t[i] = min(length[chain[i]], max(0.0, t[i] + scale * move[i]))
                scale *= 0.4
            if not better:
                break
    total = 0.0
    for i in range(k):
        for c in range(3):
            x[i + 1, c] = start[chain[i], c] + t[i] * way[chain[i], c]
    for i in range(k + 1):
        s = 0.0
        for c in range(3):
            s += (x[i + 1, c] - x[i, c]) ** 2
        total += np.sqrt(s)
    return total, lower


@njit(cache=True)
def _shortest(body, start, way, length, see, seen, a, p, cut, most, found, places):  # type: ignore[no-untyped-def]
    """(length of the shortest free polyline under ``cut`` or infinite, its contacts); places in ``found``."""
    straight = 0.0
    for c in range(3):
        straight += (p[c] - a[c]) ** 2
    straight = np.sqrt(straight)
    if straight >= cut:
        return np.inf, 0
    if free(body, a, p):
        return straight, 0
    n = len(length)
    best, contacts = cut, -1
    chains = np.empty((1, LIMIT), np.int16)
    chain, t = np.empty(LIMIT, np.int64), np.empty(LIMIT)
    floor = np.zeros(1)
    line = np.empty((LIMIT + 2, 3))
    line[0] = a
    for depth in range(1, most + 1):
        size = 1024
        longer, longer_floor, used = np.empty((size, LIMIT), np.int16), np.empty(size), 0
        for row in range(len(chains)):
            if floor[row] >= best - EPS:
                continue
            for j in range(depth - 1):
                chain[j] = chains[row, j]
            for e in range(n):
                new = seen[e] if depth == 1 else see[chain[depth - 2], e]
                for j in range(depth - 1):
                    new = new and chain[j] != e
                if not new:
                    continue
                chain[depth - 1] = e
                value, lower = shortest_over(a, p, start, way, length, chain, depth, t)
                if lower >= best - EPS:
                    continue
                if value < best:
                    line[depth + 1] = p
                    for j in range(depth):
                        for c in range(3):
                            line[j + 1, c] = start[chain[j], c] + t[j] * way[chain[j], c]
                    good = True
                    for j in range(depth, -1, -1):
                        good = good and free(body, line[j], line[j + 1])
                    if good:
                        best, contacts = value, depth
                        for j in range(depth):
                            found[j], places[j] = chain[j], t[j]
                if used == size:
                    size *= 2
                    grown, grown_floor = np.empty((size, LIMIT), np.int16), np.empty(size)
                    grown[:used], grown_floor[:used] = longer, longer_floor
                    longer, longer_floor = grown, grown_floor
                for j in range(depth):
                    longer[used, j] = chain[j]
                longer_floor[used] = lower
                used += 1
        chains, floor = longer[:used], longer_floor[:used]
        if used > SEQUENCES:
            return np.nan, -1
    return (best, contacts) if contacts >= 0 else (np.inf, -1)


# -------------------------------------------------------------------------------------- the solver


@dataclass(frozen=True, eq=False)
class Brute:
    """Contacts of a small body: edges cut where faces pierce them, then corners (of length nil)."""

    body: tuple[
        Floats, Floats, Floats, Floats
    ]  # triangles: corners, normals, offsets, inward normals of sides
    start: Floats  # (n, 3)
    way: Floats  # (n, 3)
    length: Floats  # (n,)
    see: (
        np.ndarray
    )  # (n, n) bool, whether some of 11 places on each see each other; all True unless asked for

    @classmethod
    def of(cls, mesh: Mesh, sampled: bool = False) -> Brute:
        """``sampled``: leave out neighbours that do not see each other at any of 11 places each.

        That is quick and nearly always right; whatever is found is a free polyline in any case.
        """
        solid = Solid.of(mesh)
        along = np.roll(solid.corner, -1, axis=1) - solid.corner
        side = np.cross(solid.normal[:, None], along)
        side /= np.maximum(np.linalg.norm(side, axis=2), 1e-300)[:, :, None]
        body = (np.ascontiguousarray(solid.corner), solid.normal, solid.offset, side)
        low = float(mesh.vertices[:, 2].min()) + FLOOR
        out = np.empty(200)
        pieces = []
        for p, q in _edges(mesh):
            if max(p[2], q[2]) <= low:
                continue
            for x, y in ((p, q), (q, p)):
                if x[2] < low:
                    x += (low - x[2]) / (y[2] - x[2]) * (y - x)
            count = crossings(*body, p, q, out)
            cuts = np.unique(np.concatenate(([0.0, 1.0], out[: max(count, 0)])))
            if count < 0:
                cuts = _every_crossing(body, p, q)
            pieces += [(p + s * (q - p), p + t * (q - p)) for s, t in pairwise(cuts)]
        start, stop = (np.array(ends) for ends in zip(*pieces, strict=True))
        length = np.linalg.norm(stop - start, axis=1)
        middle = 0.5 * (start + stop)
        good = (length > 2 * EPS) & ~np.array([buried(body[0], body[1], x) for x in middle])
        start, stop, length = start[good], stop[good], length[good]
        corners = _corners(body, np.concatenate((start, stop)))
        way = np.concatenate(((stop - start) / length[:, None], np.zeros_like(corners)))
        start = np.concatenate((start, corners))
        length = np.concatenate((length, np.zeros(len(corners))))
        see = np.ones((len(length), len(length)), dtype=np.bool_)
        if sampled:
            places = _places(start, way, length)
            _see_each_other(body, places, see)
        return cls(body, start, way, length, see)

    def shortest(
        self, anchor: Floats, points: Floats, cut: Floats | float = np.inf, most: int = MOST
    ) -> tuple[Floats, list[Floats | None]]:
        """Lengths (n,) and polylines: the shortest free ones under ``cut`` (n,); infinite where none is."""
        anchor = np.ascontiguousarray(anchor, dtype=np.float64)
        cut = np.broadcast_to(np.asarray(cut, dtype=np.float64), (len(points),))
        seen = np.ones(len(self.length), dtype=np.bool_)
        if not self.see.all():
            places = _places(self.start, self.way, self.length)
            _see_from(self.body, anchor, places, seen)
        lengths, paths = np.empty(len(points)), []
        found, t = np.empty(LIMIT, dtype=np.int64), np.empty(LIMIT)
        for row, point in enumerate(np.ascontiguousarray(points, dtype=np.float64)):
            lengths[row], count = _shortest(
                self.body, self.start, self.way, self.length, self.see, seen, anchor, point,
                float(cut[row]), most, found, t,
            )  # fmt: skip
            if not np.isfinite(lengths[row]):
                paths.append(None)
                continue
            chain = found[:count]
            bends = self.start[chain] + t[:count, None] * self.way[chain]
            paths.append(np.concatenate((anchor[None], bends, point[None])))
        return lengths, paths


@njit(cache=True)
def _see_from(body, x, places, seen):  # type: ignore[no-untyped-def]
    """seen[i]: whether x sees any of the places of contact i."""
    for i in range(len(places)):
        seen[i] = False
        for r in range(places.shape[1]):
            if free(body, x, places[i, r]):
                seen[i] = True
                break


@njit(cache=True)
def _see_each_other(body, places, see):  # type: ignore[no-untyped-def]
    """see[i, j]: whether any of the places of contact i sees any of contact j."""
    seen = np.empty(len(places), np.bool_)
    for i in range(len(places)):
        see[i, :] = False
        for r in range(places.shape[1]):
            _see_from(body, places[i, r], places, seen)
            see[i] |= seen


def _places(start: Floats, way: Floats, length: Floats) -> Floats:
    """Eleven places on each contact (n, 11, 3), its ends and just beside them too."""
    t = np.linspace(0, 1, 9)[None] * length[:, None]
    beside = np.minimum(2e-4, 0.5 * length)[:, None]
    t = np.concatenate((t, beside, length[:, None] - beside), axis=1)
    out: Floats = start[:, None] + t[..., None] * way[:, None]
    return out


def _edges(mesh: Mesh) -> list[tuple[Floats, Floats]]:
    """Ends of all edges of a mesh that are neither flat nor, between two faces, hollow."""
    corner = mesh.vertices[mesh.triangles]
    cross = np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])
    size = np.linalg.norm(cross, axis=1)
    faces: dict[tuple[int, int], list[tuple[int, bool]]] = {}
    for t, row in enumerate(mesh.triangles.tolist()):
        if size[t] > 1e-12:
            for a, b in ((row[0], row[1]), (row[1], row[2]), (row[2], row[0])):
                faces.setdefault((min(a, b), max(a, b)), []).append((t, a < b))
    found = []
    for (a, b), sides in sorted(faces.items()):
        p, q = mesh.vertices[a].copy(), mesh.vertices[b].copy()
        if len(sides) == 2 and sides[0][1] != sides[1][1]:
            first, second = (t for t, _ in sorted(sides, key=lambda side: not side[1]))
            n1, n2 = cross[first] / size[first], cross[second] / size[second]
            if np.cross(n1, n2) @ (q - p) / np.linalg.norm(q - p) < 1e-7 and n1 @ n2 > -0.999999:
                continue
        found.append((p, q))
    return found


def _every_crossing(body: tuple[Floats, ...], p: Floats, q: Floats) -> Floats:
    """Fractions of p-q where it passes a triangle, and 0 and 1."""
    corner, normal, offset, side = body
    s0, s1 = normal @ p - offset, normal @ q - offset
    k = np.flatnonzero((np.minimum(s0, s1) <= EPS) & (np.maximum(s0, s1) >= -EPS) & (np.abs(s0 - s1) > 1e-9))
    t = np.clip(s0[k] / (s0[k] - s1[k]), 0, 1)
    x = p + t[:, None] * (q - p)
    within = np.einsum("kij,kij->ki", side[k], x[:, None] - corner[k]).min(axis=1) >= -1e-3
    return np.unique(np.concatenate(([0.0, 1.0], t[within])))


def _corners(body: tuple[Floats, ...], tips: Floats) -> Floats:
    """Ends of edges where the body is not convex (at others no shortest rope bends)."""
    corner, normal, offset, side = body
    chosen: list[Floats] = []
    for tip in np.unique(tips.round(8), axis=0):
        if any(np.linalg.norm(tip - other) < EPS for other in chosen):
            continue
        touches = np.abs(normal @ tip - offset) < EPS
        touches &= np.einsum("kij,kij->ki", side, tip - corner).min(axis=1) > -EPS
        over = np.einsum("ij,kcj->ikc", normal[touches], corner[touches] - tip)
        if over.max() > EPS:
            chosen.append(tip)
    return np.array(chosen).reshape(-1, 3)
