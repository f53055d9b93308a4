"""Weighted set cover with a proof: the cheapest columns that hold all rows, and how sure that is.

A problem is reduced, falls into separate parts, and each part is closed by a bound that is rounded
up to the next value that can occur, or else by branching with HiGHS on ever smaller pieces. What
comes back always names the best cover found, the bound that no cover can beat, and the gap. Limits
count work (matrix entries times solver passes), not seconds, so a run that hits its limit repeats
exactly.
"""

from __future__ import annotations

import heapq
import itertools
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import scipy.sparse as sparse
from scipy.optimize import Bounds, LinearConstraint, milp

from roof3d.place.bound import SLACK, Relaxation, affordable, grain, lift, relax
from roof3d.place.reduce import reduce_cover, separate_parts, system_of
from roof3d.place.search import drop_needless, greedy_cover, improve
from roof3d.place.stronger import ask_stronger
from roof3d.records import Floats, Ints


@dataclass(frozen=True)
class Progress:
    """Where a search stands: cost of the best cover so far, bound, and what is being done."""

    stage: str
    best: float
    bound: float

    @property
    def gap(self) -> float:
        return gap(self.best, self.bound)


Report = Callable[[Progress], None]
Stop = Callable[[], bool]


@dataclass(frozen=True, eq=False)
class Cover:
    """A cover and what is proven of it.

    ``best`` is the cost of ``chosen``; no cover costs less than ``bound``. ``uncovered`` are rows
    that no column holds; they are left out of all the rest.
    """

    chosen: Ints
    best: float
    bound: float
    uncovered: Ints
    stopped: bool  # by the caller or by the limit of work, before the gap was nil
    parts: int
    work: float  # matrix entries times solver passes spent

    @property
    def gap(self) -> float:
        return gap(self.best, self.bound)

    @property
    def proven(self) -> bool:
        """Whether no cover can cost less."""
        return self.gap <= 0.0


def gap(best: float, bound: float) -> float:
    """Share of ``best`` that a better cover could still save, 0 to 1."""
    if not np.isfinite(best):
        return 1.0
    return 0.0 if best <= bound + SLACK else float((best - bound) / best)


@dataclass(frozen=True)
class Effort:
    """How hard to try. The unit of ``work`` is a million matrix entries through one solver pass."""

    work: float = 80.0
    nodes: int = 1000  # HiGHS branching nodes for one piece before it is split
    piece: float = 0.045  # million entries; larger ones are split first: no stop is heard while HiGHS works
    swaps: int = 100_000  # of local search without gain before it ends, and few per column
    solver: str = "highs"  # or "cp-sat", an extra, asked for each part as a whole before branching


USUAL = Effort()
LITTLE = 500
"""Entries of a matrix up to which the solver alone is fast enough."""
ROUNDS = (((1,), 40, 0.0, 0.0), ((1,), 200, 0.5, 4e5), ((2, 3), 200, 1.0, np.inf))
"""Rounds of search: seeds, swaps per column without gain before each ends, and what share of the work is
left to the proof after it, for parts of at most so many entries. A quick look first, which often meets the
bound; the proof is tried once the cover is good, for it is far easier to see that nothing is cheaper."""
TIGHT = (1e-3, 0.05, 0.2, np.inf)
"""How much more than it must the relaxation may hold a row that HiGHS is asked for, time after time."""
STRONGER_PER_S = 4e6
"""Matrix entries of work that stand for one second of the stronger solver's deterministic time (a pass of
the relaxation over 0.9 million entries, counted 20 times, takes about 4 s)."""


def solve_cover(
    matrix: sparse.csr_array,
    cost: Floats | None = None,
    *,
    start: Ints | None = None,
    effort: Effort = USUAL,
    report: Report | None = None,
    stop: Stop = lambda: False,
) -> Cover:
    """Cheapest columns that hold all rows of a 0-1 matrix.

    Parameters
    ----------
    matrix : (rows, columns) sparse, 0-1
    cost : (columns,) positive; all 1 where left out
    start : columns of a cover known already, if any
    report, stop : progress is told to the first; the second is asked between steps
    """
    matrix = system_of(matrix, np.int8)
    price = np.ones(matrix.shape[1]) if cost is None else np.asarray(cost, dtype=np.float64)
    if price.shape != (matrix.shape[1],) or not (np.isfinite(price).all() and (price > 0).all()):
        raise ValueError("cost must be one positive, finite number per column")
    reduced = reduce_cover(matrix, price)
    base = float(price[reduced.taken].sum())
    core = sparse.csr_array(matrix[reduced.rows][:, reduced.columns])
    parts = [
        _Part(
            sparse.csr_array(core[rows][:, columns]),
            price[reduced.columns[columns]],
            reduced.columns[columns],
            effort,
        )
        for rows, columns in separate_parts(core)
    ]

    def tell(stage: str) -> None:
        if report is not None:
            best = base + sum(part.best for part in parts)
            report(Progress(stage, best, base + sum(part.bound for part in parts)))

    for part in parts:
        part.begin(None if start is None else np.flatnonzero(np.isin(part.columns, start)))
        tell("bound and first cover")
    small_first = sorted(parts, key=lambda part: part.entries)  # sure gains
    budget = effort.work * 1e6
    for seeds, idle, share, most in ROUNDS:
        for part in parts:
            if not part.closed and not stop():
                part.refine(seeds, idle, stop)
                tell("better covers")
        left, spent_before = budget * share, sum(part.work for part in parts)
        total = sum(part.entries for part in parts if not part.closed)
        for part in small_first:
            if part.closed or stop() or part.entries > most:
                continue
            mine, before = left * part.entries / max(total, 1), part.work
            total -= part.entries
            if effort.solver == "cp-sat" and share == 1.0:
                part.ask_stronger(mine / 2, stop)
                tell("stronger solver")
            part.branch(mine + before - part.work, stop, lambda: tell("proof"))
            left -= part.work - before
        budget -= sum(part.work for part in parts) - spent_before
    chosen = np.sort(np.concatenate([reduced.taken, *(part.columns[part.chosen] for part in parts)]))
    best = float(price[chosen].sum())
    bound = base + sum(part.bound for part in parts)
    whole = Cover(
        chosen.astype(np.int64),
        best,
        min(best, bound),
        reduced.uncovered,
        not all(part.closed for part in parts),
        len(parts),
        sum(part.work for part in parts) / 1e6,
    )
    tell("done")
    return whole


