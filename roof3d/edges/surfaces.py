"""The highest surface over a place in plan: what follows behind a roof's edge."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from shapely.geometry import Polygon

from roof3d.records import Facet, Floats


@dataclass(frozen=True, eq=False)
class Surfaces:
    """Everything exposed that could be stood on: roofs, ground, tops of walls."""

    tree: shapely.STRtree
    normal: Floats  # (k, 3)
    offset: Floats  # (k,)

    def height(self, xy: Floats) -> Floats:
        """Height (n,) of the highest surface over plan points (n, 2); -inf where there is none."""
        top = np.full(len(xy), -np.inf)
        at, row = self.tree.query(shapely.points(xy), predicate="intersects")
        z = (self.offset[row] - np.einsum("ij,ij->i", xy[at], self.normal[row, :2])) / self.normal[row, 2]
        np.maximum.at(top, at, z)
        return top

    def drops_behind(self, start: Floats, end: Floats, distances: Sequence[float], step: float) -> bool:
        """Whether, within the distances outward of an edge, a surface lies ``step`` lower, or none at all."""
        axis = end - start
        size = float(np.hypot(axis[0], axis[1]))
        if size < 1e-9:
            return True
        out = np.array([axis[1], -axis[0]]) / size
        share = np.array([0.2, 0.5, 0.8])
        foot = start + share[:, None] * axis
        reach = np.asarray(distances)
        xy = (foot[:, None, :2] + reach[None, :, None] * out).reshape(-1, 2)
        drop = np.repeat(foot[:, 2], len(reach)) - self.height(xy)
        return bool((drop > step).any())


def surfaces_of(facets: list[Facet]) -> Surfaces:
    """Prepare the exposed surfaces of a building."""
    rows = [f for f in facets if f.kind in ("roof", "ground") or (f.kind == "wall" and f.pitch_deg < 80.0)]
    shapes = []
    for facet in rows:
        shape = Polygon(facet.rings[0][:, :2], [ring[:, :2] for ring in facet.rings[1:]])
        shapes.append(shape if shape.is_valid else shapely.make_valid(shape))
    normal = np.array([facet.normal for facet in rows]).reshape(-1, 3)
    offset = np.array([facet.offset for facet in rows])
    return Surfaces(shapely.STRtree(shapes), normal, offset)
