"""Formulas of the arrest of one person."""

from __future__ import annotations

from typing import Any

import numpy as np

from roof3d.formulas.registry import DEFINITION, MECHANICS, STANDARD_GRAVITY, formula

_MASS = ("mass of the worker with tools", "kg")
_G = ("standard gravity", "m/s2")
_FREE = ("free fall of the D-ring before the system pulls", "m")


# ------------------------------------------------------------------------------ arrest of a person


@formula(
    "Weight.",
    "W = m * g",
    ("weight", "N"),
    DEFINITION,
    m=_MASS,
    g=_G,
)
def weight(m: Any, g: Any = STANDARD_GRAVITY) -> Any:
    return m * g


@formula(
    "Speed at the end of the free fall.",
    "v = sqrt(2 * g * f)",
    ("speed", "m/s"),
    MECHANICS,
    f=_FREE,
    g=_G,
)
def impact_speed(f: Any, g: Any = STANDARD_GRAVITY) -> Any:
    return np.sqrt(2 * g * f)


@formula(
    "Energy that the system must take up until the worker is at rest.",
    "E = m * g * (f + X)",
    ("fall energy", "J"),
    "mechanics: energy balance",
    m=_MASS,
    f=_FREE,
    X=("travel from the end of the free fall to the stop", "m"),
    g=_G,
)
def fall_energy(m: Any, f: Any, X: Any, g: Any = STANDARD_GRAVITY) -> Any:
    return m * g * (f + X)


@formula(
    "Least average force of a class: what stops the test mass within the extension that is allowed.",
    "F = m * g * (f + x) / x",
    ("least average force while extending", "N"),
    "mechanics: energy balance at the limits of the class",
    m=("test mass of the class", "kg"),
    f=("free fall in the test", "m"),
    x=("greatest extension allowed", "m"),
    g=_G,
)
def least_average_force(m: Any, f: Any, x: Any, g: Any = STANDARD_GRAVITY) -> Any:
    return m * g * (f + x) / x


@formula(
    "Extension of an absorber that pulls with a constant force, nothing else stretching.",
    "x = m * g * f / (F - m * g)",
    ("absorber extension", "m"),
    "mechanics: energy balance",
    m=_MASS,
    f=_FREE,
    F=("average force of the absorber", "N"),
    g=_G,
)
def absorber_extension(m: Any, f: Any, F: Any, g: Any = STANDARD_GRAVITY) -> Any:
    return m * g * f / (F - m * g)


@formula(
    "Extension of an absorber in line with something elastic that is stretched by its force.",
    "x = (m * g * (f + e) - U) / (F - m * g)",
    ("absorber extension", "m"),
    "mechanics: energy balance",
    m=_MASS,
    f=_FREE,
    e=("elastic travel under the absorber's force: line and anchor line", "m"),
    U=("energy stored in that travel", "J"),
    F=("average force of the absorber", "N"),
    g=_G,
)
def absorber_extension_elastic(m: Any, f: Any, e: Any, U: Any, F: Any, g: Any = STANDARD_GRAVITY) -> Any:
    return (m * g * (f + e) - U) / (F - m * g)


@formula(
    "Energy left over when an absorber is drawn out whole and the worker is not yet at rest.",
    "E = m * g * (f + e + x) - U - F * x",
    ("energy left over", "J"),
    "mechanics: energy balance",
    m=_MASS,
    f=_FREE,
    e=("elastic travel under the absorber's force", "m"),
    x=("greatest extension of the absorber", "m"),
    U=("energy stored in the elastic travel", "J"),
    F=("average force of the absorber", "N"),
    g=_G,
)
def energy_left(m: Any, f: Any, e: Any, x: Any, U: Any, F: Any, g: Any = STANDARD_GRAVITY) -> Any:
    return m * g * (f + e + x) - U - F * x


@formula(
    "Elongation of an elastic line under a force.",
    "e = F * L / K",
    ("elongation of the line", "m"),
    "Hooke's law",
    F=("force in the line", "N"),
    L=("length of line that is stretched", "m"),
    K=("stiffness of the line, force per unit strain", "N"),
)
def line_elongation(F: Any, L: Any, K: Any) -> Any:
    return F * L / K


@formula(
    "Peak force of a purely elastic line that stops a fall (fall factor f / L).",
    "F = W + sqrt(W^2 + 2 * W * K * f / L)",
    ("peak force", "N"),
    "mechanics: energy balance of the harmonic rope, as used with dynamic rope standards (UIAA 101, EN 892)",
    W=("weight", "N"),
    K=("stiffness of the line, force per unit strain", "N"),
    f=_FREE,
    L=("length of line that is stretched", "m"),
)
def elastic_peak_force(W: Any, K: Any, f: Any, L: Any) -> Any:
    return W + np.sqrt(W**2 + 2 * W * K * f / L)


@formula(
    "Belt friction: pull on the far side of an edge.",
    "T = F * exp(-u * b)",
    ("pull on the anchor's side", "N"),
    "belt friction (Euler-Eytelwein), statics textbooks; b in radians",
    F=("pull on the worker's side", "N"),
    u=("coefficient of friction between line and edge", ""),
    b=("angle by which the line is turned, in radians", ""),
)
def pull_behind_edge(F: Any, u: Any, b: Any) -> Any:
    return F * np.exp(-u * b)


@formula(
    "Length of line that still stretches when friction at the edge holds part of it back.",
    "l = p + q * exp(-u * b)",
    ("length of line that counts", "m"),
    "Hooke's law on both sides of an edge with belt friction; b in radians",
    p=("length below the edge", "m"),
    q=("length above the edge", "m"),
    u=("coefficient of friction between line and edge", ""),
    b=("angle by which the line is turned, in radians", ""),
)
def stretching_length(p: Any, q: Any, u: Any, b: Any) -> Any:
    return p + q * np.exp(-u * b)
