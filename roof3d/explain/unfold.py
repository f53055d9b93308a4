"""Writes out how a figure of a result came about.

A formula is shown with its numbers only where the numbers in the result add up to the figure: a sum
that does not add up explains nothing. Where a figure was not summed but searched or solved for, the
lines say by which method.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

from roof3d import formulas
from roof3d.explain.fields import BROKEN, STATES, axis_of, meaning_of, name_of, show, unit_of
from roof3d.explain.origin import origin
from roof3d.explain.places import Place, find

CLOSE = 2e-6  # results are written with six decimals
RULES_OF_TERMS = (
    ("h", "attachment_height"),
    ("x", "deceleration"),
    ("e", "line_elongation"),
    ("k", "harness_stretch"),
    ("M", "margin"),
)

Lines = list[str]
Item = dict[str, Any]


def explain(result: Item, place: str, *, units: str = "m") -> tuple[str, ...]:
    """Lines that unfold a place or a figure of a result (``places`` says how places are named).

    ``result`` is the result file as read from JSON; ``units`` is ``m`` or ``ft``. Raises
    ``InputError`` for a place that the result does not have.
    """
    found = find(result, place)
    lines = _head(found, units)
    writer = {"segment": _segment, "anchor": _anchor, "plane": _plane, "part": _part}.get(found.kind)
    if found.kind == "rule":
        lines += _rule(found.item, units)
    elif writer is not None:
        lines += writer(result, found, units)
    elif found.kind == "edge":
        lines += _plain(found, units)
    if found.field and found.kind != "rule":
        lines += ["    " + line for line in origin(found)]
    return tuple(lines)


def _head(found: Place, units: str) -> Lines:
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


def _value(item: Any, field: str) -> Any:
    for key in field.split("/"):
        item = item[int(key)] if isinstance(item, list) else item[key]
    return item


def _said(field: str, value: Any, units: str) -> str:
    """``field = value: meaning``."""
    meaning, axis = meaning_of(field), axis_of(field)
    figure = f"{field}{f' ({axis})' if axis else ''} = {show(name_of(field), value, units)}"
    return figure + (f": {meaning}" if meaning else "")


def _plain(found: Place, units: str) -> Lines:
    """A field, or all single values of an object, without a formula."""
    value = _value(found.item, found.field) if found.field else found.item
    if isinstance(value, dict):
        return ["  " + _said(key, v, units) for key, v in value.items() if not isinstance(v, dict | list)]
    if isinstance(value, list):
        return [f"  {found.field or found.path}: {len(value)} entries"]
    return ["  " + _said(found.field or found.path, value, units)]


def _formula(name: str, figure: float | None, units: str, **values: Any) -> Lines:
    """A formula with its numbers, if they are all known and come to the figure."""
    if figure is None or any(value is None for value in values.values()):
        return []
    try:
        worth = float(formulas.FORMULAS[name].function(**values))
    except (ZeroDivisionError, ValueError):
        return []
    if not math.isclose(worth, figure, rel_tol=1e-5, abs_tol=CLOSE * 10):
        return []
    return ["    " + line for line in formulas.explain(name, units=units, **values)]


def _sources(result: Item, names: tuple[str, ...], units: str) -> Lines:
    lines = []
    for entry in result.get("rules", {}).get("entries", []):
        if entry["name"] in names:
            lines += ["      " + line for line in _rule(entry, units)]
    return lines


def _rule(entry: Item, units: str) -> Lines:
    unit = "" if entry["unit"] == "1" else entry["unit"]
    year = f", {entry['year']}" if entry.get("year") else ""
    clause = f", {entry['clause']}" if entry.get("clause") else ""
    lines = [f"{entry['name']} = {formulas.show_value(entry['value'], unit, units)}"]
    lines.append(f"  {entry['document']}{clause}{year}; status: {entry['status']}")
    if entry.get("text"):
        lines.append(f"  as printed: {entry['text']}")
    if entry.get("note"):
        lines.append(f"  note: {entry['note']}")
    return lines


# ---------------------------------------------------------------------------------------- segments


def _segment(result: Item, found: Place, units: str) -> Lines:
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
            return _plain(found, units) + (write(result, segment, units) if write is not None else [])
        return [
            "  " + _said(found.field, segment[found.field], units),
            *writers[found.field](result, segment, units),
        ]
    lines = []
    for field, write in writers.items():
        if segment.get(field) is not None:
            lines.append("  " + _said(field, segment[field], units))
            lines += write(result, segment, units)
    return lines


def _part_of_sum(field: str) -> Callable[[Item, Item, str], Lines] | None:
    """The sum of a segment that one of its terms goes into."""
    if field in ("sums/line_m", "sums/taut_m"):
        return _surplus
    if field == "sums/rest_potential_m":
        return _swing_drop
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
    return _formula("surplus", segment["surplus_m"], units, L=sums.get("line_m"), d=sums.get("taut_m"))


def _free_fall(result: Item, segment: Item, units: str) -> Lines:
    h = result.get("plan", {}).get("attachment_height_m")
    return _formula("free_fall_over_edge", segment["free_fall_m"], units, h=h, s=segment["surplus_m"]) + [
        "    " + line for line in _sources(result, ("free_fall_limit",), units)
    ]


def _swing_drop(result: Item, segment: Item, units: str) -> Lines:
    """From the resting place's potential, which is known, back to where the worker went over."""
    drop, low = segment["swing_drop_m"], segment.get("sums", {}).get("rest_potential_m")
    lines: Lines = []
    if drop is not None and low is not None:
        lines += _formula("swing_drop", drop, units, p_E=low + drop, p_C=low)
    lines += _formula("swing_speed", float(formulas.swing_speed(drop or 0.0)), units, b=drop)
    return lines + _sources(result, ("swing_drop_limit",), units)


