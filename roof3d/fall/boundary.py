"""The boundary that a rope can slide along: straight runs of fall edges, joined at their ends."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely

from roof3d.fall.ruler import Ruler
from roof3d.levels import HALF_WIDTH_M, REACH_M, find_steps, profiles
from roof3d.records import Edge, Floats, Ints, Plan, Roof


@dataclass(frozen=True, eq=False)
class Boundary:
    """Straight runs; run ``r`` goes from vertex ``tail[r]`` to ``head[r]`` of its edge."""

    edges: tuple[Edge, ...]  # fall edges
    vertices: Floats  # (v, 3) local
    edge: Ints  # (r,) row of ``edges``
    tail: Ints  # (r,)
    head: Ints  # (r,)
    start: Floats  # (r, 3)
    end: Floats  # (r, 3)
    offset: Floats  # (r,) metres along the edge where the run starts
    length: Floats  # (r,)
    rise: Floats  # (r,) greatest height of the steep planes behind the run; -inf without one
    slope: Floats  # (r, 4) unit normal and offset of the run's own steep plane; nan without one
    rise_over: Floats  # (r,) greatest height from which a slide comes over steps; -inf without one
    # steps of what lies below, all edges one after another on one axis
    base: Floats  # (edges,) where each edge starts on that axis
    step_at: Floats  # (s,) where each step starts
    step_top: Floats  # (s,) local z
    step_what: tuple[str, ...]
    step_way: np.ndarray  # (s,) bool: something is in the way
    step_way_name: tuple[str, ...]
    walked: tuple[tuple[tuple[float, float], ...], ...]  # stretches of each edge that are steps, not falls

    def starts(self, ruler: Ruler, length: float) -> Floats:
        """Greatest height, at each run, of the soles of a body that can slide down to it, (r,); -inf: none.

        It starts within the rope: an anchor ``a`` above a plane of pitch ``p`` (square to it) and ``z`` high
        lets nobody stand on the plane higher than ``z - a cos p + L sin p`` with the D-ring above the soles,
        for the ball of radius ``L`` cuts the plane, and any parallel above it, in a disc round the
        anchor's foot; and nobody anywhere higher than ``z + L``.
        """
        own = np.isfinite(self.slope[:, 0])
        high = self.rise_over.copy()
        if np.isfinite(high).any():
            high = np.minimum(high, ruler.foot(np.zeros((1, 3)), np.zeros(1))[0] + length)
        if own.any():
            normal, offset = self.slope[own, :3], self.slope[own, 3]
            lean = np.sqrt(np.maximum(1.0 - normal[:, 2] ** 2, 0.0))
            mine = np.minimum(self.rise[own], ruler.foot(normal, offset) + length * lean)
            high[own] = np.maximum(high[own], mine)
        return high

    def depths(self) -> dict[str, float]:
        """Greatest height of each edge over what lies below it, metres by id; its steps left out."""
        found: dict[str, float] = {}
        for number, edge in enumerate(self.edges):
            along = np.concatenate(([0.0], np.cumsum(np.linalg.norm(np.diff(edge.points, axis=0), axis=1))))
            first = int(np.searchsorted(self.step_at, self.base[number] - 1e-9))
            last = len(self.step_at) if number + 1 == len(self.edges) else 0
            last = last or int(np.searchsorted(self.step_at, self.base[number + 1] - 1e-9))
            starts = self.step_at[first:last] - self.base[number]
            ends = np.append(starts[1:], along[-1])
            walked = np.zeros(len(starts), dtype=bool)
            for low, high in self.walked[number]:
                walked |= (starts >= low - 1e-6) & (ends <= high + 1e-6)
            high = np.maximum(*(np.interp(at, along, edge.points[:, 2]) for at in (starts, ends)))
            depth = np.where(walked, 0.0, high - self.step_top[first:last])
            found[edge.id] = float(depth.max(initial=0.0))
        return found

    def below(self, run: Ints, a: Floats, b: Floats) -> tuple[Floats, Ints, np.ndarray]:
        """Highest level below stretches ``a``..``b`` of runs, its step, and whether one is blocked."""
        zero = self.base[self.edge[run]] + self.offset[run]
        first = np.searchsorted(self.step_at, zero + a + 1e-9, side="right") - 1
        last = np.searchsorted(self.step_at, zero + b - 1e-9, side="left")
        last = np.maximum(last, first + 1)
        top = np.empty(len(run))
        step = first.copy()
        way = np.zeros(len(run), dtype=bool)
        single = last == first + 1
        top[single] = self.step_top[first[single]]
        way[single] = self.step_way[first[single]]
        for k in np.flatnonzero(~single):
            piece = slice(first[k], last[k])
            step[k] = first[k] + int(np.argmax(self.step_top[piece]))
            top[k] = self.step_top[step[k]]
            way[k] = bool(self.step_way[piece].any())
        return top, step, way


def make_boundary(
    roof: Roof, attachment: float, steep_above_deg: float, step_height: float = 0.0
) -> Boundary:
    """Fall edges of a roof with what lies below them, for workers with a D-ring ``attachment`` up.

    Where the floor beyond an edge lies ``step_height`` below at most, going over it is a step.
    """
    reach = max(REACH_M, attachment)
    key = f"boundary {reach!r} {steep_above_deg!r} {step_height!r} {roof.grade!r}"
    known = roof.cache.get(key)
    if isinstance(known, Boundary):
        return known
    steps = profiles(roof, reach_m=reach, half_width_m=HALF_WIDTH_M, rise_m=reach)
    walked = find_steps(roof, step_height, reach_m=reach, half_width_m=HALF_WIDTH_M)
    by_id = {facet.id: facet for facet in roof.facets}
    edges = tuple(edge for edge in roof.edges if edge.fall)
    numbers: dict[int, int] = {}
    vertices: list[Floats] = []
    rows: list[tuple[int, int, int, float, float]] = []
    rise: list[float] = []
    slope: list[list[float]] = []
    rise_over: list[float] = []

    def vertex(point: Floats) -> int:
        vertices.append(np.asarray(point, dtype=np.float64))
        return len(vertices) - 1

    above = _slides_over_steps(roof, edges, walked, reach, steep_above_deg)
    for number, edge in enumerate(edges):
        over = max((above.get(name, -np.inf) for name in edge.facets), default=-np.inf)
        high, plane = over, [np.nan] * 4
        for name in edge.facets:
            facet = by_id.get(name)
            if facet is not None and facet.kind == "roof" and facet.pitch_deg > steep_above_deg:
                top = float(facet.rings[0][:, 2].max())
                high = max(high, top)
                if np.isnan(plane[0]):
                    plane = [*facet.normal.tolist(), facet.offset]
                else:  # of a second one its height alone is kept
                    over = max(over, top)
        ends: list[int] = []
        for node, point in zip(edge.ends, (edge.points[0], edge.points[-1]), strict=True):
            if node not in numbers:
                numbers[node] = vertex(point)
            ends.append(numbers[node])
        chain = [ends[0], *(vertex(point) for point in edge.points[1:-1]), ends[1]]
        at = 0.0
        for k in range(len(edge.points) - 1):
            size = float(np.linalg.norm(edge.points[k + 1] - edge.points[k]))
            if size > 1e-9:
                rows.append((number, chain[k], chain[k + 1], at, size))
                rise.append(high)
                slope.append(plane)
                rise_over.append(over)
            at += size
    base: list[float] = []
    step_at: list[float] = []
    step_top: list[float] = []
    what: list[str] = []
    way: list[str] = []
    zero = 0.0
    for edge in edges:
        profile = steps[edge.id]
        base.append(zero)
        step_at.extend(zero + profile.at[:-1])
        step_top.extend(profile.top)
        what.extend(profile.what)
        way.extend(profile.in_the_way)
        zero += float(profile.at[-1]) + 1.0
    table = np.array(rows, dtype=np.float64).reshape(-1, 5)
    points = np.array(vertices).reshape(-1, 3)
    tail, head = table[:, 1].astype(np.int64), table[:, 2].astype(np.int64)
    boundary = Boundary(
        edges=edges,
        vertices=points,
        edge=table[:, 0].astype(np.int64),
        tail=tail,
        head=head,
        start=points[tail],
        end=points[head],
        offset=table[:, 3],
        length=table[:, 4],
        rise=np.array(rise),
        slope=np.array(slope).reshape(-1, 4),
        rise_over=np.array(rise_over),
        base=np.array(base),
        step_at=np.array(step_at),
        step_top=np.array(step_top),
        step_what=tuple(what),
        step_way=np.array([bool(name) for name in way], dtype=bool),
        step_way_name=tuple(way),
        walked=tuple(walked[edge.id] for edge in edges),
    )
    roof.cache[key] = boundary
    return boundary


def _slides_over_steps(
    roof: Roof,
    edges: tuple[Edge, ...],
    walked: dict[str, tuple[tuple[float, float], ...]],
    reach: float,
    steep_above_deg: float,
) -> dict[str, float]:
    """Height from which a slide can come over steps onto roof planes, by id of the plane.

    A slide gathers over any number of steps, so heights are handed on until nothing changes.
    """
    planes = {facet.id: facet for facet in roof.planes}
    links: list[tuple[str, str]] = []
    for edge in edges:
        along = np.concatenate(([0.0], np.cumsum(np.linalg.norm(np.diff(edge.points, axis=0), axis=1))))
        for low, high in walked[edge.id]:
            at = np.array([low, *along[(along > low) & (along < high)], high])
            line = shapely.LineString(
                np.column_stack([np.interp(at, along, edge.points[:, k]) for k in (0, 1)])
            )
            near = line.buffer(reach)
            for name, facet in planes.items():
                if name in edge.facets:
                    continue
                ring = shapely.Polygon(facet.rings[0][:, :2])
                if shapely.make_valid(ring).intersects(near):
                    links += [(upper, name) for upper in edge.facets if upper in planes]
    found: dict[str, float] = {}
    own = {
        name: float(facet.rings[0][:, 2].max()) if facet.pitch_deg > steep_above_deg else -np.inf
        for name, facet in planes.items()
    }
    changed = True
    while changed:
        changed = False
        for upper, lower in links:
            height = max(own[upper], found.get(upper, -np.inf))
            if height > max(found.get(lower, -np.inf), own[lower]):
                found[lower] = height
                changed = True
    return found


def protected(boundary: Boundary, plan: Plan) -> list[list[tuple[float, float, str]]]:
    """Stretches of each fall edge that are guarded by other means: (from, to, means), metres."""
    out: list[list[tuple[float, float, str]]] = []
    for edge in boundary.edges:
        mine: list[tuple[float, float, str]] = []
        for guard in plan.protection:
            named = edge.id in guard.edges or edge.kind in guard.kinds
            if not named:
                continue
            low = max(0.0, guard.from_m or 0.0)
            high = edge.length_m if guard.to_m is None else min(guard.to_m, edge.length_m)
            if high > low:
                mine.append((low, high, guard.means))
        out.append(sorted(mine))
    return out
