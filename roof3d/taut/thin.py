"""Noisy scans: a coarser stand-in for a mesh that falls into too many planar pieces to be exact on.

A scanned roof is a few centimetres of noise on every face; following each of its thousands of small
creases exactly would be exactness about noise. The stand-in's distance from the scan is measured both
ways, and every length taken on it is widened by that (field.py): the doubt is carried, not hidden.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from roof3d.records import Mesh

PIECES_MOST = 700  # planar pieces up to which a mesh is taken as it is
STEPS = (800, 500, 350)  # triangles of the stand-in that are tried, finest first
STILL_GOOD = 0.15  # m, a coarser stand-in is taken while it stays this near


def thin(mesh: Mesh) -> tuple[Mesh, float]:
    """A stand-in of at most ``STEPS[0]`` triangles, and how far (m) the two are apart at most.

    Of the sizes tried, the coarsest that stays within ``STILL_GOOD``, else the finest. Quadric
    decimation of a general-purpose library; the distance is taken from all vertices of each to the
    surface of the other.
    """
    import pyvista as pv

    surface = pv.PolyData.from_regular_faces(mesh.vertices, mesh.triangles)
    best: tuple[Mesh, float] | None = None
    for wanted in STEPS:
        if wanted >= len(mesh.triangles):
            continue
        coarse = surface.decimate(1.0 - wanted / len(mesh.triangles), volume_preservation=True)
        away = float(np.abs(surface.compute_implicit_distance(coarse)["implicit_distance"]).max())
        back = float(np.abs(coarse.compute_implicit_distance(surface)["implicit_distance"]).max())
        apart = max(away, back)
        triangles = coarse.regular_faces.astype(np.int64)
        made = replace(
            mesh,
            vertices=np.asarray(coarse.points, dtype=np.float64),
            triangles=triangles,
            parts=np.zeros(len(triangles), dtype=np.int64),
            oriented=np.full(len(triangles), bool(mesh.oriented.all())),
        )
        if best is None or apart <= STILL_GOOD:
            best = (made, apart)
        if apart > STILL_GOOD:
            break
    return best if best is not None else (mesh, 0.0)