def _swing_angle(result: Item, segment: Item, units: str) -> Lines:
    del segment
    return [
        "    between the last stretch of line to where the worker goes over and that to the resting place",
        *_sources(result, ("swing_angle_limit_deg",), units),
    ]


def _required(result: Item, segment: Item, units: str) -> Lines:
    terms, sums = segment.get("clearance_terms") or {}, segment.get("sums", {})
    lines = _formula("clearance_required", segment["clearance_required_m"], units, **terms) if terms else []
    if not lines:
        return []
    lines += ["    s, at the worst place that the rope can slide to:"]
    rest = {"L": sums.get("line_at_worst_m"), "d": sums.get("taut_at_rest_m")}
    lines += ["  " + line for line in _formula("surplus", terms.get("s"), units, **rest)]
    lines += ["    X:"]
    parts = {
        "a": sums.get("activation_m"),
        "x": sums.get("deceleration_m"),
        "e": sums.get("line_elongation"),
        "L": sums.get("line_at_worst_m"),
        "y": sums.get("extra_m"),
    }
    lines += ["  " + line for line in _formula("elongation", terms.get("X"), units, **parts)]
    beyond = _beyond_scope(result, segment, units)
    lines += beyond
    for letter, name in RULES_OF_TERMS:
        used = terms.get(letter, parts.get(letter))
        if used is not None and _rule_value(result, name) is not None:
            if math.isclose(used, _rule_value(result, name) or 0.0, rel_tol=1e-5, abs_tol=CLOSE):
                lines += _sources(result, (name,), units)
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
        *_formula(
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
    return _formula(
        "margin",
        segment["margin_m"],
        units,
        A=segment.get("clearance_available_m"),
        C=segment.get("clearance_required_m"),
    )


# ----------------------------------------------------------------------------------------- anchors


def _anchor(result: Item, found: Place, units: str) -> Lines:
    item = found.item
    if found.field:
        value = _value(item, found.field)
        lines = _plain(found, units)
        name = found.field.rsplit("/", 1)[-1]
        if not isinstance(value, dict | list):
            lines += _anchor_figure(result, item, found.field, name, value, units)
        return lines
    lines = []
    for part in ("", "clearance_terms", "arrest"):
        inside = item if not part else item.get(part, {})
        for key, value in inside.items():
            if value is None or isinstance(value, dict | list):
                continue
            field = f"{part}/{key}" if part else key
            lines.append("  " + _said(field, value, units))
            lines += _anchor_figure(result, item, field, key, value, units)
    for part in ("spans", "loads"):
        for index, entry in enumerate(item.get(part, [])):
            for key, value in entry.items():
                field = f"{part}/{index}/{key}"
                lines.append("  " + _said(field, value, units))
                lines += _anchor_figure(result, item, field, key, value, units)
    lines += [f"  taken for granted: {text}" for text in item.get("arrest", {}).get("assumptions", [])]
    return lines


def _anchor_figure(result: Item, item: Item, field: str, name: str, value: Any, units: str) -> Lines:
    if value is None or isinstance(value, str | bool):
        return []
    terms, facts = item.get("clearance_terms", {}), item.get("arrest", {})
    mass = result.get("plan", {}).get("worker_mass_kg")
    holder = _value(item, field.rsplit("/", 1)[0]) if "/" in field else item
    match name:
        case "required_without_surplus_m":
            stretched = terms["required_without_surplus_m"] - sum(
                terms[key] for key in ("attachment_height_m", "harness_stretch_m", "margin_m")
            )
            return _formula(
                "clearance_required",
                value,
                units,
                h=terms.get("attachment_height_m"),
                s=0.0,
                X=stretched,
                k=terms.get("harness_stretch_m"),
                M=terms.get("margin_m"),
            )
        case "stretch_from_standing_m":
            return _stretch(terms, value, item.get("line_length_m"), units)
        case "absorber_m":
            return _formula(
                "absorber_extension",
                value,
                units,
                m=mass,
                f=(facts.get("free_fall_m") or 0.0) + (terms.get("activation_m") or 0.0),
                F=terms.get("least_absorber_force_N"),
            ) or ["    the longest that its class or its maker states"]
        case "line_stretch_m":
            return _line_stretch(item, value, units)
        case "free_fall_m":
            return _stands_at(result, "free_fall_m", value, units, item["id"])
        case "line_elongation":
            return _used(result, "line_elongation", value, units)
        case "least_absorber_force_N":
            return _used(result, "least_average_force", value, units)
        case "peak_force_kN":
            return _peak(result, value, units)
        case "load_kN" if "needs_kN" in holder:
            return [
                f"    solved: least potential energy of the line, worst case: {holder.get('case', '')}",
                "    (pulls of all spans that meet there, with the greatest friction at supports)",
            ]
        case "load_kN" if item.get("kind") == "point":
            return [
                "    the greatest force in the line; friction at edges is not credited",
                *_asked(result, item, value, units),
            ]
        case "load_kN" if item.get("loads"):
            k = max(range(len(item["loads"])), key=lambda k: item["loads"][k].get("load_kN") or 0.0)
            return [
                f"    the greatest on its ends and supports: loads/{k}, {item['loads'][k].get('kind', '')}"
            ]
        case "needs_kN":
            factor = _rule_value(result, "anchor_line_safety_factor")
            load = holder.get("load_kN")
            force = None if load is None else load * 1000
            return _formula("anchor_strength_designed", value * 1000, units, j=factor, F=force)
        case "deflection_m":
            return _formula(
                "traveller_deflection",
                value,
                units,
                S=holder.get("loaded_length_m"),
                l=holder.get("length_m"),
            )
        case "pull_kN":
            return _pull(item, holder, value, units)
    return _used(result, name.removesuffix("_m"), value, units) if unit_of(name) == "m" else []


def _used(result: Item, name: str, value: float, units: str) -> Lines:
    """The rule set's value with its source, if that is what was used; else that it was not."""
    given = _rule_value(result, name)
    if given is None:
        return []
    if math.isclose(value, given, rel_tol=1e-5, abs_tol=CLOSE):
        return _sources(result, (name,), units)
    return [f"      from the plan or its equipment, not the rule set's {name}"]


def _stretch(terms: Item, value: float, length: float | None, units: str) -> Lines:
    """Stretch from standing; the absorber's part is what is left beside the others."""
    if length is None:
        return []
    rest = {"a": terms["activation_m"], "k": terms["harness_stretch_m"], "e": terms["line_elongation"]}
    drawn = value - rest["a"] - rest["k"] - rest["e"] * length
    return _formula("stretch_at_edge", value, units, a=rest["a"], x=drawn, k=rest["k"], e=rest["e"], L=length)


def _rule_value(result: Item, name: str) -> float | None:
    for entry in result.get("rules", {}).get("entries", []):
        if entry["name"] == name:
            return float(entry["value"])
    return None


def _asked(result: Item, item: Item, load: float, units: str) -> Lines:
    factor, static = _rule_value(result, "anchor_force_factor"), _rule_value(result, "anchor_strength")
    lines: Lines = []
    if factor is not None:
        lines += _formula("anchor_strength_designed", factor * load * 1000, units, j=factor, F=load * 1000)
    if static is not None:
        lines += _formula("anchor_strength_static", static, units, n=1, Q=static)
    lines.append(f"    rated {show('rating_kN', item.get('rating_kN'), units)}: {item.get('verdict', '')}")
    return lines + _sources(result, ("anchor_force_factor", "anchor_strength"), units)


def _line_stretch(item: Item, value: float, units: str) -> Lines:
    """Stretch of the line: by a strain, or by the force at the rope's least stiffness."""
    length, strain = item.get("line_length_m"), item.get("clearance_terms", {}).get("line_elongation")
    if not length:
        return []
    lines = _formula("elongation", value, units, a=0.0, x=0.0, e=strain, L=length, y=0.0)
    force = item.get("arrest", {}).get("peak_force_kN")
    if not lines and force and value > 0:
        stiffness = force * 1000 * length / value
        lines = _formula("line_elongation", value, units, F=force * 1000, L=length, K=stiffness)
        lines.append("      K: the least that the rope of the plan, or its class, may have")
    return [*lines, f"    {value / length:.1%} of the line's length"]


def _peak(result: Item, peak: float, units: str) -> Lines:
    """The greatest force of an arrest: an absorber's, or that of the line, and what limits it."""
    of_class = _rule_value(result, "absorber_peak_force")
    if of_class is not None and math.isclose(peak * 1000, of_class, rel_tol=1e-5):
        lines = _sources(result, ("absorber_peak_force",), units)
    else:
        lines = [
            "    from the absorber's data in the plan, its class or its average force; where that is less, the",
            "    force at which the line at its stiffest has taken up the energy of the fall (energy balance)",
        ]
    return lines + _sources(result, ("arrest_force_limit", "arrest_force_limit_short_fall"), units)


def _pull(item: Item, span: Item, pull: float, units: str) -> Lines:
    """Pull of a span from its load and angle at mid-span, where that is the case that governs."""
    facts = item.get("arrest", {})
    peak, workers, loaded, level = (
        facts.get("peak_force_kN"),
        facts.get("workers", 1),
        span["loaded_length_m"],
        span["length_m"],
    )
    solved = ["    solved: least potential energy of the line, worst of all ways to spread the falls"]
    if peak is None or loaded <= level:
        return solved
    angle = math.degrees(math.acos(level / loaded))
    together = _formula("anchor_line_pull", pull * 1000, units, P=workers * peak * 1000, q=angle)
    if together and workers > 1:
        together.append(f"      P: {workers} workers together, {show('peak_force_kN', peak, units)} each")
    return solved + together


# ------------------------------------------------------------------------------------ other places


def _plane(result: Item, found: Place, units: str) -> Lines:
    del result
    lines = _plain(found, units)
    if found.field in ("", "pitch_deg"):
        pitch = float(found.item["pitch_deg"])
        if pitch < 89.9:
            lines += _formula("pitch", pitch, units, x=12 * math.tan(math.radians(pitch)))
    return lines


def _part(result: Item, found: Place, units: str) -> Lines:
    lines = _plain(found, units)
    if found.path == "summary" and found.field in ("worst_margin_m", "worst_state"):
        key = {"worst_margin_m": "margin_m", "worst_state": "state"}[found.field]
        lines += _stands_at(result, key, found.item[found.field], units)
    if found.path == "exposure" and found.field.startswith("cells/"):
        number, _, name = found.field.removeprefix("cells/").partition("/")
        cell = found.item["cells"][int(number)]
        if name == "margin_m":
            lines += _stands_at(result, name, cell[name], units, cell.get("anchor"))
    return lines


def _stands_at(result: Item, key: str, value: Any, units: str, anchor: str | None = None) -> Lines:
    """The first segment that a figure was taken from, unfolded; nothing where it is none's own."""
    for index, segment in enumerate(result.get("edge_segments", [])):
        if not _same(segment.get(key), value) or anchor not in (None, segment["anchor"]):
            continue
        inner = Place("segment", segment, "" if key == "state" else key, f"edge_segments/{index}")
        unfolded = _head(inner, units) + _segment(result, inner, units)
        return ["  it stands at:", *("  " + line for line in unfolded)]
    return []


def _same(value: Any, other: Any) -> bool:
    if isinstance(value, float) and isinstance(other, float):
        return math.isclose(value, other, abs_tol=CLOSE)
    return bool(value == other)
