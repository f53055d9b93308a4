"""The plan view of a sheet: to scale, with the heat map, edges by state, labels, scale bar."""

from __future__ import annotations

import numpy as np
import shapely

from roof3d.records import Floats
from roof3d.show.canvas import Canvas
from roof3d.show.cells import Patch, patterns, polygons
from roof3d.show.colours import (
    EDGE_STYLES,
    HAIR,
    INK,
    INNER,
    PAPER,
    ROPE,
    SOFT_INK,
    WALL,
    Rgb,
)
from roof3d.show.labels import Box, Places, has_text, needs_text, round_length
from roof3d.show.marks import (
    LABELLED,
    ROPES,
    Project,
    Traced,
    anchor_marks,
    edge_order,
    north_arrow,
    number_mark,
    pieces_of,
    rest_mark,
)
from roof3d.show.scene import Scene, Stretch
from roof3d.show.words import Texts
from roof3d.units import System, format_angle, format_length


def plan_panel(
    canvas: Canvas,
    box: Box,
    scene: Scene,
    coloured: tuple[Patch, ...],
    traced: Traced,
    texts: Texts,
    units: System,
    unit: float,
) -> None:
    """The plan view inside ``box``, with labels, scale bar and the direction of +y."""
    left, top, right, bottom = box
    canvas.box(left, top, right - left, bottom - top, PAPER, HAIR)
    low, high = scene.bounds()
    pad = np.array([262.0, 120.0] if scene.worst else [90.0, 90.0]) * unit  # room for labels
    foot = 70 * unit  # room for scale bar and caption
    span = np.maximum((high - low)[:2], 0.5)
    scale = min((right - left - 2 * pad[0]) / span[0], (bottom - top - 2 * pad[1] - foot) / span[1])
    middle = (low + high)[:2] / 2
    centre = np.array([(left + right) / 2, (top + bottom - foot) / 2])

    def project(points: Floats) -> Floats:
        relative = np.atleast_2d(points)[:, :2] - middle
        pixels: Floats = centre + relative * [scale, -scale]
        return pixels

    for corners in tops(scene):
        canvas.polygon([project(corners)], WALL)
    for patch in coloured:
        for polygon in polygons(patch.area):
            rings = [np.asarray(polygon.exterior.coords)] + [np.asarray(r.coords) for r in polygon.interiors]
            canvas.polygon([project(ring) for ring in rings], patch.colour)
        for colour, width, lines in patterns(patch, 15 * unit / scale):
            for line in lines:
                canvas.line(project(line), colour, 2.0 * unit * width)
    _inner_edges(canvas, scene, project, unit)
    # on a large roof edges get thinner, or they would hide the planes between them
    thin = unit * float(np.clip(scale / (22 * unit), 0.5, 1.0))
    for stretch in edge_order(scene):
        ends = project(np.array([stretch.start, stretch.end]))
        style = EDGE_STYLES.get(stretch.state, EDGE_STYLES["short"])
        canvas.edge(ends[0], ends[1], stretch.outward * [1, -1], style, thin)
    places = Places((left + 6 * unit, top + 6 * unit, right - 6 * unit, bottom - foot))
    places.take((right - 120 * unit, top, right, top + 150 * unit))
    for stretch in scene.stretches:
        ends = project(np.array([stretch.start, stretch.end]))
        places.take_line(ends[0], ends[1], 9 * unit)
    for mark in scene.anchors:
        for at in project(mark.points):
            places.take((at[0] - 30 * unit, at[1] - 30 * unit, at[0] + 30 * unit, at[1] + 30 * unit))
    for path in traced.values():
        for piece in pieces_of(path):
            ends = project(piece)
            places.take_line(ends[0], ends[1], 4 * unit)
    _ropes(canvas, scene, traced, project, unit)
    anchor_marks(canvas, scene.anchors, project, unit, [True] * len(scene.anchors))
    _planes(canvas, scene, places, project, scale, unit)
    _plan_labels(canvas, scene, places, project, scale, texts, units, unit)
    _scale_bar(canvas, left + 30 * unit, bottom - 34 * unit, scale, units, unit, (right - left) / 4)
    north_arrow(canvas, right - 62 * unit, top + 84 * unit, np.array([0.0, -1.0]), texts, unit)
    caption = texts("picture.plan_view")
    canvas.text(right - 24 * unit, bottom - 22 * unit, caption, 21 * unit, SOFT_INK, anchor="rs")


def tops(scene: Scene) -> Floats:
    """Triangles (n, 3, 3) of what is no roof plane and is seen from above: chimneys, copings, slabs."""
    if not len(scene.triangles):
        return np.zeros((0, 3, 3))
    corners = scene.vertices[scene.triangles]
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    size = np.maximum(np.linalg.norm(normal, axis=1), 1e-12)
    floor = -np.inf if scene.ground is None else scene.ground + 0.5
    shown: Floats = corners[(np.abs(normal[:, 2]) / size > 0.05) & (corners[:, :, 2].mean(axis=1) > floor)]
    return shown


def _inner_edges(canvas: Canvas, scene: Scene, project: Project, unit: float) -> None:
    for _, kind, points in scene.inner:
        # what sheds water outwards is drawn in one stroke, what collects it in strokes and dots
        dash = (18 * unit, 7 * unit, 4 * unit, 7 * unit) if kind == "valley" else ()
        canvas.line(project(points), PAPER, 5 * unit)
        canvas.line(project(points), INNER, 2.6 * unit, dash)