class _Part:
    """One separate part of a problem, with the best cover and bound found so far."""

    def __init__(self, matrix: sparse.csr_array, cost: Floats, columns: Ints, effort: Effort) -> None:
        self.matrix = matrix
        self.cost = cost
        self.columns = columns
        self.effort = effort
        self.step = grain(cost)
        self.entries = matrix.nnz
        self.work = 0.0
        self.bound = 0.0
        self.chosen: Ints = np.arange(columns.size)
        self.best = float(cost.sum())

    @property
    def closed(self) -> bool:
        return self.best <= self.bound + SLACK

    def offer(self, chosen: Ints) -> None:
        """Take a cover if it is cheaper than the one known."""
        value = float(self.cost[chosen].sum())
        if value < self.best - 1e-9:
            self.best, self.chosen = value, chosen

    def begin(self, start: Ints | None) -> None:
        """Bound by the relaxation, and greedy covers, plain and led by its dual values."""
        answer = relax(self.matrix, self.cost)
        self.work += 20 * self.entries
        self.bound = lift(answer.bound, self.step)
        if start is not None and np.unique(self.matrix[:, start].indices).size and start.size:
            held = np.asarray(self.matrix[:, start].sum(axis=1)).ravel()
            if (held > 0).all():
                self.offer(start)
        self.offer(greedy_cover(self.matrix, self.cost))
        self.offer(greedy_cover(self.matrix, self.cost, answer.dual + 1e-3))
        whole = np.flatnonzero(answer.x > 0.5)
        if (np.asarray(self.matrix[:, whole].sum(axis=1)).ravel() > 0).all():
            self.offer(whole)

    def refine(self, seeds: Sequence[int], idle: int, stop: Stop) -> None:
        """Local search from the first cover, from different seeds."""
        if self.entries <= LITTLE:
            return
        first = self.chosen
        for seed in seeds:
            if self.closed or stop():
                return
            found = improve(
                self.matrix,
                self.cost,
                first,
                steps=min(self.effort.swaps, idle * self.columns.size),
                floor=self.bound,
                seed=seed,
                stop=stop,
            )
            self.work += 5 * self.entries
            self.offer(found)

    def ask_stronger(self, budget: float, stop: Stop) -> None:
        """The whole part to CP-SAT, for half of the work that is left to it."""
        found, bound = ask_stronger(
            self.matrix, self.cost, self.chosen, self.bound, budget / STRONGER_PER_S, stop
        )
        self.work += budget
        self.offer(found)
        self.bound = max(self.bound, min(bound, self.best))

    def branch(self, budget: float, stop: Stop, tell: Callable[[], None]) -> None:
        """Best-bound branching; each piece is reduced, bounded, and given to HiGHS once it is small."""
        counter = itertools.count()
        # a piece: (bound, tie, columns taken, columns still allowed)
        heap: list[tuple[float, int, Ints, Ints]] = [
            (self.bound, next(counter), np.zeros(0, dtype=np.int64), np.arange(self.columns.size))
        ]
        limit = self.work + budget
        while heap and not stop() and self.work < limit:
            bound, _, taken, allowed = heapq.heappop(heap)
            self.bound = max(self.bound, min(lift(bound, self.step), self.best))
            if self._pruned(bound):
                continue
            for piece_bound, piece_taken, piece_allowed in self._expand(bound, taken, allowed):
                if not self._pruned(piece_bound):
                    heapq.heappush(heap, (piece_bound, next(counter), piece_taken, piece_allowed))
            self.bound = max(self.bound, min(lift(heap[0][0], self.step) if heap else self.best, self.best))
            tell()
        if not heap:
            self.bound = self.best

    def _pruned(self, bound: float) -> bool:
        return lift(bound, self.step) >= self.best - SLACK

    def _expand(self, bound: float, taken: Ints, allowed: Ints) -> list[tuple[float, Ints, Ints]]:
        """Close a piece, or split it in two."""
        held = np.asarray(self.matrix[:, taken].sum(axis=1)).ravel() > 0
        open_rows = np.flatnonzero(~held)
        part = sparse.csr_array(self.matrix[open_rows][:, allowed])
        if open_rows.size and (not allowed.size or np.diff(part.indptr).min() == 0):
            return []
        ceiling = self.best - (self.step if self.step > 0 else 1e-6)
        # shrink until reduced costs shut no more columns
        while True:
            reduced = reduce_cover(part, self.cost[allowed])
            taken = np.concatenate([taken, allowed[reduced.taken]])
            if not reduced.rows.size:
                self.offer(np.sort(taken))
                return []
            open_rows = open_rows[reduced.rows]
            part = sparse.csr_array(part[reduced.rows][:, reduced.columns])
            allowed = allowed[reduced.columns]
            fixed = float(self.cost[taken].sum())
            answer = relax(part, self.cost[allowed])
            self.work += 20 * part.nnz
            bound = max(bound, fixed + answer.bound)
            if self._pruned(bound):
                return []
            keep = affordable(answer, ceiling - fixed)
            if keep.size == allowed.size:
                break
            shrunk = keep.size < 0.9 * allowed.size
            allowed = allowed[keep]
            part = sparse.csr_array(part[:, keep])
            if np.diff(part.indptr).min() == 0:
                return []
            if not shrunk:
                answer = relax(part, self.cost[allowed])
                self.work += 20 * part.nnz
                bound = max(bound, fixed + answer.bound)
                break
        if self._pruned(bound):
            return []
        whole = np.flatnonzero(answer.x > 0.5)
        if (np.asarray(part[:, whole].sum(axis=1)).ravel() > 0).all():
            self.offer(np.sort(np.concatenate([taken, allowed[whole]])))
        guided = greedy_cover(part, self.cost[allowed], answer.dual + 1e-3)
        self.offer(np.sort(np.concatenate([taken, allowed[guided]])))
        if part.nnz <= self.effort.piece * 1e6:
            closed, better = self._ask_solver(part, answer, taken, allowed)
            bound = max(bound, better)
            if closed or self._pruned(bound):
                return []
        # split on the column that is nearest to undecided and serves most
        weight = answer.x * (1.0 - answer.x) * np.sqrt(np.diff(sparse.csr_array(part.T).indptr))
        column = int(np.argmax(np.round(weight, 9)))
        rest = np.delete(allowed, column)
        return [(bound, np.append(taken, allowed[column]), rest), (bound, taken, rest)]

    def _ask_solver(
        self, part: sparse.csr_array, relaxed: Relaxation, taken: Ints, allowed: Ints
    ) -> tuple[bool, float]:
        """Whether HiGHS closed the piece within its nodes, and the bound it reached.

        It is asked for a cover cheaper than the best known, of those rows only that the relaxation holds no
        more than it must; rows that its answer leaves open join them. Few rows say nearly all, and are done
        in a fraction of the time. That there is no such cover of few rows says that there is none of all.
        """
        price = self.cost[allowed]
        fixed = float(self.cost[taken].sum())
        unit = self.step if self.step > 0 else 1.0
        system = system_of(part)
        held = system @ relaxed.x
        asked = np.zeros(held.size, dtype=bool)
        bound = 0.0
        for tight in TIGHT:
            asked |= held < 1.0 + tight
            rows = np.flatnonzero(asked)
            room = (self.best - fixed) / unit
            room = np.ceil(room - 1e-6) - 1 + 1e-3 if self.step > 0 else room - 1e-6
            answer = milp(
                price / unit,
                constraints=[
                    LinearConstraint(system[rows], 1.0, np.inf),
                    LinearConstraint(price[None] / unit, -np.inf, room),
                ],
                bounds=Bounds(0, 1),
                integrality=np.ones(allowed.size, dtype=np.int64),
                options={"node_limit": self.effort.nodes, "mip_rel_gap": 0.0},
            )
            nodes = 1 if answer.mip_node_count is None else int(answer.mip_node_count)
            self.work += 100 * system[rows].nnz * (1 + nodes / 20)
            if answer.status == 2:
                return True, np.inf
            if answer.mip_dual_bound is not None:
                bound = max(bound, fixed + float(answer.mip_dual_bound) * unit - SLACK)
            if answer.x is None:
                return False, bound
            picked = np.flatnonzero(np.round(answer.x) > 0.5)
            left = np.flatnonzero(np.asarray(part[:, picked].sum(axis=1)).ravel() == 0)
            if left.size:
                rest = greedy_cover(sparse.csr_array(part[left]), price)
                picked = drop_needless(part, price, np.union1d(picked, rest))
            self.offer(np.sort(np.concatenate([taken, allowed[picked]])))
            if not left.size or answer.status != 0 or self._pruned(bound):
                return answer.status == 0 and not left.size, bound
            asked[left] = True
        return False, bound
