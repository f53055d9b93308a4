"""The oblique view of a sheet: the building in space, its worst drops beside it."""

from __future__ import annotations

from typing import Any

import numpy as np

from roof3d.records import Floats
from roof3d.show import render3d
from roof3d.show.canvas import Canvas
from roof3d.show.cells import Patch
from roof3d.show.colours import (
    EDGE_STYLES,
    HAIR,
    INK,
    PAPER,
    SOFT_INK,
    Rgb,
)
from roof3d.show.labels import Box, Places, has_text, length_text, needs_text
from roof3d.show.marks import (
    LABELLED,
    ROPES,
    Project,
    Traced,
    anchor_marks,
    beside,
    drop_place,
    north_arrow,
    number_mark,
    rest_place,
    take_anchors,
)
from roof3d.show.scene import Scene, Stretch
from roof3d.show.solid import solid_of
from roof3d.show.words import Texts
from roof3d.units import System

SKY: Rgb = (246, 248, 250)
MOST_SMALLER = 1.35  # times that the roof may get smaller for the ground to be seen


def choose_bearing(scene: Scene) -> float:
    """Compass bearing, of eight, from which the worst stretches face the viewer most squarely."""
    best, best_score = 202.5, 0.0
    # the worst drop has to face the viewer, or the building hides it
    facing = _drop_faces(scene)
    for bearing in (202.5, 157.5, 247.5, 112.5, 292.5, 67.5, 337.5, 22.5):
        towards = np.array([np.sin(np.radians(bearing)), np.cos(np.radians(bearing))])
        score = sum(max(0.0, float(s.outward @ towards)) / s.number for s in scene.worst[:LABELLED])
        if facing is not None:
            score += 2.0 * min(0.5, float(facing @ towards))
        if score > best_score + 1e-6:
            best, best_score = bearing, score
    return best


def _drop_faces(scene: Scene) -> Floats | None:
    """Outward direction (2,) of the edge where the drop of the worst stretch is drawn."""
    place = drop_place(scene.worst[0], scene) if scene.worst else None
    if place is None:
        return None

    def away(stretch: Stretch) -> float:
        run = stretch.end - stretch.start
        t = float(np.clip((place - stretch.start) @ run / max(float(run @ run), 1e-12), 0.0, 1.0))
        return float(np.linalg.norm(stretch.start + t * run - place))

    return min(scene.stretches, key=lambda s: (round(away(s), 3), s.edge, s.from_m)).outward


def oblique_panel(
    canvas: Canvas,
    box: Box,
    scene: Scene,
    coloured: tuple[Patch, ...],
    traced: Traced,
    texts: Texts,
    units: System,
    unit: float,
    most: int = LABELLED,
) -> str:
    """The 3D view inside ``box``; returns why there is none, or "" where there is."""
    left, top, right, bottom = (round(v) for v in box)
    bearing = choose_bearing(scene)
    view, cut = fit_view(scene, right - left, bottom - top, bearing, unit)
    drawn = render3d.render(
        solid_of(scene, coloured, traced, view.metres_per_pixel * unit),
        _scaled(view, 2),
        SKY,
    )
    if isinstance(drawn, str):
        canvas.box(left, top, right - left, bottom - top, PAPER, HAIR)
        message = texts("picture.view3d_missing", reason=drawn)
        for k, line in enumerate(canvas.wrap(message, 21 * unit, right - left - 60 * unit)):
            canvas.text(left + 30 * unit, top + (30 + 30 * k) * unit, line, 21 * unit, SOFT_INK)
        return drawn
    image, depth = drawn
    from PIL import Image

    canvas.image.paste(Image.fromarray(image.astype(np.uint8)), (left * 2, top * 2))
    canvas.box(left, top, right - left, bottom - top, None, HAIR)
    offset = np.array([left, top], dtype=np.float64)

    def project(points: Floats) -> Floats:
        return view.project(points) + offset

    # edges are drawn as bars that stand out before what they mark
    near = 0.25 + 14 * unit * view.metres_per_pixel

    def visible(point: Floats) -> bool:
        x, y = (int(v * 2) for v in view.project(point)[0])
        if not (0 <= y < depth.shape[0] and 0 <= x < depth.shape[1]):
            return False
        return bool(depth[y, x] <= view.depth(point)[0] + near)

    places = Places((left + 4.0, top + 4.0, right - 4.0, bottom - 40.0 * unit))
    places.take((right - 130 * unit, top, right, top + 150 * unit))
    places.take((right - 560 * unit, bottom - 50 * unit, right, bottom))
    names = take_anchors(canvas, scene.anchors, project, unit, places)
    shown = []
    for stretch in scene.worst[:most]:
        place = drop_place(stretch, scene)
        if place is not None and visible(place + np.array([0.0, 0.0, 0.2])):
            shown.append(stretch)
    words = _drop_bar(canvas, shown[0], scene, project, texts, units, unit, places) if shown else []
    seen = [all(visible(p) for p in mark.points[[0, -1]]) for mark in scene.anchors]
    marks = []
    for stretch in scene.worst[:most]:
        # an edge behind its own low upstand still counts as seen
        if not visible(stretch.middle) and not visible(stretch.middle + np.array([0.0, 0.0, 0.4])):
            continue
        style = EDGE_STYLES.get(stretch.state, EDGE_STYLES["short"])
        at = project(stretch.middle)[0]
        towards = project(stretch.middle + np.append(stretch.outward, 0.0))[0] - at
        length = float(np.linalg.norm(towards))
        out = towards / length if length > 1e-6 else np.array([0.0, 1.0])
        # a little further out, or aside, where the first place is taken
        half = 21 * unit
        across = np.array([-out[1], out[0]])
        spots = [
            at + (out * reach + across * aside) * unit
            for reach in (46, 86, -46, 126)
            for aside in (0, 46, -46, 92, -92)
        ]
        boxes = [(p[0] - half, p[1] - half, p[0] + half, p[1] + half) for p in spots]
        costs = [
            places.cost(b) + 0.5 * unit * float(np.linalg.norm(p - at))
            for b, p in zip(boxes, spots, strict=True)
        ]
        best = int(np.argmin(np.round(costs, 3)))
        places.take(boxes[best], 4.0)
        marks.append((stretch.number, style.colour, at, spots[best]))
    for _, colour, at, spot in marks:
        canvas.line(np.array([at, spot]), PAPER, 4 * unit)
        canvas.line(np.array([at, spot]), colour, 2 * unit)
    anchor_marks(canvas, scene.anchors, project, unit, seen, names)
    for number, colour, _, spot in reversed(marks):
        number_mark(canvas, spot, number, colour, unit)
    for text, colour, x, y in words:
        canvas.text(x, y, text, 21 * unit, colour, True, "lm", PAPER)
    side = ("n", "ne", "e", "se", "s", "sw", "w", "nw")[round(bearing / 45 - 0.01) % 8]
    caption = texts("picture.view3d_cut" if cut else "picture.view3d", side=texts(f"side.{side}"))
    canvas.text(right - 24 * unit, bottom - 22 * unit, caption, 21 * unit, SOFT_INK, anchor="rs")
    north = np.array([view.right[1], -view.up[1]])
    north = north / max(float(np.linalg.norm(north)), 1e-9)
    north_arrow(canvas, right - 88 * unit, top + 84 * unit, north, texts, unit)
    return ""


