"""Ways over given contacts, and the first ones that are tried: those of neighbouring points and of the graph.

Any free way is an upper end; the better it is, the sooner the search that follows (search.py) ends.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from roof3d.taut.cells import SIDES
from roof3d.taut.lift import lift, squeezed
from roof3d.taut.shorten import MOST, shorten
from roof3d.taut.sight import FINE, STAND_OFF, blocked

NEAR_END = 0.006  # m, contact places this near an edge's end are lifted off all faces around
END = 0.01  # m, at the ends of a piece, that is left out where their sides are not known
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
    """The stood-off place at t on contact e; True where it is a guess (lift.py)."""
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
def refuted(building, p, q, slack=0.0):  # type: ignore[no-untyped-def]
    """Whether the building itself stands between p and q, both as near to the faces as these are known.

    ``slack``: what the contacts that p and q lie on may be off.
    """
    off = min(STAND_OFF, max(building.fine, slack))
    near_p, near_q = np.empty(3), np.empty(3)
    guess = lift(building.sight, building.faced, p, near_p, off)
    guess = lift(building.sight, building.faced, q, near_q, off) or guess
    if not guess and blocked(building.sight, near_p, near_q, 0.0):
        return True
    if guess and off <= FINE:
        # which side of the faces the ends are on is not known, but what stands between the ends is
        away = 0.0
        for c in range(3):
            away += (q[c] - p[c]) ** 2
        short = min(0.1, END / max(np.sqrt(away), 1e-9))
        for c in range(3):
            near_p[c], near_q[c] = p[c] + short * (q[c] - p[c]), q[c] + short * (p[c] - q[c])
        if blocked(building.sight, near_p, near_q, 0.0):
            return True
    return squeezed(building.sight, building.faced, p, q)


@njit(cache=True)
def _beside(building, sequence, k, i, left, right):  # type: ignore[no-untyped-def]
    """Whether piece i of a way is free from or to the other place of a corner that has two (contacts.py)."""
    contacts = building.contacts
    start, other = contacts[0], contacts[7]
    left_two = i > 0 and other[sequence[i - 1], 0] == other[sequence[i - 1], 0]
    right_two = i < k and other[sequence[i], 0] == other[sequence[i], 0]
    if not left_two and not right_two:
        return False
    near, far = left.copy(), right.copy()
    if left_two:
        near = start[sequence[i - 1]] + other[sequence[i - 1]]
        if not blocked(building.sight, near, right):
            return True
    if right_two:
        far = start[sequence[i]] + other[sequence[i]]
        if not blocked(building.sight, left, far):
            return True
    return left_two and right_two and not blocked(building.sight, near, far)


@njit(cache=True)
def path_free(building, end, end_lifted, p, p_lifted, sequence, k, t, places):  # type: ignore[no-untyped-def]
    """Whether the polyline point - stood-off places - end is free of the building.

    1 free, 0 not; -1 where it is only the stand-off, or a place that was a guess, that makes it blocked: that
    refutes nothing.
    """
    sight, faced, contacts = building.sight, building.faced, building.contacts
    start, way = contacts[0], contacts[1]
    guesses = 0  # a bit for each contact
    for i in range(k):
        guesses |= place_contact(sight, faced, contacts, sequence[i], t[i], places[i]) << i
    free = 1
    for i in range(k + 1):
        left = p_lifted if i == 0 else places[i - 1]
        right = end_lifted if i == k else places[i]
        if not blocked(sight, left, right) or _beside(building, sequence, k, i, left, right):
            continue
        free = -1
        if (i > 0 and guesses >> (i - 1) & 1) or (i < k and guesses >> i & 1):
            continue
        true_left, true_right, slack = np.empty(3), np.empty(3), 0.0
        if i > 0:
            slack = contacts[8][sequence[i - 1]]
        if i < k:
            slack = max(slack, contacts[8][sequence[i]])
        for c in range(3):
            true_left[c] = p[c] if i == 0 else start[sequence[i - 1], c] + t[i - 1] * way[sequence[i - 1], c]
            true_right[c] = end[c] if i == k else start[sequence[i], c] + t[i] * way[sequence[i], c]
        if refuted(building, true_left, true_right, slack):
            return 0
    return free


@njit(cache=True)
def whole(contacts, sequence, k, low, high):  # type: ignore[no-untyped-def]
    """Let the first k places range over all of their contacts."""
    for j in range(k):
        low[j] = 0.0
        high[j] = contacts[2][sequence[j]]


@njit(cache=True)
def neighbours_way(building, tied, p, p_lifted, limit, hints, work, seq, places_t):  # type: ignore[no-untyped-def]
    """(length, proven least of its sequence, contacts) of the first free way over a neighbour's sequence.

    The way goes into seq, places_t; no contacts and an infinite length where there is none.
    """
    contacts = building.contacts
    start, way = contacts[0], contacts[1]
    hint_seq, hint_count, hint_t, hint_order = hints
    sequence, t, low, high, places = work[0], work[1], work[2], work[3], work[4]
    for m in range(HINTS):
        h = hint_order[m]
        k = hint_count[h]
        if k == 0:
            break
        for j in range(k):
            sequence[j] = hint_seq[h, j]
            t[j] = hint_t[h, j]
        whole(contacts, sequence, k, low, high)
        lower, exact = shorten(p, tied.a, sequence, k, start, way, low, high, t)
        if exact < limit + SPARE and (
            path_free(building, tied.a, tied.lifted, p, p_lifted, sequence, k, t, places) > 0
        ):
            for j in range(k):
                seq[j] = sequence[j]
                places_t[j] = t[j]
            return exact, lower, k
    return np.inf, np.inf, 0


@njit(cache=True)
def graph_ways(  # type: ignore[no-untyped-def]
    building, tied, p_mask, p, p_lifted, limit, straight, best, best_lower, count, work, seq, places_t
):
    """As neighbours_way, of the best of the graph's ways that were tried, or what is in hand if better."""
    sight, contacts = building.sight, building.contacts
    start, way = contacts[0], contacts[1]
    cell_contact, node_place, node_lifted = building.cells[1], building.node_place, building.node_lifted
    nodes = tied.nodes
    a, a_lifted, known, before = tied.a, tied.lifted, tied.known, tied.before
    sequence, t, low, high, places, node_value, tried_seq, tried_count = work
    # graph paths whose last node sees the point, cheapest first, each sequence once
    for row in range(len(nodes)):
        n, value = nodes[row], np.inf
        mask = flip(p_mask[cell_contact[n]])
        if mask:
            ahead = onward(known, n, mask)
            if ahead < np.inf:
                s = 0.0
                for c in range(3):
                    s += (node_place[n, c] - p[c]) ** 2
                value = ahead + np.sqrt(s)
        node_value[row] = value
    tried = 0
    graph_best = np.inf
    while tried < CANDIDATES and len(nodes) > 0:
        row = int(np.argmin(node_value[: len(nodes)]))
        n, value = nodes[row], node_value[row]
        if value >= min(limit, min(graph_best, best)) + SPARE:
            break
        node_value[row] = np.inf
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
            if value < best and path_free(building, a, a_lifted, p, p_lifted, sequence, k, t, places) > 0:
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
        free = path_free(building, a, a_lifted, p, p_lifted, sequence, k, t, places)
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
