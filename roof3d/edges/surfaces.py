"""The highest surface over a place in plan: what follows behind a roof's edge."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import Polygon
from shapely.geometry.base import BaseGeometry

from roof3d.planes.classify import WALL_DEG
from roof3d.records import Facet, Floats


@dataclass(frozen=True, eq=False)
class Surfaces:
    """Everything exposed that could be stood on: roofs, ground, tops of walls."""

    tree: shapely.STRtree
    normal: Floats  # (k, 3)
    offset: Floats  # (k,)
    cap: NDArray[np.bool_]  # (k,) tops of walls, nobody's place of work
    hidden: shapely.STRtree
    hidden_normal: Floats
    hidden_offset: Floats

    def height(self, xy: Floats) -> tuple[Floats, NDArray[np.bool_]]:
        """Height (n,) of the highest surface over plan points (n, 2), and whether it is a wall's top.

        Where there is none the height is -inf.
        """
        top = np.full(len(xy), -np.inf)
        cap = np.zeros(len(xy), dtype=bool)
        at, row = self.tree.query(shapely.points(xy), predicate="intersects")
        z = (self.offset[row] - np.einsum("ij,ij->i", xy[at], self.normal[row, :2])) / self.normal[row, 2]
        order = np.argsort(z, kind="stable")  # the highest is written last
        top[at[order]] = z[order]
        cap[at[order]] = self.cap[row[order]]
        return top, cap

    def drops_behind(self, start: Floats, end: Floats, distances: Sequence[float], step: float) -> bool:
        """Whether what follows outward of an edge lies ``step`` lower than it, or there is nothing.

        Tops of walls (parapets, curbs, chimneys) are passed over: the first roof or ground behind them
        counts. Where one of the places looked at shows a drop, the answer is yes.
        """
        xy, foot = _places(start, end, distances)
        if not len(xy):
            return True
        z, cap = self.height(xy)
        for row in range(len(foot)):
            here = slice(row * len(distances), (row + 1) * len(distances))
            after = z[here][~cap[here]]
            if len(after) and foot[row, 2] - after[0] > step:
                return True
        return False

    def goes_on(self, start: Floats, end: Floats, facet: Facet, distances: Sequence[float]) -> bool:
        """Whether the plane itself goes on beyond an edge, under something that hides it."""
        xy, _ = _places(start, end, distances)
        if not len(xy):
            return False
        at, row = self.hidden.query(shapely.points(xy), predicate="intersects")
        flat = np.abs(self.hidden_normal[row] @ facet.normal) > 0.9995
        lift = (
            self.hidden_offset[row] - np.einsum("ij,ij->i", xy[at], self.hidden_normal[row, :2])
        ) / np.where(np.abs(self.hidden_normal[row, 2]) > 1e-9, self.hidden_normal[row, 2], 1.0)
        own = (facet.offset - xy[at] @ facet.normal[:2]) / facet.normal[2]
        found = np.zeros(len(xy), dtype=bool)
        found[at[flat & (np.abs(lift - own) < 0.03)]] = True
        return bool(found.all())


def _places(start: Floats, end: Floats, distances: Sequence[float]) -> tuple[Floats, Floats]:
    """Plan points (3 d, 2) outward of three places of an edge, and those places (3, 3)."""
    axis = end - start
    size = float(np.hypot(axis[0], axis[1]))
    if size < 1e-9:
        return np.zeros((0, 2)), np.zeros((0, 3))
    out = np.array([axis[1], -axis[0]]) / size
    foot = start + np.array([0.2, 0.5, 0.8])[:, None] * axis
    xy = foot[:, None, :2] + np.asarray(distances)[None, :, None] * out
    return xy.reshape(-1, 2), foot


def surfaces_of(facets: list[Facet]) -> Surfaces:
    """Prepare the exposed surfaces of a building, and the hidden ones."""
    rows = [
        f for f in facets if f.kind in ("roof", "ground") or (f.kind == "wall" and f.pitch_deg < WALL_DEG)
    ]
    hidden = [f for f in facets if f.kind == "underside" and f.pitch_deg < WALL_DEG]
    return Surfaces(
        tree=shapely.STRtree([_plan(facet) for facet in rows]),
        normal=np.array([facet.normal for facet in rows]).reshape(-1, 3),
        offset=np.array([facet.offset for facet in rows]),
        cap=np.array([facet.kind == "wall" for facet in rows], dtype=bool),
        hidden=shapely.STRtree([_plan(facet) for facet in hidden]),
        hidden_normal=np.array([facet.normal for facet in hidden]).reshape(-1, 3),
        hidden_offset=np.array([facet.offset for facet in hidden]),
    )


def _plan(facet: Facet) -> BaseGeometry:
    shape = Polygon(facet.rings[0][:, :2], [ring[:, :2] for ring in facet.rings[1:]])
    return shape if shape.is_valid else shapely.make_valid(shape)
