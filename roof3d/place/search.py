"""Good covers, found fast: greedy start, then local search that weighs rows by how often they were lost.

Nothing here proves anything; it hands an upper value to the bound. All of it is deterministic: its dice
are numbers of a fixed series, and every limit counts steps, not time.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import scipy.sparse as sparse

from roof3d.place.swap import make_state, swap
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


def improve(
    matrix: sparse.csr_array,
    cost: Floats,
    start: Ints,
    *,
    steps: int = 100_000,
    floor: float = 0.0,
    seed: int = 1,
    stop: Callable[[], bool] = lambda: False,
) -> Ints:
    """Cheaper cover by swaps (see ``swap``), after ``steps`` swaps without gain the best seen.

    Ends early at cost ``floor``. ``stop`` is asked every thousand swaps.
    """
    matrix = sparse.csr_array(matrix)
    state = make_state(matrix, cost, start, seed)
    while not swap(state, 1000, steps, floor) and not stop():
        pass
    return drop_needless(matrix, cost, np.flatnonzero(state.best))
