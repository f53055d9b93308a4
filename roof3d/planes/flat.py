"""Flat surfaces that a file cuts into very many triangles, cut anew into few.

What comes behind costs by the triangle; a building has few planes, however finely its mesh is cut. Here
neighbouring triangles that lie in one plane to a tenth of a millimetre are merged, vertices on the
straight lines between two such regions are dropped from both, and each region is cut anew between what is
left of its outline. No vertex is moved and no crack opens; all that is not flat stays as it is.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array
from scipy.sparse.csgraph import connected_components

from roof3d.planes.recut import cut_anew
from roof3d.records import Floats, Ints, Mesh

FROM_TRIANGLES = 2_000  # smaller meshes cost little as they are
FLAT = 1e-4  # m, how far vertices may stand off the plane, or the line, that they are merged into
BEND = float(np.cos(np.radians(2.0)))  # neighbours that bend more are never merged
TOLERANCES = (3 * FLAT, FLAT, FLAT / 5, FLAT / 25, FLAT / 125)  # m, off its neighbour's plane, in turn
NEEDLE = 2e-4  # m, a triangle lower than this tells no direction: it never joins two regions
LAYERS = 8  # needles behind needles that are followed
WORTH = 24  # triangles from which a region is cut anew
BLOCK = 1 << 15  # rows that are computed at once
MOST_REGIONS = 20_000  # regions that are cut anew, the largest ones


def with_few_triangles(mesh: Mesh) -> Mesh:
    """The mesh with its flat surfaces cut into few triangles; itself where it has few or none are flat."""
    size = len(mesh.triangles)
    if size < FROM_TRIANGLES:
        return mesh
    place = np.ascontiguousarray(mesh.vertices.T)
    corner = np.ascontiguousarray(mesh.triangles.T)
    one, two = shared_sides(corner, len(mesh.vertices))
    label, area = flat_regions(mesh, place, corner, one, two)
    held = np.bincount(label)
    worth = held >= WORTH
    if np.count_nonzero(worth) > MOST_REGIONS:
        worth &= held > np.sort(held)[-MOST_REGIONS]
    border = np.ones(3 * size, dtype=bool)
    same = label[one % size] == label[two % size]
    border[one[same]] = border[two[same]] = False
    while worth.any():
        cut, owner, failed = cut_anew(mesh.vertices, corner, label, area, worth, border, FLAT)
        if not len(failed):
            return _assembled(mesh, label, worth, cut, owner)
        worth[failed] = False  # such as an outline that crosses itself: neighbours keep its vertices now
    return mesh


def shared_sides(corner: Ints, count: int) -> tuple[Ints, Ints]:
    """Pairs of sides (p,) that run opposite ways along an edge that no third triangle has.

    ``corner`` (3, m) are triangles, ``count`` is the number of vertices. Side ``s`` of triangle ``t`` has the
    row ``s * m + t`` and runs from corner s to corner s + 1. The first of a pair has the lower row.
    """
    rows = corner.size
    key = np.minimum(corner, corner[[1, 2, 0]]).ravel()
    key *= count
    key += np.maximum(corner, corner[[1, 2, 0]]).ravel()
    if count * count * rows < 2**63:  # key and row in one number: sorting that is faster, and keeps the order
        key *= rows
        key += np.arange(rows)
        key.sort()
        packed = key
        key = packed // rows
        packed -= key * rows
        order = packed
    else:
        order = np.argsort(key, kind="stable")
        key = key[order]
    same = np.concatenate(([False], key[1:] == key[:-1], [False]))
    first = np.flatnonzero(same[1:-1] & ~same[:-2] & ~same[2:])
    one, two = order[first], order[first + 1]
    rising = (corner < corner[[1, 2, 0]]).ravel()
    opposite = rising[one] != rising[two]
    return (one, two) if opposite.all() else (one[opposite], two[opposite])


def flat_regions(mesh: Mesh, place: Floats, corner: Ints, one: Ints, two: Ints) -> tuple[Ints, Floats]:
    """Labels (m,) of regions that lie in one plane within ``FLAT``, of one part, all of one outside.

    Returns also the vector areas (3, k) of the regions, m2. ``place`` (3, n) and ``corner`` (3, m) are the
    vertices and triangles of the mesh by columns, ``one`` and ``two`` its ``shared_sides``.
    """
    size = len(mesh.triangles)
    normal, offset, double, needle = _planes(place, corner)
    first, second = one % size, two % size
    apart = [kind for kind in (mesh.parts, mesh.oriented) if (kind != kind[0]).any()]
    apexes = corner[[2, 0, 1]].ravel()
    bend = np.empty(len(one))  # m, how far the smaller triangle's third corner is off the larger one's plane
    for block in _blocks(len(one)):
        i, j = first[block], second[block]
        never = _dots(normal, i, normal, j) < BEND
        for kind in apart:
            never |= kind[i] != kind[j]
        swap = double[i] < double[j]
        large = np.where(swap, j, i)
        apex = apexes[np.where(swap, one[block], two[block])]
        bend[block] = np.where(never, np.inf, np.abs(_dots(normal, large, place, apex) - offset[large]))
    if needle.any():
        bend[needle[first] | needle[second]] = np.inf
    flat = np.zeros(len(one), dtype=bool)
    bowed = np.ones(size, dtype=bool)
    for tolerance in TOLERANCES:  # a finely cut curve, or crease, is many small bends: try again with less
        again = bowed[first] & bowed[second]
        flat &= ~again
        flat |= again & (bend <= tolerance)
        label = _components(size, first[flat], second[flat])
        area, whole, level = _fitted(normal, double, offset, label)
        bowed = _off_plane(place, corner, label, whole, level)[label]
        if not bowed.any():
            break
    if needle.any():
        same = np.ones(len(first), dtype=bool)
        for kind in apart:
            same &= kind[first] == kind[second]
        usable = same & ~bowed[first] & ~bowed[second]
        label = _with_needles(place, corner, needle, first[usable], second[usable], label, whole, level)
        area, whole, level = _fitted(normal, double, offset, label)
        bowed = _off_plane(place, corner, label, whole, level)[label]
    loose = np.flatnonzero(bowed)
    label[loose] = len(level) + np.arange(len(loose))
    return label, np.concatenate((area, 0.5 * normal[:, loose] * double[loose]), axis=1)


def _off_plane(place: Floats, corner: Ints, label: Ints, whole: Floats, level: Floats) -> NDArray[np.bool_]:
    """Regions (k,) with a corner that is more than ``FLAT`` off their plane."""
    found = np.zeros(len(level), dtype=bool)
    for block in _blocks(corner.shape[1]):
        home = label[block]
        for row in corner[:, block]:
            off = np.abs(_dots(whole, home, place, row) - level[home])
            found[home[off > FLAT]] = True
    return found


def _components(count: int, first: Ints, second: Ints) -> Ints:
    """Labels (count,) of connected components. Rows in four bytes: nothing has to be converted."""
    ones = np.ones(len(first), dtype=np.float64)
    pairs = first.astype(np.int32), second.astype(np.int32)
    _, label = connected_components(csr_array((ones, pairs), shape=(count, count)), directed=False)
    return np.asarray(label, dtype=np.int64)


def _blocks(count: int) -> list[slice]:
    """Rows in blocks that stay in the processor's cache."""
    return [slice(low, low + BLOCK) for low in range(0, count, BLOCK)]


