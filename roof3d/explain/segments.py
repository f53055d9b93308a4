"""How the figures of a segment of an edge came about."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

from roof3d import formulas
from roof3d.explain.fields import BROKEN, STATES, show
from roof3d.explain.lines import (
    CLOSE,
    Item,
    Lines,
    formula_lines,
    plain,
    rule_value,
    said,
    same,
    sources,
)
from roof3d.explain.places import Place

RULES_OF_TERMS = (
    ("h", "attachment_height"),
    ("x", "deceleration"),
    ("e", "line_elongation"),
    ("k", "harness_stretch"),
    ("M", "margin"),
)


def head(found: Place, units: str) -> Lines:
    item = found.item
    match found.kind:
        case "segment":
            span = f"{show('from_m', item['from_m'], units)} to {show('to_m', item['to_m'], units)}"
            lines = [f"edge {item['edge']} from {span}, on {item['anchor']}: {item['state']}"]
            lines.append(f"  {_state(item)}")
            if item.get("strikes"):
                lines.append(f"  below or in the way: {item['strikes']}")
            if item.get("doubt"):
                lines.append(f"  in doubt: {item['doubt']}")
            return lines
        case "anchor":
            return [f"{'anchor line' if item.get('kind') == 'line' else 'anchor'} {item['id']}"]
        case "plane" | "edge":
            return [f"{found.kind} {item['id']}"]
    return [found.path]


def _state(segment: Item) -> str:
    """What a segment's state means, and which limits it breaks."""
    broken = [BROKEN[name] for name in segment.get("breaks", ()) if name in BROKEN]
    if broken:
        return f"a fall is possible and breaks a limit: {', '.join(broken)}"
    return STATES.get(segment["state"], "")


def segment_lines(result: Item, found: Place, units: str) -> Lines:
    writers: dict[str, Callable[[Item, Item, str], Lines]] = {
        "taut_length_m": _taut,
        "surplus_m": _surplus,
        "free_fall_m": _free_fall,
        "swing_drop_m": _swing_drop,
        "swing_angle_deg": _swing_angle,
        "clearance_required_m": _required,
        "clearance_available_m": _available,
        "margin_m": _margin,
    }
    segment = found.item
    if found.field:
        if found.field not in writers:
            write = _part_of_sum(found.field)
            return plain(found, units) + (write(result, segment, units) if write is not None else [])
        return [
            "  " + said(found.field, segment[found.field], units),
            *writers[found.field](result, segment, units),
        ]
    lines = []
    for field, write in writers.items():
        if segment.get(field) is not None:
            lines.append("  " + said(field, segment[field], units))
            lines += write(result, segment, units)
    return lines


def _part_of_sum(field: str) -> Callable[[Item, Item, str], Lines] | None:
    """The sum of a segment that one of its terms goes into."""
    if field in ("sums/line_m", "sums/taut_m"):
        return _surplus
    if field == "sums/rest_potential_m":
        return _swing_drop
    if field == "sums/swing_offset_m":
        return _swing_offset
    if field.startswith(("clearance_terms/", "sums/")):
        return _required
    return None


def _taut(result: Item, segment: Item, units: str) -> Lines:
    del result, segment, units
    return [
        "    searched: length of the shortest path from the anchor through free space outside the building;",
        "    of the bracket around it, the lower end, which lets the worker get further",
    ]


def _surplus(result: Item, segment: Item, units: str) -> Lines:
    del result
    sums = segment.get("sums", {})
    return formula_lines("surplus", segment["surplus_m"], units, L=sums.get("line_m"), d=sums.get("taut_m"))


def _free_fall(result: Item, segment: Item, units: str) -> Lines:
    h = result.get("plan", {}).get("attachment_height_m")
    slides = float(segment.get("sums", {}).get("slides_m") or 0.0)
    slope = float(segment.get("sums", {}).get("slope_m") or 0.0)
    lines = formula_lines(
        "free_fall_over_edge", segment["free_fall_m"], units, h=h, s=segment["surplus_m"] + slides + slope
    )
    if slope > 0:
        down = show("slope_m", slope, units)
        lines.append(f"      s with {down} more: the body slides down the steep plane before it goes over")
    if slides > 0:
        more = show("slides_m", slides, units)
        lines.append(f"      s with {more} more: slack, the rope slides along the edge before it pulls")
    return lines + ["    " + line for line in sources(result, ("free_fall_limit",), units)]


