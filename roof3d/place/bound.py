"""Lower bounds for a covering problem that hold whatever the solver's tolerance.

The linear relaxation is handed to HiGHS, but its objective is not believed: from whatever dual
values come back the bound is computed anew as a Lagrangian bound over all columns. A sloppy solver
can make it weak, never wrong (weak duality; any text on linear programming).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import scipy.sparse as sparse
from scipy.optimize import linprog

from roof3d.place.reduce import system_of
from roof3d.records import Floats, Ints

SLACK = 1e-6
"""Kept between a bound and what is concluded from it, against rounding in sums."""

INTERIOR_ROWS = 600
"""From this many rows on the interior point method is the faster start (measured: 2 s against 14 s)."""


@dataclass(frozen=True, eq=False)
class Relaxation:
    """Linear relaxation of a cover: fractional columns, proven bound, reduced costs, dual values."""

    x: Floats  # (columns,)
    bound: float  # no cover costs less; inf where there is none
    reduced: Floats  # (columns,)
    dual: Floats  # (rows,)


def relax(matrix: sparse.csr_array, cost: Floats) -> Relaxation:
    """Solve the linear relaxation of ``min cost.x, matrix x >= 1, x in {0, 1}``."""
    rows, columns = matrix.shape
    if not rows:
        return Relaxation(np.zeros(columns), 0.0, cost.copy(), np.zeros(0))
    if not columns or np.diff(matrix.indptr).min() == 0:
        return Relaxation(np.zeros(columns), np.inf, cost.copy(), np.zeros(rows))
    system: Any = system_of(matrix)  # the stubs of linprog know no sparse rows
    answer = linprog(
        cost,
        A_ub=-system,
        b_ub=-np.ones(rows),
        bounds=(0, None),
        method="highs-ipm" if rows > INTERIOR_ROWS else "highs-ds",
    )
    if answer.x is None:
        return Relaxation(np.zeros(columns), 0.0, cost.copy(), np.zeros(rows))
    dual = np.maximum(-answer.ineqlin.marginals, 0.0)
    reduced = cost - system.T @ dual
    # no cover takes a column twice, so a column priced below nil counts once
    bound = float(dual.sum() + np.minimum(reduced, 0.0).sum())
    return Relaxation(np.asarray(answer.x), max(bound, 0.0), reduced, dual)


def grain(cost: Floats) -> float:
    """The largest step that all sums of costs are multiples of; 0 where none above 0.01 is found."""
    for step in (1.0, 0.5, 0.1, 0.05, 0.01):
        parts = cost / step
        if np.abs(parts - np.round(parts)).max(initial=0.0) < 1e-9:
            whole = np.round(parts).astype(np.int64)
            return float(np.gcd.reduce(whole) * step) if whole.size else step
    return 0.0


def lift(bound: float, step: float) -> float:
    """Round a bound up to the next value that a sum of costs can take."""
    if not np.isfinite(bound):
        return bound
    if step <= 0.0:
        return bound - SLACK
    return float(np.ceil(bound / step - SLACK) * step)


def affordable(answer: Relaxation, ceiling: float) -> Ints:
    """Columns that a cover of cost at most ``ceiling`` can hold (reduced-cost fixing)."""
    return np.flatnonzero(answer.bound + np.maximum(answer.reduced, 0.0) <= ceiling + SLACK)
