"""Covers by OR-Tools CP-SAT, an extra: the same model, another way of searching, the same meaning of a bound.

CP-SAT takes whole costs only; costs are handed over in steps that all their sums are multiples of. Its work
is limited by its own deterministic time, so that a run that hits the limit repeats exactly.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import scipy.sparse as sparse

from roof3d.errors import InputError
from roof3d.place.bound import grain
from roof3d.records import Floats, Ints


def available() -> bool:
    """Whether the extra is installed."""
    try:
        import ortools.sat.python.cp_model  # noqa: F401
    except ImportError:
        return False
    return True


def require() -> None:
    """Raises InputError where the extra is not installed."""
    if not available():
        raise InputError(
            "", "--solver", "cp-sat, which is not installed", "highs, or pip install 'roof3d[solve]'"
        )


def ask_stronger(
    matrix: sparse.csr_array,
    cost: Floats,
    start: Ints,
    bound: float,
    seconds: float,
    stop: Callable[[], bool] = lambda: False,
) -> tuple[Ints, float]:
    """A cover at most as dear as ``start``, and a bound at least ``bound``, within deterministic ``seconds``.

    Where costs have no common step, nothing is asked: whole numbers could not say them.
    """
    from ortools.sat.python import cp_model

    step = grain(cost)
    if step <= 0.0:
        return start, bound
    price = np.round(cost / step).astype(np.int64)
    model = cp_model.CpModel()
    take = [model.new_bool_var("") for _ in range(cost.size)]
    for row in range(matrix.shape[0]):
        model.add_bool_or([take[k] for k in matrix.indices[matrix.indptr[row] : matrix.indptr[row + 1]]])
    total = sum(int(p) * one for p, one in zip(price, take, strict=True))
    model.add(total >= int(np.ceil(bound / step - 1e-6)))
    inside = set(start.tolist())
    for column, one in enumerate(take):
        model.add_hint(one, column in inside)
    model.minimize(total)
    solver = cp_model.CpSolver()
    solver.parameters.num_workers = 1  # several workers do not repeat exactly
    solver.parameters.random_seed = 1
    solver.parameters.max_deterministic_time = seconds

    class Watch(cp_model.CpSolverSolutionCallback):  # type: ignore[misc, unused-ignore]
        def on_solution_callback(self) -> None:
            if stop():
                self.stop_search()

    status = solver.solve(model, Watch())
    if status not in (cp_model.OPTIMAL, cp_model.FEASIBLE):
        return start, bound
    chosen = np.flatnonzero([solver.boolean_value(one) for one in take])
    if float(cost[chosen].sum()) >= float(cost[start].sum()):
        chosen = start
    # its bound is of whole steps: rounded up it loses nothing, its own tolerance is far below a step
    proven = float(np.ceil(solver.best_objective_bound - 1e-6)) * step
    return chosen, max(bound, proven)
