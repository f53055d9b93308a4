"""Reads a plan file into a ``Plan``, strictly, and finds the files that it names."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from dataclasses import replace
from math import dist
from pathlib import Path
from typing import Any

from roof3d.errors import InputError
from roof3d.plan.keys import PLAN
from roof3d.plan.kinds import Place
from roof3d.records import Absorber, Anchor, Line, LineEnd, Plan, Support
from roof3d.rules import RuleSet, load_rules
from roof3d.tomlfile import read_toml

SAME = 1e-6
"""Metres; points of a plan closer than this are the same point."""

EVERY_WAY = 180.0
"""Degrees off a direction that leave no direction out."""


def read_plan(path: str | Path) -> Plan:
    """The plan in a TOML file, units resolved to SI, coordinates in the loaded frame.

    File names in it stay as written; ``model_path`` resolves the model's. Raises ``InputError`` with
    file, key path (list elements counted from 1), what was found and what is accepted.
    """
    path = Path(path)
    data, raw = read_toml(path, "a plan")
    plan = parse_plan(data, str(path))
    plan = replace(plan, file=str(path), sha256=hashlib.sha256(raw).hexdigest())
    rules_for(plan)  # an unknown rule set is a mistake of the plan, to be told before work starts
    return plan


def parse_plan(data: dict[str, Any], file: str) -> Plan:
    """The plan in TOML tables already read; ``file`` is only for messages."""
    place = Place(file)
    plan: Plan = PLAN.read(data, place)
    check_plan(plan, place)
    return plan


def model_path(plan: Plan) -> Path:
    """Path of the model; a relative one starts at the plan's folder."""
    return _beside(plan, plan.model.file)


def candidates_path(plan: Plan) -> Path | None:
    """Path of the plan's own table of anchor places, if it names one."""
    return _beside(plan, plan.candidates.list_file) if plan.candidates.list_file else None


def rules_for(plan: Plan) -> RuleSet:
    """The plan's rule set, with the values that the plan sets itself in place and marked as such."""
    folder = Path(plan.file).parent if plan.file else Path()
    try:
        rules = load_rules(plan.rules, folder)
    except InputError as error:
        if error.file:
            raise
        raise InputError(plan.file, "rules", error.found, error.accepted) from None
    source = Path(plan.file).name if plan.file else "the plan"
    for table, values in (("clearance", plan.clearance), ("limits", plan.limits)):
        rules = rules.with_values(dict(values), f"plan {source}, [{table}]")
    return rules


def _beside(plan: Plan, name: str) -> Path:
    return Path(plan.file).parent / name if plan.file else Path(name)


