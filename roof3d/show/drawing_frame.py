"""Frame, title column, legend and set-out table of a plan drawing."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from roof3d.show.colours import EDGE_STYLES
from roof3d.show.labels import length_text, margin_text, place_text, round_length
from roof3d.show.marks import LABELLED
from roof3d.show.paper import Line, Sheet, Text, fit, wrap
from roof3d.show.scene import Scene, version_of
from roof3d.show.setout import DIRECTIONS, SetOut
from roof3d.show.verdict import verdict
from roof3d.show.words import Texts
from roof3d.units import System, format_length


def frame(
    sheet: Sheet,
    scene: Scene,
    tapes: tuple[SetOut, ...],
    texts: Texts,
    units: System,
    paper: str,
    column: float,
) -> None:
    """Adds everything around the roof; ``column`` mm at the right hold the words."""
    width, height = sheet.width, sheet.height
    left, right, top, bottom = width - column, width - 10.0, height - 10.0, 10.0

    def line(layer: str, *points: tuple[float, float], closed: bool = False) -> None:
        sheet.add(Line(layer, np.array([sheet.at(*p) for p in points]), closed))

    def text(x: float, y: float, words: str, size: float, align: str = "left", bold: bool = False) -> None:
        sheet.add(Text("TEXT", sheet.at(x, y), words, size, align, 0.0, bold))

    line("FRAME", (10, bottom), (right, bottom), (right, top), (10, top), closed=True)
    line("FRAME", (left, bottom), (left, top))
    x, room = left + 4.0, column - 18.0
    y = top - 8.0
    for words in wrap(sheet.title, 3.4, room)[:4]:
        text(x, y, words, 3.4, bold=True)
        y -= 5.6
    text(x, y, fit(texts("drawing.subject"), 2.5, room), 2.5)
    y -= 6.0
    for words in wrap(texts(f"verdict.{verdict(scene)}"), 3.0, room):
        text(x, y, words, 3.0, bold=True)
        y -= 5.0
    y = _title_rows(sheet, scene, texts, units, paper, x, y - 1.0, room)
    line("FRAME", (left, y), (right, y))
    y = _legend(sheet, scene, texts, x, y - 6.0, room)
    line("FRAME", (left, y), (right, y))
    cautions = wrap(texts("picture.caution"), 1.8, room)
    floor = bottom + 6.0 + 3.2 * len(cautions)
    y = _worst_table(sheet, scene, texts, units, x, y - 6.0, room, floor + 4.0)
    y = _set_out_table(sheet, tapes, texts, units, x, y, room, floor + 4.0)
    line("FRAME", (left, floor), (right, floor))
    for k, words in enumerate(cautions):
        text(x, floor - 4.2 - 3.2 * k, words, 1.8)
    _scale_bar(sheet, texts, units)
    _north(sheet, texts, left - 20.0, top - 22.0)


def _title_rows(
    sheet: Sheet, scene: Scene, texts: Texts, units: System, paper: str, x: float, y: float, room: float
) -> float:
    result = scene.result
    model, plan, rules = (result.get(key) or {} for key in ("model", "plan", "rules"))
    plan = plan if isinstance(plan, dict) else {"file": plan}
    name = rules.get("name", "") if isinstance(rules, dict) else str(rules)
    origin = ", ".join(f"{v:.3f}" for v in scene.origin)
    rows = [
        ("scale", f"1 : {sheet.scale:g}  ({paper})"),
        ("model", Path(str(model.get("file", ""))).name),
        ("hash", str(model.get("sha256", ""))[:24]),
        ("plan", Path(str(plan.get("file") or "")).name or texts("common.none")),
        ("hash", str(plan.get("sha256") or "")[:24]),
        ("rules", name or texts("common.unknown")),
        ("units", texts(f"drawing.units_{units}")),
        ("origin", origin),
        ("software", f"roof3d {version_of(result)}"),
        ("date", "__________________"),
        ("drawn", "__________________"),
        ("checked", "__________________"),
    ]
    for key, value in rows:
        if not value:
            continue
        sheet.add(Text("TABLE", sheet.at(x, y), texts(f"drawing.row_{key}"), 1.9))
        sheet.add(Text("TEXT", sheet.at(x + 24.0, y), fit(value, 1.9, room - 24.0), 1.9))
        y -= 4.0
    return y


def _legend(sheet: Sheet, scene: Scene, texts: Texts, x: float, y: float, room: float) -> float:
    present = {s.state for s in scene.stretches}
    for state in EDGE_STYLES:
        if state not in present:
            continue
        layer = f"EDGE-{state.upper()}"
        line = np.array([sheet.at(x, y + 0.8), sheet.at(x + 14.0, y + 0.8)])
        sheet.add(Line(layer, line))
        if state in ("short", "swing", "unassessed"):
            foot, tip = sheet.at(x + 7.0, y + 0.8), sheet.at(x + 7.0, y - 1.4)
            wing = np.array([1.2, 0.0]) * sheet.mm
            shape = [foot, tip] if state == "unassessed" else [foot - wing, tip, foot + wing]
            sheet.add(Line(layer, np.array(shape), state == "short", state == "short"))
        for words in wrap(texts(f"state.{state}"), 1.9, room - 17.0):
            sheet.add(Text("TEXT", sheet.at(x + 17.0, y), words, 1.9))
            y -= 3.2
        y -= 1.4
    kinds = sorted({kind for _, kind, _ in scene.inner})
    for kind in kinds:
        layer = kind.upper() if kind.upper() in sheet.layers else "ROOF"
        sheet.add(Line(layer, np.array([sheet.at(x, y + 0.8), sheet.at(x + 14.0, y + 0.8)])))
        sheet.add(Text("TEXT", sheet.at(x + 17.0, y), texts.get(f"kind.{kind}", kind), 1.9))
        y -= 4.2
    if scene.cells is not None and not all(scene.cells.served):
        for k in range(5):
            a, b = sheet.at(x + 2.8 * k, y - 0.8), sheet.at(x + 2.8 * k + 2.6, y + 1.8)
            sheet.add(Line("UNSERVED", np.array([a, b])))
        sheet.add(Text("TEXT", sheet.at(x + 17.0, y), texts("picture.unserved"), 1.9))
        y -= 4.4
    for words in wrap(texts("drawing.dimension_note"), 1.9, room):
        sheet.add(Text("TEXT", sheet.at(x, y), words, 1.9))
        y -= 3.4
    return y - 0.5


def _worst_table(
    sheet: Sheet, scene: Scene, texts: Texts, units: System, x: float, y: float, room: float, floor: float
) -> float:
    """The stretches that have a number on the drawing, with the figures that may lack room there."""
    worst = scene.worst[:LABELLED]
    if not worst:
        return y
    sheet.add(Text("TEXT", sheet.at(x, y), texts("picture.table"), 2.4, bold=True))
    y -= 4.4
    columns = [0.0, 8.0, 0.52 * room, 0.68 * room, 0.84 * room]
    names = ("number", "place", "needs", "has", "margin")
    for name, place in zip(names, columns, strict=True):
        sheet.add(Text("TABLE", sheet.at(x + place, y), texts(f"picture.col_{name}"), 1.7))
    y -= 3.4
    for stretch in worst:
        if y - 3.4 < floor:
            break
        figures = stretch.figures
        cells = (
            f"({stretch.number})",
            place_text(stretch, texts, units),
            length_text(figures.get("clearance_required_m"), units, "up"),
            length_text(figures.get("clearance_available_m"), units, "down"),
            margin_text(stretch, units),
        )
        for cell, place, end in zip(cells, columns, [*columns[1:], room], strict=True):
            sheet.add(Text("TEXT", sheet.at(x + place, y), fit(cell, 1.5, end - place), 1.5))
        y -= 3.2
    return y - 3.0


def _set_out_table(
    sheet: Sheet,
    tapes: tuple[SetOut, ...],
    texts: Texts,
    units: System,
    x: float,
    y: float,
    room: float,
    floor: float,
) -> float:
    if not tapes:
        return y
    sheet.add(Text("TEXT", sheet.at(x, y), texts("drawing.set_out"), 2.4, bold=True))
    y -= 4.4
    for line in wrap(texts("drawing.set_out_note"), 1.7, room):
        sheet.add(Text("TABLE", sheet.at(x, y), line, 1.7))
        y -= 3.0
    y -= 1.0
    step = (room - 16.0) / 4
    columns = [x + 16.0 + step * k for k in range(4)]
    for direction, place in zip(DIRECTIONS, columns, strict=True):
        sheet.add(Text("TABLE", sheet.at(place, y), texts(f"drawing.{direction}"), 1.8))
    y -= 3.6
    for k, entry in enumerate(tapes):
        if y - 6.4 < floor:
            more = texts("common.and_more", count=len(tapes) - k)
            sheet.add(Text("TEXT", sheet.at(x, y), more, 1.8))
            return y - 3.4
        sheet.add(Text("TEXT", sheet.at(x, y), fit(entry.anchor, 1.9, 15.0, True), 1.9, bold=True))
        if not entry.tapes:
            sheet.add(
                Text("TEXT", sheet.at(x + 16.0, y), fit(texts("drawing.off_roof"), 1.8, room - 16.0), 1.8)
            )
        for tape in entry.tapes:
            place = columns[DIRECTIONS.index(tape.direction)]
            value = length_text(tape.surface_m, units, "nearest")
            sheet.add(Text("TEXT", sheet.at(place, y), fit(value, 1.8, step), 1.8))
            kind = texts.get(f"kind.{tape.kind}", tape.kind)
            where = fit(f"{kind} {tape.edge}".strip(), 1.3, step - 1.0)
            sheet.add(Text("TABLE", sheet.at(place, y - 2.6), where, 1.3))
        y -= 6.4
    return y


def _scale_bar(sheet: Sheet, texts: Texts, units: System) -> None:
    length = round_length(60.0 * sheet.mm, units)
    mm = length / sheet.mm
    x, y = 18.0, 17.0
    for k in range(4):
        corners = [(x + mm * k / 4, y), (x + mm * (k + 1) / 4, y)]
        corners += [(corners[1][0], y + 1.4), (corners[0][0], y + 1.4)]
        box = np.array([sheet.at(*c) for c in corners])
        sheet.add(Line("FRAME", box, closed=True, fill=k % 2 == 0))
    sheet.add(Text("TEXT", sheet.at(x, y + 2.6), "0", 2.0))
    sheet.add(Text("TEXT", sheet.at(x + mm, y + 2.6), format_length(length, units), 2.0, "middle"))


def _north(sheet: Sheet, texts: Texts, x: float, y: float) -> None:
    dark = np.array([sheet.at(x, y + 8), sheet.at(x - 3, y - 5), sheet.at(x, y - 3)])
    light = np.array([sheet.at(x, y + 8), sheet.at(x + 3, y - 5), sheet.at(x, y - 3)])
    sheet.add(Line("FRAME", dark, closed=True, fill=True), Line("FRAME", light, closed=True))
    sheet.add(Text("TEXT", sheet.at(x, y - 9), texts("picture.north"), 2.0, "middle"))
