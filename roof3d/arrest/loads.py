"""Loads on anchors and supports against their ratings and against what the rule set asks."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from roof3d.arrest.equipment import Values, equipment, positive
from roof3d.formulas import anchor_strength_designed, show_value
from roof3d.records import Finding, Floats

EVERY_WAY = 180.0  # degrees off a direction that leave none out


@dataclass(frozen=True)
class Rating:
    """What an anchor, end or support is rated for: strength (N), direction of pull, and how far off that
    direction (degrees) it still holds; None where nothing is said."""

    strength: float | None = None
    direction: tuple[float, float, float] | None = None
    within: float | None = None

    @property
    def every_way(self) -> bool:
        """Whether the rating is said to hold for every direction of pull."""
        return self.within is not None and self.within >= EVERY_WAY

    @property
    def tolerance(self) -> float:
        """Degrees off the rated direction that the rating still holds for."""
        if self.within is not None:
            return self.within
        return float(equipment()["direction"]["tolerance"]["value"])


@dataclass(frozen=True, eq=False)
class Pull:
    """One pull (3,) N that an anchor, end or support has to hold, and the case it comes from. ``known`` is
    False where only its size is: the rope leaves the place in a direction that was not found."""

    load: Floats
    case: str = ""
    known: bool = True


@dataclass(frozen=True, eq=False)
class LoadCheck:
    """One anchor, end or support: greatest load and what it has to hold, N.

    ``designed_n``: factor on the greatest load, for a design under a qualified person. ``static_n``:
    fixed strength for the workers attached, None where the rule set leaves no such way (anchor lines).
    ``off_deg``: the furthest that any pull is off the rated direction, degrees; None without one.
    ``verdict``: ok, design (strong enough only as a design under a qualified person), unknown (no rating,
    or none for a direction that it is pulled in), short.
    """

    element: str
    load: Floats
    load_n: float
    factor: float
    designed_n: float
    static_n: float | None
    rating_n: float | None
    off_deg: float | None
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
    rating: Rating,
    rules: Values,
    *,
    workers: int = 1,
    others: Sequence[Pull] = (),
    restraint: bool = False,
    at: Floats | None = None,
) -> LoadCheck:
    """A single anchor under the pull ``load`` (3,) N of its worst arrest.

    Without a rating, or with one below what is asked, there is a finding. ``others``: pulls in other
    directions, that the rating has to hold for as well. ``restraint``: the anchor serves restraint only,
    and the rule set's strength for that applies as well.
    """
    factor = rules.value("anchor_force_factor")
    if restraint:
        factor = max(factor, rules.get("restraint_force_factor") or 0.0)
        static = rules.value("restraint_anchor_strength") * workers
    else:
        static = static_strength(rules, workers)
    return _check(element, load, rating, factor, static, (Pull(np.asarray(load)), *others), at)


def check_line_point(
    element: str,
    load: Floats,
    rating: Rating,
    rules: Values,
    *,
    others: Sequence[Pull] = (),
    at: Floats | None = None,
) -> LoadCheck:
    """An end or support of an anchor line under its worst load (3,) N: always a designed system.

    ``others``: loads of other cases, that the rated direction has to hold for as well.
    """
    factor = max(rules.value("anchor_line_safety_factor"), 1.0)
    return _check(element, load, rating, factor, None, (Pull(np.asarray(load)), *others), at)


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
    rating: Rating,
    factor: float,
    static: float | None,
    pulls: Sequence[Pull],
    at: Floats | None,
) -> LoadCheck:
    load = np.asarray(load, dtype=np.float64)
    size = float(np.linalg.norm(load))
    designed = float(anchor_strength_designed(factor, size))
    strength = rating.strength
    findings: list[Finding] = []
    if strength is not None:
        positive(f"{element}: rating", strength, "a force above zero")
    if strength is None:
        verdict = "unknown"
        asked = f"{factor:g} x {show_value(size, 'N')} = {show_value(designed, 'N')}"
        other = "" if static is None else f", or {show_value(static, 'N')} without a design"
        text = f"{element}: no rating given; it has to hold {asked} under a qualified person{other}"
        findings.append(Finding("anchor-rating-unknown", "warning", text, element, at))
    elif strength < designed * (1 - 1e-9):
        verdict = "short"
        text = (
            f"{element}: rated {show_value(strength, 'N')}, less than {factor:g} times its load of "
            f"{show_value(size, 'N')}"
        )
        findings.append(Finding("anchor-rating-short", "danger", text, element, at))
    elif static is not None and strength < static * (1 - 1e-9):
        verdict = "design"
        text = (
            f"{element}: rated {show_value(strength, 'N')}, below {show_value(static, 'N')}: allowed only "
            "as part of a system designed under a qualified person"
        )
        findings.append(Finding("anchor-needs-design", "warning", text, element, at))
    else:
        verdict = "ok"
    off, more = _direction(element, rating, pulls, at)
    if any(finding.code == "anchor-direction" for finding in more) and verdict != "short":
        verdict = "unknown"  # what it holds in that direction nobody has said
    findings += more
    return LoadCheck(element, load, size, factor, designed, static, strength, off, verdict, tuple(findings))


def _direction(
    element: str, rating: Rating, pulls: Sequence[Pull], at: Floats | None
) -> tuple[float | None, list[Finding]]:
    """The furthest that a pull is off the rated direction, and findings on that or on what is not said."""
    if rating.direction is None:
        if rating.strength is None or rating.every_way:
            return None, []
        text = (
            f"{element}: rated direction not given; the rating is taken to hold for every direction of pull"
        )
        return None, [Finding("anchor-direction-unknown", "note", text, element, at)]
    rated = np.asarray(rating.direction, dtype=np.float64)
    length = positive(f"{element}: direction", float(np.linalg.norm(rated)), "a direction that is not zero")
    positive(f"{element}: direction_within", rating.within or 0.0, "zero or more", zero=True)
    worst, case = 0.0, ""
    for pull in pulls:
        size = float(np.linalg.norm(pull.load))
        if size == 0:
            continue
        if not pull.known:
            worst, case = EVERY_WAY, pull.case
            continue
        angle = math.degrees(math.acos(float(np.clip(pull.load @ rated / (size * length), -1.0, 1.0))))
        if angle > worst:
            worst, case = angle, pull.case
    if worst <= rating.tolerance + 1e-9:
        return worst, []
    if any(not pull.known for pull in pulls):
        text = f"{element}: the direction of its pull is not known, for the line rests on something there"
    else:
        text = (
            f"{element}: pulled {worst:.0f} degrees off the direction that it is rated for "
            f"(up to {rating.tolerance:g})" + (f": {case}" if case else "")
        )
    return worst, [Finding("anchor-direction", "danger", text, element, at)]