def check_plan(plan: Plan, place: Place) -> None:
    """What no single key can tell: ids used twice, values that contradict each other."""
    ids = [(f"anchor[{i}]", anchor.id) for i, anchor in enumerate(plan.anchors, 1)]
    ids += [(f"anchor_line[{i}]", line.id) for i, line in enumerate(plan.anchor_lines, 1)]
    _unique(ids, place)
    _unique(((f"work[{i}]", area.id) for i, area in enumerate(plan.work, 1)), place)
    _unique(((f"keep_out[{i}]", area.id) for i, area in enumerate(plan.keep_out, 1)), place)
    worker = plan.worker
    if worker.kneeling_height > worker.attachment_height:
        place.key("worker").key("kneeling_height").fail(
            f"{worker.kneeling_height:g} m", f"no more than attachment_height, {worker.attachment_height:g} m"
        )
    _check_line(plan.line, place.key("line"))
    for i, anchor in enumerate(plan.anchors, 1):
        here = replace(place.key("anchor").item(i), label=f"id {anchor.id}")
        if anchor.line is not None:
            _check_line(anchor.line, here.key("line"))
        _check_direction(anchor, here)
    for i, line in enumerate(plan.anchor_lines, 1):
        here = replace(place.key("anchor_line").item(i), label=f"id {line.id}")
        if line.line is not None:
            _check_line(line.line, here.key("line"))
        for j, (a, b) in enumerate(zip(line.points, line.points[1:], strict=False), 2):
            if dist(a, b) <= SAME:
                here.key("points").item(j).fail("the same point as the one before", "another point")
        if line.support_stiffness is not None and line.support_kind != "flexible":
            here.key("support_stiffness").fail(
                f"a stiffness for {line.support_kind} supports", 'support_kind = "flexible" beside it'
            )
        for j, support in enumerate(line.supports, 1):
            spot = here.key("support").item(j)
            if not any(dist(support.at, point) <= SAME for point in line.points[1:-1]):
                spot.key("at").fail("a place that is none of the line's supports", "a point between its ends")
            if any(dist(support.at, other.at) <= SAME for other in line.supports[: j - 1]):
                spot.key("at").fail("a support that has a table already", "one table for each support")
            kind = support.kind or line.support_kind
            if support.stiffness is not None and kind != "flexible":
                spot.key("stiffness").fail(f"a stiffness for a {kind} support", 'kind = "flexible" beside it')
            _check_direction(support, spot)
        for j, end in enumerate(line.ends, 1):
            spot = here.key("end").item(j)
            if not any(dist(end.at, point) <= SAME for point in (line.points[0], line.points[-1])):
                spot.key("at").fail(
                    "a place that is neither end of the line", "the line's first or last point"
                )
            if any(dist(end.at, other.at) <= SAME for other in line.ends[: j - 1]):
                spot.key("at").fail("an end that has a table already", "one table for each end")
            _check_direction(end, spot)
    for i, area in enumerate(plan.work, 1):
        here = place.key("work").item(i)
        if not (area.planes or area.polygon or area.edges or area.edge_kinds):
            here.fail("nothing that says where", "planes, polygon, edges or edge_kinds")
        if (area.edges or area.edge_kinds) and area.strip is None:
            here.key("strip").fail("nothing", "the width of the strip along the edges")
        if area.strip is not None and not (area.edges or area.edge_kinds):
            here.key("strip").fail("a width without edges", "edges or edge_kinds beside it")
    for i, guard in enumerate(plan.protection, 1):
        here = place.key("protection").item(i)
        if not (guard.edges or guard.kinds):
            here.fail("nothing that says where", "edges or kinds")
        part = guard.from_m is not None or guard.to_m is not None
        if part and (len(guard.edges) != 1 or guard.kinds):
            here.fail("from_m or to_m without exactly one edge", "one id in edges, and no kinds")
        if guard.from_m is not None and guard.to_m is not None and guard.from_m >= guard.to_m:
            here.key("to_m").fail(f"{guard.to_m:g} m", f"more than from_m, {guard.from_m:g} m")


def _check_direction(rated: Anchor | Support | LineEnd, place: Place) -> None:
    if rated.direction is not None and not any(rated.direction):
        place.key("direction").fail("a direction of no length", "[x, y, z], not all zero")
    within = rated.direction_within
    if within is not None and rated.direction is None and within < EVERY_WAY:
        place.key("direction_within").fail(
            f"{within:g} degrees off no direction", "direction beside it, or 180 deg for every direction"
        )


def _check_line(line: Line, place: Place) -> None:
    if line.slack and line.policy != "snug":
        place.key("slack").fail(f"slack with the policy {line.policy}", 'policy = "snug" beside it')
    if line.setback is not None and line.policy != "restraint":
        place.key("setback").fail(
            f"a setback with the policy {line.policy}", 'policy = "restraint" beside it'
        )
    _check_absorber(line.absorber, place.key("absorber"))


def _check_absorber(absorber: Absorber, place: Place) -> None:
    average, peak = absorber.average_force, absorber.peak_force
    if average is not None and peak is not None and average > peak:
        place.key("average_force").fail(f"{average:g} N", f"no more than peak_force, {peak:g} N")
    least = absorber.least_force
    if least is not None and average is None:
        place.key("least_force").fail(f"{least:g} N, of no average", "average_force beside it")
    if least is not None and average is not None and least > average:
        place.key("least_force").fail(f"{least:g} N", f"no more than average_force, {average:g} N")


def _unique(ids: Iterable[tuple[str, str]], place: Place) -> None:
    seen: dict[str, str] = {}
    for where, name in ids:
        if name and name in seen:
            place.key(f"{where}.id").fail(f"{name!r}, which {seen[name]} has too", "an id used once")
        seen[name] = where
