"""What meets each stretch of a roof plane's boundary: another plane, a wall that rises, or nothing."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import shapely
from shapely.geometry import Polygon

from roof3d.edges.surfaces import Surfaces
from roof3d.planes import walls
from roof3d.planes.grow import OFFSET
from roof3d.planes.segments import touching_segments
from roof3d.records import Facet, Floats, Ints

MEET = 0.05  # m, gap up to which two planes' boundaries count as one edge
MEET_ROUGH = 0.15  # m, likewise where both planes were fitted to scattered points
SHORT = 0.02  # m, stretches below are counted to their neighbour
PROTECTS = 1.0  # m, least height of an upstand that keeps a person from going over
BEYOND = (0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.8, 1.0, 1.25, 1.5)  # m, places looked at behind an upstand
STEP = 0.30  # m, how much lower the surface behind an upstand must lie to be a drop
TIP = 0.12  # m, unmatched stretches up to this length where a wall tapers to nothing are no gaps
COURTYARD = 30.0  # m2, holes larger than this are courtyards, with eaves of their own


@dataclass(frozen=True, eq=False)
class Stretch:
    """Part of one side of one ring with one neighbour."""

    facet: int
    ring: int
    start: Floats  # (3,)
    end: Floats
    meets: str  # plane, ground, wall, low, nothing
    partner: int  # row of the facet it is shared with, else -1
    gap: float = 0.0
    rise: float = 0.0  # m, of a low upstand
    doubt: str = ""


@dataclass(frozen=True, eq=False)
class Sides:
    """All sides of all rings: rows are in ring order."""

    start: Floats
    end: Floats
    facet: Ints
    ring: Ints


def sides_of(facets: list[Facet], rows: list[int]) -> Sides:
    """Sides of the rings of the facets in ``rows``."""
    start: list[Floats] = []
    end: list[Floats] = []
    facet: list[int] = []
    ring: list[int] = []
    for row in rows:
        for number, points in enumerate(facets[row].rings):
            start.append(points)
            end.append(np.roll(points, -1, axis=0))
            facet += [row] * len(points)
            ring += [number] * len(points)
    none = np.zeros((0, 3))
    return Sides(
        np.vstack([none, *start]),
        np.vstack([none, *end]),
        np.array(facet, dtype=np.int64),
        np.array(ring, dtype=np.int64),
    )


def stretches(facets: list[Facet], standing: walls.Walls, surfaces: Surfaces) -> list[Stretch]:
    """Every stretch of boundary of every roof plane, in ring order."""
    roofs = [row for row, facet in enumerate(facets) if facet.kind == "roof"]
    grounds = [row for row, facet in enumerate(facets) if facet.kind == "ground"]
    sides = sides_of(facets, roofs)
    others = sides_of(facets, roofs + grounds)
    i, j, interval, gap = touching_segments(
        sides.start, sides.end, sides.facet, MEET_ROUGH, SHORT, (others.start, others.end, others.facet)
    )
    rough = np.array([facet.fit_m > OFFSET for facet in facets], dtype=bool)
    both = rough[sides.facet[i]] & rough[others.facet[j]]
    close = gap <= np.where(both, MEET_ROUGH, MEET)
    i, j, interval, gap = i[close], j[close], interval[close], gap[close]
    shared: list[list[tuple[float, float, float, int]]] = [[] for _ in sides.start]
    for one, two, (low, high), width in zip(
        i.tolist(), j.tolist(), interval.tolist(), gap.tolist(), strict=True
    ):
        shared[one].append((low, high, width, int(others.facet[two])))
    soffits = sides_of(facets, [row for row, facet in enumerate(facets) if facet.kind == "underside"])
    i, j, interval, _ = touching_segments(
        sides.start, sides.end, sides.facet, MEET, SHORT, (soffits.start, soffits.end, soffits.facet)
    )
    under: list[list[tuple[float, float]]] = [[] for _ in sides.start]
    for one, (low, high) in zip(i.tolist(), interval.tolist(), strict=True):
        under[one].append((low, high))
    near = walls.candidates(standing, sides.start, sides.end)
    found: list[Stretch] = []
    for row in range(len(sides.start)):
        found.extend(_side(facets, sides, row, shared[row], under[row], near[row], standing, surfaces))
    return found


def _side(
    facets: list[Facet],
    sides: Sides,
    row: int,
    shared: list[tuple[float, float, float, int]],
    under: list[tuple[float, float]],
    near: list[int],
    standing: walls.Walls,
    surfaces: Surfaces,
) -> list[Stretch]:
    start, end = sides.start[row], sides.end[row]
    length = float(np.linalg.norm(end - start))
    axis = (end - start) / length
    none = np.zeros((0, 2))
    low_walls = walls.along(standing, near, start, end, walls.PROBE) if near else none
    high_walls = walls.along(standing, near, start, end, PROTECTS) if near and len(low_walls) else none
    marks = [0.0, length]
    for begin, finish, _, _ in shared:
        marks += [begin, finish]
    for begin, finish in under:
        marks += [begin, finish]
    marks += [*low_walls.ravel().tolist(), *high_walls.ravel().tolist()]
    cuts = [0.0]
    for mark in sorted(mark for mark in marks if SHORT < mark < length - SHORT):
        if mark - cuts[-1] > SHORT:
            cuts.append(mark)
    cuts.append(length)
    found: list[Stretch] = []
    for begin, finish in pairwise(cuts):
        middle = 0.5 * (begin + finish)
        partners = [(width, facets[p].kind != "roof", p) for lo, hi, width, p in shared if lo <= middle <= hi]
        one, two = start + begin * axis, start + finish * axis
        base = {"facet": int(sides.facet[row]), "ring": int(sides.ring[row]), "start": one, "end": two}
        rises = _inside(low_walls, middle)
        if partners:
            width, is_ground, partner = min(partners, key=lambda item: (item[1], round(item[0], 3), item[2]))
            meets = "ground" if is_ground else "plane"
            found.append(Stretch(**base, meets=meets, partner=partner, gap=width))
        elif rises and _inside(high_walls, middle):
            found.append(Stretch(**base, meets="wall", partner=-1))
        elif rises:
            rise = _rise(standing, near, start, end, middle)
            meets = "low" if surfaces.drops_behind(one, two, BEYOND, STEP) else "wall"
            found.append(Stretch(**base, meets=meets, partner=-1, rise=rise))
        elif finish - begin <= TIP and not surfaces.drops_behind(one, two, BEYOND[:2], 0.1):
            found.append(Stretch(**base, meets="wall", partner=-1))
        elif any(lo <= middle <= hi for lo, hi in under) and not surfaces.drops_behind(
            one, two, BEYOND[:2], 0.1
        ):
            # the underside of something that covers the plane starts here and rises outward
            found.append(Stretch(**base, meets="wall", partner=-1))
        elif surfaces.goes_on(one, two, facets[int(sides.facet[row])], BEYOND[:2]):
            found.append(Stretch(**base, meets="wall", partner=-1))
        else:
            doubt = ""
            if not surfaces.drops_behind(one, two, BEYOND[:2], 0.1):
                doubt = "a surface as high or higher follows, but no face joins it to this edge"
            found.append(Stretch(**base, meets="nothing", partner=-1, doubt=doubt))
    return found


def _inside(intervals: Floats, at: float) -> bool:
    return bool(((intervals[:, 0] <= at) & (intervals[:, 1] >= at)).any()) if len(intervals) else False


def _rise(standing: walls.Walls, near: list[int], start: Floats, end: Floats, at: float) -> float:
    """Height to which the wall rises at one place, to 5 cm, below the protective height."""
    rise = walls.PROBE
    for lift in np.arange(0.1, PROTECTS, 0.05):
        if not _inside(walls.along(standing, near, start, end, float(lift)), at):
            break
        rise = float(lift)
    return rise


def hole_area(facet: Facet, ring: int) -> float:
    """Plan area of a hole."""
    return float(Polygon(facet.rings[ring][:, :2]).area)


def plan_shape(facet: Facet) -> Polygon:
    """Plan view of a facet."""
    shape = Polygon(facet.rings[0][:, :2], [ring[:, :2] for ring in facet.rings[1:]])
    return shape if shape.is_valid else shapely.make_valid(shape)
