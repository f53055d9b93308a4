"""The level below along a whole edge, as steps: certain for every place within a step.

Each step is swept as one footprint that covers the footprints of all its places, so no ledge
between two samples is missed. Steps are halved where that tells more, down to 1 cm.
"""

from __future__ import annotations

import heapq
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from roof3d.levels.below import HALF_WIDTH_M, REACH_M, Sweep, prepare
from roof3d.levels.corners import Found, RunEnd, sweep_corners
from roof3d.records import Edge, Floats, Ints, Roof

FIRST_STEP_M = 0.5
LEAST_STEP_M = 0.01
SAME_HEIGHT_M = 0.01

Step = tuple[int, float, float, float, str, str]  # run, from, to, height, what lies there, what is in the way


@dataclass(frozen=True, eq=False)
class Profile:
    """Steps along one edge: from ``at[i]`` to ``at[i + 1]`` nothing stands higher than ``top[i]``."""

    at: Floats  # (n + 1,) metres along the edge
    top: Floats  # (n,) local z
    what: tuple[str, ...]
    in_the_way: tuple[str, ...]  # "" where nothing is


@dataclass(frozen=True, eq=False)
class _Steps:
    run: Ints
    a: Floats
    b: Floats

    def halves(self) -> _Steps:
        """Each step's two halves, one after the other."""
        middle = (self.a + self.b) / 2
        return _Steps(
            np.repeat(self.run, 2),
            np.column_stack((self.a, middle)).ravel(),
            np.column_stack((middle, self.b)).ravel(),
        )

    def taken(self, rows: Ints | list[int]) -> _Steps:
        """Some of the steps."""
        return _Steps(self.run[rows], self.a[rows], self.b[rows])


class _Runs:
    """The straight runs of all fall edges, and what lies below steps on them."""

    def __init__(
        self,
        roof: Roof,
        edges: list[Edge],
        reach_m: float,
        half_width_m: float,
        rise_m: float,
        *,
        rims: bool = True,
    ) -> None:
        self.below = prepare(roof)
        self.rims = rims
        self.reach_m, self.half_width_m, self.rise_m = reach_m, half_width_m, rise_m
        self.edge_of = [number for number, edge in enumerate(edges) for _ in edge.points[1:]]
        self.start = np.concatenate([edge.points[:-1] for edge in edges])
        self.end = np.concatenate([edge.points[1:] for edge in edges])
        self.length = np.linalg.norm(self.end - self.start, axis=1)
        self.unit = (self.end - self.start) / np.maximum(self.length, 1e-12)[:, None]
        self.outward = np.array(
            [outward_of(q - p, edge) for edge in edges for p, q in pairwise(edge.points)]
        ).reshape(-1, 3)
        self.own = [edge.facets[0] if edge.facets else "" for edge in edges for _ in edge.points[1:]]
        self.offset: list[float] = []
        for edge in edges:
            at = 0.0
            for p, q in pairwise(edge.points):
                self.offset.append(at)
                at += float(np.linalg.norm(q - p))

    def first(self) -> _Steps:
        """Equal steps of ``FIRST_STEP_M`` at most."""
        number = np.maximum(1, np.ceil(self.length / FIRST_STEP_M - 1e-9)).astype(np.int64)
        run = np.repeat(np.arange(len(number)), number)
        index = np.arange(len(run)) - np.repeat(np.cumsum(number) - number, number)
        width = (self.length / number)[run]
        return _Steps(run, index * width, (index + 1) * width)

    def ends(self, steps: _Steps) -> tuple[Floats, Floats]:
        """The end points of steps, (n, 3) each."""
        unit = self.unit[steps.run]
        low: Floats = self.start[steps.run] + steps.a[:, None] * unit
        high: Floats = self.start[steps.run] + steps.b[:, None] * unit
        return low, high

    def evaluate(self, steps: _Steps) -> Sweep:
        """What lies below steps, over the footprints of all their places."""
        low, high = self.ends(steps)
        level = np.linalg.norm((high - low)[:, :2], axis=1)
        return self.below.sweep(
            (low + high) / 2,
            self.outward[steps.run],
            self.reach_m,
            level / 2 + self.half_width_m,
            rise_m=self.rise_m,
            own=tuple(self.own[k] for k in steps.run),
            spread_m=np.abs(high - low)[:, 2] / 2,
            body_m=self.half_width_m,
            rims=self.rims,
            inward=self.rims,
        )

    def nodes(self, edges: list[Edge]) -> list[list[RunEnd]]:
        """Ends of runs by the place where they meet."""
        found: dict[tuple[int, int], list[RunEnd]] = {}
        first = {number: row for row, number in reversed(list(enumerate(self.edge_of)))}
        for row, number in enumerate(self.edge_of):
            edge, away = edges[number], self.unit[row]
            for at_start, vertex in ((True, row - first[number]), (False, row - first[number] + 1)):
                inner = 0 < vertex < len(edge.points) - 1
                node = (-1 - number, vertex) if inner else (edge.ends[0 if vertex == 0 else 1], 0)
                end = self.start[row] if at_start else self.end[row]
                way = away if at_start else -away
                found.setdefault(node, []).append(
                    RunEnd(row, at_start, end, way, self.outward[row], self.own[row])
                )
        return list(found.values())


