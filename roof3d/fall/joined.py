"""The pass over the boundary in order of potential that all tracks come from: the hot loop of fall.

Places are switched on one after the other and join their neighbours' sets; each set keeps what is least in
it. What a place does depends on all before it, so this cannot be told in array operations.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from roof3d.records import Floats, Ints

TIE_M = 0.01  # rest points that differ by less than this are all reckoned with
MOST_TIES = 32


@njit(cache=True)  # type: ignore[untyped-decorator,unused-ignore]
def _root(parent: Ints, i: int) -> int:
    while parent[i] != i:
        parent[i] = parent[parent[i]]
        i = parent[i]
    return i


@njit(cache=True)  # type: ignore[untyped-decorator,unused-ignore]
def _less(a: float, i: int, b: float, j: int) -> bool:
    """Whether the pair (a, i) comes before (b, j)."""
    return a < b or (a == b and i < j)


@njit(cache=True)  # type: ignore[untyped-decorator,unused-ignore]
def _put(found: Ints, count: int, piece: int) -> int:
    """Puts a piece into the sorted ones, once; returns their number."""
    at = 0
    while at < count and found[at] < piece:
        at += 1
    if at < count and found[at] == piece:
        return count
    for k in range(count, at, -1):
        found[k] = found[k - 1]
    found[at] = piece
    return count + 1


@njit(cache=True)  # type: ignore[untyped-decorator,unused-ignore]
def join_places(
    order: Ints,  # (p,) points by potential
    sorted_potential: Floats,  # (p,)
    starts: Ints,  # (p + 1,) pieces at each point
    members: Ints,
    one: Ints,  # (m,) points at the ends of each piece
    two: Ints,
    potential: Floats,  # (m,)
    value: Floats,  # (m,)
    blocked: np.ndarray,  # (m,) bool
    queries: Ints,  # (q,) queries by potential
    query_potential: Floats,  # (q,) in their own order, as the rest
    query_points: Ints,  # (q, 2)
    query_piece: Ints,  # (q,)
) -> tuple[Floats, Ints, Floats, Ints, Ints, Ints, Ints]:
    """For each query: least potential and its piece, least value and its piece, the first piece that is
    blocked (-1), how many further pieces lie as low, and which (q, most)."""
    count, n = len(order), len(queries)
    parent = np.arange(count)
    low, low_at = np.full(count, np.inf), np.full(count, -1, np.int64)
    bad, bad_at = np.full(count, np.inf), np.full(count, -1, np.int64)
    way = np.full(count, -1, np.int64)
    ties, tied = np.zeros((count, MOST_TIES), np.int64), np.zeros(count, np.int64)
    active = np.zeros(count, np.bool_)
    spare = np.empty(2 * MOST_TIES + 4, np.int64)
    lowest, rest = np.full(n, np.inf), np.full(n, -1, np.int64)
    worst, governs = np.full(n, np.inf), np.full(n, -1, np.int64)
    in_way = np.full(n, -1, np.int64)
    others, other_count = np.zeros((n, 2 * MOST_TIES + 4), np.int64), np.zeros(n, np.int64)
    done = 0
    for q in queries:
        while done < count and sorted_potential[done] <= query_potential[q]:
            i = order[done]
            done += 1
            active[i] = True
            for m in range(starts[i], starts[i + 1]):
                piece = members[m]
                if _less(potential[piece], piece, low[i], low_at[i]):
                    low[i], low_at[i] = potential[piece], piece
                if _less(value[piece], piece, bad[i], bad_at[i]):
                    bad[i], bad_at[i] = value[piece], piece
                if blocked[piece] and (way[i] < 0 or piece < way[i]):
                    way[i] = piece
            alone = True  # a place that only joins one track brings no rest point of its own
            for m in range(starts[i], starts[i + 1]):
                piece = members[m]
                other = two[piece] if one[piece] == i else one[piece]
                if not active[other]:
                    continue
                r, s = _root(parent, i), _root(parent, other)
                if r == s:
                    continue
                parent[s] = r
                lower = _less(low[s], low_at[s], low[r], low_at[r])
                if alone:
                    tied[r] = tied[s]
                    ties[r] = ties[s]
                else:
                    both = abs(low[r] - low[s]) <= TIE_M
                    least, least_at = (low[s], low_at[s]) if lower else (low[r], low_at[r])
                    found = _put(spare, 0, least_at)
                    if both:
                        found = _put(spare, found, low_at[r] if lower else low_at[s])
                    for k in (r, s):
                        if both or (k == s) == lower:
                            for t in range(tied[k]):
                                found = _put(spare, found, ties[k, t])
                    kept = 0
                    for t in range(found):
                        k = spare[t]
                        near = k >= 0 and k != least_at and potential[k] <= least + TIE_M
                        if near and kept < MOST_TIES:
                            ties[r, kept] = k
                            kept += 1
                    tied[r] = kept
                alone = False
                if lower:
                    low[r], low_at[r] = low[s], low_at[s]
                if _less(bad[s], bad_at[s], bad[r], bad_at[r]):
                    bad[r], bad_at[r] = bad[s], bad_at[s]
                if way[s] >= 0 and (way[r] < 0 or way[s] < way[r]):
                    way[r] = way[s]
        seed = query_piece[q]
        if seed >= 0:
            lowest[q], rest[q] = potential[seed], seed
            worst[q], governs[q] = value[seed], seed
            if blocked[seed]:
                in_way[q] = seed
        found = 0
        for side in range(2):
            i = query_points[q, side]
            if (side == 1 and i == query_points[q, 0]) or not active[i]:
                continue
            r = _root(parent, i)
            for t in range(tied[r]):
                found = _put(spare, found, ties[r, t])
            found = _put(spare, found, low_at[r])
            if _less(low[r], low_at[r], lowest[q], rest[q]):
                lowest[q], rest[q] = low[r], low_at[r]
            if _less(bad[r], bad_at[r], worst[q], governs[q]):
                worst[q], governs[q] = bad[r], bad_at[r]
            if way[r] >= 0 and (in_way[q] < 0 or way[r] < in_way[q]):
                in_way[q] = way[r]
        for t in range(found):
            k = spare[t]
            if k >= 0 and k != rest[q] and potential[k] <= lowest[q] + TIE_M:
                others[q, other_count[q]] = k
                other_count[q] += 1
    return lowest, rest, worst, governs, in_way, other_count, others
