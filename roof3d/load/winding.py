"""Turns triangles counter-clockwise seen from outside, whatever way the file winds them.

Triangles are gathered into patches across edges that exactly two of them share. A closed patch is
turned by its signed volume; an open one by which of its sides sees more sky. A patch of which neither
side, or both alike, see the sky has no outside that the mesh tells: it is left unoriented.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from roof3d.load.sky import sky_votes
from roof3d.load.source import as_floats
from roof3d.records import Floats, Ints

_SAMPLES = 20_000  # points of all open patches together
_PER_PATCH = 24
_LEAST_SKY = 0.02  # of the upper half of the sphere
_CLEAR_VOTE = 0.25  # share by which one side must win


@dataclass(frozen=True, eq=False)
class Edges:
    """Edges of triangles and how they are shared."""

    ends: Ints  # (e, 2) vertex rows, the smaller first
    uses: Ints  # (e,) how many triangles have the edge
    of_side: Ints  # (3 m,) edge of each side; side s of triangle t is row s * m + t
    forward: np.ndarray  # (3 m,) whether the side runs from the smaller to the greater row


@dataclass(frozen=True, eq=False)
class Winding:
    """What became of each triangle."""

    flip: np.ndarray  # (m,) whether it has to be turned
    oriented: np.ndarray  # (m,) whether its outside is known
    patches: int
    closed: int
    one_sided: int  # patches that cannot be wound consistently (such as a Moebius strip)
    unseen: int  # triangles beyond the number of samples, whose side was not looked for


def find_edges(triangles: Ints, vertex_count: int) -> Edges:
    """Edges of triangles of three different corners."""
    tails = triangles.T.ravel()
    heads = triangles[:, [1, 2, 0]].T.ravel()
    keys = np.minimum(tails, heads) * vertex_count + np.maximum(tails, heads)
    distinct, of_side, uses = np.unique(keys, return_inverse=True, return_counts=True)
    ends = np.stack((distinct // vertex_count, distinct % vertex_count), axis=1)
    return Edges(ends, uses, of_side.ravel(), tails < heads)


def wind(points: Floats, triangles: Ints, edges: Edges, solid: np.ndarray) -> Winding:
    """Find which triangles to turn. ``solid`` (m,) marks those with an area worth sampling."""
    count = len(triangles)
    patch, turn, one_sided = _patches(count, edges)
    patches = int(patch.max()) + 1
    corners = points[triangles]
    cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    cross[turn] *= -1  # consistent within each patch now
    area = 0.5 * np.linalg.norm(cross, axis=1)
    patch_area = as_floats(np.bincount(patch, weights=area, minlength=patches))

    open_sides = edges.uses[edges.of_side] != 2
    is_open = np.zeros(patches, dtype=bool)
    is_open[np.tile(patch, 3)[open_sides]] = True
    centre = (
        np.stack([np.bincount(patch, weights=corners[:, 0, k], minlength=patches) for k in range(3)], axis=1)
        / np.bincount(patch, minlength=patches)[:, None]
    )
    volume = np.bincount(
        patch, weights=np.einsum("ni,ni->n", corners[:, 0] - centre[patch], cross) / 6, minlength=patches
    )
    by_volume = ~is_open & ~one_sided & (np.abs(volume) > 1e-4 * patch_area)
    sign = np.where(by_volume, np.sign(volume), 0.0)

    voted, unseen = _vote(corners, cross, area, patch, patches, ~by_volume & ~one_sided, solid)
    sign = np.where(by_volume, sign, voted)
    oriented = sign != 0
    sign = np.where(oriented, sign, _upward(cross, patch, patches, patch_area))
    sign = np.where(sign != 0, sign, _by_first(triangles, turn, patch))
    flip = turn ^ (sign < 0)[patch]
    if one_sided.any():  # no winding fits the whole patch: each triangle by itself
        alone = one_sided[patch]
        plain = np.where(turn[:, None], -cross, cross)
        up = _upward(plain, np.arange(count, dtype=np.int64), count, area)
        flip[alone] = (up < 0)[alone]
    return Winding(
        flip,
        oriented[patch],
        patches,
        int(np.count_nonzero(~is_open)),
        int(np.count_nonzero(one_sided)),
        unseen,
    )


def _patches(count: int, edges: Edges) -> tuple[Ints, np.ndarray, np.ndarray]:
    """Patch of each triangle, whether to turn it to fit the others, and which patches never fit.

    Each triangle is taken twice, as it is and turned; sides that agree link like with like. A patch
    that can be wound consistently falls into two components, one the mirror image of the other.
    """
    shared = np.flatnonzero(edges.uses[edges.of_side] == 2)
    order = shared[np.argsort(edges.of_side[shared], kind="stable")].reshape(-1, 2)
    first, second = order[:, 0] % count, order[:, 1] % count
    unlike = edges.forward[order[:, 0]] == edges.forward[order[:, 1]]
    rows = np.concatenate((first, first + count))
    other = np.where(unlike, second + count, second)
    columns = np.concatenate((other, np.where(unlike, second, second + count)))
    graph = coo_array((np.ones(len(rows), dtype=np.int8), (rows, columns)), shape=(2 * count, 2 * count))
    _, label = connected_components(graph, directed=False)
    plain, turned = label[:count].astype(np.int64), label[count:].astype(np.int64)
    _, patch = np.unique(np.minimum(plain, turned), return_inverse=True)
    patch = patch.ravel().astype(np.int64)
    one_sided = np.zeros(int(patch.max()) + 1, dtype=bool)
    one_sided[patch[plain == turned]] = True
    return patch, plain > turned, one_sided


def _vote(
    corners: Floats,
    cross: Floats,
    area: Floats,
    patch: Ints,
    patches: int,
    wanted: np.ndarray,
    solid: np.ndarray,
) -> tuple[Floats, int]:
    """+1 or -1 for patches of which one side clearly sees more sky, else 0."""
    sample, unseen = _samples(area, patch, patches, wanted, solid)
    result = np.zeros(patches)
    if not len(sample):
        return result, unseen
    normals = cross[sample] / np.linalg.norm(cross[sample], axis=1)[:, None]
    front, back = sky_votes(corners[solid], corners[sample].mean(axis=1), normals)
    weight = area[sample]
    total = np.bincount(patch[sample], weights=weight, minlength=patches)
    total[total == 0] = 1
    fronts = np.bincount(patch[sample], weights=weight * front, minlength=patches) / total
    backs = np.bincount(patch[sample], weights=weight * back, minlength=patches) / total
    clear = (fronts + backs > _LEAST_SKY) & (np.abs(fronts - backs) > _CLEAR_VOTE * (fronts + backs))
    return np.where(clear, np.sign(fronts - backs), 0.0), unseen


def _samples(
    area: Floats, patch: Ints, patches: int, wanted: np.ndarray, solid: np.ndarray
) -> tuple[Ints, int]:
    """The greatest triangles of each wanted patch; small patches last, where there are too many."""
    rows = np.flatnonzero(wanted[patch] & solid)
    sizes = np.bincount(patch[rows], weights=area[rows], minlength=patches)
    # equal areas fall back on the row, which is canonical
    rows = rows[np.lexsort((rows, -area[rows], patch[rows], -sizes[patch[rows]]))]
    group = patch[rows]
    starts = (
        np.flatnonzero(np.concatenate(([True], group[1:] != group[:-1])))
        if len(rows)
        else np.zeros(0, dtype=int)
    )
    lengths = np.diff(np.append(starts, len(rows)))
    place = np.arange(len(rows)) - np.repeat(starts, lengths)
    sample = rows[place < _PER_PATCH]
    kept = sample[:_SAMPLES]
    seen = np.zeros(patches, dtype=bool)
    seen[patch[kept]] = True
    return kept, int(np.count_nonzero(~seen[group]))


def _upward(cross: Floats, patch: Ints, patches: int, patch_area: Floats) -> Floats:
    """A sign that does not depend on the file: the sum of normals up, else to +y, else to +x, else 0."""
    total = np.stack([np.bincount(patch, weights=cross[:, k], minlength=patches) for k in range(3)], axis=1)
    size = 1e-6 * np.maximum(patch_area, 1e-300)
    sign = np.zeros(patches)
    for axis in (0, 1, 2):
        sign = np.where(np.abs(total[:, axis]) > size, np.sign(total[:, axis]), sign)
    return sign


def _by_first(triangles: Ints, turn: np.ndarray, patch: Ints) -> Floats:
    """A sign for patches whose normals cancel: the first triangle runs from its least to its middle row."""
    first = np.unique(patch, return_index=True)[1]
    a, b, c = triangles[first].T
    rising = ((a < b) & (b < c)) | ((b < c) & (c < a)) | ((c < a) & (a < b))
    return np.where(rising ^ turn[first], 1.0, -1.0)