def _same(whole: float, way: str, halves: Sweep, i: int) -> bool:
    """Whether the two halves (rows ``i`` and the next) of a step tell no more than the whole."""
    same = min(halves.height[i], halves.height[i + 1]) > whole - SAME_HEIGHT_M
    one, other = halves.in_the_way[i], halves.in_the_way[i + 1]
    return bool(same) and bool(one) == bool(other) == bool(way)


def profiles(
    roof: Roof, *, reach_m: float = REACH_M, half_width_m: float = HALF_WIDTH_M, rise_m: float = 1.5
) -> dict[str, Profile]:
    """Profiles of all fall edges by id. Kept in ``Roof.cache``."""
    key = f"profiles {reach_m!r} {half_width_m!r} {rise_m!r} {roof.grade!r}"
    known = roof.cache.get(key)
    if isinstance(known, dict):
        return known
    edges = [edge for edge in roof.edges if edge.fall]
    if not edges:
        return {}
    runs = _Runs(roof, edges, reach_m, half_width_m, rise_m)
    pending = runs.first()
    sweep = runs.evaluate(pending)
    height, what, way = sweep.height, list(sweep.what), list(sweep.in_the_way)
    done: list[Step] = []
    while len(pending.run):
        small = pending.b - pending.a <= LEAST_STEP_M
        halves = pending.halves()
        sweep = runs.evaluate(halves)
        keep_next: list[int] = []
        for k in range(len(pending.run)):
            if small[k] or _same(height[k], way[k], sweep, 2 * k):
                done.append(
                    (int(pending.run[k]), pending.a[k], pending.b[k], float(height[k]), what[k], way[k])
                )
            else:
                keep_next += [2 * k, 2 * k + 1]
        pending = halves.taken(keep_next)
        height = sweep.height[keep_next]
        what = [sweep.what[k] for k in keep_next]
        way = [sweep.in_the_way[k] for k in keep_next]
    done.sort(key=lambda step: (step[0], step[1]))
    by_run: dict[int, list[Step]] = {row: [] for row in range(len(runs.start))}
    for step in done:
        by_run[step[0]].append(step)
    if half_width_m > 0:
        found = sweep_corners(runs.below, runs.nodes(edges), reach_m, half_width_m, rise_m)
        _raise(by_run, found, half_width_m)
    result: dict[str, Profile] = {}
    rows_of: dict[int, list[int]] = {}
    for row, number in enumerate(runs.edge_of):
        rows_of.setdefault(number, []).append(row)
    for number, edge in enumerate(edges):
        mine = [step for row in rows_of[number] for step in by_run[row]]
        last = mine[-1]
        places = [runs.offset[step[0]] + step[1] for step in mine] + [runs.offset[last[0]] + last[2]]
        result[edge.id] = Profile(
            np.array(places),
            np.array([step[3] for step in mine]),
            tuple(step[4] for step in mine),
            tuple(step[5] for step in mine),
        )
    roof.cache[key] = result
    return result