def _planes(place: Floats, corner: Ints) -> tuple[Floats, Floats, Floats, NDArray[np.bool_]]:
    """Unit normals (3, m), their offsets and doubled areas (m,), and which triangles are needles."""
    size = corner.shape[1]
    normal, offset, double = np.empty((3, size)), np.empty(size), np.empty(size)
    needle = np.empty(size, dtype=bool)
    for block in _blocks(size):
        a, b, c = (place[:, row] for row in corner[:, block])
        ab, ac = b - a, c - a
        cross = np.stack([ab[k - 2] * ac[k - 1] - ab[k - 1] * ac[k - 2] for k in range(3)])
        twice = np.sqrt((cross**2).sum(axis=0))
        longest = np.sqrt(np.max([(side**2).sum(axis=0) for side in (ab, ac, ac - ab)], axis=0))
        cross /= np.where(twice > 0, twice, 1.0)
        normal[:, block], double[block], needle[block] = cross, twice, twice < NEEDLE * longest
        offset[block] = (cross * a).sum(axis=0)
    return normal, offset, double, needle


def _dots(a: Floats, rows: Ints, b: Floats, others: Ints) -> Floats:
    """Products of the columns ``rows`` of ``a`` (3, n) with the columns ``others`` of ``b``."""
    found = a[0][rows] * b[0][others]
    for axis in (1, 2):
        found += a[axis][rows] * b[axis][others]
    return np.asarray(found)


