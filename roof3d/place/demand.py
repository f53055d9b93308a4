"""Demand: the work cut into cells, and the shortest line with which each place serves each cell whole.

A cell is served by an anchor if the upper bound of the taut length to the D-ring above one of its points,
standing and kneeling, and the way from there to the cell's furthest point stay within the line. The taut
length changes by at most one metre per metre, so this holds for every point of the cell. Cells that no
place serves but some place may reach are quartered, down to a stated size; what is left then counts as
unserved.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import shapely

from roof3d.fall.reach import (
    FIRST_CELL_M,
    LEAST_CELL_M,
    MOST_CELLS,
    cell_points,
    first_cells,
    quarter_cells,
    ring_lengths,
)
from roof3d.fall.ruler import Ruler
from roof3d.records import Facet, Floats, Ints

ROUNDING_M = 0.001
"""Kept back from each line, so that what is served stays served after coordinates are written to a file."""


@dataclass(frozen=True, eq=False)
class Demand:
    """Cells of work and what they need. ``need`` has a column for each place."""

    plane: Ints  # (n,) row of ``planes``
    planes: tuple[str, ...]
    at: Floats  # (n, 3) a point of the cell, local
    centre: Floats  # (n, 2) of its square in plan
    area: Floats  # (n,) m2 on the slope
    size: Floats  # (n,) m, side of the cell in plan
    need: np.ndarray  # (n, places) float32, shortest line that serves the whole cell, m; inf: none on offer
    point_need: np.ndarray  # (n, places) float32, no shorter line serves the cell's own point, m

    def served(self, lengths: Floats) -> np.ndarray:
        """(n, places) bool: cell served whole by the place with a line of ``lengths`` (places,)."""
        result: np.ndarray = self.need <= lengths.astype(np.float64)[None, :]
        return result

    def may_serve(self, lengths: Floats) -> np.ndarray:
        """(n, places) bool: the place may serve the cell's own point; false is certain."""
        result: np.ndarray = self.point_need <= lengths.astype(np.float64)[None, :]
        return result


def make_demand(
    planes: Sequence[Facet],
    shapes: dict[str, shapely.Geometry],
    rulers: Sequence[Ruler],
    lengths: Floats,
    heights: tuple[float, float],
    *,
    fine_m: float = FIRST_CELL_M,
    least_m: float = LEAST_CELL_M,
    tell: Callable[[int, int], None] = lambda step, steps: None,
    stop: Callable[[], bool] = lambda: False,
) -> Demand:
    """Cells of the work in ``shapes`` (plan view by plane id) and what each needs from each ruler.

    ``lengths`` (places,) is the longest line allowed at each place; longer needs count as inf.
    ``fine_m``: cells are at most that large; ``least_m``: side at which undecided cells are given up.
    ``stop`` is asked before each ruler: those not measured then serve nothing, and no cell is cut further.
    The squares are those of the check's own first grid, quartered, so that both agree on them.
    """
    facets = [facet for facet in planes if facet.id in shapes and not shapes[facet.id].is_empty]
    total = sum(shapes[facet.id].area for facet in facets)
    level = first_cells(facets, shapes, max(FIRST_CELL_M, float(np.sqrt(total / MOST_CELLS))))
    while len(level.size) and level.size.max() > fine_m * 1.0001:
        level = quarter_cells(level, level.size > fine_m * 1.0001)
    done: list[tuple[np.ndarray, ...]] = []
    while len(level.plane):
        at, radius, area = cell_points(level, facets)
        need, point_need, open_cells = _needs(at, radius, rulers, lengths, heights, tell, stop)
        split = (not stop()) & open_cells & (level.size > least_m * 1.0001)
        keep = ~split
        kept = (level.plane, at, level.centre, area, level.size, need, point_need)
        done.append(tuple(part[keep] for part in kept))
        level = quarter_cells(level, split)
    if not done:
        nothing = np.zeros((0, len(rulers)), dtype=np.float32)
        none = np.zeros(0)
        return Demand(
            none.astype(np.int64), (), np.zeros((0, 3)), np.zeros((0, 2)), none, none, nothing, nothing
        )
    plane, at, centre, area, size, need, point_need = (
        np.concatenate([part[k] for part in done]) for k in range(7)
    )
    return Demand(plane, tuple(facet.id for facet in facets), at, centre, area, size, need, point_need)


def _needs(
    at: Floats,
    radius: Floats,
    rulers: Sequence[Ruler],
    lengths: Floats,
    heights: tuple[float, float],
    tell: Callable[[int, int], None],
    stop: Callable[[], bool],
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    need = np.full((len(at), len(rulers)), np.inf, dtype=np.float32)
    point_need = np.full_like(need, np.inf)
    reached = np.zeros(len(at), dtype=bool)
    for column, (ruler, length) in enumerate(zip(rulers, lengths, strict=True)):
        tell(column, len(rulers))
        if length <= 0:
            continue
        if stop():
            break
        lo, hi = ring_lengths(ruler, at, radius, float(length), heights)
        whole = hi.max(axis=0) + radius + ROUNDING_M
        whole[whole > length] = np.inf
        point = lo.max(axis=0)
        point[point > length] = np.inf
        # single precision, rounded to the weaker claim on both sides
        need[:, column] = np.nextafter(whole.astype(np.float32), np.float32(np.inf))
        need[~(need[:, column] <= length), column] = np.inf
        point_need[:, column] = np.nextafter(point.astype(np.float32), np.float32(-np.inf))
        reached |= lo.min(axis=0) - radius <= length
    return need, point_need, reached & ~np.isfinite(need).any(axis=1)
