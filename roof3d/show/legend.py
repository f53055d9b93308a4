"""Legend and table of a sheet: every colour, pattern and mark in words, with units."""

from __future__ import annotations

import numpy as np
import shapely

from roof3d.records import Floats
from roof3d.show.broken import state_text
from roof3d.show.canvas import Canvas
from roof3d.show.cells import hatch_lines
from roof3d.show.colours import (
    ANCHOR,
    BANDS_A_SIDE,
    EDGE_STYLES,
    HAIR,
    HATCH,
    INK,
    INNER,
    OUTSIDE,
    PAPER,
    ROPE,
    SAFE,
    SOFT_HATCH,
    SOFT_INK,
    UNSERVED,
    UNSURE,
    Rgb,
    Scale,
)
from roof3d.show.labels import DASH, Box, length_text, margin_text, place_text
from roof3d.show.marks import number_mark, rest_mark
from roof3d.show.scene import Scene
from roof3d.show.words import Texts
from roof3d.units import System

RIGHT = np.array([0.0, 1.0])
TABLE_ROWS = 8


def legend_panel(
    canvas: Canvas,
    box: Box,
    scene: Scene,
    scale: Scale,
    kinds: set[str],
    rope: str,
    texts: Texts,
    units: System,
    unit: float,
) -> None:
    """The legend in ``box``: what the sheet shows, and all states, so that none is a riddle.

    ``kinds`` are those of the patches shown, ``rope`` is the text for the ropes drawn: "", "rope" or
    "rope_traced". Where the box is too low for all of it the legend gets smaller; nothing is left out.
    """
    left, top, right, bottom = box
    for _ in range(6):
        # drawn on nothing, to learn its height
        needed = _entries(Canvas(1, 1), box, scene, scale, kinds, rope, texts, units, unit) - top
        if needed <= bottom - top:
            break
        unit *= max(0.7, 0.98 * (bottom - top) / needed)
    canvas.box(left, top, right - left, bottom - top, PAPER, HAIR)
    _entries(canvas, box, scene, scale, kinds, rope, texts, units, unit)


def _entries(
    canvas: Canvas,
    box: Box,
    scene: Scene,
    scale: Scale,
    kinds: set[str],
    rope: str,
    texts: Texts,
    units: System,
    unit: float,
) -> float:
    """Draws the entries; returns where they end."""
    left, top, right, _ = box
    x, y, width = left + 20 * unit, top + 22 * unit, right - left - 40 * unit

    def heading(text: str) -> None:
        nonlocal y
        for part in canvas.wrap(text, 22 * unit, width, True):
            canvas.text(x, y, part, 22 * unit, INK, True)
            y += 29 * unit
        y += 6 * unit

    def words(text: str, at: float) -> None:
        nonlocal y
        lines = canvas.wrap(text, 20 * unit, width - at)
        first = y + (16 if len(lines) == 1 else 3) * unit
        for k, line in enumerate(lines):
            anchor = "lm" if len(lines) == 1 else "la"
            canvas.text(x + at, first + 25 * k * unit, line, 20 * unit, INK, anchor=anchor)
        y += max(38 * unit, (25 * len(lines) + 10) * unit)

    if scene.cells is None:
        for part in canvas.wrap(texts("picture.no_grid"), 20 * unit, width):
            canvas.text(x, y, part, 20 * unit, INK)
            y += 27 * unit
        y += 14 * unit
    else:
        heading(texts("picture.heat"))
        y = _scale_key(canvas, x, y, width, scale, texts, units, unit)
        swatches: list[tuple[str, Rgb, Rgb | None, float]] = [
            ("safe", SAFE, None, 0.0),
            ("unserved", UNSERVED, HATCH, 45.0),
        ]
        if "unsure" in kinds:
            swatches.append(("unsure", UNSURE, HATCH, -45.0))
        if "outside" in kinds:
            swatches.append(("outside", OUTSIDE, SOFT_HATCH, -45.0))
        for name, colour, lines, angle in swatches:
            _swatch(canvas, x, y + 3 * unit, 54 * unit, 27 * unit, colour, lines, angle, unit)
            words(texts(f"picture.{name}"), 70 * unit)
        if any(scene.cells.swings):
            _swatch(canvas, x, y + 3 * unit, 54 * unit, 27 * unit, PAPER, None, 0.0, unit)
            for row in (10.0, 23.0):
                line = np.array([[x + 5 * unit, y + row * unit], [x + 50 * unit, y + row * unit]])
                canvas.line(line, EDGE_STYLES["swing"].colour, 2.6 * unit, (9 * unit, 9 * unit))
            words(texts("picture.swings"), 70 * unit)
        if any(scene.cells.others):
            _swatch(canvas, x, y + 3 * unit, 54 * unit, 27 * unit, PAPER, None, 0.0, unit)
            for column in (12.0, 27.0, 42.0):
                line = np.array([[x + column * unit, y + 5 * unit], [x + column * unit, y + 28 * unit]])
                canvas.line(line, EDGE_STYLES["short"].colour, 2.6 * unit, (9 * unit, 7 * unit))
            words(texts("picture.others"), 70 * unit)
    y += 8 * unit
    heading(texts("picture.edges" if scene.anchors else "picture.edges_plain"))
    shown = {stretch.state for stretch in scene.stretches}
    for state, style in EDGE_STYLES.items():
        # with anchors all states, so that none is a riddle; without, only what is there
        if state not in shown and (state in ("unassessed", "guarded") or not scene.anchors):
            continue
        middle = y + 17 * unit
        start, end = np.array([x, middle]), np.array([x + 84 * unit, middle])
        canvas.edge(start, end, RIGHT, style, unit)
        words(texts(f"state.{state}"), 100 * unit)
    middle = y + 16 * unit
    canvas.line(np.array([[x, middle], [x + 84 * unit, middle]]), INNER, 2.6 * unit)
    words(texts("picture.inner"), 100 * unit)
    if not scene.anchors:
        return y
    y += 8 * unit
    heading(texts("picture.marks"))
    at = np.array([x + 42 * unit, y + 16 * unit])
    canvas.disc(at, 14 * unit, ANCHOR)
    canvas.disc(at, 6 * unit, PAPER)
    words(texts("picture.anchor"), 100 * unit)
    if any(mark.kind == "line" for mark in scene.anchors):
        middle = y + 16 * unit
        line = np.array([[x, middle], [x + 84 * unit, middle]])
        canvas.line(line, ANCHOR, 5.5 * unit)
        canvas.line(line, PAPER, 1.8 * unit)
        canvas.box(x + 33 * unit, middle - 9 * unit, 18 * unit, 18 * unit, ANCHOR, PAPER)
        words(texts("picture.anchor_line"), 100 * unit)
    if not scene.worst:
        return y
    colour = EDGE_STYLES.get(scene.worst[0].state, EDGE_STYLES["short"]).colour
    number_mark(canvas, np.array([x + 42 * unit, y + 16 * unit]), 1, colour, unit)
    words(texts("picture.worst_place"), 100 * unit)
    rest_mark(canvas, np.array([x + 42 * unit, y + 16 * unit]), colour, unit)
    words(texts("picture.rest"), 100 * unit)
    if rope:
        middle = y + 16 * unit
        line = np.array([[x, middle], [x + 84 * unit, middle]])
        canvas.line(line, ROPE, 2.4 * unit, (3 * unit, 6 * unit))
        words(texts(f"picture.{rope}"), 100 * unit)
    return y


