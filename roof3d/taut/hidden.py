"""Pairs of contacts that provably cannot see each other.

Proof used. Let a planar region R of the building be crossed by the four straight pieces that join
the ends of segment e (all of it on one side of R's plane) with the ends of segment f (all on the
other side). For x in e and y in f the crossing point of xy with the plane is a convex combination
of the four crossing points (write x and y as convex combinations of the ends; the crossing point is
(|s_y| x + |s_x| y) / (|s_x| + |s_y|) with s the signed height over the plane, and numerator and
denominator both expand into sums of the four corner terms with non-negative weights). So if the
convex hull of the four lies inside R, no x sees any y. Otherwise the longer segment is halved; what
stays undecided counts as seen: a wrong "sees" costs time, never truth.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit

from roof3d.records import Floats, Ints
from roof3d.taut.sight import SOLID, crossed
from roof3d.taut.surfaces import Surfaces

CLEAR = 0.003  # m, by which a region must cover: off its plane, and within its outline
SMALLEST = 0.35  # m, segments shorter than this are not halved further
TRIES = 150  # halvings for a pair before it counts as seen
SIDE_SLACK = 0.004  # m, tolerance of the side test of a point: never excludes a rope that just touches ...
SIDE_LEVER = 0.02  # ... and, for each metre away, a stand-off that two contacts close together magnify
EXACT = 2e-5  # m, contacts whose faces are known this well are told from those that only touch their plane
ON_EDGE = 1e-4  # m, a point this near an edge lies on it; well within the allowance of the search


@dataclass(frozen=True, eq=False)
class Plates:
    """Regions with their outlines in a frame of their own plane."""

    frame: Floats  # (r, 10) unit normal, plane's offset, two axes in the plane
    first: Ints  # (r + 1,) rows of outline
    outline: Floats  # (s, 4) ends of a side along the axes: ua va ub vb

    @property
    def arrays(self) -> tuple[np.ndarray, ...]:
        """What the compiled functions take."""
        return self.frame, self.first, self.outline


def build_plates(surfaces: Surfaces) -> Plates:
    """Outlines of all regions, sorted by region."""
    normal = surfaces.normals
    count = len(normal)
    helper = np.eye(3)[np.argmin(np.abs(normal), axis=1)]
    u = np.cross(normal, helper)
    u /= np.maximum(np.linalg.norm(u, axis=1), 1e-300)[:, None]
    v = np.cross(normal, u)
    order = np.argsort(surfaces.segment_region, kind="stable")
    region = surfaces.segment_region[order]
    a, b = surfaces.segment_a[order], surfaces.segment_b[order]
    outline = np.stack(
        [np.einsum("ij,ij->i", point, axis[region]) for point in (a, b) for axis in (u, v)], axis=1
    )
    first = np.concatenate(([0], np.cumsum(np.bincount(region, minlength=count))))
    frame = np.concatenate((normal, surfaces.offsets[:, None], u, v), axis=1)
    return Plates(np.ascontiguousarray(frame), first.astype(np.int64), np.ascontiguousarray(outline))


@njit(cache=True)
def _hull_meets(points, ua, va, ub, vb):  # type: ignore[no-untyped-def]
    """Whether the hull of four points (4, 2) meets a segment, or comes nearer than CLEAR to meeting it.

    Separating axes; for four points in the plane and a segment the axes tried are all that can matter.
    """
    for i in range(4):
        for j in range(i + 1, 5):
            if j == 4 and i > 0:
                continue
            if j == 4:
                nx, ny = vb - va, ua - ub
            else:
                nx, ny = points[j, 1] - points[i, 1], points[i, 0] - points[j, 0]
            if nx * nx + ny * ny < 1e-18:
                continue
            low, high = np.inf, -np.inf
            for k in range(4):
                s = nx * points[k, 0] + ny * points[k, 1]
                low, high = min(low, s), max(high, s)
            s0, s1 = nx * ua + ny * va, nx * ub + ny * vb
            margin = CLEAR * np.sqrt(nx * nx + ny * ny)
            if max(s0, s1) < low - margin or min(s0, s1) > high + margin:
                return False
    # along axes too, for degenerate hulls (a point or a line)
    for axis in range(2):
        low, high = np.inf, -np.inf
        for k in range(4):
            low, high = min(low, points[k, axis]), max(high, points[k, axis])
        s0, s1 = (ua, ub) if axis == 0 else (va, vb)
        if max(s0, s1) < low - CLEAR or min(s0, s1) > high + CLEAR:
            return False
    return True


@njit(cache=True)
def _hides(frame, first, outline, r, piece, points):  # type: ignore[no-untyped-def]
    """Whether region r hides segment piece[0:6] from piece[6:12] altogether (the centre is known to cross r).

    ``points`` (4, 3) is memory: where the four pieces cross the plane, and the ends' heights over it.
    """
    for c in range(4):
        s = -frame[r, 3]
        for k in range(3):
            s += frame[r, k] * piece[3 * c + k]
        points[c, 2] = s
    over = min(points[0, 2], points[1, 2])
    if over > CLEAR:
        if not max(points[2, 2], points[3, 2]) < -CLEAR:
            return False
    elif not (max(points[0, 2], points[1, 2]) < -CLEAR and min(points[2, 2], points[3, 2]) > CLEAR):
        return False
    k = 0
    for i in range(2):
        e = 3 * i
        for j in range(2):
            f = 6 + 3 * j
            t = points[i, 2] / (points[i, 2] - points[2 + j, 2])
            x = piece[e] + t * (piece[f] - piece[e])
            y = piece[e + 1] + t * (piece[f + 1] - piece[e + 1])
            z = piece[e + 2] + t * (piece[f + 2] - piece[e + 2])
            points[k, 0] = frame[r, 4] * x + frame[r, 5] * y + frame[r, 6] * z
            points[k, 1] = frame[r, 7] * x + frame[r, 8] * y + frame[r, 9] * z
            k += 1
    for row in range(first[r], first[r + 1]):
        if _hull_meets(points, outline[row, 0], outline[row, 1], outline[row, 2], outline[row, 3]):
            return False
    return True


@njit(cache=True)
def may_see(sight, region, plates, e0, e1, f0, f1, tries):  # type: ignore[no-untyped-def]
    """False only if no point of e0-e1 can see any point of f0-f1 (proof above).

    ``tries`` pieces are looked at; what is undecided then counts as seen.
    """
    frame, first, outline = plates
    stack = np.empty((2 * min(tries, TRIES) + 4, 12))  # pairs of segments: ends of one, ends of the other
    for c in range(3):
        stack[0, c], stack[0, 3 + c], stack[0, 6 + c], stack[0, 9 + c] = e0[c], e1[c], f0[c], f1[c]
    top = 1
    found = np.empty(12, np.int64)
    points = np.empty((4, 3))
    middle = np.empty((2, 3))
    now = stack[len(stack) - 1]
    middle_e, middle_f = middle[0], middle[1]
    for _ in range(min(tries, TRIES)):
        if top == 0:
            return False
        top -= 1
        le = lf = 0.0
        for c in range(12):
            now[c] = stack[top, c]
        for c in range(3):
            middle_e[c] = 0.5 * (now[c] + now[3 + c])
            middle_f[c] = 0.5 * (now[6 + c] + now[9 + c])
            le += (now[3 + c] - now[c]) ** 2
            lf += (now[9 + c] - now[6 + c]) ** 2
        count = crossed(sight, middle_e, middle_f, found)
        if count == 0:
            return True
        hidden = False
        for k in range(count):
            if sight[0][found[k], SOLID] != 0.0 and _hides(
                frame, first, outline, region[found[k]], now, points
            ):
                hidden = True
                break
        if hidden:
            continue
        if max(le, lf) < SMALLEST * SMALLEST or top + 3 >= len(stack):
            return True
        cut = 0 if le >= lf else 6  # the longer segment is halved
        for c in range(12):
            stack[top, c] = stack[top + 1, c] = now[c]
        for c in range(3):
            half = middle_e[c] if cut == 0 else middle_f[c]
            stack[top, cut + 3 + c] = stack[top + 1, cut + c] = half
        top += 2
    return top > 0  # undecided counts as seen


@njit(cache=True)
def point_may_see(sight, region, plates, p, lifted, f0, f1, tries):  # type: ignore[no-untyped-def]
    """may_see for a point, as it is or stood off: what either may see can be argued with (search.py)."""
    return may_see(sight, region, plates, p, p, f0, f1, tries) or may_see(
        sight, region, plates, lifted, lifted, f0, f1, tries
    )


@njit(cache=True)
def side_mask(start, n1, n2, e, p):  # type: ignore[no-untyped-def]
    """On which sides of contact e a neighbouring point p of a taut rope lies: bit 1, bit 2, 0 none.

    Side 1 is beyond face 1 (s1 >= 0, s2 <= 0), side 2 beyond face 2. A rope bends around e only if it
    comes from one side and goes to the other; in front of both faces it would not touch, behind both
    it would be inside.
    """
    if n1[e, 0] == 0.0 and n1[e, 1] == 0.0 and n1[e, 2] == 0.0:
        return 3
    s1 = s2 = away = 0.0
    for c in range(3):
        d = p[c] - start[e, c]
        s1 += n1[e, c] * d
        s2 += n2[e, c] * d
        away += d * d
    slack = SIDE_SLACK + SIDE_LEVER * np.sqrt(away)
    mask = 0
    if s1 >= -slack and s2 <= slack:
        mask |= 1
    if s1 <= slack and s2 >= -slack:
        mask |= 2
    return mask


@njit(cache=True)
def clip_to_side(start, n1, n2, off, e, f0, f1, bit, span):  # type: ignore[no-untyped-def]
    """Part [span[0], span[1]] (fractions) of segment f0-f1 on one side of contact e; False if none.

    ``off``, m: how far what lies there may be off. Where that is exact, a segment that lies behind a face's
    plane and only touches it with an end has no such part: the rope would bend there, at a corner about which
    the building is convex, which no shortest rope does (other corners are contacts of their own).
    """
    span[0], span[1] = 0.0, 1.0
    if n1[e, 0] == 0.0 and n1[e, 1] == 0.0 and n1[e, 2] == 0.0:
        return True
    for which in range(2):
        sign = 1.0 if (which == 0) == (bit == 1) else -1.0
        a = b = 0.0
        for c in range(3):
            n = n1[e, c] if which == 0 else n2[e, c]
            a += sign * n * (f0[c] - start[e, c])
            b += sign * n * (f1[c] - start[e, c])
        if off <= EXACT and max(a, b) <= off and min(a, b) < -off:
            return False
        a += off
        b += off
        if a < 0.0 and b < 0.0:
            return False
        if a < 0.0:
            span[0] = max(span[0], a / (a - b))
        elif b < 0.0:
            span[1] = min(span[1], a / (a - b))
    return span[0] <= span[1]


@njit(cache=True)
def _see_on_sides(  # type: ignore[no-untyped-def]
    sight, region, plates, start, n1, n2, slack, e, f, ends, span_e, span_f, part
):
    """Bits (side of f about e) that some admissible, not provably hidden piece has."""
    result = 0
    off = max(slack[e], slack[f])  # either edge may lie where the other's faces are not known to be
    for bit in (1, 2):
        if not clip_to_side(start, n1, n2, off, e, ends[f, 0], ends[f, 1], bit, span_f):
            continue
        for other in (1, 2):
            if not clip_to_side(start, n1, n2, off, f, ends[e, 0], ends[e, 1], other, span_e):
                continue
            for c in range(3):
                de = ends[e, 1, c] - ends[e, 0, c]
                df = ends[f, 1, c] - ends[f, 0, c]
                part[0, c] = ends[e, 0, c] + span_e[0] * de
                part[1, c] = ends[e, 0, c] + span_e[1] * de
                part[2, c] = ends[f, 0, c] + span_f[0] * df
                part[3, c] = ends[f, 0, c] + span_f[1] * df
            if may_see(sight, region, plates, part[0], part[1], part[2], part[3], TRIES):
                result |= bit
                break
    return result


@njit(cache=True)
def off_segment(low, high, p):  # type: ignore[no-untyped-def]
    """Distance from point p to the segment low-high."""
    dot = size = 0.0
    for k in range(3):
        d = high[k] - low[k]
        dot += (p[k] - low[k]) * d
        size += d * d
    t = min(1.0, max(0.0, dot / size)) if size > 0.0 else 0.0
    s = 0.0
    for k in range(3):
        s += (p[k] - low[k] - t * (high[k] - low[k])) ** 2
    return np.sqrt(s)


@njit(cache=True)
def seen_from(  # type: ignore[no-untyped-def]
    sight, region, plates, start, n1, n2, ends, point, lifted, limit, masks
):
    """For one point: masks[e] = side of e where the point lies, 0 where e is provably of no use."""
    for e in range(len(start)):
        masks[e] = 0
        if off_segment(ends[e, 0], ends[e, 1], point) > limit:
            continue
        masks[e] = side_mask(start, n1, n2, e, point)
        if masks[e] and not point_may_see(
            sight, region, plates, point, lifted, ends[e, 0], ends[e, 1], TRIES
        ):
            masks[e] = 0


@njit(cache=True)
def pair_masks(sight, region, plates, start, n1, n2, slack, ends, edge_count, masks):  # type: ignore[no-untyped-def]
    """masks[e, f]: sides of e where f lies and may be seen.

    Nil for an edge and a corner on it: a rope between them runs along the edge, and bends nowhere else.
    """
    n = len(start)
    span_e, span_f = np.empty(2), np.empty(2)
    part = np.empty((4, 3))
    for e in range(n):
        for f in range(e + 1, n):
            if e < edge_count <= f and off_segment(ends[e, 0], ends[e, 1], start[f]) < ON_EDGE:
                continue
            masks[e, f] = _see_on_sides(
                sight, region, plates, start, n1, n2, slack, e, f, ends, span_e, span_f, part
            )
            if masks[e, f]:
                masks[f, e] = _see_on_sides(
                    sight, region, plates, start, n1, n2, slack, f, e, ends, span_e, span_f, part
                )
                if not masks[f, e]:
                    masks[e, f] = 0


@njit(cache=True)
def end_cosines(start, way, length, f, q0, q1, out):  # type: ignore[no-untyped-def]
    """Greatest cosines, seen from the two ends of contact f, between the way into f and to a place of q0-q1.

    Along a line the cosine is a sine of the angle travelled: greatest at an end or where its derivative,
    linear in the place, is nil.
    """
    for end in range(2):
        sign = 1.0 if end == 0 else -1.0
        a0 = a1 = b0 = b1 = b2 = 0.0
        for c in range(3):
            v = start[f, c] + (length[f] if end else 0.0) * way[f, c]
            d = q1[c] - q0[c]
            w = q0[c] - v
            a0 += sign * way[f, c] * w
            a1 += sign * way[f, c] * d
            b0 += w * w
            b1 += w * d
            b2 += d * d
        best = -1.0
        slope = a1 * b1 - a0 * b2
        turn = (a0 * b1 - a1 * b0) / slope if slope != 0.0 else 0.0
        for k in range(3):
            s = 0.0 if k == 0 else 1.0 if k == 1 else min(1.0, max(0.0, turn))
            away = b0 + 2.0 * b1 * s + b2 * s * s
            if away > ON_EDGE * ON_EDGE:
                best = max(best, (a0 + a1 * s) / np.sqrt(away))
            elif b2 <= ON_EDGE * ON_EDGE:
                best = 1.0
        out[end] = best


@njit(cache=True)
def pair_cosines(start, way, length, ends, masks, cosine):  # type: ignore[no-untyped-def]
    """cosine[f, e]: end_cosines of contact f to contact e, for pairs that may see each other."""
    for f in range(len(start)):
        for e in range(len(start)):
            if masks[f, e] and length[f] > 0.0:
                end_cosines(start, way, length, f, ends[e, 0], ends[e, 1], cosine[f, e])