def _raise(steps: dict[int, list[Step]], corners: list[Found], half_width_m: float) -> None:
    """Put what corners found into the steps of their runs, up to half a body's width from each."""
    for corner in corners:
        for end in corner.ends:
            mine = steps[end.run]
            near = half_width_m / max(float(np.linalg.norm(end.away[:2])), 1e-6)
            low, high = (0.0, near) if end.at_start else (mine[-1][2] - near, mine[-1][2])
            changed: list[Step] = []
            for run, a, b, top, what, way in mine:
                higher = corner.top > top
                told = (max(top, corner.top), corner.what if higher else what, way or corner.in_the_way)
                if b <= low or a >= high or told == (top, what, way):
                    changed.append((run, a, b, top, what, way))
                    continue
                cuts = [a, *(cut for cut in (low, high) if a < cut < b), b]
                for c, d in pairwise(cuts):
                    inside = low <= (c + d) / 2 <= high
                    changed.append((run, c, d, *(told if inside else (top, what, way))))
            steps[end.run] = changed


def outward_of(along: Floats, edge: Edge) -> Floats:
    """Level unit vector square to a piece of an edge, on the side of the edge's outward vector."""
    square = np.array([along[1], -along[0], 0.0])
    size = float(np.linalg.norm(square))
    given = np.zeros(3) if edge.outward is None else edge.outward
    if size < 1e-9:
        return given
    square = square / size
    return -square if float(square @ given) < 0 else square


def fill_drops(roof: Roof) -> Roof:
    """The roof with ``Edge.drop_m`` of every fall edge: the least height to what lies below.

    Looked up over the body's reach outward from every place of the edge itself; clearance counts a body's
    width to either side as well, so over a slope it may find less. Through a hole the drop is that to
    what lies under it, not to its far rim.
    """
    drops = _least_drops(roof)
    edges = [replace(edge, drop_m=drops[edge.id]) if edge.id in drops else edge for edge in roof.edges]
    graph = roof.graph.copy()
    by_id = {edge.id: edge for edge in edges}
    for _, _, key, data in graph.edges(keys=True, data=True):
        if key in by_id:
            data["edge"] = by_id[key]
    return replace(roof, edges=tuple(edges), graph=graph)


def _least_drops(roof: Roof) -> dict[str, float]:
    """Least drop of each fall edge, by id: the deepest look goes only where it may be the least.

    A step's drop, from its lowest end to the highest thing below all of it, is never more than those of its
    halves: so of each edge the step with the least is halved until its halves tell no more.
    """
    edges = [edge for edge in roof.edges if edge.fall]
    if not edges:
        return {}
    runs = _Runs(roof, edges, REACH_M, 0.0, 1.5, rims=False)
    heaps: list[list[tuple[float, int, int, float, float, float, str]]] = [[] for _ in edges]
    count = 0

    def put(steps: _Steps, sweep: Sweep) -> None:
        nonlocal count
        low, high = runs.ends(steps)
        drop = np.minimum(low[:, 2], high[:, 2]) - sweep.height
        for k, row in enumerate(steps.run.tolist()):
            count += 1
            entry = (float(drop[k]), count, row, steps.a[k], steps.b[k], sweep.height[k], sweep.in_the_way[k])
            heapq.heappush(heaps[runs.edge_of[row]], entry)

    steps = runs.first()
    put(steps, runs.evaluate(steps))
    out: dict[str, float] = {}
    while len(out) < len(edges):
        least = [heapq.heappop(heap) for edge, heap in zip(edges, heaps, strict=True) if edge.id not in out]
        table = np.array([entry[2:5] for entry in least])
        halves = _Steps(table[:, 0].astype(np.int64), table[:, 1], table[:, 2]).halves()
        sweep = runs.evaluate(halves)
        more: list[int] = []
        for k, (drop, _, row, a, b, height, way) in enumerate(least):
            if b - a <= LEAST_STEP_M or _same(height, way, sweep, 2 * k):
                out[edges[runs.edge_of[row]].id] = max(0.0, drop)
            else:
                more += [2 * k, 2 * k + 1]
        put(halves.taken(more), sweep.taken(more))
    return out
