"""Where a taut rope can touch the building: convex edges, and corners that are not convex.

Words used here: a *contact* is a straight edge (or a corner, an edge of length nil) around which
free space spans more than half a turn, so that a rope can bend there. Its *wedge* is the solid (or
sheet) that stands in the rest of the turn; ``n1`` and ``n2`` are the outward normals of the wedge's
two faces, square to the edge.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numba import njit

from roof3d.records import Floats
from roof3d.taut.lift import lift_all, lift_apart
from roof3d.taut.sight import OFFSET, STAND_OFF, Sight, crossed
from roof3d.taut.surfaces import Surfaces

SAME_LINE = 0.001  # m, outlines closer than this run along one another
STRAIGHT = np.deg2rad(0.01)  # a bend smaller than this needs no contact: it stays under the stand-off
STEEP = 0.01  # sine of the angle at which an edge must meet a face to run through it
FACE_NEAR = 0.003  # m, an edge this near a region's plane at both ends borders it, if ...
FACE_ANGLE = np.deg2rad(3.0)  # ... the wedge's face turns no more than this from the region
SLACK_LEAST = 1e-5  # m, planes are never taken to be known better
GROUND_STRIP = 0.02  # m above the ground up to which nothing can be passed underneath


@dataclass(frozen=True, eq=False)
class Contacts:
    """Contacts, edges first, then corners; local frame, metres."""

    start: Floats  # (e, 3)
    way: Floats  # (e, 3) unit along the edge; zero for corners
    length: Floats  # (e,) nil for corners
    n1: Floats  # (e, 3) unit; zero for corners
    n2: Floats  # (e, 3)
    shift: Floats  # (e, 3) off both faces by STAND_OFF, inner part of the edge
    other: Floats  # (e, 3) of corners where edges cross in a point: the shift to the other side; else nan
    guess: (
        np.ndarray
    )  # (e,) bool, the shift is a guess: a face of unknown side is near, or a strip thin as a line
    slack: Floats  # (e,) m, how far what lies in the wedge's faces may be off their planes
    edge_count: int

    def __len__(self) -> int:
        return len(self.length)


@njit(cache=True)
def _close_boxes(low, high, order):  # type: ignore[no-untyped-def]
    """Pairs of boxes that overlap, by a sweep along x (order sorts low[:, 0])."""
    pairs = []
    n = len(order)
    for i in range(n):
        a = order[i]
        for j in range(i + 1, n):
            b = order[j]
            if low[b, 0] > high[a, 0]:
                break
            if (
                low[b, 1] <= high[a, 1]
                and low[a, 1] <= high[b, 1]
                and low[b, 2] <= high[a, 2]
                and low[a, 2] <= high[b, 2]
            ):
                pairs.append((a, b))
    return pairs


def _overlaps(surfaces: Surfaces) -> list[list[tuple[float, float, int]]]:
    """For each outline segment: (from, to, other segment) where another runs along it."""
    a, b = surfaces.segment_a, surfaces.segment_b
    low, high = np.minimum(a, b) - SAME_LINE, np.maximum(a, b) + SAME_LINE
    found: list[list[tuple[float, float, int]]] = [[] for _ in range(len(a))]
    pairs = np.array(_close_boxes(low, high, np.argsort(low[:, 0], kind="stable")), dtype=np.int64)
    if not len(pairs):
        return found
    length = np.linalg.norm(b - a, axis=1)
    way = (b - a) / length[:, None]
    for first, second in ((pairs[:, 0], pairs[:, 1]), (pairs[:, 1], pairs[:, 0])):
        ta = np.einsum("ij,ij->i", a[second] - a[first], way[first])
        tb = np.einsum("ij,ij->i", b[second] - a[first], way[first])
        start = np.maximum(np.minimum(ta, tb), 0.0)
        stop = np.minimum(np.maximum(ta, tb), length[first])
        span = np.where(np.abs(tb - ta) > 1e-12, tb - ta, 1e-12)
        worst = np.zeros(len(first))
        for t in (start, stop):
            on_other = a[second] + ((t - ta) / span)[:, None] * (b[second] - a[second])
            on_first = a[first] + t[:, None] * way[first]
            worst = np.maximum(worst, np.linalg.norm(on_other - on_first, axis=1))
        parallel = np.abs(np.einsum("ij,ij->i", way[first], way[second])) > np.cos(np.deg2rad(2.0))
        good = (stop - start > SAME_LINE) & (worst < SAME_LINE) & parallel
        for k in np.flatnonzero(good):
            found[first[k]].append((float(start[k]), float(stop[k]), int(second[k])))
    return found


def _wedge(
    inward: Floats, outward_side: Floats, known: np.ndarray, way: Floats
) -> tuple[Floats, Floats] | None:
    """Faces (inward directions u1, u2) of the wedge where more than half a turn is free, or None.

    ``inward`` (k, 3): directions into the faces that meet along ``way``; ``outward_side`` (k, 3):
    their outward normals, meaningful where ``known``.
    """
    x = inward[0]
    y = np.cross(way, x)
    angle = np.mod(np.arctan2(inward @ y, inward @ x), 2 * np.pi)
    order = np.argsort(angle, kind="stable")
    turns = np.diff(np.concatenate((angle[order], [angle[order[0]] + 2 * np.pi])))
    widest = int(np.argmax(turns))
    if turns[widest] < np.pi + STRAIGHT:
        return None
    first = order[widest]  # the free turn runs from this face ...
    second = order[(widest + 1) % len(order)]  # ... to this one
    # outward normals that both look away from the free turn: it is the inside of a solid (a valley)
    same_first = np.abs(angle - angle[first]) < 1e-3
    same_second = np.abs(angle - angle[second]) < 1e-3
    into_first = np.cross(way, inward[first])
    into_second = -np.cross(way, inward[second])
    looks_first = (outward_side[same_first] @ into_first > 0) | ~known[same_first]
    looks_second = (outward_side[same_second] @ into_second > 0) | ~known[same_second]
    if not looks_first.any() and not looks_second.any():
        return None
    return inward[first], inward[second]


def find_contacts(surfaces: Surfaces, sight: Sight, ground: float) -> Contacts:
    """All contacts of a building whose ground lies at height ``ground`` (local frame, m)."""
    pieces = _edge_pieces(surfaces)
    joined = _join(pieces)
    start, stop, n1, n2, strip = _cut_where_pierced(sight, *_above_ground(*joined, ground))
    length = np.linalg.norm(stop - start, axis=1)
    way = (stop - start) / np.maximum(length, 1e-300)[:, None]
    edges = len(start)
    # off both faces: n1 . b = n2 . b = 1, capped for thin wedges
    bisector = n1 + n2
    thin = np.linalg.norm(bisector, axis=1)
    into = np.cross(n1, way) + np.cross(way, n2)  # along both faces, away from the edge
    into /= np.maximum(np.linalg.norm(into, axis=1), 1e-9)[:, None]
    bisector = np.where((thin > 0.3)[:, None], bisector / np.maximum(thin, 1e-9)[:, None], -into)
    lean = np.maximum(np.einsum("ij,ij->i", bisector, n1), 0.5)
    shift = STAND_OFF * bisector / lean[:, None]
    corners = _corners(start, stop, way, n1, n2, surfaces)
    lifted, guess = lift_all(sight.arrays, sight.faced, corners)
    other = np.full((len(corners), 3), np.nan)
    for i, corner in enumerate(corners):
        one, two = np.empty(3), np.empty(3)
        if lift_apart(sight.arrays, sight.faced, corner, one, two):
            lifted[i], other[i], guess[i] = one, two - corner, False
    zero = np.zeros((len(corners), 3))
    return Contacts(
        start=np.concatenate((start, corners)),
        way=np.concatenate((way, zero)),
        length=np.concatenate((length, np.zeros(len(corners)))),
        n1=np.concatenate((n1, zero)),
        n2=np.concatenate((n2, zero)),
        shift=np.concatenate((shift, lifted - corners)),
        other=np.concatenate((np.full((edges, 3), np.nan), other)),
        guess=np.concatenate((strip, guess)),
        slack=np.concatenate((_slack(surfaces, start, stop, n1, n2), np.full(len(corners), SLACK_LEAST))),
        edge_count=edges,
    )


Piece = tuple[Floats, Floats, Floats, Floats, bool]
Edges = tuple[Floats, Floats, Floats, Floats, np.ndarray]


def _edge_pieces(surfaces: Surfaces) -> list[Piece]:
    """Straight pieces with one wedge each: (start, stop, n1, n2, stands for both sides of a thin strip)."""
    overlaps = _overlaps(surfaces)
    a, b, inward, region = (
        surfaces.segment_a,
        surfaces.segment_b,
        surfaces.segment_inward,
        surfaces.segment_region,
    )
    pieces: list[Piece] = []
    for i, others in enumerate(overlaps):
        length = float(np.linalg.norm(b[i] - a[i]))
        way = (b[i] - a[i]) / length
        cuts = sorted({0.0, length, *(t for o in others for t in o[:2])})
        cuts = [t for k, t in enumerate(cuts) if k == 0 or t - cuts[k - 1] > 1e-9]
        for t0, t1 in pairwise(cuts):
            if t1 - t0 < SAME_LINE and len(cuts) > 2:
                continue
            middle = 0.5 * (t0 + t1)
            here = np.array([i] + [o[2] for o in others if o[0] <= middle <= o[1]])
            if here.min() != i:
                continue  # the segment of the lowest number tells it
            # a strip as thin as a line has both its sides here: its neighbours meet, it does not count
            regions, times = np.unique(region[here], return_counts=True)
            broad = ~np.isin(region[here], regions[times > 1])
            strip = bool(broad.any() and not broad.all())
            here = here[broad] if broad.any() else here
            square = inward[here] - np.outer(inward[here] @ way, way)
            square /= np.maximum(np.linalg.norm(square, axis=1), 1e-300)[:, None]
            wedge = _wedge(square, surfaces.normals[region[here]], surfaces.oriented[region[here]], way)
            if wedge is None:
                continue
            u1, u2 = wedge
            # the free turn runs from u1 counter-clockwise about way to u2
            pieces.append((a[i] + t0 * way, a[i] + t1 * way, np.cross(way, u1), -np.cross(way, u2), strip))
    return pieces


def _join(pieces: list[Piece]) -> Edges:
    """Pieces that continue each other with the same wedge become one edge."""
    if not pieces:
        empty = np.zeros((0, 3))
        return empty, empty, empty, empty, np.zeros(0, dtype=bool)
    start, stop, n1, n2, strip = (np.array(column) for column in zip(*pieces, strict=True))
    way = stop - start
    way /= np.linalg.norm(way, axis=1)[:, None]
    # one direction for all: the first component that counts is positive
    lead = np.where(np.abs(way) > 1e-6, way, 0.0)
    first = np.argmax(lead != 0, axis=1)
    turn = lead[np.arange(len(way)), first] < 0
    start[turn], stop[turn] = stop[turn].copy(), start[turn].copy()
    n1[turn], n2[turn] = n2[turn].copy(), n1[turn].copy()
    way[turn] *= -1
    used = np.zeros(len(start), dtype=bool)
    order = np.lexsort((start[:, 2], start[:, 1], start[:, 0]))
    rows: list[Piece] = []
    for i in order:
        if used[i]:
            continue
        used[i] = True
        end = stop[i]
        while True:
            near = np.linalg.norm(start - end, axis=1) < 2 * SAME_LINE
            same = near & ~used & (way @ way[i] > 0.999999)
            same &= ((n1 @ n1[i]) > 0.999999) & ((n2 @ n2[i]) > 0.999999) & (strip == strip[i])
            reach = np.einsum("ij,j->i", stop - start[i], way[i])
            off = np.linalg.norm(stop - start[i] - reach[:, None] * way[i], axis=1)
            same &= off < SAME_LINE
            following = np.flatnonzero(same)
            if not len(following):
                break
            used[following[0]] = True
            end = stop[following[0]]
        rows.append((start[i], end, n1[i], n2[i], bool(strip[i])))
    s, e, p, q, thin = (np.array(column) for column in zip(*rows, strict=True))
    return s, e, p, q, thin


def _above_ground(
    start: Floats, stop: Floats, n1: Floats, n2: Floats, strip: np.ndarray, ground: float
) -> Edges:
    """Cut off what lies on or under the ground: no rope passes there."""
    floor = ground + GROUND_STRIP
    keep = np.maximum(start[:, 2], stop[:, 2]) > floor + SAME_LINE
    start, stop, n1, n2, strip = start[keep].copy(), stop[keep].copy(), n1[keep], n2[keep], strip[keep]
    for tip, other in ((start, stop), (stop, start)):
        low = tip[:, 2] < floor
        t = (floor - tip[low, 2]) / (other[low, 2] - tip[low, 2])
        tip[low] += t[:, None] * (other[low] - tip[low])
    return start, stop, n1, n2, strip


def _cut_where_pierced(
    sight: Sight, start: Floats, stop: Floats, n1: Floats, n2: Floats, strip: np.ndarray
) -> Edges:
    """Cut edges where they run through another part's face: there they end for a rope, with a corner."""
    rows: list[Piece] = []
    found = np.empty(256, dtype=np.int64)
    for a, b, p, q, thin in zip(start, stop, n1, n2, strip, strict=True):
        length = float(np.linalg.norm(b - a))
        hit = found[: crossed(sight.arrays, a, b, found)]
        normal, offset = sight.faces[hit, :OFFSET], sight.faces[hit, OFFSET]
        over_a, over_b = normal @ a - offset, normal @ b - offset
        steep = np.abs(over_a - over_b) > STEEP * length  # not a face that the edge runs along
        places = length * (over_a / np.where(steep, over_a - over_b, 1.0))[steep]
        places = np.sort(places[(places > 2 * SAME_LINE) & (places < length - 2 * SAME_LINE)])
        cuts = [0.0, *(t for k, t in enumerate(places) if k == 0 or t - places[k - 1] > SAME_LINE), length]
        way = (b - a) / length
        rows += [(a + t0 * way, a + t1 * way, p, q, bool(thin)) for t0, t1 in pairwise(cuts)]
    if not rows:
        return start, stop, n1, n2, strip
    s, e, m1, m2, thins = (np.array(column) for column in zip(*rows, strict=True))
    return s, e, m1, m2, thins


