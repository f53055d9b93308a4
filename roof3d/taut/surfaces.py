"""What a rope can touch: triangles merged into planar regions, and the regions' straight outlines.

The cost of everything behind follows the building's outlines, not its triangles: a roof plane cut
into a million triangles becomes one region with a few outline segments, re-triangulated coarsely.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from roof3d.records import Floats, Ints, Mesh

FLAT = 0.0005  # m, how far a triangle's corner may stand off its neighbour's plane and still merge
REGION_FLAT = 0.001  # m, the same for a whole region; stays under the rope's stand-off (sight.py)
FLAT_ANGLE = np.deg2rad(1.0)  # never merge across a sharper bend than this, slivers excepted
SLIVER = 0.001  # m, a triangle lower than this tells no direction


@dataclass(frozen=True, eq=False)
class Surfaces:
    """Planar regions, their outline segments, and few triangles that cover them.

    A segment runs along region ``segment_region`` from ``segment_a`` to ``segment_b``;
    ``segment_inward`` is the unit vector in the region's plane, square to it, into the region.
    """

    corners: Floats  # (t, 3, 3) covering triangles
    triangle_region: Ints  # (t,)
    normals: Floats  # (r, 3) unit, outward where ``oriented``
    offsets: Floats  # (r,)
    oriented: np.ndarray  # (r,) bool
    segment_a: Floats  # (s, 3)
    segment_b: Floats  # (s, 3)
    segment_inward: Floats  # (s, 3)
    segment_region: Ints  # (s,)
    fit_m: float  # greatest distance of any vertex from its region's plane


def _normals(corners: Floats) -> tuple[Floats, Floats, Floats]:
    """Unit normals, doubled areas and least heights of triangles (t, 3, 3)."""
    cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    doubled = np.linalg.norm(cross, axis=1)
    sides = np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2).max(axis=1)
    unit = cross / np.maximum(doubled, 1e-300)[:, None]
    return unit, doubled, doubled / np.maximum(sides, 1e-300)


def _neighbours(triangles: Ints, count: int) -> tuple[Ints, Ints, Ints, Ints]:
    """Half edges sorted by their undirected key: (key order, run starts, run lengths, keys)."""
    a = triangles.ravel()
    b = np.roll(triangles, -1, axis=1).ravel()
    keys = np.minimum(a, b) * np.int64(count) + np.maximum(a, b)
    order = np.argsort(keys, kind="stable")
    sorted_keys = keys[order]
    starts = np.flatnonzero(np.concatenate(([True], sorted_keys[1:] != sorted_keys[:-1])))
    lengths = np.diff(np.concatenate((starts, [len(keys)])))
    return order, starts, lengths, keys


def merge(mesh: Mesh) -> Surfaces:
    """Merge coplanar neighbouring triangles of a mesh (local frame, metres)."""
    vertices, triangles = mesh.vertices, mesh.triangles
    corners = vertices[triangles]
    unit, doubled, height = _normals(corners)
    order, starts, lengths, _ = _neighbours(triangles, len(vertices))
    pair = starts[lengths == 2]
    first, second = order[pair] // 3, order[pair + 1] // 3
    apex_first = triangles.ravel()[3 * first + (order[pair] % 3 + 2) % 3]
    apex_second = triangles.ravel()[3 * second + (order[pair + 1] % 3 + 2) % 3]
    # the plane of the larger triangle judges the smaller one's apex: slivers tell no direction
    swap = doubled[first] < doubled[second]
    large = np.where(swap, second, first)
    small_apex = np.where(swap, apex_first, apex_second)
    stand_off = np.abs(np.einsum("ij,ij->i", unit[large], vertices[small_apex] - corners[large, 0]))
    cosine = np.abs(np.einsum("ij,ij->i", unit[first], unit[second]))
    # folded back on itself (two sheets) is not flat: the apexes lie on the same side of the edge
    edge_a = vertices[triangles.ravel()[order[pair]]]
    edge_b = vertices[np.roll(triangles, -1, axis=1).ravel()[order[pair]]]
    along = edge_b - edge_a
    along /= np.maximum(np.linalg.norm(along, axis=1), 1e-300)[:, None]

    def across(apex: Ints) -> Floats:
        arm = vertices[apex] - edge_a
        square: Floats = arm - np.einsum("ij,ij->i", arm, along)[:, None] * along
        return square

    folded = np.einsum("ij,ij->i", across(apex_first), across(apex_second)) > 0
    sliver = np.minimum(height[first], height[second]) < SLIVER
    flat = (stand_off < FLAT) & ((cosine > np.cos(FLAT_ANGLE)) | sliver) & ~folded
    count = len(triangles)
    ones = np.ones(int(flat.sum()), dtype=np.int8)
    graph = coo_array((ones, (first[flat], second[flat])), shape=(count, count))
    _, joined = connected_components(graph, directed=False)
    region = _split_curved(joined.astype(np.int64), corners, unit, doubled)
    return _outline(mesh, corners, unit, doubled, region)


def _fit(region: Ints, corners: Floats, unit: Floats, doubled: Floats) -> tuple[Floats, Floats, Floats]:
    """Area-weighted plane of each region and the greatest stand-off of its corners."""
    count = int(region.max()) + 1
    sign = np.ones(len(region))
    # turn all normals of a region to the side of its largest triangle (windings may be mixed)
    largest = np.zeros(count, dtype=np.int64)
    by_area = np.argsort(doubled, kind="stable")
    largest[region[by_area]] = by_area
    sign = np.where(np.einsum("ij,ij->i", unit, unit[largest[region]]) < 0, -1.0, 1.0)
    normal = np.empty((count, 3))
    centre = np.empty((count, 3))
    weight = np.bincount(region, doubled, count)
    middle = corners.mean(axis=1)
    for axis in range(3):
        normal[:, axis] = np.bincount(region, doubled * sign * unit[:, axis], count)
        centre[:, axis] = np.bincount(region, doubled * middle[:, axis], count)
    normal /= np.maximum(np.linalg.norm(normal, axis=1), 1e-300)[:, None]
    centre /= np.maximum(weight, 1e-300)[:, None]
    offset = np.einsum("ij,ij->i", normal, centre)
    away = np.abs(np.einsum("tcj,tj->tc", corners, normal[region]) - offset[region][:, None]).max(axis=1)
    worst = np.zeros(count)
    np.maximum.at(worst, region, away)
    return normal, offset, worst


def _split_curved(region: Ints, corners: Floats, unit: Floats, doubled: Floats) -> Ints:
    """Regions that are not flat after all (finely cut curves) fall apart into their triangles."""
    _, _, worst = _fit(region, corners, unit, doubled)
    curved = worst[region] > REGION_FLAT
    if not curved.any():
        return region
    split = region.astype(np.int64).copy()
    split[curved] = region.max() + 1 + np.arange(int(curved.sum()))
    return np.unique(split, return_inverse=True)[1].reshape(-1)


def _outline(mesh: Mesh, corners: Floats, unit: Floats, doubled: Floats, region: Ints) -> Surfaces:
    """Outline segments of all regions, collinear pieces joined, and the covering triangles."""
    vertices, triangles = mesh.vertices, mesh.triangles
    normal, offset, worst = _fit(region, corners, unit, doubled)
    count = len(normal)
    # outline = half edges that occur once within their region
    a = triangles.ravel()
    b = np.roll(triangles, -1, axis=1).ravel()
    apex = np.roll(triangles, -2, axis=1).ravel()
    owner = np.repeat(region, 3)
    low, high = np.minimum(a, b), np.maximum(a, b)
    order = np.lexsort((high, low, owner))
    same = (
        (owner[order][1:] == owner[order][:-1])
        & (low[order][1:] == low[order][:-1])
        & (high[order][1:] == high[order][:-1])
    )
    alone = ~(np.concatenate(([False], same)) | np.concatenate((same, [False])))
    half = order[alone]
    tri_count = np.bincount(region, minlength=count)
    seg_a, seg_b, seg_in, seg_region = _join_collinear(
        vertices, a[half], b[half], apex[half], owner[half], normal
    )
    seg_count = np.bincount(seg_region, minlength=count)
    # cover the regions that are cut more finely than their outline asks for with few triangles
    keep = np.ones(len(triangles), dtype=bool)
    covers: list[Floats] = []
    cover_region: list[Ints] = []
    for number in np.flatnonzero(tri_count > 3 * seg_count + 8):
        chosen = seg_region == number
        cover = _cover(seg_a[chosen], seg_b[chosen], normal[number], offset[number])
        if cover is None:
            continue
        total = (
            0.5 * np.linalg.norm(np.cross(cover[:, 1] - cover[:, 0], cover[:, 2] - cover[:, 0]), axis=1).sum()
        )
        had = 0.5 * doubled[region == number].sum()
        if abs(total - had) > 1e-6 * had + 1e-6:
            continue  # outline not simple: the file's own triangles stay
        keep[region == number] = False
        covers.append(cover)
        cover_region.append(np.full(len(cover), number))
    all_corners = np.concatenate([corners[keep], *covers])
    all_region = np.concatenate([region[keep], *cover_region]).astype(np.int64)
    oriented = np.ones(count, dtype=bool)
    np.logical_and.at(oriented, region, mesh.oriented)
    return Surfaces(
        corners=np.ascontiguousarray(all_corners),
        triangle_region=all_region,
        normals=normal,
        offsets=offset,
        oriented=oriented,
        segment_a=seg_a,
        segment_b=seg_b,
        segment_inward=seg_in,
        segment_region=seg_region,
        fit_m=float(worst.max(initial=0.0)),
    )


def _join_collinear(
    vertices: Floats, a: Ints, b: Ints, apex: Ints, owner: Ints, normal: Floats
) -> tuple[Floats, Floats, Floats, Ints]:
    """Join outline half edges of one region that continue each other in a straight line."""
    arm = vertices[apex] - vertices[a]
    along = vertices[b] - vertices[a]
    length = np.linalg.norm(along, axis=1)
    unit = along / np.maximum(length, 1e-300)[:, None]
    inward = np.cross(normal[owner], unit)
    side = np.einsum("ij,ij->i", inward, arm)
    inward *= np.where(side < 0, -1.0, 1.0)[:, None]
    n = len(a)
    # two half edges of one region that meet at a vertex where no third one does
    ends = np.concatenate((a, b))
    who = np.concatenate((np.arange(n), np.arange(n)))
    key = np.concatenate((owner, owner)).astype(np.int64) * (len(vertices) + 1) + ends
    order = np.argsort(key, kind="stable")
    starts = np.flatnonzero(np.concatenate(([True], key[order][1:] != key[order][:-1])))
    runs = np.diff(np.concatenate((starts, [2 * n])))
    two = starts[runs == 2]
    i, j = who[order[two]], who[order[two + 1]]
    straight = np.abs(np.einsum("ij,ij->i", unit[i], unit[j])) > np.cos(np.deg2rad(0.5))
    straight &= np.einsum("ij,ij->i", inward[i], inward[j]) > 0
    # short pieces have no direction of their own: judge them by how far they stand off the longer one
    longer = np.where(length[i] > length[j], i, j)
    shorter = np.where(length[i] > length[j], j, i)
    off = np.zeros(len(i))
    for tip in (a, b):
        arm_tip = vertices[tip[shorter]] - vertices[a[longer]]
        away = arm_tip - np.einsum("ij,ij->i", arm_tip, unit[longer])[:, None] * unit[longer]
        off = np.maximum(off, np.linalg.norm(away, axis=1))
    straight &= off < FLAT
    graph = coo_array((np.ones(int(straight.sum()), dtype=np.int8), (i[straight], j[straight])), shape=(n, n))
    _, chain = connected_components(graph, directed=False)
    count = int(chain.max()) + 1 if n else 0
    longest = np.zeros(count, dtype=np.int64)
    by_length = np.argsort(length, kind="stable")
    longest[chain[by_length]] = by_length
    base, way = vertices[a[longest]], unit[longest]
    off_chain = np.zeros(count)
    tips = np.concatenate((a, b))
    chains = np.concatenate((chain, chain))
    arm_tip = vertices[tips] - base[chains]
    t = np.einsum("ij,ij->i", arm_tip, way[chains])
    np.maximum.at(off_chain, chains, np.linalg.norm(arm_tip - t[:, None] * way[chains], axis=1))
    # the outermost vertices themselves, so that neighbouring segments end in the very same point
    by_t = np.argsort(t, kind="stable")
    last = np.zeros(count, dtype=np.int64)
    first = np.zeros(count, dtype=np.int64)
    last[chains[by_t]] = tips[by_t]
    first[chains[by_t[::-1]]] = tips[by_t[::-1]]
    bent = off_chain > 2 * FLAT  # gently curved outline: keep its pieces
    good = ~bent
    seg_a = [vertices[first[good]]]
    seg_b = [vertices[last[good]]]
    seg_in, seg_owner = [inward[longest[good]]], [owner[longest[good]]]
    pieces = bent[chain]
    seg_a.append(vertices[a[pieces]])
    seg_b.append(vertices[b[pieces]])
    seg_in.append(inward[pieces])
    seg_owner.append(owner[pieces])
    out_a, out_b = np.concatenate(seg_a), np.concatenate(seg_b)
    out_in, out_owner = np.concatenate(seg_in), np.concatenate(seg_owner)
    long_enough = np.linalg.norm(out_b - out_a, axis=1) > 1e-6
    return (
        out_a[long_enough],
        out_b[long_enough],
        out_in[long_enough],
        out_owner[long_enough].astype(np.int64),
    )


def _cover(seg_a: Floats, seg_b: Floats, normal: Floats, offset: float) -> Floats | None:
    """Few triangles over the polygon that the segments enclose; None where they enclose none."""
    u = np.cross(normal, np.eye(3)[np.argmin(np.abs(normal))])
    u /= np.linalg.norm(u)
    v = np.cross(normal, u)
    frame = np.stack((u, v))
    lines = shapely.linestrings(np.stack((seg_a @ frame.T, seg_b @ frame.T), axis=1))
    faces = shapely.get_parts(shapely.polygonize(lines))
    if not len(faces):
        return None
    polygon = max(faces, key=shapely.area)  # holes come with it; the caller checks the area
    triangles = shapely.get_parts(shapely.constrained_delaunay_triangles(polygon))
    flat = np.array([np.asarray(t.exterior.coords)[:3] for t in triangles])
    if not len(flat):
        return None
    lifted: Floats = flat @ frame + offset * normal
    return lifted
