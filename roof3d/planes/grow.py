"""Region growing over triangles: planar regions, whatever way they are cut into triangles.

Three steps. Neighbouring triangles that lie in one plane to a few millimetres are joined at once
(connected components, no loop over triangles). The regions so found, few in an exact model, are then
grown over shared and over merely touching edges while they stay within ``ANGLE`` and ``OFFSET``.
Slivers have no normal worth the name: they never join two regions, and go to a neighbour at the end.
"""

from __future__ import annotations

import heapq
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import ConvexHull, QhullError

from roof3d.planes.adjacency import Adjacency, Measures
from roof3d.planes.moments import fit_planes, sum_by
from roof3d.planes.names import fragile
from roof3d.planes.segments import touching_segments
from roof3d.records import Floats, Ints, Mesh

ANGLE = np.radians(1.2)  # greatest bend inside one plane
OFFSET = 0.06  # m, greatest distance of a vertex from the plane it is counted to
ROUNDING = 0.0015  # m, rounding of coordinates in files that keep millimetres
TIGHT = 0.003  # m, distance up to which two neighbouring triangles are joined at once
BOW = 0.02  # m, departure from its plane at which a region joined at once is taken apart again
TOUCH = 0.01  # m, gap over which two edges that share no vertices still count as one
CRUMB = 0.3  # m2, regions smaller than this are crumbs
MANY = 1000  # crumbs that are too many to be grown one by one
LAYERS = 50  # slivers behind slivers that are followed
SURE = np.radians(0.1)  # bend at which even slivers may be joined at once
THIN = 0.008  # m, distance within which a sliver belongs to its neighbour's plane
SLIVER_HEIGHT = 0.03  # m
SLIVER_SHAPE = 0.02  # height over longest side
NARROWEST = 0.002  # m, rounding of narrower regions tells nothing more


@dataclass(frozen=True, eq=False)
class Regions:
    """Planar regions: ``label`` (m,) per triangle; normal (k, 3), centroid (k, 3), area (k,) per region."""

    label: Ints
    normal: Floats
    centroid: Floats
    area: Floats


def components(count: int, first: Ints, second: Ints) -> Ints:
    """Labels (count,) of connected components."""
    graph = coo_matrix((np.ones(len(first), dtype=np.int8), (first, second)), shape=(count, count))
    _, label = connected_components(graph, directed=False)
    return np.asarray(label, dtype=np.int64)


def same_side(mesh: Mesh, first: Ints, second: Ints, dot: Floats) -> NDArray[np.bool_]:
    """Whether two triangles do not face opposite ways (only told where both are oriented)."""
    told = mesh.oriented[first] & mesh.oriented[second]
    return np.asarray(~told | (dot > 0))


def join_flat(mesh: Mesh, pairs: Adjacency, measures: Measures, sliver: NDArray[np.bool_]) -> Ints:
    """Labels (m,) of triangles joined at once over edges that do not bend."""
    first, second = pairs.first, pairs.second
    dot = np.einsum("ij,ij->i", measures.normal[first], measures.normal[second])
    flat = np.abs(dot) >= np.cos(ANGLE)
    flat &= ~(sliver[first] | sliver[second]) | (np.abs(dot) >= np.cos(SURE))
    glass = fragile(mesh)
    flat &= same_side(mesh, first, second, dot) & (glass[first] == glass[second])
    first, second = first[flat], second[flat]
    a, b = pairs.a[flat], pairs.b[flat]
    base = mesh.vertices[a]
    corner_sum = mesh.triangles.sum(axis=1)
    keep = np.ones(len(first), dtype=bool)
    for one, two in ((first, second), (second, first)):
        apex = mesh.vertices[corner_sum[two] - a - b]  # the corner that is not on the common edge
        keep &= np.abs(np.einsum("ij,ij->i", apex - base, measures.normal[one])) <= TIGHT
    first, second = first[keep], second[keep]
    return components(len(mesh.triangles), first, second)


def fitted(mesh: Mesh, measures: Measures, moments: Floats, about: Floats, label: Ints) -> Regions:
    """Regions with their area-weighted planes; normals agree with most of the oriented area."""
    count = int(label.max()) + 1
    normal, centroid = fit_planes(sum_by(label, moments, count), about)
    area = np.bincount(label, weights=measures.area, minlength=count)
    # A region of one triangle has exactly that triangle's plane.
    single = np.bincount(label, minlength=count) == 1
    own = single[label]
    normal[label[own]] = measures.normal[own]
    centroid[label[own]] = measures.centroid[own]
    weight = measures.area * mesh.oriented
    side = np.einsum("ij,ij->i", measures.normal, normal[label])
    turn = np.bincount(label, weights=weight * side, minlength=count)
    undecided = np.abs(turn) <= 1e-9 * np.maximum(area, 1e-12)
    turn = np.where(undecided, np.where(np.abs(normal[:, 2]) > 1e-9, normal[:, 2], 1.0), turn)
    normal = normal * np.where(turn < 0, -1.0, 1.0)[:, None]
    return Regions(label, normal, centroid, area.astype(np.float64))


