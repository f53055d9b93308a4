"""Covers in which a worker can walk from anchor to anchor without ever letting go.

Two places are *tied* when both serve enough of the same ground to change lines there. The chosen places
must hang together in the graph of these ties. That is enforced by inequalities added as they are needed: if
a chosen group is cut off, then any cover that keeps one of its places must also take one of the places
around it, unless the group serves everything by itself.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import networkx as nx
import numpy as np
import scipy.sparse as sparse
from scipy.optimize import Bounds, LinearConstraint, milp

from roof3d.place.bound import SLACK, grain, lift
from roof3d.place.cover import USUAL, Cover, Effort, Progress, Report, solve_cover
from roof3d.place.reduce import regions, system_of
from roof3d.records import Floats, Ints

ROUNDS = 200


def tie_matrix(matrix: sparse.csr_array, area: Floats, overlap_m2: float) -> sparse.csr_array:
    """(columns, columns) 0-1: pairs of columns that serve at least ``overlap_m2`` of the same cells."""
    system = system_of(matrix)
    shared = system_of((system.T * area[None, :]) @ system).tocoo()
    row, column = shared.coords
    keep = (shared.data >= max(overlap_m2, 1e-9)) & (row != column)
    ones = np.ones(int(keep.sum()), dtype=np.int8)
    return sparse.csr_array((ones, (row[keep], column[keep])), shape=shared.shape)


def groups(chosen: Ints, ties: sparse.csr_array) -> list[Ints]:
    """The chosen columns in groups that hang together."""
    if not chosen.size:
        return []
    label = regions(ties[chosen][:, chosen])
    return [chosen[label == k] for k in range(int(label.max()) + 1)]


def solve_tied(
    matrix: sparse.csr_array,
    cost: Floats,
    ties: sparse.csr_array,
    *,
    effort: Effort = USUAL,
    report: Report | None = None,
    stop: Callable[[], bool] = lambda: False,
) -> tuple[Cover, tuple[str, ...]]:
    """Cheapest cover whose columns hang together, and what must be said about it.

    Where the ties themselves fall into groups that no walk joins, each group that must be used is
    kept together on its own, and that is said. Every row must have a column.
    """
    notes: list[str] = []
    count = matrix.shape[1]
    if not count or not matrix.shape[0]:
        return solve_cover(matrix, cost, effort=effort, report=report, stop=stop), ()
    region = regions(ties)
    if region.max() > 0:
        able = _able_regions(matrix, region)
        if able:  # everybody can stay in one of these, and nowhere else can all be tied
            found = []
            for number in able:
                keep = np.flatnonzero(region == number)
                part, _ = solve_tied(
                    sparse.csr_array(matrix[:, keep]),
                    cost[keep],
                    sparse.csr_array(ties[keep][:, keep]),
                    effort=effort,
                    report=report,
                    stop=stop,
                )
                found.append(_moved(part, keep))
            best_part = min(found, key=lambda part: part.best)
            bound = min(part.bound for part in found)
            return replace(best_part, bound=bound, stopped=best_part.best > bound + SLACK), ()
        notes.append(
            "no walk tied at all times joins all places that the work needs: "
            "within each part workers stay tied, between parts they let go"
        )
    plain = solve_cover(matrix, cost, effort=effort, report=report, stop=stop)
    graph = nx.from_scipy_sparse_array(ties)
    best = _join(matrix, cost, ties, graph, plain.chosen, region)
    bound = plain.bound
    step = grain(cost)
    cuts: list[tuple[Ints, Ints]] = []  # (a column of the group, the columns around it)
    system = system_of(matrix)
    work = plain.work
    candidate = plain.chosen
    for _ in range(ROUNDS):
        if float(cost[best].sum()) <= bound + SLACK or stop() or work > effort.work:
            break
        fresh = _cut_off(matrix, ties, region, candidate)
        if not fresh:
            best = candidate if cost[candidate].sum() < cost[best].sum() else best
            if not cuts:
                break
        cuts += fresh
        rows = [_cut_row(cut, count) for cut in cuts]
        answer = milp(
            cost,
            constraints=[
                LinearConstraint(system, 1.0, np.inf),
                # a pair of groups: both may be there if something joins them
                LinearConstraint(
                    sparse.csr_array(sparse.vstack(rows)), [1.0 - cut[0].size for cut in cuts], np.inf
                ),
            ],
            bounds=Bounds(0, 1),
            integrality=np.ones(count, dtype=np.int64),
            options={"node_limit": 20 * effort.nodes, "mip_rel_gap": 0.0},
        )
        nodes = 1 if answer.mip_node_count is None else int(answer.mip_node_count)
        work += 100 * system.nnz * (1 + nodes / 20) / 1e6
        if answer.mip_dual_bound is not None:
            bound = max(bound, lift(float(answer.mip_dual_bound) - SLACK, step))
        if report is not None:
            report(Progress("joining", float(cost[best].sum()), bound))
        if answer.x is None:
            break
        candidate = np.flatnonzero(np.round(answer.x) > 0.5)
        joined = _join(matrix, cost, ties, graph, candidate, region)
        best = joined if cost[joined].sum() < cost[best].sum() - 1e-9 else best
        ended = int(answer.status) != 0  # by its limit
        if ended and not _cut_off(matrix, ties, region, candidate):
            break
    value = float(cost[best].sum())
    stopped = value > bound + SLACK
    return (
        Cover(best, value, min(bound, value), plain.uncovered, stopped, plain.parts, work),
        tuple(notes),
    )


def _moved(part: Cover, keep: Ints) -> Cover:
    return Cover(
        keep[part.chosen], part.best, part.bound, part.uncovered, part.stopped, part.parts, part.work
    )


def _able_regions(matrix: sparse.csr_array, region: Ints) -> list[int]:
    """Regions of ties whose columns hold all rows."""
    return [
        number
        for number in range(int(region.max()) + 1)
        if (np.asarray(matrix[:, np.flatnonzero(region == number)].sum(axis=1)).ravel() > 0).all()
    ]


def _cut_row(cut: tuple[Ints, Ints], count: int) -> sparse.csr_array:
    inside, around = cut
    columns = np.concatenate([inside, around])
    values = np.concatenate([-np.ones(inside.size), np.ones(around.size)])
    return sparse.csr_array((values, (np.zeros(columns.size, dtype=np.int64), columns)), shape=(1, count))


def _cut_off(
    matrix: sparse.csr_array, ties: sparse.csr_array, region: Ints, chosen: Ints
) -> list[tuple[Ints, Ints]]:
    """For each group that is cut off from others of its region: ``x[one] <= sum of x[around]``."""
    found: list[tuple[Ints, Ints]] = []
    pieces = groups(chosen, ties)
    for piece in pieces:
        if not any(other is not piece and region[other[0]] == region[piece[0]] for other in pieces):
            continue
        around = np.setdiff1d(np.unique(ties[piece].indices), piece)
        # all columns that stay behind the ring once it is left out
        open_columns = np.setdiff1d(np.flatnonzero(region == region[piece[0]]), around)
        label = regions(ties[open_columns][:, open_columns])
        inside = open_columns[label == label[np.searchsorted(open_columns, piece[0])]]
        beyond = np.setdiff1d(np.flatnonzero(region == region[piece[0]]), inside)
        held = np.asarray(matrix[:, inside].sum(axis=1)).ravel() > 0
        others = np.asarray(matrix[:, np.flatnonzero(region != region[piece[0]])].sum(axis=1)).ravel() > 0
        needs_beyond = (np.asarray(matrix[:, beyond].sum(axis=1)).ravel() > 0) & ~held & ~others
        if not needs_beyond.any():
            # the inside could do alone: only pairs can be cut, one inside and one of another group
            found += [
                (np.array([piece[0], other[0]]), around)
                for other in pieces
                if other is not piece and region[other[0]] == region[piece[0]]
            ]
            continue
        found += [(np.array([one]), around) for one in piece]
    return found


def _join(
    matrix: sparse.csr_array,
    cost: Floats,
    ties: sparse.csr_array,
    graph: nx.Graph,
    chosen: Ints,
    region: Ints,
) -> Ints:
    """The cover with the cheapest stepping stones between its groups, and without needless columns."""
    pieces = groups(chosen, ties)
    nodes = {int(column) for column in chosen}

    def step(a: int, b: int, _: object) -> float:
        return 0.0 if b in nodes else float(cost[b])

    while True:
        todo = [
            (a, b)
            for a in range(len(pieces))
            for b in range(a + 1, len(pieces))
            if region[pieces[a][0]] == region[pieces[b][0]]
        ]
        if not todo:
            break
        a, _ = todo[0]
        target = {int(c) for k, piece in enumerate(pieces) if k != a for c in piece}
        target = {c for c in target if region[c] == region[pieces[a][0]]}
        distance, path = nx.multi_source_dijkstra(graph, {int(c) for c in pieces[a]}, weight=step)
        end = min(target, key=lambda c: (distance.get(c, np.inf), c))
        nodes |= {int(c) for c in path[end]}
        pieces = groups(np.array(sorted(nodes)), ties)
    kept = np.array(sorted(nodes), dtype=np.int64)
    for column in sorted(nodes, key=lambda c: (-cost[c], c)):
        rest = kept[kept != column]
        held = np.asarray(matrix[:, rest].sum(axis=1)).ravel() > 0
        if held.all() and len(groups(rest, ties)) <= len(pieces):
            kept = rest
    return kept
