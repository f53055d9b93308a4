"""Anchors of a plan put into the roof's frame, and refused where no anchor can be."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from roof3d import taut
from roof3d.errors import InputError
from roof3d.records import Floats, Plan, Roof

FAR_M = 100.0


def anchor_places(roof: Roof, plan: Plan) -> tuple[list[Floats], list[Floats]]:
    """Local places of the plan's anchors, (3,) each, and of its anchor lines, (n, 3) each.

    Raises InputError for places inside the building or more than 100 m away from the model.
    """
    single = [_place(roof, plan, [a.at], f"anchor {a.id}, at")[0] for a in plan.anchors]
    lines = [_place(roof, plan, line.points, f"anchor_line {line.id}, points") for line in plan.anchor_lines]
    return single, lines


def _place(roof: Roof, plan: Plan, points: Sequence[Sequence[float]], place: str) -> Floats:
    local = roof.to_local(points)
    file = plan.file or roof.mesh.file
    low, high = roof.mesh.vertices.min(axis=0), roof.mesh.vertices.max(axis=0)
    for row, point in enumerate(local):
        shown = ", ".join(f"{v:.3f}" for v in points[row])
        if not np.isfinite(point).all():
            raise InputError(file, place, f"({shown})", "finite coordinates")
        away = float(np.linalg.norm(np.maximum(np.maximum(low - point, point - high), 0.0)))
        if away > FAR_M:
            box = " to ".join(
                "(" + ", ".join(f"{v:.1f}" for v in roof.to_loaded(c)) + ")" for c in (low, high)
            )
            raise InputError(
                file,
                place,
                f"({shown}), {away:.0f} m away from the model",
                f"a place within {FAR_M:.0f} m of the model, which fills {box}",
            )
    within = taut.inside(taut.prepare(roof), local)
    for number in np.flatnonzero(within).tolist():
        shown = ", ".join(f"{v:.3f}" for v in points[number])
        raise InputError(
            file, place, f"({shown}), inside the building", "a place outside of it or on its surface"
        )
    return local


def check_ids(roof: Roof, plan: Plan) -> None:
    """Raises InputError where the plan's edge protection names an edge that the roof does not have."""
    known = {edge.id for edge in roof.edges}
    for number, guard in enumerate(plan.protection, 1):
        for name in guard.edges:
            if name not in known:
                raise InputError(
                    plan.file or roof.mesh.file,
                    f"protection[{number}].edges",
                    repr(name),
                    f"an edge of the roof, {roof.edges[0].id} to {roof.edges[-1].id}"
                    if roof.edges
                    else "nothing: the roof has no edges",
                )
