"""Formulas of anchor lines and of the loads on anchors."""

from __future__ import annotations

from typing import Any

import numpy as np

from roof3d.formulas.registry import GEOMETRY, STATICS, formula


def _sin(a: Any) -> Any:
    return np.sin(np.radians(a))


# ------------------------------------------------------------------------------------ anchor lines


@formula(
    "Pull in an anchor line under a load at the middle of a span.",
    "T = P / (2 * sin(q))",
    ("pull in the anchor line", "N"),
    "statics; 29 CFR 1926 subpart M appendix C, II(h)(6): about 2:1 at 15 degrees, 6:1 at 5 degrees",
    P=("load across the line", "N"),
    q=("sag angle on each side", "deg"),
)
def anchor_line_pull(P: Any, q: Any) -> Any:
    return P / (2 * _sin(q))


@formula(
    "Sag angle of an anchor line from the load at mid-span and the pull.",
    "q = asin(P / (2 * T))",
    ("sag angle on each side", "deg"),
    STATICS,
    P=("load across the line", "N"),
    T=("pull in the anchor line", "N"),
)
def anchor_line_angle(P: Any, T: Any) -> Any:
    return np.degrees(np.arcsin(P / (2 * T)))


@formula(
    "Pull along the chord of a span under a load anywhere in it.",
    "H = P * a * b / ((a + b) * y)",
    ("pull along the chord", "N"),
    "statics: cable theorem (pull times sag equals the beam moment of the same load)",
    P=("load across the line", "N"),
    a=("distance from one end of the span", "m"),
    b=("distance from its other end", "m"),
    y=("sag at the load", "m"),
)
def chord_pull(P: Any, a: Any, b: Any, y: Any) -> Any:
    return P * a * b / ((a + b) * y)


@formula(
    "Sag of a line under its own weight (parabola).",
    "y = w * l^2 / (8 * H)",
    ("sag at mid-span", "m"),
    "statics: parabolic cable",
    w=("weight of the line per length", "N/m"),
    l=("span", "m"),
    H=("pull along the chord", "N"),
)
def own_weight_sag(w: Any, l: Any, H: Any) -> Any:  # noqa: E741
    return w * l**2 / (8 * H)


@formula(
    "Length that a line stores in the sag under its own weight (parabola, first term).",
    "c = w^2 * l^3 / (24 * H^2)",
    ("length stored in the sag", "m"),
    "statics: series of the parabola's arc length",
    w=("weight of the line across the chord per length", "N/m"),
    l=("span", "m"),
    H=("pull along the chord", "N"),
)
def own_weight_length(w: Any, l: Any, H: Any) -> Any:  # noqa: E741
    return w**2 * l**3 / (24 * H**2)


@formula(
    "Length of an anchor line without tension, from its length when it was pretensioned.",
    "R = S / (1 + T / K)",
    ("length without tension", "m"),
    "Hooke's law",
    S=("length under pretension", "m"),
    T=("pretension", "N"),
    K=("stiffness of the anchor line, force per unit strain", "N"),
)
def unstretched_length(S: Any, T: Any, K: Any) -> Any:
    return S / (1 + T / K)


@formula(
    "Pull in an elastic anchor line from its length.",
    "T = K * max(0, S / R - 1)",
    ("pull in the anchor line", "N"),
    "Hooke's law",
    K=("stiffness of the anchor line, force per unit strain", "N"),
    S=("length under load", "m"),
    R=("length without tension", "m"),
)
def elastic_pull(K: Any, S: Any, R: Any) -> Any:
    return K * np.maximum(0.0, S / R - 1)


@formula(
    "Deflection at mid-span of a span that holds a given length of line.",
    "y = sqrt(S^2 - l^2) / 2",
    ("deflection at mid-span", "m"),
    "geometry: small half-axis of the ellipse |q - P1| + |q - P2| = S",
    S=("length of line in the span under load", "m"),
    l=("distance between the ends of the span", "m"),
)
def traveller_deflection(S: Any, l: Any) -> Any:  # noqa: E741
    return np.sqrt(S**2 - l**2) / 2


@formula(
    "Deflection of a slack-free elastic span for small sag.",
    "y = cbrt(P * l^3 / (8 * K))",
    ("deflection at mid-span", "m"),
    "statics: first term of the series in the sag angle, no pretension",
    P=("load across the line", "N"),
    l=("span", "m"),
    K=("stiffness of the anchor line, force per unit strain", "N"),
)
def small_sag(P: Any, l: Any, K: Any) -> Any:  # noqa: E741
    return np.cbrt(P * l**3 / (8 * K))


# ------------------------------------------------------------------------------------------- loads


@formula(
    "Strength required of an anchor without a design by a qualified person.",
    "R = n * Q",
    ("strength required", "N"),
    "29 CFR 1926.502(d)(15) and the like: a fixed strength for each worker attached",
    n=("workers attached", ""),
    Q=("strength required for each worker", "N"),
)
def anchor_strength_static(n: Any, Q: Any) -> Any:
    return n * Q


@formula(
    "Strength required of an anchor designed under a qualified person.",
    "R = j * F",
    ("strength required", "N"),
    "29 CFR 1926.502(d)(8), (d)(15): complete system with a safety factor",
    j=("factor on the greatest load", ""),
    F=("greatest load in arrest", "N"),
)
def anchor_strength_designed(j: Any, F: Any) -> Any:
    return j * F


@formula(
    "Angle between a pull and the direction that an anchor is rated for.",
    "q = atan2(c, a)",
    ("angle off the rated direction", "deg"),
    GEOMETRY,
    c=("part of the pull square to the rated direction", "N"),
    a=("part of the pull along the rated direction", "N"),
)
def off_direction(c: Any, a: Any) -> Any:
    return np.degrees(np.arctan2(c, a))
