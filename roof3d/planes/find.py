"""From a mesh to its facets: roof, wall, ground and underside."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import shapely
from shapely.geometry import Polygon
from shapely.geometry.base import BaseGeometry

from roof3d.planes import classify, exposure, walls
from roof3d.planes.adjacency import Adjacency, measure_triangles, shared_edges
from roof3d.planes.grow import OFFSET, Regions, fitted, grown, planar_regions, renumber
from roof3d.planes.jitter import LEAST as LEAST_SCATTER
from roof3d.planes.jitter import MOST as MOST_SCATTER
from roof3d.planes.jitter import jittered_regions, scatter_of
from roof3d.planes.moments import triangle_moments
from roof3d.planes.names import is_glass, is_ground
from roof3d.planes.noise import ROUGH, ROUGH_EDGES, NoiseReport, noisy_regions, too_rough
from roof3d.planes.outline import (
    STRAIGHT,
    Frame,
    frame_of,
    opened,
    outline,
    pieces,
    rings_in_space,
)
from roof3d.planes.rim import feet_inside, measure_rims
from roof3d.planes.straighten import meet_in_creases
from roof3d.records import Facet, Floats, Ints, Mesh

WAVY = 0.03  # m, sideways distance up to which corners of uneven planes are dropped


@dataclass(frozen=True, eq=False)
class Plane:
    """One planar region on its way to become facets."""

    triangles: Ints
    rim: Ints  # vertices on its border
    frame: Frame
    shape: BaseGeometry  # whole, in the frame's two coordinates
    steep: bool
    facing_down: bool  # in an oriented mesh
    fit: float
    rough: bool = False  # fitted to scattered points


@dataclass(frozen=True, eq=False)
class Part:
    """A piece of a plane with its kind."""

    plane: int
    shape: BaseGeometry
    kind: str


def find_facets(mesh: Mesh, *, grade: float | None = None) -> tuple[tuple[Facet, ...], tuple[str, ...]]:
    """Planar facets of a mesh, and what was left in doubt, one sentence each.

    Roof planes get ids P1, P2, ... by falling area (equal areas: by height, then y, then x of the
    centroid), all others F1, F2, ... likewise. Roof planes are limited to what is outside: parts hidden
    in other solids or under other surfaces are cut away. ``grade``, the local height of the ground where
    it is known, helps to tell ground from roof.
    """
    doubts: list[str] = []
    measures = measure_triangles(mesh)
    pairs = shared_edges(mesh.triangles, len(mesh.vertices))
    about = mesh.vertices.mean(axis=0)
    moments = triangle_moments(mesh.vertices[mesh.triangles], measures.area, about)
    scatter = scatter_of(mesh, measures, pairs)
    share = ROUGH
    if LEAST_SCATTER <= scatter <= MOST_SCATTER:
        label = jittered_regions(mesh, measures, moments, about, pairs, scatter)
        regions = fitted(mesh, measures, moments, about, label)
        share = ROUGH_EDGES
        if not too_rough(regions, share):
            joined = grown(mesh, regions, measures, moments, about, pairs, 4.0 * scatter)
            regions = fitted(mesh, measures, moments, about, renumber(joined))
            doubts.append(f"The vertices lie about {1000 * scatter:.0f} mm off their planes.")
    else:
        regions = planar_regions(mesh, measures, moments, about, pairs)
    report: NoiseReport | None = None
    if too_rough(regions, share):
        label, report = noisy_regions(mesh, measures, moments, about, pairs)
        regions = fitted(mesh, measures, moments, about, label)
        doubts.append(report.sentence())
    planes = _planes(mesh, regions, measures.area, pairs, report)
    parts, more = _parts(mesh, planes, grade)
    doubts.extend(more)
    return _facets(mesh, planes, parts), tuple(doubts)


def _planes(
    mesh: Mesh, regions: Regions, area: Floats, pairs: Adjacency, report: NoiseReport | None
) -> list[Plane]:
    sides = np.flatnonzero(pairs.border(regions.label))
    side_label = regions.label[sides % len(mesh.triangles)]
    sides = sides[np.argsort(side_label, kind="stable")]
    side_starts = np.searchsorted(np.sort(side_label), np.arange(len(regions.area) + 1))
    order = np.argsort(regions.label, kind="stable")
    starts = np.searchsorted(regions.label[order], np.arange(len(regions.area) + 1))
    found: list[Plane] = []
    rough: list[int] = []
    upright_below = float(np.cos(classify.WALL))
    for row in range(len(regions.area)):
        if report is not None and not report.planar[row]:
            continue  # loose triangles of a rough mesh are no planes
        rows = order[starts[row] : starts[row + 1]]
        normal, centroid = regions.normal[row], regions.centroid[row]
        steep = abs(float(normal[2])) < upright_below
        facing_down = False
        if not steep:
            told = float((area[rows] * mesh.oriented[rows]).sum()) > 0.5 * float(area[rows].sum())
            facing_down = told and bool(normal[2] < 0)
            if normal[2] < 0:
                normal = -normal
        frame = frame_of(normal, float(normal @ centroid), steep)
        corners = mesh.vertices[mesh.triangles[rows]].reshape(-1, 3)
        rim = sides[side_starts[row] : side_starts[row + 1]]
        ends = np.column_stack([pairs.low[rim], pairs.high[rim]])
        border = frame.flat(mesh.vertices[ends].reshape(-1, 3)).reshape(-1, 2, 2)
        shape = outline(frame.flat(corners).reshape(-1, 3, 2), border)
        if report is not None and not steep:
            shape = report.smooth(shape)
        if report is not None and not steep:
            rough.append(len(found))
        fit = float(np.abs(corners @ frame.normal - frame.offset).max())
        corner_rows = np.unique(ends)
        found.append(Plane(rows, corner_rows, frame, shape, steep, facing_down, fit, report is not None))
    if rough:
        met = meet_in_creases([found[row].frame for row in rough], [found[row].shape for row in rough])
        for row, shape in zip(rough, met, strict=True):
            found[row] = replace(found[row], shape=shape)
    return found


def _sheets(planes: list[Plane]) -> tuple[list[int], list[exposure.Sheet]]:
    rows = [row for row, plane in enumerate(planes) if not plane.steep and not plane.shape.is_empty]
    sheets = []
    for row in rows:
        plane = planes[row]
        centre = plane.shape.centroid
        priority = (
            float(plane.facing_down),
            -round(plane.shape.area, 3),
            round(centre.y, 3),
            round(centre.x, 3),
            row,
        )
        sheets.append(exposure.Sheet(plane.frame, plane.shape, priority))
    return rows, sheets


def _parts(mesh: Mesh, planes: list[Plane], grade: float | None) -> tuple[list[Part], list[str]]:
    doubts: list[str] = []
    rows, sheets = _sheets(planes)
    over = exposure.covers(sheets)
    twice, apart = exposure.doubled(sheets)
    if twice > 0:
        doubts.append(
            f"Surfaces of {twice:.0f} m2 in plan lie up to {1000 * apart:.0f} mm under others of the same "
            "outline that face the same way: the model may hold a roof twice. The upper one is taken."
        )
    seen: list[Part] = []
    hidden: list[Part] = []
    for row, sheet, above in zip(rows, sheets, over, strict=True):
        shapes, _ = exposure.visible(sheet, above, mesh.vertices, mesh.triangles, planes[row].triangles)
        seen.extend(Part(row, shape, "roof") for shape in shapes)
        rest = sheet.shape
        if shapes:
            rest = opened(rest.difference(shapely.union_all(np.array(shapes, dtype=object))), exposure.EDGE)
        hidden.extend(Part(row, shape, "underside") for shape in pieces(rest))
    standing = _walls(planes)
    kinds, more = _kinds(mesh, planes, seen, standing, grade)
    doubts.extend(more)
    seen = [replace(part, kind=kind) for part, kind in zip(seen, kinds, strict=True)]
    upright = [
        Part(row, shape, "wall")
        for row, plane in enumerate(planes)
        if plane.steep
        for shape in pieces(plane.shape)
    ]
    return seen + hidden + upright, doubts


def _walls(planes: list[Plane]) -> walls.Walls:
    rows = [row for row, plane in enumerate(planes) if plane.steep and not plane.shape.is_empty]
    boxes = np.zeros((len(rows), 4))
    for at, row in enumerate(rows):
        plane = planes[row]
        corners = plane.frame.lift(shapely.get_coordinates(plane.shape))
        boxes[at] = [*corners[:, :2].min(axis=0), *corners[:, :2].max(axis=0)]
    return walls.walls_of([planes[r].frame for r in rows], [planes[r].shape for r in rows], boxes, rows)


def _kinds(
    mesh: Mesh, planes: list[Plane], seen: list[Part], standing: walls.Walls, grade: float | None
) -> tuple[list[str], list[str]]:
    """Roof, ground, or wall for each exposed part, and what was decided in doubt."""
    frames = [planes[part.plane].frame for part in seen]
    shapes = [part.shape for part in seen]
    names = [_names(mesh, planes[part.plane].triangles) for part in seen]
    rims = measure_rims(frames, shapes, standing)
    exposed = classify.Exposed(
        shapes=shapes,
        area=np.array([shape.area * frame.stretch for shape, frame in zip(shapes, frames, strict=True)]),
        pitch=np.array([np.arccos(min(1.0, abs(float(frame.normal[2])))) for frame in frames]),
        named=[bool(found) and all(is_ground(name) for name in found) for found in names],
        fragile=[bool(found) and all(is_glass(name) for name in found) for found in names],
        rough=[planes[part.plane].rough for part in seen],
        rims=rims,
        feet=rims.up + feet_inside(frames, shapes, standing),
    )
    kinds, ground, doubtful = classify.name_exposed(exposed, grade)
    doubts: list[str] = []
    if ground:
        doubts.append(
            f"{_extent(mesh, exposed, ground)} is taken to be the ground, not a roof: it is the lowest "
            "surface, and a building stands on it."
        )
    if doubtful:
        doubts.append(
            f"{_extent(mesh, exposed, doubtful)} carries a building and might be a block of terrain; it is "
            "taken to be a roof. State the height of the ground (grade) to have it taken as ground."
        )
    return kinds, doubts


def _names(mesh: Mesh, triangles: Ints) -> list[str]:
    """Names of the parts that triangles come from."""
    return [mesh.part_names[part] for part in np.unique(mesh.parts[triangles]).tolist()]


def _extent(mesh: Mesh, exposed: classify.Exposed, rows: list[int]) -> str:
    low = float(exposed.rims.low[rows].min() + mesh.origin[2])
    high = float(exposed.rims.high[rows].max() + mesh.origin[2])
    area = sum(exposed.shapes[row].area for row in rows)
    return f"A surface of {area:.0f} m2 in plan at heights from {low:.2f} to {high:.2f} m"


def _facets(mesh: Mesh, planes: list[Plane], parts: list[Part]) -> tuple[Facet, ...]:
    made: list[Facet] = []
    by_plane: dict[int, list[int]] = {}
    for row, part in enumerate(parts):
        by_plane.setdefault(part.plane, []).append(row)
    for plane_row, rows in by_plane.items():
        plane = planes[plane_row]
        home = np.zeros(len(plane.triangles), dtype=np.int64)
        if len(rows) > 1:
            middle = mesh.vertices[mesh.triangles[plane.triangles]].mean(axis=1)
            points = shapely.points(plane.frame.flat(middle))
            gap = np.stack([shapely.distance(parts[row].shape, points) for row in rows])
            home = np.argmin(gap, axis=0)
        vertices = mesh.vertices[plane.rim]
        for at, row in enumerate(rows):
            facet = _facet(plane, parts[row], plane.triangles[home == at], vertices)
            if facet is not None:
                made.append(facet)
    roof = sorted((f for f in made if f.kind == "roof"), key=_order)
    rest = sorted((f for f in made if f.kind != "roof"), key=lambda f: (_KINDS.index(f.kind), *_order(f)))
    named = [replace(f, id=f"P{row}") for row, f in enumerate(roof, 1)]
    return tuple(named + [replace(f, id=f"F{row}") for row, f in enumerate(rest, 1)])


_KINDS = ["ground", "wall", "underside"]


def _order(facet: Facet) -> tuple[float, ...]:
    x, y, z = facet.centroid
    return (
        -round(facet.area_m2, 2),
        round(float(z), 2),
        round(float(y), 2),
        round(float(x), 2),
        round(float(facet.normal[0]), 3),
    )


def _facet(plane: Plane, part: Part, triangles: Ints, vertices: Floats) -> Facet | None:
    frame = plane.frame
    shape = part.shape
    if shape.geom_type != "Polygon":
        shape = max(pieces(shape), key=lambda piece: piece.area, default=Polygon())
    if shape.is_empty:
        return None
    straight = float(np.clip(0.5 * plane.fit, STRAIGHT, WAVY))  # no straighter than its vertices are
    rings = rings_in_space(shape, frame, vertices, max(OFFSET, plane.fit), straight)
    if not rings:
        return None
    normal, offset = frame.normal, frame.offset
    if part.kind == "underside" and plane.facing_down:
        normal, offset = -normal, -offset
        rings = tuple(np.ascontiguousarray(ring[::-1]) for ring in rings)
    centre = frame.lift(np.array([shape.centroid.coords[0]]))[0]
    pitch = float(np.degrees(np.arctan2(np.hypot(frame.normal[0], frame.normal[1]), abs(frame.normal[2]))))
    down = frame.normal[:2] if frame.normal[2] >= 0 else -frame.normal[:2]
    azimuth = float(np.degrees(np.arctan2(down[0], down[1])) % 360.0) if pitch > 0.05 else float("nan")
    return Facet(
        id="",
        kind=part.kind,
        normal=normal,
        offset=offset,
        triangles=np.sort(triangles),
        rings=rings,
        area_m2=float(shape.area) * frame.stretch,
        pitch_deg=pitch,
        azimuth_deg=azimuth,
        centroid=centre,
        fit_m=plane.fit,
    )
