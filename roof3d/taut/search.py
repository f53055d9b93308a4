"""Best-first search for the taut length: exact where it ends, a proven bracket where it is cut off.

Proof that the search is right.

1. A shortest path in free space is a polyline that bends only at contacts (contacts.py). Let S be
   the sequence of contacts where it bends, from the point to the anchor.
2. Over all polylines point - S - anchor, building ignored, the length is a convex function of the
   places on the contacts (shorten.py). The shortest path is stationary in it, hence it attains its
   minimum f(S). So if the minimiser of S is not free of the building, S is not the sequence of the
   shortest path. A way is taken as free only where it is so with its bends stood off (sight.py); it is
   refuted only where the building itself stands in the way, bends and ends as near to the faces as these
   are known (ways.path_free). In between nothing is claimed: S stays, and f(S) with it, as a bound.
3. Adding a contact never shortens the minimum: f(S + e) >= f(S).
4. Contacts are cut into cells. Let ``W`` be the least distance between two cells (infinite where they
   provably cannot see each other, hidden.py), and ``H`` the least sum of such distances over chains of
   cells from the anchor (cells.py). Any path that begins with S is at least as long as the least
   chain ``point - cells of S``, plus H of the last cell: each of its pieces joins two such cells.
5. So popping sequences in the order of the greatest of the bounds, the first whose minimiser is
   free is the shortest path, provided every sequence that a taut rope can have is reached. Dropped
   are only extensions by a contact that provably cannot be seen from the last one, that lies on a
   side from which a rope would not press on it (hidden.clip_to_side), or that repeats a contact or
   starts with the one the point lies on (the piece of the edge between two touches would be shorter).
   Also dropped are second and later contacts in a cell that the point sees as a whole, and contacts
   after a cell that the anchor sees as a whole, and a contact between two cells that see each other as
   a whole: parts of a shortest path are shortest paths, so there the rope runs straight (clear.py). Sight
   is that of stood-off places, so this is used only where the straight run is one that the search takes:
   the sides admit it, and it is not dropped as hidden (hidden.point_may_see, apart).
6. Corners. Where S ends in a corner v, the way to v is a shortest path with fixed ends: its minimiser
   must be free, or S begins no shortest path; and of two free ways to v only the shorter begins one
   (of two equal ones either does: they can be exchanged). A shortest path never bends at a corner about
   which the building is convex; other corners are contacts of their own. So in the sequence of a
   shortest path every touch of an edge is inside it, and stationary there: a contact whose
   neighbours pull the place to one of its ends, wherever on them the rope is, is none (hidden.end_cosines).
7. Ends of edges. Let the way over S to the end v of its last contact have least length g, let D be a
   lower bound of the taut length from v to the anchor, and ``s`` the derivative of the way's length
   along the edge at v. The way's length is convex in its end, and no length falls by more than 1 per
   metre, so a rope that touches the contact at t from v is at least g + s t + D - t long. Where that
   is over what is known to suffice, it does not touch there: the contact is trimmed for all that
   follows S, and bounds are taken over what is left.
8. When the search is cut off (number of sequences, the limit, or a bound near enough), every sequence
   not yet refuted is at least as long as the least bound on the frontier: that bound is ``lo``.

``ALLOWANCE`` covers the stand-off of sight.py: a true path that passes another outline nearer than
the stand-off is found with one contact more, at most that much longer. It also covers ``hidden.EXACT``:
a building whose planes are flat to that measure has taut lengths as near to those of one with flat planes.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import njit

from roof3d.records import Floats, Ints
from roof3d.taut.cells import CELLS_MOST, FEW, point_to_cell
from roof3d.taut.clear import all_see_all, sees_all
from roof3d.taut.heap import pop, push
from roof3d.taut.hidden import end_cosines, off_segment, point_may_see, side_mask
from roof3d.taut.shorten import MOST, one_contact, over_one, shorten
from roof3d.taut.sight import blocked, winding
from roof3d.taut.ways import (
    CANDIDATES,
    HINTS,
    flip,
    graph_ways,
    neighbours_way,
    onward,
    path_free,
    refuted,
    remember,
    whole,
)

ALLOWANCE = 0.0005  # m
AT_END = 1e-6  # sum of cosines up to which a rope bends only at a contact's end
AT_EDGE = 1e-5  # m, a point this near an edge lies on it: nearer than ropes are looked at (sight.FINE)
NEAR = 0.01  # m, a way shorter than this has no certain direction
ROUGH = 2e-5  # m, minima that only order the search are found this well
SAME = 1e-6  # m, ways to a corner that differ by less are one way
POOL = 20_000  # sequences kept for one point
CHECKS = 300  # sequences looked at for one point before it is cut off
NEW, SEEN, TRIMMED = 0, 1, 2  # what has been done for a sequence


class Building(NamedTuple):
    """What the search takes of a building (field.Preparation)."""

    sight: tuple[np.ndarray, ...]
    faced: np.ndarray
    region: Ints
    plates: tuple[np.ndarray, ...]
    contacts: tuple[np.ndarray, ...]
    cells: tuple[np.ndarray, ...]
    pair: Ints  # (e, e) sides on which contacts may see each other
    cosine: np.ndarray  # (e, e, 2) hidden.pair_cosines
    near: Ints  # (e, k) contacts that each may see, -1 behind the last
    node_place: Floats  # (c, 3) middles of the cells
    node_lifted: Floats  # (c, 3) the same, stood off
    cell_ends: Floats  # (c, 2, 3) stood-off ends of the cells
    pair_clear: np.ndarray  # (c, c) cells that see each other whole; -1 not known yet
    fine: float  # m, how near to the faces a rope is looked at before it is refuted (ways.path_free)


class Tied(NamedTuple):
    """What the search takes of an anchor (field.Tied)."""

    a: Floats
    lifted: Floats
    mask: Ints  # (e,) sides of the contacts seen from the anchor
    clear: Ints  # (c,) 1 where the anchor sees all of the cell
    ahead: Floats  # (c, 2) lower bounds of the rope to a cell arriving from either side
    tip_ahead: Floats  # (e, 2) lower bounds to the ends of contacts
    known: Floats  # (c, 2) graph lengths to the middles of cells (graph.py)
    before: Ints  # (c, 2)
    active: Ints  # (k,) contacts within the limit that the anchor was tied for
    in_use: Ints  # (e,) 1 for those
    nodes: Ints  # (m,) nodes of the graph within it


class Pool(NamedTuple):
    """Sequences of one search, a row each, and the heap of those to be looked at."""

    contact: np.ndarray  # last contact
    parent: np.ndarray  # row of the sequence without it, -1 for none
    depth: np.ndarray
    mask: np.ndarray  # sides from which the rope may arrive at the last contact
    stage: np.ndarray
    reach: np.ndarray  # (POOL, CELLS_MOST) least lengths to the cells of the last contact
    t: np.ndarray  # (POOL, MOST) places of the minimiser
    low: np.ndarray  # (POOL, MOST) what trimming has left of the contacts
    high: np.ndarray
    heap_key: np.ndarray
    heap_row: np.ndarray


@njit(cache=True)
def sealed(sight, p, node_lifted):  # type: ignore[no-untyped-def]
    """Whether a stood-off point sees no node of the graph at all."""
    for n in range(len(node_lifted)):
        if not blocked(sight, p, node_lifted[n]):
            return False
    return len(node_lifted) > 0


@njit(cache=True)
def _out_of_reach(contacts, p, sequence, k, low, high, t, far, cut, from_end):  # type: ignore[no-untyped-def]
    """How much of the last of k contacts, from one end, a rope no longer than ``cut`` cannot touch (point 7).

    ``far`` bounds the taut length from that end to the anchor; ``from_end`` 0 or 1.
    """
    start, way, length = contacts[0], contacts[1], contacts[2]
    last = sequence[k - 1]
    end = np.empty(3)
    for c in range(3):
        end[c] = start[last, c] + from_end * length[last] * way[last, c]
    lower, _ = shorten(p, end, sequence, k - 1, start, way, low, high, t, ROUGH)
    over = lower + far - cut
    if over <= 0.0:
        return 0.0
    size = slope = 0.0
    for c in range(3):
        came = p[c] if k == 1 else start[sequence[k - 2], c] + t[k - 2] * way[sequence[k - 2], c]
        size += (end[c] - came) ** 2
        slope += (end[c] - came) * way[last, c]
    slope = slope / np.sqrt(size) if size > NEAR * NEAR else -1.0
    if from_end:
        slope = -slope if size > NEAR * NEAR else -1.0
    return over / (1.0 - slope + 1e-6)


@njit(cache=True)
def _runs_straight(  # type: ignore[no-untyped-def]
    sight, ends, middles, first, apart, reach, pair_clear, p_lifted, p_clear, e, before_last, from_p, c, cut
):
    """Whether the point sees all of cell c, or all that the rope can have touched of contact e does.

    ``from_p``, ``before_last``: 0 and -1 where a rope from there to the cell is not admitted by the sides.
    """
    if from_p and p_clear[c] < 0:
        p_clear[c] = not blocked(sight, p_lifted, middles[c]) and sees_all(sight, p_lifted, ends, c)
    if from_p and p_clear[c]:
        return True
    if before_last < 0:
        return False
    for b in range(first[e], first[e + 1]):
        if reach[before_last, b - first[e]] >= cut:
            continue
        if pair_clear[b, c] < 0:
            pair_clear[b, c] = not blocked(sight, middles[b], middles[c]) and all_see_all(sight, ends, b, c)
            pair_clear[c, b] = pair_clear[b, c]
        if not pair_clear[b, c] or apart[b, c] == np.inf:
            return False
    return True


@njit(cache=True)
def _search_one(  # type: ignore[no-untyped-def]
    building, tied, p, p_lifted, p_mask, p_cosine, p_clear, straight, cut, best, best_lower, count,
    most_checks, enough, served, pool, work, corner_best, seq, places_t,
):  # fmt: skip
    """(length of the best way, proven least length, contacts, sequences looked at).

    The way goes into seq and places_t.
    """
    contacts, pair, cosine, near = building.contacts, building.pair, building.cosine, building.near
    start, way, length = contacts[0], contacts[1], contacts[2]
    cell_first, cell_low, cell_high = building.cells[0], building.cells[2], building.cells[3]
    apart, ends, middles, pair_clear = (
        building.cells[4],
        building.cell_ends,
        building.node_lifted,
        building.pair_clear,
    )
    ahead, a_clear, pool_reach = tied.ahead, tied.clear, pool.reach
    sequence, t, low, high, places, reach, from_cell, t_end = work
    corner_best[:] = np.inf
    used = size = looked = k = 0
    frontier = np.inf  # least bound among sequences that were put aside
    parent, parent_key = -1, straight
    while True:
        # extend the sequence in hand by every contact that may follow
        last = before_last = came = -1
        if parent >= 0:
            last, before_last = pool.contact[parent], pool.parent[parent]
            came = -1 if before_last < 0 else pool.contact[before_last]
        # cells of the last contact that the rope may touch (from the others it runs straight to the anchor)
        open_cells = 0
        if parent >= 0:
            for d in range(cell_first[last], cell_first[last + 1]):
                runs_on = not a_clear[d] or (pool.mask[parent] & tied.mask[last]) == 0
                if runs_on and pool_reach[parent, d - cell_first[last]] < cut:
                    from_cell[open_cells] = d
                    open_cells += 1
        for row in range(len(tied.active) if parent < 0 else len(near[0])):
            if parent < 0:
                f = tied.active[row]
                mask_out = flip(p_mask[f])
                if mask_out == 0:
                    continue
            else:
                f = near[last, row]
                if f < 0:
                    break
                if (pair[last, f] & pool.mask[parent]) == 0 or not tied.in_use[f]:
                    continue
                if length[last] > 0.0:
                    come0 = p_cosine[last, 0] if came < 0 else cosine[last, came, 0]
                    come1 = p_cosine[last, 1] if came < 0 else cosine[last, came, 1]
                    if come0 + cosine[last, f, 0] <= AT_END or come1 + cosine[last, f, 1] <= AT_END:
                        continue
                repeated = False
                for j in range(k):
                    repeated = repeated or sequence[j] == f
                if repeated:
                    continue
                mask_out = flip(pair[f, last])
            # a straight run is an argument only where the search may take it (point 5)
            from_p = flip(p_mask[f]) & mask_out
            from_came = 0
            if came >= 0 and pair[came, f] & pool.mask[before_last]:
                from_came = flip(pair[f, came]) & mask_out
            bound = np.inf
            first_f = cell_first[f]
            for c in range(first_f, cell_first[f + 1]):
                beyond = onward(ahead, c, mask_out)
                here = np.inf
                if beyond < cut:
                    if parent < 0:
                        here = point_to_cell(p, cell_low, cell_high, c)
                    else:
                        for j in range(open_cells):
                            d = from_cell[j]
                            here = min(here, pool_reach[parent, d - cell_first[last]] + apart[d, c])
                        if here + beyond < cut and _runs_straight(
                            building.sight, ends, middles, cell_first, apart, pool_reach, pair_clear,
                            p_lifted, p_clear, came, before_last if from_came else -1, from_p, c, cut,
                        ):  # fmt: skip
                            here = np.inf
                reach[c - first_f] = here
                bound = min(bound, here + beyond)
            bound = max(bound, parent_key)
            if bound >= cut:
                continue
            if k + 1 >= MOST or used >= POOL:
                frontier = min(frontier, bound)
                continue
            for j in range(k):
                t[j], low[j], high[j] = pool.t[parent, j], pool.low[parent, j], pool.high[parent, j]
            sequence[k], low[k], high[k] = f, 0.0, length[f]
            if k == 0:
                t[0] = one_contact(p, tied.a, start[f], way[f], length[f])
                lower = over_one(p, tied.a, start[f], way[f], t[0]) - SAME
            else:
                for c in range(3):
                    places[0, c] = start[last, c] + t[k - 1] * way[last, c]
                t[k] = one_contact(places[0], tied.a, start[f], way[f], length[f])
                lower, _ = shorten(p, tied.a, sequence, k + 1, start, way, low, high, t, ROUGH, cut)
            bound = max(bound, lower)
            if bound >= cut:
                continue
            pool.contact[used], pool.parent[used], pool.depth[used] = f, parent, k + 1
            pool.mask[used], pool.stage[used] = mask_out, NEW if parent < 0 else SEEN
            for c in range(cell_first[f + 1] - first_f):
                pool.reach[used, c] = np.float32(reach[c] * (1.0 - 1e-6))
            for j in range(k + 1):
                pool.t[used, j], pool.low[used, j], pool.high[used, j] = t[j], low[j], high[j]
            size = push(pool.heap_key, pool.heap_row, size, bound, used)
            used += 1
        # take the sequence with the least bound that stands
        while True:
            if size == 0:
                return best, min(frontier, best_lower), count, looked
            parent, parent_key = pool.heap_row[0], pool.heap_key[0]
            size = pop(pool.heap_key, pool.heap_row, size)
            if parent_key >= cut - enough or looked >= most_checks:
                return best, min(min(frontier, parent_key), best_lower), count, looked
            k = pool.depth[parent]
            node = parent
            for j in range(k - 1, -1, -1):
                sequence[j] = pool.contact[node]
                node = pool.parent[node]
            last = sequence[k - 1]
            bound = parent_key
            if pool.stage[parent] == NEW:
                # first contact of the rope, seen from the point: tested only now that it matters
                pool.stage[parent] = SEEN
                bound = np.inf
                for c in range(cell_first[last], cell_first[last + 1]):
                    slot = c - cell_first[last]
                    through = pool_reach[parent, slot] + onward(ahead, c, pool.mask[parent])
                    if through < cut and point_may_see(
                        building.sight, building.region, building.plates,
                        p, p_lifted, cell_low[c], cell_high[c], FEW,
                    ):  # fmt: skip
                        bound = min(bound, through)
                    else:
                        pool_reach[parent, slot] = np.inf
                bound = max(bound, parent_key)
            for j in range(k):
                t[j], low[j], high[j] = pool.t[parent, j], pool.low[parent, j], pool.high[parent, j]
                t_end[j] = t[j]
            if bound < cut and length[last] > 0.0 and pool.stage[parent] == SEEN:
                pool.stage[parent] = TRIMMED
                far = tied.tip_ahead[last]
                below = _out_of_reach(contacts, p, sequence, k, low, high, t_end, far[0], cut, 0)
                above = _out_of_reach(contacts, p, sequence, k, low, high, t_end, far[1], cut, 1)
                if below > 0.0 or above > 0.0:
                    low[k - 1], high[k - 1] = below, length[last] - above
                    if low[k - 1] > high[k - 1]:
                        continue
                    lower, _ = shorten(p, tied.a, sequence, k, start, way, low, high, t, ROUGH, cut)
                    bound = max(bound, lower)
                    for j in range(k):
                        pool.t[parent, j] = t[j]
                    pool.low[parent, k - 1], pool.high[parent, k - 1] = low[k - 1], high[k - 1]
            if bound >= cut:
                continue
            if bound > parent_key + 1e-9:
                size = push(pool.heap_key, pool.heap_row, size, bound, parent)
                continue
            looked += 1
            if length[last] > 0.0:
                break
            # at a corner the rope falls in two (point 6)
            lower, exact = shorten(p, start[last], sequence, k - 1, start, way, low, high, t_end)
            free = 0
            if lower < corner_best[last] - SAME:
                place = building.node_lifted[cell_first[last]]
                free = path_free(building, start[last], place, p, p_lifted, sequence, k - 1, t_end, places)
                if free == 0 and contacts[6][last]:
                    free = -1
            if free == 0:
                continue
            if free > 0:
                corner_best[last] = exact
            pool.reach[parent, 0] = max(pool.reach[parent, 0], np.float32(lower * (1.0 - 1e-6)))
            break
        if pool.mask[parent] & tied.mask[last]:
            whole(contacts, sequence, k, low, high)
            lower, exact = shorten(p, tied.a, sequence, k, start, way, low, high, t)
            if exact < best:
                free = path_free(building, tied.a, tied.lifted, p, p_lifted, sequence, k, t, places)
                if free < 0:
                    frontier = min(frontier, lower)
                elif free > 0:
                    best, best_lower, count = exact, lower, k
                    cut = min(cut, best)
                    for j in range(k):
                        seq[j] = sequence[j]
                        places_t[j] = t[j]
                    if best <= served:
                        return best, min(min(frontier, parent_key), best_lower), count, looked


class Work(NamedTuple):
    """Memory of one search, made once for many points."""

    pool: Pool
    work: tuple[np.ndarray, ...]
    first_work: tuple[np.ndarray, ...]
    hints: tuple[np.ndarray, ...]
    p_mask: Ints  # (e,) sides of the contacts seen from the point
    p_cosine: np.ndarray  # (e, 2) hidden.end_cosines of the point
    p_clear: Ints  # (c,) 1 where the point sees all of the cell, -1 not known yet
    corner_best: Floats  # (e,)


@njit(cache=True)
def make_work(n_contacts, n_cells):  # type: ignore[no-untyped-def]
    """Memory for a building of so many contacts and cells."""
    pool = Pool(
        np.empty(POOL, np.int32), np.empty(POOL, np.int32), np.empty(POOL, np.int32),
        np.empty(POOL, np.int32), np.empty(POOL, np.int8), np.empty((POOL, CELLS_MOST), np.float32),
        np.empty((POOL, MOST)), np.empty((POOL, MOST)), np.empty((POOL, MOST)),
        np.empty(POOL + 1), np.empty(POOL + 1, np.int64),
    )  # fmt: skip
    sequence, t, places = np.empty(MOST, np.int64), np.empty(MOST), np.empty((MOST, 3))
    low, high = np.empty(MOST), np.empty(MOST)
    work = (
        sequence, t, low, high, places,
        np.empty(CELLS_MOST), np.empty(CELLS_MOST, np.int64), np.empty(MOST),
    )  # fmt: skip
    first_work = (
        sequence, t, low, high, places, np.empty(n_cells),
        np.empty((CANDIDATES, MOST), np.int64), np.empty(CANDIDATES, np.int64),
    )  # fmt: skip
    hints = (
        np.empty((HINTS, MOST), np.int64), np.zeros(HINTS, np.int64), np.empty((HINTS, MOST)),
        np.arange(HINTS),
    )  # fmt: skip
    return Work(
        pool, work, first_work, hints,
        np.zeros(n_contacts, np.int64), np.ones((n_contacts, 2), np.float32),
        np.empty(n_cells, np.int64), np.empty(n_contacts),
    )  # fmt: skip


@njit(cache=True)
def measure_one(  # type: ignore[no-untyped-def]
    building, tied, p, p_lifted, guess, limit, served, most_checks, enough, thorough, memory, seq, places_t
):
    """(lo, hi, contacts, sequences looked at) of one point; the way goes into seq and places_t.

    ``limit``, ``served``: the search ends where the rope is known to be longer than the one, or not to be
    longer than the other. ``enough``, ``thorough``, ``guess`` as in search_all.
    """
    sight, contacts, a = building.sight, building.contacts, tied.a
    start, way, length, n1, n2 = contacts[0], contacts[1], contacts[2], contacts[3], contacts[4]
    cell_first, cell_low, cell_high = building.cells[0], building.cells[2], building.cells[3]
    p_mask, p_cosine, p_clear = memory.p_mask, memory.p_cosine, memory.p_clear
    straight = 0.0
    for c in range(3):
        straight += (a[c] - p[c]) ** 2
    straight = np.sqrt(straight)
    if straight > limit:
        return straight, np.inf, 0, 0
    if not blocked(sight, p_lifted, tied.lifted):
        return straight, straight, 0, 0
    best, best_lower, count = neighbours_way(
        building, tied, p, p_lifted, limit, memory.hints, memory.first_work, seq, places_t
    )
    if best <= served:
        remember(memory.hints, count, seq, places_t)
        return straight, best, count, 0
    for e in tied.active:
        p_mask[e] = side_mask(start, n1, n2, e, p)
        if p_mask[e] and length[e] > 0.0:
            if off_segment(cell_low[cell_first[e]], cell_high[cell_first[e + 1] - 1], p) < AT_EDGE:
                p_mask[e] = 0  # a rope from a place on an edge never bends at that same edge
            else:
                end_cosines(start, way, length, e, p, p, p_cosine[e])
    if thorough or count == 0:
        best, best_lower, count = graph_ways(
            building, tied, p_mask, p, p_lifted, limit, straight, best, best_lower, count,
            memory.first_work, seq, places_t,
        )  # fmt: skip
    proven, looked = straight, 0
    if best == np.inf and abs(winding(sight[0], p_lifted)) > 0.5:
        return straight, np.inf, 0, 0  # most likely inside the building: not searched, nothing is claimed
    if best > served:
        for e in tied.active:
            for c in range(cell_first[e], cell_first[e + 1]):
                # 0 where the cell's place is a guess, else -1: not known yet
                p_clear[c] = building.pair_clear[c, c]
        best, proven, count, looked = _search_one(
            building, tied, p, p_lifted, p_mask, p_cosine, p_clear, straight, min(limit, best), best,
            best_lower, count, most_checks, enough, served, memory.pool, memory.work,
            memory.corner_best, seq, places_t,
        )  # fmt: skip
        if best > limit:
            proven = min(proven, limit)
        if best == np.inf and sealed(sight, p_lifted, building.node_lifted):
            proven = straight  # walled in by the stand-off, it may be: that proves nothing
        if guess or not refuted(building, p, a):
            proven = straight  # its own side is a guess, or only the stand-off blocks the straight run
    if best < np.inf and count > 0:
        remember(memory.hints, count, seq, places_t)
    return max(straight, min(proven - ALLOWANCE, best)), best, count, looked


@njit(cache=True, nogil=True)
def search_all(  # type: ignore[no-untyped-def]
    building, tied, points, lifted, guess, limit, served, most_checks, enough, thorough,
    lo, hi, seq, count, places_t, checks,
):  # fmt: skip
    """Taut lengths from an anchor to points (n, 3); see the module's proof.

    ``limit``, ``served`` (n,): what is longer than the one, or not longer than the other, is not searched
    further. ``enough``: a bracket this narrow ends the search; ``thorough``: the graph's ways are tried
    even where a neighbour's sequence is free.
    ``guess[i]``: the stood-off place of the point, or of the anchor, is a guess.
    Results: lo, hi (n,), seq (n, MOST) contacts from the point to the anchor, count (n,),
    places_t (n, MOST), checks (n,) sequences looked at.
    """
    memory = make_work(len(building.contacts[2]), len(building.cells[2]))
    for i in range(len(points)):
        lo[i], hi[i], count[i], checks[i] = measure_one(
            building, tied, points[i], lifted[i], guess[i], limit[i], served[i], most_checks, enough,
            thorough, memory, seq[i], places_t[i],
        )  # fmt: skip
