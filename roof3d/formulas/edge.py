"""Formulas of line, edge, swing and clearance."""

from __future__ import annotations

from typing import Any

import numpy as np

from roof3d.formulas.registry import DEFINITION, GEOMETRY, MECHANICS, STANDARD_GRAVITY, formula

_MASS = ("mass of the worker with tools", "kg")
_G = ("standard gravity", "m/s2")
_LENGTH = ("line length, anchor to D-ring", "m")
_TAUT = ("taut length, anchor to the place at the edge", "m")
_RING = ("height of the D-ring above the soles", "m")
_SURPLUS = ("surplus of line at the edge", "m")


def _cos(a: Any) -> Any:
    return np.cos(np.radians(a))


def _tan(a: Any) -> Any:
    return np.tan(np.radians(a))


# --------------------------------------------------------------------------------- line and edge


@formula(
    "Surplus: the line left over when it lies taut to the edge; negative where it is too short.",
    "s = L - d",
    ("surplus of line at the edge", "m"),
    GEOMETRY,
    L=_LENGTH,
    d=_TAUT,
)
def surplus(L: Any, d: Any) -> Any:
    return L - d


@formula(
    "Stretch needed: by how much the system must lengthen before the D-ring can pass the edge.",
    "e = max(0, d - L)",
    ("stretch needed", "m"),
    GEOMETRY,
    d=_TAUT,
    L=_LENGTH,
)
def stretch_needed(d: Any, L: Any) -> Any:
    return np.maximum(0.0, d - L)


@formula(
    "Line held snug: the taut length to the D-ring at the place of work, and the slack left in it.",
    "L = min(r + q, Z)",
    ("line length while working there", "m"),
    GEOMETRY,
    r=("taut length, anchor to the D-ring at the place of work", "m"),
    q=("slack", "m"),
    Z=("end stop of the line", "m"),
)
def snug_length(r: Any, q: Any, Z: Any) -> Any:
    return np.minimum(r + q, Z)


@formula(
    "Restraint: the longest line with which the nearest edge cannot be passed.",
    "L = (d - b - t) / (1 + e)",
    ("longest line for restraint", "m"),
    GEOMETRY,
    d=("least taut length, anchor to any fall edge", "m"),
    b=("setback from the edge", "m"),
    t=("stretch of absorber and harness", "m"),
    e=("strain of the line", ""),
)
def restraint_length(d: Any, b: Any, t: Any, e: Any) -> Any:
    return (d - b - t) / (1 + e)


@formula(
    "Free fall with the line running over the edge: the D-ring drops from its height while standing "
    "to the surplus below the edge.",
    "f = max(0, h + s)",
    ("free fall", "m"),
    "geometry; term as in 29 CFR 1926.500(b), free fall distance",
    h=_RING,
    s=_SURPLUS,
)
def free_fall_over_edge(h: Any, s: Any) -> Any:
    return np.maximum(0.0, h + s)


@formula(
    "Free fall without contact with an edge: line length and D-ring height less the anchor's height.",
    "f = max(0, L + h - a)",
    ("free fall", "m"),
    "geometry; term as in 29 CFR 1926.500(b), free fall distance",
    L=_LENGTH,
    h=_RING,
    a=("height of the anchor above the walking surface", "m"),
)
def free_fall_below_anchor(L: Any, h: Any, a: Any) -> Any:
    return np.maximum(0.0, L + h - a)


@formula(
    "Height of the D-ring at rest: the line hangs from the edge, its surplus straight down.",
    "y = p - L",
    ("height of the D-ring at rest, without stretch", "m"),
    GEOMETRY,
    p=("fall potential at the resting place", "m"),
    L=_LENGTH,
)
def rest_height(p: Any, L: Any) -> Any:
    return p - L


@formula(
    "Fall potential: height of the place on the edge and the line that lies up to it; the rope slides "
    "to where it is least.",
    "p = z + d",
    ("fall potential", "m"),
    MECHANICS,
    z=("height of the place on the edge", "m"),
    d=("length of the rope as it lies, anchor to that place", "m"),
)
def fall_potential(z: Any, d: Any) -> Any:
    return z + d


@formula(
    "Swing drop: what the rope gives while it slides along the edge to its resting place.",
    "b = p_E - p_C",
    ("swing drop", "m"),
    MECHANICS,
    p_E=("fall potential where the worker goes over", "m"),
    p_C=("fall potential at the resting place", "m"),
)
def swing_drop(p_E: Any, p_C: Any) -> Any:
    return p_E - p_C


@formula(
    "Swing drop on a straight level edge: the slanting line less the line square to the edge.",
    "b = hypot(a, c) - a",
    ("swing drop", "m"),
    GEOMETRY,
    a=("distance from the anchor square to the edge", "m"),
    c=("distance along the edge from there", "m"),
)
def swing_drop_level_edge(a: Any, c: Any) -> Any:
    return np.hypot(a, c) - a


