"""Good covers, found fast: greedy start, then local search that weighs rows by how often they were lost.

Nothing here proves anything; it hands an upper value to the bound. All of it is deterministic: the
only random choices come from a generator with a fixed seed, and every limit counts steps, not time.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import scipy.sparse as sparse

from roof3d.records import Floats, Ints


def greedy_cover(matrix: sparse.csr_array, cost: Floats, weight: Floats | None = None) -> Ints:
    """Take the column with the most (weighted) unserved rows per cost until all rows are held.

    ``weight`` (rows,) is positive; dual values of a relaxation make it a good guide. Ends with all
    needless columns dropped, dearest first. Every row must have a column.
    """
    by_column = sparse.csr_array(matrix.T)
    value = np.ones(matrix.shape[0]) if weight is None else weight
    is_open = np.ones(matrix.shape[0], dtype=bool)
    chosen: list[int] = []
    while is_open.any():
        gain = by_column @ (value * is_open)
        column = int(np.argmax(np.round(gain / cost, 12)))
        chosen.append(column)
        is_open[by_column.indices[by_column.indptr[column] : by_column.indptr[column + 1]]] = False
    return drop_needless(matrix, cost, np.array(sorted(chosen), dtype=np.int64))


def drop_needless(matrix: sparse.csr_array, cost: Floats, chosen: Ints) -> Ints:
    """The cover without columns whose rows the others hold, tried dearest first."""
    held = np.asarray(matrix[:, chosen].sum(axis=1)).ravel().astype(np.int64)
    by_column = sparse.csr_array(matrix.T)
    keep = list(chosen)
    for column in sorted(chosen, key=lambda j: (-cost[j], by_column.indptr[j + 1] - by_column.indptr[j], j)):
        rows = by_column.indices[by_column.indptr[column] : by_column.indptr[column + 1]]
        if (held[rows] > 1).all():
            held[rows] -= 1
            keep.remove(column)
    return np.array(sorted(keep), dtype=np.int64)


class _Standing:
    """A set of columns with, for each column, what taking it would gain or dropping it would lose."""

    def __init__(self, matrix: sparse.csr_array, cost: Floats, chosen: Ints) -> None:
        self.columns_of = matrix
        self.rows_of = sparse.csr_array(matrix.T)
        rows, columns = matrix.shape
        self.cost = cost
        self.weight = np.ones(rows)
        self.held = np.zeros(rows, dtype=np.int64)  # how many chosen columns hold each row
        self.holder_sum = np.zeros(rows, dtype=np.int64)  # the holder itself where there is one
        self.score = np.asarray(self.rows_of.sum(axis=1)).ravel().astype(np.float64)
        self.inside = np.zeros(columns, dtype=bool)
        for column in chosen:
            self.add(int(column))

    def rows(self, column: int) -> Ints:
        start, end = self.rows_of.indptr[column], self.rows_of.indptr[column + 1]
        return np.asarray(self.rows_of.indices[start:end], dtype=np.int64)

    def _spread(self, rows: Ints) -> Floats:
        """Weight of ``rows`` that each column holds, (columns,)."""
        if not rows.size:
            return np.zeros(self.score.size)
        starts = self.columns_of.indptr[rows]
        sizes = self.columns_of.indptr[rows + 1] - starts
        offsets = np.repeat(starts - np.concatenate([[0], np.cumsum(sizes)[:-1]]), sizes)
        at = self.columns_of.indices[np.arange(sizes.sum()) + offsets]
        weights = np.repeat(self.weight[rows], sizes)
        return np.bincount(at, weights=weights, minlength=self.score.size).astype(np.float64)

    def add(self, column: int) -> None:
        rows = self.rows(column)
        fresh = rows[self.held[rows] == 0]
        shared = rows[self.held[rows] == 1]
        self.score -= self._spread(fresh)
        np.add.at(self.score, self.holder_sum[shared], self.weight[shared])
        self.score[column] = -self.weight[fresh].sum()
        self.held[rows] += 1
        self.holder_sum[rows] += column
        self.inside[column] = True

    def drop(self, column: int) -> None:
        rows = self.rows(column)
        self.held[rows] -= 1
        self.holder_sum[rows] -= column
        lost = rows[self.held[rows] == 0]
        single = rows[self.held[rows] == 1]
        self.inside[column] = False
        self.score += self._spread(lost)
        np.subtract.at(self.score, self.holder_sum[single], self.weight[single])
        self.score[column] = self.weight[lost].sum()

    def weigh(self, rows: Ints) -> None:
        """Rows that are still open count for more from now on."""
        before = self._spread(rows)
        self.weight[rows] += 1.0
        self.score += self._spread(rows) - before

    def fresh_scores(self) -> Floats:
        """The scores computed anew; equal to ``score`` (used by tests)."""
        gain = self._spread(np.flatnonzero(self.held == 0))
        single = np.flatnonzero(self.held == 1)
        loss = np.bincount(self.holder_sum[single], weights=self.weight[single], minlength=gain.size)
        return np.where(self.inside, -loss, gain)


def improve(
    matrix: sparse.csr_array,
    cost: Floats,
    start: Ints,
    *,
    steps: int = 4000,
    floor: float = 0.0,
    seed: int = 1,
    stop: Callable[[], bool] = lambda: False,
) -> Ints:
    """Cheaper cover by local search with row weights, after ``steps`` swaps without gain the best seen.

    One column is dropped, one that holds a random open row is taken, open rows gain weight (the
    scheme of Gao, Weise and Li, "An efficient local search heuristic with row weighting for the
    unicost set covering problem", 2015; from memory). Ends early at cost ``floor``.
    """
    matrix = sparse.csr_array(matrix)
    generator = np.random.default_rng(seed)
    state = _Standing(matrix, cost, start)
    best = start
    best_cost = float(cost[start].sum())
    spent = best_cost
    stamp = np.zeros(cost.size, dtype=np.int64)
    may_enter = np.ones(cost.size, dtype=bool)
    barred = -1
    idle = 0
    step = 0

    def worst_inside(exclude: int) -> int:
        inside = np.flatnonzero(state.inside)
        inside = inside[inside != exclude] if inside.size > 1 else inside
        loss = np.round(-state.score[inside] / cost[inside], 9)
        return int(inside[np.lexsort((inside, stamp[inside], loss))[0]])

    def leave(column: int) -> None:
        state.drop(column)
        may_enter[_touching(state, column)] = True
        may_enter[column] = False
        stamp[column] = step

    while idle < steps and best_cost > floor + 1e-9:
        if step % 200 == 0 and stop():
            break
        step += 1
        open_rows = np.flatnonzero(state.held == 0)
        while not open_rows.size:
            if spent < best_cost - 1e-9:
                best, best_cost = np.flatnonzero(state.inside), spent
                idle = 0
            if not state.inside.any():
                return best
            column = worst_inside(-1)
            spent -= float(cost[column])
            leave(column)
            open_rows = np.flatnonzero(state.held == 0)
        if best_cost <= floor + 1e-9:
            break
        if state.inside.any():
            column = worst_inside(barred)
            spent -= float(cost[column])
            leave(column)
            open_rows = np.flatnonzero(state.held == 0)
        while open_rows.size:
            row = int(open_rows[generator.integers(open_rows.size)])
            inside = matrix.indices[matrix.indptr[row] : matrix.indptr[row + 1]]
            ready = inside[may_enter[inside]]
            ready = ready if ready.size else inside
            gain = np.round(-state.score[ready] / cost[ready], 9)
            column = int(ready[np.lexsort((ready, stamp[ready], gain))[0]])
            if spent + float(cost[column]) >= best_cost - 1e-9:
                break
            state.add(column)
            spent += float(cost[column])
            may_enter[_touching(state, column)] = True
            stamp[column] = step
            barred = column
            open_rows = np.flatnonzero(state.held == 0)
        if open_rows.size:
            state.weigh(open_rows)
        idle += 1
    if not (state.held == 0).any() and spent < best_cost - 1e-9:
        best = np.flatnonzero(state.inside)
    return drop_needless(matrix, cost, np.asarray(best, dtype=np.int64))


def _touching(state: _Standing, column: int) -> Ints:
    """Columns that share a row with this one."""
    rows = state.rows(column)
    starts = state.columns_of.indptr[rows]
    sizes = state.columns_of.indptr[rows + 1] - starts
    if not rows.size:
        return rows
    offsets = np.repeat(starts - np.concatenate([[0], np.cumsum(sizes)[:-1]]), sizes)
    at: Ints = state.columns_of.indices[np.arange(sizes.sum()) + offsets]
    return at