def fit_view(
    scene: Scene, width: int, height: int, bearing: float, unit: float
) -> tuple[render3d.View, bool]:
    """A view from ``bearing`` of roof, worst drops and ground; without the ground, and then True, where
    a tall building would make the roof small."""
    right, up, towards = render3d.look_from(bearing, 32.0)
    low, high = scene.bounds()
    points = [low, high, [low[0], high[1], high[2]], [high[0], low[1], high[2]], [low[0], low[1], high[2]]]
    points += [[high[0], high[1], low[2]], [low[0], high[1], low[2]], [high[0], low[1], low[2]]]
    for stretch in scene.worst[:ROPES]:
        needed = stretch.figures.get("clearance_required_m") or 0.0
        place = drop_place(stretch, scene)
        points.append(rest_place(stretch, scene) if place is None else place - [0, 0, needed])
    pad = 85 * unit

    def fitted(seen: list[Any]) -> render3d.View:
        corners = np.asarray(seen, dtype=np.float64)
        x, y = corners @ right, corners @ up
        size = max(float(np.ptp(x)) / (width - 2 * pad), float(np.ptp(y)) / (height - 2 * pad), 1e-3)
        centre = right * (x.min() + x.max()) / 2 + up * (y.min() + y.max()) / 2
        return render3d.View(right, up, towards, centre, size, width, height)

    near = fitted(points)
    if scene.ground is None:
        return near, False
    floor = [[x, y, scene.ground] for x in (low[0], high[0]) for y in (low[1], high[1])]
    whole = fitted([*points, *floor])
    cut = whole.metres_per_pixel > MOST_SMALLER * near.metres_per_pixel
    return (near, True) if cut else (whole, False)


def _scaled(view: render3d.View, factor: int) -> render3d.View:
    return render3d.View(
        view.right,
        view.up,
        view.towards,
        view.centre,
        view.metres_per_pixel / factor,
        view.width * factor,
        view.height * factor,
    )


def _drop_bar(
    canvas: Canvas,
    stretch: Stretch,
    scene: Scene,
    project: Project,
    texts: Texts,
    units: System,
    unit: float,
    places: Places,
) -> list[tuple[str, Rgb, float, float]]:
    """Where the clearance of a stretch is worst: what is there (full line), what is needed (cross bar).

    Returns the words beside it with their places, to be drawn on top of all.
    """
    at = drop_place(stretch, scene)
    has, needs = (stretch.figures.get(f"clearance_{k}_m") for k in ("available", "required"))
    if at is None or has is None or needs is None:
        return []
    style = EDGE_STYLES.get(stretch.state, EDGE_STYLES["short"])
    head, floor, foot = project(np.array([at, at - [0, 0, has], at - [0, 0, needs]]))
    for width, colour in ((9 * unit, PAPER), (4 * unit, INK)):
        canvas.line(np.array([head, floor]), colour, width)
    bar = np.array([20 * unit, 0.0])
    if needs > has:
        canvas.line(np.array([floor, foot]), PAPER, 9 * unit)
        canvas.line(np.array([floor, foot]), style.colour, 5 * unit, (9 * unit, 7 * unit))
    for end, colour in ((floor, INK), (foot, style.colour)):
        canvas.line(np.array([end - bar, end + bar]), PAPER, 9 * unit)
        canvas.line(np.array([end - bar, end + bar]), colour, 5 * unit)
    places.take_line(head, floor if needs <= has else foot, 14 * unit)
    size = 21 * unit
    needs_words = needs_text(stretch, texts, units)
    if needs > has:
        needs_words += f", {texts('picture.lacks', value=length_text(needs - has, units, 'up'))}"
    words = []
    for text, colour, place in (
        (f"({stretch.number}) {needs_words}", style.colour, foot),
        (f"({stretch.number}) {has_text(stretch, texts, units)}", INK, (head + floor) / 2),
    ):
        words.append((text, colour, *beside(canvas, place, 30 * unit, text, size, places)))
    return words
