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
    "required_without_surplus_m": "clearance required, less the surplus, which differs along the edge",
    "served_area_m2": "area of work that this anchor reaches, standing and kneeling",
    "served_m2": "area of work that some anchor certainly reaches",
    "stretch_from_standing_m": "how far a fall from standing can draw the system out",
    "surplus_m": "line left over when it lies taut to the edge, where it is most",
    "swing_angle_deg": "angle of the line between where the worker goes over and where it rests",
    "swing_drop_m": "what the rope gives while it slides along the edge to its resting place",
    "taut_length_m": "least taut length from the anchor to the segment; the end of the bracket that is worse",
    "to_m": "where the segment ends, along the edge",
    "unserved_m2": "area of work that no anchor certainly reaches",
    "worker_mass_kg": "mass of the worker with tools",
    "worst_margin_m": "least margin of all segments where a fall is possible",
}

MEANINGS_AT = {
    "clearance_terms/margin_m": "room to keep below the feet at the lowest point",
}
"""Fields whose name means something else inside another."""

STATES = {
    "short": "a fall is possible and clearance is lacking",
    "swing": "a fall is possible and the swing is over its limit or strikes something",
    "arrest": "a fall is possible; clearance and swing keep their limits",
    "held": "the edge is passed only by stretch, and the stretch does not suffice",
    "beyond": "the line cannot get there, or the edge is guarded",
}


def unit_of(field: str) -> str:
    """The unit that a field's name ends in; "" for pure numbers and texts."""
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
