"""A graph of places on contacts: always gives some free path, and names the sequences worth refining.

Nodes are the middles of cells (cells.py). Two are joined where the straight piece between their
stood-off places is free and a taut rope could bend at both. A path through nodes is free of the
building as it stands, so its length is an upper bound; shorten.py then slides the bends along the
contacts of its sequence.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit

from roof3d.records import Floats, Ints
from roof3d.taut.cells import SIDES, Cells, least_open, states_of
from roof3d.taut.hidden import side_mask
from roof3d.taut.sight import Sight, blocked
from roof3d.taut.ways import place_contact


@dataclass(frozen=True, eq=False)
class Graph:
    """Nodes (one per cell) and arcs in compressed rows; ``arc_mask`` = side of the row's contact."""

    point: Floats  # (n, 3)
    lifted: Floats  # (n, 3)
    first: Ints  # (n + 1,)
    target: Ints  # (m,)
    weight: Floats  # (m,)
    leave: Ints  # (m,) side bits of the row node's contact on which the target lies
    arrive: Ints  # (m,) side bits of the target's contact on which the row node lies

    @property
    def arrays(self) -> tuple[np.ndarray, ...]:
        """What the compiled functions take."""
        return self.point, self.lifted, self.first, self.target, self.weight, self.leave, self.arrive


@njit(cache=True)
def _place_nodes(sight, faced, contacts, contact, point, lifted):  # type: ignore[no-untyped-def]
    start, way = contacts[0], contacts[1]
    for i in range(len(contact)):
        e = contact[i]
        t = 0.0
        for c in range(3):
            t += (point[i, c] - start[e, c]) * way[e, c]
        place_contact(sight, faced, contacts, e, t, lifted[i])


@njit(cache=True)
def place_ends(sight, faced, contacts, contact, low, high, ends, guess):  # type: ignore[no-untyped-def]
    """Stood-off ends (c, 2, 3) of the cells, and where one is a guess (c,)."""
    start, way = contacts[0], contacts[1]
    for i in range(len(contact)):
        e = contact[i]
        t0 = t1 = 0.0
        for c in range(3):
            t0 += (low[i, c] - start[e, c]) * way[e, c]
            t1 += (high[i, c] - start[e, c]) * way[e, c]
        first = place_contact(sight, faced, contacts, e, t0, ends[i, 0])
        guess[i] = place_contact(sight, faced, contacts, e, t1, ends[i, 1]) or first


@njit(cache=True)
def _join_nodes(sight, contacts, contact, apart, point, lifted):  # type: ignore[no-untyped-def]
    start, n1, n2 = contacts[0], contacts[3], contacts[4]
    rows, columns, weights, leaves, arrives = [0], [0], [0.0], [0], [0]
    n = len(contact)
    for i in range(n):
        for j in range(i + 1, n):
            if apart[i, j] == np.inf:
                continue
            leave = side_mask(start, n1, n2, contact[i], point[j])
            arrive = side_mask(start, n1, n2, contact[j], point[i])
            if leave == 0 or arrive == 0:
                continue
            s = 0.0
            for c in range(3):
                s += (point[i, c] - point[j, c]) ** 2
            s = np.sqrt(s)
            if blocked(
                sight,
                lifted[i],
                lifted[j],
            ):
                continue
            rows.append(i)
            columns.append(j)
            weights.append(s)
            leaves.append(leave)
            arrives.append(arrive)
    return rows, columns, weights, leaves, arrives


def build_graph(sight: Sight, contacts: tuple[np.ndarray, ...], cells: Cells) -> Graph:
    """The graph of a building."""
    point = 0.5 * (cells.low + cells.high)
    lifted = np.empty_like(point)
    _place_nodes(sight.arrays, sight.faced, contacts, cells.contact, point, lifted)
    raw = _join_nodes(sight.arrays, contacts, cells.contact, cells.apart, point, lifted)
    rows, columns, weights, leaves, arrives = (np.array(column[1:]) for column in raw)
    row = np.concatenate((rows, columns)).astype(np.int64)
    order = np.argsort(row, kind="stable")
    counts = np.bincount(row, minlength=len(point))
    return Graph(
        point=point,
        lifted=lifted,
        first=np.concatenate(([0], np.cumsum(counts))).astype(np.int64),
        target=np.concatenate((columns, rows)).astype(np.int64)[order],
        weight=np.concatenate((weights, weights)).astype(np.float64)[order],
        leave=np.concatenate((leaves, arrives)).astype(np.int64)[order],
        arrive=np.concatenate((arrives, leaves)).astype(np.int64)[order],
    )


@njit(cache=True, nogil=True)
def lengths_from(sight, contacts, contact, graph, a, a_lifted, within, limit, known, before):  # type: ignore[no-untyped-def]
    """Shortest graph paths from an anchor: known[node, side it arrives from], state before it (-1).

    Paths longer than the limit need not be the shortest; nodes that are not ``within`` it are left out.
    """
    point, lifted, first, target, weight, leave, arrive = graph
    start, n1, n2 = contacts[0], contacts[3], contacts[4]
    use = np.zeros(len(contact), np.bool_)
    known[:] = np.inf
    before[:] = -1
    flat = known.reshape(-1)
    for i in within:
        use[i] = True
        mask = side_mask(start, n1, n2, contact[i], a)
        if mask == 0:
            continue
        s = 0.0
        for c in range(3):
            s += (point[i, c] - a[c]) ** 2
        if blocked(sight, a_lifted, lifted[i]):
            continue
        for side in range(SIDES):
            if mask & (1 << side):
                known[i, side] = np.sqrt(s)
    rows = states_of(within)
    count = len(rows)
    while True:
        best, row = least_open(flat, rows, count)
        if row < 0 or best > limit:
            break
        at, came = rows[row] // SIDES, rows[row] % SIDES
        count -= 1
        rows[row] = rows[count]
        go = 2 >> came
        for k in range(first[at], first[at + 1]):
            if leave[k] & go == 0 or not use[target[k]]:
                continue
            s = best + weight[k]
            for side in range(SIDES):
                if arrive[k] & (1 << side) and s < known[target[k], side]:
                    known[target[k], side] = s
                    before[target[k], side] = at * SIDES + came
