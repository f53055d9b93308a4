"""The swaps of a local search for covers, compiled.

Compiled because a search is 10,000 to 500,000 swaps of a few rows each: on 445 rows by 207 columns a swap
takes 1.5 us, and in numpy the updates of scores alone take 26 us of it (measured, one core).

The search keeps a set of columns that costs less than the best cover known. Each swap drops the column
that is missed least and takes one that holds an open row; rows that stay open grow in weight, so that
they are held later (the scheme of Gao, Weise and Li, "An efficient local search heuristic with row
weighting for the unicost set covering problem", 2015; from memory). What it does is a function of its
state alone, so that a run of n swaps and one of m swaps after it are one run of n + m.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
import scipy.sparse as sparse
from numba import njit

from roof3d.place.reduce import system_of
from roof3d.records import Floats, Ints

SEED, IDLE, STEP, TAKEN, OPEN, MEMBERS = range(6)
"""Places in ``State.counters``: the generator, swaps without gain, swaps in all, the column that was taken
last, how many rows are open and how many columns are in the set."""
BEST, SPENT = range(2)
"""Places in ``State.values``: cost of the best cover and of the set."""


class State(NamedTuple):
    """A set of columns, and for each column what taking it would gain or dropping it would lose."""

    starts: Ints  # (rows + 1,) columns of each row
    columns_of: Ints
    ends: Ints  # (columns + 1,) rows of each column
    rows_of: Ints
    reach: Ints  # (columns + 1,) columns that share a row with each column
    beside: Ints
    cost: Floats  # (columns,)
    weight: Floats  # (rows,)
    held: Ints  # (rows,) how many of the set hold the row
    holder: Ints  # (rows,) the holder where there is one, else the sum of their numbers
    score: Floats  # (columns,) gain in weight; of members the loss, negative
    inside: np.ndarray  # (columns,) bool
    opened: Ints  # (rows,) the open rows come first
    where: Ints  # (rows,) place of each open row in it
    stamp: Ints  # (columns,) step of the last change
    ready: np.ndarray  # (columns,) bool, may enter: something beside it changed since it left
    members: Ints  # (columns,) the set comes first
    best: np.ndarray  # (columns,) bool, the best cover
    counters: Ints
    values: Floats


def make_state(matrix: sparse.csr_array, cost: Floats, start: Ints, seed: int) -> State:
    """The state of the cover ``start``. Every row must have a column."""
    by_row = sparse.csr_array(matrix)
    by_row.sort_indices()
    by_column = sparse.csr_array(by_row.T)
    by_column.sort_indices()
    ones = system_of(by_row, np.int64)
    beside: Any = ones.T @ ones
    rows, columns = by_row.shape
    state = State(
        by_row.indptr.astype(np.int64),
        by_row.indices.astype(np.int64),
        by_column.indptr.astype(np.int64),
        by_column.indices.astype(np.int64),
        beside.indptr.astype(np.int64),
        beside.indices.astype(np.int64),
        np.asarray(cost, dtype=np.float64),
        np.ones(rows),
        np.zeros(rows, dtype=np.int64),
        np.zeros(rows, dtype=np.int64),
        np.diff(by_column.indptr).astype(np.float64),
        np.zeros(columns, dtype=bool),
        np.arange(rows),
        np.arange(rows),
        np.zeros(columns, dtype=np.int64),
        np.ones(columns, dtype=bool),
        np.zeros(columns, dtype=np.int64),
        np.zeros(columns, dtype=bool),
        np.zeros(6, dtype=np.int64),
        np.zeros(2),
    )
    state.counters[[SEED, TAKEN, OPEN]] = seed, -1, rows
    for column in start:
        take(state, int(column))
    state.best[:] = state.inside
    state.values[BEST] = state.values[SPENT]
    return state


def scores(state: State) -> Floats:
    """The scores computed anew from the set; equal to ``state.score``."""
    rows = len(state.held)
    ones = np.ones(len(state.columns_of))
    by_row: Any = sparse.csr_array((ones, state.columns_of, state.starts), shape=(rows, len(state.score)))
    gain = by_row.T @ (state.weight * (state.held == 0))
    loss = by_row.T @ (state.weight * (state.held == 1))
    found: Floats = np.where(state.inside, -loss, gain)
    return found


@njit(cache=True)
def take(state, column):  # type: ignore[no-untyped-def]
    """Take a column that is not in the set: rows that were open count no more for others."""
    gained = 0.0
    for k in range(state.ends[column], state.ends[column + 1]):
        row = state.rows_of[k]
        weight = state.weight[row]
        if state.held[row] == 0:
            gained += weight
            for m in range(state.starts[row], state.starts[row + 1]):
                state.score[state.columns_of[m]] -= weight
            state.counters[OPEN] -= 1
            last = state.opened[state.counters[OPEN]]
            state.opened[state.where[row]] = last
            state.where[last] = state.where[row]
        elif state.held[row] == 1:
            state.score[state.holder[row]] += weight
        state.held[row] += 1
        state.holder[row] += column
    state.score[column] = -gained
    state.inside[column] = True
    state.members[state.counters[MEMBERS]] = column
    state.counters[MEMBERS] += 1
    state.values[SPENT] += state.cost[column]
    _changed(state, column)


@njit(cache=True)
def drop(state, place):  # type: ignore[no-untyped-def]
    """Drop the member at ``place`` of the set: rows that nobody else holds are open."""
    column = state.members[place]
    state.counters[MEMBERS] -= 1
    state.members[place] = state.members[state.counters[MEMBERS]]
    state.inside[column] = False
    state.values[SPENT] -= state.cost[column]
    lost = 0.0
    for k in range(state.ends[column], state.ends[column + 1]):
        row = state.rows_of[k]
        weight = state.weight[row]
        state.held[row] -= 1
        state.holder[row] -= column
        if state.held[row] == 0:
            lost += weight
            for m in range(state.starts[row], state.starts[row + 1]):
                state.score[state.columns_of[m]] += weight
            state.where[row] = state.counters[OPEN]
            state.opened[state.counters[OPEN]] = row
            state.counters[OPEN] += 1
        elif state.held[row] == 1:
            state.score[state.holder[row]] -= weight
    state.score[column] = lost
    _changed(state, column)
    state.ready[column] = False


@njit(cache=True)
def _changed(state, column):  # type: ignore[no-untyped-def]
    for k in range(state.reach[column], state.reach[column + 1]):
        state.ready[state.beside[k]] = True
    state.stamp[column] = state.counters[STEP]


@njit(cache=True)
def _least_missed(state, barred):  # type: ignore[no-untyped-def]
    """Place of the member that is missed least for its cost; of equal ones the one that is there longest."""
    best = -1
    for place in range(state.counters[MEMBERS]):
        column = state.members[place]
        if column == barred and state.counters[MEMBERS] > 1:
            continue
        if best < 0:
            best = place
            continue
        other = state.members[best]
        mine = -state.score[column] * state.cost[other]
        theirs = -state.score[other] * state.cost[column]
        if mine < theirs or (mine == theirs and _before(state, column, other)):
            best = place
    return best


@njit(cache=True)
def _before(state, one, other):  # type: ignore[no-untyped-def]
    if state.stamp[one] != state.stamp[other]:
        return state.stamp[one] < state.stamp[other]
    return one < other


@njit(cache=True)
def _best_for(state, row):  # type: ignore[no-untyped-def]
    """Column that holds the row and gains most for its cost; those that may enter go first."""
    for only_ready in (True, False):
        best = -1
        for k in range(state.starts[row], state.starts[row + 1]):
            column = state.columns_of[k]
            if only_ready and not state.ready[column]:
                continue
            if best < 0:
                best = column
                continue
            mine = state.score[column] * state.cost[best]
            theirs = state.score[best] * state.cost[column]
            if mine > theirs or (mine == theirs and _before(state, column, best)):
                best = column
        if best >= 0:
            return best
    return -1


@njit(cache=True)
def swap(state, swaps, idle, floor):  # type: ignore[no-untyped-def]
    """Up to ``swaps`` swaps; true at the end of the search: a cover of cost ``floor``, or ``idle`` swaps
    without gain."""
    counters, values = state.counters, state.values
    for _ in range(swaps):
        while counters[OPEN] == 0:
            if values[SPENT] < values[BEST] - 1e-9:
                values[BEST] = values[SPENT]
                state.best[:] = state.inside
                counters[IDLE] = 0
            if counters[MEMBERS] == 0:
                return True
            drop(state, _least_missed(state, -1))
        if values[BEST] <= floor + 1e-9 or counters[IDLE] >= idle:
            return True
        counters[STEP] += 1
        counters[IDLE] += 1
        if counters[MEMBERS] > 0:
            drop(state, _least_missed(state, counters[TAKEN]))
        while counters[OPEN] > 0:
            # a generator of the same numbers everywhere (Park and Miller 1988, multiplier 48271)
            counters[SEED] = counters[SEED] * 48271 % 2147483647
            column = _best_for(state, state.opened[counters[SEED] % counters[OPEN]])
            if values[SPENT] + state.cost[column] >= values[BEST] - 1e-9:
                break
            take(state, column)
            counters[TAKEN] = column
        for k in range(counters[OPEN]):
            row = state.opened[k]
            state.weight[row] += 1.0
            for m in range(state.starts[row], state.starts[row + 1]):
                state.score[state.columns_of[m]] += 1.0
    return False