@formula(
    "Resting place on a rake: distance downslope from the foot of the perpendicular.",
    "c = a * tan(q)",
    ("distance down the rake", "m"),
    "mechanics: least value of the fall potential on a sloping straight edge",
    a=("distance from the anchor square to the rake", "m"),
    q=("slope of the rake", "deg"),
)
def rake_rest_offset(a: Any, q: Any) -> Any:
    return a * _tan(q)


@formula(
    "Swing angle: between the line to where the worker goes over and the line to the resting place.",
    "q = atan2(c, a)",
    ("swing angle", "deg"),
    GEOMETRY,
    c=("distance along the edge", "m"),
    a=("distance from the anchor square to the edge", "m"),
)
def swing_angle(c: Any, a: Any) -> Any:
    return np.degrees(np.arctan2(c, a))


@formula(
    "Drop of a swing about a fixed point.",
    "b = L * (1 - cos(q))",
    ("swing drop", "m"),
    MECHANICS,
    L=("length from the pivot to the D-ring", "m"),
    q=("swing angle from the vertical", "deg"),
)
def swing_drop_pivot(L: Any, q: Any) -> Any:
    return L * (1 - _cos(q))


@formula(
    "Speed at the bottom of a swing, as after a free fall of the same height.",
    "v = sqrt(2 * g * b)",
    ("speed", "m/s"),
    MECHANICS,
    b=("swing drop", "m"),
    g=_G,
)
def swing_speed(b: Any, g: Any = STANDARD_GRAVITY) -> Any:
    return np.sqrt(2 * g * b)


@formula(
    "Pull in the line at the bottom of a swing about a fixed point, started at rest.",
    "T = m * g * (3 - 2 * cos(q))",
    ("pull in the line", "N"),
    MECHANICS,
    m=_MASS,
    q=("swing angle from the vertical", "deg"),
    g=_G,
)
def swing_pull(m: Any, q: Any, g: Any = STANDARD_GRAVITY) -> Any:
    return m * g * (3 - 2 * _cos(q))


@formula(
    "Half the length of a straight edge that a line can reach.",
    "w = sqrt(L^2 - a^2)",
    ("half length of edge reached", "m"),
    GEOMETRY,
    L=_LENGTH,
    a=("distance from the anchor square to the edge", "m"),
)
def edge_half_length(L: Any, a: Any) -> Any:
    return np.sqrt(L**2 - a**2)


# -------------------------------------------------------------------------------------- clearance


@formula(
    "Elongation in arrest: lock-on travel, absorber, line, and deflection of the anchor line.",
    "X = a + x + e * L + y",
    ("elongation in arrest", "m"),
    "sum of terms; line elongation is apart from deceleration distance by 29 CFR 1926.500(b)",
    a=("travel before the device locks", "m"),
    x=("deceleration distance", "m"),
    e=("strain of the line in arrest", ""),
    L=_LENGTH,
    y=("deflection of the anchor line not already in the line's reach", "m"),
)
def elongation(a: Any, x: Any, e: Any, L: Any, y: Any) -> Any:
    return a + x + e * L + y


@formula(
    "Stretch that a fall from standing can draw out at an edge.",
    "t = a + x + k + e * L",
    ("stretch", "m"),
    "sum of terms",
    a=("travel before the device locks", "m"),
    x=("absorber extension from a fall of the D-ring's own height", "m"),
    k=("harness stretch", "m"),
    e=("strain of the line in arrest", ""),
    L=_LENGTH,
)
def stretch_at_edge(a: Any, x: Any, k: Any, e: Any, L: Any) -> Any:
    return a + x + k + e * L


@formula(
    "Clearance required, from the edge down.",
    "C = h + s + X + k + M",
    ("clearance required below the edge", "m"),
    "sum of terms, measured from the edge; each term as the rule set fixes it",
    h=_RING,
    s=_SURPLUS,
    X=("elongation in arrest: absorber, line, anchor line", "m"),
    k=("harness stretch", "m"),
    M=("margin", "m"),
)
def clearance_required(h: Any, s: Any, X: Any, k: Any, M: Any) -> Any:
    return h + s + X + k + M


@formula(
    "Clearance available: from the edge down to the highest thing a body could strike.",
    "A = z - u",
    ("clearance available below the edge", "m"),
    GEOMETRY,
    z=("height of the edge", "m"),
    u=("height of what lies below, over the swept width", "m"),
)
def clearance_available(z: Any, u: Any) -> Any:
    return z - u


@formula(
    "Margin: clearance available less clearance required.",
    "n = A - C",
    ("margin", "m"),
    DEFINITION,
    A=("clearance available below the edge", "m"),
    C=("clearance required below the edge", "m"),
)
def margin(A: Any, C: Any) -> Any:
    return A - C


@formula(
    "Pitch of a roof, rise over run.",
    "q = atan(x / 12)",
    ("pitch", "deg"),
    GEOMETRY,
    x=("rise in 12 of run", ""),
)
def pitch(x: Any) -> Any:
    return np.degrees(np.arctan(np.asarray(x) / 12))
