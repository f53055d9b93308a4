"""Marks that both views of a sheet use: anchors, numbers, rest points, north, words beside a point."""

from __future__ import annotations

from collections.abc import Callable

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

LABELLED = 12  # stretches that get a label; the table and the result hold the rest
ROPES = 3  # of the worst stretches, to which the rope is drawn

Project = Callable[[Floats], Floats]
Traced = dict[int, Floats]  # number of a stretch -> path of the rope, local


def edge_order(scene: Scene) -> list[Stretch]:
    """Stretches in the order of drawing: the worst last, on top."""
    order = ["beyond", "guarded", "held", "unassessed", "arrest", "swing", "short"]
    return sorted(
        scene.stretches, key=lambda s: (order.index(s.state) if s.state in order else 9, s.edge, s.from_m)
    )


def drop_point(stretch: Stretch, scene: Scene) -> Floats:
    """Where the drop of a stretch is drawn: its rest point, else its middle."""
    rest = stretch.figures.get("rest_point")
    return stretch.middle if rest is None else np.asarray(rest, dtype=np.float64) - scene.origin


def pieces_of(points: Floats) -> list[Floats]:
    pairs = [points[k : k + 2] for k in range(len(points) - 1)]
    return [pair for pair in pairs if float(np.linalg.norm(pair[1] - pair[0])) > 1e-6]


def anchor_marks(
    canvas: Canvas, marks: tuple[AnchorMark, ...], project: Project, unit: float, seen: list[bool]
) -> None:
    for mark, visible in zip(marks, seen, strict=True):
        pixels = project(mark.points)
        if len(pixels) > 1:
            canvas.line(pixels, PAPER, 11 * unit)
            canvas.line(pixels, ANCHOR, 5.5 * unit)
            canvas.line(pixels, PAPER, 1.8 * unit)
        ends = {0, len(pixels) - 1}
        for k, at in enumerate(pixels):
            if k in ends:
                canvas.disc(at, 17 * unit, PAPER)
                canvas.disc(at, 14 * unit, ANCHOR if visible else PAPER, ANCHOR, 3 * unit)
                canvas.disc(at, 6 * unit, PAPER if visible else ANCHOR)
            else:
                canvas.box(at[0] - 9 * unit, at[1] - 9 * unit, 18 * unit, 18 * unit, ANCHOR, PAPER)
        at = pixels[0]
        canvas.text(
            at[0] + 20 * unit, at[1] - 18 * unit, mark.id[:16], 24 * unit, INK, True, anchor="ls", halo=PAPER
        )


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
    name = tip + direction * 18 * unit
    canvas.text(name[0], name[1], texts("picture.north"), 19 * unit, INK, True, anchor="mm", halo=PAPER)


def beside(
    canvas: Canvas, at: Floats, gap: float, text: str, size: float, colour: Rgb, limit: float, places: Places
) -> None:
    """Text to the right of a point, or to its left where it would pass ``limit``; its place is taken."""
    width = canvas.text_size(text, size, True)[0]
    if at[0] + gap + width <= limit:
        canvas.text(at[0] + gap, at[1], text, size, colour, True, "lm", PAPER)
        left = at[0] + gap
    else:
        canvas.text(at[0] - gap, at[1], text, size, colour, True, "rm", PAPER)
        left = at[0] - gap - width
    places.take((left, at[1] - size * 0.7, left + width, at[1] + size * 0.7), 4.0)
