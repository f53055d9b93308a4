"""Where to anchor: the cover over a study's places, proven, written as a plan, and checked once more.

A place enters the choice with the longest line on offer that was shown to hold every limit there; longer
lines never make an edge safer, and they serve all that shorter ones serve. What comes out is an ordinary
plan, and the check that everybody else uses has the last word on it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import count

import numpy as np
import scipy.sparse as sparse

from roof3d.check import Result
from roof3d.errors import InputError
from roof3d.place.allowed import concerns
from roof3d.place.cover import USUAL, Cover, Effort, Progress, gap, solve_cover
from roof3d.place.demand import Demand
from roof3d.place.proof import prove
from roof3d.place.study import Column, Study, Tell, finer, make_study
from roof3d.place.tied import solve_tied, tie_matrix
from roof3d.records import Anchor, AnchorLine, Floats, Line, Plan, Roof

Option = tuple[int, float]
"""Row of ``Study.columns`` and length of line, m."""

KINDS = ("points", "lines", "mixed", "restraint")
REPAIRS = 20
"""Rounds of choosing and checking before what is dangerous is taken out without another in its place."""
CERTIFY_AFTER = 2
"""Rounds after which every place on offer is checked, where the chosen ones keep being found dangerous."""
UNSERVED_M2 = 1e-6
FRINGE_M = 0.25
"""Where some work is beyond every place, smaller cells at its fringe are left with it."""


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
    worst_margin_m: float | None
    result: Result
    study: Study
    assumptions: tuple[str, ...]
    named: dict[str, Option]  # anchor id to place and line
    growth: tuple[tuple[str, float], ...]  # anchors in the order of what each adds, m2 served so far

    @property
    def complete(self) -> bool:
        """Whether all work is served."""
        return self.unserved_m2 <= UNSERVED_M2

    @property
    def bound(self) -> float:
        """What no choice from these places that serves as much can do with less."""
        return min(self.cover.bound, self.bound_any)

    @property
    def gap(self) -> float:
        """Share of the best that a better choice could still save, 0 to 1."""
        return gap(self.cover.best, self.bound) if self.named else 1.0

    @property
    def proven(self) -> bool:
        """Whether this is certainly the fewest, or the least cost, for all of the work."""
        return bool(self.named) and self.gap <= 0.0 and not self.doubts


# ------------------------------------------------------------------------------------------- choosing


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
    if kind is None:
        kind = "mixed" if plan.candidates.anchor_lines else "points"
        kind = "restraint" if plan.line.policy == "restraint" else kind
    if kind not in KINDS:
        raise ValueError(f"kind must be one of {', '.join(KINDS)}, not {kind!r}")
    if aim == "cost" and plan.prices.anchor is None:
        raise InputError(plan.file or "plan", "prices.anchor", "nothing", "a price, for a choice by cost")
    if study is None:
        lines = kind in ("lines", "mixed")
        study = make_study(roof, plan, progress, lines=lines, restraint=kind == "restraint", stop=stop)
    tell = progress or (lambda text, step, steps: None)
    found = _choose(study, kind, aim, effort, stop, tell)
    # where finer cells might save an anchor, cut them finer
    while not found.doubts and found.cover.proven and not found.proven and not stop():
        closer = finer(found.study, tell, stop)
        if closer is None:
            break
        again = _choose(closer, kind, aim, effort, stop, tell)
        if again.doubts or again.cover.best > found.cover.best + 1e-6:
            break
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
    lines = bool({"lines", "mixed"} & set(kinds))
    study = make_study(roof, plan, progress, lines=lines, restraint="restraint" in kinds, stop=stop)
    return tuple(
        place(roof, plan, progress, kind=kind, aim=aim, effort=effort, stop=stop, study=study)
        for kind in kinds
    )


@dataclass(frozen=True, eq=False)
class _Options:
    """Columns of one covering problem: which place, which line, at what cost."""

    place: np.ndarray  # (m,) row of Study.columns
    length: Floats  # (m,)
    cost: Floats  # (m,)


def _options(study: Study, kind: str, aim: str, barred: set[tuple[int, float]]) -> _Options:
    place_rows: list[int] = []
    lengths: list[float] = []
    costs: list[float] = []
    for row, column in enumerate(study.columns):
        if (kind == "lines") != (column.kind == "line") and kind != "mixed":
            continue
        longest = column.restrained if kind == "restraint" else column.allowed.length
        on_offer = [length for length in study.lengths if length < longest] + [longest]
        usable = [x for x in on_offer if x > 0 and (row, x) not in barred]
        if aim == "fewest" or study.plan.prices.line_per_m in (None, 0.0):
            usable = usable[-1:]
        for length in usable:
            place_rows.append(row)
            lengths.append(length)
            if aim == "cost":
                costs.append(column_cost(column, length, study.plan))
            else:
                costs.append(float(len(column.points)))
    return _Options(np.array(place_rows, dtype=np.int64), np.array(lengths), np.array(costs))


def column_cost(column: Column, length: float, plan: Plan) -> float:
    """Price of one place with its line, visits left aside; what has no price counts as nil."""
    prices = plan.prices
    rope = length * (prices.line_per_m or 0.0)
    anchor = prices.anchor or 0.0
    if column.kind == "point":
        return anchor + rope
    supports = (len(column.points) - 2) * (prices.support or 0.0)
    return 2 * anchor + supports + column.run_m * (prices.anchor_line_per_m or 0.0) + rope


def _choose(
    study: Study, kind: str, aim: str, effort: Effort, stop: Callable[[], bool], tell: Tell
) -> Placement:
    extra: list[Demand] = []
    barred: set[Option] = set()
    tied = study.plan.candidates.tied
    names: dict[int, str] = {}

    def report(progress: Progress) -> None:
        tell(f"{progress.stage}: best {progress.best:g}, bound {progress.bound:g}", 0, 0)

    doubts: list[str] = [study.cut] if study.cut else []
    attempt = 0
    while True:
        options = _options(study, kind, aim, barred)
        matrix = _matrix(study, extra, options)
        asked = _asked(study, extra, matrix)
        covered = sparse.csr_array(matrix[asked])
        notes: tuple[str, ...] = ()
        if tied:
            ties = tie_matrix(matrix, _areas(study, extra), study.plan.candidates.tie_overlap)
            cover, notes = solve_tied(covered, options.cost, ties, effort=effort, report=report, stop=stop)
        else:
            cover = solve_cover(covered, options.cost, effort=effort, report=report, stop=stop)
        lengths = _shorten(study, extra, asked, options, cover, aim)
        chosen = [(int(options.place[j]), length) for j, length in zip(cover.chosen, lengths, strict=True)]
        plan, named = _written(study, kind, chosen, names)
        names = {row: name for name, (row, _) in named.items()}
        tell(f"checking the plan, round {attempt + 1}", 0, 0)
        result = study.check(plan)
        more = _missed(study, result, options)
        if asked.size < np.count_nonzero(np.diff(matrix.indptr)):
            more = [demand for demand in more if demand.size.max() >= FRINGE_M - 1e-9]
        bad = _dangerous(result, named)
        attempt += 1
        if not more and not bad:
            break
        if attempt > REPAIRS or stop():
            doubts.append(f"repairs were cut off after {attempt} rounds")
            if more:
                area = sum(float(demand.area.sum()) for demand in more)
                doubts.append(f"{area:.2f} m2 are not served though some place serves them")
            if bad:
                doubts.append(f"{len(bad)} anchors that the check found dangerous were taken out")
                keep = [k for k, one in enumerate(chosen) if one not in bad]
                chosen = [chosen[k] for k in keep]
                left = cover.chosen[keep]
                cover = replace(cover, chosen=left, best=float(options.cost[left].sum()))
                cover = replace(cover, bound=0.0, stopped=True)  # nothing is proven of what is left
            break
        extra += more
        barred |= bad
        if bad and attempt >= CERTIFY_AFTER:
            barred |= _certify(study, kind, aim, barred, stop, tell)
    # names without gaps, in the order of the places
    plan, named = _written(study, kind, chosen, {})
    result = study.check(plan)
    bound_any = _bound_any(study, options, extra, asked, cover, effort, stop)
    doubts += _doubts(result, asked.size < matrix.shape[0])
    proof = prove(
        cover,
        min(bound_any, cover.bound),
        aim=aim,
        currency=study.plan.prices.currency,
        places=int(np.unique(options.place).size),
        lines=any(study.columns[row].kind == "line" for row in options.place),
        cells=len(study.demand.area),
        tied=tied,
        doubts=doubts,
        served=None if result.work_m2 <= 0 else (result.served_m2, result.work_m2),
    )
    return _placement(study, kind, aim, cover, bound_any, result, named, doubts, proof, notes)


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


def _certify(
    study: Study, kind: str, aim: str, barred: set[Option], stop: Callable[[], bool], tell: Tell
) -> set[Option]:
    """Options that whole checks find dangerous, of all that are on offer and not barred yet."""
    options = _options(study, kind, aim, barred)
    pairs = [(int(row), float(x)) for row, x in zip(options.place, options.length, strict=True)]
    ties, by_name = [], {}
    for number, option in enumerate(pairs, 1):
        source = study.columns[option[0]].anchor
        line = _line(study, kind)
        ties.append(replace(source, id=f"T{number}", line=replace(line, length=option[1])))
        by_name[ties[-1].id] = option
    found = study.judge.dangers(ties, stop, lambda step, steps: tell("checking all places", step, steps))
    return {by_name[name] for name in found}


def _matrix(study: Study, extra: list[Demand], options: _Options) -> sparse.csr_array:
    """Cells by options: served whole, every limit held."""
    parts = [demand.need[:, options.place] <= options.length[None, :] for demand in (study.demand, *extra)]
    return sparse.csr_array(np.concatenate(parts).astype(np.int8))


def _asked(study: Study, extra: list[Demand], matrix: sparse.csr_array) -> np.ndarray:
    """Rows that must be held: all that can be, less the fringe where not all can be."""
    can = np.diff(matrix.indptr) > 0
    size = np.concatenate([demand.size for demand in (study.demand, *extra)])
    whole = bool(can[: len(study.demand.area)].all())
    return np.flatnonzero(can if whole else can & (size >= FRINGE_M - 1e-9))


def _areas(study: Study, extra: list[Demand]) -> Floats:
    # cells added in repair lie within others: they must be held, but their area counts once
    return np.concatenate([study.demand.area, *(np.zeros(len(demand.area)) for demand in extra)])


def _shorten(
    study: Study, extra: list[Demand], asked: np.ndarray, options: _Options, cover: Cover, aim: str
) -> list[float]:
    """The shortest lines on offer with which the chosen places still serve everything together."""
    full = [float(options.length[j]) for j in cover.chosen]
    if aim == "cost" or study.plan.candidates.tied or not full:
        return full
    places = options.place[cover.chosen]
    need = np.concatenate([demand.need[:, places] for demand in (study.demand, *extra)])[asked]
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


def _line(study: Study, kind: str) -> Line:
    line = study.plan.line
    return replace(line, policy="restraint", slack=0.0) if kind == "restraint" else line


def _free(letter: str, taken: set[str]) -> Iterator[str]:
    return (name for name in (f"{letter}{n}" for n in count(1)) if name not in taken)


def _written(
    study: Study, kind: str, chosen: list[tuple[int, float]], names: dict[int, str]
) -> tuple[Plan, dict[str, Option]]:
    """The plan with the chosen anchors in place of its own, and which option each of them is.

    Anchors are numbered in the order of their places; those in ``names`` (by row) keep theirs, so that a
    check knows them again.
    """
    plan = study.plan
    line = _line(study, kind)
    anchors: list[Anchor] = []
    lines: list[AnchorLine] = []
    named: dict[str, Option] = {}
    taken = {names[row] for row, _ in chosen if row in names}
    free = {letter: _free(letter, taken) for letter in "AH"}
    for row, length in sorted(chosen):
        source = study.columns[row].anchor
        tied = replace(line, length=length)
        name = names.get(row) or next(free["A" if isinstance(source, Anchor) else "H"])
        named[name] = (row, length)
        if isinstance(source, Anchor):
            anchors.append(replace(source, id=name, line=tied))
        else:
            lines.append(replace(source, id=name, line=tied))
    return replace(plan, anchors=tuple(anchors), anchor_lines=tuple(lines)), named


def _missed(study: Study, result: Result, options: _Options) -> list[Demand]:
    """Cells that the check finds unserved though some place serves them: further demand."""
    cells = result.cells
    rows = np.flatnonzero(~cells.any_served)
    if not rows.size:
        return []
    # only cells that lie in demand cells which the choice claims to serve
    longest = np.array([column.longest for column in study.columns])
    names = {name: k for k, name in enumerate(study.demand.planes)}
    need = _cell_needs(study, result, rows, longest)
    servable = (need[:, options.place] <= options.length[None, :]).any(axis=1)
    rows, need = rows[servable], need[servable]
    if not rows.size:
        return []
    plane = np.array([names[cells.planes[k]] for k in cells.plane[rows]], dtype=np.int64)
    return [
        Demand(plane, study.demand.planes, cells.at[rows], cells.area[rows], cells.size[rows], need, need)
    ]


def _cell_needs(study: Study, result: Result, rows: np.ndarray, longest: Floats) -> np.ndarray:
    plan = study.plan
    cells = result.cells
    facets = {facet.id: facet for facet in study.roof.planes}
    steep = np.array([1.0 / facets[cells.planes[k]].normal[2] for k in cells.plane[rows]])
    # from a point of the cell to its furthest corner: within twice the half diagonal, on the slope
    radius = cells.size[rows] * np.sqrt(2.0) * steep
    need = np.full((rows.size, len(study.columns)), np.inf, dtype=np.float32)
    for k, column in enumerate(study.columns):
        if longest[k] <= 0:
            continue
        worst = np.zeros(rows.size)
        for height in (plan.worker.kneeling_height, plan.worker.attachment_height):
            lengths = column.ruler.measure(cells.at[rows] + np.array([0.0, 0.0, height]), longest[k])
            worst = np.maximum(worst, lengths.hi)
        need[:, k] = np.where(worst + radius <= longest[k], worst + radius, np.inf)
    return need


def _dangerous(result: Result, named: dict[str, Option]) -> set[Option]:
    """Options at whose anchor the check of the whole plan finds a danger."""
    return {
        option
        for name, option in named.items()
        for finding in result.findings
        if finding.severity == "danger" and concerns(finding, name)
    }


def _bound_any(
    study: Study,
    options: _Options,
    extra: list[Demand],
    asked: np.ndarray,
    cover: Cover,
    effort: Effort,
    stop: Callable[[], bool],
) -> float:
    """What no choice from these places can go below, however finely the work were cut.

    Only the cells' own points are asked for, and a place counts for a point unless it is certain that it
    does not reach it. That is less than any true cover must do.
    """
    demands = (study.demand, *extra)
    whole = np.concatenate([d.need[:, options.place] <= options.length[None, :] for d in demands])
    may = np.concatenate([d.point_need[:, options.place] <= options.length[None, :] for d in demands])
    relaxed = sparse.csr_array((may[asked] | whole[asked]).astype(np.int8))
    answer = solve_cover(relaxed, options.cost, start=cover.chosen, effort=effort, stop=stop)
    return float(min(answer.bound, cover.best))


def _placement(
    study: Study,
    kind: str,
    aim: str,
    cover: Cover,
    bound_any: float,
    result: Result,
    named: dict[str, Option],
    doubts: list[str],
    proof: str,
    notes: tuple[str, ...],
) -> Placement:
    plan = result.plan
    columns = [(study.columns[row], length) for row, length in named.values()]
    metres = sum(length for _, length in columns) + sum(column.run_m for column, _ in columns)
    cost = None
    if plan.prices.anchor is not None:
        cost = sum(column_cost(column, length, plan) for column, length in columns)
        cost += (plan.prices.visit or 0.0) if columns else 0.0
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
        worst_margin_m=result.worst_margin_m,
        result=result,
        study=study,
        assumptions=study.assumptions + _unpriced(plan, columns, aim) + notes,
        named=named,
        growth=_growth(result),
    )


def _unpriced(plan: Plan, columns: Sequence[tuple[Column, float]], aim: str) -> tuple[str, ...]:
    prices = plan.prices
    lines = any(column.kind == "line" for column, _ in columns)
    lacking = [
        name
        for name, price, used in (
            ("line_per_m", prices.line_per_m, True),
            ("anchor_line_per_m", prices.anchor_line_per_m, lines),
            ("support", prices.support, lines),
        )
        if used and price is None
    ]
    if aim != "cost" or not lacking:
        return ()
    return (f"counted as nil, for the plan gives no price: {', '.join(lacking)}",)


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
