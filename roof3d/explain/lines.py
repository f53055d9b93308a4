"""Lines that all explanations are made of: a field, a formula with its numbers, a rule with its source.

A formula is shown with its numbers only where the numbers in the result add up to the figure: a sum that does
not add up explains nothing.
"""

from __future__ import annotations

import math
from typing import Any

from roof3d import formulas
from roof3d.explain.fields import axis_of, meaning_of, name_of, show
from roof3d.explain.places import Place

CLOSE = 2e-6  # results are written with six decimals

Lines = list[str]
Item = dict[str, Any]


def value_of(item: Any, field: str) -> Any:
    for key in field.split("/"):
        item = item[int(key)] if isinstance(item, list) else item[key]
    return item


def said(field: str, value: Any, units: str) -> str:
    """``field = value: meaning``."""
    meaning, axis = meaning_of(field), axis_of(field)
    figure = f"{field}{f' ({axis})' if axis else ''} = {show(name_of(field), value, units)}"
    return figure + (f": {meaning}" if meaning else "")


def plain(found: Place, units: str) -> Lines:
    """A field, or all single values of an object, without a formula."""
    value = value_of(found.item, found.field) if found.field else found.item
    if isinstance(value, dict):
        return ["  " + said(key, v, units) for key, v in value.items() if not isinstance(v, dict | list)]
    if isinstance(value, list):
        return [f"  {found.field or found.path}: {len(value)} entries"]
    return ["  " + said(found.field or found.path, value, units)]


def formula_lines(name: str, figure: float | None, units: str, **values: Any) -> Lines:
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


def sources(result: Item, names: tuple[str, ...], units: str) -> Lines:
    lines = []
    for entry in result.get("rules", {}).get("entries", []):
        if entry["name"] in names:
            lines += ["      " + line for line in rule_lines(entry, units)]
    return lines


def rule_lines(entry: Item, units: str) -> Lines:
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


def rule_value(result: Item, name: str) -> float | None:
    for entry in result.get("rules", {}).get("entries", []):
        if entry["name"] == name:
            return float(entry["value"])
    return None


def same(value: Any, other: Any) -> bool:
    if isinstance(value, float) and isinstance(other, float):
        return math.isclose(value, other, abs_tol=CLOSE)
    return bool(value == other)
