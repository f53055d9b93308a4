"""Planes taken off a mesh one after the other: what lies near a plane and hangs together, then the rest."""

from __future__ import annotations

import numpy as np

from roof3d.planes.adjacency import Adjacency, Measures
from roof3d.planes.grow import components
from roof3d.planes.moments import fit_planes, sum_by
from roof3d.records import Floats, Ints, Mesh

STEPS = 6  # refits of one plane
FEW = 40  # triangles up to which a plane is followed from its seed on, without looking at all others


def peel(
    mesh: Mesh,
    measures: Measures,
    moments: Floats,
    about: Floats,
    pairs: Adjacency,
    seeds: Ints,
    planes: tuple[Floats, Floats],
    tolerance: float,
    lean: Floats,
    least: float,
) -> tuple[Ints, int]:
    """Labels (m,) of planes found from ``seeds`` in their order; -1 where there is none; and their number.

    ``planes`` are the normals and points (k, 3) to begin with at each seed, ``tolerance`` the mean distance
    of a triangle's corners (one and a half times that for each), ``lean`` (m,) the least cosine between
    a triangle and its plane, ``least`` the area in m2 from which a plane counts.
    """
    count = len(mesh.triangles)
    label = np.full(count, -1, dtype=np.int64)
    corners = mesh.vertices[mesh.triangles]
    starts, others = _neighbours(count, pairs)
    free = np.arange(count)  # triangles that no plane has yet
    first, second = pairs.first, pairs.second
    local = np.full(count, -1, dtype=np.int64)
    number = 0

    def fitting(rows: Ints, normal: Floats, centre: Floats) -> Ints:
        """Those of the triangles that lie near a plane."""
        off = np.abs((corners[rows] - centre) @ normal)
        near = (off.max(axis=1) <= 1.5 * tolerance) & (off.mean(axis=1) <= tolerance)
        found: Ints = rows[near & (np.abs(measures.normal[rows] @ normal) >= lean[rows])]
        return found

    def little(seed: int, normal: Floats, centre: Floats) -> Ints | None:
        """What hangs together with the seed near a plane, if that is little: looked for from the seed on."""
        have = fresh = fitting(np.array([seed]), normal, centre)
        while len(fresh):
            if len(have) > FEW:
                return None
            sides = [others[starts[row] : starts[row + 1]] for row in fresh.tolist()]
            more = np.setdiff1d(np.concatenate(sides), have)
            fresh = fitting(more[label[more] < 0], normal, centre)
            have = np.concatenate((have, fresh))
        return np.sort(have)

    def hanging(seed: int, normal: Floats, centre: Floats) -> Ints:
        """What hangs together with the seed near a plane; nothing where that does not hold the seed."""
        grown = little(seed, normal, centre)
        if grown is not None:
            return grown
        rows = fitting(free, normal, centre)
        local[rows] = np.arange(len(rows))
        use = (local[first] >= 0) & (local[second] >= 0)
        group = components(len(rows), local[first[use]], local[second[use]])
        found: Ints = rows[group == group[local[seed]]]
        local[rows] = -1
        return found

    for seed, normal, centre in zip(seeds.tolist(), *planes, strict=True):
        if label[seed] >= 0:
            continue
        grown: Ints = np.zeros(0, dtype=np.int64)
        for step in range(STEPS):
            fresh = hanging(seed, normal, centre)
            if not len(fresh) or (step and np.array_equal(fresh, grown)):
                break
            grown = fresh
            fit, at = fit_planes(moments[grown].sum(axis=0)[None, :], about)
            normal, centre = fit[0], at[0]
        if measures.area[grown].sum() >= least:
            label[grown] = number
            number += 1
            free = np.flatnonzero(label < 0)
            loose = (label[first] < 0) & (label[second] < 0)
            first, second = first[loose], second[loose]
    return label, number


def _neighbours(count: int, pairs: Adjacency) -> tuple[Ints, Ints]:
    """Neighbours of each triangle over its edges; of row k they are ``others[starts[k] : starts[k + 1]]``."""
    one = np.concatenate([pairs.first, pairs.second])
    two = np.concatenate([pairs.second, pairs.first])
    order = np.argsort(one, kind="stable")
    return np.searchsorted(one[order], np.arange(count + 1)), two[order]


def attach(
    mesh: Mesh,
    measures: Measures,
    moments: Floats,
    about: Floats,
    pairs: Adjacency,
    label: Ints,
    count: int,
    reach: float,
    lean: float,
) -> Ints:
    """Labels (m,) after left-over triangles near a neighbouring plane went to it, the nearest one first."""
    if count == 0:
        return label
    held = label >= 0
    normal, centre = fit_planes(sum_by(label[held], moments[held], count), about)
    first = np.concatenate([pairs.first, pairs.second])
    second = np.concatenate([pairs.second, pairs.first])
    label = label.copy()
    for _ in range(STEPS):
        use = (label[first] < 0) & (label[second] >= 0)
        one, home = first[use], label[second[use]]
        away = mesh.vertices[mesh.triangles[one]] - centre[home][:, None, :]
        score = np.abs(np.einsum("ikj,ij->ik", away, normal[home])).max(axis=1)
        fits = score <= reach
        fits &= np.abs(np.einsum("ij,ij->i", measures.normal[one], normal[home])) >= lean
        one, home, score = one[fits], home[fits], score[fits]
        if len(one) == 0:
            break
        order = np.lexsort((home, score, one))
        chosen, at = np.unique(one[order], return_index=True)
        label[chosen] = home[order][at]
    return label
