"""Which limits a stretch of edge breaks, by name: what has to change before anybody goes there."""

from __future__ import annotations

from typing import Any

from roof3d.records import BREAKS
from roof3d.show.scene import FALL_STATES, Scene, Stretch
from roof3d.show.words import Texts

# in the order they are named; keys of [limit] in the texts
LIMITS = (*BREAKS, "strikes", "unnamed")
SHOWN = 1e-6  # room for rounding, as in the findings


def rule_value(scene: Scene, name: str) -> float | None:
    """The value of a rule that the result lists, SI; None where it lists none."""
    rules = scene.result.get("rules")
    entries = rules.get("entries") or rules.get("values") if isinstance(rules, dict) else None
    for entry in entries or []:
        if entry.get("name") == name and entry.get("value") is not None:
            return float(entry["value"])
    return None


def broken(stretch: Stretch, scene: Scene) -> tuple[str, ...]:
    """Names, of ``LIMITS``, of what a stretch breaks; () where a fall is possible but breaks nothing.

    What the result names, and what its figures show against its rule values. A state that says that
    a limit is broken where neither tells which is "unnamed", never passed over.
    """
    if stretch.state not in FALL_STATES:
        return ()
    figures = stretch.figures
    found = {str(word) for word in figures.get("breaks") or ()}
    if not stretch.margin >= 0:
        found.add("room")
    fall, limit = figures.get("free_fall_m"), rule_value(scene, "free_fall_limit")
    if fall is not None and limit is not None and float(fall) > limit + SHOWN:
        found.add("free-fall")
    if _swings(figures, scene):
        found.add("swing")
    if stretch.state == "swing" and not found:
        found.add("strikes")
    if stretch.state == "short" and not found - {"swing"}:
        found.add("unnamed")
    known = tuple(name for name in LIMITS if name in found)
    return known + tuple(sorted(found - set(LIMITS)))


def _swings(figures: dict[str, Any], scene: Scene) -> bool:
    for figure, rule in (
        ("swing_drop_m", "swing_drop_limit"),
        ("swing_angle_deg", "swing_angle_limit_deg"),
    ):
        limit, value = rule_value(scene, rule), figures.get(figure)
        if limit is not None and (value is None or float(value) > limit + SHOWN):
            return True
    return False


def state_text(stretch: Stretch, scene: Scene, texts: Texts) -> str:
    """``short: room, swing``: the state by its short name, and what is broken."""
    name = texts.get(f"state_name.{stretch.state}", stretch.state)
    named = ", ".join(texts.get(f"limit.{limit}", limit) for limit in broken(stretch, scene))
    if named == name:
        return name
    return f"{name}: {named}" if named else name
