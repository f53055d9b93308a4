"""Findings of a check: what a person must look at, in words with figures."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from roof3d.arrest.swing import swing
from roof3d.check.terms import too_weak
from roof3d.fall import Terms
from roof3d.records import EdgeSegment, Finding, Floats, Line, Plan
from roof3d.rules import RuleSet

SMALL_STEPS = 2.0  # times the step that is none: so little below is told of many edges at once
SHOWN = 1e-6  # limits are compared with this much room for rounding


def segment_findings(
    segments: list[EdgeSegment], rules: RuleSet, depths: Mapping[str, float] | None = None
) -> list[Finding]:
    """For one anchor and each edge: a finding on room, one on swing, one on long free falls, with the worst.

    Stretches of an edge that break the same are told together, so that a reader sees each edge once.
    ``depths``: the greatest height over what lies below, by edge; small steps (at most ``SMALL_STEPS`` times
    the rule set's step) that lack room are all told in one.
    """
    limit = rules.value("free_fall_limit")
    either = rules.get("arrest_force_limit_short_fall") is not None  # little force excuses a long fall
    swing_limits = tuple(
        rules.get(name) for name in ("swing_drop_limit", "swing_angle_limit_deg", "swing_offset_limit")
    )
    by_edge: dict[tuple[str, str], list[EdgeSegment]] = {}
    for s in segments:
        by_edge.setdefault((s.anchor, s.edge), []).append(s)
    found: list[Finding] = []
    small = SMALL_STEPS * rules.value("step_height")
    steps: list[tuple[float, EdgeSegment, str]] = []
    for some in by_edge.values():
        room = [(s.margin_m, s, _room(s)) for s in some if "room" in s.breaks and s.margin_m is not None]
        if room and (depths or {}).get(some[0].edge, np.inf) <= small + SHOWN:
            steps += room
        else:
            found.extend(_told("clearance-short", room))
        swings = [
            (-np.inf if s.swing_drop_m is None else -s.swing_drop_m, s, words)
            for s in some
            if s.state in ("short", "swing") and (words := _swing(s, *swing_limits))
        ]
        found.extend(_told("swing", swings))
        falls = [
            (-s.free_fall_m, s, f"free fall of {s.free_fall_m:.2f} m, more than {limit:.2f} m")
            for s in some
            if s.free_fall_m is not None
            and s.free_fall_m > limit + SHOWN
            and not (either and "free-fall" not in s.breaks)
        ]
        found.extend(_told("free-fall-over-limit", falls))
    return found + _steps_told(steps, small)


def worst_first(findings: Sequence[Finding]) -> list[Finding]:
    """Findings in the order in which they are to be looked at: dangers, warnings, notes; of dangers those
    without a figure, then by how far the limit is missed, small steps last."""
    severities = ("danger", "warning", "note")

    def key(finding: Finding) -> tuple[int, bool, float]:
        worse = -np.inf if finding.worse is None else -finding.worse
        return severities.index(finding.severity), finding.small, worse

    return sorted(findings, key=key)


def _steps_told(some: list[tuple[float, EdgeSegment, str]], small: float) -> list[Finding]:
    """One finding on all small steps of an anchor."""
    edges = {s.edge for _, s, _ in some}
    if len(edges) < 2:
        return [replace(finding, small=True) for finding in _told("clearance-short", some)]
    margin, worst, words = min(some, key=lambda entry: entry[0])
    total = sum(s.to_m - s.from_m for _, s, _ in some)
    text = (
        f"{len(edges)} edges with small steps, {total:.2f} m in all with at most {small:.2f} m below, on "
        f"{worst.anchor}: worst {worst.edge} from {worst.from_m:.2f} m to {worst.to_m:.2f} m: {words}"
    )
    at = (worst.start + worst.end) / 2
    return [Finding("clearance-short", "danger", text, worst.edge, at, -margin, small=True)]


def _told(code: str, some: list[tuple[float, EdgeSegment, str]]) -> list[Finding]:
    """The finding on stretches of one edge: their extent, and in words the one with the least figure."""
    if not some:
        return []
    figure, worst, words = min(some, key=lambda entry: entry[0])
    stretches = [s for _, s, _ in some]
    low, high = min(s.from_m for s in stretches), max(s.to_m for s in stretches)
    where = f"{worst.edge} from {low:.2f} m to {high:.2f} m"
    if len(stretches) > 1:
        total = sum(s.to_m - s.from_m for s in stretches)
        where += f", {len(stretches)} stretches of {total:.2f} m in all"
        words += f", worst from {worst.from_m:.2f} m to {worst.to_m:.2f} m"
    text = f"{where}, on {worst.anchor}: {words}"
    return [Finding(code, "danger", text, worst.edge, (worst.start + worst.end) / 2, -figure)]


def _room(s: EdgeSegment) -> str:
    return (
        f"{s.clearance_required_m:.2f} m needed below the edge, "
        f"{max(0.0, s.clearance_available_m or 0.0):.2f} m there ({s.strikes}): "
        f"{-(s.margin_m or 0.0):.2f} m short"
    )


def _swing(s: EdgeSegment, drop: float | None, angle: float | None, offset: float | None) -> str:
    """What is wrong with the swing from a stretch, "" if nothing is."""
    reasons = []
    if s.swing_drop_m is None:
        reasons.append("drop without a known bound")
    elif drop is not None and s.swing_drop_m > drop + SHOWN:
        reasons.append(f"drop of {s.swing_drop_m:.2f} m, more than {drop:.2f} m")
    if s.swing_angle_deg is None:
        reasons.append("angle not known")
    elif angle is not None and s.swing_angle_deg > angle + SHOWN:
        reasons.append(f"{s.swing_angle_deg:.0f} degrees, more than {angle:.0f}")
    sideways = dict(s.sums).get("swing_offset_m")
    if offset is not None and sideways is not None and sideways > offset + SHOWN:
        reasons.append(f"{sideways:.2f} m to the side, more than {offset:.2f} m")
    if not reasons and s.state == "swing":
        most = dict(s.sums).get("most_swing_m", s.swing_drop_m)
        speed = f" at {swing(0.0, most).words()}" if most is not None else ""
        reasons.append(f"strikes {s.strikes}{speed}")
    return f"swing: {'; '.join(reasons)}" if reasons else ""


# what findings on the worst fall of an anchor say already
TOLD = {
    "force": ("arrest-force-over-limit", "arrest-force-unknown", "absorber-exhausted", "anchor-load-unknown"),
    "absorber": ("absorber-exhausted", "absorber-too-weak", "deceleration-over-limit", "anchor-load-unknown"),
}
SAYS = {"force": "arrest force may be over the limit", "absorber": "may ask too much of the absorber"}


def limit_findings(segments: list[EdgeSegment], told: list[Finding]) -> list[Finding]:
    """A finding for the first segment whose force or absorber is over the limit, unless one was made."""
    found: list[Finding] = []
    codes = {finding.code for finding in told}
    for word, known in TOLD.items():
        mine = [s for s in segments if word in s.breaks]
        if mine and not codes.intersection(known):
            s = mine[0]
            text = f"{s.edge} from {s.from_m:.2f} m to {s.to_m:.2f} m, on {s.anchor}: {SAYS[word]}"
            found.append(Finding(f"{word}-over-limit", "danger", text, s.edge, (s.start + s.end) / 2))
    return found


def line_findings(name: str, line: Line, length: float, terms: Terms, rules: RuleSet) -> list[Finding]:
    """Findings on the line itself: too long for its kind, or of no length that restrains."""
    found: list[Finding] = []
    limit = rules.value("lanyard_length_limit")
    if line.kind == "lanyard" and length > limit + SHOWN:
        text = f"{name}: lanyard of {length:.2f} m, longer than {limit:.2f} m"
        found.append(Finding("lanyard-too-long", "danger", text, name))
    if line.policy == "restraint" and length <= 0:
        text = f"{name}: no line restrains here: an edge is within the setback and the stretch"
        found.append(Finding("restraint-impossible", "danger", text, name))
    if too_weak(terms):
        text = f"{name}: the least force of the absorber does not carry the worker's weight: it runs out"
        found.append(Finding("absorber-too-weak", "danger", text, name))
    return found


def mass_finding(mass: float, rules: RuleSet) -> list[Finding]:
    """A finding where the worker is heavier than the rule set's values hold for."""
    limit = rules.get("worker_mass_limit")
    if limit is None or mass <= limit + SHOWN:
        return []
    text = f"worker of {mass:.0f} kg with tools: the rule set's values hold up to {limit:.0f} kg"
    return [Finding("mass-over-limit", "warning", text)]


def crew_finding(plan: Plan) -> list[Finding]:
    """A finding where more people are on the roof than the plan's anchors and lines are reckoned for.

    An anchor is reckoned with one worker's arrest, an anchor line with those that the plan puts on it.
    """
    ties = len(plan.anchors) + sum(line.workers for line in plan.anchor_lines)
    if not ties or plan.worker.count <= ties:
        return []
    text = (
        f"{plan.worker.count} people on the roof, anchors and lines reckoned for {ties}: no anchor is "
        "reckoned with the fall of two"
    )
    return [Finding("crew-over-ties", "warning", text)]


def load_unknown_finding(name: str, at: Floats) -> list[Finding]:
    """A finding where nothing limits the force of the worst fall, so that no rating can be enough."""
    text = f"{name}: nothing limits the force of its worst fall, so the load on it is not known"
    return [Finding("anchor-load-unknown", "danger", text, name, np.asarray(at))]


def near_edge_finding(name: str, at: Floats, away: float, rules: RuleSet) -> list[Finding]:
    """A finding where an anchor is nearer to a fall edge than the rule set allows."""
    least = rules.get("edge_anchor_setback")
    if least is None or away >= least - SHOWN:
        return []
    text = f"{name}: {away:.2f} m from a fall edge, nearer than {least:.2f} m"
    return [Finding("anchor-near-edge", "warning", text, name, np.asarray(at))]


def work_finding(area: float, served: float) -> list[Finding]:
    """A finding where some of the work is out of every anchor's reach."""
    missing = area - served
    if missing <= 1e-6:
        return []
    text = f"{missing:.2f} m2 of {area:.2f} m2 of work are not served by any anchor, standing and kneeling"
    return [Finding("work-unserved", "warning", text)]