def _swing_drop(result: Item, segment: Item, units: str) -> Lines:
    """From the resting place's potential, which is known, back to where the worker went over."""
    drop, low = segment["swing_drop_m"], segment.get("sums", {}).get("rest_potential_m")
    lines: Lines = []
    if drop is not None and low is not None:
        lines += formula_lines("swing_drop", drop, units, p_E=low + drop, p_C=low)
    lines += formula_lines("swing_speed", float(formulas.swing_speed(drop or 0.0)), units, b=drop)
    return lines + sources(result, ("swing_drop_limit",), units)


def _swing_offset(result: Item, segment: Item, units: str) -> Lines:
    del segment
    return [
        "    measured level from where the worker goes over to where the line comes to rest on the edge",
        *sources(result, ("swing_offset_limit",), units),
    ]


def _swing_angle(result: Item, segment: Item, units: str) -> Lines:
    del segment
    return [
        "    between the last stretch of line to where the worker goes over and that to the resting place",
        *sources(result, ("swing_angle_limit_deg",), units),
    ]


def _required(result: Item, segment: Item, units: str) -> Lines:
    terms, sums = segment.get("clearance_terms") or {}, segment.get("sums", {})
    lines = (
        formula_lines("clearance_required", segment["clearance_required_m"], units, **terms) if terms else []
    )
    if not lines:
        return []
    lines += ["    s, at the worst place that the rope can slide to:"]
    rest = {"L": sums.get("line_at_worst_m"), "d": sums.get("taut_at_rest_m")}
    hung = float(sums.get("hung_m") or 0.0)
    over = None if terms.get("s") is None else terms["s"] - hung
    lines += ["  " + line for line in formula_lines("surplus", over, units, **rest)]
    if hung > 0:
        more = show("hung_m", hung, units)
        lines.append(f"      plus {more}: with the rope over another place of the edge the body hangs lower")
    lines += ["    X:"]
    parts = {
        "a": sums.get("activation_m"),
        "x": sums.get("deceleration_m"),
        "e": sums.get("line_elongation"),
        "L": sums.get("line_at_worst_m"),
        "y": sums.get("extra_m"),
    }
    lines += ["  " + line for line in formula_lines("elongation", terms.get("X"), units, **parts)]
    beyond = _beyond_scope(result, segment, units)
    lines += beyond
    for letter, name in RULES_OF_TERMS:
        used = terms.get(letter, parts.get(letter))
        if used is not None and rule_value(result, name) is not None:
            if math.isclose(used, rule_value(result, name) or 0.0, rel_tol=1e-5, abs_tol=CLOSE):
                lines += sources(result, (name,), units)
            elif letter != "x" or not beyond:
                lines.append(f"      {letter}: from the plan or its equipment, not the rule set's {name}")
    return lines


def _beyond_scope(result: Item, segment: Item, units: str) -> Lines:
    """The deceleration distance where the fall is longer than the absorber is good for."""
    anchor: Item = next((a for a in result.get("anchors", []) if a["id"] == segment["anchor"]), {})
    budget = anchor.get("clearance_terms", {}).get("deceleration_m")
    used = segment.get("sums", {}).get("deceleration_m")
    if budget is None or used is None or used <= budget + CLOSE:
        return []
    return [
        "    x: longer than the budget, for the fall is more than the absorber is good for: the way that the",
        "    energy asks of its least force",
        *formula_lines(
            "absorber_extension",
            used,
            units,
            m=result.get("plan", {}).get("worker_mass_kg"),
            f=(segment.get("free_fall_m") or 0.0) + segment["sums"].get("activation_m", 0.0),
            F=anchor["clearance_terms"].get("least_absorber_force_N"),
        ),
    ]


def _available(result: Item, segment: Item, units: str) -> Lines:
    swept = result.get("swept_footprint", {})
    lines = []
    if swept:
        reach, half = show("_m", swept.get("reach_m"), units), show("_m", swept.get("half_width_m"), units)
        lines.append(f"    looked up over {reach} outward from the edge and {half} to either side")
    what = segment.get("strikes")
    return lines + ([f"    highest there: {what}"] if what else [])


def _margin(result: Item, segment: Item, units: str) -> Lines:
    del result
    return formula_lines(
        "margin",
        segment["margin_m"],
        units,
        A=segment.get("clearance_available_m"),
        C=segment.get("clearance_required_m"),
    )


def stands_at(result: Item, key: str, value: Any, units: str, anchor: str | None = None) -> Lines:
    """The first segment that a figure was taken from, unfolded; nothing where it is none's own."""
    for index, segment in enumerate(result.get("edge_segments", [])):
        if not same(segment.get(key), value) or anchor not in (None, segment["anchor"]):
            continue
        inner = Place("segment", segment, "" if key == "state" else key, f"edge_segments/{index}")
        unfolded = head(inner, units) + segment_lines(result, inner, units)
        return ["  it stands at:", *("  " + line for line in unfolded)]
    return []
