"""Reach: the part of the work that each line certainly serves, standing and kneeling.

The work is cut into squares in plan, clipped to their planes. A cell counts as served only if the
upper bound of the taut length to a D-ring above one of its points, and the way from there to its
furthest point, stay within the line. Cells that the limit may cross are quartered, down to a stated size.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely

from roof3d.fall.ruler import Ruler
from roof3d.records import Facet, Floats, Ints

FIRST_CELL_M = 0.5
LEAST_CELL_M = 0.0625
MOST_CELLS = 20_000


@dataclass(frozen=True, eq=False)
class Cells:
    """Cells of the work. ``served`` and ``reachable`` have a column for each anchor."""

    plane: Ints  # (n,) row of ``planes``
    planes: tuple[str, ...]
    at: Floats  # (n, 3) a point of the cell, local
    centre: Floats  # (n, 2) of its square in plan
    size: Floats  # (n,) side of the square in plan
    area: Floats  # (n,) on the slope, m2
    served: np.ndarray  # (n, anchors) bool: certainly served, all of it
    reachable: np.ndarray  # (n, anchors) bool: somebody on this line may stand or kneel in it
    taut: Floats  # (n, anchors) taut length at most, the longer of kneeling and standing; inf out of reach

    @property
    def total_m2(self) -> float:
        """Area of all work."""
        return float(self.area.sum())

    def served_by(self, anchor: int) -> float:
        """Area that one anchor serves, m2."""
        return float(self.area[self.served[:, anchor]].sum())

    @property
    def any_served(self) -> np.ndarray:
        """Whether some anchor serves the cell, (n,) bool."""
        return np.asarray(self.served.any(axis=1))


@dataclass(frozen=True, eq=False)
class CellLevel:
    """Cells of one round of quartering; rows of ``plane`` are those of the planes that were cut."""

    plane: Ints
    shapes: np.ndarray  # shapely polygons in plan
    centre: Floats
    size: Floats


def make_cells(
    planes: Sequence[Facet],
    shapes: dict[str, shapely.Geometry],
    rulers: Sequence[Ruler],
    lengths: Sequence[float],
    heights: tuple[float, float],
    *,
    cell_m: float = FIRST_CELL_M,
    least_m: float = LEAST_CELL_M,
) -> Cells:
    """Cells of the work in ``shapes`` (plan view by plane id), served by anchors or not.

    ``heights``: D-ring above the surface, kneeling and standing; a place is served if both are within
    the line. ``least_m``: side at which an undecided cell counts as unserved.
    """
    facets = [facet for facet in planes if facet.id in shapes and not shapes[facet.id].is_empty]
    total = sum(shapes[facet.id].area for facet in facets)
    cell = max(cell_m, float(np.sqrt(total / MOST_CELLS)))
    level = first_cells(facets, shapes, cell)
    done: list[tuple[Ints, Floats, Floats, Floats, Floats, np.ndarray, np.ndarray, Floats]] = []
    while len(level.plane):
        at, radius, area = cell_points(level, facets)
        served = np.zeros((len(at), len(rulers)), dtype=bool)
        reachable = np.zeros_like(served)
        taut = np.full(served.shape, np.inf)
        for column, (ruler, length) in enumerate(zip(rulers, lengths, strict=True)):
            lo, hi = ring_lengths(ruler, at, radius, length, heights)
            taut[:, column] = hi.max(axis=0)
            served[:, column] = taut[:, column] + radius <= length
            reachable[:, column] = lo.min(axis=0) - radius <= length
        open_ = (reachable & ~served).any(axis=1) & (level.size > least_m * 1.0001)
        keep = ~open_
        done.append(
            (
                level.plane[keep],
                at[keep],
                level.centre[keep],
                level.size[keep],
                area[keep],
                served[keep],
                reachable[keep],
                taut[keep],
            )
        )
        level = quarter_cells(level, open_)
    if not done:
        empty = np.zeros(0)
        return Cells(
            np.zeros(0, dtype=np.int64),
            (),
            np.zeros((0, 3)),
            np.zeros((0, 2)),
            empty,
            empty,
            np.zeros((0, len(rulers)), dtype=bool),
            np.zeros((0, len(rulers)), dtype=bool),
            np.zeros((0, len(rulers))),
        )
    plane, at, centre, size, area, served, reachable, taut = (
        np.concatenate([part[k] for part in done]) for k in range(8)
    )
    order = np.lexsort((centre[:, 0], centre[:, 1], size, plane))
    return Cells(
        plane[order],
        tuple(facet.id for facet in facets),
        at[order],
        centre[order],
        size[order],
        area[order],
        served[order],
        reachable[order],
        taut[order],
    )


def ring_lengths(
    ruler: Ruler, at: Floats, radius: Floats, length: float, heights: tuple[float, float]
) -> tuple[Floats, Floats]:
    """Brackets (2, n) for the D-ring above each point; inf where straight distance rules it out."""
    lo = np.full((2, len(at)), np.inf)
    hi = np.full((2, len(at)), np.inf)
    ring = [at + np.array([0.0, 0.0, h]) for h in heights]
    near = np.flatnonzero(np.minimum(*(ruler.floor(points) for points in ring)) - radius <= length)
    if len(near):
        limit = length + float(radius[near].max()) + 0.01
        lengths = ruler.measure(np.concatenate([points[near] for points in ring]), limit)
        lo[:, near] = lengths.lo.reshape(2, -1)
        hi[:, near] = lengths.hi.reshape(2, -1)
    return lo, hi


def _parts(shapes: np.ndarray, rows: Ints) -> tuple[np.ndarray, Ints]:
    """Polygons of possibly several parts, taken apart; slivers without area fall away."""
    parts, index = shapely.get_parts(shapes, return_index=True)
    good = (shapely.get_type_id(parts) == 3) & (shapely.area(parts) > 1e-9)
    return parts[good], rows[index[good]]


def first_cells(facets: Sequence[Facet], shapes: dict[str, shapely.Geometry], cell: float) -> CellLevel:
    """The work on planes cut into squares of ``cell`` metres in plan."""
    planes, polygons, centres = [], [], []
    for row, facet in enumerate(facets):
        shape = shapes[facet.id]
        x0, y0, x1, y1 = shape.bounds
        # a grid centred on the plane, so that moving the building moves the cells along
        nx, ny = max(1, int(np.ceil((x1 - x0) / cell - 1e-9))), max(1, int(np.ceil((y1 - y0) / cell - 1e-9)))
        left, bottom = (x0 + x1) / 2 - nx * cell / 2, (y0 + y1) / 2 - ny * cell / 2
        x, y = np.meshgrid(left + cell * (np.arange(nx) + 0.5), bottom + cell * (np.arange(ny) + 0.5))
        centre = np.column_stack((x.ravel(), y.ravel()))
        half = cell / 2
        squares = shapely.box(
            centre[:, 0] - half, centre[:, 1] - half, centre[:, 0] + half, centre[:, 1] + half
        )
        shapely.prepare(shape)
        hit = shapely.intersects(shape, squares)
        cut = shapely.intersection(shape, squares[hit])
        parts, rows = _parts(cut, np.flatnonzero(hit))
        planes.append(np.full(len(parts), row))
        polygons.append(parts)
        centres.append(centre[rows])
    if not planes:
        return CellLevel(
            np.zeros(0, dtype=np.int64), np.zeros(0, dtype=object), np.zeros((0, 2)), np.zeros(0)
        )
    plane = np.concatenate(planes).astype(np.int64)
    return CellLevel(plane, np.concatenate(polygons), np.concatenate(centres), np.full(len(plane), cell))


def quarter_cells(level: CellLevel, which: np.ndarray) -> CellLevel:
    """The cells of ``which`` (bool), each cut into four."""
    rows = np.flatnonzero(which)
    planes, polygons, centres, sizes = [], [], [], []
    for sx, sy in ((-1, -1), (1, -1), (-1, 1), (1, 1)):
        half = level.size[rows] / 2
        centre = level.centre[rows] + np.column_stack((sx * half / 2, sy * half / 2))
        squares = shapely.box(
            centre[:, 0] - half / 2, centre[:, 1] - half / 2, centre[:, 0] + half / 2, centre[:, 1] + half / 2
        )
        cut = shapely.intersection(level.shapes[rows], squares)
        parts, index = _parts(cut, np.arange(len(rows)))
        planes.append(level.plane[rows][index])
        polygons.append(parts)
        centres.append(centre[index])
        sizes.append(half[index])
    return CellLevel(
        np.concatenate(planes).astype(np.int64),
        np.concatenate(polygons),
        np.concatenate(centres),
        np.concatenate(sizes),
    )


def cell_points(level: CellLevel, facets: Sequence[Facet]) -> tuple[Floats, Floats, Floats]:
    """A point in each cell (on its plane), the way to its furthest point, and its area on the slope."""
    normal = np.array([facet.normal for facet in facets])[level.plane]
    offset = np.array([facet.offset for facet in facets])[level.plane]
    inside = shapely.contains(level.shapes, shapely.points(level.centre))
    point = np.where(
        inside[:, None], level.centre, shapely.get_coordinates(shapely.point_on_surface(level.shapes))
    )

    def lift(xy: Floats, n: Floats, d: Floats) -> Floats:
        z = (d - np.einsum("ij,ij->i", xy, n[:, :2])) / n[:, 2]
        return np.column_stack((xy, z))

    at = lift(point, normal, offset)
    corners, index = shapely.get_coordinates(level.shapes, return_index=True)
    raised = lift(corners, normal[index], offset[index])
    away = np.linalg.norm(raised - at[index], axis=1)
    radius = np.zeros(len(at))
    np.maximum.at(radius, index, away)
    # inside a shape that is not convex the way may be longer than the straight line
    hull = shapely.area(shapely.convex_hull(level.shapes))
    bent = shapely.area(level.shapes) < hull * (1 - 1e-6)
    if bent.any():
        step = np.linalg.norm(np.diff(raised, axis=0), axis=1)
        step[index[1:] != index[:-1]] = 0.0
        around = np.bincount(index[1:], step, len(at))
        radius = np.where(bent, np.maximum(radius, around / 2 + radius), radius)
    area = shapely.area(level.shapes) / normal[:, 2]
    return at, radius, area
