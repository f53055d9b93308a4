"""A plan from command-line options, for a first look without a plan file."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from roof3d.errors import InputError
from roof3d.plan.keys import PLAN
from roof3d.plan.kinds import Place
from roof3d.plan.read import check_plan, rules_for
from roof3d.records import Plan

_OPTIONS = {
    "model.file": "MODEL",
    "model.unit": "--unit",
    "model.up": "--up",
    "model.grade": "--grade",
    "line.length": "--line",
    "rules": "--rules",
}


def plan_from_options(
    model: str | Path,
    anchors: Sequence[str | Sequence[float]] = (),
    line: str | float | None = None,
    rules: str | Path = "us-construction",
    unit: str | None = None,
    up: str | None = None,
    grade: str | float | None = None,
) -> Plan:
    """A plan with anchors A1, A2 .. at ``x,y,z`` (each number may carry a unit), all else by default.

    Paths start at the working folder. Raises ``InputError`` that names the option.
    """
    data: dict[str, Any] = {"rules": str(rules), "model": {"file": str(model)}}
    for key, value in (("unit", unit), ("up", up), ("grade", grade)):
        if value is not None:
            data["model"][key] = value
    if line is not None:
        data["line"] = {"length": line}
    data["anchor"] = [
        {"id": f"A{number}", "at": _coordinates(anchor)} for number, anchor in enumerate(anchors, 1)
    ]
    try:
        plan: Plan = PLAN.read(data, Place(""))
        check_plan(plan, Place(""))
        rules_for(plan)
    except InputError as error:
        raise InputError(error.file, _option(error.place), error.found, error.accepted) from None
    return plan


def _coordinates(anchor: str | Sequence[float]) -> list[Any]:
    if not isinstance(anchor, str):
        return [float(number) for number in anchor]
    return [part.strip() for part in anchor.split(",")]


def _option(place: str) -> str:
    if place.startswith("anchor["):
        return f"--anchor {place.removeprefix('anchor[').partition(']')[0]}"
    return _OPTIONS.get(place, place)