def departures(mesh: Mesh, regions: Regions) -> Floats:
    """Greatest distance (k,) of each region's vertices from its plane, metres."""
    label = regions.label
    normal = regions.normal[label]
    offset = np.einsum("ij,ij->i", regions.normal, regions.centroid)[label]
    distance = np.zeros(len(label))
    for corner in mesh.triangles.T:
        height = np.einsum("ij,ij->i", mesh.vertices[corner], normal) - offset
        np.maximum(distance, np.abs(height), out=distance)
    greatest = np.zeros(len(regions.area))
    np.maximum.at(greatest, label, distance)
    return greatest


def renumber(label: Ints) -> Ints:
    """The same labels, counted from 0 without gaps."""
    return np.asarray(np.unique(label, return_inverse=True)[1], dtype=np.int64).reshape(label.shape)


def open_sides(mesh: Mesh, pairs: Adjacency, label: Ints) -> tuple[Floats, Floats, Ints]:
    """Sides of triangles that no neighbour in the same region continues: start, end (n, 3), label (n,).

    These are the only ones that can touch another region without sharing vertices with it.
    """
    rows = np.flatnonzero(pairs.border(label))
    return mesh.vertices[pairs.low[rows]], mesh.vertices[pairs.high[rows]], label[rows % len(mesh.triangles)]


def neighbours_of(count: int, first: Ints, second: Ints) -> list[list[int]]:
    """Neighbour lists, sorted, without repeats."""
    both = np.unique(
        np.concatenate([np.column_stack([first, second]), np.column_stack([second, first])]), axis=0
    )
    both = both[both[:, 0] != both[:, 1]]
    starts = np.searchsorted(both[:, 0], np.arange(count + 1))
    second_column = both[:, 1].tolist()
    return [second_column[starts[i] : starts[i + 1]] for i in range(count)]


def grow_regions(
    mesh: Mesh,
    regions: Regions,
    moments: Floats,
    about: Floats,
    first: Ints,
    second: Ints,
    thin: Floats,
    rounding: float,
) -> Ints:
    """Join neighbouring regions while one plane holds them; returns the new label (k,) per region.

    Largest region first; ties go to the lower, then southern, then western centroid, so the order of
    the triangles in the file does not matter. ``thin`` (k,) is the greatest triangle height in each
    region: below ``SLIVER_HEIGHT`` only the distance counts, not the angle.
    """
    count = len(regions.area)
    neighbours = neighbours_of(count, first, second)
    sums = sum_by(regions.label, moments, count)
    order = np.argsort(regions.label, kind="stable")
    starts = np.searchsorted(regions.label[order], np.arange(count + 1))
    points = [_corners(mesh, regions, order[starts[i] : starts[i + 1]], i) for i in range(count)]
    centre = regions.centroid.round(3)
    queue = np.lexsort((centre[:, 0], centre[:, 1], centre[:, 2], -regions.area.round(4)))
    rank = np.empty(count, dtype=np.int64)
    rank[queue] = np.arange(count)
    told = np.bincount(regions.label, weights=mesh.oriented.astype(float), minlength=count) > 0
    glass = np.zeros(count, dtype=bool)
    glass[regions.label] = fragile(mesh)
    new = np.full(count, -1, dtype=np.int64)
    steepest = np.cos(ANGLE)
    for seed in queue.tolist():
        if new[seed] >= 0:
            continue
        new[seed] = seed
        total = sums[seed].copy()
        seed_normal = regions.normal[seed]
        normal, centre_now = seed_normal, regions.centroid[seed]
        corners = points[seed]
        heap = [(rank[n], n) for n in neighbours[seed]]
        heapq.heapify(heap)
        refused: list[int] = []
        fresh = False
        while heap or (fresh and refused):
            if not heap:  # the plane has moved a little since these were refused
                heap = [(rank[n], n) for n in sorted(set(refused)) if new[n] < 0]
                heapq.heapify(heap)
                refused, fresh = [], False
                continue
            _, other = heapq.heappop(heap)
            if new[other] >= 0:
                continue
            if glass[other] != glass[seed]:
                continue
            broad = max(float(thin[other]), NARROWEST)
            dot = float(regions.normal[other] @ seed_normal)
            if thin[other] >= SLIVER_HEIGHT:
                if abs(dot) < np.cos(ANGLE + rounding / broad):
                    continue
                if told[other] and told[seed] and dot < 0:
                    continue
            # Both ways: a long plane leaves a short one's plane sooner than the other way about.
            # The lever of a narrow region is short: rounding of its corners is allowed for.
            apart = points[seed] - regions.centroid[other]
            lever = rounding * np.sqrt((apart * apart).sum(axis=1)) / broad
            if (np.abs(apart @ regions.normal[other]) > OFFSET + lever).any():
                continue
            if np.abs((points[other] - centre_now) @ normal).max() > OFFSET:
                refused.append(other)
                continue
            joined = total + sums[other]
            fit, middle = fit_planes(joined[None, :], about)
            trial = fit[0] if fit[0] @ seed_normal > 0 else -fit[0]
            everything = np.vstack([corners, points[other]])
            if trial @ seed_normal < steepest or np.abs((everything - middle[0]) @ trial).max() > OFFSET:
                refused.append(other)
                continue
            new[other] = seed
            corners = everything
            total, normal, centre_now, fresh = joined, trial, middle[0], True
            for n in neighbours[other]:
                if new[n] < 0:
                    heapq.heappush(heap, (rank[n], n))
    return new


