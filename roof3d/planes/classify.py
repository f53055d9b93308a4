"""Kinds of planes from geometry alone: roof, wall, ground, underside."""

from __future__ import annotations

import numpy as np
import shapely
from shapely.geometry import MultiPolygon, Polygon
from shapely.geometry.base import BaseGeometry

from roof3d.records import Floats

WALL = np.radians(80.0)  # a plane steeper than this is a wall
LEVEL = np.radians(3.0)  # a plane up to this pitch counts as level
CAP_AREA = 1.5  # m2, tops of chimneys and piers up to this size are nobody's place of work
CAP_WIDTH = 0.6  # m, likewise tops of parapets and walls up to this width
CRUMB = 0.15  # m2, planes (with all they continue) smaller than this are trim, not roof
STOREY = 1.8  # m, least height of a building over its ground
HOUSE = 4.0  # m2, least roof of a building that stands on ground
STEEPEST_GROUND = np.radians(35.0)
RIM = 0.5  # m, greatest thickness of a ground slab
STAND = 0.30  # m, how far a wall's foot may float over the ground or stand in it


def width_of(shape: BaseGeometry) -> float:
    """Greatest width (twice the inradius) of a polygon in plan, metres."""
    if shape.is_empty:
        return 0.0
    widest = max(shapely.get_parts(shape).tolist(), key=lambda part: part.area)
    return 2.0 * float(shapely.maximum_inscribed_circle(widest, tolerance=0.01).length)


def filled(shape: BaseGeometry) -> BaseGeometry:
    """The shape without its holes."""
    return shapely.union_all(
        np.array([Polygon(part.exterior) for part in shapely.get_parts(shape).tolist()] or [Polygon()], dtype=object)
    )


def ground_sheets(
    shapes: list[BaseGeometry],
    pitch: Floats,
    heights: list[tuple[float, float]],
    sheet: list[int],
    walls_down: Floats,
    rim_depth: Floats,
    girth: Floats,
    walls_up: Floats,
) -> list[int]:
    """Rows of the exposed planes that are ground.

    ``sheet`` groups planes that continue each other over shared edges; ``walls_down`` and ``walls_up``
    (k,) are metres of each plane's boundary (and, for walls that stand on it, of its inside) at which a
    wall goes down or up, ``rim_depth`` how deep the walls go, ``girth`` the length of its boundary. A
    sheet is ground if walls of a building stand on it, none carries it (a slab's rim up to ``RIM`` aside),
    it is no steeper than an embankment, and nothing walkable lies lower in its plan.
    """
    ground: list[int] = []
    for group in sorted(set(sheet)):
        rows = [row for row, name in enumerate(sheet) if name == group]
        if max(float(pitch[row]) for row in rows) > STEEPEST_GROUND:
            continue
        total = float(girth[rows].sum())
        deep = rim_depth[rows] > RIM
        if float((walls_down[rows] * deep).sum()) > max(0.5, 0.02 * total):
            continue
        if float(walls_up[rows].sum()) < 2.0:
            continue
        plot = filled(shapely.union_all(np.array([shapes[row] for row in rows], dtype=object)))
        plot = plot.buffer(0.05)
        top = min(heights[row][0] for row in rows)
        housed = 0.0
        undercut = False
        for row, shape in enumerate(shapes):
            if sheet[row] == group or shape.is_empty:
                continue
            common = shape.intersection(plot).area
            if common < 0.5 * shape.area:
                continue
            near = [r for r in rows if shapes[r].distance(shape) < 1.0] or rows
            level = max(heights[r][0] for r in near)
            if heights[row][1] >= min(heights[r][0] for r in near) + STOREY:
                housed += shape.area
            elif heights[row][1] < min(level, top) - RIM:
                undercut = True
        if housed >= HOUSE and not undercut:
            ground.extend(rows)
    return sorted(ground)


def is_cap(shape: BaseGeometry, area: float, down: float, girth: float) -> bool:
    """Whether an exposed plane is just the top of a chimney, a pier, a parapet or a wall.

    ``down`` is the length of its boundary from which a wall goes down, of ``girth`` in all.
    """
    if down < 0.9 * girth:
        return False
    return area <= CAP_AREA or width_of(shape) <= CAP_WIDTH


def as_multi(parts: list[BaseGeometry]) -> MultiPolygon:
    """Polygons as one geometry."""
    return MultiPolygon([part for part in parts if part.geom_type == "Polygon"])
