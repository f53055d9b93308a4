"""Clearance terms of one line, from the rule set, the plan and the data of its equipment."""

from __future__ import annotations

import math
from dataclasses import replace

from roof3d.arrest import Connector, edge_stretch, greatest_fall, resolve
from roof3d.arrest.equipment import friction_range
from roof3d.arrest.person import Elastic
from roof3d.fall import ForceLimit, Limits, Terms
from roof3d.formulas import STANDARD_GRAVITY, stretching_length
from roof3d.records import Line, Plan
from roof3d.rules import RuleSet

MOST_FALL = 2.0  # times the line: no fall on a line is longer than from one side of the anchor to the other


def worker_mass(plan: Plan, rules: RuleSet) -> float:
    """Mass of the worker, kg: the plan's, else the rule set's."""
    return plan.worker.mass if plan.worker.mass is not None else rules.value("worker_mass")


def make_terms(plan: Plan, rules: RuleSet, line: Line, length: float) -> tuple[Terms, Connector]:
    """The terms for a line of ``length`` metres; ``rules`` holds the plan's own values already.

    An absorber whose maker states a longer way than the rule set's budget counts with that way. A
    shorter one does not shorten the budget by itself: a plan that means it says so (``clearance``).
    """
    connector = resolve(line, rules)
    mass = worker_mass(plan, rules)
    deceleration = rules.value("deceleration")
    if "deceleration" not in dict(plan.clearance) and connector.absorbs:
        deceleration = max(deceleration, line.absorber.maximum_extension or 0.0)
    extension = connector.maximum_extension if connector.absorbs else 0.0
    if not connector.extension_known:
        extension = max(extension, connector.deceleration)
    elongation = connector.strain
    if connector.stiffness is not None:
        if math.isfinite(connector.peak_force):
            elongation = connector.peak_force / connector.stiffness.least
        elif length > 0:
            fall = plan.worker.attachment_height + MOST_FALL * length
            whole = edge_stretch(mass, fall, connector, length)
            rest = connector.activation_distance + connector.harness_stretch + extension
            elongation = max(0.0, whole - rest) / length
    terms = Terms(
        attachment=plan.worker.attachment_height,
        kneeling=plan.worker.kneeling_height,
        deceleration=deceleration,
        harness=rules.value("harness_stretch"),
        margin=rules.value("margin"),
        elongation=elongation,
        weight=mass * STANDARD_GRAVITY,
        least_force=connector.average_force.least,
        extension=extension,
        activation=connector.activation_distance,
        run_up=rules.value("run_up"),
        scope_fall=greatest_fall(mass, connector, max(length, 1e-3)) * (1 + 1e-9),
    )
    return terms, connector


def make_limits(
    plan: Plan,
    rules: RuleSet,
    connector: Connector,
    terms: Terms,
    length: float,
    anchor_line: Elastic | None = None,
) -> Limits:
    """The rule set's limits on a fall with this equipment on a line of at most ``length`` metres."""
    mass = worker_mass(plan, rules)
    fall = math.inf
    if connector.absorbs:
        reckoned, allowed = max(length, 1e-3), rules.value("deceleration")
        fall = greatest_fall(mass, connector, reckoned, anchor_line)
        if connector.maximum_extension > allowed:
            shorter = replace(connector, maximum_extension=allowed, extension_known=True)
            fall = min(fall, greatest_fall(mass, shorter, reckoned, anchor_line))
        if too_weak(terms):
            fall = -math.inf
    return Limits(
        swing_drop=rules.get("swing_drop_limit"),
        swing_angle_deg=rules.get("swing_angle_limit_deg"),
        swing_offset=rules.get("swing_offset_limit"),
        free_fall=rules.value("free_fall_limit"),
        absorber_fall=fall,
        force=ForceLimit(
            most=rules.value("arrest_force_limit"),
            absorber_peak=connector.peak_force if connector.absorbs else math.inf,
            stiffness=None if connector.stiffness is None else connector.stiffness.greatest,
            weight=terms.weight,
            held=float(stretching_length(0.0, 1.0, friction_range().greatest, math.pi / 2)),
            activation=terms.activation,
            short_fall=rules.get("arrest_force_limit_short_fall"),
        ),
    )


def too_weak(terms: Terms) -> bool:
    """Whether the least force of the absorber does not carry the worker's weight."""
    return terms.least_force <= terms.weight and terms.extension != 0.0
