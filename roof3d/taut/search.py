"""Best-first search for the taut length: exact where it ends, a proven bracket where it is cut off.

Proof that the search is right.

1. A shortest path in free space is a polyline that bends only at contacts (contacts.py). Let S be
   the sequence of contacts where it bends, from the point to the anchor.
2. Over all polylines point - S - anchor, building ignored, the length is a convex function of the
   places on the contacts (shorten.py). The shortest path is stationary in it, hence it attains its
   minimum f(S). So if the minimiser of S is not free of the building, S is not the sequence of the
   shortest path.
3. Adding a contact never shortens the minimum: f(S + e) >= f(S).
4. Contacts are cut into cells. Let ``W`` be the least distance between two cells (infinite where they
   provably cannot see each other, hidden.py), and ``H`` the least sum of such distances over chains of
   cells from the anchor (cells.py). Any path that begins with S is at least as long as the least
   chain ``point - cells of S``, plus H of the last cell: each of its pieces joins two such cells.
5. So popping sequences in the order of the greater of the two bounds, the first whose minimiser is
   free is the shortest path, provided every sequence that a taut rope can have is reached. Dropped
   are only extensions by a contact that provably cannot be seen from the last one, that lies on a
   side from which a rope would not press on it (hidden.side_mask), or that repeats a contact or
   starts with the one the point lies on (the piece of the edge between two touches would be shorter).
   Also dropped are second and later contacts in a cell that the point sees as a whole, and contacts
   after a cell that the anchor sees as a whole, and a contact between two cells that see each other as
   a whole: parts of a shortest path are shortest paths, so there the rope runs straight (clear.py).
6. When the search is cut off (number of sequences, the limit, or a bound near enough), every sequence
   not yet refuted is at least as long as the least bound on the frontier: that bound is ``lo``.

``ALLOWANCE`` covers the stand-off of sight.py: a true path that passes another outline nearer than
the stand-off is found with one contact more, at most that much longer.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from roof3d.taut.cells import CELLS_MOST, FEW, SIDES, point_to_cell
from roof3d.taut.clear import all_see_all, sees_all
from roof3d.taut.hidden import ON_EDGE, end_cosines, may_see, off_segment, side_mask
from roof3d.taut.shorten import MOST, one_contact, shorten
from roof3d.taut.sight import blocked, lift, winding

ALLOWANCE = 0.0005  # m
AT_END = 1e-6  # sum of cosines up to which a rope bends only at a contact's end
SAME = 1e-6  # m, ways to a corner that differ by less are one way
NEAR_END = 0.006  # m, contact places this near an edge's end are lifted off all faces around
HINTS = 6  # sequences of neighbouring points tried first
POOL = 20_000  # sequences kept for one point
CANDIDATES = 10  # sequences of the graph that are refined for one point
SPARE = 0.5  # m, by which a graph path may be longer than the best and still be refined
CHECKS = 300  # sequences looked at for one point before it is cut off


@njit(cache=True, inline="always")
def _flip(mask):  # type: ignore[no-untyped-def]
    return ((mask & 1) << 1) | ((mask & 2) >> 1)


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
def path_free(sight, faced, contacts, a_lifted, p_lifted, sequence, k, t, places):  # type: ignore[no-untyped-def]
    """Whether the polyline point - stood-off places - anchor is free of the building.

    1 free, 0 blocked, -1 blocked where a place was a guess: that refutes nothing.
    """
    guess = False
    for i in range(k):
        guess = place_contact(sight, faced, contacts, sequence[i], t[i], places[i]) or guess
    for i in range(k + 1):
        left = p_lifted if i == 0 else places[i - 1]
        right = a_lifted if i == k else places[i]
        if blocked(sight, left, right):
            return -1 if guess else 0
    return 1


@njit(cache=True)
def _way_to(sight, faced, contacts, p, p_lifted, end, end_lifted, sequence, k, t, places):  # type: ignore[no-untyped-def]
    """(path_free, lower bound, length) of the shortest polyline point - sequence - end; places into t."""
    lower, exact = shorten(p, end, sequence, k, contacts[0], contacts[1], contacts[2], t)
    return path_free(sight, faced, contacts, end_lifted, p_lifted, sequence, k, t, places), lower, exact


@njit(cache=True)
def _push(heap_key, heap_node, size, key, node):  # type: ignore[no-untyped-def]
    i = size
    while i > 0:
        parent = (i - 1) >> 1
        if heap_key[parent] <= key:
            break
        heap_key[i] = heap_key[parent]
        heap_node[i] = heap_node[parent]
        i = parent
    heap_key[i] = key
    heap_node[i] = node
    return size + 1


@njit(cache=True)
def _pop(heap_key, heap_node, size):  # type: ignore[no-untyped-def]
    key, node = heap_key[size - 1], heap_node[size - 1]
    size -= 1
    i = 0
    while True:
        child = 2 * i + 1
        if child >= size:
            break
        if child + 1 < size and heap_key[child + 1] < heap_key[child]:
            child += 1
        if heap_key[child] >= key:
            break
        heap_key[i] = heap_key[child]
        heap_node[i] = heap_node[child]
        i = child
    heap_key[i] = key
    heap_node[i] = node
    return size


@njit(cache=True, inline="always")
def _onward(ahead, cell, mask):  # type: ignore[no-untyped-def]
    """Least length from the anchor to a cell, the rope arriving from one of the sides in mask."""
    best = np.inf
    if mask & 1:
        best = ahead[cell, 0]
    if mask & 2 and ahead[cell, 1] < best:
        best = ahead[cell, 1]
    return best


@njit(cache=True)
def _sealed(sight, p, node_lifted):  # type: ignore[no-untyped-def]
    """Whether a stood-off point sees no node of the graph at all."""
    for n in range(len(node_lifted)):
        if not blocked(sight, p, node_lifted[n]):
            return False
    return len(node_lifted) > 0


@njit(cache=True, nogil=True)
def search_all(  # type: ignore[no-untyped-def]
    sight, faced, region, plates, contacts, cells, pair, cosine, near, ahead, known, before, node_place,
    node_lifted, cell_ends, pair_clear, a_clear, a, a_lifted, a_mask, points, lifted, guess,
    limit, most_checks, enough, lo, hi, seq, count, places_t, checks,
):  # fmt: skip
    """Taut lengths from anchor a to points (n, 3); see the module's proof.

    ``ahead[cell, side]`` bounds the rope from the anchor to a cell arriving from that side,
    from below, ``known`` and ``before`` are the graph's paths to the cells' middles (graph.py), stood
    off at ``node_lifted``. ``cell_ends`` (c, 2, 3) are the stood-off ends of the cells, ``a_clear`` the
    cells that the anchor sees as a whole, ``pair_clear`` the same between cells (-1: not known yet).
    ``enough``: a bracket this narrow ends the search.
    ``guess[i]``: the stood-off place of the point, or of the anchor, is a guess.
    Results: lo, hi (n,), seq (n, MOST) contacts from the point to the anchor, count (n,),
    places_t (n, MOST), checks (n,) sequences looked at.
    """
    start, way, length, n1, n2 = contacts[0], contacts[1], contacts[2], contacts[3], contacts[4]
    cell_first, cell_contact, cell_low, cell_high, cell_apart = cells
    n_contacts = len(length)
    node_contact = np.empty(POOL, np.int32)
    node_parent = np.empty(POOL, np.int32)
    node_depth = np.empty(POOL, np.int32)
    node_mask = np.empty(POOL, np.int32)
    node_seen = np.empty(POOL, np.bool_)
    node_reach = np.empty((POOL, CELLS_MOST), np.float32)
    node_t = np.empty((POOL, MOST), np.float32)
    heap_key = np.empty(POOL + 1)
    heap_node = np.empty(POOL + 1, np.int64)
    sequence = np.empty(MOST, np.int64)
    child_sequence = np.empty(MOST, np.int64)
    t = np.empty(MOST)
    t_child = np.empty(MOST)
    places = np.empty((MOST, 3))
    reach = np.empty(CELLS_MOST)
    p_mask = np.empty(n_contacts, np.int32)
    node_value = np.empty(len(cell_contact))
    p_clear = np.empty(len(cell_contact), np.int64)
    corner_best = np.empty(n_contacts)
    p_cosine = np.empty((n_contacts, 2))
    tried_seq = np.empty((CANDIDATES, MOST), np.int64)
    tried_count = np.zeros(CANDIDATES, np.int64)
    hint_seq = np.empty((HINTS, MOST), np.int64)
    hint_count = np.zeros(HINTS, np.int64)
    hint_t = np.empty((HINTS, MOST))
    hint_next = 0
    for i in range(len(points)):
        p = points[i]
        straight = 0.0
        for c in range(3):
            straight += (a[c] - p[c]) ** 2
        straight = np.sqrt(straight)
        lo[i], hi[i], count[i], checks[i] = straight, np.inf, 0, 0
        if straight > limit:
            continue
        if not blocked(
            sight,
            lifted[i],
            a_lifted,
        ):
            hi[i] = straight
            continue
        # sequences that served neighbours: an upper bound that prunes the search
        best, best_lower = np.inf, np.inf
        for h in range(HINTS):
            k = hint_count[h]
            if k == 0:
                continue
            for j in range(k):
                sequence[j] = hint_seq[h, j]
                t[j] = hint_t[h, j]
            lower, exact = shorten(p, a, sequence, k, start, way, length, t)
            if (
                exact < best - 1e-9
                and path_free(sight, faced, contacts, a_lifted, lifted[i], sequence, k, t, places) > 0
            ):
                best, best_lower = exact, lower
                count[i] = k
                for j in range(k):
                    seq[i, j] = sequence[j]
                    places_t[i, j] = t[j]
                    hint_t[h, j] = t[j]
        for e in range(n_contacts):
            p_mask[e] = side_mask(start, n1, n2, e, p)
            low, high = cell_low[cell_first[e]], cell_high[cell_first[e + 1] - 1]
            if p_mask[e] and off_segment(low, high, p) < ON_EDGE:
                p_mask[e] = 0  # a rope from a place on an edge never bends at that same edge
            if p_mask[e] and length[e] > 0.0:
                end_cosines(start, way, length, e, p, p, p_cosine[e])
        # graph paths whose last node sees the point, cheapest first, each sequence once
        tried = 0
        for n in range(len(cell_contact)):
            value = np.inf
            mask = _flip(p_mask[cell_contact[n]])
            if mask:
                onward = _onward(known, n, mask)
                if onward < np.inf:
                    s = 0.0
                    for c in range(3):
                        s += (node_place[n, c] - p[c]) ** 2
                    value = onward + np.sqrt(s)
            node_value[n] = value
        graph_best = np.inf
        while tried < CANDIDATES:
            n = int(np.argmin(node_value)) if len(node_value) > 0 else 0
            if len(node_value) == 0 or node_value[n] >= min(limit + SPARE, min(graph_best, best) + SPARE):
                break
            value = node_value[n]
            node_value[n] = np.inf
            e = cell_contact[n]
            # the cheapest node of each contact stands for its neighbours on that contact
            if blocked(
                sight,
                lifted[i], node_lifted[n],
            ):  # fmt: skip
                continue
            k = 0
            at, side = n, 0 if known[n, 0] <= known[n, 1] else 1
            if _flip(p_mask[e]) != 3:
                side = 0 if _flip(p_mask[e]) == 1 else 1
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
                    and path_free(sight, faced, contacts, a_lifted, lifted[i], sequence, k, t, places) > 0
                ):
                    best, best_lower = value, straight
                    count[i] = k
                    for j in range(k):
                        seq[i, j] = sequence[j]
                        places_t[i, j] = t[j]
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
            lower, exact = shorten(p, a, sequence, k, start, way, length, t)
            free = path_free(sight, faced, contacts, a_lifted, lifted[i], sequence, k, t, places)
            if free > 0 and (exact < best or best == value):
                best, best_lower = min(exact, best), lower
                count[i] = k
                for j in range(k):
                    seq[i, j] = sequence[j]
                    places_t[i, j] = t[j]
            elif free == 0 and best == value:
                best_lower = value  # its sequence is refuted: what is shorter has another sequence
        if best == np.inf and abs(winding(sight[4], lifted[i])) > 0.5:
            continue  # most likely inside the building: not searched, and nothing is claimed
        for c in range(len(cell_contact)):
            p_clear[c] = pair_clear[c, c]  # 0 where the cell's place is a guess, else -1: not known yet
        corner_best[:] = np.inf
        cut = min(limit, best)
        used = size = looked = 0
        frontier = np.inf  # least bound among sequences that were put aside
        parent = -1
        parent_key = straight
        k = 0
        ended = False
        while not ended:
            # extend the sequence in hand by every contact that may follow
            last = -1 if parent < 0 else node_contact[parent]
            before_last = -1 if parent < 0 else node_parent[parent]
            for row in range(n_contacts if parent < 0 else len(near[0])):
                if parent < 0:
                    f = row
                    mask_out = _flip(p_mask[f])
                    if mask_out == 0:
                        continue
                else:
                    f = near[last, row]
                    if f < 0:
                        break
                    if (pair[last, f] & node_mask[parent]) == 0:
                        continue
                    repeated = False
                    for j in range(k):
                        repeated = repeated or sequence[j] == f
                    if repeated:
                        continue
                    if length[last] > 0.0:
                        if before_last < 0:
                            come0, come1 = p_cosine[last, 0], p_cosine[last, 1]
                        else:
                            came = node_contact[before_last]
                            come0, come1 = cosine[last, came, 0], cosine[last, came, 1]
                        if come0 + cosine[last, f, 0] <= AT_END or come1 + cosine[last, f, 1] <= AT_END:
                            continue  # the rope would bend at the end of the last contact: not an exact sequence
                    mask_out = _flip(pair[f, last])
                bound = np.inf
                first_f = cell_first[f]
                for c in range(first_f, cell_first[f + 1]):
                    onward = _onward(ahead, c, mask_out)
                    here = np.inf
                    if onward < cut:
                        if parent < 0:
                            here = point_to_cell(p, cell_low, cell_high, c)
                        else:
                            first_e = cell_first[last]
                            for d in range(first_e, cell_first[last + 1]):
                                if not a_clear[d]:  # from there the rope would run straight to the anchor
                                    here = min(here, node_reach[parent, d - first_e] + cell_apart[d, c])
                            if here + onward < cut:
                                if p_clear[c] < 0:
                                    p_clear[c] = sees_all(
                                        sight, lifted[i], cell_ends[c, 0], cell_ends[c, 1],
                                    )  # fmt: skip
                                if p_clear[c]:  # the rope would run straight there from the point
                                    here = np.inf
                                elif before_last >= 0:
                                    first_b = cell_first[node_contact[before_last]]
                                    straight_there = True
                                    for b in range(first_b, cell_first[node_contact[before_last] + 1]):
                                        if node_reach[before_last, b - first_b] >= cut:
                                            continue
                                        if pair_clear[b, c] < 0:
                                            pair_clear[b, c] = all_see_all(
                                                sight, cell_ends[b, 0], cell_ends[b, 1],
                                                cell_ends[c, 0], cell_ends[c, 1],
                                            )  # fmt: skip
                                            pair_clear[c, b] = pair_clear[b, c]
                                        if not pair_clear[b, c]:
                                            straight_there = False
                                            break
                                    if straight_there:
                                        here = np.inf
                    reach[c - first_f] = here
                    bound = min(bound, here + onward)
                bound = max(bound, parent_key)
                if bound >= cut:
                    continue
                if k + 1 >= MOST or used >= POOL:
                    frontier = min(frontier, bound)
                    continue
                for j in range(k):
                    child_sequence[j] = sequence[j]
                    t_child[j] = node_t[parent, j]
                child_sequence[k] = f
                if k == 0:
                    t_child[0] = one_contact(p, a, start[f], way[f], length[f])
                else:
                    for c in range(3):
                        places[0, c] = start[last, c] + t_child[k - 1] * way[last, c]
                    t_child[k] = one_contact(places[0], a, start[f], way[f], length[f])
                lower, exact = shorten(p, a, child_sequence, k + 1, start, way, length, t_child)
                bound = max(bound, lower)
                if bound >= cut:
                    continue
                node_contact[used] = f
                node_parent[used] = parent
                node_depth[used] = k + 1
                node_mask[used] = mask_out
                node_seen[used] = parent >= 0
                for c in range(cell_first[f + 1] - first_f):
                    node_reach[used, c] = np.float32(reach[c] * (1.0 - 1e-6))
                for j in range(k + 1):
                    node_t[used, j] = t_child[j]
                size = _push(heap_key, heap_node, size, bound, used)
                used += 1
            # take the sequence with the least bound
            while True:
                if size == 0:
                    ended = True
                    break
                parent, parent_key = heap_node[0], heap_key[0]
                size = _pop(heap_key, heap_node, size)
                if parent_key >= cut - enough:
                    frontier = min(frontier, parent_key)
                    ended = True
                    break
                if looked >= most_checks:
                    frontier = min(frontier, parent_key)
                    ended = True
                    break
                if not node_seen[parent]:
                    # first contact of the rope, seen from the point: tested only now that it matters
                    node_seen[parent] = True
                    f = node_contact[parent]
                    bound = np.inf
                    for c in range(cell_first[f], cell_first[f + 1]):
                        slot = c - cell_first[f]
                        if node_reach[parent, slot] < cut and not may_see(
                            sight, region, plates, p, p, cell_low[c], cell_high[c], FEW
                        ):
                            node_reach[parent, slot] = np.inf
                        bound = min(bound, node_reach[parent, slot] + _onward(ahead, c, node_mask[parent]))
                    bound = max(bound, parent_key)
                    if bound >= cut:
                        continue
                    if bound > parent_key + 1e-9:
                        size = _push(heap_key, heap_node, size, bound, parent)
                        continue
                looked += 1
                k = node_depth[parent]
                node = parent
                for j in range(k - 1, -1, -1):
                    sequence[j] = node_contact[node]
                    node = node_parent[node]
                last = sequence[k - 1]
                for j in range(k):
                    t[j] = node_t[parent, j]
                if length[last] > 0.0:
                    break
                # at a corner the rope falls in two: the way to it must be free, and a shortest one
                place = node_lifted[cell_first[last]]
                free, lower, exact = _way_to(
                    sight, faced, contacts, p, lifted[i], start[last], place, sequence, k - 1, t, places
                )
                if free < 0 or (free == 0 and contacts[6][last]):
                    break
                if free == 0 or lower > corner_best[last] - SAME:
                    continue
                corner_best[last] = exact
                node_reach[parent, 0] = max(node_reach[parent, 0], np.float32(lower * (1.0 - 1e-6)))
                break
            if ended:
                break
            if node_mask[parent] & a_mask[last]:
                lower, exact = shorten(p, a, sequence, k, start, way, length, t)
                if exact < best:
                    free = path_free(sight, faced, contacts, a_lifted, lifted[i], sequence, k, t, places)
                    if free < 0:
                        frontier = min(frontier, lower)
                    elif free > 0:
                        best, best_lower = exact, lower
                        cut = min(cut, best)
                        count[i] = k
                        for j in range(k):
                            seq[i, j] = sequence[j]
                            places_t[i, j] = t[j]
        checks[i] = looked
        hi[i] = best
        proven = min(frontier, best_lower) if best <= limit else min(frontier, limit)
        if best == np.inf and _sealed(sight, lifted[i], node_lifted):
            proven = straight  # walled in by the stand-off, it may be: that proves nothing
        if guess[i]:
            proven = straight  # its own side is a guess: nothing that was found blocked counts
        lo[i] = max(straight, min(proven - ALLOWANCE, best))
        if best < np.inf and count[i] > 0:
            repeat = False
            for h in range(HINTS):
                if hint_count[h] == count[i]:
                    same = True
                    for j in range(count[i]):
                        same = same and hint_seq[h, j] == seq[i, j]
                    repeat = repeat or same
            if not repeat:
                hint_count[hint_next] = count[i]
                for j in range(count[i]):
                    hint_seq[hint_next, j] = seq[i, j]
                    hint_t[hint_next, j] = places_t[i, j]
                hint_next = (hint_next + 1) % HINTS