def _scale_key(
    canvas: Canvas, x: float, y: float, width: float, scale: Scale, texts: Texts, units: System, unit: float
) -> float:
    """The bands of the heat map, the worst at the bottom, with their bounds; returns the next y."""
    colours, bounds = scale.colours(), scale.bounds()
    height = 30 * unit
    for words in canvas.wrap(texts(f"picture.heat_unit_{units}"), 18 * unit, width):
        canvas.text(x, y, words, 18 * unit, SOFT_INK)
        y += 23 * unit
    y += 7 * unit
    for row, band in enumerate(reversed(range(len(colours)))):
        top = y + row * height
        canvas.box(x, top, 84 * unit, height + 1, colours[band])
        if band == len(colours) - 1:
            text = texts("picture.at_least", value=_bound(bounds[-1], units))
        elif band == 0:
            text = texts("picture.at_most", value=_bound(bounds[0], units))
        else:
            text = f"{_bound(bounds[band - 1], units)} … {_bound(bounds[band], units)}"
        canvas.text(x + 100 * unit, top + height / 2, text, 20 * unit, INK, anchor="lm")
    nil = y + BANDS_A_SIDE * height
    canvas.line(np.array([[x - 8 * unit, nil], [x + width, nil]]), INK, 3 * unit)
    side = x + width
    canvas.text(side, nil - 8 * unit, texts("picture.heat_left"), 18 * unit, SOFT_INK, anchor="rs")
    canvas.text(side, nil + 8 * unit, texts("picture.heat_lacking"), 18 * unit, SOFT_INK, anchor="ra")
    return y + len(colours) * height + 12 * unit


def _bound(value: float, units: System) -> str:
    number = value / (0.3048 if units == "ft" else 1.0)
    return f"{number:+.2f}".replace("-", "−").replace("+0.00", "0") if number else "0"


def _swatch(
    canvas: Canvas,
    x: float,
    y: float,
    w: float,
    h: float,
    colour: Rgb,
    lines: Rgb | None,
    angle: float,
    unit: float,
) -> None:
    canvas.box(x, y, w, h, colour, HAIR)
    if lines is not None:
        # y runs down here
        for line in hatch_lines(shapely.box(x, y, x + w, y + h), 12 * unit, -angle):
            canvas.line(line, lines, 2 * unit)


