"""Planes in meshes of measured points, where no two triangles lie in one plane."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree
from shapely.geometry.base import BaseGeometry

from roof3d.planes.adjacency import Adjacency, Measures
from roof3d.planes.grow import CRUMB, Regions, renumber
from roof3d.planes.moments import fit_planes, sum_by
from roof3d.planes.outline import closed
from roof3d.planes.peel import attach, peel
from roof3d.records import Floats, Ints, Mesh

ROUGH_EDGES = 0.04  # likewise where vertices scatter a little: then the edges are rounded off
ROUGH = 0.2  # share of walkable area in crumbs at which a mesh counts as rough

RADIUS = 1.0  # m, neighbourhood in which the local plane and the noise are estimated
SEEDS = 3000  # places at which a plane is looked for
LEAST_PLANE = 1.0  # m2
WIDEST = 0.15  # m, greatest distance that noise may excuse
LEAN = 0.75  # least cosine between a triangle and its plane
LEAN_REST = 0.4  # likewise of left-over triangles near it
SIMPLE = 0.15  # m, half the width of bumps and notches that are smoothed away
COARSE = 0.25  # m, sideways distance to which ragged outlines are simplified


@dataclass(frozen=True, eq=False)
class NoiseReport:
    """How a rough mesh was read: scatter about the planes, and area on no plane."""

    scatter: float
    tolerance: float
    loose: float  # m2 of walkable surface on no plane
    planar: NDArray[np.bool_]  # per region

    def sentence(self) -> str:
        """What to tell the reader."""
        return (
            f"The surface is rough (about {100 * self.scatter:.0f} cm about its planes): planes are fitted "
            f"within {100 * self.tolerance:.0f} cm, outlines are straightened, and {self.loose:.1f} m2 fit "
            "no plane; edges there are taken as edges one can fall over."
        )

    def smooth(self, shape: BaseGeometry) -> BaseGeometry:
        """A ragged outline with crumbs and small holes gone."""
        wide = shape.buffer(SIMPLE, join_style="mitre", mitre_limit=2.0)
        narrow = wide.buffer(-2 * SIMPLE, join_style="mitre", mitre_limit=2.0)
        return closed(narrow.buffer(SIMPLE, join_style="mitre", mitre_limit=2.0).simplify(COARSE))


def too_rough(regions: Regions, share: float = ROUGH) -> bool:
    """Whether more than a share of what could be walked on lies in regions too small to be planes."""
    walkable = np.abs(regions.normal[:, 2]) > 0.17
    total = float(regions.area[walkable].sum())
    crumbs = float(regions.area[walkable & (regions.area < CRUMB)].sum())
    return total > 0 and crumbs > share * total and int((walkable & (regions.area < CRUMB)).sum()) > 50


def noisy_regions(
    mesh: Mesh, measures: Measures, moments: Floats, about: Floats, pairs: Adjacency
) -> tuple[Ints, NoiseReport]:
    """Labels (m,) per triangle by fitting one plane after the other, flattest place first."""
    count = len(mesh.triangles)
    order = np.lexsort(measures.centroid.round(3).T)
    seeds = order[np.linspace(0, count - 1, min(SEEDS, count)).astype(np.int64)]
    seeds = np.unique(seeds)
    tree = cKDTree(measures.centroid)
    near: list[list[int]] = list(tree.query_ball_point(measures.centroid[seeds], RADIUS))  # type: ignore[arg-type]
    sizes = np.array([len(rows) for rows in near])
    flat_rows = np.concatenate([np.asarray(rows, dtype=np.int64) for rows in near])
    owner = np.repeat(np.arange(len(seeds)), sizes)
    sums = sum_by(owner, moments[flat_rows], len(seeds))
    normal, middle = fit_planes(sums, about)
    away = np.einsum("ij,ij->i", measures.centroid[flat_rows] - middle[owner], normal[owner])
    weight = measures.area[flat_rows]
    spread = np.sqrt(np.bincount(owner, weights=weight * away**2) / np.bincount(owner, weights=weight))
    walkable = np.abs(normal[:, 2]) > 0.17
    scatter = float(np.quantile(spread[walkable], 0.3)) if walkable.any() else float(np.quantile(spread, 0.3))
    tolerance = float(np.clip(4.0 * scatter, 0.04, WIDEST))
    flattest = np.lexsort((*measures.centroid[seeds].round(3).T, spread.round(4)))
    flattest = flattest[spread[flattest] <= 2.0 * tolerance]
    label, planes = peel(
        mesh,
        measures,
        moments,
        about,
        pairs,
        seeds[flattest],
        (normal[flattest], middle[flattest]),
        tolerance,
        np.full(count, LEAN),
        LEAST_PLANE,
    )
    label = attach(mesh, measures, moments, about, pairs, label, planes, 2.0 * tolerance, LEAN_REST)
    rest = label < 0
    loose = float(measures.area[rest & (np.abs(measures.normal[:, 2]) > 0.5)].sum())
    label[rest] = planes + np.arange(int(rest.sum()))
    label = renumber(label)
    planar = np.zeros(int(label.max()) + 1, dtype=bool)
    planar[:planes] = True
    return label, NoiseReport(scatter, tolerance, loose, planar)
