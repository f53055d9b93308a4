"""The study behind a choice: every place judged, and what each of them needs to serve the work."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from roof3d.check import Result, check
from roof3d.errors import InputError
from roof3d.fall import Ruler, work_shapes
from roof3d.fall.reach import FIRST_CELL_M
from roof3d.place.allowed import Allowed, Judge
from roof3d.place.candidates import Candidate, find_candidates
from roof3d.place.demand import Demand, make_demand
from roof3d.place.lines import CandidateLine, find_lines, steepest
from roof3d.records import Anchor, AnchorLine, Candidates, Floats, Plan, Roof

Stop = Callable[[], bool]
Tell = Callable[[str, int, int], None]

USUAL_LENGTHS = (2.0, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0, 12.0, 15.0)
FINEST_M = 0.125  # cells are cut no finer than this to save an anchor
MOST_ENTRIES = 4_000_000
SPAN_M = 12.0  # between supports of a proposed anchor line, where the plan names no limit


@dataclass(frozen=True, eq=False)
class Column:
    """One thing that can be chosen: a place with its line. ``cost`` follows the aim."""

    id: str  # of the candidate
    kind: str  # point, line
    points: Floats  # (n, 3) local
    ruler: Ruler
    allowed: Allowed  # under the plan's policy
    restrained: float  # longest line of restraint, 0 where none
    anchor: Anchor | AnchorLine

    @property
    def longest(self) -> float:
        """The longest line of any use here."""
        return max(self.allowed.length, self.restrained)

    @property
    def run_m(self) -> float:
        """Length of the anchor line itself, nil for a single anchor."""
        return float(np.linalg.norm(np.diff(self.points, axis=0), axis=1).sum())


@dataclass(frozen=True, eq=False)
class Study:
    """Everything about a roof and plan that all choices share."""

    roof: Roof
    plan: Plan
    judge: Judge
    columns: tuple[Column, ...]
    demand: Demand
    lengths: tuple[float, ...]  # on offer
    assumptions: tuple[str, ...]
    cut: str = ""  # what a stop left out: nothing can be called the fewest then
    memory: dict[Any, Any] = field(default_factory=dict)  # what checks of this roof and plan know already

    def check(self, plan: Plan) -> Result:
        """The check of a choice; anchors that an earlier check of this study knew are not assessed anew."""
        given = dict(self.memory)
        result = check(self.roof, plan, memory=given)
        self.memory.update(given)
        return result


def make_study(
    roof: Roof,
    plan: Plan,
    tell: Tell | None = None,
    *,
    lines: bool = False,
    restraint: bool = False,
    stop: Stop = lambda: False,
) -> Study:
    """Judge all candidates and measure what each may serve. The long part of the work.

    ``stop`` is asked before each place: those that were not looked at then are left out, and said so.
    """
    say = tell or (lambda text, step, steps: None)
    assumptions: list[str] = []
    lengths = tuple(sorted(set(plan.candidates.line_lengths)))
    if not lengths and plan.line.length is not None:
        lengths = (plan.line.length,)
    if not lengths:
        lengths = USUAL_LENGTHS
        shown = ", ".join(f"{length:g}" for length in lengths)
        assumptions.append(f"lines of {shown} m on offer: the plan names no line_lengths")
    candidates, said = find_candidates(roof, plan)
    assumptions += said
    if not candidates:
        raise InputError(
            plan.file or roof.mesh.file,
            "candidates",
            "no place for an anchor with these edges, setbacks and keep-outs",
            'other values of along (such as ["ridge", "hip", "slope"]), setbacks, a list_file, or off_roof',
        )
    assumptions += _defaults(plan, lines, any(one.kind == "slope" for one in candidates))
    judge = Judge(roof, plan)
    columns: list[Column] = []
    for number, candidate in enumerate(candidates):
        if stop():
            break
        say("judging places", number, len(candidates))
        columns.append(_point_column(judge, candidate, lengths, restraint))
    count = len(candidates)
    if lines:
        proposed = find_lines(roof, plan, candidates, _span(plan))
        count += len(proposed)
        for number, one in enumerate(proposed):
            if stop():
                break
            say("judging anchor lines", number, len(proposed))
            columns.append(_line_column(judge, one, lengths, restraint))
    demand = measure_demand(roof, plan, columns, FIRST_CELL_M, say, stop)
    cut = ""
    if len(columns) < count:
        cut = f"stopped after {len(columns)} of {count} places were judged"
    elif stop():
        cut = "stopped before what each place serves was measured in full"
    return Study(roof, plan, judge, tuple(columns), demand, lengths, tuple(assumptions), cut)


def _defaults(plan: Plan, lines: bool, slopes: bool) -> list[str]:
    """Values without a source that the plan leaves as they are by default."""
    wish = plan.candidates
    said = []
    if "height" not in wish.given and wish.height == Candidates().height:
        said.append(f"anchors tie off {wish.height:.2f} m above the roof surface (assumed: the default)")
    if "slope_step" not in wish.given and slopes and wish.slope_step == Candidates().slope_step:
        said.append(f"places on slopes are {wish.slope_step:.2f} m apart up the slope (assumed: the default)")
    if wish.tied and "tie_overlap" not in wish.given and wish.tie_overlap == Candidates().tie_overlap:
        said.append(
            f"two anchors that both serve {wish.tie_overlap:.2f} m2 let a worker change between them "
            "(assumed: the default)"
        )
    if lines and not any(line.maximum_span is not None for line in plan.anchor_lines):
        said.append(f"supports of anchor lines at most {SPAN_M:.1f} m apart (assumed: the plan has no limit)")
    if lines and steepest(plan)[1]:
        said.append(steepest(plan)[1])
    if lines and not plan.anchor_lines:
        said.append("anchor lines of the default rope and supports: the plan has none as a pattern")
    return said


def measure_demand(
    roof: Roof, plan: Plan, columns: Sequence[Column], fine_m: float, tell: Tell, stop: Stop
) -> Demand:
    """The plan's work in cells of at most ``fine_m``, and what they need from each place."""
    return make_demand(
        roof.planes,
        work_shapes(roof, plan),
        [column.ruler for column in columns],
        np.array([column.longest for column in columns]),
        (plan.worker.kneeling_height, plan.worker.attachment_height),
        fine_m=fine_m,
        tell=lambda step, steps: tell("measuring what each place serves", step, steps),
        stop=stop,
    )


