"""Tracks: how far along the boundary a body can get once it hangs on its rope.

``phi(C) = z(C) + d(C)`` is the potential of a place ``C`` of the boundary, ``d`` the shortest that the rope
can be up to it: a D-ring that hangs over ``C`` on a rope of length ``L`` is at ``phi(C) - L`` at least,
however the rope lies. A body that goes over at ``E`` starts with its D-ring no higher than the soles' highest
place (at ``E``, or up a steep plane that it slides down) plus the D-ring's height plus ``v^2 / 2g`` for the
speed that it has, and nothing on its way adds energy. So wherever it hangs, ``phi(C)`` is at most that
height plus ``L`` (``Terms.carries``), and it gets from ``E`` to ``C`` only along places of the boundary that
lie no higher in potential: its track is the connected part of ``{C: phi(C) <= that}`` at ``E``, cut at places
that the stretched rope does not get to.

That is the union over all starts that a rule set asks for and some more: released from rest at the edge, as
test masses are (``phi(E)`` alone bounds that one only if the rope lies the shortest way and gives nothing
back); hurrying along the edge; with the rope slack, caught by friction or round a chimney, or springing back.
How much a fall loses in its arrest is not reckoned with. What is told of the swing itself, its drop and
angle, is that of a body let go at ``phi(E)`` on a rope that lies the shortest way; ``Assessment.way_down``
bounds the way down in all.

All tracks come from one pass over the places in order of potential, joining neighbours as they come in.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from roof3d.records import Floats, Ints

TIE_M = 0.01  # rest points that differ by less than this are all reckoned with
MOST_TIES = 32


@dataclass(frozen=True, eq=False)
class Tracks:
    """For each query: what governs on its track. Rows of pieces; -1 where nothing is in the way."""

    lowest: Floats  # (q,) least potential
    bottom: Floats  # (q,) the same; of tracks that are ``crossed``, on the first ones
    rest: Ints  # (q,) the piece that has it
    worst: Floats  # (q,) least value
    governs: Ints  # (q,) the piece that has it
    blocked: Ints  # (q,) a piece where something is in the way
    others: tuple[tuple[int, ...], ...]  # further rest pieces that lie as low, to within ``TIE_M``

    def crossed(self, count: int) -> Tracks:
        """What is worst and in the way on the first ``count`` tracks, with what is lowest on the others."""
        return Tracks(
            self.lowest[count:],
            self.lowest[:count],
            self.rest[count:],
            self.worst[:count],
            self.governs[:count],
            self.blocked[:count],
            self.others[count:],
        )


def join_tracks(parts: Sequence[tuple[Ints, Tracks]], count: int) -> Tracks:
    """One record from several, each with the rows of the queries that it answers."""
    if len(parts) == 1:
        return parts[0][1]
    rows = np.concatenate([some for some, _ in parts])
    back = np.empty(count, dtype=np.int64)
    back[rows] = np.arange(count)

    def joined(name: str) -> np.ndarray:
        values: np.ndarray = np.concatenate([getattr(tracks, name) for _, tracks in parts])[back]
        return values

    others = [ties for _, tracks in parts for ties in tracks.others]
    return Tracks(
        joined("lowest"),
        joined("bottom"),
        joined("rest"),
        joined("worst"),
        joined("governs"),
        joined("blocked"),
        tuple(others[k] for k in back.tolist()),
    )


def find_tracks(
    point_potential: Floats,  # (p,) lower bounds
    first: Ints,  # (m,) points at the ends of each piece
    second: Ints,
    piece_potential: Floats,  # (m,) lower bounds over the piece
    piece_value: Floats,  # (m,) what the worst is sought of, lower bounds
    piece_blocked: np.ndarray,  # (m,) bool
    query_potential: Floats,  # (q,) upper bounds
    query_points: Ints,  # (q, 2) seed points (the same twice for a point)
    query_piece: Ints,  # (q,) seed piece, -1 for a point
) -> Tracks:
    """Worst value and lowest potential on the track of each query. Ties go to the lowest row."""
    count = len(point_potential)
    incident: list[list[int]] = [[] for _ in range(count)]
    for piece, (i, j) in enumerate(zip(first.tolist(), second.tolist(), strict=True)):
        incident[i].append(piece)
        incident[j].append(piece)
    parent = list(range(count))
    # a component's record: (potential, piece), (value, piece), blocked piece
    low: list[tuple[float, int]] = [(np.inf, -1)] * count
    bad: list[tuple[float, int]] = [(np.inf, -1)] * count
    way = [-1] * count
    ties: list[tuple[int, ...]] = [()] * count
    active = [False] * count
    potential = piece_potential.tolist()
    value = piece_value.tolist()
    blocked = piece_blocked.tolist()
    one, two = first.tolist(), second.tolist()

    def root(i: int) -> int:
        while parent[i] != i:
            parent[i] = parent[parent[i]]
            i = parent[i]
        return i

    def first_way(a: int, b: int) -> int:
        return b if a < 0 else a if b < 0 else min(a, b)

    def as_low(
        a: tuple[float, int], more_a: tuple[int, ...], b: tuple[float, int], more_b: tuple[int, ...]
    ) -> tuple[int, ...]:
        """Rest pieces besides the lowest once two tracks join (a, b: their lowest)."""
        least = min(a, b)
        if abs(a[0] - b[0]) <= TIE_M:
            found = {a[1], b[1], *more_a, *more_b}
        else:
            found = {least[1], *(more_a if a is least else more_b)}
        near = sorted(k for k in found if k >= 0 and k != least[1] and potential[k] <= least[0] + TIE_M)
        return tuple(near[:MOST_TIES])

    def switch_on(i: int) -> None:
        active[i] = True
        for piece in incident[i]:
            low[i] = min(low[i], (potential[piece], piece))
            bad[i] = min(bad[i], (value[piece], piece))
            if blocked[piece]:
                way[i] = first_way(way[i], piece)
        alone = True  # a place that only joins one track brings no rest point of its own
        for piece in incident[i]:
            other = two[piece] if one[piece] == i else one[piece]
            if active[other]:
                r, s = root(i), root(other)
                if r != s:
                    parent[s] = r
                    ties[r] = ties[s] if alone else as_low(low[r], ties[r], low[s], ties[s])
                    alone = False
                    low[r] = min(low[r], low[s])
                    bad[r] = min(bad[r], bad[s])
                    way[r] = first_way(way[r], way[s])

    order = np.argsort(point_potential, kind="stable").tolist()
    sorted_potential = point_potential[order].tolist() if count else []
    queries = np.argsort(query_potential, kind="stable").tolist()
    n = len(queries)
    lowest, worst = np.full(n, np.inf), np.full(n, np.inf)
    rest, governs = np.full(n, -1, dtype=np.int64), np.full(n, -1, dtype=np.int64)
    in_way = np.full(n, -1, dtype=np.int64)
    others: list[tuple[int, ...]] = [()] * n
    done = 0
    for q in queries:
        while done < count and sorted_potential[done] <= query_potential[q]:
            switch_on(order[done])
            done += 1
        best_low, best_bad, best_way = (np.inf, -1), (np.inf, -1), -1
        seed = int(query_piece[q])
        if seed >= 0:
            best_low, best_bad = (potential[seed], seed), (value[seed], seed)
            best_way = seed if blocked[seed] else -1
        for i in {int(query_points[q, 0]), int(query_points[q, 1])}:
            if active[i]:
                r = root(i)
                others[q] = tuple(sorted({*others[q], *ties[r], low[r][1]}))
                best_low, best_bad = min(best_low, low[r]), min(best_bad, bad[r])
                best_way = first_way(best_way, way[r])
        lowest[q], rest[q] = best_low
        others[q] = tuple(k for k in others[q] if k != best_low[1] and potential[k] <= best_low[0] + TIE_M)
        worst[q], governs[q] = best_bad
        in_way[q] = best_way
    return Tracks(lowest, lowest, rest, worst, governs, in_way, tuple(others))
