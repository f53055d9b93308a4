"""What lies below a boundary: the highest thing that a falling body could strike, and what is in its way.

Everything is looked up over the swept footprint of a body: a rectangle in plan from the edge
outward, as wide as a body along the edge. Surfaces steeper than ``STEEP_ABOVE_DEG`` do not stop a body,
it slides along them; what they carry on top (a ledge, a roof, the rim of a sheet) does.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely

from roof3d.levels.clip import RIM, SURFACE, sweep_footprints
from roof3d.levels.covered import HEADROOM_M, LEAST_M2, nearby, uncovered_height
from roof3d.levels.overhang import under_overhang
from roof3d.levels.surfaces import gather
from roof3d.records import Floats, Ints, Roof

INSET_M = 0.02  # a ledge narrower than this does not stop a body; mesh noise stays out
NO_WIDTH_M = 0.001  # by which the way straight outward is narrower than the edge, to miss what only touches
LEVEL_TOLERANCE_M = 0.01  # what rises to within this of the edge is in the way, not below
REACH_M = 1.5  # outward sweep of a body that tips over the edge, about its D-ring height
HALF_WIDTH_M = 0.5  # half the width of a body with its arms, along the edge
NAMES = {"roof": "roof plane", "wall": "wall", "ground": "ground", "underside": "underside"}


@dataclass(frozen=True, eq=False)
class Sweep:
    """Answers for n footprints. ``height`` is a local z; ``what`` says what lies there.

    ``in_the_way`` is "" or names something that rises to the height of the edge or above it.
    """

    height: Floats  # (n,)
    what: tuple[str, ...]
    in_the_way: tuple[str, ...]

    def taken(self, rows: list[int]) -> Sweep:
        """Some of the answers."""
        return Sweep(
            self.height[rows],
            tuple(self.what[k] for k in rows),
            tuple(self.in_the_way[k] for k in rows),
        )


@dataclass(frozen=True, eq=False)
class Below:
    """A roof's mesh, sorted for look-ups. Local frame, metres."""

    corners: Floats  # (t, 3, 3)
    kinds: Ints  # (t,)
    owner: Ints  # (t,) row of Roof.facets, -1 where a triangle belongs to none
    names: tuple[str, ...]  # of the facets
    is_ground: np.ndarray  # (facets,) bool
    is_roof: np.ndarray  # (facets,) bool
    rows_by_id: dict[str, int]
    grade: float
    grade_name: str
    starts: Ints
    members: Ints
    low: Floats  # (2,)
    cell: float
    shape: tuple[int, int]  # rows, columns

    def highest(
        self, points: Floats, outward: Floats, reach_m: float, half_width_m: float
    ) -> tuple[Floats, tuple[str, ...]]:
        """Highest local z below each point (n, 3) over its footprint, and what it is.

        The footprint runs ``reach_m`` along the level unit vectors ``outward`` (n, 3) and
        ``half_width_m`` to both sides. Where the mesh has nothing, the ground (``Roof.grade``) counts.
        """
        points = np.atleast_2d(points)
        sweep = self.sweep(points, outward, reach_m, np.full(len(points), half_width_m))
        return sweep.height, sweep.what

    def sweep(
        self,
        points: Floats,
        outward: Floats,
        reach_m: Floats | float,
        half_width_m: Floats,
        *,
        rise_m: float = 1.5,
        own: tuple[str, ...] = (),
        spread_m: Floats | None = None,
        body_m: float = HALF_WIDTH_M,
        near_m: Floats | None = None,
        rims: bool = True,
        inward: bool = False,
    ) -> Sweep:
        """As ``highest``, with a half width for each point (n,), and with what is in the way.

        In the way is what stands in the footprint between the edge's height and ``rise_m`` above, and
        every top above that (the footprint may lie inside of a taller part).
        ``own`` (n ids) names the plane of each edge: what of it lies straight outward, as the far rim of
        a notch or an opening, counts like any other surface; beside the edge a body slides on along it.
        Straight outward is the half width less ``body_m``, half the width of the body in it.
        ``spread_m`` (n,) is how far the edge rises and falls within the footprint: up to there things
        are below. ``near_m`` (n,): from where outward the footprints begin, if not at the edge.
        ``rims``: whether the edge's own plane straight outward counts at all. ``inward``: whether what can be
        met as far inward, under the edge, counts too.
        """
        points = np.atleast_2d(np.asarray(points, dtype=np.float64))
        flat = np.atleast_2d(np.asarray(outward, dtype=np.float64))[:, :2]
        flat = flat / np.maximum(np.linalg.norm(flat, axis=1), 1e-12)[:, None]
        n = len(points)
        flat = np.ascontiguousarray(np.broadcast_to(flat, (n, 2)))
        along = np.ascontiguousarray(np.column_stack((-flat[:, 1], flat[:, 0])))
        spread = np.zeros(n) if spread_m is None else spread_m
        edge_high = points[:, 2] + spread
        rows = np.array([self.rows_by_id.get(name, -2) for name in own], dtype=np.int64)
        rows = rows if len(rows) == n else np.full(n, -2, dtype=np.int64)
        half = np.ascontiguousarray(np.broadcast_to(half_width_m, (n,)), dtype=np.float64)
        below = edge_high - LEVEL_TOLERANCE_M
        middle = np.ascontiguousarray(points[:, :2])

        reach = np.full(n, reach_m) if np.ndim(reach_m) == 0 else np.asarray(reach_m, dtype=np.float64)
        begin = np.full(n, INSET_M) if near_m is None else near_m

        def clip(
            half: Floats, near: Floats, far: Floats, facet: Ints, only: bool, most: Floats = below
        ) -> tuple[Floats, Ints, Ints]:
            found: tuple[Floats, Ints, Ints] = sweep_footprints(
                self.corners,
                self.kinds,
                self.owner,
                self.starts,
                self.members,
                float(self.low[0]),
                float(self.low[1]),
                self.cell,
                self.shape[1],
                self.shape[0],
                middle,
                along,
                flat,
                half,
                near,
                far,
                most,
                below,
                edge_high + rise_m,
                facet,
                only,
            )
            return found

        top, which, block = clip(half, begin, reach, rows, False)

        def ring(i: int) -> Floats:
            near = points[i, :2] + begin[i] * flat[i]
            far = points[i, :2] + reach[i] * flat[i]
            wide = half[i] * along[i]
            return np.array([near - wide, near + wide, far + wide, far - wide])

        for i in self._hidden_from_the_sky(top, which).tolist():
            top[i], which[i] = self._uncovered(ring(i), points[i], flat[i], int(rows[i]), float(below[i]))
        if near_m is None and inward:
            # what is close under the edge there is part of the wall: no body gets on it
            under = points[:, 2] - spread - HEADROOM_M
            standing, triangle, _ = clip(half, -reach, begin, rows, False, under)
            for i in np.flatnonzero((standing > top + NO_WIDTH_M) & (standing > self.grade)).tolist():
                top[i], which[i] = self._inward(
                    points[i, :2],
                    along[i],
                    flat[i],
                    float(half[i]),
                    float(half[i]) - body_m,
                    float(reach[i]),
                    float(under[i]),
                    float(top[i]),
                    int(which[i]),
                )
        if near_m is None:  # what is landed on may rise towards the edge in the strip that was left out
            facet = np.where(which >= 0, self.owner[which], -1)
            height, triangle, _ = clip(half, np.zeros(n), begin, np.where(facet >= 0, facet, -2), True)
            higher = height > top
            top, which = np.where(higher, height, top), np.where(higher, triangle, which)
        if rims and len(own) == n:  # the edge's own plane straight across a notch or an opening
            straight = np.maximum(half - body_m - NO_WIDTH_M, 0.0)
            height, triangle, level = clip(straight, begin, reach, rows, True)
            higher = height > top
            top, which = np.where(higher, height, top), np.where(higher, triangle, which)
            block = np.where(block < 0, level, block)
        for i in self._on_ground_below_grade(top, which).tolist():
            if not self._ground_fills(ring(i)):
                top[i], which[i] = self.grade, -1
        return self._named(top, which, block)

    def _hidden_from_the_sky(self, top: Floats, which: Ints) -> Ints:
        """Rows whose highest surface is neither roof nor ground and stands above the ground level."""
        owner = np.where(which >= 0, self.owner[which], -1)
        seen = (
            (owner >= 0) & (self.is_roof[owner] | self.is_ground[owner]) if len(self.is_roof) else owner > 0
        )
        return np.flatnonzero((which >= 0) & ~seen & (top > self.grade))

    def _on_ground_below_grade(self, top: Floats, which: Ints) -> Ints:
        """Rows that end on the model's ground under the level that stands in where it has none."""
        owner = np.where(which >= 0, self.owner[which], -1)
        ground = (owner >= 0) & self.is_ground[owner] if len(self.is_ground) else owner > 0
        return np.flatnonzero(ground & (top < self.grade))

    def _near(self, ring: Floats) -> Ints:
        box = np.concatenate((ring.min(axis=0), ring.max(axis=0)))
        return nearby(self.starts, self.members, self.low, self.cell, self.shape, box)

    def _ground_fills(self, ring: Floats) -> bool:
        """Whether the model's ground fills a footprint; where it does not, its stand-in may lie higher."""
        near = self._near(ring)
        owner = self.owner[near]
        parts = shapely.polygons(self.corners[near[(owner >= 0) & self.is_ground[owner]]][:, :, :2])
        footprint = shapely.Polygon(ring)
        return bool(shapely.difference(footprint, shapely.union_all(parts)).area <= LEAST_M2)

    def _uncovered(
        self, ring: Floats, point: Floats, outward: Floats, own: int, below: float
    ) -> tuple[float, int]:
        near = self._near(ring)
        owner = self.owner[near]
        known = owner >= 0
        height, found = uncovered_height(
            self.corners[near],
            self.kinds[near] == SURFACE,
            self.kinds[near] == RIM,
            known & self.is_roof[owner],
            known & (owner == own),
            shapely.Polygon(ring),
            below,
            np.array([*(point[:2] + INSET_M / 2 * outward), below]),
        )
        return height, int(near[found]) if found >= 0 else -1

    def _inward(
        self,
        middle: Floats,
        along: Floats,
        outward: Floats,
        half: float,
        own: float,
        reach: float,
        below: float,
        top: float,
        which: int,
    ) -> tuple[float, int]:
        wide, deep = half * along, reach * outward
        near = self._near(
            np.array([middle - wide, middle + wide, middle + wide - deep, middle - wide - deep])
        )
        lands = (self.kinds[near] == SURFACE) | (self.kinds[near] == RIM)
        floor = max(top, self.grade)
        height, found = under_overhang(
            self.corners[near], lands, middle, along, outward, half, own, reach, below, floor
        )
        return (height, int(near[found])) if found >= 0 else (top, which)

    def _named(self, top: Floats, which: Ints, block: Ints) -> Sweep:
        facet = np.where(which >= 0, self.owner[which], -1)
        ground = (facet >= 0) & self.is_ground[facet] if len(self.is_ground) else np.zeros(len(top), bool)
        # a ground that the model has prevails over the level that stands in where it has none
        floor = ~ground & (top < self.grade)
        height = np.where(floor, self.grade, top)

        def name(row: int, triangle: int) -> str:
            return self.names[row] if row >= 0 else "mesh" if triangle >= 0 else ""

        what = tuple(
            self.grade_name if is_floor else name(int(row), int(triangle))
            for is_floor, row, triangle in zip(floor, facet, which, strict=True)
        )
        owners = np.where(block >= 0, self.owner[block], -1)
        way = tuple(name(int(row), int(t)) for row, t in zip(owners, block, strict=True))
        return Sweep(height, what, way)


