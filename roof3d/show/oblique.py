"""The oblique view of a sheet: the building in space, its worst drops beside it."""

from __future__ import annotations

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
    drop_point,
    north_arrow,
    number_mark,
)
from roof3d.show.scene import Scene
from roof3d.show.solid import solid_of
from roof3d.show.words import Texts
from roof3d.units import System

SKY: Rgb = (246, 248, 250)


def choose_bearing(scene: Scene) -> float:
    """Compass bearing, of eight, from which the worst stretches face the viewer most squarely."""
    best, best_score = 202.5, 0.0
    for bearing in (202.5, 157.5, 247.5, 112.5, 292.5, 67.5, 337.5, 22.5):
        towards = np.array([np.sin(np.radians(bearing)), np.cos(np.radians(bearing))])
        score = sum(max(0.0, float(s.outward @ towards)) / s.number for s in scene.worst[:LABELLED])
        if score > best_score + 1e-6:
            best, best_score = bearing, score
    return best


def oblique_panel(
    canvas: Canvas,
    box: Box,
    scene: Scene,
    coloured: tuple[Patch, ...],
    traced: Traced,
    texts: Texts,
    units: System,
    unit: float,
) -> str:
    """The 3D view inside ``box``; returns why there is none, or "" where there is."""
    left, top, right, bottom = (round(v) for v in box)
    view = fit_view(scene, right - left, bottom - top, choose_bearing(scene), unit)
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

    def visible(point: Floats) -> bool:
        x, y = (int(v * 2) for v in view.project(point)[0])
        if not (0 <= y < depth.shape[0] and 0 <= x < depth.shape[1]):
            return False
        return bool(depth[y, x] <= view.depth(point)[0] + 0.25)

    places = Places((left + 4.0, top + 4.0, right - 4.0, bottom - 40.0 * unit))
    _drop_bars(canvas, scene, project, texts, units, unit, right - 16 * unit, places)
    seen = [all(visible(p) for p in mark.points[[0, -1]]) for mark in scene.anchors]
    anchor_marks(canvas, scene.anchors, project, unit, seen)
    for stretch in reversed(scene.worst[:LABELLED]):
        # an edge behind its own low upstand still counts as seen
        if not visible(stretch.middle) and not visible(stretch.middle + np.array([0.0, 0.0, 0.4])):
            continue
        style = EDGE_STYLES.get(stretch.state, EDGE_STYLES["short"])
        at = project(stretch.middle)[0]
        towards = project(stretch.middle + np.append(stretch.outward, 0.0))[0] - at
        length = float(np.linalg.norm(towards))
        out = towards / length if length > 1e-6 else np.array([0.0, 1.0])
        # a little further out where the first place is taken
        half = 19 * unit
        spots = [at + out * reach * unit for reach in (46, 86, 126, -46)]
        costs = [places.cost((p[0] - half, p[1] - half, p[0] + half, p[1] + half)) for p in spots]
        spot = spots[int(np.argmin(np.round(costs, 3)))]
        canvas.line(np.array([at, spot]), style.colour, 2 * unit)
        number_mark(canvas, spot, stretch.number, style.colour, unit)
        places.take((spot[0] - half, spot[1] - half, spot[0] + half, spot[1] + half), 2.0)
    side = ("n", "ne", "e", "se", "s", "sw", "w", "nw")[round(choose_bearing(scene) / 45 - 0.01) % 8]
    caption = texts("picture.view3d", side=texts(f"side.{side}"))
    canvas.text(right - 24 * unit, bottom - 22 * unit, caption, 21 * unit, SOFT_INK, anchor="rs")
    north = np.array([view.right[1], -view.up[1]])
    north = north / max(float(np.linalg.norm(north)), 1e-9)
    north_arrow(canvas, right - 62 * unit, top + 84 * unit, north, texts, unit)
    return ""


def fit_view(scene: Scene, width: int, height: int, bearing: float, unit: float) -> render3d.View:
    """A view from ``bearing`` that shows roof, walls near it, and the worst drops."""
    right, up, towards = render3d.look_from(bearing, 32.0)
    low, high = scene.bounds()
    points = [low, high, [low[0], high[1], high[2]], [high[0], low[1], high[2]], [low[0], low[1], high[2]]]
    points += [[high[0], high[1], low[2]], [low[0], high[1], low[2]], [high[0], low[1], low[2]]]
    ground = scene.ground
    if ground is not None:
        points += [[x, y, ground] for x in (low[0], high[0]) for y in (low[1], high[1])]
    for stretch in scene.worst[:ROPES]:
        needed = stretch.figures.get("clearance_required_m") or 0.0
        points.append(drop_point(stretch, scene) - [0, 0, needed])
    corners = np.asarray(points, dtype=np.float64)
    x, y = corners @ right, corners @ up
    pad = 85 * unit
    size = max(float(np.ptp(x)) / (width - 2 * pad), float(np.ptp(y)) / (height - 2 * pad), 1e-3)
    centre = right * (x.min() + x.max()) / 2 + up * (y.min() + y.max()) / 2
    return render3d.View(right, up, towards, centre, size, width, height)


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


def _drop_bars(
    canvas: Canvas,
    scene: Scene,
    project: Project,
    texts: Texts,
    units: System,
    unit: float,
    limit: float,
    places: Places,
) -> None:
    """Beside the worst drops: what is there (full line) and what is needed (to the cross bar)."""
    for stretch in scene.worst[:1]:
        has, needs = (stretch.figures.get(f"clearance_{k}_m") for k in ("available", "required"))
        if has is None or needs is None:
            continue
        style = EDGE_STYLES.get(stretch.state, EDGE_STYLES["short"])
        at = drop_point(stretch, scene)
        head, floor, foot = project(np.array([at, at - [0, 0, has], at - [0, 0, needs]]))
        for width, colour in ((9 * unit, PAPER), (4 * unit, INK)):
            canvas.line(np.array([head, floor]), colour, width)
        bar = np.array([20 * unit, 0.0])
        canvas.line(np.array([floor - bar, floor + bar]), PAPER, 9 * unit)
        canvas.line(np.array([floor - bar, floor + bar]), INK, 4 * unit)
        if needs > has:
            canvas.line(np.array([floor, foot]), PAPER, 9 * unit)
            canvas.line(np.array([floor, foot]), style.colour, 5 * unit, (9 * unit, 7 * unit))
        canvas.line(np.array([foot - bar, foot + bar]), PAPER, 9 * unit)
        canvas.line(np.array([foot - bar, foot + bar]), style.colour, 5 * unit)
        size = 21 * unit
        has_at = (head + floor) / 2
        beside(canvas, has_at, 16 * unit, has_text(stretch, texts, units), size, INK, limit, places)
        words = needs_text(stretch, texts, units)
        if needs > has:
            lacking = length_text(needs - has, units, "up")
            words += f", {texts('picture.lacks', value=lacking)}"
        beside(canvas, foot, 28 * unit, words, size, style.colour, limit, places)
