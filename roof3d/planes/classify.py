"""Kinds of planes from geometry alone: roof, wall, ground, underside."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from shapely.geometry import Polygon
from shapely.geometry.base import BaseGeometry

from roof3d.planes.rim import RIM, STAND, STOREY, Rims
from roof3d.records import Floats, Ints

WALL_DEG = 75.0  # a plane steeper than this is a wall: its upper edge is one to fall over
WALL = np.radians(WALL_DEG)
LEVEL = np.radians(3.0)  # a plane up to this pitch counts as level
CAP_AREA = 1.0  # m2, tops of chimneys and piers up to this size are nobody's place of work
CAP_WIDTH = 0.6  # m, likewise tops of parapets and walls up to this width
CRACK = 0.02  # m, half the width of cracks between the planes of one top
CRUMB = 0.15  # m2, planes (with all they continue) smaller than this are trim, not roof
HOUSE = 4.0  # m2, least roof of a building that stands on ground
HOUSES = 40.0  # m2, likewise where walls go down from the ground's rim
LAND = np.radians(15.0)  # steepest block of terrain that is taken for one without being told
STEEPEST_GROUND = np.radians(35.0)
ROUGH_CRUMB = 1.0  # m2, likewise as CRUMB in rough meshes


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
    area: Floats  # m2 in the plane
    pitch: Floats  # rad
    named: list[bool]  # the file calls the part ground
    fragile: list[bool]  # the file calls the part glass
    rough: list[bool]  # fitted to scattered points
    rims: Rims
    feet: Floats  # m of wall that stands on the plane


def name_exposed(exposed: Exposed, grade: float | None) -> tuple[list[str], list[int], list[int]]:
    """Kind of each exposed plane: roof, ground, or wall for what only tops walls or bears nobody.

    Returns also the rows that are ground and those that only might be. Glass told by its name is no roof: the
    hole that it closes stays open.
    """
    ground, doubtful = ground_sheets(exposed, grade)
    kinds = ["roof"] * len(exposed.shapes)
    sheet = exposed.rims.sheet
    extent = np.bincount(sheet, weights=exposed.area, minlength=1)
    caps = {group for group in np.unique(sheet).tolist() if is_cap(exposed, np.flatnonzero(sheet == group))}
    for row in range(len(kinds)):
        crumb = extent[sheet[row]] < (ROUGH_CRUMB if exposed.rough[row] else CRUMB)
        if row in ground:
            kinds[row] = "ground"
        elif exposed.fragile[row] or crumb or sheet[row] in caps:
            kinds[row] = "wall"
    return kinds, ground, doubtful


def ground_sheets(exposed: Exposed, grade: float | None) -> tuple[list[int], list[int]]:
    """Rows of the exposed planes that are ground, and of those that only might be.

    A sheet (planes that continue each other) can be ground if a building stands on it, it is no steeper
    than an embankment, and nothing walkable lies lower within its outline. It is ground if no wall carries it
    (a slab's rim up to ``RIM`` aside) and its outer boundary is mostly free of walls, as land's is and the
    inside of a parapet is not. Else it might be a block of terrain, or a lower roof; it is taken as ground
    only if the file names it so, if the stated ``grade`` lies in its range of heights, or if it slopes like
    land (over 3 and up to 15 deg) under a house's worth of roof. All else stays roof, the worse of the two.
    """
    ground: list[int] = []
    doubtful: list[int] = []
    rims = exposed.rims
    for group in np.unique(rims.sheet).tolist():
        rows = np.flatnonzero(rims.sheet == group).tolist()
        pitch = float(exposed.pitch[rows].max())
        if pitch > STEEPEST_GROUND or float(exposed.feet[rows].sum()) < 2.0:
            continue
        housed = _housed(exposed, rows, group)
        if housed < HOUSE:
            continue
        carried = float((rims.down[rows] * rims.deep[rows]).sum())
        borne = carried > max(0.5, 0.02 * float(rims.girth[rows].sum()))
        open_land = float(rims.free[rows].sum()) >= 0.5 * float(rims.shore[rows].sum())
        low, high = float(rims.low[rows].min()), float(rims.high[rows].max())
        stated = grade is not None and low - STAND <= grade <= high + STAND
        land = LEVEL < pitch <= LAND and housed >= HOUSES and float(rims.up[rows].sum()) > 0
        if (open_land and not borne) or stated or land or all(exposed.named[row] for row in rows):
            ground.extend(rows)
        else:
            doubtful.extend(rows)
    return sorted(ground), sorted(doubtful)


def _housed(exposed: Exposed, rows: list[int], group: int) -> float:
    """Plan area (m2) of roofs a storey or more over a sheet; 0 if anything lies below it in its outline."""
    plot = filled(shapely.union_all(np.array([exposed.shapes[row] for row in rows], dtype=object)))
    plot = plot.buffer(0.05)
    shapely.prepare(plot)
    rims = exposed.rims
    low = float(rims.low[rows].min())
    housed = 0.0
    for row, shape in enumerate(exposed.shapes):
        if rims.sheet[row] == group or shape.is_empty or not plot.intersects(shape):
            continue
        if shape.intersection(plot).area < 0.5 * shape.area:
            continue
        near = [r for r in rows if exposed.shapes[r].distance(shape) < 1.0] or rows
        if rims.high[row] >= float(rims.low[near].min()) + STOREY:
            housed += shape.area
        elif rims.high[row] < low - RIM:
            return 0.0
    return housed


def is_cap(exposed: Exposed, rows: Ints) -> bool:
    """Whether exposed planes that continue each other, and no other, just top a chimney, a pier or a parapet.

    Of several planes (a coping of two slopes, or one whose corners are a little off) the whole is judged.
    """
    rims = exposed.rims
    girth = float((rims.girth if len(rows) == 1 else rims.shore)[rows].sum())
    if float(rims.up[rows].sum()) >= 0.1 * girth or float(rims.down[rows].sum()) < 0.9 * girth:
        return False
    if float(exposed.area[rows].sum()) <= CAP_AREA:
        return True
    whole = shapely.union_all(np.array([exposed.shapes[row].buffer(CRACK) for row in rows.tolist()]))
    return width_of(whole) - 2 * CRACK <= CAP_WIDTH
