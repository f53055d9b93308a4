"""Ways over given contacts, and the first ones that are tried: those of neighbouring points and of the graph.

Any free way is an upper end; the better it is, the sooner the search that follows (search.py) ends.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from roof3d.taut.cells import SIDES
from roof3d.taut.shorten import MOST, shorten
from roof3d.taut.sight import blocked, lift

NEAR_END = 0.006  # m, contact places this near an edge's end are lifted off all faces around
HINTS = 6  # sequences of neighbouring points tried first
CANDIDATES = 10  # sequences of the graph that are refined for one point
SPARE = 0.5  # m, by which a graph path may be longer than the best and still be refined


@njit(cache=True, inline="always")
def flip(mask):  # type: ignore[no-untyped-def]
    """The sides of a contact seen from its other end: a rope that leaves on one arrives on the other."""
    return ((mask & 1) << 1) | ((mask & 2) >> 1)


@njit(cache=True, inline="always")
def onward(ahead, cell, mask):  # type: ignore[no-untyped-def]
    """Least length from the anchor to a cell, the rope arriving from one of the sides in mask."""
    best = np.inf
    if mask & 1:
        best = ahead[cell, 0]
    if mask & 2 and ahead[cell, 1] < best:
        best = ahead[cell, 1]
    return best


@njit(cache=True)
def place_contact(sight, faced, contacts, e, t, out):  # type: ignore[no-untyped-def]
    """The stood-off place at t on contact e; True where it is a guess (sight.lift)."""
    start, way, length, shift = contacts[0], contacts[1], contacts[2], contacts[5]
    if length[e] > 0.0 and (t < NEAR_END or t > length[e] - NEAR_END):
        p = np.empty(3)
        for c in range(3):
            p[c] = start[e, c] + t * way[e, c]
        return lift(sight, faced, p, out)
    for c in range(3):
        out[c] = start[e, c] + t * way[e, c] + shift[e, c]
    return contacts[6][e]


@njit(cache=True)
def path_free(sight, faced, contacts, end_lifted, p_lifted, sequence, k, t, places):  # type: ignore[no-untyped-def]
    """Whether the polyline point - stood-off places - end is free of the building.

    1 free, 0 blocked, -1 blocked where a place was a guess: that refutes nothing.
    """
    guess = False
    for i in range(k):
        guess = place_contact(sight, faced, contacts, sequence[i], t[i], places[i]) or guess
    for i in range(k + 1):
        left = p_lifted if i == 0 else places[i - 1]
        right = end_lifted if i == k else places[i]
        if blocked(sight, left, right):
            return -1 if guess else 0
    return 1


@njit(cache=True)
def whole(contacts, sequence, k, low, high):  # type: ignore[no-untyped-def]
    """Let the first k places range over all of their contacts."""
    for j in range(k):
        low[j] = 0.0
        high[j] = contacts[2][sequence[j]]


@njit(cache=True)
def first_ways(  # type: ignore[no-untyped-def]
    building, tied, p_mask, p, p_lifted, limit, straight, thorough, hints, work, seq, places_t
):
    """(length, proven least of its sequence, contacts) of the best way tried; the way into seq, places_t.

    Not ``thorough``: a neighbour's sequence that is free is enough, the search finds what is shorter.
    """
    sight, faced, contacts = building.sight, building.faced, building.contacts
    start, way = contacts[0], contacts[1]
    cell_contact, node_place, node_lifted = building.cells[1], building.node_place, building.node_lifted
    a, a_lifted, known, before = tied.a, tied.lifted, tied.known, tied.before
    hint_seq, hint_count, hint_t, hint_order = hints
    sequence, t, low, high, places, node_value, tried_seq, tried_count = work
    best, best_lower, count = np.inf, np.inf, 0
    for m in range(HINTS):
        h = hint_order[m]
        k = hint_count[h]
        if k == 0:
            break
        for j in range(k):
            sequence[j] = hint_seq[h, j]
            t[j] = hint_t[h, j]
        whole(contacts, sequence, k, low, high)
        lower, exact = shorten(p, a, sequence, k, start, way, low, high, t)
        if exact < limit + SPARE and (
            path_free(sight, faced, contacts, a_lifted, p_lifted, sequence, k, t, places) > 0
        ):
            best, best_lower, count = exact, lower, k
            for j in range(k):
                seq[j] = sequence[j]
                places_t[j] = t[j]
            break
    if count > 0 and not thorough:
        return best, best_lower, count
    # graph paths whose last node sees the point, cheapest first, each sequence once
    for n in range(len(cell_contact)):
        value = np.inf
        mask = flip(p_mask[cell_contact[n]])
        if mask:
            ahead = onward(known, n, mask)
            if ahead < np.inf:
                s = 0.0
                for c in range(3):
                    s += (node_place[n, c] - p[c]) ** 2
                value = ahead + np.sqrt(s)
        node_value[n] = value
    tried = 0
    graph_best = np.inf
    while tried < CANDIDATES and len(node_value) > 0:
        n = int(np.argmin(node_value))
        value = node_value[n]
        if value >= min(limit, min(graph_best, best)) + SPARE:
            break
        node_value[n] = np.inf
        if blocked(sight, p_lifted, node_lifted[n]):
            continue
        k = 0
        at, side = n, 0 if known[n, 0] <= known[n, 1] else 1
        seen_on = flip(p_mask[cell_contact[n]])
        if seen_on != 3:
            side = 0 if seen_on == 1 else 1
        while k < MOST:
            e = cell_contact[at]
            sequence[k] = e
            t[k] = 0.0
            for c in range(3):
                t[k] += (node_place[at, c] - start[e, c]) * way[e, c]
            k += 1
            code = before[at, side]
            if code < 0:
                break
            at, side = code // SIDES, code % SIDES
        if k >= MOST:
            continue
        if value < graph_best:
            graph_best = value
            if (
                value < best
                and path_free(sight, faced, contacts, a_lifted, p_lifted, sequence, k, t, places) > 0
            ):
                best, best_lower, count = value, straight, k
                for j in range(k):
                    seq[j] = sequence[j]
                    places_t[j] = t[j]
        new = True
        for m in range(tried):
            same = tried_count[m] == k
            if same:
                for j in range(k):
                    same = same and tried_seq[m, j] == sequence[j]
            if same:
                new = False
                break
        if not new:
            continue
        tried_count[tried] = k
        for j in range(k):
            tried_seq[tried, j] = sequence[j]
        tried += 1
        whole(contacts, sequence, k, low, high)
        lower, exact = shorten(p, a, sequence, k, start, way, low, high, t)
        free = path_free(sight, faced, contacts, a_lifted, p_lifted, sequence, k, t, places)
        if free > 0 and (exact < best or best == value):
            best, best_lower, count = min(exact, best), lower, k
            for j in range(k):
                seq[j] = sequence[j]
                places_t[j] = t[j]
        elif free == 0 and best == value:
            best_lower = value  # its sequence is refuted: what is shorter has another sequence
    return best, best_lower, count


@njit(cache=True)
def remember(hints, k, sequence, t):  # type: ignore[no-untyped-def]
    """Keep a sequence for the points that follow, the latest first; the oldest goes."""
    hint_seq, hint_count, hint_t, hint_order = hints
    m = 0
    while m < HINTS - 1:
        h = hint_order[m]
        same = hint_count[h] == k
        for j in range(k):
            same = same and hint_seq[h, j] == sequence[j]
        if same:
            break
        m += 1
    h = hint_order[m]
    for j in range(m, 0, -1):
        hint_order[j] = hint_order[j - 1]
    hint_order[0] = h
    hint_count[h] = k
    for j in range(k):
        hint_seq[h, j] = sequence[j]
        hint_t[h, j] = t[j]
