"""What the fields of a result mean, and in which unit they are."""

from __future__ import annotations

from typing import Any

from roof3d.formulas import show_value

UNITS = (
    ("_m2", "m2"),
    ("_kN", "kN"),
    ("_N", "N"),
    ("_kg", "kg"),
    ("_deg", "deg"),
    ("_m", "m"),
)
"""Endings of field names and the units that they stand for."""

MEANINGS = {
    "anchors": "number of anchors and anchor lines",
    "cell_m": "greatest side of the cells that the map of exposure is cut into",
    "clearance_point": "place on the track where the margin is least",
    "end": "where the segment ends",
    "extra_m": "further way in arrest; an anchor line's own counts in the places of its traveller",
    "findings": "number of findings that somebody has to look at",
    "grade_m": "height of the ground where the model has none",
    "half_width_m": "how far to either side a falling body is taken to sweep",
    "least_cell_m": "least side of the cells, where reach or state changes",
    "line_at_worst_m": "line length where the margin is least",
    "slides_m": "further fall before the rope pulls, if it slides along the edge while it is slack",
    "slope_m": "height that a body slides down the steep plane, on slack line, before it goes over",
    "most_swing_m": "how far the energy of the whole fall could carry the body down from its highest place",
    "hung_m": "how much lower the body hangs there with the rope over another place of the edge",
    "line_m": "line length where the worker goes over",
    "notes": "number of findings that are no more than notes",
    "outward": "horizontal direction that a fall over the edge takes, of length one",
    "point": "which of the line's points, ends and supports, counted from one",
    "points": "corner of the line or edge",
    "reach_m": "how far outward from the edge a falling body is taken to sweep",
    "rest_point": "where the rope rests on the edge: the lowest fall potential on the track",
    "rest_potential_m": "fall potential where the rope rests",
    "rings": "corner of the plane's outline",
    "served": "whether an anchor certainly reaches the cell, standing and kneeling",
    "served_by": "number of anchors that certainly reach the cell",
    "size_m": "side of the cell",
    "span": "which span of the line, counted from one",
    "start": "where the segment begins",
    "steps": "from or to, metres along the edge: a stretch where going over is a step, not a fall",
    "taut_at_rest_m": "taut length where the margin is least",
    "taut_m": "taut length where the worker goes over",
    "triangles": "number of triangles after welding and repair",
    "vector_kN": "load as a vector: what the line does to its point",
    "value": "value of the rule set, in the unit beside it",
    "year": "year of the document",
    "at": "place",
    "centroid": "centre of the plane's area",
    "area_m2": "area",
    "azimuth_deg": "direction of the downslope, clockwise from +y",
    "attachment_height_m": "height of the D-ring above the soles, standing",
    "absorber_m": "extension of the absorber in the worst fall on this anchor",
    "activation_m": "travel before the device locks",
    "clearance_available_m": "from the edge down to the highest thing that a body could strike on its track",
    "clearance_required_m": "room that a fall needs below the edge, at the worst place of its track",
    "deceleration_m": "way from the system's first pull to the stop",
    "deflection_m": "deflection of the anchor line at mid-span under the arrest force",
    "drop_m": "least height from the edge to what lies below it",
    "free_fall_m": "free fall of the D-ring before the system pulls",
    "from_m": "where the segment begins, along the edge",
    "harness_stretch_m": "harness stretch and shift of the D-ring",
    "kneeling_height_m": "height of the D-ring above the surface, kneeling",
    "least_absorber_force_N": "least average force that the absorber may have",
    "length_m": "length",
    "line_elongation": "strain of the line in arrest",
    "line_length_m": "line length, anchor to D-ring",
    "line_stretch_m": "stretch of the line in the worst fall on this anchor",
    "load_kN": "greatest load in arrest",
    "loaded_length_m": "length of anchor line in the span under load",
    "margin_m": "clearance available less clearance required",
    "needs_kN": "strength that it has to have",
    "peak_force_kN": "greatest force on the person",
    "pitch_deg": "pitch of the plane",
    "pull_kN": "greatest pull in the span",
    "rating_kN": "strength that it is rated for",
    "rated_direction": "direction of pull that it is rated for, of length one",
    "rated_within_deg": "how far off its rated direction the rating still holds",
    "off_direction_deg": "the furthest that any pull in arrest is off the rated direction",
    "lies": "corner of the way that the anchor line takes at rest",
    "required_without_surplus_m": "clearance required, less the surplus, which differs along the edge",
    "served_area_m2": "area of work that this anchor reaches, standing and kneeling",
    "served_m2": "area of work that some anchor certainly reaches",
    "stretch_from_standing_m": "how far a fall from standing can draw the system out",
    "surplus_m": "line left over when it lies taut to the edge, where it is most",
    "swing_offset_m": "furthest, measured level, from where the line rests to where the worker goes over",
    "swing_angle_deg": "angle of the line between where the worker goes over and where it rests",
    "swing_drop_m": "what the rope gives while it slides along the edge to its resting place",
    "taut_length_m": "least taut length from the anchor to the segment; the end of the bracket that is worse",
    "to_m": "where the segment ends, along the edge",
    "unserved_m2": "area of work that no anchor certainly reaches",
    "worker_mass_kg": "mass of the worker with tools",
    "workers": "number of people who fall on the line at the same time",
    "worst_margin_m": "least margin of all segments where a fall is possible",
}

