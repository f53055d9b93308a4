"""Changes that the designer's viewer makes to a plan, and the way back and forth through them."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from roof3d.errors import InputError
from roof3d.plan.kinds import Place
from roof3d.plan.read import check_plan, rules_for
from roof3d.records import Anchor, AnchorLine, Floats, Line, Plan

POLICIES = ("fixed", "snug", "restraint")
MOST_ANCHORS = 500
MOST_POINTS = 60
LONGEST_M = 200.0
KEPT = 200
DIGITS = 3  # coordinates are kept to the millimetre, as a tape is read

Change = Mapping[str, Any]
Point3 = tuple[float, float, float]


@dataclass
class History:
    """The plan now, what it was before each change, and what was taken back."""

    plan: Plan
    saved: Plan
    back: list[Plan] = field(default_factory=list)
    forth: list[Plan] = field(default_factory=list)

    def change(self, plan: Plan) -> None:
        """Makes ``plan`` the plan now; what had been taken back is gone."""
        if plan == self.plan:
            return
        self.back = [*self.back, self.plan][-KEPT:]
        self.forth = []
        self.plan = plan

    def undo(self) -> bool:
        """One change back; False where there is none."""
        if not self.back:
            return False
        self.forth.append(self.plan)
        self.plan = self.back.pop()
        return True

    def redo(self) -> bool:
        """One change forth again; False where there is none."""
        if not self.forth:
            return False
        self.back.append(self.plan)
        self.plan = self.forth.pop()
        return True

    @property
    def unsaved(self) -> bool:
        """Whether the plan now differs from the one in the file."""
        return self.plan != self.saved


def changed(plan: Plan, change: Change) -> Plan:
    """The plan after one change, as the viewer asks for it; coordinates in the loaded frame.

    Raises InputError in one line where the change makes no sense.
    """
    name = _text(change, "do")
    acts: dict[str, Callable[[Plan, Change], Plan]] = {
        "add_anchor": _add_anchor,
        "add_line": _add_line,
        "move": _move,
        "remove": _remove,
        "length": _length,
        "policy": _policy,
        "rules": _rules,
    }
    if name not in acts:
        raise _wrong("do", repr(name), ", ".join(acts))
    made = acts[name](plan, change)
    check_plan(made, Place(plan.file))
    return made


def sources(plan: Plan) -> list[Anchor | AnchorLine]:
    """Anchors and anchor lines of a plan, in their order."""
    found: list[Anchor | AnchorLine] = [*plan.anchors]
    found += plan.anchor_lines
    return found


def places_of(source: Anchor | AnchorLine) -> Floats:
    """Where an anchor, or the supports of an anchor line, are: (n, 3) in the loaded frame."""
    return np.array([source.at] if isinstance(source, Anchor) else source.points, dtype=np.float64)


def without_anchors(plan: Plan, *anchors: Anchor, lines: tuple[AnchorLine, ...] = ()) -> Plan:
    """The plan with these anchors alone: all that an anchor's own assessment depends on beside it."""
    return replace(plan, anchors=anchors, anchor_lines=lines, sha256="", title="")


def line_of(plan: Plan, name: str) -> Line:
    """The line of an anchor or anchor line, "" for the plan's own."""
    source = _find(plan, name) if name else None
    return plan.line if source is None or source.line is None else source.line


def _add_anchor(plan: Plan, change: Change) -> Plan:
    if len(plan.anchors) >= MOST_ANCHORS:
        raise _wrong("add_anchor", f"{len(plan.anchors)} anchors", f"{MOST_ANCHORS} at most in the viewer")
    anchor = Anchor(_free(plan, "A"), _point(change.get("at")), rating=plan.candidates.rating)
    return replace(plan, anchors=(*plan.anchors, anchor))


def _add_line(plan: Plan, change: Change) -> Plan:
    given = change.get("points")
    if not isinstance(given, list) or not 2 <= len(given) <= MOST_POINTS:
        raise _wrong("points", _short(given), f"2 to {MOST_POINTS} points")
    points = tuple(_point(point) for point in given)
    return replace(plan, anchor_lines=(*plan.anchor_lines, AnchorLine(_free(plan, "H"), points)))


