"""Reductions of a covering problem: what can be dropped without losing any best answer.

Terms of the field: a *row* is a demand (a cell of roof that must be served), a *column* is a choice
(an anchor with its line), and a cover is a set of columns that together hold every row.

Three classic reductions are used until nothing changes (the textbook treatment is in Garfinkel and
Nemhauser, "Integer Programming", 1972, chapter 8; cited from memory):

- a row whose columns include all columns of another row is served whenever that other row is;
- a column whose rows are all served by another column that costs no more is never needed;
- a column that is the only one of some row must be taken.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import scipy.sparse as sparse
from numpy.typing import NDArray
from scipy.sparse.csgraph import connected_components

from roof3d.records import Floats, Ints

Words = NDArray[np.uint64]


@dataclass(frozen=True, eq=False)
class Reduced:
    """What is left of a covering problem; indices refer to the problem that was given."""

    rows: Ints  # rows still to be served
    columns: Ints  # columns still open
    taken: Ints  # columns that every best answer may contain
    uncovered: Ints  # rows that no column serves


def system_of(matrix: Any, kind: type = np.float64) -> sparse.csr_array[Any, tuple[int, int]]:
    """A sparse matrix, or an array, as rows of numbers of ``kind``, without stored zeros."""
    made = sparse.csr_array(matrix).astype(kind)
    made.eliminate_zeros()
    made.sort_indices()
    return made


def regions(matrix: Any) -> Ints:
    """Number of the group of each node in a symmetric 0-1 matrix: nodes joined by entries."""
    graph: Any = sparse.csr_array(matrix)
    return np.asarray(connected_components(graph, directed=False)[1], dtype=np.int64)


def pack(matrix: sparse.csr_array) -> Words:
    """Rows of a 0-1 matrix as bit sets, (n, ceil(m / 64)) words; n * m / 8 bytes."""
    dense = np.zeros(matrix.shape, dtype=bool)
    dense[np.repeat(np.arange(matrix.shape[0]), np.diff(matrix.indptr)), matrix.indices] = True
    packed = np.packbits(dense, axis=1)
    padded = np.pad(packed, ((0, 0), (0, (-packed.shape[1]) % 8)))
    return np.ascontiguousarray(padded).view(np.uint64)


def minimal_rows(matrix: sparse.csr_array) -> Ints:
    """Rows that contain no other row; of equal rows the first. Empty rows must not occur."""
    count = matrix.shape[0]
    sizes = np.diff(matrix.indptr)
    order = np.lexsort((np.arange(count), sizes))
    rank = np.empty(count, dtype=np.int64)
    rank[order] = np.arange(count)
    words = pack(matrix)
    columns = sparse.csr_array(matrix.T)
    column_sizes = np.diff(columns.indptr)
    keep = np.ones(count, dtype=bool)
    for row in order:
        if not keep[row]:
            continue
        inside = matrix.indices[matrix.indptr[row] : matrix.indptr[row + 1]]
        # any row that contains this one also holds its rarest column: only those need a look
        rarest = inside[np.argmin(column_sizes[inside])]
        others = columns.indices[columns.indptr[rarest] : columns.indptr[rarest + 1]]
        others = others[keep[others] & (rank[others] > rank[row])]
        if others.size:
            contains = ((words[others] & words[row]) == words[row]).all(axis=1)
            keep[others[contains]] = False
    return np.flatnonzero(keep)


def maximal_columns(matrix: sparse.csr_array, cost: Floats, ties: sparse.csr_array | None = None) -> Ints:
    """Columns not dominated by one that serves the same rows and more and costs no more.

    Of equal ones the cheapest, then the first, stays. With ``ties`` (symmetric 0-1 matrix of columns
    between which a worker can change anchors) a column also needs all of the other's ties to take
    its place.
    """
    columns = sparse.csr_array(matrix.T)
    count = columns.shape[0]
    sizes = np.diff(columns.indptr)
    row_sizes = np.diff(matrix.indptr)
    words = pack(columns)
    order = np.lexsort((np.arange(count), cost, -sizes))
    rank = np.empty(count, dtype=np.int64)
    rank[order] = np.arange(count)
    tie_words = None
    if ties is not None:
        own = sparse.csr_array(ties + sparse.eye_array(count, format="csr", dtype=ties.dtype))
        tie_words = pack(own)
    keep = np.ones(count, dtype=bool)
    for column in order[::-1]:
        if sizes[column] == 0:
            keep[column] = tie_words is not None  # it may still be a stepping stone
            continue
        rows = columns.indices[columns.indptr[column] : columns.indptr[column + 1]]
        fewest = rows[np.argmin(row_sizes[rows])]
        others = matrix.indices[matrix.indptr[fewest] : matrix.indptr[fewest + 1]]
        others = others[keep[others] & (rank[others] < rank[column]) & (cost[others] <= cost[column])]
        if not others.size:
            continue
        over = ((words[others] & words[column]) == words[column]).all(axis=1)
        if tie_words is not None:
            # stricter than needed (the other must be tied to this one as well), never wrong
            needed = tie_words[column]
            over &= ((tie_words[others] & needed) == needed).all(axis=1)
        keep[column] = not over.any()
    return np.flatnonzero(keep)


def reduce_cover(matrix: sparse.csr_array, cost: Floats, ties: sparse.csr_array | None = None) -> Reduced:
    """Drop rows and columns and take forced columns until nothing changes.

    ``matrix`` is 0-1, rows by columns; ``cost`` (columns,) is positive. Best value and best answer
    of what is left, with ``taken`` added, are those of the whole. With ``ties`` no column is taken
    for good (its neighbours still matter), only dropped.
    """
    matrix = sparse.csr_array(matrix)
    matrix.sort_indices()
    sizes = np.diff(matrix.indptr)
    uncovered = np.flatnonzero(sizes == 0)
    rows = np.flatnonzero(sizes > 0)
    columns = np.arange(matrix.shape[1])
    taken: list[int] = []
    while rows.size:
        before = (rows.size, columns.size)
        rows = rows[minimal_rows(matrix[rows][:, columns])]
        part = sparse.csr_array(matrix[rows][:, columns])
        local = None if ties is None else sparse.csr_array(ties[columns][:, columns])
        columns = columns[maximal_columns(part, cost[columns], local)]
        if ties is None:
            part = sparse.csr_array(matrix[rows][:, columns])
            forced = np.unique(part.indices[part.indptr[:-1][np.diff(part.indptr) == 1]])
            if forced.size:
                taken.extend(int(column) for column in columns[forced])
                served = np.asarray(part[:, forced].sum(axis=1)).ravel() > 0
                rows = rows[~served]
                columns = np.delete(columns, forced)
        if (rows.size, columns.size) == before:
            break
    if not rows.size:
        columns = columns[:0]
    return Reduced(rows, columns, np.array(sorted(taken), dtype=np.int64), uncovered)


def separate_parts(matrix: sparse.csr_array) -> list[tuple[Ints, Ints]]:
    """Row and column indices of each part that shares nothing with the others, largest first."""
    rows = matrix.shape[0]
    graph = sparse.block_array([[None, matrix], [matrix.T, None]], format="csr")
    label = regions(graph)
    parts = [
        (np.flatnonzero(label[:rows] == part), np.flatnonzero(label[rows:] == part))
        for part in np.unique(label[:rows])
    ]
    return sorted(parts, key=lambda part: (-part[0].size * part[1].size, int(part[0][0])))
