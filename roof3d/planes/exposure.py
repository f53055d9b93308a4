"""What part of each plane the sky can see, by exact clipping in plan view.

Which side of a triangle is its front plays no part here: in a solid, whatever lies on top faces up.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from roof3d.planes.outline import GRID, LEAST, Frame, closed, half_plane, opened, pieces
from roof3d.records import Floats, Ints

LEVEL = 0.01  # m, height difference below which two surfaces count as one on top of the other
EDGE = 0.02  # m, half the width of strips that are too narrow to count as seen
SEEN = 0.01  # m2, exposed area below which a plane does not count as seen
OPEN = 0.1  # share of a room that must be open to the sky for all of it to count as outside
PATCH = 0.25  # m2, least size of a mostly covered plane's open part
TWICE = 0.05  # m, height between two sheets of one outline that may be one surface, modelled twice
SAME = 0.9  # share of both sheets that lies over one another
TRACE = 0.02  # m, distance from a plane within which another face counts as standing on it


@dataclass(frozen=True, eq=False)
class Sheet:
    """A plane that could be walked on, before it is known whether it is seen."""

    frame: Frame
    shape: BaseGeometry  # plan view, whole
    priority: tuple[float, ...]  # of two coincident sheets the one with the lower value is on top


def plane_heights(sheet: Sheet, xy: Floats) -> Floats:
    """Heights (n,) of a sheet's plane over plan points (n, 2)."""
    frame = sheet.frame
    return np.asarray((frame.offset - xy @ frame.normal[:2]) / frame.normal[2], dtype=np.float64)


def covers(sheets: list[Sheet]) -> list[list[BaseGeometry]]:
    """For each sheet the plan areas in which another sheet lies over it."""
    found: list[list[BaseGeometry]] = [[] for _ in sheets]
    shapes = np.array([sheet.shape for sheet in sheets], dtype=object)
    tree = shapely.STRtree(shapes)
    first, second = tree.query(shapes, predicate="intersects")
    use = first < second
    first, second = first[use], second[use]
    common = shapely.intersection(shapes[first], shapes[second], grid_size=GRID)
    big = shapely.area(common) > LEAST
    for i, j, area in zip(first[big].tolist(), second[big].tolist(), common[big], strict=True):
        xy = shapely.get_coordinates(area)
        gap = plane_heights(sheets[j], xy) - plane_heights(sheets[i], xy)
        if np.abs(gap).max() <= LEVEL:
            under = i if sheets[j].priority < sheets[i].priority else j
            found[under].append(area)
        elif gap.min() >= -LEVEL:
            found[i].append(area)
        elif gap.max() <= LEVEL:
            found[j].append(area)
        else:
            one, two = sheets[i].frame, sheets[j].frame
            slope = two.normal[:2] / -two.normal[2] - one.normal[:2] / -one.normal[2]
            shift = two.offset / two.normal[2] - one.offset / one.normal[2]
            above = half_plane(area, (float(slope[0]), float(slope[1]), float(shift)))
            below = area.difference(above)
            found[i].extend(pieces(above))
            found[j].extend(pieces(below))
    return found


def doubled(sheets: list[Sheet]) -> tuple[float, float]:
    """Plan area (m2) of sheets just under another of the same outline, and the greatest height between.

    Sheets that are known to face down (undersides) do not count, nor does what lies within ``LEVEL``.
    """
    rows = [row for row, sheet in enumerate(sheets) if not sheet.priority[0]]
    shapes = np.array([sheets[row].shape for row in rows], dtype=object)
    if len(rows) < 2:
        return 0.0, 0.0
    first, second = shapely.STRtree(shapes).query(shapes, predicate="intersects")
    size = shapely.area(shapes)
    use = (first < second) & (
        np.minimum(size[first], size[second]) >= SAME * np.maximum(size[first], size[second])
    )
    normal = np.array([sheets[row].frame.normal for row in rows])
    use &= np.einsum("ij,ij->i", normal[first], normal[second]) > 0.9995
    found, most = 0.0, 0.0
    for i, j in zip(first[use].tolist(), second[use].tolist(), strict=True):
        common = shapely.intersection(shapes[i], shapes[j])
        if common.area < max(PATCH, SAME * max(size[i], size[j])):
            continue
        xy = shapely.get_coordinates(common)
        gap = np.abs(plane_heights(sheets[rows[j]], xy) - plane_heights(sheets[rows[i]], xy))
        if LEVEL < gap.max() <= TWICE:
            found, most = found + float(common.area), max(most, float(gap.max()))
    return found, most