def table_panel(canvas: Canvas, box: Box, scene: Scene, texts: Texts, units: System, unit: float) -> None:
    """The worst places, numbered as on the views."""
    left, top, right, bottom = box
    canvas.box(left, top, right - left, bottom - top, PAPER, HAIR)
    x, y = left + 20 * unit, top + 18 * unit
    heading = texts("picture.table" if scene.anchors else "picture.edge_table")
    canvas.text(x, y, heading, 22 * unit, INK, True)
    y += 38 * unit
    if not scene.anchors:
        _edge_summary(canvas, x, y, scene, texts, units, unit)
        return
    if not scene.worst:
        canvas.text(x, y, texts("picture.table_none"), 21 * unit, INK)
        return
    # column: key, share of the width, whether numbers stand right
    columns = (
        ("number", 0.05, False),
        ("place", 0.25, False),
        ("anchor", 0.065, False),
        ("breaks", 0.265, False),
        ("needs", 0.074, True),
        ("has", 0.074, True),
        ("margin", 0.074, True),
        ("free_fall", 0.074, True),
        ("swing", 0.074, True),
    )
    width = right - left - 40 * unit
    row_height = 31 * unit
    rows = TABLE_ROWS
    starts = [x + width * sum(c[1] for c in columns[:k]) for k in range(len(columns))]

    def cell(column: int, at: float, text: str, bold: bool = False, colour: Rgb = INK) -> None:
        _, share, numeric = columns[column]
        room = width * share - 14 * unit
        size = 20 * unit
        while size > 14 * unit and canvas.text_size(text, size, bold)[0] > room:
            size -= unit
        text = canvas.fit(text, size, room, bold)
        edge = starts[column] + (room if numeric else 0)
        canvas.text(edge, at, text, size, colour, bold, anchor="rm" if numeric else "lm")

    for k, (name, _, _) in enumerate(columns):
        cell(k, y + 10 * unit, texts(f"picture.col_{name}"), False, SOFT_INK)
    y += 32 * unit
    for stretch in scene.worst[:rows]:
        style = EDGE_STYLES.get(stretch.state, EDGE_STYLES["short"])
        middle = y + row_height / 2
        canvas.line(np.array([[x, y], [right - 20 * unit, y]]), HAIR, 1 * unit)
        _small_number(canvas, np.array([x + 18 * unit, middle]), stretch.number, style.colour, unit)
        swing = stretch.figures.get("swing_drop_m")
        entries = (
            "",
            place_text(stretch, texts, units),
            stretch.anchor,
            state_text(stretch, scene, texts),
            length_text(stretch.figures.get("clearance_required_m"), units, "up"),
            length_text(stretch.figures.get("clearance_available_m"), units, "down"),
            margin_text(stretch, units),
            length_text(stretch.figures.get("free_fall_m"), units, "up"),
            DASH if swing is None else length_text(swing, units, "up"),
        )
        for k, entry in enumerate(entries):
            if entry:
                cell(k, middle, entry, bold=k == 6)
        y += row_height
    if len(scene.worst) > rows:
        text = texts("picture.more_rows", count=len(scene.worst) - rows)
        canvas.text(x, y + 16 * unit, text, 20 * unit, SOFT_INK, anchor="lm")


def _small_number(canvas: Canvas, at: Floats, number: int, colour: Rgb, unit: float) -> None:
    number_mark(canvas, at, number, colour, 0.82 * unit)


def _edge_summary(
    canvas: Canvas, x: float, y: float, scene: Scene, texts: Texts, units: System, unit: float
) -> None:
    """What an inspected roof has: fall edges by kind, with lengths and drops."""
    starts = [x + place * unit for place in (0.0, 330.0, 520.0, 760.0, 1060.0)]
    heads = ("kind", "count", "length", "least_drop", "greatest_drop")
    for start, name in zip(starts, heads, strict=True):
        canvas.text(start, y + 10 * unit, texts(f"picture.col_{name}"), 20 * unit, SOFT_INK, anchor="lm")
    y += 34 * unit
    edges = [edge for edge in scene.result["edges"] if edge.get("fall")]
    for kind in sorted({str(edge["kind"]) for edge in edges}):
        own = [edge for edge in edges if str(edge["kind"]) == kind]
        drops = [float(edge["drop_m"]) for edge in own if edge.get("drop_m") is not None]
        entries = (
            texts.get(f"kind.{kind}", kind),
            str(len(own)),
            length_text(sum(float(edge["length_m"]) for edge in own), units, "nearest"),
            length_text(min(drops) if drops else None, units, "down"),
            length_text(max(drops) if drops else None, units, "up"),
        )
        for start, entry in zip(starts, entries, strict=True):
            canvas.text(start, y + 14 * unit, entry, 20 * unit, INK, anchor="lm")
        y += 32 * unit
