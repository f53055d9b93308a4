"""The study behind a choice: every place judged, and what each of them needs to serve the work."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from roof3d import taut
from roof3d.check.run import CLEAR_M
from roof3d.errors import InputError
from roof3d.fall import LineRuler, Ruler, Span, work_shapes
from roof3d.fall.reach import FIRST_CELL_M
from roof3d.place.allowed import Allowed, Judge
from roof3d.place.candidates import Candidate, CandidateLine, find_candidates, find_lines
from roof3d.place.demand import Demand, make_demand
from roof3d.records import Anchor, AnchorLine, Floats, Plan, Roof

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


def make_study(
    roof: Roof, plan: Plan, tell: Tell | None = None, *, lines: bool = False, restraint: bool = False
) -> Study:
    """Judge all candidates and measure what each may serve. The long part of the work."""
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
    judge = Judge(roof, plan)
    columns: list[Column] = []
    for number, candidate in enumerate(candidates):
        say("judging places", number, len(candidates))
        columns.append(_point_column(judge, candidate, lengths, restraint))
    if lines:
        proposed = find_lines(roof, plan, candidates, _span(plan))
        for number, one in enumerate(proposed):
            say("judging anchor lines", number, len(proposed))
            columns.append(_line_column(judge, one, lengths))
    demand = measure_demand(roof, plan, columns, FIRST_CELL_M, say)
    return Study(roof, plan, judge, tuple(columns), demand, lengths, tuple(assumptions))


def measure_demand(roof: Roof, plan: Plan, columns: Sequence[Column], fine_m: float, tell: Tell) -> Demand:
    """The plan's work in cells of at most ``fine_m``, and what they need from each place."""
    return make_demand(
        roof.planes,
        work_shapes(roof, plan),
        [column.ruler for column in columns],
        np.array([column.longest for column in columns]),
        (plan.worker.kneeling_height, plan.worker.attachment_height),
        fine_m=fine_m,
        tell=lambda step, steps: tell("measuring what each place serves", step, steps),
    )


def finer(study: Study, tell: Tell) -> Study | None:
    """The same study over cells half as large; None where that would be too many or too small."""
    size = float(study.demand.size.max(initial=0.0)) / 2
    cells = 4 * len(study.demand.size)
    if size < FINEST_M - 1e-9 or cells * len(study.columns) > MOST_ENTRIES:
        return None
    demand = measure_demand(study.roof, study.plan, study.columns, size, tell)
    return replace(study, demand=demand)


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
    allowed = judge.point(local, anchor, lengths, plan.line)
    restrained = 0.0
    if plan.line.policy == "restraint":
        restrained = allowed.length
    elif restraint:
        tie = replace(plan.line, policy="restraint", slack=0.0)
        restrained = judge.point(local, anchor, lengths, tie).length
    return Column(candidate.id, "point", local[None], judge.ruler(local), allowed, restrained, anchor)


def _line_column(judge: Judge, line: CandidateLine, lengths: Sequence[float]) -> Column:
    plan = judge.plan
    points = tuple(_coordinates(judge.roof, point) for point in line.points)
    local = judge.roof.to_local(points)
    pattern = plan.anchor_lines[0] if plan.anchor_lines else AnchorLine("", ())
    source = replace(pattern, id=line.id, points=points, line=None, note=f"place {line.id} {line.on}")
    allowed = judge.line(source, lengths, plan.line)
    spans = []
    for p, q in pairwise(local):
        chord = float(np.linalg.norm(q - p))
        over = float(taut.measure(judge.preparation, p, q[None]).hi[0])
        spans.append(Span(tuple(p), tuple(q), chord, over <= chord + CLEAR_M))
    return Column(line.id, "line", local, LineRuler(judge.preparation, tuple(spans)), allowed, 0.0, source)
