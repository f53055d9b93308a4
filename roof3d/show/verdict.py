"""The one word that decides, from a result: what a reviewer reads first."""

from __future__ import annotations

from typing import Any

from roof3d.show.scene import Scene

DANGER, WARNING, HOLD, NOTHING = "danger", "warning", "hold", "nothing"


def findings(result: dict[str, Any]) -> list[dict[str, Any]]:
    """The findings of a result, dangers first, in the result's order within a severity."""
    found = [f for f in result.get("findings") or [] if isinstance(f, dict)]
    rank = {"danger": 0, "warning": 1, "note": 2}
    return sorted(found, key=lambda f: rank.get(str(f.get("severity")), 0))


def verdict(scene: Scene) -> str:
    """``danger``, ``warning``, ``hold`` or ``nothing``; in doubt the worse one.

    Danger: a fall with lacking room or a swing over its limit, or a finding of that severity.
    Warning: work that nobody serves, edges nobody assessed, doubts, other findings but notes.
    """
    result = scene.result
    if not scene.anchors:
        return NOTHING
    states = {stretch.state for stretch in scene.stretches}
    severities = {str(f.get("severity")) for f in findings(result)}
    worst = (result.get("summary") or {}).get("worst_state")
    known = {"short", "swing", "arrest", "held", "beyond", "guarded", "unassessed"}
    if {"short", "swing"} & (states | {worst}) or states - known or severities - {"warning", "note"}:
        return DANGER
    if any(s.state == "arrest" and not s.margin >= 0 for s in scene.stretches):
        return DANGER
    unserved = (result.get("work") or {}).get("unserved_m2")
    if "unassessed" in states or "warning" in severities or unserved is None or unserved > 0:
        return WARNING
    return HOLD
