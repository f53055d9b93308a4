"""Loads on anchors and supports against their ratings and against what the rule set asks."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from roof3d.arrest.equipment import Values, equipment, positive
from roof3d.formulas import anchor_strength_designed, show_value
from roof3d.records import Finding, Floats


@dataclass(frozen=True, eq=False)
class LoadCheck:
    """One anchor, end or support: greatest load and what it has to hold, N.

    ``designed_n``: factor on the greatest load, for a design under a qualified person. ``static_n``:
    fixed strength for the workers attached, None where the rule set leaves no such way (anchor lines).
    ``verdict``: ok, design (strong enough only as a design under a qualified person), unknown, short.
    """

    element: str
    load: Floats
    load_n: float
    factor: float
    designed_n: float
    static_n: float | None
    rating_n: float | None
    verdict: str
    findings: tuple[Finding, ...]

    @property
    def load_kn(self) -> float:
        """Greatest load, kN."""
        return self.load_n / 1000


def static_strength(rules: Values, workers: int) -> float:
    """Fixed strength (N) that the rule set asks of an anchor for so many workers.

    Where the set has no rule for more than one (or two) workers, each worker counts in full.
    """
    one = rules.value("anchor_strength")
    two, added = rules.get("anchor_strength_two"), rules.get("anchor_added_strength")
    if workers == 2 and two is not None:
        return max(one, two)
    if workers > 1 and added is not None:
        return one + (workers - 1) * added
    return workers * one


def check_anchor(
    element: str,
    load: Floats,
    rating: float | None,
    rules: Values,
    *,
    workers: int = 1,
    direction: tuple[float, float, float] | None = None,
    restraint: bool = False,
    at: Floats | None = None,
) -> LoadCheck:
    """A single anchor under the pull ``load`` (3,) N of its worst arrest.

    Without a rating, or with one below what is asked, there is a finding. ``restraint``: the anchor
    serves restraint only, and the rule set's strength for that applies as well.
    """
    factor = rules.value("anchor_force_factor")
    if restraint:
        factor = max(factor, rules.get("restraint_force_factor") or 0.0)
        static = rules.value("restraint_anchor_strength") * workers
    else:
        static = static_strength(rules, workers)
    return _check(element, load, rating, factor, static, direction, at)


def check_line_point(
    element: str, load: Floats, rating: float | None, rules: Values, *, at: Floats | None = None
) -> LoadCheck:
    """An end or support of an anchor line under its worst load (3,) N: always a designed system."""
    factor = max(rules.value("anchor_line_safety_factor"), 1.0)
    return _check(element, load, rating, factor, None, None, at)


def check_line_strength(
    element: str, pull: float, strength: float | None, rules: Values, *, at: Floats | None = None
) -> tuple[Finding, ...]:
    """Findings where the rope of an anchor line is too weak for its pull (N), or its strength unknown."""
    needed = float(anchor_strength_designed(rules.value("anchor_line_safety_factor"), pull))
    if strength is None:
        text = (
            f"anchor line {element}: strength of the rope not given; it has to hold {show_value(needed, 'N')}"
        )
        return (Finding("anchor-line-strength-unknown", "warning", text, element, at),)
    positive(f"anchor_line {element}: rope.strength", strength, "a force above zero")
    if strength < needed * (1 - 1e-9):
        text = (
            f"anchor line {element}: the rope holds {show_value(strength, 'N')} where "
            f"{show_value(needed, 'N')} is needed"
        )
        return (Finding("anchor-line-strength-short", "danger", text, element, at),)
    return ()


def _check(
    element: str,
    load: Floats,
    rating: float | None,
    factor: float,
    static: float | None,
    direction: tuple[float, float, float] | None,
    at: Floats | None,
) -> LoadCheck:
    load = np.asarray(load, dtype=np.float64)
    size = float(np.linalg.norm(load))
    designed = float(anchor_strength_designed(factor, size))
    findings: list[Finding] = []
    if rating is not None:
        positive(f"{element}: rating", rating, "a force above zero")
    if rating is None:
        verdict = "unknown"
        asked = f"{factor:g} x {show_value(size, 'N')} = {show_value(designed, 'N')}"
        other = "" if static is None else f", or {show_value(static, 'N')} without a design"
        text = f"{element}: no rating given; it has to hold {asked} under a qualified person{other}"
        findings.append(Finding("anchor-rating-unknown", "warning", text, element, at))
    elif rating < designed * (1 - 1e-9):
        verdict = "short"
        text = (
            f"{element}: rated {show_value(rating, 'N')}, less than {factor:g} times its load of "
            f"{show_value(size, 'N')}"
        )
        findings.append(Finding("anchor-rating-short", "danger", text, element, at))
    elif static is not None and rating < static * (1 - 1e-9):
        verdict = "design"
        text = (
            f"{element}: rated {show_value(rating, 'N')}, below {show_value(static, 'N')}: allowed only "
            "as part of a system designed under a qualified person"
        )
        findings.append(Finding("anchor-needs-design", "warning", text, element, at))
    else:
        verdict = "ok"
    if direction is not None and size > 0:
        findings += _direction(element, load / size, direction, at)
    return LoadCheck(element, load, size, factor, designed, static, rating, verdict, tuple(findings))


def _direction(
    element: str, pull: Floats, direction: tuple[float, float, float], at: Floats | None
) -> list[Finding]:
    rated = np.asarray(direction, dtype=np.float64)
    length = positive(f"{element}: direction", float(np.linalg.norm(rated)), "a direction that is not zero")
    angle = math.degrees(math.acos(float(np.clip(pull @ rated / length, -1.0, 1.0))))
    allowed = float(equipment()["direction"]["tolerance"]["value"])
    if angle <= allowed + 1e-9:
        return []
    text = f"{element}: pulled {angle:.0f} degrees off the direction that it is rated for (up to {allowed:g})"
    return [Finding("anchor-direction", "danger", text, element, at)]
