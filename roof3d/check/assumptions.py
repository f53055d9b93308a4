"""Everything that a check took for granted, in sentences."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from roof3d.arrest import Connector
from roof3d.fall import Boundary
from roof3d.formulas import STANDARD_GRAVITY
from roof3d.levels import HALF_WIDTH_M, HEADROOM_M, INSET_M, REACH_M, step_words
from roof3d.records import Plan, Roof
from roof3d.rules import RuleSet


def assumptions(
    roof: Roof, plan: Plan, rules: RuleSet, connectors: Sequence[Connector], boundary: Boundary
) -> tuple[str, ...]:
    """Once each, in a fixed order. ``connectors``: of all anchors."""
    reach = max(REACH_M, plan.worker.attachment_height)
    steep, hurry = rules.value("steep_slope_above_deg"), np.sqrt(2 * STANDARD_GRAVITY * rules.value("run_up"))
    out = [*roof.assumptions, *roof.mesh.doubts]
    budget = rules.budget
    out.append(
        "heights needed and there are measured from the edge downwards; the rule set's own sum is measured "
        f"from the {budget.datum}: {budget.text} ({budget.status})"
    )
    out.append(
        f"a falling body sweeps {reach:.2f} m outward from the edge and {HALF_WIDTH_M:.2f} m to either side"
    )
    out.append(
        "the rope slides along edges without friction, or is held anywhere on its way: the worse counts"
    )
    out.append(f"a ledge that ends within {INSET_M * 100:.0f} cm of the edge stops nobody: it is not counted")
    out.append(
        "under an edge that juts out a body swings in as far as it went out: what it can land on there "
        "counts where it can be seen from under the edge; the walls there, which it may strike, and what is "
        f"less than {HEADROOM_M:.1f} m below the edge do not"
    )
    out.extend(step_words(rules.value("step_height"), boundary.walked))
    if not plan.work:
        out.append("no work areas in the plan: every roof plane counts as work")
    if np.isfinite(boundary.rise).any():
        out.append(
            f"before it goes over an edge of a plane steeper than {steep:.1f} degrees a body may slide down "
            "without friction, on a fixed line from as high up the plane as the line lets it stand, on a "
            "snug one its slack: the height counts as free fall; that it then flies further out than a "
            "footprint reaches does not"
        )
    out.append(
        "a body may get along the edge as far as the energy of its whole fall carries it, from standing and "
        f"with a speed of {hurry:.1f} m/s, however its rope lies (round a chimney too); the swing's own drop "
        "is told for a rope that lies the shortest way"
    )
    for connector in connectors:
        out.extend(connector.assumptions)
    out.extend(
        f"{entry.name} = {entry.value:g} {entry.unit}: {entry.status}, {entry.source}"
        for entry in rules.from_memory()
    )
    return tuple(dict.fromkeys(text for text in out if text))
