"""Planes taken off a mesh one after the other: what lies near a plane and hangs together, then the rest."""

from __future__ import annotations

import numpy as np

from roof3d.planes.adjacency import Adjacency, Measures
from roof3d.planes.grow import components
from roof3d.planes.moments import fit_planes, sum_by
from roof3d.records import Floats, Ints, Mesh

STEPS = 6  # refits of one plane


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
    free = np.arange(count)  # triangles that no plane has yet
    first, second = pairs.first, pairs.second
    local = np.full(count, -1, dtype=np.int64)
    number = 0
    for seed, normal, centre in zip(seeds.tolist(), *planes, strict=True):
        if label[seed] >= 0:
            continue
        grown: Ints = np.zeros(0, dtype=np.int64)
        for step in range(STEPS):
            off = np.abs((corners[free] - centre) @ normal)
            near = (off.max(axis=1) <= 1.5 * tolerance) & (off.mean(axis=1) <= tolerance)
            rows = free[near & (np.abs(measures.normal[free] @ normal) >= lean[free])]
            local[rows] = np.arange(len(rows))
            if local[seed] < 0:
                local[rows] = -1
                break
            use = (local[first] >= 0) & (local[second] >= 0)
            group = components(len(rows), local[first[use]], local[second[use]])
            fresh = rows[group == group[local[seed]]]
            local[rows] = -1
            if step and len(fresh) == len(grown) and (fresh == grown).all():
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
