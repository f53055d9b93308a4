"""Exposure: for each place of work, the worst edge that somebody standing there could go over.

From a place a person can go over the edges within ``NEAR_M`` of it, and, where the plane slopes, over
the place where a slide straight down the slope ends, across breaks and valleys as far as the slope leads.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import shapely
from scipy.spatial import cKDTree

from roof3d.fall.reach import Cells
from roof3d.fall.states import ARREST, BEYOND, Assessment
from roof3d.fall.work import footprint
from roof3d.records import Edge, Facet, Floats, Ints, Roof

NEAR_M = 2.0  # the danger zone of DGUV Information 201-056 (older edition), 1.2: 2.0 m from a fall edge
SLOPE_DEG = 3.0  # gentler planes count as level: nobody slides
BIN_M = 0.25
HOPS = 12
NUDGE_M = 0.005


@dataclass(frozen=True, eq=False)
class Exposure:
    """For each cell: state (row of records.STATES; -1 where no anchor lets one stand), margin, anchor."""

    state: Ints  # (n,)
    margin: Floats  # (n,) nan where no fall is possible
    anchor: Ints  # (n,) -1 none
    surplus: Floats  # (n,) line that a fall over an edge near here can draw out before it pulls; nan none
    swing_drop: Floats  # (n,) greatest swing drop there, inf where it has no bound; nan none


@dataclass(frozen=True, eq=False)
class _Bins:
    at: Floats
    state: Ints
    margin: Floats
    surplus: Floats  # greatest in the bin; -inf where no fall is possible
    swing_drop: Floats  # likewise


def _bins(result: Assessment) -> _Bins:
    """Pieces gathered to a quarter of a metre of boundary each, the worst of each kept."""
    work = result.pieces
    size = work.b - work.a
    # long pieces (out of reach) are cut up, short ones (close to a change of state) joined
    count = np.maximum(1, np.ceil(size / BIN_M - 1e-9)).astype(np.int64)
    row = np.repeat(np.arange(len(size)), count)
    index = np.arange(len(row)) - np.repeat(np.cumsum(count) - count, count)
    t = work.a[row] + size[row] * (index + 0.5) / count[row]
    key = np.column_stack((work.run[row], np.floor(t / BIN_M).astype(np.int64)))
    margin = np.where(np.isnan(result.margin), np.inf, result.margin)[row]
    fall = result.state[row] <= ARREST
    order = np.lexsort((margin, result.state[row], key[:, 1], key[:, 0]))
    first = np.ones(len(order), dtype=bool)
    first[1:] = (key[order][1:] != key[order][:-1]).any(axis=1)
    pick = order[first]
    begins = np.flatnonzero(first)
    surplus = np.where(fall, (result.surplus + result.slides + result.slope)[row], -np.inf)[order]
    # a drop that is not known counts as one without a bound
    drop = np.where(np.isnan(result.swing_drop), np.inf, result.swing_drop)[row]
    drop = np.where(fall, drop, -np.inf)[order]
    start = work.boundary.start[work.run[row[pick]]]
    end = work.boundary.end[work.run[row[pick]]]
    at = start + (end - start) * (t[pick] / work.boundary.length[work.run[row[pick]]])[:, None]
    greatest = [np.maximum.reduceat(values, begins) if len(begins) else values for values in (surplus, drop)]
    return _Bins(at, result.state[row[pick]], margin[pick], *greatest)


def exposure(roof: Roof, cells: Cells, results: list[Assessment]) -> Exposure:
    """Exposure of all cells to the edge states of all anchors."""
    n = len(cells.plane)
    state = np.full(n, -1, dtype=np.int64)
    margin = np.full(n, np.nan)
    anchor = np.full(n, -1, dtype=np.int64)
    if not n or not results:
        return Exposure(state, margin, anchor, margin.copy(), margin.copy())
    boundary = results[0].pieces.boundary
    steps = {edge.id: found for edge, found in zip(boundary.edges, boundary.walked, strict=True)}
    slide = slide_ends(roof, cells, steps)
    worst = np.full(n, np.inf)
    surplus, drop = np.full(n, -np.inf), np.full(n, -np.inf)
    rank = np.full(n, BEYOND + 1)
    for column, result in enumerate(results):
        bins = _bins(result)
        if not len(bins.state):
            continue
        tree = cKDTree(bins.at)
        here = np.flatnonzero(cells.reachable[:, column])
        if not len(here):
            continue
        half = cells.size[here] * np.sqrt(0.5)
        near = tree.query_ball_point(cells.at[here], NEAR_M + half)
        which, bin_of = _flat(np.arange(len(here)), near)
        sliding = np.flatnonzero(np.isfinite(slide[here, 0]))
        if len(sliding):
            ends = tree.query_ball_point(slide[here[sliding]], BIN_M + half[sliding])
            more = _flat(sliding, ends)
            which, bin_of = np.concatenate((which, more[0])), np.concatenate((bin_of, more[1]))
        touched = np.zeros(len(here), dtype=bool)
        touched[which] = True
        lonely = here[~touched & (rank[here] > BEYOND)]
        rank[lonely], worst[lonely], anchor[lonely] = BEYOND, np.inf, column
        if not len(which):
            continue
        order = np.argsort(which, kind="stable")
        begins = np.flatnonzero(np.diff(which[order], prepend=-1))
        rows, bin_of = here[which[order][begins]], bin_of[order]
        surplus[rows] = np.maximum(surplus[rows], np.maximum.reduceat(bins.surplus[bin_of], begins))
        drop[rows] = np.maximum(drop[rows], np.maximum.reduceat(bins.swing_drop[bin_of], begins))
        # bins from the worst to the best; of several as bad any will do
        by_rank = np.lexsort((bins.margin, bins.state))
        place = np.empty(len(by_rank), dtype=np.int64)
        place[by_rank] = np.arange(len(by_rank))
        pick = by_rank[np.minimum.reduceat(place[bin_of], begins)]
        state_of, margin_of = bins.state[pick], bins.margin[pick]
        worse = (state_of < rank[rows]) | ((state_of == rank[rows]) & (margin_of < worst[rows]))
        rank[rows[worse]], worst[rows[worse]] = state_of[worse], margin_of[worse]
        anchor[rows[worse]] = column
    known = rank <= BEYOND
    state[known] = rank[known]
    fall = known & (rank <= ARREST)
    margin[fall] = worst[fall]
    surplus[~fall], drop[~fall] = np.nan, np.nan
    return Exposure(state, margin, anchor, surplus, drop)


def _flat(rows: Ints, found: Sequence[Sequence[int]]) -> tuple[Ints, Ints]:
    """Lists of finds, one for each of ``rows``, as two columns."""
    count = np.array([len(some) for some in found], dtype=np.int64)
    every = np.array([k for some in found for k in some], dtype=np.int64)
    return np.repeat(rows, count), every


def slide_ends(roof: Roof, cells: Cells, steps: Mapping[str, Sequence[tuple[float, float]]]) -> Floats:
    """Where a slide straight down the slope from each cell meets a fall edge, (n, 3); nan: nowhere.

    Over a stretch of edge that is a step (``steps``, metres by edge id) the slide goes on below it.
    """
    by_id = {facet.id: row for row, facet in enumerate(roof.planes)}
    planes = roof.planes
    edges_of = {facet.id: [edge for edge in roof.edges if facet.id in edge.facets] for facet in planes}
    shapes = [footprint(facet) for facet in planes]
    for shape in shapes:
        shapely.prepare(shape)
    end = np.full((len(cells.plane), 3), np.nan)
    where = np.array([by_id[cells.planes[row]] for row in cells.plane], dtype=np.int64)
    at = cells.at.copy()
    moving = np.ones(len(at), dtype=bool)
    for _ in range(HOPS):
        if not moving.any():
            break
        for number in np.unique(where[moving]):
            rows = np.flatnonzero(moving & (where == number))
            facet = planes[number]
            if facet.pitch_deg < SLOPE_DEG:
                moving[rows] = False
                continue
            target = _exit(facet, at[rows])
            at[rows] = target
            found = _edges_at(edges_of[facet.id], target)
            for kind in np.unique(found):
                mine = rows[found == kind]
                edge = edges_of[facet.id][kind] if kind >= 0 else None
                if edge is None or edge.fall:
                    # an outline without an edge record: stop there, the nearest edge counts
                    end[mine] = at[mine]
                    moving[mine] = False
                    if edge is not None and steps.get(edge.id):
                        for row in mine:
                            landed = _step_down(facet, edge, steps[edge.id], at[row], planes, shapes)
                            if landed is not None:
                                where[row], at[row] = landed
                                end[row], moving[row] = np.nan, True
                    continue
                following = _next_plane(edge, facet, planes, by_id, at[mine[0]], shapes)
                if following is None:
                    # along the valley or the wall to its lower end
                    end[mine] = edge.points[int(np.argmin(edge.points[:, 2]))]
                    moving[mine] = False
                else:
                    where[mine] = following
    return end


def _step_down(
    facet: Facet,
    edge: Edge,
    steps: Sequence[tuple[float, float]],
    point: Floats,
    planes: tuple[Facet, ...],
    shapes: list[shapely.Geometry],
) -> tuple[int, Floats] | None:
    """Plane and place where a slide lands that comes over a step, None where there is none."""
    along = 0.0
    best, place = np.inf, 0.0
    for p, q in pairwise(edge.points):
        size = float(np.linalg.norm(q - p))
        t = float(np.clip((point - p) @ (q - p) / max(size**2, 1e-300), 0.0, 1.0))
        away = float(np.linalg.norm(point - p - t * (q - p)))
        if away < best:
            best, place = away, along + t * size
        along += size
    if not any(low <= place <= high for low, high in steps):
        return None
    xy = point[:2] + NUDGE_M * _downhill(facet)
    landed = None
    for row in np.flatnonzero(shapely.covers(shapes, shapely.Point(*xy))).tolist():
        other = planes[row]
        if other is facet:
            continue
        z = float((other.offset - xy @ other.normal[:2]) / other.normal[2])
        if z <= point[2] + NUDGE_M and (landed is None or z > landed[1][2]):
            landed = row, np.array([*xy, z])
    return landed


def _downhill(facet: Facet) -> Floats:
    level = facet.normal[:2]
    down: Floats = level / max(float(np.linalg.norm(level)), 1e-12)
    return down


def _exit(facet: Facet, at: Floats) -> Floats:
    """Where rays down the slope leave the facet first, (n, 3)."""
    down = _downhill(facet)
    across = np.array([-down[1], down[0]])
    best = np.full(len(at), np.inf)
    for ring in facet.rings:
        p, q = ring[:, :2], np.roll(ring, -1, axis=0)[:, :2]
        side_p = p @ across - (at[:, :2] @ across)[:, None]
        side_q = q @ across - (at[:, :2] @ across)[:, None]
        crosses = (side_p <= 0) != (side_q <= 0)
        with np.errstate(divide="ignore", invalid="ignore"):
            t = side_p / (side_p - side_q)
        ahead = (p @ down) + t * ((q - p) @ down) - (at[:, :2] @ down)[:, None]
        ahead = np.where(crosses & (ahead > 1e-6), ahead, np.inf)
        best = np.minimum(best, ahead.min(axis=1))
    best = np.where(np.isfinite(best), best, 0.0)
    xy = at[:, :2] + best[:, None] * down
    z = (facet.offset - xy @ facet.normal[:2]) / facet.normal[2]
    return np.column_stack((xy, z))


def _edges_at(edges: list[Edge], points: Floats) -> Ints:
    """The edge on which each point lies, (n,) rows of ``edges``; -1 where none is near.

    At a corner that two edges share the one that can be gone over counts.
    """
    best = np.full(len(points), -1, dtype=np.int64)
    least = np.full(len(points), 0.25)
    for row in sorted(range(len(edges)), key=lambda k: (not edges[k].fall, k)):
        chain = edges[row].points
        for p, q in pairwise(chain):
            along = q - p
            t = np.clip((points - p) @ along / max(float(along @ along), 1e-300), 0.0, 1.0)
            away = np.linalg.norm(points - p - t[:, None] * along, axis=1)
            nearer = away < least - 1e-6
            best[nearer], least[nearer] = row, away[nearer]
    return best


def _next_plane(
    edge: Edge,
    facet: Facet,
    planes: tuple[Facet, ...],
    by_id: dict[str, int],
    point: Floats,
    shapes: list[shapely.Geometry],
) -> int | None:
    """The plane beyond an inner edge if its slope leads away from the edge, else None."""
    for name in edge.facets:
        if name == facet.id or name not in by_id:
            continue
        other = planes[by_id[name]]
        down = _downhill(other)
        step = point.copy()
        step[:2] += NUDGE_M * down
        if shapes[by_id[name]].distance(shapely.Point(*step[:2])) < NUDGE_M / 2:
            before = step[:2] - 2 * NUDGE_M * down
            if shapes[by_id[facet.id]].distance(shapely.Point(*before)) < NUDGE_M / 2:
                return by_id[name]
    return None
