"""How long a line may be at a place so that every limit holds at every edge that it lets be passed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from roof3d import taut
from roof3d.check import check, make_limits, make_terms
from roof3d.fall import (
    AnchorRuler,
    Boundary,
    Tie,
    assess,
    make_boundary,
    protected,
    restraint_length,
)
from roof3d.fall.states import SWING
from roof3d.plan import rules_for
from roof3d.records import Anchor, AnchorLine, Finding, Floats, Line, Plan, Roof, WorkArea
from roof3d.rules import RuleSet

COARSE_M = 0.5
LOOKS = ((10.0, 0.6, 20.0), (0.2, 0.3, 10.0), (0.05, 0.0, 0.0))
"""Looks at the boundary, ever closer: tolerance m, and by how much (m, degrees) a limit must be broken
for a place to be given up without a closer look. A bound from a coarser look errs on the bad side only."""
STEP_M = 0.05  # lines of restraint are rounded down to this
NOTHING = WorkArea("none", polygon=((1e8, 1e8), (1e8 + 1, 1e8), (1e8, 1e8 + 1)))


@dataclass(frozen=True)
class Allowed:
    """The longest line at a place that was shown to hold every limit, and what forbids the next longer."""

    length: float  # m, 0 where none holds
    blocked_by: tuple[str, ...] = ()  # ids of edges
    reason: str = ""  # one finding's text for the next longer line


class Judge:
    """Judges places of one roof under one plan; prepares once what all of them share."""

    def __init__(self, roof: Roof, plan: Plan) -> None:
        self.roof = roof
        self.plan = plan
        self.rules: RuleSet = rules_for(plan)
        self.boundary: Boundary = make_boundary(
            roof, plan.worker.attachment_height, self.rules.value("steep_slope_above_deg")
        )
        self.guards = protected(self.boundary, plan)
        self.preparation = taut.prepare(roof)

    def ruler(self, at: Floats) -> AnchorRuler:
        """The taut length from a single anchor."""
        return AnchorRuler(at, self.preparation)

    def point(self, at: Floats, anchor: Anchor, lengths: Sequence[float], line: Line) -> Allowed:
        """Longest of ``lengths`` that holds at a single anchor; longer lines never make an edge safer."""
        if line.policy == "restraint":
            return self._restraint(at, max(lengths), line)
        low, high = 0, len(lengths)  # lengths[:low] hold, lengths[high:] do not
        blocked: tuple[str, ...] = ()
        reason = ""
        order = sorted(lengths)
        trial = high - 1
        while low < high:
            edges, why = self._broken(at, anchor, order[trial], line)
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
        steps = np.floor(length / STEP_M + 1e-9)
        return Allowed(max(0.0, round(float(steps * STEP_M), 3)))

    def _broken(self, at: Floats, anchor: Anchor, length: float, line: Line) -> tuple[tuple[str, ...], str]:
        """Edges at which a limit is broken (or may be), and one reason."""
        tie = Tie(length, line.policy, line.slack)
        terms, connector = make_terms(self.plan, self.rules, line, length)
        limits = make_limits(self.plan, self.rules, connector, terms, length)
        for tolerance, slack, turn in LOOKS:
            result = assess(
                self.boundary,
                self.ruler(at),
                tie,
                terms,
                limits,
                self.guards,
                spacing=COARSE_M,
                tolerance=tolerance,
            )
            bad = result.state <= SWING
            if not bad.any():
                break
            if slack:
                drop, angle = limits.swing_drop, limits.swing_angle_deg
                with np.errstate(invalid="ignore"):
                    deep = result.margin < -slack
                    deep |= result.swing_drop > (np.inf if drop is None else drop + slack)
                    deep |= result.angle > (np.inf if angle is None else angle + turn)
                bad &= deep
            if bad.any():
                rows = np.unique(result.pieces.boundary.edge[result.pieces.run[bad]])
                short = bool((result.state[bad] < SWING).any())
                return (
                    tuple(self.boundary.edges[row].id for row in rows),
                    "room below lacks, or a limit on the fall" if short else "the swing is over its limit",
                )
        found = self.findings(
            replace(self.plan, anchors=(anchor_with(anchor, line, length),), anchor_lines=())
        )
        return tuple(sorted({f.element for f in found})), found[0].text if found else ""

    def line(self, source: AnchorLine, lengths: Sequence[float], line: Line) -> Allowed:
        """The same for an anchor line, by whole checks."""
        order = sorted(lengths)
        low, high = 0, len(order)
        blocked: tuple[str, ...] = ()
        reason = ""
        trial = high - 1
        while low < high:
            tied = replace(source, line=replace(line, length=order[trial]))
            found = self.findings(replace(self.plan, anchors=(), anchor_lines=(tied,)))
            if found:
                high = trial
                blocked, reason = tuple(sorted({f.element for f in found if f.element})), found[0].text
            else:
                low = trial + 1
            trial = (low + high) // 2
        return Allowed(order[low - 1] if low else 0.0, blocked, reason)

    def findings(self, plan: Plan) -> list[Finding]:
        """Dangers that the check finds in a plan, work left aside."""
        result = check(self.roof, replace(plan, work=(NOTHING,)))
        return [finding for finding in result.findings if finding.severity == "danger"]


def anchor_with(anchor: Anchor, line: Line, length: float) -> Anchor:
    """The anchor with a line of its own of ``length``."""
    return replace(anchor, line=replace(line, length=length))
