"""Where a crew sets out an anchor: distances on the surface to ridge, eave and rakes of its plane.

The anchor's foot is the place on its roof plane straight below it. From the foot one measures with a
tape on the surface: up the slope, down the slope, and level to the left and right as seen looking up
the slope, each to the edge that the tape meets first.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import shapely
import shapely.ops

from roof3d.records import Floats
from roof3d.show.scene import PlaneShape, Scene

DIRECTIONS = ("up", "down", "left", "right")
FAR = 1e4
ON_PLANE_M = 1.0  # an anchor stands at most this far from the surface
INSIDE_M = 0.001


@dataclass(frozen=True, eq=False)
class Tape:
    """One measured distance from the foot of an anchor to an edge."""

    direction: str  # one of DIRECTIONS
    surface_m: float  # as a tape on the surface reads
    plan_m: float  # the same in plan
    end: Floats  # (3,) local
    edge: str  # id, "" where the tape meets no edge of the result
    kind: str


@dataclass(frozen=True, eq=False)
class SetOut:
    """One tie-off point: its plane, its foot and the tapes, or none where it stands on no plane."""

    anchor: str
    at: Floats  # (3,) local
    plane: str  # "" where it stands on no roof plane
    above_m: float  # height above the plane, straight up
    tapes: tuple[Tape, ...]


def set_out(scene: Scene) -> tuple[SetOut, ...]:
    """All tie-off points of a scene; anchor lines with one entry for each of their points."""
    entries = []
    for mark in scene.anchors:
        for k, point in enumerate(mark.points):
            name = mark.id if len(mark.points) == 1 else f"{mark.id}.{k + 1}"
            entries.append(_measure(name, point, scene))
    return tuple(entries)


def _measure(name: str, point: Floats, scene: Scene) -> SetOut:
    best: tuple[float, PlaneShape, Floats] | None = None
    for plane in scene.planes:
        foot = _foot(plane, point)
        if foot is None:
            continue
        distance = float(np.linalg.norm(point - foot))
        if distance <= ON_PLANE_M and (best is None or distance < best[0] - 1e-6):
            best = (distance, plane, foot)
    if best is None:
        return SetOut(name, point, "", 0.0, ())
    _, plane, foot = best
    up, left = slope_axes(plane)
    vectors = {"up": up, "down": -up, "left": left, "right": -left}
    tapes = [_tape(scene, plane, foot, direction, vectors[direction]) for direction in DIRECTIONS]
    above = float(point[2] - foot[2])
    return SetOut(name, point, plane.id, above, tuple(tape for tape in tapes if tape is not None))


def _foot(plane: PlaneShape, point: Floats) -> Floats | None:
    """Where the point stands on the plane, straight below it; a millimetre inside the outline.

    An anchor on a ridge stands on the outline itself: there a tape along the ridge would run on the
    outline, and rounding would decide what it meets.
    """
    rings = [ring[:, :2] for ring in plane.rings]
    inside = shapely.make_valid(shapely.Polygon(rings[0], rings[1:])).buffer(-INSIDE_M)
    if inside.is_empty:
        return None
    nearest = shapely.get_coordinates(shapely.ops.nearest_points(inside, shapely.Point(*point[:2]))[0])
    foot: Floats = plane.lift(nearest[:1])[0]
    return foot


def slope_axes(plane: PlaneShape) -> tuple[Floats, Floats]:
    """Unit vectors in the plane: up the slope, and level to the left seen looking up.

    On a plane without a slope "up" is square to its longest side, towards north rather than south.
    """
    normal = plane.normal
    across = np.array([-normal[1], normal[0], 0.0])
    if float(np.linalg.norm(across)) < 0.01:
        ring = plane.rings[0]
        sides = np.roll(ring, -1, axis=0) - ring
        longest = sides[int(np.argmax(np.round(np.linalg.norm(sides, axis=1), 6)))]
        level = longest / np.linalg.norm(longest)
        up = np.cross(normal, level)
        if up[1] < -1e-9 or (abs(up[1]) <= 1e-9 and up[0] < 0):
            up = -up
    else:
        level = across / np.linalg.norm(across)
        up = np.cross(level, normal)
        up = up if up[2] > 0 else -up
    up = up / np.linalg.norm(up)
    return up, np.cross(normal, up)


def _tape(scene: Scene, plane: PlaneShape, foot: Floats, direction: str, vector: Floats) -> Tape | None:
    flat = float(np.hypot(vector[0], vector[1]))
    if flat < 1e-9:
        return None
    ray = shapely.LineString([foot[:2], foot[:2] + vector[:2] / flat * FAR])
    rings = [shapely.LinearRing(ring[:, :2]) for ring in plane.rings]
    met = shapely.intersection(ray, shapely.multilinestrings(rings))
    points = shapely.get_coordinates(met)
    if not len(points):
        return None
    plan = np.linalg.norm(points - foot[:2], axis=1)
    # an anchor on the ridge itself measures nil upwards, which is worth saying
    nearest = float(plan.min())
    end = foot + vector * nearest / flat
    edge, kind = _edge_at(scene, plane, end)
    return Tape(direction, nearest / flat, nearest, end, edge, kind)


def _edge_at(scene: Scene, plane: PlaneShape, point: Floats) -> tuple[str, str]:
    """The edge of the result nearest to a point, if within 5 cm; of equals one of the plane's own."""
    best: tuple[float, int, str, str] | None = None
    for edge in scene.result["edges"]:
        points = np.asarray(edge["points"], dtype=np.float64) - scene.origin
        distance = min(_to_segment(point, a, b) for a, b in pairwise(points))
        own = 0 if plane.id in (edge.get("planes") or []) else 1
        key = (round(distance, 3), own, str(edge["id"]), str(edge["kind"]))
        if distance <= 0.05 and (best is None or key < best):
            best = key
    return ("", "") if best is None else (best[2], best[3])


def _to_segment(point: Floats, a: Floats, b: Floats) -> float:
    along = b - a
    t = float(np.clip((point - a) @ along / max(float(along @ along), 1e-12), 0.0, 1.0))
    return float(np.linalg.norm(a + t * along - point))