MEANINGS_AT = {
    "clearance_terms/margin_m": "room to keep below the feet at the lowest point",
    "clearance_terms/h": "height of the D-ring above the soles",
    "clearance_terms/s": "surplus of line at the place where the margin is least",
    "clearance_terms/X": "elongation in arrest: absorber, line, anchor line",
    "clearance_terms/k": "harness stretch and shift of the D-ring",
    "clearance_terms/M": "room to keep below the feet at the lowest point",
}
"""Fields whose name means something else inside another."""

LETTERS = "hsXkM"
"""Terms of the clearance sum that a segment names by letter; all lengths."""

PLACES = ("at", "centroid", "clearance_point", "end", "lies", "points", "rest_point", "rings", "start")
"""Fields that hold coordinates in the model's own frame, metres."""

AXES = "xyz"

STATES = {
    "short": "a fall is possible and clearance is lacking or another limit is broken",
    "swing": "a fall is possible and the swing is over its limit or strikes something",
    "arrest": "a fall is possible; clearance and swing keep their limits",
    "held": "the edge is passed only by stretch, and the stretch does not suffice",
    "beyond": "the line cannot get there, or the edge is guarded",
}


BROKEN = {
    "room": "room below",
    "free-fall": "free fall",
    "force": "force on the person",
    "absorber": "length of the absorber",
    "swing": "swing",
}
"""Words of ``records.BREAKS`` as a person reads them."""


def name_of(field: str) -> str:
    """The last name in a path through a result: numbers pick entries of what they follow."""
    return next((key for key in reversed(field.split("/")) if not key.isdecimal()), "")


def axis_of(field: str) -> str:
    """x, y or z where a path ends in a coordinate of a place or a vector; else ""."""
    last = field.rsplit("/", 1)[-1]
    if last in ("0", "1", "2") and name_of(field) in (*PLACES, "outward", "rated_direction", "vector_kN"):
        return AXES[int(last)]
    return ""


def meaning_of(field: str) -> str:
    """What a field means, in words; "" where its name says it."""
    name = name_of(field)
    tail = "/".join(field.split("/")[-2:])
    return MEANINGS_AT.get(tail) or MEANINGS.get(name, "")


def unit_of(field: str) -> str:
    """The unit that a field's name ends in; "" for pure numbers and texts."""
    if field in (*PLACES, "steps") or field in tuple(LETTERS):
        return "m"
    return next((unit for ending, unit in UNITS if field.endswith(ending)), "")


def show(field: str, value: Any, units: str = "m") -> str:
    """A field's value as a person reads it."""
    if value is None:
        return "not known"
    if isinstance(value, bool) or not isinstance(value, int | float):
        return str(value)
    unit = unit_of(field)
    if unit == "kN":
        return show_value(float(value) * 1000, "N", units)
    if unit == "m2":
        return f"{value:.2f} m2" if units == "m" else f"{value / 0.09290304:.1f} ft2"
    return show_value(float(value), unit, units)
