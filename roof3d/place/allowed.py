"""How long a line may be at a place so that every limit holds at every edge that it lets be passed."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from roof3d import arrest, taut
from roof3d.check import Result, check, make_limits, make_terms
from roof3d.check.lines import laid_model, over_corners
from roof3d.check.terms import worker_mass
from roof3d.fall import (
    AnchorRuler,
    Assessment,
    Boundary,
    Limits,
    LineRuler,
    Span,
    Terms,
    Tie,
    assess,
    make_boundary,
    protected,
    restraint_length,
)
from roof3d.fall.states import SWING, TOLERANCE_M, reach_limit
from roof3d.plan import rules_for
from roof3d.records import (
    BREAKS,
    Anchor,
    AnchorLine,
    Finding,
    Floats,
    Lengths,
    Line,
    Plan,
    Roof,
    WorkArea,
)
from roof3d.rules import RuleSet

COARSE_M = 0.5
LOOKS = ((10.0, 0.6, 20.0), (0.2, 0.3, 10.0), (0.05, 0.0, 0.0))
"""Looks at the boundary, ever closer: tolerance m, and by how much (m, degrees) a limit must be broken
for a place to be given up without a closer look. A bound from a coarser look errs on the bad side only."""
STEP_M = 0.05  # lines of restraint are rounded down to this
CERTIFIED = 8  # anchors in one check of many, between two looks at the stop
SAYS = {
    "room": "room below lacks",
    "free-fall": "the free fall is over its limit",
    "force": "the arrest force may be over its limit",
    "absorber": "the absorber may not suffice",
    "swing": "the swing is over its limit",
}
CODES = {
    "clearance-short": SAYS["room"],
    "free-fall": SAYS["free-fall"],
    "free-fall-over-limit": SAYS["free-fall"],
    "arrest-force-over-limit": SAYS["force"],
    "arrest-force-unknown": SAYS["force"],
    "absorber-exhausted": SAYS["absorber"],
    "absorber-too-weak": SAYS["absorber"],
    "swing": SAYS["swing"],
    "anchor-line-overstretched": "the anchor line's rope gives too much",
    "anchor-line-strength-short": "the anchor line's rope is too weak",
    "anchor-rating-short": "an end or support is rated too low",
    "span-over-limit": "a span of the anchor line is too long",
}
"""Findings of a whole check in few words; others are told by their code."""
NOTHING = WorkArea("none", edge_kinds=("none",))
"""No work at all: a strip along a kind of edge that no roof has."""


@dataclass(frozen=True)
class Allowed:
    """The longest line at a place that was shown to hold every limit, and what forbids the next longer."""

    length: float  # m, 0 where none holds
    blocked_by: tuple[str, ...] = ()  # ids of edges
    reason: str = ""  # one finding's text for the next longer line


@dataclass(frozen=True, eq=False)
class _Recalling(AnchorRuler):
    """A ruler that measures the same points once: shorter lines ask what longer ones asked before."""

    known: dict[bytes, tuple[float, Lengths]] = field(default_factory=dict)

    def measure(self, points: Floats, limit: float = np.inf) -> Lengths:
        key = points.tobytes()
        if key in self.known and self.known[key][0] >= limit:
            return self.known[key][1]
        found = AnchorRuler.measure(self, points, limit)
        self.known[key] = (limit, found)
        return found


class Judge:
    """Judges places of one roof under one plan; prepares once what all of them share."""

    def __init__(self, roof: Roof, plan: Plan) -> None:
        self.roof = roof
        self.plan = plan
        self.rules: RuleSet = rules_for(plan)
        self.boundary: Boundary = make_boundary(
            roof,
            plan.worker.attachment_height,
            self.rules.value("steep_slope_above_deg"),
            self.rules.value("step_height"),
        )
        self.guards = protected(self.boundary, plan)
        self.preparation = taut.prepare(roof)

    def ruler(self, at: Floats) -> AnchorRuler:
        """The taut length from a single anchor."""
        return AnchorRuler(at, self.preparation)

    def point(self, at: Floats, lengths: Sequence[float], line: Line) -> Allowed:
        """Longest of ``lengths`` that holds at a single anchor; longer lines never make an edge safer.

        Edges alone are judged here. What else a check finds (loads, ratings) is left to ``dangers``.
        """
        if line.policy == "restraint":
            return self._restraint(at, max(lengths), line)
        ruler = _Recalling(at, self.preparation)
        low, high = 0, len(lengths)  # lengths[:low] hold, lengths[high:] do not
        blocked: tuple[str, ...] = ()
        reason = ""
        order = sorted(lengths)
        trial = high - 1
        while low < high:
            edges, why = self._broken(ruler, order[trial], line)
            if edges or why:
                high, blocked, reason = trial, edges, why
            else:
                low = trial + 1
            trial = (low + high) // 2
        return Allowed(order[low - 1] if low else 0.0, blocked, reason)

    def _restraint(self, at: Floats, most: float, line: Line) -> Allowed:
        terms, _ = make_terms(self.plan, self.rules, line, most)
        setback = line.setback if line.setback is not None else self.rules.value("restraint_setback")
        length = restraint_length(self.boundary, self.ruler(at), terms, setback, self.guards, most)
        return Allowed(_step_down(length))

    def _broken(self, ruler: AnchorRuler, length: float, line: Line) -> tuple[tuple[str, ...], str]:
        """Edges at which a limit is broken (or may be), and one reason."""
        tie = Tie(length, line.policy, line.slack)
        terms, connector = make_terms(self.plan, self.rules, line, length)
        limits = make_limits(self.plan, self.rules, connector, terms, length)
        ruler = replace(ruler, limit=reach_limit(tie, terms))
        for tolerance, slack, turn in LOOKS:
            result = assess(
                self.boundary, ruler, tie, terms, limits, self.guards, spacing=COARSE_M, tolerance=tolerance
            )
            bad = result.state <= SWING
            if not bad.any():
                break
            if slack:
                bad &= _clearly(result, terms, limits, slack, turn)
            if bad.any():
                rows = np.unique(result.pieces.boundary.edge[result.pieces.run[bad]])
                words = [
                    SAYS[word]
                    for word, broken in zip(BREAKS, result.breaks[bad].T, strict=True)
                    if broken.any()
                ]
                reason = ", ".join(words) or "a limit on the fall"
                return tuple(self.boundary.edges[row].id for row in rows), reason
        return (), ""

    def line(self, source: AnchorLine, lengths: Sequence[float], line: Line) -> Allowed:
        """The same for an anchor line, by whole checks."""
        order = sorted(lengths)
        if line.policy == "restraint":
            tied = replace(source, line=replace(line, length=order[-1]))
            found = self._check((), (tied,))
            held = _step_down(found.anchors[0].line_length_m)
            order = [held] if held > 0 else []
        low, high = 0, len(order)
        blocked: tuple[str, ...] = ()
        reason = ""
        trial = high - 1
        while low < high:
            tied = replace(source, line=replace(line, length=order[trial]))
            dangers = _dangers(self._check((), (tied,)))
            if dangers:
                high = trial
                blocked = tuple(sorted({f.element for f in dangers if f.element}))
                reason = _in_short(dangers)
            else:
                low = trial + 1
            trial = (low + high) // 2
        return Allowed(order[low - 1] if low else 0.0, blocked, reason)

    def line_ruler(self, source: AnchorLine, line: Line, length: float) -> LineRuler:
        """The taut length from an anchor line that gives under the fall of a worker on ``length`` metres."""
        points = self.roof.to_local(source.points)
        model, lays = laid_model(self.roof, self.preparation, source, points, self.rules)
        length = max(length, 1e-3)
        terms, connector = make_terms(self.plan, self.rules, line, length)
        force = connector.peak_force
        if not np.isfinite(force):  # nothing limits it but the line: the longest fall that it allows
            fall = terms.attachment + 2 * length
            peak = arrest.stop(
                worker_mass(self.plan, self.rules), fall, connector, length, self.rules
            ).peak_force_n
            force = max(self.rules.value("arrest_force_limit"), peak or 0.0)
        spans = arrest.span_places(model, force, workers=source.workers)
        model, spans, _ = over_corners(self.preparation, model, spans, lays, force, source.workers)
        return LineRuler(
            self.preparation,
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
        )

    def dangers(
        self,
        ties: Sequence[Anchor | AnchorLine],
        stop: Callable[[], bool] = lambda: False,
        tell: Callable[[int, int], None] = lambda step, steps: None,
    ) -> dict[str, str]:
        """Dangers that whole checks find at each of ``ties``, by id; the first one's text."""
        found: dict[str, str] = {}
        for start in range(0, len(ties), CERTIFIED):
            if stop():
                break
            tell(start, len(ties))
            few = ties[start : start + CERTIFIED]
            result = self._check(
                tuple(one for one in few if isinstance(one, Anchor)),
                tuple(one for one in few if isinstance(one, AnchorLine)),
            )
            for one in few:
                for finding in _dangers(result):
                    if concerns(finding, one.id):
                        found.setdefault(one.id, finding.text)
        return found

    def _check(self, anchors: tuple[Anchor, ...], lines: tuple[AnchorLine, ...]) -> Result:
        plan = replace(self.plan, anchors=anchors, anchor_lines=lines, work=(NOTHING,))
        return check(self.roof, plan)