def prepare(roof: Roof) -> Below:
    """Sort a roof's triangles for look-ups; computed once for each roof (``Roof.cache``)."""
    key = f"below {roof.grade!r}"
    known = roof.cache.get(key)
    if isinstance(known, Below):
        return known
    corners, owner, kinds = gather(roof)
    low, cell, shape, starts, members = _grid(corners)
    below = Below(
        corners=np.ascontiguousarray(corners),
        kinds=kinds,
        owner=owner,
        names=tuple(f"{NAMES.get(facet.kind, facet.kind)} {facet.id}" for facet in roof.facets),
        is_ground=np.array([facet.kind == "ground" for facet in roof.facets], dtype=bool),
        is_roof=np.array([facet.kind == "roof" for facet in roof.facets], dtype=bool),
        rows_by_id={facet.id: row for row, facet in enumerate(roof.facets)},
        grade=roof.grade,
        grade_name="ground (assumed level)" if roof.grade_source == "assumed" else "ground",
        starts=starts,
        members=members,
        low=low,
        cell=cell,
        shape=shape,
    )
    roof.cache[key] = below
    return below


def _grid(corners: Floats) -> tuple[Floats, float, tuple[int, int], Ints, Ints]:
    """Triangles listed by the cells of a level grid that their bounding boxes touch."""
    low = corners[:, :, :2].min(axis=1)
    high = corners[:, :, :2].max(axis=1)
    origin = low.min(axis=0)
    extent = float(max((high.max(axis=0) - origin).max(), 1e-3))
    cell = max(1.0, extent / 512)
    columns, rows = (int(v) for v in np.floor((high.max(axis=0) - origin) / cell).astype(int) + 1)
    first = np.floor((low - origin) / cell).astype(np.int64)
    last = np.floor((high - origin) / cell).astype(np.int64)
    across = last - first + 1
    count = across[:, 0] * across[:, 1]
    which = np.repeat(np.arange(len(corners)), count)
    step = np.arange(int(count.sum())) - np.repeat(np.cumsum(count) - count, count)
    column = first[which, 0] + step % across[which, 0]
    row = first[which, 1] + step // across[which, 0]
    spot = row * columns + column
    order = np.argsort(spot, kind="stable")
    starts = np.concatenate(([0], np.cumsum(np.bincount(spot, minlength=rows * columns))))
    return origin, cell, (rows, columns), starts.astype(np.int64), which[order].astype(np.int64)