def _corners(mesh: Mesh, regions: Regions, triangles: Ints, region: int) -> Floats:
    """Vertices of a region; of a large one only those on its hull, where distances are greatest."""
    points = mesh.vertices[np.unique(mesh.triangles[triangles])]
    if len(points) <= 30:
        return np.asarray(points, dtype=np.float64)
    normal = regions.normal[region]
    away = (points - regions.centroid[region]) @ normal
    side = np.cross(normal, [1.0, 0.0, 0.0] if abs(normal[0]) < 0.7 else [0.0, 1.0, 0.0])
    flat = points @ np.column_stack([side, np.cross(normal, side)])
    try:
        hull = ConvexHull(flat).vertices.tolist()
    except QhullError:
        return np.asarray(points, dtype=np.float64)
    return np.asarray(points[np.unique([*hull, int(away.argmin()), int(away.argmax())])], dtype=np.float64)


def attach_slivers(mesh: Mesh, regions: Regions, pairs: Adjacency, sliver: NDArray[np.bool_]) -> Ints:
    """Labels (m,) after each sliver went to the largest neighbouring region whose plane holds it."""
    label = regions.label.copy()
    waiting = sliver.copy()
    first = np.concatenate([pairs.first, pairs.second])
    second = np.concatenate([pairs.second, pairs.first])
    for _ in range(LAYERS):
        use = waiting[first] & ~waiting[second]
        one, two = first[use], second[use]
        if len(one) == 0:
            break
        home = label[two]
        away = mesh.vertices[mesh.triangles[one]] - regions.centroid[home][:, None, :]
        close = np.abs(np.einsum("ikj,ij->ik", away, regions.normal[home])).max(axis=1) <= THIN
        one, home = one[close], home[close]
        if len(one) == 0:
            break
        order = np.lexsort((home, -regions.area[home], one))
        one, home = one[order], home[order]
        chosen, at = np.unique(one, return_index=True)
        label[chosen] = home[at]
        waiting[chosen] = False
    return label


def hopeless(regions: Regions) -> bool:
    """Whether hardly anything lies in planes: scattered points, for which there is another way."""
    single = float(regions.area[regions.area < CRUMB].sum())
    return len(regions.area) > MANY and single > 0.5 * float(regions.area.sum())


def planar_regions(
    mesh: Mesh, measures: Measures, moments: Floats, about: Floats, pairs: Adjacency
) -> Regions:
    """Planar regions of an exact mesh. ``moments`` (m, 10) of the triangles are taken about ``about``."""
    sliver = (measures.height < SLIVER_HEIGHT) & (measures.height < SLIVER_SHAPE * measures.longest)
    label = join_flat(mesh, pairs, measures, sliver)
    regions = fitted(mesh, measures, moments, about, label)
    bowed = departures(mesh, regions) > BOW
    if bowed.any():  # a fine curved surface: many small bends add up
        apart = bowed[label]
        label = label.copy()
        label[apart] = label.max() + 1 + np.arange(int(apart.sum()))
        label = renumber(label)
        regions = fitted(mesh, measures, moments, about, label)
    attached = attach_slivers(mesh, regions, pairs, sliver)
    if (attached != label).any():
        label = renumber(attached)
        regions = fitted(mesh, measures, moments, about, label)
    if hopeless(regions):
        return regions
    joined = grown(mesh, regions, measures, moments, about, pairs)
    return fitted(mesh, measures, moments, about, renumber(joined))


def grown(
    mesh: Mesh,
    regions: Regions,
    measures: Measures,
    moments: Floats,
    about: Floats,
    pairs: Adjacency,
    rounding: float = ROUNDING,
) -> Ints:
    """Labels (m,) after neighbouring regions were joined over shared and touching edges.

    ``rounding`` is how far vertices may be off, metres.
    """
    label = regions.label
    count = len(regions.area)
    one, two = label[pairs.first], label[pairs.second]
    use = one != two
    start, end, owner = open_sides(mesh, pairs, label)
    i, j, _, _ = touching_segments(start, end, owner, TOUCH, TOUCH)
    first = np.concatenate([one[use], owner[i]])
    second = np.concatenate([two[use], owner[j]])
    thin = np.zeros(count)
    np.maximum.at(thin, label, measures.height)
    new = grow_regions(mesh, regions, moments, about, first, second, thin, max(rounding, ROUNDING))
    return new[label]
