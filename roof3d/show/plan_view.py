"""The plan view of a sheet: to scale, with the heat map, edges by state, labels, scale bar."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely

from roof3d.records import Floats
from roof3d.show.canvas import Canvas
from roof3d.show.cells import Patch, patterns, polygons
from roof3d.show.colours import (
    EDGE_STYLES,
    GROUND,
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
    rest_place,
    take_anchors,
)
from roof3d.show.scene import PlaneShape, Scene
from roof3d.show.words import Texts
from roof3d.units import System, format_angle, format_length

MUCH_LARGER = 1.5
LEADER = 130  # longest line from a stretch to words about it; else its number stands alone


def plan_panel(
    canvas: Canvas,
    box: Box,
    scene: Scene,
    coloured: tuple[Patch, ...],
    traced: Traced,
    texts: Texts,
    units: System,
    unit: float,
    most: int = LABELLED,
) -> None:
    """The plan view inside ``box``, with the ``most`` worst places, scale bar and direction of +y."""
    left, top, right, bottom = box
    canvas.box(left, top, right - left, bottom - top, PAPER, HAIR)
    low, high = scene.bounds()
    foot = 70 * unit  # room for scale bar and caption
    span = np.maximum((high - low)[:2], 0.5)

    def fitting(pad_x: float, pad_y: float) -> float:
        room = (right - left - 2 * pad_x * unit, bottom - top - 2 * pad_y * unit - foot)
        return float(min(room[0] / span[0], room[1] / span[1]))

    # labels beside the roof, or only above and below it where that makes it much larger
    beside, above = fitting(262.0, 120.0), fitting(120.0, 200.0)
    scale = (above if above > MUCH_LARGER * beside else beside) if scene.worst else fitting(90.0, 90.0)
    middle = (low + high)[:2] / 2
    centre = np.array([(left + right) / 2, (top + bottom - foot) / 2])

    def project(points: Floats) -> Floats:
        relative = np.atleast_2d(points)[:, :2] - middle
        pixels: Floats = centre + relative * [scale, -scale]
        return pixels

    frame = shapely.box(left + 1, top + 1, right - 1, bottom - 1)
    for corners, colour in tops(scene):
        # terrain reaches beyond the frame
        for part in polygons(shapely.intersection(shapely.Polygon(project(corners)).buffer(0), frame)):
            canvas.polygon([np.asarray(part.exterior.coords)], colour)
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
    _take_roof(places, scene, project, unit)
    for stretch in scene.stretches:
        ends = project(np.array([stretch.start, stretch.end]))
        places.take_line(ends[0], ends[1], 9 * unit)
    names = take_anchors(canvas, scene.anchors, project, unit, places)
    for path in traced.values():
        for piece in pieces_of(path):
            ends = project(piece)
            places.take_line(ends[0], ends[1], 4 * unit)
    _ropes(canvas, scene, traced, project, unit, places, most)
    named = _place_names(canvas, scene, places, project, scale, unit)
    labels = _place_labels(canvas, scene, places, project, scale, texts, units, unit, most)
    for label in labels:
        foot_at = np.clip(label.at, label.box[:2], label.box[2:])
        canvas.line(np.array([label.at, foot_at]), PAPER, 4 * unit)
        canvas.line(np.array([label.at, foot_at]), label.colour, 2 * unit)
    for plane, at, text in named:
        _draw_name(canvas, plane, at, text, unit)
    anchor_marks(canvas, scene.anchors, project, unit, [True] * len(scene.anchors), names)
    for label in labels:
        _draw_label(canvas, label, unit)
    _scale_bar(canvas, left + 30 * unit, bottom - 34 * unit, scale, units, unit, (right - left) / 4)
    north_arrow(canvas, right - 62 * unit, top + 84 * unit, np.array([0.0, -1.0]), texts, unit)
    caption = texts("picture.plan_view")
    canvas.text(right - 24 * unit, bottom - 22 * unit, caption, 21 * unit, SOFT_INK, anchor="rs")


def tops(scene: Scene) -> list[tuple[Floats, Rgb]]:
    """Triangles (3, 3) of what is no roof plane and is seen from above, with their colours.

    Sloping ground, palely, for it is not the subject; chimneys, copings, slabs.
    """
    if not len(scene.triangles):
        return []
    corners = scene.vertices[scene.triangles]
    earth = np.zeros(len(corners), dtype=bool)
    earth[list(scene.earth)] = True
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    size = np.maximum(np.linalg.norm(normal, axis=1), 1e-12)
    floor = -np.inf if scene.ground is None else scene.ground + 0.5
    shown = (np.abs(normal[:, 2]) / size > 0.05) & (corners[:, :, 2].mean(axis=1) > floor) & ~earth
    return [(c, GROUND) for c in corners[earth]] + [(c, WALL) for c in corners[shown]]


def _take_roof(places: Places, scene: Scene, project: Project, unit: float) -> None:
    """A little of a cost everywhere on the roof, so that labels stand beside it where there is room."""
    step = 30 * unit
    for plane in scene.planes:
        ring = project(plane.rings[0])
        outline = shapely.Polygon(ring).buffer(0)
        low_x, low_y, high_x, high_y = ring[:, 0].min(), ring[:, 1].min(), ring[:, 0].max(), ring[:, 1].max()
        x, y = np.meshgrid(np.arange(low_x, high_x, step), np.arange(low_y, high_y, step))
        middle = np.column_stack((x.ravel(), y.ravel())) + step / 2
        for px, py in middle[shapely.contains_xy(outline, middle)] if len(middle) else []:
            places.take((px - step / 2, py - step / 2, px + step / 2, py + step / 2), 0.25)


def _inner_edges(canvas: Canvas, scene: Scene, project: Project, unit: float) -> None:
    for _, kind, points in scene.inner:
        # what sheds water outwards is drawn in one stroke, what collects it in strokes and dots
        dash = (18 * unit, 7 * unit, 4 * unit, 7 * unit) if kind == "valley" else ()
        canvas.line(project(points), PAPER, 5 * unit)
        canvas.line(project(points), INNER, 2.6 * unit, dash)


def _ropes(
    canvas: Canvas, scene: Scene, traced: Traced, project: Project, unit: float, places: Places, most: int
) -> None:
    for stretch in scene.worst[:ROPES]:
        path = traced.get(stretch.number)
        if path is not None:
            canvas.line(project(path), PAPER, 5 * unit)
            canvas.line(project(path), ROPE, 2.4 * unit, (3 * unit, 6 * unit))
    marked: list[Floats] = []
    for stretch in scene.worst[:most]:
        if stretch.figures.get("rest_point") is None:
            continue
        at = project(rest_place(stretch, scene))[0]
        if any(float(np.linalg.norm(at - other)) < 24 * unit for other in marked):
            continue  # the marks would cover each other
        marked.append(at)
        rest_mark(canvas, at, EDGE_STYLES.get(stretch.state, EDGE_STYLES["short"]).colour, unit)
        places.take((at[0] - 17 * unit, at[1] - 17 * unit, at[0] + 17 * unit, at[1] + 17 * unit), 2.0)


def _place_names(
    canvas: Canvas, scene: Scene, places: Places, project: Project, scale: float, unit: float
) -> list[tuple[PlaneShape, Floats, str]]:
    """Where a plane is wide enough and free: its name and pitch, in its middle."""
    named = []
    for plane in scene.planes:
        outline = shapely.Polygon(plane.rings[0][:, :2]).buffer(0)
        spot = outline if outline.is_empty else shapely.maximum_inscribed_circle(outline, tolerance=0.05)
        if outline.is_empty or spot.length * scale < 20 * unit:
            continue
        middle = project(np.asarray(spot.coords)[:1])[0]
        radius = spot.length * scale
        for text in (f"{plane.id}  {format_angle(plane.pitch_deg)}", plane.id):
            w, h = canvas.text_size(text, 20 * unit)
            # the pitch comes with an arrow, which has to stay on the plane
            if w > 2.4 * radius or (text != plane.id and radius < 46 * unit):
                continue
            best = None
            for shift in ((0.0, 0.0), (0.0, -0.45), (0.0, 0.45), (-0.45, 0.0), (0.45, 0.0)):
                at = middle + np.array(shift) * radius
                box = (at[0] - w / 2 - 4, at[1] - h / 2, at[0] + w / 2 + 4, at[1] + h / 2)
                cost = places.cost(box)
                if best is None or cost < best[0] - 1e-6:
                    best = (cost, at, box)
            assert best is not None
            if best[0] <= 0.5 * w * h:  # the roof itself costs 0.25
                places.take(best[2], 2.0)
                named.append((plane, best[1], text))
                break
    return named


def _draw_name(canvas: Canvas, plane: PlaneShape, at: Floats, text: str, unit: float) -> None:
    """The name, and beside it an arrow down the slope where the pitch is told too."""
    if text != plane.id and np.isfinite(plane.azimuth_deg) and plane.pitch_deg > 0.5:
        w = canvas.text_size(text, 20 * unit)[0]
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


@dataclass(frozen=True, eq=False)
class Label:
    """A number beside its stretch, with words where there is room."""

    number: int
    at: Floats  # on the stretch
    colour: Rgb
    lines: tuple[str, ...]
    box: Box


def _place_labels(
    canvas: Canvas,
    scene: Scene,
    places: Places,
    project: Project,
    scale: float,
    texts: Texts,
    units: System,
    unit: float,
    most: int,
) -> list[Label]:
    """Words where they fit close by; else the number alone, which leads to the table."""
    placed = []
    size = 21 * unit
    for stretch in scene.worst[:most]:
        style = EDGE_STYLES.get(stretch.state, EDGE_STYLES["short"])
        lines: tuple[str, ...] = (needs_text(stretch, texts, units), has_text(stretch, texts, units))
        width = max(canvas.text_size(line, size, k == 0)[0] for k, line in enumerate(lines))
        room = (width + 54 * unit, 60 * unit)
        at = project(stretch.middle)[0]
        outward = stretch.outward * np.array([1.0, -1.0])
        along = np.array([-outward[1], outward[0]])
        run = stretch.length * scale
        box, cost = places.find(at, along, outward, run, room, 26 * unit, (1.0, 2.2, 3.6))
        far = float(np.linalg.norm(at - np.clip(at, box[:2], box[2:]))) > LEADER * unit
        if far or cost > 0.12 * room[0] * room[1]:
            lines = ()
            badge = (40 * unit, 40 * unit)
            outs = (1.0, 2.2, -1.0, 3.6, -2.2, 5.0)
            box, _ = places.find(at, along, outward, run, badge, 22 * unit, outs)
        places.take(box, 6.0)
        foot = np.clip(at, box[:2], box[2:])
        places.take_line(at, foot, 3 * unit)
        placed.append(Label(stretch.number, at, style.colour, lines, box))
    return placed


def _draw_label(canvas: Canvas, label: Label, unit: float) -> None:
    left, top, right, bottom = label.box
    badge = np.array([left + (24 * unit if label.lines else (right - left) / 2), (top + bottom) / 2])
    if label.lines:
        canvas.box(left, top, right - left, bottom - top, PAPER, label.colour)
        for k, line in enumerate(label.lines):
            y = top + (16 + 27 * k) * unit
            canvas.text(left + 46 * unit, y, line, 21 * unit, INK, k == 0, anchor="lm")
    number_mark(canvas, badge, label.number, label.colour, unit)


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
