"""The trade's names for edges, from the planes that meet there."""

from __future__ import annotations

import numpy as np

from roof3d.records import Facet, Floats

LEVEL = float(np.tan(np.radians(3.0)))  # rise per run up to which an edge or a plane counts as level
RISE = float(np.tan(np.radians(0.5)))  # rise per run from which a plane drains to or from an edge
CREASE = float(np.cos(np.radians(2.0)))  # a bend below 2 deg is a break, whatever its direction


def slope_along(start: Floats, end: Floats) -> float:
    """Rise over run of an edge, without sign."""
    axis = end - start
    run = float(np.hypot(axis[0], axis[1]))
    return abs(float(axis[2])) / run if run > 1e-9 else float("inf")


def outward_of(start: Floats, end: Floats) -> Floats:
    """Level unit vector to the right of an edge, away from the plane on its left."""
    axis = end - start
    out = np.array([axis[1], -axis[0], 0.0])
    size = float(np.linalg.norm(out))
    return np.asarray(out / size if size > 1e-9 else np.zeros(3), dtype=np.float64)


def gradient(facet: Facet) -> Floats:
    """Rise per metre toward x and y."""
    return np.asarray(-facet.normal[:2] / facet.normal[2], dtype=np.float64)


def boundary_kind(facet: Facet, start: Floats, end: Floats) -> str:
    """eave, rake, top or flat."""
    if float(np.linalg.norm(gradient(facet))) <= LEVEL:
        return "flat"
    if slope_along(start, end) > LEVEL:
        return "rake"
    inward = -outward_of(start, end)[:2]
    return "eave" if float(gradient(facet) @ inward) > 0 else "top"


def inner_kind(one: Facet, two: Facet, start: Floats, end: Floats) -> str:
    """ridge, hip, valley or break, for an edge with ``one`` on its left and ``two`` on its right."""
    axis = end - start
    into_two = -np.cross(two.normal, axis)
    convex = float(one.normal @ into_two) < 0
    if float(one.normal @ two.normal) >= CREASE:
        return "break"
    if slope_along(start, end) > LEVEL:
        return "hip" if convex else "valley"
    out = outward_of(start, end)[:2]
    rise_one, rise_two = float(gradient(one) @ -out), float(gradient(two) @ out)
    if rise_one < -RISE and rise_two < -RISE:
        return "ridge"
    if rise_one > RISE and rise_two > RISE:
        return "valley"
    return "break"
