"""Where to anchor: the cover over a study's places, proven, written as a plan, and checked once more.

A place enters the choice with the longest line on offer that was shown to hold every limit there; longer
lines never make an edge safer, and they serve all that shorter ones serve. What comes out is an ordinary
plan, and the check that everybody else uses has the last word on it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import scipy.sparse as sparse

from roof3d.check import Result
from roof3d.errors import InputError
from roof3d.place.cover import USUAL, Cover, Effort, Progress, gap, solve_cover
from roof3d.place.demand import Demand
from roof3d.place.offer import (
    KINDS,
    Option,
    Options,
    asked_rows,
    column_cost,
    options_of,
    plan_with,
    serve_matrix,
    unpriced,
)
from roof3d.place.proof import prove, prove_nothing
from roof3d.place.reduce import regions
from roof3d.place.repair import certify, dangerous, withdraw
from roof3d.place.study import Study, Tell, finer, make_study
from roof3d.place.tied import solve_tied, tie_matrix
from roof3d.records import Floats, Plan, Roof

REPAIRS = 20
"""Rounds of choosing and checking before what is dangerous is taken out without another in its place."""
CERTIFY_AFTER = 2
"""Rounds after which every place on offer is checked, where the chosen ones keep being found dangerous."""
UNSERVED_M2 = 1e-6
LEAST_GAIN_M2 = 0.5
"""Where not all can be served, no anchor is spent on less than this; what that leaves is named."""


@dataclass(frozen=True, eq=False)
class Placement:
    """A choice of anchors with what is proven of it, and the check of the plan that holds them."""

    plan: Plan
    kind: str  # points, lines, mixed, restraint
    aim: str  # fewest, cost
    cover: Cover
    bound_any: float  # no choice from these places does with less, however fine the cells are
    doubts: tuple[str, ...]  # why this cannot be called the fewest, whatever the gap
    proof: str
    anchors: int  # fixed to the structure: single anchors, ends and supports of anchor lines
    line_m: float  # ropes from anchor to worker, and anchor lines
    cost: float | None  # with the plan's prices
    work_m2: float
    unserved_m2: float  # by the check of the plan
    left_m2: float  # of that, what an anchor could serve that was not worth it
    worst_margin_m: float | None
    result: Result
    study: Study
    assumptions: tuple[str, ...]
    named: dict[str, Option]  # anchor id to place and line
    growth: tuple[tuple[str, float], ...]  # anchors in the order of what each adds, m2 served so far
    untied: bool  # workers were to be tied at all times, and are not

    @property
    def complete(self) -> bool:
        """Whether all work is served."""
        return self.unserved_m2 <= UNSERVED_M2

    @property
    def bound(self) -> float:
        """What no choice from these places that serves as much can do with less: however the work is cut
        where all of it is served, else for the cells that are."""
        return min(self.cover.bound, self.bound_any) if self.complete else self.cover.bound

    @property
    def gap(self) -> float:
        """Share of the best that a better choice could still save, 0 to 1."""
        return gap(self.cover.best, self.bound) if self.named else 1.0

    @property
    def proven(self) -> bool:
        """Whether this is certainly the fewest, or the least cost, for all of the work."""
        return bool(self.named) and self.gap <= 0.0 and not self.doubts


def usual_kind(plan: Plan) -> str:
    """What a plan asks for: restraint by its policy, else anchor lines too if its candidates have them."""
    if plan.line.policy == "restraint":
        return "restraint"
    return "mixed" if plan.candidates.anchor_lines else "points"


def place(
    roof: Roof,
    plan: Plan,
    progress: Tell | None = None,
    *,
    kind: str | None = None,
    aim: str = "fewest",
    effort: Effort = USUAL,
    stop: Callable[[], bool] = lambda: False,
    study: Study | None = None,
) -> Placement:
    """Choose anchors that serve the plan's work with every limit held.

    ``kind``: points, lines, mixed or restraint; by default what the plan's candidates ask for. ``aim``:
    ``fewest`` anchors, then least line; or least ``cost`` with the plan's prices. ``progress`` is called
    with what is being done, a step and the number of steps; ``stop`` is asked now and then, and the best so
    far comes back with its gap. The plan's own anchors are replaced. Raises InputError where the plan has
    no usable candidates, or no prices for a choice by cost.
    """
    kind = usual_kind(plan) if kind is None else kind
    if kind not in KINDS:
        raise ValueError(f"kind must be one of {', '.join(KINDS)}, not {kind!r}")
    if aim == "cost" and plan.prices.anchor is None:
        raise InputError(plan.file or "plan", "prices.anchor", "nothing", "a price, for a choice by cost")
    if study is None:
        study = _study(roof, plan, progress, (kind,), stop)
    tell = progress or (lambda text, step, steps: None)
    found = _choose(study, kind, aim, effort, stop, tell)
    # where finer cells might save an anchor, or show ground that two anchors share, cut them finer
    while not stop() and (found.untied or (found.cover.proven and not found.doubts and not found.proven)):
        closer = finer(study, tell, stop)
        if closer is None:
            break
        study = closer
        again = _choose(study, kind, aim, effort, stop, tell)
        if found.untied:
            found = found if again.untied else again
        elif again.doubts or again.cover.best > found.cover.best + 1e-6:
            break
        else:
            found = again
    return found


def alternatives(
    roof: Roof,
    plan: Plan,
    progress: Tell | None = None,
    *,
    kinds: Sequence[str] = KINDS,
    aim: str = "fewest",
    effort: Effort = USUAL,
    stop: Callable[[], bool] = lambda: False,
) -> tuple[Placement, ...]:
    """The same job by single anchors, anchor lines, both, and restraint only, from one study."""
    study = _study(roof, plan, progress, kinds, stop)
    return tuple(
        place(roof, plan, progress, kind=kind, aim=aim, effort=effort, stop=stop, study=study)
        for kind in kinds
    )


def _study(
    roof: Roof, plan: Plan, progress: Tell | None, kinds: Sequence[str], stop: Callable[[], bool]
) -> Study:
    lines = bool({"lines", "mixed"} & set(kinds)) or plan.candidates.anchor_lines
    restraint = bool({"mixed", "restraint"} & set(kinds))
    return make_study(roof, plan, progress, lines=lines, restraint=restraint, stop=stop)


@dataclass(frozen=True, eq=False)
class _Round:
    """One round of choosing: rows of the demand that were asked for, and what was chosen for them."""

    options: Options
    matrix: sparse.csr_array
    asked: np.ndarray
    left: np.ndarray  # rows that some option serves, but too little to be worth an anchor
    cover: Cover
    chosen: list[Option]
    notes: tuple[str, ...]


def _choose(
    study: Study, kind: str, aim: str, effort: Effort, stop: Callable[[], bool], tell: Tell
) -> Placement:
    demand = study.demand
    barred: set[Option] = set()
    names: dict[int, str] = {}
    doubts: list[str] = [study.cut] if study.cut else []
    attempt = 0
    while True:
        one = _solve(study, demand, kind, aim, barred, effort, stop, tell)
        chosen, cover = one.chosen, one.cover
        plan, named = plan_with(study, kind, chosen, names)
        names = {row: name for name, (row, _) in named.items()}
        tell(f"checking the plan, round {attempt + 1}", 0, 0)
        result = study.check(plan)
        claims, missed = withdraw(demand, one.asked, chosen, result)
        bad = dangerous(result, named)
        attempt += 1
        if not missed and not bad:
            break
        if attempt > REPAIRS or stop():
            doubts.append(f"repairs were cut off after {attempt} rounds")
            if missed:
                doubts.append(f"{missed:.2f} m2 are not served though some place was held to serve them")
            if bad:
                doubts.append(f"{len(bad)} anchors that the check found dangerous were taken out")
                keep = [k for k, option in enumerate(chosen) if option not in bad]
                chosen = [chosen[k] for k in keep]
                left = cover.chosen[keep]
                cover = replace(cover, chosen=left, best=float(one.options.cost[left].sum()))
                cover = replace(cover, bound=0.0, stopped=True)  # nothing is proven of what is left
            break
        demand = claims
        barred |= bad
        if bad and attempt >= CERTIFY_AFTER:
            barred |= certify(study, kind, aim, barred, stop, tell)
    # names without gaps, in the order of the places
    plan, named = plan_with(study, kind, chosen, {})
    tell("checking the plan, as it is written", 0, 0)
    result = study.check(plan)
    tell("solving: bound for any cells", 0, 0)
    bound_any = _bound_any(study, one, cover, effort, stop)
    doubts += _doubts(result, one.asked.size < len(demand.area))
    apart: list[str] = []
    if study.plan.candidates.tied and named:
        apart = list(one.notes) or _apart(result, study.plan.candidates.tie_overlap)
    doubts += apart
    return _placement(study, kind, aim, one, cover, bound_any, result, named, doubts, bool(apart))


def _solve(
    study: Study,
    demand: Demand,
    kind: str,
    aim: str,
    barred: set[Option],
    effort: Effort,
    stop: Callable[[], bool],
    tell: Tell,
) -> _Round:
    """The cheapest cover of all that can be served; where that is not all, without poor anchors."""
    options = options_of(study, kind, aim, barred)
    matrix = serve_matrix(demand, options)
    asked = asked_rows(demand, matrix)
    left: set[int] = set()

    def report(progress: Progress) -> None:
        tell(f"solving: {progress.stage}, best {progress.best:g}, bound {progress.bound:g}", 0, 0)

    while True:
        tell("solving: dropping what is dominated", 0, 0)
        covered = sparse.csr_array(matrix[asked])
        notes: tuple[str, ...] = ()
        if study.plan.candidates.tied:
            ties = tie_matrix(matrix, demand.area, study.plan.candidates.tie_overlap)
            cover, notes = solve_tied(covered, options.cost, ties, effort=effort, report=report, stop=stop)
        else:
            cover = solve_cover(covered, options.cost, effort=effort, report=report, stop=stop)
        poor = np.zeros(0, dtype=np.int64)
        if asked.size < len(demand.area) and not study.plan.candidates.tied:
            poor = asked[_poorly_held(covered, demand.area[asked], cover.chosen)]
        if not poor.size:
            break
        left |= set(poor.tolist())
        asked = np.setdiff1d(asked, poor)
    lengths = _shorten(study, demand, asked, options, cover, aim)
    chosen = [(int(options.place[j]), length) for j, length in zip(cover.chosen, lengths, strict=True)]
    return _Round(options, matrix, asked, np.array(sorted(left), dtype=np.int64), cover, chosen, notes)


def _poorly_held(matrix: sparse.csr_array, area: Floats, chosen: np.ndarray) -> np.ndarray:
    """Rows held only by chosen columns of which each adds too little, dropped one by one, least first."""
    part = np.asarray(matrix[:, chosen].todense()) > 0
    gone = np.zeros(len(area), dtype=bool)
    kept = np.ones(chosen.size, dtype=bool)
    while kept.any():
        alone = part & (part[:, kept].sum(axis=1) == 1)[:, None] & ~gone[:, None]
        adds = np.where(kept, area @ alone, np.inf)
        poorest = int(np.argmin(np.round(adds, 9)))
        if adds[poorest] >= LEAST_GAIN_M2:
            break
        gone |= alone[:, poorest]
        kept[poorest] = False
    return np.flatnonzero(gone)


def _doubts(result: Result, left_out: bool) -> list[str]:
    """What the check of the written plan says against calling it the fewest for the work."""
    said = []
    unserved = result.work_m2 - result.served_m2
    if unserved > UNSERVED_M2:
        said.append(f"{unserved:.2f} m2 of the work are not served")
    elif left_out:
        said.append("some cells of work were left out of the choice")
    dangers = sum(finding.severity == "danger" for finding in result.findings)
    if dangers:
        said.append(f"the check of the plan finds {dangers} dangers")
    return said


def _apart(result: Result, overlap_m2: float) -> list[str]:
    """What is wrong where the check of the plan finds anchors that do not hang together."""
    cells = result.cells
    shared = (cells.served * cells.area[:, None]).T @ cells.served
    count = int(regions(shared >= overlap_m2).max(initial=-1)) + 1
    return [f"by the check the anchors fall into {count} groups between which workers let go"] * (count > 1)


def _shorten(
    study: Study, demand: Demand, asked: np.ndarray, options: Options, cover: Cover, aim: str
) -> list[float]:
    """The shortest lines on offer with which the chosen places still serve everything together."""
    full = [float(options.length[j]) for j in cover.chosen]
    if aim == "cost" or study.plan.candidates.tied or not full:
        return full
    places = options.place[cover.chosen]
    need = demand.need[:, places][asked]
    offered = [(k, x) for k in range(len(full)) for x in (*study.lengths, full[k]) if x <= full[k]]
    offered = sorted(set(offered))
    served = np.array([need[:, k] <= length for k, length in offered]).T
    price = np.array([length for _, length in offered])
    answer = solve_cover(sparse.csr_array(served.astype(np.int8)), price, effort=Effort(work=20.0))
    shortest = dict.fromkeys(range(len(full)), 0.0)
    for j in answer.chosen:
        k, length = offered[int(j)]
        shortest[k] = max(shortest[k], length)
    # a place that others make up for stays only if the proof was not closed; it keeps its line
    return [shortest[k] or full[k] for k in range(len(full))]


def _bound_any(study: Study, one: _Round, cover: Cover, effort: Effort, stop: Callable[[], bool]) -> float:
    """What no choice from these places can go below, however finely the work were cut.

    Only the cells' own points are asked for, and a place counts for a point unless it is certain that it
    does not reach it. That is less than any true cover must do.
    """
    options, demand = one.options, study.demand
    may = demand.point_need[:, options.place] <= options.length[None, :]
    may |= demand.need[:, options.place] <= options.length[None, :]
    relaxed = sparse.csr_array(may[one.asked].astype(np.int8))
    answer = solve_cover(relaxed, options.cost, start=cover.chosen, effort=effort, stop=stop)
    return float(min(answer.bound, cover.best))


def _placement(
    study: Study,
    kind: str,
    aim: str,
    one: _Round,
    cover: Cover,
    bound_any: float,
    result: Result,
    named: dict[str, Option],
    doubts: list[str],
    untied: bool,
) -> Placement:
    plan = result.plan
    columns = [(study.columns[row], length) for row, length in named.values()]
    metres = sum(length for _, length in columns) + sum(column.run_m for column, _ in columns)
    cost = None
    if plan.prices.anchor is not None:
        cost = sum(column_cost(column, length, plan) for column, length in columns)
        cost += (plan.prices.visit or 0.0) if columns else 0.0
    places = int(np.unique(one.options.place).size)
    left_m2 = float(study.demand.area[one.left].sum())
    if named:
        proof = prove(
            cover,
            min(bound_any, cover.bound),
            aim=aim,
            currency=plan.prices.currency + (" (the visit left aside)" if plan.prices.visit else ""),
            places=places,
            lines=any(study.columns[row].kind == "line" for row in one.options.place),
            cells=int(one.asked.size),
            tied=plan.candidates.tied,
            doubts=doubts,
            served=None if result.work_m2 <= 0 else (result.served_m2, result.work_m2),
        )
    else:
        proof = prove_nothing(study, kind, left_m2)
    said = study.assumptions + unpriced(plan, columns, aim)
    if one.left.size:
        said += (
            f"{left_m2:.2f} m2 that a place does serve are left out: not all can be served, and no anchor is "
            f"spent on less than {LEAST_GAIN_M2:g} m2 (assumed)",
        )
    return Placement(
        plan=plan,
        kind=kind,
        aim=aim,
        cover=cover,
        bound_any=bound_any,
        doubts=tuple(doubts),
        proof=proof,
        anchors=sum(len(column.points) for column, _ in columns),
        line_m=metres,
        cost=cost,
        work_m2=result.work_m2,
        unserved_m2=max(0.0, result.work_m2 - result.served_m2),
        left_m2=left_m2,
        worst_margin_m=result.worst_margin_m,
        result=result,
        study=study,
        assumptions=said,
        named=named,
        growth=_growth(result),
        untied=untied,
    )


def _growth(result: Result) -> tuple[tuple[str, float], ...]:
    """Anchors in the order in which each adds most, with the area served up to there."""
    cells = result.cells
    left = [anchor.id for anchor in result.anchors]
    held = np.zeros(len(cells.area), dtype=bool)
    out: list[tuple[str, float]] = []
    column = {anchor.id: k for k, anchor in enumerate(result.anchors)}
    while left:
        gains = [float(cells.area[cells.served[:, column[name]] & ~held].sum()) for name in left]
        name = left.pop(int(np.argmax(np.round(gains, 6))))
        held |= cells.served[:, column[name]]
        out.append((name, float(cells.area[held].sum())))
    return tuple(out)
