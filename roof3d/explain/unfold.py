"""Writes out how a figure of a result came about.

Where a figure was not summed but searched or solved for, the lines say by which method.
"""

from __future__ import annotations

import math

from roof3d.explain.anchors import anchor_lines
from roof3d.explain.lines import Item, Lines, formula_lines, plain, rule_lines
from roof3d.explain.origin import origin
from roof3d.explain.places import Place, find
from roof3d.explain.segments import head, segment_lines, stands_at


def explain(result: Item, place: str, *, units: str = "m") -> tuple[str, ...]:
    """Lines that unfold a place or a figure of a result (``places`` says how places are named).

    ``result`` is the result file as read from JSON; ``units`` is ``m`` or ``ft``. Raises
    ``InputError`` for a place that the result does not have.
    """
    found = find(result, place)
    lines = head(found, units)
    writer = {"segment": segment_lines, "anchor": anchor_lines, "plane": _plane, "part": _part}.get(
        found.kind
    )
    if found.kind == "rule":
        lines += rule_lines(found.item, units)
    elif writer is not None:
        lines += writer(result, found, units)
    elif found.kind == "edge":
        lines += plain(found, units)
    if found.field and found.kind != "rule":
        lines += ["    " + line for line in origin(found)]
    return tuple(lines)


def _plane(result: Item, found: Place, units: str) -> Lines:
    del result
    lines = plain(found, units)
    if found.field in ("", "pitch_deg"):
        pitch = float(found.item["pitch_deg"])
        if pitch < 89.9:
            lines += formula_lines("pitch", pitch, units, x=12 * math.tan(math.radians(pitch)))
    return lines


def _part(result: Item, found: Place, units: str) -> Lines:
    lines = plain(found, units)
    if found.path == "summary" and found.field in ("worst_margin_m", "worst_state"):
        key = {"worst_margin_m": "margin_m", "worst_state": "state"}[found.field]
        lines += stands_at(result, key, found.item[found.field], units)
    if found.path == "exposure" and found.field.startswith("cells/"):
        number, _, name = found.field.removeprefix("cells/").partition("/")
        cell = found.item["cells"][int(number)]
        if name == "margin_m":
            lines += stands_at(result, name, cell[name], units, cell.get("anchor"))
    return lines
