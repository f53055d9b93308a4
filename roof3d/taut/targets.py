"""Targets prepared once for many anchors: which of them a rope of given length reaches, no more and no less.

A verdict needs few taut lengths. Between two points that see each other the taut length changes by at
most the distance between them, and a way to the one goes on to the other: so a length measured at one
target decides for all around it that it sees, as far as it is off the limit. Targets are halved into
clusters, each with one of its own as centre; a cluster is measured at its centre, what that decides is
done, and the rest goes to its halves. Near the limit that comes down to single targets.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit

from roof3d.records import Floats, Ints
from roof3d.taut.lift import lift_all
from roof3d.taut.search import ALLOWANCE, make_work, measure_one
from roof3d.taut.shorten import MOST
from roof3d.taut.sight import Sight, blocked

WIDEST = 2.0  # m, clusters that reach further from their centre are not measured but halved
BEYOND = 4.0 * ALLOWANCE  # m over the limit that a search goes, so that its end can lie beyond it
OPEN, DECIDED = 0, 1


@dataclass(frozen=True, eq=False)
class Targets:
    """Points (n, 3), local frame, in clusters; the members of a cluster are a run of ``order``."""

    points: Floats
    lifted: Floats  # (n, 3) stood off
    guess: np.ndarray  # (n,) bool: the stood-off place is a guess
    order: Ints  # (n,)
    first: Ints  # (k,) of each cluster in order
    last: Ints  # (k,)
    child: Ints  # (k, 2) its halves, -1 where it has one member
    centre: Ints  # (k,)
    whole: np.ndarray  # (k,) bool: small enough, and the centre sees all members

    def __len__(self) -> int:
        return len(self.points)


@njit(cache=True)
def _halve(sight, points, lifted, guess, order, first, last, child, centre, whole):  # type: ignore[no-untyped-def]
    """Clusters by halving at the median of the widest axis; returns how many."""
    first[0], last[0] = 0, len(points)
    used, node = 1, 0
    low, high, middle = np.empty(3), np.empty(3), np.empty(3)
    while node < used:
        f, g = first[node], last[node]
        widest = 0
        for c in range(3):
            low[c], high[c] = np.inf, -np.inf
            for k in range(f, g):
                low[c] = min(low[c], points[order[k], c])
                high[c] = max(high[c], points[order[k], c])
            middle[c] = 0.5 * (low[c] + high[c])
            if high[c] - low[c] > high[widest] - low[widest]:
                widest = c
        least = np.inf
        for k in range(f, g):
            s = 0.0
            for c in range(3):
                s += (points[order[k], c] - middle[c]) ** 2
            if s < least:
                least, centre[node] = s, order[k]
        m = centre[node]
        fits = g - f == 1 or not guess[m]
        for k in range(f, g):
            if not fits:
                break
            s = 0.0
            for c in range(3):
                s += (points[order[k], c] - points[m, c]) ** 2
            fits = s <= WIDEST * WIDEST
        for k in range(f, g):
            if not fits:
                break
            other = order[k]
            fits = other == m or not (guess[other] or blocked(sight, lifted[m], lifted[other]))
        whole[node] = fits
        child[node, 0] = child[node, 1] = -1
        if g - f > 1:
            keys = np.empty(g - f)
            for k in range(f, g):
                keys[k - f] = points[order[k], widest]
            order[f:g] = order[f:g][np.argsort(keys, kind="mergesort")]
            half = (f + g) // 2
            first[used], last[used], first[used + 1], last[used + 1] = f, half, half, g
            child[node, 0], child[node, 1] = used, used + 1
            used += 2
        node += 1
    return used


def make_targets(sight: Sight, points: Floats) -> Targets:
    """Targets at points (n, 3), local frame."""
    points = np.ascontiguousarray(points, dtype=np.float64).reshape(-1, 3)
    lifted, guess = lift_all(sight.arrays, sight.faced, points)
    n = len(points)
    room = max(1, 2 * n - 1)
    order = np.arange(n)
    first, last, centre = (np.zeros(room, dtype=np.int64) for _ in range(3))
    child, whole = np.full((room, 2), -1, dtype=np.int64), np.zeros(room, dtype=bool)
    if n:
        _halve(sight.arrays, points, lifted, guess, order, first, last, child, centre, whole)
    return Targets(points, lifted, guess, order, first, last, child, centre, whole)


@njit(cache=True, nogil=True)
def decide_all(  # type: ignore[no-untyped-def]
    building, tied, points, lifted, guess, order, first, last, child, centre, whole,
    limit, anchor_guess, most_checks, enough, lo, hi, state,
):  # fmt: skip
    """Brackets lo, hi (n,) that decide which targets are within ``limit``; returns how many were measured.

    ``state``: DECIDED, or OPEN where the target's own bracket straddles the limit.
    """
    memory = make_work(len(building.contacts[2]), len(building.cells[2]))
    seq, places = np.empty(MOST, np.int64), np.empty(MOST)
    a = tied.a
    for i in range(len(points)):
        s = 0.0
        for c in range(3):
            s += (points[i, c] - a[c]) ** 2
        lo[i], hi[i] = np.sqrt(s), np.inf
        state[i] = DECIDED if lo[i] > limit else OPEN
    stack = np.empty(128, np.int64)
    top = 1 if len(points) else 0
    stack[0] = 0
    measured = 0
    while top > 0:
        top -= 1
        node = stack[top]
        m = centre[node]
        radius = -1.0
        for k in range(first[node], last[node]):
            i = order[k]
            if state[i] == OPEN:
                s = 0.0
                for c in range(3):
                    s += (points[i, c] - points[m, c]) ** 2
                radius = max(radius, np.sqrt(s))
        if radius < 0.0:
            continue
        # not worth it where what is known of the centre says that it will not decide for all
        if whole[node] and (lo[m] <= limit - radius or hi[m] > limit + radius or child[node, 0] < 0):
            low, high, _, _ = measure_one(
                building, tied, points[m], lifted[m], guess[m] or anchor_guess,
                limit + radius + BEYOND, limit - radius, most_checks, enough, False,
                memory, seq, places,
            )  # fmt: skip
            measured += 1
            for k in range(first[node], last[node]):
                i = order[k]
                if state[i] != OPEN:
                    continue
                s = 0.0
                for c in range(3):
                    s += (points[i, c] - points[m, c]) ** 2
                s = np.sqrt(s)
                lo[i] = max(lo[i], low - s - (ALLOWANCE if i != m else 0.0))
                hi[i] = min(hi[i], high + s)
                if lo[i] > limit or hi[i] <= limit:
                    state[i] = DECIDED
        if child[node, 0] >= 0:
            stack[top], stack[top + 1] = child[node, 1], child[node, 0]
            top += 2
    return measured