def _fitted(normal: Floats, double: Floats, offset: Floats, label: Ints) -> tuple[Floats, Floats, Floats]:
    """Vector areas (3, k) of regions, and their planes: unit normals (3, k) and offsets (k,)."""
    count = int(label.max()) + 1
    area = np.empty((3, count))
    for axis in range(3):
        area[axis] = np.bincount(label, 0.5 * double * normal[axis], count)
    whole = area / np.maximum(np.sqrt((area**2).sum(axis=0)), 1e-300)
    # triangles of one region have one offset but for rounding
    size = np.maximum(np.bincount(label, 0.5 * double, count), 1e-300)
    level: Floats = np.bincount(label, 0.5 * double * offset, count) / size
    return area, whole, level


def _with_needles(
    place: Floats,
    corner: Ints,
    needle: NDArray[np.bool_],
    first: Ints,
    second: Ints,
    label: Ints,
    whole: Floats,
    level: Floats,
) -> Ints:
    """Labels (m,) after each needle went to the neighbouring region whose plane holds it best."""
    touch = needle[first] | needle[second]
    one = np.concatenate((first[touch], second[touch]))
    two = np.concatenate((second[touch], first[touch]))
    waiting = needle.copy()
    for _ in range(LAYERS):
        use = waiting[one] & ~waiting[two]
        row, home = one[use], label[two[use]]
        off = np.zeros(len(row))
        for point in corner:
            np.maximum(off, np.abs(_dots(whole, home, place, point[row]) - level[home]), out=off)
        close = off <= FLAT
        row, home, off = row[close], home[close], off[close]
        if not len(row):
            break
        order = np.lexsort((home, off, row))
        chosen, at = np.unique(row[order], return_index=True)
        label[chosen] = home[order][at]
        waiting[chosen] = False
    return label


def _assembled(mesh: Mesh, label: Ints, worth: NDArray[np.bool_], cut: Ints, owner: Ints) -> Mesh:
    """The mesh with ``cut`` (k, 3) of regions ``owner`` (k,) in place of what these had, rows in order."""
    keep = ~worth[label]
    of_region = np.zeros(len(worth), dtype=np.int64)
    of_region[label] = np.arange(len(label))
    triangles = np.concatenate([mesh.triangles[keep], cut])
    rows = np.concatenate([np.flatnonzero(keep), of_region[owner]])  # whose part and outside they take
    used = np.zeros(len(mesh.vertices), dtype=bool)
    used[triangles] = True
    triangles = (np.cumsum(used) - 1)[triangles]
    least = np.argmin(triangles, axis=1)
    triangles = np.take_along_axis(triangles, (least[:, None] + np.arange(3)) % 3, axis=1)
    order = np.lexsort(triangles.T[::-1])
    told = (
        f"Cut flat surfaces anew: {len(mesh.triangles)} triangles became {len(triangles)}, no surface lies "
        f"more than {1000 * FLAT:.1f} mm off what it was."
    )
    return replace(
        mesh,
        vertices=mesh.vertices[used],
        triangles=np.ascontiguousarray(triangles[order]),
        parts=mesh.parts[rows][order],
        oriented=mesh.oriented[rows][order],
        repairs=(*mesh.repairs, told),
    )
