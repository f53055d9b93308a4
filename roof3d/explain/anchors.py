"""How the figures of an anchor or anchor line came about."""

from __future__ import annotations

import math
from typing import Any

from roof3d.explain.fields import show, unit_of
from roof3d.explain.lines import (
    CLOSE,
    Item,
    Lines,
    formula_lines,
    plain,
    rule_value,
    said,
    sources,
    value_of,
)
from roof3d.explain.places import Place
from roof3d.explain.segments import stands_at


def anchor_lines(result: Item, found: Place, units: str) -> Lines:
    item = found.item
    if found.field:
        value = value_of(item, found.field)
        lines = plain(found, units)
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
            lines.append("  " + said(field, value, units))
            lines += _anchor_figure(result, item, field, key, value, units)
    for part in ("spans", "loads"):
        for index, entry in enumerate(item.get(part, [])):
            for key, value in entry.items():
                field = f"{part}/{index}/{key}"
                lines.append("  " + said(field, value, units))
                lines += _anchor_figure(result, item, field, key, value, units)
    lines += [f"  taken for granted: {text}" for text in item.get("arrest", {}).get("assumptions", [])]
    return lines


def _anchor_figure(result: Item, item: Item, field: str, name: str, value: Any, units: str) -> Lines:
    if value is None or isinstance(value, str | bool):
        return []
    terms, facts = item.get("clearance_terms", {}), item.get("arrest", {})
    mass = result.get("plan", {}).get("worker_mass_kg")
    holder = value_of(item, field.rsplit("/", 1)[0]) if "/" in field else item
    match name:
        case "required_without_surplus_m":
            stretched = terms["required_without_surplus_m"] - sum(
                terms[key] for key in ("attachment_height_m", "harness_stretch_m", "margin_m")
            )
            return formula_lines(
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
            return formula_lines(
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
            return stands_at(result, "free_fall_m", value, units, item["id"])
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
            factor = rule_value(result, "anchor_line_safety_factor")
            load = holder.get("load_kN")
            force = None if load is None else load * 1000
            return formula_lines("anchor_strength_designed", value * 1000, units, j=factor, F=force)
        case "off_direction_deg":
            return _off(holder, value, units)
        case "rated_within_deg":
            return [
                "    from the plan (direction_within); else 15 degrees, which no document fixes:",
                "    ask the anchor's maker",
            ]
        case "deflection_m":
            return formula_lines(
                "traveller_deflection",
                value,
                units,
                S=holder.get("loaded_length_m"),
                l=holder.get("length_m"),
            )
        case "pull_kN":
            return _pull(item, holder, value, units)
    return _used(result, name.removesuffix("_m"), value, units) if unit_of(name) == "m" else []


def _off(holder: Item, value: float, units: str) -> Lines:
    """Angle between load and rated direction, where the greatest load is also the furthest off."""
    load, rated = holder.get("vector_kN"), holder.get("rated_direction")
    lines = ["    the furthest of all cases, not of the greatest load alone; the rating has to hold for each"]
    if isinstance(load, list) and isinstance(rated, list) and holder.get("load_kN"):
        along = sum(a * b for a, b in zip(load, rated, strict=True))
        across = math.sqrt(max(holder["load_kN"] ** 2 - along**2, 0.0))
        lines += formula_lines("off_direction", value, units, c=across * 1000, a=along * 1000)
    return lines


def _used(result: Item, name: str, value: float, units: str) -> Lines:
    """The rule set's value with its source, if that is what was used; else that it was not."""
    given = rule_value(result, name)
    if given is None:
        return []
    if math.isclose(value, given, rel_tol=1e-5, abs_tol=CLOSE):
        return sources(result, (name,), units)
    return [f"      from the plan or its equipment, not the rule set's {name}"]


def _stretch(terms: Item, value: float, length: float | None, units: str) -> Lines:
    """Stretch from standing; the absorber's part is what is left beside the others."""
    if length is None:
        return []
    rest = {"a": terms["activation_m"], "k": terms["harness_stretch_m"], "e": terms["line_elongation"]}
    drawn = value - rest["a"] - rest["k"] - rest["e"] * length
    return formula_lines(
        "stretch_at_edge", value, units, a=rest["a"], x=drawn, k=rest["k"], e=rest["e"], L=length
    )


def _asked(result: Item, item: Item, load: float, units: str) -> Lines:
    factor, static = rule_value(result, "anchor_force_factor"), rule_value(result, "anchor_strength")
    lines: Lines = []
    if factor is not None:
        lines += formula_lines(
            "anchor_strength_designed", factor * load * 1000, units, j=factor, F=load * 1000
        )
    if static is not None:
        lines += formula_lines("anchor_strength_static", static, units, n=1, Q=static)
    lines.append(f"    rated {show('rating_kN', item.get('rating_kN'), units)}: {item.get('verdict', '')}")
    return lines + sources(result, ("anchor_force_factor", "anchor_strength"), units)


def _line_stretch(item: Item, value: float, units: str) -> Lines:
    """Stretch of the line: by a strain, or by the force at the rope's least stiffness."""
    length, strain = item.get("line_length_m"), item.get("clearance_terms", {}).get("line_elongation")
    if not length:
        return []
    lines = formula_lines("elongation", value, units, a=0.0, x=0.0, e=strain, L=length, y=0.0)
    force = item.get("arrest", {}).get("peak_force_kN")
    if not lines and force and value > 0:
        stiffness = force * 1000 * length / value
        lines = formula_lines("line_elongation", value, units, F=force * 1000, L=length, K=stiffness)
        lines.append("      K: the least that the rope of the plan, or its class, may have")
    return [*lines, f"    {value / length:.1%} of the line's length"]


def _peak(result: Item, peak: float, units: str) -> Lines:
    """The greatest force of an arrest: an absorber's, or that of the line, and what limits it."""
    of_class = rule_value(result, "absorber_peak_force")
    if of_class is not None and math.isclose(peak * 1000, of_class, rel_tol=1e-5):
        lines = sources(result, ("absorber_peak_force",), units)
    else:
        lines = [
            "    from the absorber's data in the plan, its class or its average force; where that is less,",
            "    the force at which the line at its stiffest has taken up the energy of the fall",
        ]
    return lines + sources(result, ("arrest_force_limit", "arrest_force_limit_short_fall"), units)


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
    together = formula_lines("anchor_line_pull", pull * 1000, units, P=workers * peak * 1000, q=angle)
    if together and workers > 1:
        together.append(f"      P: {workers} workers together, {show('peak_force_kN', peak, units)} each")
    return solved + together
