"""Where figures come from that no formula gives: the model, the plan, a search, a count."""

from __future__ import annotations

from roof3d.explain.fields import axis_of, name_of
from roof3d.explain.places import Place

FRAME = "in the model's own coordinates, metres, z up"
BISECTED = "searched: a change of state along the edge, halved down to its place, on its worse side"
FROM_PLAN = "from the plan, or the default that its schema names"
FROM_MODEL = "measured on the model"

ORIGINS = {
    "model": {
        "triangles": "counted after reading, welding and repair; the repairs are listed in model/repairs",
    },
    "plan": {"worker_mass_kg": f"{FROM_PLAN}; where it gives none, worker_mass of the rule set"},
    "rules": {"year": "from the rule set's file"},
    "swept_footprint": {
        "reach_m": "the program's own assumption, at least the height of the D-ring",
        "half_width_m": "the program's own assumption",
    },
    "work": {
        "area_m2": "area of the work areas of the plan, or of all roof planes where it names none",
        "served_m2": "sum of the cells within line length of an anchor by the upper end of the bracket",
        "unserved_m2": "area less what is served",
    },
    "exposure": {
        "cell_m": "the greatest that occurs",
        "least_cell_m": "the least that occurs",
        "size_m": "halved from cell_m where reach or state changes inside a cell",
        "taut_length_m": "searched: shortest path through free space to the cell, from the nearest anchor",
        "free_fall_m": "greatest over the edges that somebody can go over from here",
        "swing_drop_m": "greatest over the edges that somebody can go over from here",
        "margin_m": "at the worst edge that somebody can go over from here",
        "served_by": "counted: anchors within line length by the upper end of the bracket",
    },
    "findings": {"at": f"where the finding is; {FRAME}"},
    "summary": {
        "anchors": "counted",
        "findings": "counted: severity danger or warning",
        "notes": "counted: all others",
    },
    "plane": {
        "azimuth_deg": FROM_MODEL,
        "pitch_deg": FROM_MODEL,
        "area_m2": f"{FROM_MODEL}, along the slope",
    },
    "edge": {
        "length_m": FROM_MODEL,
        "drop_m": "looked up over the whole width that a falling body sweeps; the least counts",
        "steps": "looked up over the whole swept footprint: the deepest counts (step_height)",
        "outward": FROM_MODEL,
    },
    "anchor": {
        "line_length_m": f"{FROM_PLAN}; for restraint the greatest that lets nobody over an edge",
        "served_area_m2": "sum of the cells within line length by the upper end of the bracket",
        "rating_kN": FROM_PLAN,
        "rated_direction": f"{FROM_PLAN}, brought to length one",
        "lies": "searched: shortest path through free space from support to support",
        "at": FROM_PLAN,
        "points": FROM_PLAN,
        "point": "in the order of the plan",
        "span": "in the order of the plan",
        "length_m": "taut length of the span over the roof, which is longer than straight over a ridge",
        "loaded_length_m": "solved: least potential energy of the line, load at mid-span, softest reading",
        "vector_kN": "solved: least potential energy of the line, in the case with the greatest load",
        "activation_m": "from the plan's absorber, or its class in the rule set",
        "workers": FROM_PLAN,
        "kneeling_height_m": FROM_PLAN,
    },
    "segment": {
        "from_m": BISECTED,
        "to_m": BISECTED,
        "start": BISECTED,
        "end": BISECTED,
        "rest_point": "searched: lowest fall potential on the track from where the worker goes over",
        "clearance_point": "searched: least margin on the track from where the worker goes over",
    },
}
"""By part of the result, then by name of the field."""

COORDINATES = ("at", "centroid", "clearance_point", "end", "lies", "points", "rest_point", "rings", "start")


def origin(found: Place) -> list[str]:
    """Lines that say where a figure comes from; none where a formula above says it already."""
    part = found.kind if found.kind != "part" else found.path.split("/", 1)[0]
    name = name_of(found.field)
    lines = []
    text = ORIGINS.get(part, {}).get(name)
    if text is None and part in ("plan", "model"):
        text = FROM_PLAN if part == "plan" else "from the model's file, the plan or an assumption in the list"
    if text is None and name in ("centroid", "rings", "points"):
        text = FROM_MODEL
    if text is not None:
        lines.append(text)
    if axis_of(found.field) and name in COORDINATES and FRAME not in (text or ""):
        lines.append(FRAME)
    return lines
