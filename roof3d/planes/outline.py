"""Outlines of planar regions as clean polygons in two coordinates, and their way back into space."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from scipy.spatial import cKDTree
from shapely.geometry import MultiPolygon, Polygon
from shapely.geometry.base import BaseGeometry

from roof3d.planes.recut import straight_rows
from roof3d.records import Floats

GRID = 1e-5  # m, rounding of coordinates in overlays
CLOSE = 0.004  # m, half the width of cracks that are closed
STRAIGHT = 0.003  # m, sideways distance up to which a vertex counts as lying on a straight side
SNAP = 0.012  # m, distance within which an outline's corner is taken to be a vertex of the mesh
LEAST = 1e-4  # m2, parts and holes below are dropped


@dataclass(frozen=True, eq=False)
class Frame:
    """Two coordinates for a plane: plan view (x, y) where it can be, else along and up the wall."""

    normal: Floats  # (3,)
    offset: float
    upright: bool  # True: wall coordinates (along, z)
    along: Floats  # (3,) level unit vector of a wall

    def flat(self, points: Floats) -> Floats:
        """Points (n, 3) to coordinates (n, 2)."""
        if self.upright:
            return np.column_stack([points @ self.along, points[:, 2]])
        return np.asarray(points[:, :2], dtype=np.float64)

    def lift(self, flat: Floats) -> Floats:
        """Coordinates (n, 2) back to points (n, 3) in the plane."""
        if not self.upright:
            z = (self.offset - flat @ self.normal[:2]) / self.normal[2]
            return np.column_stack([flat, z])
        level = np.array([self.normal[0], self.normal[1], 0.0])
        size = float(np.hypot(level[0], level[1]))
        level = level / size
        away = (self.offset - self.normal[2] * flat[:, 1]) / size
        points = flat[:, :1] * self.along + away[:, None] * level
        points[:, 2] = flat[:, 1]
        return np.asarray(points, dtype=np.float64)

    @property
    def stretch(self) -> float:
        """Area in the plane over area in the two coordinates."""
        return 1.0 / (float(np.hypot(*self.normal[:2])) if self.upright else abs(float(self.normal[2])))


def frame_of(normal: Floats, offset: float, upright: bool) -> Frame:
    """The coordinates for a plane with unit ``normal``."""
    size = float(np.hypot(normal[0], normal[1]))
    along = np.array([-normal[1], normal[0], 0.0]) / size if size > 1e-12 else np.array([1.0, 0.0, 0.0])
    return Frame(normal, offset, upright, along)


def pieces(shape: BaseGeometry) -> list[Polygon]:
    """The polygons in any geometry, largest first (ties: lower left first)."""
    polygons: list[Polygon] = []
    for part in shapely.get_parts(shape).tolist():
        if part.geom_type == "Polygon":
            polygons.append(part)
        elif part.geom_type in ("MultiPolygon", "GeometryCollection"):
            polygons.extend(pieces(part))
    keep = [part for part in polygons if part.area >= LEAST]
    return sorted(keep, key=lambda part: (-round(part.area, 4), *np.round(part.centroid.coords[0], 3)))


def _from_border(border: Floats, triangles: Floats, area: float) -> BaseGeometry | None:
    """Union of triangles from the sides that only one of them has; None where that does not work out."""
    faces = shapely.get_parts(shapely.polygonize(shapely.linestrings(border)))
    if len(faces) == 0 or not shapely.is_valid(faces).all():
        return None
    inside = shapely.get_coordinates(shapely.point_on_surface(faces))
    low, high = triangles.min(axis=1), triangles.max(axis=1)
    keep = np.zeros(len(faces), dtype=bool)
    for row, point in enumerate(inside):
        near = triangles[((low <= point) & (high >= point)).all(axis=1)]
        turn = np.zeros((len(near), 3))
        for side in range(3):
            edge = near[:, (side + 1) % 3] - near[:, side]
            to = point - near[:, side]
            turn[:, side] = edge[:, 0] * to[:, 1] - edge[:, 1] * to[:, 0]
        keep[row] = bool(((turn >= 0).all(axis=1) | (turn <= 0).all(axis=1)).any())
    if abs(float(shapely.area(faces[keep]).sum()) - area) > 1e-4 + 1e-5 * area:
        return None  # sides cross or triangles overlap
    return shapely.union_all(faces[keep])


def outline(corner: Floats, border: Floats) -> BaseGeometry:
    """Union of triangles as a polygon or several.

    ``corner`` (m, 3, 2) are the triangles, ``border`` (b, 2, 2) those of their sides that only one has.
    """
    one, two = corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0]
    area = 0.5 * np.abs(one[:, 0] * two[:, 1] - one[:, 1] * two[:, 0])
    shape: BaseGeometry | None = None
    if len(border):
        shape = _from_border(border, corner, float(area.sum()))
    if shape is None or not shape.is_valid:
        solid = corner[area > 1e-9]
        if len(solid) == 0:
            return Polygon()
        ring = np.concatenate([solid, solid[:, :1]], axis=1)
        shape = shapely.union_all(shapely.polygons(ring), grid_size=GRID)
    return closed(shape)


def closed(shape: BaseGeometry, width: float = CLOSE) -> BaseGeometry:
    """The shape with cracks up to twice ``width`` closed and slivers dropped."""
    if shape.is_empty:
        return shape
    wide = shape.buffer(width, join_style="mitre", mitre_limit=20.0)
    shape = wide.buffer(-width, join_style="mitre", mitre_limit=20.0)
    kept = [
        Polygon(part.exterior, [ring for ring in part.interiors if Polygon(ring).area >= LEAST])
        for part in pieces(shape)
    ]
    whole = MultiPolygon(kept)
    return whole if whole.is_valid else MultiPolygon(pieces(shapely.make_valid(whole)))


def opened(shape: BaseGeometry, width: float) -> BaseGeometry:
    """What is left of the shape where it is at least twice ``width`` wide."""
    return shape.buffer(-width, join_style="mitre").buffer(width, join_style="mitre")


def half_plane(area: BaseGeometry, coefficients: tuple[float, float, float]) -> BaseGeometry:
    """The part of ``area`` where ``a x + b y + c > 0``."""
    if area.is_empty:
        return area
    a, b, c = coefficients
    size = float(np.hypot(a, b))
    low = np.array(area.bounds[:2])
    high = np.array(area.bounds[2:])
    middle = 0.5 * (low + high)
    reach = float(np.linalg.norm(high - low)) + 1.0
    toward = np.array([a, b]) / size
    along = np.array([-toward[1], toward[0]])
    foot = middle - toward * ((a * middle[0] + b * middle[1] + c) / size)
    corners = [
        foot - along * 4 * reach,
        foot + along * 4 * reach,
        foot + along * 4 * reach + toward * 4 * reach,
        foot - along * 4 * reach + toward * 4 * reach,
    ]
    return area.intersection(shapely.polygons(np.array(corners)))


def straight_ring(ring: Floats, tolerance: float = STRAIGHT) -> Floats:
    """A closed ring (n, 2) or (n, 3), last point left out, without points on straight sides."""
    if len(ring) < 4:
        return ring
    middle = ring.mean(axis=0)
    away = ((ring - middle) ** 2).sum(axis=1).round(6)
    key = np.lexsort((*[ring[:, axis].round(4) for axis in range(ring.shape[1])], -away))
    ring = np.roll(ring, -int(key[0]), axis=0)
    closed_ring = np.vstack([ring, ring[:1]])
    simple = closed_ring[straight_rows(closed_ring, tolerance)][:-1]
    return simple if len(simple) >= 3 else ring


def rings_in_space(
    polygon: Polygon, frame: Frame, vertices: Floats, reach: float, tolerance: float = STRAIGHT
) -> tuple[Floats, ...]:
    """Outer ring and holes in space, counter-clockwise seen from the normal's side (holes clockwise).

    A corner that lies at a vertex of the mesh (``vertices`` (n, 3), not farther than ``reach`` from the
    plane) gets that vertex's place, so that neighbouring planes share their corners exactly.
    """
    flat = frame.flat(vertices)
    off = np.abs(vertices @ frame.normal - frame.offset)
    usable = vertices[off <= reach]
    tree = cKDTree(flat[off <= reach]) if len(usable) else None
    # In wall coordinates (along, up) and in plan the turn seen from outside may be reversed.
    mirrored = False if frame.upright else frame.normal[2] < 0
    rings: list[Floats] = []
    for row, line in enumerate([polygon.exterior, *polygon.interiors]):
        ring = np.asarray(line.coords, dtype=np.float64)[:-1, :2]
        space = frame.lift(ring)
        if tree is not None:
            gap, at = (np.asarray(found) for found in tree.query(ring, distance_upper_bound=SNAP))
            hit = np.isfinite(gap)
            space[hit] = usable[at[hit]]
            fresh = np.ones(len(space), dtype=bool)
            fresh[1:] = np.linalg.norm(np.diff(space, axis=0), axis=1) > 1e-6
            fresh[0] = (
                len(space) < 2 or bool(np.linalg.norm(space[0] - space[-1]) > 1e-6) or not fresh[1:].any()
            )
            space = space[fresh]
        space = straight_ring(space, tolerance)
        if len(space) < 3:
            continue
        two = frame.flat(space)
        nxt = np.roll(two, -1, axis=0)
        area = 0.5 * float((two[:, 0] * nxt[:, 1] - two[:, 1] * nxt[:, 0]).sum())
        counter = (area > 0) != mirrored
        if counter != (row == 0):
            space = space[::-1]
        if abs(area) < LEAST:
            if row == 0:
                return ()
            continue
        rings.append(np.ascontiguousarray(straight_ring(space, tolerance)))
    holes = sorted(rings[1:], key=lambda hole: tuple(hole.mean(axis=0).round(3).tolist()))
    return (*rings[:1], *holes)
