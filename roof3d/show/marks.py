"""Marks that both views of a sheet use: anchors, numbers, rest points, north, words beside a point."""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise

import numpy as np

from roof3d.records import Floats
from roof3d.show.canvas import Canvas
from roof3d.show.colours import (
    ANCHOR,
    INK,
    PAPER,
    Rgb,
)
from roof3d.show.labels import Places
from roof3d.show.scene import AnchorMark, Scene, Stretch
from roof3d.show.words import Texts

LABELLED = 12  # stretches that get a label where no table has fewer rows
NAME = 16  # characters of an anchor's name that are drawn
ROPES = 3  # of the worst stretches, to which the rope is drawn

Project = Callable[[Floats], Floats]
Traced = dict[int, Floats]  # number of a stretch -> path of the rope, local


def edge_order(scene: Scene) -> list[Stretch]:
    """Stretches in the order of drawing: the worst last, on top."""
    order = ["beyond", "guarded", "held", "unassessed", "arrest", "swing", "short"]
    return sorted(
        scene.stretches, key=lambda s: (order.index(s.state) if s.state in order else 9, s.edge, s.from_m)
    )


def rest_place(stretch: Stretch, scene: Scene) -> Floats:
    """Where the rope of a stretch comes to rest, else its middle."""
    rest = stretch.figures.get("rest_point")
    return stretch.middle if rest is None else np.asarray(rest, dtype=np.float64) - scene.origin


def drop_place(stretch: Stretch, scene: Scene) -> Floats | None:
    """Where the clearance of a stretch is as tight as its figures say; None where that is not told."""
    place = stretch.figures.get("clearance_point")
    return None if place is None else np.asarray(place, dtype=np.float64) - scene.origin


def pieces_of(points: Floats) -> list[Floats]:
    pairs = [points[k : k + 2] for k in range(len(points) - 1)]
    return [pair for pair in pairs if float(np.linalg.norm(pair[1] - pair[0])) > 1e-6]


def anchor_marks(
    canvas: Canvas,
    marks: tuple[AnchorMark, ...],
    project: Project,
    unit: float,
    seen: list[bool],
    names: list[Floats],
) -> None:
    """Anchors, hollow where they are hidden, and their names with lower left ends at ``names``."""
    for mark, visible in zip(marks, seen, strict=True):
        pixels, line = project(mark.points), project(mark.lies)
        if len(line) > 1:
            canvas.line(line, PAPER, 11 * unit)
            canvas.line(line, ANCHOR, 5.5 * unit)
            canvas.line(line, PAPER, 1.8 * unit)
        ends = {0, len(pixels) - 1}
        for k, at in enumerate(pixels):
            if k in ends:
                canvas.disc(at, 17 * unit, PAPER)
                canvas.disc(at, 14 * unit, ANCHOR if visible else PAPER, ANCHOR, 3 * unit)
                canvas.disc(at, 6 * unit, PAPER if visible else ANCHOR)
            else:
                canvas.box(at[0] - 9 * unit, at[1] - 9 * unit, 18 * unit, 18 * unit, ANCHOR, PAPER)
    for mark, at in zip(marks, names, strict=True):
        canvas.text(at[0], at[1], mark.id[:NAME], 24 * unit, INK, True, anchor="ls", halo=PAPER)


def take_anchors(
    canvas: Canvas, marks: tuple[AnchorMark, ...], project: Project, unit: float, places: Places
) -> list[Floats]:
    """Marks the room of anchors as used; returns where their names go (lower left ends), clear of them."""
    half, size = 20 * unit, 24 * unit
    for mark in marks:
        pixels = project(mark.points)
        for x, y in pixels:
            places.take((x - half, y - half, x + half, y + half), 4.0)
        for a, b in pairwise(project(mark.lies)):
            places.take_line(a, b, 6 * unit)
    names: list[Floats] = []
    for mark in marks:
        at = project(mark.points)[0]
        width = canvas.text_size(mark.id[:NAME], size, True)[0]
        left, right = -20 * unit - width, 20 * unit
        best: tuple[float, Floats] | None = None
        for dx, dy in (
            (right, -18),
            (right, 36),
            (left, -18),
            (left, 36),
            (-width / 2, -24),
            (-width / 2, 44),
        ):
            place = at + np.array([dx, dy * unit])
            cost = places.cost((place[0], place[1] - size, place[0] + width, place[1] + 2 * unit))
            # nothing but a plain piece of roof under it: good enough
            cost = 0.0 if cost <= 0.35 * width * size else cost
            if best is None or cost < best[0]:
                best = (cost, place)
        assert best is not None
        x, y = best[1]
        places.take((x, y - size, x + width, y + 2 * unit), 4.0)
        names.append(best[1])
    return names


def rest_mark(canvas: Canvas, at: Floats, colour: Rgb, unit: float) -> None:
    """A diamond: where the rope comes to rest."""
    for size, fill in ((17, PAPER), (13, colour), (5, PAPER)):
        shape = np.array([[0, -1], [1, 0], [0, 1], [-1, 0]], dtype=float) * size * unit + at
        canvas.polygon([shape], fill)


def number_mark(canvas: Canvas, at: Floats, number: int, colour: Rgb, unit: float) -> None:
    """A number in a disc of a state's colour: the row of the table."""
    canvas.disc(at, 19 * unit, PAPER)
    canvas.disc(at, 17 * unit, colour)
    canvas.text(at[0], at[1], str(number), (20 if number < 100 else 15) * unit, PAPER, True, anchor="mm")


def north_arrow(canvas: Canvas, x: float, y: float, direction: Floats, texts: Texts, unit: float) -> None:
    """An arrow in the direction (2,) of the model's +y, named at its tip."""
    at = np.array([x, y])
    side = np.array([-direction[1], direction[0]])
    tip, tail = at + direction * 36 * unit, at - direction * 34 * unit
    canvas.line(np.array([tail, at]), INK, 4 * unit)
    head = np.array(
        [tip, at - direction * 4 * unit + side * 15 * unit, at - direction * 4 * unit - side * 15 * unit]
    )
    canvas.polygon([head], INK)
    name = tip + direction * np.array([26, 18]) * unit
    canvas.text(name[0], name[1], texts("picture.north"), 19 * unit, INK, True, anchor="mm", halo=PAPER)


def beside(
    canvas: Canvas, at: Floats, gap: float, text: str, size: float, places: Places
) -> tuple[float, float]:
    """Where a text beside a point has most room, as its left end and middle height; its place is taken."""
    width, half = canvas.text_size(text, size, True)[0], size * 0.75
    best: tuple[float, float, float] | None = None
    for lift in (0.0, -1.4, 1.4, -2.8, 2.8):
        for left in (at[0] + gap, at[0] - gap - width):
            y = at[1] + lift * size
            cost = places.cost((left, y - half, left + width, y + half)) + abs(lift) * size
            if best is None or cost < best[0] - 1e-6:
                best = (cost, left, y)
    assert best is not None
    _, left, y = best
    places.take((left - 4, y - half, left + width + 4, y + half), 4.0)
    return left, y