def finer(study: Study, tell: Tell, stop: Stop) -> Study | None:
    """The same study over cells half as large; None where that would be too many or too small, or stopped."""
    size = float(study.demand.size.max(initial=0.0)) / 2
    cells = 4 * len(study.demand.size)
    if size < FINEST_M - 1e-9 or cells * len(study.columns) > MOST_ENTRIES:
        return None
    demand = measure_demand(study.roof, study.plan, study.columns, size, tell, stop)
    return None if stop() else replace(study, demand=demand)


def _span(plan: Plan) -> float:
    limits = [line.maximum_span for line in plan.anchor_lines if line.maximum_span is not None]
    return min(limits, default=SPAN_M)


def _coordinates(roof: Roof, at: Floats) -> tuple[float, float, float]:
    """Loaded coordinates to the millimetre, as the file will hold them."""
    x, y, z = (round(float(v), 3) for v in roof.to_loaded(at))
    return x, y, z


def _point_column(judge: Judge, candidate: Candidate, lengths: Sequence[float], restraint: bool) -> Column:
    plan = judge.plan
    at = _coordinates(judge.roof, candidate.at)
    local = judge.roof.to_local(at)
    note = " ".join(part for part in (f"place {candidate.id}", candidate.kind, candidate.on) if part)
    if candidate.rafter is not None:
        note += f" rafter {candidate.rafter + 1}"
    anchor = Anchor(candidate.id, at, rating=candidate.rating, note=candidate.note or note)
    allowed = judge.point(local, lengths, plan.line)
    restrained = 0.0
    if plan.line.policy == "restraint":
        restrained = allowed.length
    elif restraint:
        tie = replace(plan.line, policy="restraint", slack=0.0)
        restrained = judge.point(local, lengths, tie).length
    return Column(candidate.id, "point", local[None], judge.ruler(local), allowed, restrained, anchor)


def _line_column(judge: Judge, line: CandidateLine, lengths: Sequence[float], restraint: bool) -> Column:
    plan = judge.plan
    points = tuple(_coordinates(judge.roof, point) for point in line.points)
    local = judge.roof.to_local(points)
    pattern = plan.anchor_lines[0] if plan.anchor_lines else AnchorLine("", ())
    source = replace(pattern, id=line.id, points=points, line=None, supports=())
    source = replace(source, note=f"place {line.id} {line.on}")
    allowed = judge.line(source, lengths, plan.line)
    restrained = 0.0
    if plan.line.policy == "restraint":
        restrained = allowed.length
    elif restraint:
        restrained = judge.line(source, lengths, replace(plan.line, policy="restraint", slack=0.0)).length
    ruler = judge.line_ruler(source, plan.line, max(lengths))
    return Column(line.id, "line", local, ruler, allowed, restrained, source)