def _ropes(canvas: Canvas, scene: Scene, traced: Traced, project: Project, unit: float) -> None:
    for stretch in scene.worst[:ROPES]:
        path = traced.get(stretch.number)
        if path is not None:
            canvas.line(project(path), PAPER, 5 * unit)
            canvas.line(project(path), ROPE, 2.4 * unit, (3 * unit, 6 * unit))
    for stretch in scene.worst[:LABELLED]:
        rest = stretch.figures.get("rest_point")
        if rest is not None:
            at = project(np.asarray(rest, dtype=np.float64) - scene.origin)[0]
            rest_mark(canvas, at, EDGE_STYLES.get(stretch.state, EDGE_STYLES["short"]).colour, unit)


def _planes(
    canvas: Canvas, scene: Scene, places: Places, project: Project, scale: float, unit: float
) -> None:
    """An arrow down the slope with the plane's name and pitch, where the plane is wide enough."""

    for plane in scene.planes:
        outline = shapely.Polygon(plane.rings[0][:, :2]).buffer(0)
        spot = outline if outline.is_empty else shapely.maximum_inscribed_circle(outline, tolerance=0.05)
        if outline.is_empty or spot.length * scale < 20 * unit:
            continue
        at = project(np.asarray(spot.coords)[:1])[0]
        roomy = spot.length * scale > 46 * unit
        text = f"{plane.id}  {format_angle(plane.pitch_deg)}" if roomy else plane.id
        w, h = canvas.text_size(text, 20 * unit)
        box = (at[0] - w / 2 - 4, at[1] - h / 2, at[0] + w / 2 + 4, at[1] + h / 2)
        if places.cost(box) > 0.3 * w * h:
            continue
        places.take(box)
        if roomy and np.isfinite(plane.azimuth_deg) and plane.pitch_deg > 0.5:
            bearing = np.radians(plane.azimuth_deg)
            down = np.array([np.sin(bearing), -np.cos(bearing)])
            tail = at + down * (abs(down[0]) * w / 2 + 18 * unit)
            tip = tail + down * 34 * unit
            side = np.array([-down[1], down[0]])
            head = np.array(
                [tip - down * 12 * unit + side * 8 * unit, tip, tip - down * 12 * unit - side * 8 * unit]
            )
            for colour, width in ((PAPER, 7 * unit), (SOFT_INK, 2.6 * unit)):
                canvas.line(np.array([tail, tip]), colour, width)
                canvas.line(head, colour, width)
        canvas.text(at[0], at[1], text, 20 * unit, INK, anchor="mm", halo=PAPER)


def _plan_labels(
    canvas: Canvas,
    scene: Scene,
    places: Places,
    project: Project,
    scale: float,
    texts: Texts,
    units: System,
    unit: float,
) -> None:
    placed: list[tuple[Stretch, Rgb, list[str], Box]] = []
    size = 21 * unit
    for stretch in scene.worst[:LABELLED]:
        style = EDGE_STYLES.get(stretch.state, EDGE_STYLES["short"])
        lines = [needs_text(stretch, texts, units), has_text(stretch, texts, units)]
        width = max(canvas.text_size(line, size, k == 0)[0] for k, line in enumerate(lines))
        box_size = (width + 54 * unit, 60 * unit)
        at = project(stretch.middle)[0]
        outward = stretch.outward * np.array([1.0, -1.0])
        along = np.array([-outward[1], outward[0]])
        box, cost = places.find(at, along, outward, stretch.length * scale, box_size, 26 * unit)
        if cost > 0.12 * box_size[0] * box_size[1]:
            lines = []  # no room for words: the number leads to the table
            box, _ = places.find(
                at, along, outward, stretch.length * scale, (40 * unit, 40 * unit), 22 * unit
            )
        places.take(box, 6.0)
        foot = np.clip(at, [box[0], box[1]], [box[2], box[3]])
        canvas.line(np.array([at, foot]), style.colour, 2 * unit)
        placed.append((stretch, style.colour, lines, box))
    for stretch, colour, lines, box in placed:
        badge = np.array([box[0] + (22 if lines else 20) * unit, (box[1] + box[3]) / 2])
        if lines:
            canvas.box(box[0], box[1], box[2] - box[0], box[3] - box[1], PAPER, colour)
            for k, line in enumerate(lines):
                y = box[1] + (16 + 27 * k) * unit
                canvas.text(box[0] + 46 * unit, y, line, size, INK, k == 0, anchor="lm")
        number_mark(canvas, badge, stretch.number, colour, unit)


def _scale_bar(
    canvas: Canvas, x: float, y: float, scale: float, units: System, unit: float, longest: float
) -> None:
    length = round_length(longest / scale, units)
    pixels = length * scale
    for k in range(4):
        canvas.box(x + pixels * k / 4, y, pixels / 4, 9 * unit, INK if k % 2 == 0 else PAPER, INK)
    for k in (0, 2, 4):
        text = "0" if k == 0 else format_length(length * k / 4, units, decimals=2).replace(".00", "")
        text = text.replace(' 0"', "")
        canvas.text(x + pixels * k / 4, y - 6 * unit, text, 19 * unit, INK, anchor="ls" if k == 0 else "ms")