def _in_short(findings: Sequence[Finding]) -> str:
    said = [CODES.get(one.code, one.code.replace("-", " ")) for one in findings]
    return ", ".join(dict.fromkeys(said))


def _step_down(length: float) -> float:
    """A line of restraint to what can be set on site. A check of the shorter line looks at the edges anew,
    to within its tolerance, and must not find the line longer than what restrains."""
    return max(0.0, round(float(np.floor((length - TOLERANCE_M) / STEP_M + 1e-9) * STEP_M), 3))


def _clearly(result: Assessment, terms: Terms, limits: Limits, slack: float, turn: float) -> np.ndarray:
    """Pieces at which a limit is broken by so much that a closer look would not save them."""
    drop, angle = limits.swing_drop, limits.swing_angle_deg
    most = min(np.inf if limits.free_fall is None else limits.free_fall, limits.absorber_fall)
    with np.errstate(invalid="ignore"):
        deep = result.margin < -slack
        deep |= result.swing_drop > (np.inf if drop is None else drop + slack)
        deep |= result.angle > (np.inf if angle is None else angle + turn)
        deep |= result.passable & (terms.attachment + result.surplus > most + slack)
    return np.asarray(deep)


def _dangers(result: Result) -> list[Finding]:
    return [finding for finding in result.findings if finding.severity == "danger"]


def concerns(finding: Finding, name: str) -> bool:
    """Whether a finding is about the anchor or anchor line ``name``."""
    text = finding.text
    return finding.element == name or f" on {name}:" in text or text.startswith((f"{name}:", f"{name},"))


def anchor_with(anchor: Anchor, line: Line, length: float) -> Anchor:
    """The anchor with a line of its own of ``length``."""
    return replace(anchor, line=replace(line, length=length))
