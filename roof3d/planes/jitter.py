"""Meshes whose vertices are a few millimetres off: scans made into surfaces, coarse rounding, old drawings.

Between the exact mesh, where neighbours lie in one plane, and the rough one, where outlines are lost as well,
lie meshes with sharp edges and slightly bent faces. Small triangles there lean by many degrees for a
millimetre at a corner, so distance decides and the angle only as far as the triangle's size lets it.
"""

from __future__ import annotations

import numpy as np

from roof3d.planes.adjacency import Adjacency, Measures
from roof3d.planes.grow import ANGLE, OFFSET, renumber
from roof3d.planes.peel import attach, peel
from roof3d.records import Floats, Ints, Mesh

BEND = float(np.cos(np.radians(20.0)))  # neighbours that bend less are taken to belong together
LEAST = 0.0008  # m, scatter from which a mesh is treated here
MOST = 0.05  # m, scatter beyond which nothing is tried here
STEEPEST = float(np.cos(np.radians(60.0)))  # no triangle leans more than this against its plane
PLANE = 0.02  # m2, planes below are left to the general growing


def scatter_of(mesh: Mesh, measures: Measures, pairs: Adjacency) -> float:
    """Typical distance, metres, by which vertices are off the planes that they belong to.

    The corner of the smaller of two neighbouring triangles off the plane of the larger, where they bend
    little; the median over all such pairs, divided by how much two planes' scatter adds up.
    """
    one, two = pairs.first, pairs.second
    swap = measures.area[one] < measures.area[two]
    large, small = np.where(swap, two, one), np.where(swap, one, two)
    dot = np.abs(np.einsum("ij,ij->i", measures.normal[large], measures.normal[small]))
    alike = dot >= BEND
    if not alike.any():
        return 0.0
    large, small = large[alike], small[alike]
    a, b = pairs.a[alike], pairs.b[alike]
    apex = mesh.vertices[mesh.triangles[small].sum(axis=1) - a - b]
    off = np.abs(np.einsum("ij,ij->i", apex - mesh.vertices[a], measures.normal[large]))
    return float(np.median(off)) / 1.2


def jittered_regions(
    mesh: Mesh, measures: Measures, moments: Floats, about: Floats, pairs: Adjacency, scatter: float
) -> Ints:
    """Labels (m,) of planes, largest triangle first; what fits none has a label of its own."""
    tolerance = float(np.clip(4.0 * scatter, 0.01, OFFSET))
    angle = ANGLE + 4.0 * scatter / np.maximum(measures.height, 1e-6)
    lean = np.maximum(np.cos(np.minimum(angle, np.pi / 2)), STEEPEST)
    seeds = np.lexsort((*measures.centroid.round(3).T, -measures.area.round(4)))
    big = seeds[measures.area[seeds] >= 0.25 * PLANE][:20000]
    planes = measures.normal[big], measures.centroid[big]
    label, count = peel(mesh, measures, moments, about, pairs, big, planes, tolerance, lean, PLANE)
    label = attach(mesh, measures, moments, about, pairs, label, count, 1.5 * tolerance, 0.3)
    rest = label < 0
    label[rest] = count + np.arange(int(rest.sum()))
    return renumber(label)
