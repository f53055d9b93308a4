"""The exposure grid as areas: cells of one kind and band joined, clipped to their planes, hatched."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely

from roof3d.records import Floats
from roof3d.show.canvas import dashes
from roof3d.show.colours import (
    EDGE_STYLES,
    HATCH,
    OUTSIDE,
    PLAIN,
    SAFE,
    SOFT_HATCH,
    UNSERVED,
    UNSURE,
    Rgb,
    Scale,
)
from roof3d.show.scene import CELL_KINDS, Cells, PlaneShape, Scene

Area = shapely.Polygon | shapely.MultiPolygon


@dataclass(frozen=True, eq=False)
class Patch:
    """A part of one roof plane with one colour. ``area`` is in plan, local frame."""

    plane: PlaneShape
    kind: str  # of scene.CELL_KINDS; "outside" its cells; "plain" where the result holds no grid
    band: int  # band of the scale where kind is "margin", else -1
    colour: Rgb
    area: shapely.Geometry
    hatched: bool  # a pattern over the colour: no anchor serves it, or nobody assessed it
    swings: bool = False  # another pattern: room or not, the swing is over its limit or strikes
    others: bool = False  # another: room or not, free fall, force or absorber is over its limit


def footprint(plane: PlaneShape) -> shapely.Geometry:
    """The plane's outline in plan with its holes, made valid."""
    rings = [ring[:, :2] for ring in plane.rings]
    return shapely.make_valid(shapely.Polygon(rings[0], rings[1:]))


def patches(scene: Scene, scale: Scale) -> tuple[Patch, ...]:
    """The coloured parts of all planes, lower planes first, so that higher ones are drawn over them."""
    colours = scale.colours()
    fixed = {"safe": SAFE, "unserved": UNSERVED, "unsure": UNSURE}
    squares = [] if scene.cells is None else _squares(scene.cells)
    made: list[Patch] = []
    for plane in sorted(scene.planes, key=lambda p: (float(p.rings[0][:, 2].mean()), p.id)):
        outline = footprint(plane)
        if scene.cells is None:
            made.append(Patch(plane, "plain", -1, PLAIN, outline, False))
            continue
        rest = outline
        own = np.array([name == plane.id for name in scene.cells.planes], dtype=bool)
        bands = scale.bands(scene.cells.margins)
        keys = [
            (kind, int(band) if kind == "margin" else -1, kind == "unsure" or not served, swings, others)
            for kind, band, served, swings, others in zip(
                scene.cells.kinds,
                bands,
                scene.cells.served,
                scene.cells.swings,
                scene.cells.others,
                strict=True,
            )
        ]
        # the worst first: where cells overlap the worse one is seen
        for key in sorted({keys[k] for k in np.flatnonzero(own)}, key=_badness):
            chosen = [squares[k] for k in np.flatnonzero(own) if keys[k] == key]
            area = shapely.intersection(shapely.union_all(chosen), rest)
            # snapping away slivers of float noise between neighbours
            area = shapely.make_valid(area)
            if area.area < 1e-6:
                continue
            rest = shapely.difference(rest, area)
            kind, band, hatched, swings, others = key
            colour = colours[band] if kind == "margin" else fixed[kind]
            made.append(Patch(plane, kind, band, colour, area, hatched, swings, others))
        if rest.area > 1e-4:
            made.append(Patch(plane, "outside", -1, OUTSIDE, rest, True))
    return tuple(made)


def _badness(key: tuple[str, int, bool, bool, bool]) -> tuple[int, int, bool, bool, bool]:
    return CELL_KINDS.index(key[0]), key[1], not key[2], not key[3], not key[4]


def _squares(cells: Cells) -> list[shapely.Geometry]:
    # a hair wider than the pitch of the grid, so that neighbours join without gaps
    half = cells.sizes / 2 + 1e-4
    x, y = cells.centres[:, 0], cells.centres[:, 1]
    return list(shapely.box(x - half, y - half, x + half, y + half))


def polygons(area: shapely.Geometry) -> list[shapely.Polygon]:
    """The polygons in any geometry, in a fixed order; lines and points are dropped."""
    parts = [part for part in shapely.get_parts(shapely.get_parts(area)) if part.geom_type == "Polygon"]
    return sorted((part for part in parts if part.area > 1e-7), key=lambda part: part.bounds)


def patterns(patch: Patch, spacing: float) -> list[tuple[Rgb, float, list[Floats]]]:
    """The patterns over a patch: colour, relative width and lines in plan; ``spacing`` in metres."""
    found: list[tuple[Rgb, float, list[Floats]]] = []
    if patch.hatched:
        colour, wide, angle = {"unsure": (HATCH, 1.0, -45.0), "outside": (SOFT_HATCH, 1.8, -45.0)}.get(
            patch.kind, (HATCH, 1.0, 45.0)
        )
        found.append((colour, 1.0, hatch_lines(patch.area, wide * spacing, angle)))
    if patch.swings:
        colour = EDGE_STYLES["swing"].colour
        rows = hatch_lines(patch.area, 2.0 * spacing, 0.0)
        found.append((colour, 1.3, [piece for row in rows for piece in dashes(row, (spacing, spacing))]))
    if patch.others:
        colour = EDGE_STYLES["short"].colour
        rows = hatch_lines(patch.area, 2.0 * spacing, 90.0)
        found.append((colour, 1.3, [piece for row in rows for piece in dashes(row, (spacing, spacing))]))
    return found


def hatch_lines(area: shapely.Geometry, spacing: float, angle_deg: float) -> list[Floats]:
    """Parallel lines over an area in plan, each (2, 2); the pattern is fixed in space, not to the area."""
    if area.is_empty:
        return []
    direction = np.array([np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))])
    across = np.array([-direction[1], direction[0]])
    low_x, low_y, high_x, high_y = area.bounds
    corners = np.array([[low_x, low_y], [low_x, high_y], [high_x, low_y], [high_x, high_y]])
    offsets, extents = corners @ across, corners @ direction
    first, last = np.ceil(offsets.min() / spacing), np.floor(offsets.max() / spacing)
    steps = np.arange(first, last + 1) * spacing
    if not len(steps):
        return []
    reach = np.array([extents.min() - 1.0, extents.max() + 1.0])
    ends = steps[:, None, None] * across + reach[None, :, None] * direction
    cut = shapely.intersection(shapely.linestrings(ends), area)
    lines = [
        np.asarray(part.coords, dtype=np.float64)
        for part in shapely.get_parts(shapely.get_parts(cut))
        if part.geom_type == "LineString" and part.length > 1e-6
    ]
    return sorted((line[[0, -1]] for line in lines), key=lambda line: tuple(line.ravel()))


def triangles_of(patch: Patch, lift_m: float = 0.0) -> Floats:
    """The patch as triangles in space, (k, 3, 3), lifted along the plane's normal."""
    parts: list[Floats] = []
    for polygon in polygons(patch.area):
        flat = shapely.constrained_delaunay_triangles(polygon)
        parts += [np.asarray(t.exterior.coords)[:3] for t in flat.geoms if t.area > 1e-12]
    if not parts:
        return np.zeros((0, 3, 3))
    corners = np.stack(parts)
    space = patch.plane.lift(corners.reshape(-1, 2)).reshape(-1, 3, 3)
    lifted: Floats = space + lift_m * patch.plane.normal
    return lifted
