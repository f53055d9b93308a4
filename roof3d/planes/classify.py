"""Kinds of planes from geometry alone: roof, wall, ground, underside."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
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
HOUSES = 40.0  # m2, likewise where walls go down from the ground's rim
LAND = np.radians(15.0)  # steepest block of terrain that is taken for one without being told
NAMES = ("ground", "terrain", "grade", "site", "earth", "lawn")  # words in the names of parts
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
        np.array(
            [Polygon(part.exterior) for part in shapely.get_parts(shape).tolist()] or [Polygon()],
            dtype=object,
        )
    )


@dataclass(frozen=True, eq=False)
class Exposed:
    """What is known of each exposed plane (k of them) before it is named."""

    shapes: list[BaseGeometry]  # plan view
    pitch: Floats
    heights: list[tuple[float, float]]
    sheet: list[int]  # planes that continue each other over shared edges have one number
    named: list[bool]  # the file calls the part ground
    girth: Floats  # m, length of the boundary
    walls_down: Floats  # m of boundary from which a wall goes down
    deep: NDArray[np.bool_]  # whether such walls go down more than RIM
    walls_up: Floats  # m of wall that stands on the plane


def ground_sheets(exposed: Exposed, grade: float | None) -> tuple[list[int], list[int]]:
    """Rows of the exposed planes that are ground, and of those that only might be.

    A sheet (planes that continue each other) can be ground if a building stands on it, it is no steeper
    than an embankment, and nothing walkable lies lower within its outline. It is ground if no wall
    carries it (a slab's rim up to ``RIM`` aside). With walls below it, it might be a block of terrain or a
    lower storey's roof; it is taken as ground only if the file names it so, if the stated ``grade`` lies in
    its range of heights, or if it slopes like land (over 3 and up to 15 deg) under a house's worth of roof.
    All else stays roof, which is the worse of the two.
    """
    ground: list[int] = []
    doubtful: list[int] = []
    for group in sorted(set(exposed.sheet)):
        rows = [row for row, name in enumerate(exposed.sheet) if name == group]
        pitch = max(float(exposed.pitch[row]) for row in rows)
        if pitch > STEEPEST_GROUND or float(exposed.walls_up[rows].sum()) < 2.0:
            continue
        housed = _housed(exposed, rows, group)
        if housed < HOUSE:
            continue
        total = float(exposed.girth[rows].sum())
        carried = float((exposed.walls_down[rows] * exposed.deep[rows]).sum()) > max(0.5, 0.02 * total)
        low = min(exposed.heights[row][0] for row in rows)
        high = max(exposed.heights[row][1] for row in rows)
        stated = grade is not None and low - STAND <= grade <= high + STAND
        land = LEVEL < pitch <= LAND and housed >= HOUSES
        if not carried or stated or land or all(exposed.named[row] for row in rows):
            ground.extend(rows)
        else:
            doubtful.extend(rows)
    return sorted(ground), sorted(doubtful)


def _housed(exposed: Exposed, rows: list[int], group: int) -> float:
    """Plan area (m2) of roofs a storey or more over a sheet; 0 if anything lies below it in its outline."""
    plot = filled(shapely.union_all(np.array([exposed.shapes[row] for row in rows], dtype=object)))
    plot = plot.buffer(0.05)
    shapely.prepare(plot)
    low = min(exposed.heights[row][0] for row in rows)
    housed = 0.0
    for row, shape in enumerate(exposed.shapes):
        if exposed.sheet[row] == group or shape.is_empty or not plot.intersects(shape):
            continue
        if shape.intersection(plot).area < 0.5 * shape.area:
            continue
        near = [r for r in rows if exposed.shapes[r].distance(shape) < 1.0] or rows
        if exposed.heights[row][1] >= min(exposed.heights[r][0] for r in near) + STOREY:
            housed += shape.area
        elif exposed.heights[row][1] < low - RIM:
            return 0.0
    return housed


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
