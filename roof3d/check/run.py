"""The steps of a check in their order."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from roof3d import arrest, taut
from roof3d.check.assumptions import assumptions
from roof3d.check.findings import (
    crew_finding,
    limit_findings,
    line_findings,
    load_unknown_finding,
    mass_finding,
    near_edge_finding,
    segment_findings,
    work_finding,
    worst_first,
)
from roof3d.check.lines import laid_model, over_corners
from roof3d.check.places import anchor_places, check_ids
from roof3d.check.result import AnchorResult, Result, plain
from roof3d.check.terms import make_limits, make_terms, worker_mass
from roof3d.errors import InputError
from roof3d.fall import (
    AnchorRuler,
    Assessment,
    Boundary,
    LineRuler,
    Ruler,
    Span,
    Terms,
    Tie,
    assess,
    exposure,
    make_boundary,
    make_cells,
    make_segments,
    protected,
    restraint_length,
    work_shapes,
)
from roof3d.fall.ruler import distance_to_segments
from roof3d.fall.states import SPACING_M, TOLERANCE_M, reach_limit
from roof3d.plan import rules_for
from roof3d.records import (
    Anchor,
    AnchorLine,
    EdgeSegment,
    Finding,
    Floats,
    Line,
    Plan,
    Roof,
)
from roof3d.rules import RuleSet

Progress = Callable[[str, int, int], None]


@dataclass(frozen=True, eq=False)
class Tied:
    """One anchor with its line, before and after its assessment."""

    name: str
    points: Floats
    source: Anchor | AnchorLine
    line: Line
    ruler: Ruler
    terms: Terms
    connector: arrest.Connector
    tie: Tie
    result: Assessment
    segments: list[EdgeSegment]
    findings: list[Finding]
    spans: tuple[arrest.SpanPlaces, ...] = ()
    model: arrest.AnchorLineModel | None = None
    soft: arrest.LineInSeries | None = None  # the span that gives most


def check(
    roof: Roof, plan: Plan, progress: Progress | None = None, memory: dict[Any, Any] | None = None
) -> Result:
    """Check a plan on a roof: edges, reach, clearance, loads, findings.

    ``progress`` is called with what is being done, the step's number and the number of steps. Raises
    InputError where the plan does not fit the roof (anchor inside, far away, unknown edges) or lacks
    the length of a line.

    ``memory``, kept by the caller for one roof, spares anchors that did not change since the last check
    with it; the result is the same.
    """
    tell = progress or (lambda text, step, steps: None)
    rules = rules_for(plan)
    check_ids(roof, plan)
    steps = len(plan.anchors) + len(plan.anchor_lines) + 3
    tell("preparing the building", 0, steps)
    singles, lines = anchor_places(roof, plan)
    boundary = make_boundary(
        roof,
        plan.worker.attachment_height,
        rules.value("steep_slope_above_deg"),
        rules.value("step_height"),
    )
    guards = protected(boundary, plan)
    shapes = work_shapes(roof, plan)
    tied: list[Tied] = []
    ties: list[tuple[Anchor | AnchorLine, Floats]] = [
        *zip(plan.anchors, singles, strict=True),
        *zip(plan.anchor_lines, lines, strict=True),
    ]
    # all that an anchor's own assessment depends on, beside the roof
    rest = None if memory is None else (_without_anchors(plan), json.dumps(plain(rules.to_json())))
    fresh: dict[Any, Tied] = {}
    for source, points in ties:
        tell(f"assessing {source.id}", len(tied) + 1, steps)
        key = (source, rest)
        one = None if memory is None else memory.get(key)
        if one is None:
            try:
                one = tie_anchor(roof, plan, rules, boundary, guards, source, np.atleast_2d(points))
            except InputError as error:
                raise error.within(plan.file) from None
        fresh[key] = one
        tied.append(one)
    if memory is not None:
        memory.clear()
        memory |= fresh
    tell("measuring what is served", steps - 2, steps)
    cells = make_cells(
        roof.planes,
        shapes,
        [one.ruler for one in tied],
        [one.tie.length for one in tied],
        (plan.worker.kneeling_height, plan.worker.attachment_height),
    )
    tell("mapping exposure", steps - 1, steps)
    shown = exposure(roof, cells, [one.result for one in tied])
    mass = worker_mass(plan, rules)
    findings = [*mass_finding(mass, rules), *crew_finding(plan)]
    anchors = []
    depths = boundary.depths()
    for column, one in enumerate(tied):
        made, more = _anchor_result(one, cells.served_by(column), mass, rules)
        anchors.append(made)
        more += limit_findings(one.segments, more)
        findings += [*one.findings, *segment_findings(one.segments, rules, depths), *more]
    findings += work_finding(cells.total_m2, float(cells.area[cells.any_served].sum()))
    if not tied:
        findings.append(Finding("no-anchors", "warning", "the plan has no anchors: every edge is open"))
    tell("done", steps, steps)
    return Result(
        roof=roof,
        plan=plan,
        rules=rules,
        anchors=tuple(anchors),
        segments=tuple(segment for one in tied for segment in one.segments),
        cells=cells,
        exposure=shown,
        steps={edge.id: found for edge, found in zip(boundary.edges, boundary.walked, strict=True)},
        findings=tuple(worst_first(_unique(findings))),
        assumptions=assumptions(roof, plan, rules, [one.connector for one in tied], boundary),
    )


def _without_anchors(plan: Plan) -> Plan:
    return replace(plan, anchors=(), anchor_lines=(), sha256="", title="")


def _unique(findings: list[Finding]) -> list[Finding]:
    seen: set[tuple[str, str]] = set()
    out = []
    for finding in findings:
        key = (finding.code, finding.text)
        if key not in seen:
            seen.add(key)
            out.append(finding)
    return out


def tie_anchor(
    roof: Roof,
    plan: Plan,
    rules: RuleSet,
    boundary: Boundary,
    guards: list[list[tuple[float, float, str]]],
    source: Anchor | AnchorLine,
    points: Floats,
    piece: float | None = None,
) -> Tied:
    """One anchor with its line, assessed; its places in the local frame, (n, 3).

    ``piece``: the boundary in pieces of this many metres and no finer, for a first look. What stays open
    within a piece counts as the worse, and so does a swing angle that decides no state.
    """
    line = source.line or plan.line
    if line.length is None and line.policy != "restraint":
        raise InputError(
            plan.file or roof.mesh.file,
            "line.length",
            f"nothing, for {source.id}",
            "the length from anchor to D-ring, such as 6 m",
        )
    asked = math.inf if line.length is None else line.length
    terms, connector = make_terms(plan, rules, line, asked if math.isfinite(asked) else 0.0)
    preparation = taut.prepare(roof)
    findings: list[Finding] = []
    spans: tuple[arrest.SpanPlaces, ...] = ()
    model: arrest.AnchorLineModel | None = None
    soft: arrest.LineInSeries | None = None
    ruler: Ruler
    if isinstance(source, AnchorLine):
        model, lays = laid_model(roof, preparation, source, points, rules)
        mass, reckoned = worker_mass(plan, rules), line.length or 1e-3
        force = _most_force(mass, terms, connector, reckoned, rules)
        spans = arrest.span_places(model, force, workers=source.workers)
        model, spans, bounded = over_corners(preparation, model, spans, lays, force, source.workers)
        for number, lies in lays.items():
            middle = (spans[number].p1 + spans[number].p2) / 2
            findings += arrest.may_slip(source.id, number, middle, lies, bounded)
        soft = arrest.softest_span(model, force, workers=source.workers)
        terms = replace(terms, scope_fall=arrest.greatest_fall(mass, connector, reckoned, soft) * (1 + 1e-9))
        ruler = LineRuler(
            preparation,
            tuple(
                Span(
                    tuple(s.p1),
                    tuple(s.p2),
                    s.length,
                    s.span not in lays,
                    tuple(map(tuple, model.bends[s.span])) if model.bends else (),
                )
                for s in spans
            ),
            step=LineRuler.step if piece is None else piece,
        )
    else:
        ruler = AnchorRuler(points[0], preparation, quick=piece is not None)
    length = asked
    if line.policy == "restraint":
        setback = line.setback if line.setback is not None else rules.value("restraint_setback")
        length = max(0.0, restraint_length(boundary, ruler, terms, setback, guards, asked))
        if math.isinf(length):
            length = _whole_roof(roof, points)
    tie = Tie(length, line.policy, line.slack)
    if isinstance(ruler, AnchorRuler):
        ruler = replace(ruler, limit=reach_limit(tie, terms))
    limits = make_limits(plan, rules, connector, terms, length, soft)
    spacing, tolerance = (SPACING_M, TOLERANCE_M) if piece is None else (piece, piece)
    result = assess(boundary, ruler, tie, terms, limits, guards, spacing=spacing, tolerance=tolerance)
    findings += line_findings(source.id, line, length, terms, rules)
    if len(boundary.length):
        away = min(float(distance_to_segments(p, boundary.start, boundary.end).min()) for p in points)
        findings += near_edge_finding(source.id, points[0], away, rules)
    return Tied(
        source.id,
        points,
        source,
        line,
        ruler,
        terms,
        connector,
        tie,
        result,
        make_segments(result, terms, source.id, guards, angles=piece is None),
        findings,
        spans,
        model,
        soft,
    )


def _whole_roof(roof: Roof, points: Floats) -> float:
    """A length that reaches everything, where no edge can be gone over."""
    corners = roof.mesh.vertices
    span = np.linalg.norm(corners.max(axis=0) - corners.min(axis=0))
    return float(span + np.linalg.norm(points[0] - corners.mean(axis=0)))


def _most_force(
    mass: float, terms: Terms, connector: arrest.Connector, length: float, rules: RuleSet
) -> float:
    """Force for the places of an anchor line's traveller: the absorber's, or of the line alone in the
    longest fall that it allows, from one side of the anchor to the other."""
    limit = rules.value("arrest_force_limit")
    if math.isfinite(connector.peak_force):
        return connector.peak_force
    peak = arrest.stop(mass, terms.attachment + 2 * length, connector, length, rules).peak_force_n
    return limit if peak is None else max(limit, peak)


def _anchor_result(
    one: Tied, served: float, mass: float, rules: RuleSet
) -> tuple[AnchorResult, list[Finding]]:
    """Arrest and loads at the worst fall of one anchor."""
    falls = [s for s in one.segments if s.free_fall_m is not None]
    deepest = max(falls, key=lambda s: s.free_fall_m or 0.0, default=None)
    free_fall = max(deepest.free_fall_m or 0.0 if deepest else 0.0, 0.0)
    length = max(one.tie.length, 1e-3)
    hanging = max(deepest.surplus_m, 0.0) if deepest else length
    stopped = arrest.stop(
        mass,
        free_fall if falls else one.terms.attachment,
        one.connector,
        length,
        rules,
        hanging=hanging,
        turned=math.pi / 2 if deepest else 0.0,
        anchor_line=one.soft,
        element=one.name,
    )
    more = list(stopped.findings) if falls else []
    peak = stopped.peak_force_n
    if peak is None:
        more += load_unknown_finding(one.name, one.points[0])
    force = peak if peak is not None else rules.value("arrest_force_limit")
    facts: dict[str, Any] = {
        "free_fall_m": free_fall if falls else None,
        "peak_force_kN": None if peak is None else peak / 1000,
        "stopped": stopped.stopped,
        "absorber_m": stopped.absorber_m,
        "line_stretch_m": stopped.line_stretch_m,
        "assumptions": list(stopped.assumptions),
    }
    if isinstance(one.source, AnchorLine):
        return _line_result(one, served, force, facts, rules, more)
    pulls = _pull_directions(one, falls)
    rating = arrest.Rating(one.source.rating, one.source.direction, one.source.direction_within)
    check = arrest.check_anchor(
        one.name,
        force * pulls[0],
        rating,
        rules,
        others=[arrest.Pull(force * pull) for pull in pulls[1:]],
        restraint=one.line.policy == "restraint" and not falls,
        at=one.points[0],
    )
    more += check.findings
    result = AnchorResult(
        id=one.name,
        kind="point",
        points=one.points,
        line_length_m=one.tie.length,
        policy=one.tie.policy,
        served_area_m2=served,
        load_n=None if peak is None else check.load_n,
        rating_n=one.source.rating,
        verdict=check.verdict if peak is not None or check.verdict == "short" else "unknown",
        terms=one.terms,
        arrest=facts,
        rated=_rated(rating, check),
    )
    return result, more


def _pull_directions(one: Tied, falls: list[EdgeSegment]) -> list[Floats]:
    """Directions in which falls pull on a single anchor, the one with the longest free fall first.

    All of them where the anchor is rated for one direction; where nothing falls, those to the edges that it
    holds somebody back from.
    """
    at = one.points[0]
    directed = isinstance(one.source, Anchor) and one.source.direction is not None
    order = sorted(falls, key=lambda s: -(s.free_fall_m or 0.0))
    if not order and directed:
        order = [s for s in one.segments if s.state == "held"] or one.segments
    places = [place for s in order for place in (s.start, s.end)][: None if directed else 2]
    if not places:
        return [np.array([0.0, 0.0, -1.0])]
    ways = []
    if isinstance(one.ruler, AnchorRuler):
        for path in taut.trace(one.ruler.preparation, at, np.array(places)):
            if path is not None and np.linalg.norm(path.points[1] - at) > 1e-6:
                way = path.points[1] - at
                ways.append(way / np.linalg.norm(way))
    return ways or [np.array([0.0, 0.0, -1.0])]


def _line_result(
    one: Tied, served: float, force: float, facts: dict[str, Any], rules: RuleSet, more: list[Finding]
) -> tuple[AnchorResult, list[Finding]]:
    source, model = one.source, one.model
    assert isinstance(source, AnchorLine) and model is not None
    down = np.array([0.0, 0.0, -1.0])
    ways = [down]
    lies = model.lies()
    for segment in one.segments:
        if segment.free_fall_m is not None:
            ways += [place - _nearest(lies, place) for place in (segment.start, segment.end)]
    known = facts["peak_force_kN"] is not None
    loads = arrest.line_loads(model, force, directions=_few(ways))
    more += list(loads.findings)
    shown = []
    verdicts = []
    for load, rating in zip(loads.points, model.ratings, strict=True):
        name = f"{source.id}, {load.kind} {load.point + 1}"
        check = arrest.check_line_point(name, load.load, rating, rules, others=load.pulls, at=load.at)
        more += check.findings
        verdicts.append(check.verdict if known or check.verdict == "short" else "unknown")
        shown.append(
            {
                "point": load.point + 1,
                "kind": load.kind,
                "load_kN": load.magnitude_n / 1000,
                "vector_kN": load.load / 1000,
                "needs_kN": check.designed_n / 1000,
                "rating_kN": None if rating.strength is None else rating.strength / 1000,
                **_rated(rating, check),
                "verdict": verdicts[-1],
                "case": load.case,
            }
        )
    more += arrest.check_line_strength(source.id, loads.greatest_pull_n, source.rope.strength, rules)
    rank = ("short", "unknown", "design", "ok")
    ratings = [rating.strength for rating in model.ratings if rating.strength is not None]
    result = AnchorResult(
        id=one.name,
        kind="line",
        points=one.points,
        line_length_m=one.tie.length,
        policy=one.tie.policy,
        served_area_m2=served,
        load_n=max((load.magnitude_n for load in loads.points), default=None) if known else None,
        rating_n=min(ratings) if ratings and len(ratings) == len(model.ratings) else None,
        verdict=min(verdicts, key=rank.index, default="unknown"),
        terms=one.terms,
        arrest={
            **facts,
            "workers": loads.workers,
            "assumptions": [*facts["assumptions"], *loads.assumptions],
        },
        loads=tuple(shown),
        lies=lies if model.path_known else None,
        spans=tuple(
            {
                "span": s.span + 1,
                "length_m": s.unloaded,
                "loaded_length_m": s.length,
                "deflection_m": s.deflection_m,
                "pull_kN": s.pull_n / 1000,
            }
            for s in loads.spans
        ),
    )
    return result, more


def _rated(rating: arrest.Rating, check: arrest.LoadCheck) -> dict[str, Any]:
    """The direction that something is rated for, and how far off it the worst pull is."""
    if rating.direction is None:
        return {"rated_direction": "any" if rating.every_way else None}
    size = float(np.linalg.norm(rating.direction))
    return {
        "rated_direction": np.asarray(rating.direction) / size,
        "rated_within_deg": rating.tolerance,
        "off_direction_deg": check.off_deg,
    }


def _nearest(line: Floats, place: Floats) -> Floats:
    """The place on a line of straight stretches (n, 3) that is nearest to a place (3,)."""
    start, along = line[:-1], np.diff(line, axis=0)
    size = np.maximum(np.einsum("ij,ij->i", along, along), 1e-300)
    t = np.clip(np.einsum("ij,ij->i", place - start, along) / size, 0.0, 1.0)
    on = start + t[:, None] * along
    nearest: Floats = on[np.argmin(np.linalg.norm(on - place, axis=1))]
    return nearest


def _few(ways: list[Floats]) -> list[Floats]:
    """Directions that differ by more than about 10 degrees, in their order."""
    kept: list[Floats] = []
    for way in ways:
        size = float(np.linalg.norm(way))
        if size < 1e-9:
            continue
        unit = way / size
        if all(float(unit @ other) < 0.985 for other in kept):
            kept.append(unit)
    return kept
