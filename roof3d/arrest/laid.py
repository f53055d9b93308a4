"""Spans of an anchor line that rest on the roof: how the rope can lie over edges, and where it may slip off.

Why a free span of the same length bounds a span that rests on edges:

1. A rope that has to pass a row of straight edges, or fixed places, is a shortest way in a space made of
   copies of ordinary space joined along them. Spaces of no positive curvature (CAT(0)) joined along convex
   sets are such a space again (Reshetnyak's gluing theorem; Bridson and Haefliger, Metric Spaces of
   Non-Positive Curvature, II.11). It does not matter whether the edges are parallel, how many they are, and
   whether the rope slides along each of them or is held there by friction.
2. In such a space the angle at the traveller is no wider than in the flat triangle of the same sides
   (II.1.7). Load and angle fix the pull (``P = 2 T cos(g / 2)``), pull and length obey the rope's law; so
   under a given load neither the length nor the pull of the rope exceeds that of a straight free span as
   long as the rope at rest, loaded square at its middle.
3. Edges that the rope leaves or comes to lie on under load make no difference, for the free space beside
   edges is of no positive curvature whichever way they bend; only corners, the ends of edges, are not. The
   places that ropes of a given length between the supports get to are a convex set, for the length is a
   convex function there; so as long as no rope of that length gets over a corner, the set is such a space.
4. A rope that gets over a corner lies in another such set. Its shortest way there is no longer than the way
   through the corner, so 2. holds with a span of that length, while the rope itself is no longer than
   before. A corner counts if the loaded rope is long enough to get over it; then the span is taken as long as
   the longest such way, the rope comes out longer, further corners may count, and so on. Shortest ways to a
   corner are taken for those of the rope that gets over it.

What is left: a rope laid with friction need not lie on its shortest way. Friction holds it on a round edge as
long as it turns sideways, within the surface, by no more than the coefficient times as much as it bends
(``geodesic curvature <= friction x normal curvature``), and so on a sharp one. The longest such lay is what
sag is reckoned from.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq

from roof3d.records import Finding, Floats

MOST_EDGES = 8  # over which all ways of lying askew are tried
ROUNDS = 200
DONE = 1e-9  # m


@dataclass(frozen=True, eq=False)
class Rest:
    """A straight edge (or corner, of length nil) that a rope at rest turns over: where, in metres.

    ``start`` (3,) and ``way`` (3,) of length one; ``length`` of the edge, zero for a corner.
    """

    start: Floats
    way: Floats
    length: float

    def at(self, along: float) -> Floats:
        """The place (3,) so far along the edge."""
        place: Floats = self.start + along * self.way
        return place


@dataclass(frozen=True, eq=False)
class Lay:
    """How a rope lies over edges between two supports.

    ``bends`` (k, 3): where its shortest way turns; ``shortest`` and ``longest`` m of rope, the latter lying
    as far askew as friction allows, on the same edges; ``askew_m`` how far off its shortest way on an edge;
    ``whole``: all ways of lying askew were tried.
    """

    bends: Floats
    shortest: float
    longest: float
    askew_m: float
    whole: bool


def lay(first: Floats, last: Floats, bends: Floats, edges: Sequence[Rest], friction: float) -> Lay:
    """How a rope lies from ``first`` to ``last`` over edges that its shortest way turns over at ``bends``."""
    bends = np.reshape(np.asarray(bends, dtype=np.float64), (-1, 3))
    shortest = _length(first, bends, last)
    if not len(bends):
        return Lay(bends, shortest, shortest, 0.0, True)
    along = np.array(
        [np.clip((b - e.start) @ e.way, 0.0, e.length) for b, e in zip(bends, edges, strict=True)]
    )
    whole = len(edges) <= MOST_EDGES
    on_edges = np.array([edge.at(t) for edge, t in zip(edges, along, strict=True)])
    beside = shortest - _length(first, on_edges, last)  # the given bends may stand off the edges a little
    longest, askew = shortest, 0.0
    if whole:
        sides: list[tuple[float, ...]] = list(itertools.product((1.0, -1.0), repeat=len(edges)))
    else:
        sides = [tuple(s * t**k for k in range(len(edges))) for s in (1.0, -1.0) for t in (1.0, -1.0)]
    for side in sides:
        where = _askew(first, last, along, edges, side, friction)
        places = np.array([edge.at(t) for edge, t in zip(edges, where, strict=True)])
        longest = max(longest, _length(first, places, last) + beside)
        askew = max(askew, float(np.abs(where - along).max()))
    return Lay(bends, shortest, longest, askew, whole)


def _length(first: Floats, places: Floats, last: Floats) -> float:
    run = np.concatenate((first[None], places, last[None]))
    return float(np.linalg.norm(np.diff(run, axis=0), axis=1).sum())


def _askew(
    first: Floats,
    last: Floats,
    along: Floats,
    edges: Sequence[Rest],
    side: Sequence[float],
    friction: float,
) -> Floats:
    """Places along the edges (k,) of a rope that friction holds as far to the given sides as it can."""
    where = along.copy()
    for _ in range(ROUNDS):
        moved = 0.0
        for k, edge in enumerate(edges):
            if edge.length <= 0:
                continue
            before = first if k == 0 else edges[k - 1].at(where[k - 1])
            after = last if k == len(edges) - 1 else edges[k + 1].at(where[k + 1])
            new = _held(before, after, edge, side[k], friction)
            moved = max(moved, abs(new - where[k]))
            where[k] = new
        if moved < DONE:
            break
    return where


def _held(before: Floats, after: Floats, edge: Rest, side: float, friction: float) -> float:
    """The place furthest to one side along an edge at which friction holds a rope between two places.

    On a round edge the angle q of a rope to the edge that friction just holds grows by ``dq = u sin(q) dp``
    with the turn p round it, from ``asinh(cot q)`` before to that less ``u p`` behind; so on a sharp one.
    """
    way = edge.way * side

    def parts(place: Floats) -> tuple[float, float, Floats]:
        along = float((place - edge.start) @ way)
        across = place - edge.start - along * way
        return along, float(np.linalg.norm(across)), across

    (a, off_a, one), (b, off_b, other) = parts(before), parts(after)
    if min(off_a, off_b) < DONE:  # the rope runs along the edge on one side of it
        return float(np.clip((a if off_a < off_b else b) * side, 0.0, edge.length))
    turn = float(np.arctan2(np.linalg.norm(np.cross(-one, other)), -one @ other))

    def excess(t: float) -> float:
        return float(np.arcsinh((t - a) / off_a) - np.arcsinh((b - t) / off_b)) - friction * turn

    straight = (a * off_b + b * off_a) / (off_a + off_b)
    far = 1.0 + off_a + off_b
    while excess(straight + far) < 0:
        far *= 2
    return float(np.clip(brentq(excess, straight - DONE, straight + far) * side, 0.0, edge.length))


def slipped(ways: Floats, loaded: float, so_far: float) -> float:
    """Length (m) that a span is taken as over corners, with a rope of ``loaded`` m: the longest way through
    one that it can get over, at least ``so_far``. ``ways`` (k, 2): least and greatest length through each."""
    return max(so_far, float(ways[ways[:, 0] <= loaded, 1].max(initial=0.0)))


def may_slip(name: str, span: int, middle: Floats, lies: Lay | None, bounded: bool) -> tuple[Finding, ...]:
    """A finding where it is not known how a span that rests on something can lie under load.

    ``lies`` is None where the rope's way was not found; ``bounded``: all corners that it can get over count.
    """
    head = f"anchor line {name}, span {span + 1}"
    if lies is None:
        text = f"{head}: where it turns over the roof was not found, so under load it may slip or sag more"
    elif not bounded:
        text = (
            f"{head}: under load it can slip over one corner of the roof after another, and then sag or pull "
            "more than reckoned; add a support there"
        )
    elif not lies.whole:
        text = (
            f"{head}: turns over more than {MOST_EDGES} edges and may lie longer than reckoned; add a support"
        )
    else:
        return ()
    return (Finding("anchor-line-may-slip", "warning", text, name, middle),)
