"""Neighbouring planes of a rough mesh made to meet in the line where they cross.

Measured points average over ridges, hips and valleys: the triangles there fit neither plane, and each plane
stops short of the crease by up to a point spacing or two. The crease itself is known better than any point:
it is where the two fitted planes cross.
"""

from __future__ import annotations

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from roof3d.planes.outline import Frame, closed, half_plane, opened, pieces

REACH = 0.6  # m, how far from the crease a plane may end and still be counted as reaching it
PARALLEL = 0.05  # difference of gradients below which two planes have no crease to speak of
SMALL_HOLE = 0.25  # m2, holes of a rough mesh below this are gaps between points
SPIKE = 0.1  # m, half the width of spikes that are cut off
FINE = 0.05  # m, sideways distance up to which corners are dropped in the end


def meet_in_creases(frames: list[Frame], shapes: list[BaseGeometry]) -> list[BaseGeometry]:
    """Plan outlines, each extended or cut to its creases with its neighbours."""
    done = [_without_small_holes(shape) for shape in shapes]
    wide = np.array([shape.buffer(REACH) for shape in done], dtype=object)
    first, second = shapely.STRtree(wide).query(wide, predicate="intersects")
    for i, j in sorted(zip(first.tolist(), second.tolist(), strict=True)):
        if i >= j or done[i].is_empty or done[j].is_empty:
            continue
        line = crease(frames[i], frames[j])
        if line is None:
            continue
        zone = wide[i].intersection(wide[j])
        zone = zone.intersection(_band(line, zone, REACH)) if not zone.is_empty else zone
        if zone.area < REACH * 0.5:
            continue
        side = _side(done[i], line, zone) - _side(done[j], line, zone)
        if abs(side) < 0.5:
            continue  # both lie on both sides: they cross rather than meet
        mine = half_plane(zone, line if side > 0 else (-line[0], -line[1], -line[2]))
        other = zone.difference(mine)
        done[i] = closed(done[i].union(mine).difference(other), 0.01)
        done[j] = closed(done[j].union(other).difference(mine), 0.01)
    return [
        closed(opened(_without_small_holes(shape), SPIKE).simplify(FINE), 0.01)
        if not shape.is_empty
        else shape
        for shape in done
    ]


def crease(one: Frame, two: Frame) -> tuple[float, float, float] | None:
    """Plan line ``a x + b y + c = 0`` over which the first plane crosses the second."""
    slope = two.normal[:2] / two.normal[2] - one.normal[:2] / one.normal[2]
    size = float(np.hypot(slope[0], slope[1]))
    if size < PARALLEL:
        return None
    shift = one.offset / one.normal[2] - two.offset / two.normal[2]
    return float(slope[0]) / size, float(slope[1]) / size, float(shift) / size


def _band(line: tuple[float, float, float], area: BaseGeometry, width: float) -> BaseGeometry:
    a, b, c = line
    return half_plane(half_plane(area, (a, b, c + width)), (-a, -b, -c + width))


def _side(shape: BaseGeometry, line: tuple[float, float, float], zone: BaseGeometry) -> float:
    """Share of a shape near the zone that lies on the line's positive side, less the rest: -1 to 1."""
    near = shape.intersection(zone.buffer(2 * REACH))
    return 2.0 * half_plane(near, line).area / near.area - 1.0 if near.area > 0 else 0.0


def _without_small_holes(shape: BaseGeometry) -> BaseGeometry:
    kept = [
        shapely.Polygon(
            part.exterior, [ring for ring in part.interiors if shapely.Polygon(ring).area >= SMALL_HOLE]
        )
        for part in pieces(shape)
    ]
    return shapely.MultiPolygon(kept)
