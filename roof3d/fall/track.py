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

from roof3d.fall.joined import join_places
from roof3d.records import Floats, Ints


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
    count, pieces = len(point_potential), np.arange(len(first))
    ends, owner = np.concatenate((first, second)), np.concatenate((pieces, pieces))
    starts = np.concatenate(([0], np.cumsum(np.bincount(ends, minlength=count)))).astype(np.int64)
    order = np.argsort(point_potential, kind="stable")
    lowest, rest, worst, governs, in_way, tied, ties = join_places(
        order,
        point_potential[order],
        starts,
        owner[np.lexsort((owner, ends))],
        first,
        second,
        piece_potential,
        piece_value,
        piece_blocked,
        np.argsort(query_potential, kind="stable"),
        query_potential,
        query_points,
        query_piece,
    )
    others: list[tuple[int, ...]] = [()] * len(query_potential)
    for row in np.flatnonzero(tied).tolist():
        others[row] = tuple(ties[row, : tied[row]].tolist())
    return Tracks(lowest, lowest, rest, worst, governs, in_way, tuple(others))
