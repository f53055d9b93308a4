"""The level below along a whole edge, as steps: certain for every place within a step.

Each step is swept as one footprint that covers the footprints of all its places, so no ledge
between two samples is missed. Steps are halved where that tells more, down to 1 cm.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from roof3d.levels.below import HALF_WIDTH_M, REACH_M, prepare
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


def profiles(
    roof: Roof, *, reach_m: float = REACH_M, half_width_m: float = HALF_WIDTH_M, rise_m: float = 1.5
) -> dict[str, Profile]:
    """Profiles of all fall edges by id. Kept in ``Roof.cache``."""
    key = f"profiles {reach_m!r} {half_width_m!r} {rise_m!r} {roof.grade!r}"
    known = roof.cache.get(key)
    if isinstance(known, dict):
        return known
    below = prepare(roof)
    edges = [edge for edge in roof.edges if edge.fall]
    starts: list[Floats] = []
    ends: list[Floats] = []
    outward: list[Floats] = []
    offset: list[float] = []
    own: list[str] = []
    edge_of: list[int] = []
    for number, edge in enumerate(edges):
        at = 0.0
        for p, q in zip(edge.points[:-1], edge.points[1:], strict=True):
            starts.append(p)
            ends.append(q)
            outward.append(outward_of(q - p, edge))
            offset.append(at)
            own.append(edge.facets[0] if edge.facets else "")
            edge_of.append(number)
            at += float(np.linalg.norm(q - p))
    if not edges:
        return {}
    p, q, out = np.array(starts), np.array(ends), np.array(outward)
    length = np.linalg.norm(q - p, axis=1)

    def evaluate(steps: _Steps) -> tuple[Floats, list[str], list[str]]:
        unit = (q[steps.run] - p[steps.run]) / np.maximum(length[steps.run], 1e-12)[:, None]
        low = p[steps.run] + steps.a[:, None] * unit
        high = p[steps.run] + steps.b[:, None] * unit
        level = np.linalg.norm((high - low)[:, :2], axis=1)
        sweep = below.sweep(
            (low + high) / 2,
            out[steps.run],
            reach_m,
            level / 2 + half_width_m,
            rise_m=rise_m,
            own=tuple(own[k] for k in steps.run),
            spread_m=np.abs(high - low)[:, 2] / 2,
            body_m=half_width_m,
        )
        return sweep.height, list(sweep.what), list(sweep.in_the_way)

    number = np.maximum(1, np.ceil(length / FIRST_STEP_M - 1e-9)).astype(np.int64)
    run = np.repeat(np.arange(len(p)), number)
    index = np.arange(len(run)) - np.repeat(np.cumsum(number) - number, number)
    width = (length / number)[run]
    pending = _Steps(run, index * width, (index + 1) * width)
    height, what, way = evaluate(pending)
    done: list[Step] = []
    while len(pending.run):
        small = pending.b - pending.a <= LEAST_STEP_M
        middle = (pending.a + pending.b) / 2
        halves = _Steps(
            np.repeat(pending.run, 2),
            np.column_stack((pending.a, middle)).ravel(),
            np.column_stack((middle, pending.b)).ravel(),
        )
        h2, w2, y2 = evaluate(halves)
        keep_next: list[int] = []
        for k in range(len(pending.run)):
            i, j = 2 * k, 2 * k + 1
            same = min(h2[i], h2[j]) > height[k] - SAME_HEIGHT_M
            same = same and bool(y2[i]) == bool(y2[j]) == bool(way[k])
            if same or small[k]:
                done.append(
                    (int(pending.run[k]), pending.a[k], pending.b[k], float(height[k]), what[k], way[k])
                )
            else:
                keep_next += [i, j]
        pending = _Steps(halves.run[keep_next], halves.a[keep_next], halves.b[keep_next])
        height = h2[keep_next]
        what = [w2[k] for k in keep_next]
        way = [y2[k] for k in keep_next]
    done.sort(key=lambda step: (step[0], step[1]))
    by_run: dict[int, list[Step]] = {run_row: [] for run_row in range(len(p))}
    for step in done:
        by_run[step[0]].append(step)
    if half_width_m > 0:
        nodes: dict[tuple[int, int], list[RunEnd]] = {}
        first = {number_of: row for row, number_of in reversed(list(enumerate(edge_of)))}
        for row, number_of in enumerate(edge_of):
            edge = edges[number_of]
            away = (q[row] - p[row]) / max(float(length[row]), 1e-12)
            for at_start, vertex in ((True, row - first[number_of]), (False, row - first[number_of] + 1)):
                inner = 0 < vertex < len(edge.points) - 1
                node = (-1 - number_of, vertex) if inner else (edge.ends[0 if vertex == 0 else 1], 0)
                end = p[row] if at_start else q[row]
                nodes.setdefault(node, []).append(
                    RunEnd(row, at_start, end, away if at_start else -away, out[row], own[row])
                )
        _raise(
            by_run, sweep_corners(below, list(nodes.values()), reach_m, half_width_m, rise_m), half_width_m
        )
    result: dict[str, Profile] = {}
    rows_of: dict[int, list[int]] = {}
    for row, number_of in enumerate(edge_of):
        rows_of.setdefault(number_of, []).append(row)
    for number_of, edge in enumerate(edges):
        mine = [step for row in rows_of[number_of] for step in by_run[row]]
        places = [offset[step[0]] + step[1] for step in mine] + [offset[mine[-1][0]] + mine[-1][2]]
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
    width to either side as well, so over a slope it may find less.
    """
    steps = profiles(roof, half_width_m=0.0)
    edges: list[Edge] = []
    for edge in roof.edges:
        profile = steps.get(edge.id)
        if profile is None:
            edges.append(edge)
            continue
        along = np.concatenate(([0.0], np.cumsum(np.linalg.norm(np.diff(edge.points, axis=0), axis=1))))
        z = np.interp(profile.at, along, edge.points[:, 2])
        drop = float(np.min(np.minimum(z[:-1], z[1:]) - profile.top))
        edges.append(replace(edge, drop_m=max(0.0, drop)))
    graph = roof.graph.copy()
    by_id = {edge.id: edge for edge in edges}
    for _, _, key, data in graph.edges(keys=True, data=True):
        if key in by_id:
            data["edge"] = by_id[key]
    return replace(roof, edges=tuple(edges), graph=graph)
