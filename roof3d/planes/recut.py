"""Cuts flat regions of a mesh into as few triangles as their straight outlines ask for.

Regions share their outlines: what is dropped from one is dropped from its neighbour, and both keep
the same corners, so that a closed mesh stays closed.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from roof3d.records import Floats, Ints


@dataclass(frozen=True, eq=False)
class Lines:
    """Edges on outlines, each once, as the region of lower number has them: from ``tail`` to ``head``."""

    tail: Ints  # (e,) vertices
    head: Ints
    left: Ints  # (e,) regions
    right: Ints  # (e,) the region that has the edge the other way round, or -1
    fixed: NDArray[np.bool_]  # (n,) vertices that have to stay


def cut_anew(
    vertices: Floats,
    corner: Ints,
    label: Ints,
    area: Floats,
    worth: NDArray[np.bool_],
    border: NDArray[np.bool_],
    tolerance: float,
) -> tuple[Ints, Ints, Ints]:
    """New triangles (k, 3) of the regions ``worth`` (r,) cutting anew, their regions (k,), and what failed.

    ``corner`` (3, m) are triangles, ``label`` (m,) their regions, ``area`` (3, r) the regions' vector areas,
    which depend on their outlines alone; ``border`` (3 m,) are sides that no triangle of the same region
    continues (side ``s`` of triangle ``t`` is row ``s * m + t``), ``tolerance`` metres how far a vertex may
    stand off a straight line. Where a region fails the rest is of no use: try again without it.
    """
    lines = _lines(corner, label, worth, border, len(vertices))
    tail, head, left, right = _straightened(vertices, lines, tolerance)
    two_sided = right >= 0
    region = np.concatenate((left, right[two_sided]))
    start = np.concatenate((tail, head[two_sided]))
    end = np.concatenate((head, tail[two_sided]))
    order = np.argsort(region, kind="stable")
    region, start, end = region[order], start[order], end[order]
    rows = np.flatnonzero(worth)
    begins = np.searchsorted(region, rows)
    ends = np.searchsorted(region, rows, side="right")
    cuts: list[Ints] = []
    failed: list[int] = []
    for row, low, high in zip(rows.tolist(), begins.tolist(), ends.tolist(), strict=True):
        cut = _triangles_of(vertices, start[low:high], end[low:high], area[:, row], tolerance)
        if cut is None:
            failed.append(row)
        cuts.append(np.zeros((0, 3), dtype=np.int64) if cut is None else cut)
    owner = np.repeat(rows, [len(cut) for cut in cuts])
    return np.concatenate(cuts), owner, np.array(failed, dtype=np.int64)


def _lines(
    corner: Ints, label: Ints, worth: NDArray[np.bool_], border: NDArray[np.bool_], count: int
) -> Lines:
    """The outlines of the regions; fixed is what other triangles touch, and where regions meet oddly."""
    size = corner.shape[1]
    at_work = worth[label]
    fixed = np.zeros(count, dtype=bool)
    if not at_work.all():
        fixed[corner[:, ~at_work]] = True
    side = np.flatnonzero(border & np.tile(at_work, 3))
    which, row = side // size, side % size
    tail, head, region = corner[which, row], corner[(which + 1) % 3, row], label[row]
    key = np.minimum(tail, head) * np.int64(count) + np.maximum(tail, head)
    order = np.lexsort((region, key))
    key, tail, head, region = key[order], tail[order], head[order], region[order]
    first = np.flatnonzero(np.concatenate(([True], key[1:] != key[:-1])))
    uses = np.diff(np.append(first, len(key)))
    other = np.minimum(first + 1, len(key) - 1)
    plain = (uses == 1) | ((uses == 2) & (tail[first] == head[other]) & (region[first] != region[other]))
    right = np.where(plain & (uses == 2), region[other], -1)
    single = np.repeat(plain, uses)
    fixed[tail[~single]] = fixed[head[~single]] = True
    odd = np.flatnonzero(~single)
    rows = np.concatenate((first[plain], odd))  # of odd ones every side is a line of its own
    return Lines(
        tail[rows],
        head[rows],
        region[rows],
        np.concatenate((right[plain], np.full(len(odd), -1, dtype=np.int64))),
        fixed,
    )


def _straightened(vertices: Floats, lines: Lines, tolerance: float) -> tuple[Ints, Ints, Ints, Ints]:
    """The lines with vertices on straight runs between the same two regions left out."""
    count = len(vertices)
    out = np.full(count, -1, dtype=np.int64)
    into = np.full(count, -1, dtype=np.int64)
    out[lines.tail] = into[lines.head] = np.arange(len(lines.tail))
    # no outline ends at a vertex: where two lines meet they lie between the same two regions
    degree = np.bincount(lines.tail, minlength=count) + np.bincount(lines.head, minlength=count)
    through = ~lines.fixed & (degree == 2) & (out >= 0) & (into >= 0)
    begins = np.flatnonzero(~through[lines.tail])
    heads, passes, follows = lines.head.tolist(), through.tolist(), out.tolist()
    seen = np.zeros(len(lines.tail), dtype=bool)
    tails: list[Ints] = []
    ends: list[Ints] = []
    from_line: list[int] = []
    lengths: list[int] = []

    def walk(first: int) -> list[int]:
        """Vertices from the head of a line on, to the end of its run or once round."""
        chain = [heads[first]]
        line = first
        while passes[chain[-1]]:
            line = follows[chain[-1]]
            if line == first:
                break
            chain.append(heads[line])
        return chain

    def note(first: int, kept: Ints) -> None:
        tails.append(kept[:-1])
        ends.append(kept[1:])
        from_line.append(first)
        lengths.append(len(kept) - 1)

    def mark(chain: Ints) -> None:
        seen[into[chain[through[chain]]]] = True

    for first in begins.tolist():
        chain = np.array([lines.tail[first], *walk(first)], dtype=np.int64)
        seen[first] = True
        mark(chain[1:-1])
        seen[out[chain[1:-1]]] = True
        note(first, chain[straight_rows(vertices[chain], tolerance)])
    for first in np.flatnonzero(~seen).tolist():  # rings without a fixed corner
        if seen[first]:
            continue
        ring = np.array(walk(first), dtype=np.int64)
        seen[out[ring]] = True
        points = vertices[ring]
        away = ((points - points.mean(axis=0)) ** 2).sum(axis=1).round(6)
        ring = np.roll(ring, -int(np.lexsort((*points.T.round(4), -away))[0]))
        ring = np.append(ring, ring[0])
        note(first, ring[straight_rows(vertices[ring], tolerance)])
    rows = np.repeat(np.array(from_line, dtype=np.int64), lengths)
    return np.concatenate(tails), np.concatenate(ends), lines.left[rows], lines.right[rows]


def straight_rows(points: Floats, tolerance: float) -> NDArray[np.bool_]:
    """Which of the points (n, 2 or 3) along a line have to stay for none to be off by more than tolerance."""
    keep = np.zeros(len(points), dtype=bool)
    keep[[0, -1]] = True
    stack = [(0, len(points) - 1)]
    while stack:
        a, b = stack.pop()
        if b - a < 2:
            continue
        base = points[b] - points[a]
        size = float(base @ base)
        to = points[a + 1 : b] - points[a]
        along = np.clip(to @ base / size, 0.0, 1.0) if size > 0 else np.zeros(len(to))
        gap = ((to - along[:, None] * base) ** 2).sum(axis=1)
        far = int(np.argmax(gap))
        if gap[far] > tolerance**2:
            keep[a + 1 + far] = True
            stack += [(a, a + 1 + far), (a + 1 + far, b)]
    return keep


def _triangles_of(vertices: Floats, start: Ints, end: Ints, area: Floats, tolerance: float) -> Ints | None:
    """Triangles (k, 3) over what lies left of directed edges, ``area`` (3,) its vector area; None if odd.

    Seen along the greatest axis of the area the vertices keep their coordinates, so that what comes back
    is found again without rounding. Each edge must bound the result once, in its own direction.
    """
    axis = int(np.argmax(np.abs(area)))
    axes = [(axis + 1) % 3, (axis + 2) % 3]
    if area[axis] < 0:
        axes.reverse()
    own = np.unique(np.concatenate((start, end)))
    flat = vertices[own][:, axes] + 0.0
    if len(own) < 3:
        return None
    key = flat[:, 0] + 1j * flat[:, 1]
    order = np.argsort(key)
    key, own_sorted = key[order], own[order]
    if (key[1:] == key[:-1]).any():
        return None
    at = np.searchsorted(own, start), np.searchsorted(own, end)
    edges = shapely.linestrings(np.stack((flat[at[0]], flat[at[1]]), axis=1))
    faces = shapely.get_parts(shapely.polygonize(edges))
    wanted = np.sort(start * np.int64(len(vertices)) + end)

    def rows(coordinates: Floats) -> Ints:
        found = np.searchsorted(key, coordinates[:, 0] + 1j * coordinates[:, 1])
        return np.asarray(own_sorted[np.minimum(found, len(own) - 1)], dtype=np.int64)

    bounds: list[Ints] = []
    inside = []
    for face in faces:
        sides = []
        for number, ring in enumerate([face.exterior, *face.interiors]):
            line = rows(shapely.get_coordinates(ring))
            if ring.is_ccw != (number == 0):
                line = line[::-1]
            sides.append(line[:-1] * np.int64(len(vertices)) + line[1:])
        if np.isin(sides[0], wanted).all():
            bounds += sides
            inside.append(face)
    if not bounds or not np.array_equal(np.sort(np.concatenate(bounds)), wanted):
        return None
    faces = np.array(inside, dtype=object)
    round_about = float(shapely.length(faces).sum())
    if abs(float(shapely.area(faces).sum()) - abs(float(area[axis]))) > tolerance * round_about:
        return None
    pieces = shapely.get_parts(shapely.constrained_delaunay_triangles(faces), return_index=False)
    pieces = shapely.get_parts(pieces)
    corners = shapely.get_coordinates(pieces).reshape(-1, 4, 2)[:, :3]
    if not np.isin(corners.reshape(-1, 2) @ np.array([1, 1j]), key).all():
        return None
    cut = rows(corners.reshape(-1, 2)).reshape(-1, 3)
    one, two = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
    turned = one[:, 0] * two[:, 1] - one[:, 1] * two[:, 0]
    cut = np.where((turned < 0)[:, None], cut[:, ::-1], cut)
    whole = float(shapely.area(faces).sum())
    if abs(0.5 * float(np.abs(turned).sum()) - whole) > 1e-9 * whole:
        return None
    return np.ascontiguousarray(cut)