def _move(plan: Plan, change: Change) -> Plan:
    name, at = _text(change, "id"), _point(change.get("at"))
    source = _find(plan, name)
    if isinstance(source, Anchor):
        return _put(plan, name, replace(source, at=at))
    number = change.get("point", 0)
    if not isinstance(number, int) or not 0 <= number < len(source.points):
        raise _wrong("point", _short(number), f"0 to {len(source.points) - 1}")
    old = source.points[number]
    points = (*source.points[:number], at, *source.points[number + 1 :])
    supports = tuple(
        replace(support, at=at) if math.dist(support.at, old) <= 1e-6 else support
        for support in source.supports
    )
    return _put(plan, name, replace(source, points=points, supports=supports))


def _remove(plan: Plan, change: Change) -> Plan:
    name = _text(change, "id")
    _find(plan, name)
    return replace(
        plan,
        anchors=tuple(a for a in plan.anchors if a.id != name),
        anchor_lines=tuple(a for a in plan.anchor_lines if a.id != name),
    )


def _length(plan: Plan, change: Change) -> Plan:
    value = change.get("metres")
    if not isinstance(value, (int, float)) or isinstance(value, bool) or not 0 < value <= LONGEST_M:
        raise _wrong("length", _short(value), f"more than 0, at most {LONGEST_M:.0f} m")
    return _with_line(plan, change, length=round(float(value), DIGITS))


def _policy(plan: Plan, change: Change) -> Plan:
    policy = _text(change, "policy")
    if policy not in POLICIES:
        raise _wrong("policy", repr(policy), ", ".join(POLICIES))
    # slack and setback belong to one policy each
    line = line_of(plan, str(change.get("id") or ""))
    slack = line.slack if policy == "snug" else 0.0
    setback = line.setback if policy == "restraint" else None
    return _with_line(plan, change, policy=policy, slack=slack, setback=setback)


def _rules(plan: Plan, change: Change) -> Plan:
    made = replace(plan, rules=_text(change, "name"))
    rules_for(made)
    return made


def _with_line(plan: Plan, change: Change, **values: Any) -> Plan:
    name = str(change.get("id") or "")
    if not name:
        return replace(plan, line=replace(plan.line, **values))
    source = _find(plan, name)
    line = replace(source.line or plan.line, **values)
    return _put(plan, name, replace(source, line=None if line == plan.line else line))


def _find(plan: Plan, name: str) -> Anchor | AnchorLine:
    for source in sources(plan):
        if source.id == name:
            return source
    known = ", ".join(source.id for source in sources(plan)) or "none yet"
    raise _wrong("id", repr(name), f"an anchor of the plan: {known}")


def _put(plan: Plan, name: str, source: Anchor | AnchorLine) -> Plan:
    if isinstance(source, Anchor):
        return replace(plan, anchors=tuple(source if a.id == name else a for a in plan.anchors))
    return replace(plan, anchor_lines=tuple(source if a.id == name else a for a in plan.anchor_lines))


def _free(plan: Plan, letter: str) -> str:
    used = {source.id for source in sources(plan)}
    number = 1
    while f"{letter}{number}" in used:
        number += 1
    return f"{letter}{number}"


def _point(value: Any) -> Point3:
    accepted = "three finite numbers [x, y, z], metres"
    if not isinstance(value, list) or len(value) != 3:
        raise _wrong("at", _short(value), accepted)
    if not all(isinstance(v, (int, float)) and not isinstance(v, bool) for v in value):
        raise _wrong("at", _short(value), accepted)
    if not all(math.isfinite(v) and abs(v) < 1e9 for v in value):
        raise _wrong("at", _short(value), accepted)
    x, y, z = (round(float(v), DIGITS) for v in value)
    return x, y, z


def _text(change: Change, key: str) -> str:
    value = change.get(key)
    if not isinstance(value, str) or len(value) > 400:
        raise _wrong(key, _short(value), "a text")
    return value


def _short(value: Any) -> str:
    return repr(value)[:80]


def _wrong(place: str, found: str, accepted: str) -> InputError:
    return InputError("viewer", place, found, accepted)