def _slack(surfaces: Surfaces, start: Floats, stop: Floats, n1: Floats, n2: Floats) -> Floats:
    """How far the outlines of an edge's faces are off the planes through the edge (e,), metres."""
    slack = np.full(len(start), SLACK_LEAST)
    normals, offsets = surfaces.normals, surfaces.offsets
    outline = np.concatenate((surfaces.segment_a, surfaces.segment_b))
    region = np.concatenate((surfaces.segment_region, surfaces.segment_region))
    for e, (a, b) in enumerate(zip(start, stop, strict=True)):
        runs = (np.abs(normals @ a - offsets) < FACE_NEAR) & (np.abs(normals @ b - offsets) < FACE_NEAR)
        for n in (n1[e], n2[e]):
            faces = runs & (np.abs(normals @ n) > np.cos(FACE_ANGLE))
            off = np.abs((outline[faces[region]] - a) @ n)
            if len(off) and off.max() > SLACK_LEAST / 2:
                slack[e] = max(slack[e], 2.0 * off.max())
    return slack


def _corners(start: Floats, stop: Floats, way: Floats, n1: Floats, n2: Floats, surfaces: Surfaces) -> Floats:
    """Ends of edges where the building is not convex.

    A shortest path never bends at a corner about which the building is convex, so these need no
    contact of their own; at all others an edge's end can hold the rope together with what it runs into.
    """
    if not len(start):
        return np.zeros((0, 3))
    tips = np.concatenate((start, stop))
    order = np.lexsort((tips[:, 2], tips[:, 1], tips[:, 0]))
    chosen: list[Floats] = []
    triangles = surfaces.corners
    normals = surfaces.normals[surfaces.triangle_region]
    oriented = surfaces.oriented[surfaces.triangle_region]
    offsets = surfaces.offsets[surfaces.triangle_region]
    low, high = triangles.min(axis=1) - 0.003, triangles.max(axis=1) + 0.003
    for k in order:
        tip = tips[k]
        if any(np.linalg.norm(tip - other) < 2 * SAME_LINE for other in chosen[-400:]):
            continue
        near = np.flatnonzero(((low <= tip) & (tip <= high)).all(axis=1))
        near = near[np.abs(normals[near] @ tip - offsets[near]) < 0.003]
        if len(near) and oriented[near].all():
            heights = np.einsum("ij,kcj->ikc", normals[near], triangles[near] - tip)
            if heights.max() < 0.003:
                continue
        chosen.append(tip)
    return np.array(chosen, dtype=np.float64).reshape(-1, 3)