def traces(sheet: Sheet, vertices: Floats, triangles: Ints, own: Ints) -> Floats:
    """Plan segments (n, 2, 2) in which other triangles cross the sheet's plane or stand on it."""
    low = np.array(sheet.shape.bounds[:2]) - TRACE
    high = np.array(sheet.shape.bounds[2:]) + TRACE
    other = np.ones(len(triangles), dtype=bool)
    other[own] = False
    corner = vertices[triangles[other]]
    near = (corner[..., :2].max(axis=1) >= low).all(axis=1) & (corner[..., :2].min(axis=1) <= high).all(
        axis=1
    )
    corner = corner[near]
    distance = corner @ sheet.frame.normal - sheet.frame.offset
    distance = np.where(np.abs(distance) <= TRACE, 0.0, distance)
    sign = np.sign(distance)
    touch = (sign.min(axis=1) <= 0) & (sign.max(axis=1) >= 0) & (np.abs(sign).sum(axis=1) > 0)
    corner, distance, sign = corner[touch], distance[touch], sign[touch]
    ends: list[Floats] = []
    flags: list[NDArray[np.bool_]] = []
    for a, b in ((0, 1), (1, 2), (2, 0)):
        crossing = sign[:, a] * sign[:, b] < 0
        span = np.where(crossing, distance[:, a] - distance[:, b], 1.0)
        at = np.where(crossing, distance[:, a] / span, 0.0)
        ends.append(corner[:, a, :2] + at[:, None] * (corner[:, b, :2] - corner[:, a, :2]))
        flags.append(crossing)
    for a in range(3):
        ends.append(corner[:, a, :2])
        flags.append(sign[:, a] == 0)
    place = np.stack(ends, axis=1)
    flag = np.stack(flags, axis=1)
    two = flag.sum(axis=1) == 2
    place, flag = place[two], flag[two]
    segments = place[flag].reshape(-1, 2, 2)
    long = np.linalg.norm(segments[:, 1] - segments[:, 0], axis=1) > 1e-6
    return np.asarray(segments[long], dtype=np.float64)


def stretched(segments: Floats, by: float) -> Floats:
    """Segments (n, 2, 2) made longer by ``by`` at both ends, so that almost closed rooms close."""
    axis = segments[:, 1] - segments[:, 0]
    axis = axis / np.linalg.norm(axis, axis=1)[:, None]
    return np.stack([segments[:, 0] - by * axis, segments[:, 1] + by * axis], axis=1)


def _reaches_rim(light: BaseGeometry, room: BaseGeometry) -> bool:
    """Whether an open area is large enough and touches the room's outer boundary."""
    outer = shapely.union_all([shapely.LinearRing(part.exterior) for part in pieces(room)])
    return any(part.area >= PATCH and part.distance(outer) < 2 * EDGE for part in pieces(light))


def visible(
    sheet: Sheet, over: list[BaseGeometry], vertices: Floats, triangles: Ints, own: Ints
) -> tuple[list[BaseGeometry], BaseGeometry]:
    """The parts of a sheet that belong to the outside, and the part the sky sees.

    The sheet is cut along the faces that cross it or stand on it. A part is outside if half of it or
    more sees the sky, or a tenth that reaches its rim (a terrace under a canopy goes with its open
    strip); of a part that is covered more than that, only what is open and reaches the rim counts (a floor
    seen through a skylight does not).
    """
    whole = sheet.shape
    if not over:
        return [part for part in pieces(whole) if not opened(part, 0.5 * EDGE).is_empty], whole
    seen = whole.difference(shapely.union_all(np.array(over, dtype=object), grid_size=GRID))
    seen = shapely.make_valid(opened(seen, EDGE))
    if seen.area < SEEN * abs(float(sheet.frame.normal[2])):
        return [], seen
    if whole.area - seen.area < 2 * EDGE * whole.length and opened(whole.difference(seen), EDGE).area < SEEN:
        return list(pieces(whole)), whole
    lines = [shapely.get_parts(shapely.boundary(whole))]
    segments = traces(sheet, vertices, triangles, own)
    if len(segments):
        lines.append(shapely.linestrings(stretched(segments, TRACE)))
    net = shapely.union_all(np.concatenate(lines), grid_size=GRID)
    rooms = shapely.get_parts(shapely.polygonize(shapely.get_parts(net)))
    keep: list[BaseGeometry] = []
    for room in rooms:
        inside = room.intersection(whole)
        if inside.area < 0.5 * room.area or inside.area < LEAST:
            continue
        light = opened(room.intersection(seen), EDGE)
        if light.area >= OPEN * room.area and (light.area >= 0.5 * room.area or _reaches_rim(light, room)):
            keep.append(room)
        elif light.area >= SEEN:
            keep += [patch for patch in pieces(light) if _reaches_rim(patch, room)]
    if not keep:
        return [], seen
    joined = closed(shapely.union_all(np.array(keep, dtype=object), grid_size=GRID))
    return [part for part in pieces(joined) if not opened(part, 0.5 * EDGE).is_empty], seen
