"""The picture: one sheet that needs no explanation, drawn from a result, with or without a display.

Verdict and summary on top; a plan to scale and an oblique view with the heat map of exposure, the
edges by state, the anchors; a legend with units; a table of the worst places; the cautions.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from roof3d.errors import InputError
from roof3d.records import Floats, Roof
from roof3d.show.canvas import Canvas, clean
from roof3d.show.cells import patches
from roof3d.show.colours import HAIR, INK, PAPER, SOFT_INK, Rgb, scale_for
from roof3d.show.labels import Box, length_text
from roof3d.show.legend import TABLE_ROWS, legend_panel, table_panel
from roof3d.show.marks import LABELLED, ROPES, Traced, rest_place
from roof3d.show.oblique import oblique_panel
from roof3d.show.plan_view import plan_panel
from roof3d.show.scene import Scene, as_written, make_scene, title_of, version_of
from roof3d.show.verdict import DANGER, HOLD, WARNING, verdict
from roof3d.show.words import Texts, load_texts
from roof3d.units import System, format_area, format_length

VIEWS = ("sheet", "views", "plan", "oblique")
SIZE = (2400, 1600)
VERDICT_COLOURS: dict[str, Rgb] = {DANGER: (176, 24, 32), WARNING: (150, 92, 0), HOLD: (0, 92, 100)}


def draw_picture(
    result: dict[str, Any],
    roof: Roof | None,
    path: str | Path,
    *,
    size: tuple[int, int] = SIZE,
    units: System = "m",
    view: str = "sheet",
    language: str | Path = "en",
) -> str:
    """Draws ``result`` (design: result file) as a PNG at ``path``.

    ``roof`` adds walls, ground and traced ropes; without it roof planes stand alone. ``size`` in
    pixels, width and height between 600 and 8000. ``view`` is one of ``VIEWS``. Returns "" or, where
    the 3D view could not be drawn on this machine, the reason (which the sheet shows in its place;
    the view "oblique" then falls back to the plan). Same input, same bytes.

    Raises InputError for a result that cannot be drawn, or a size or view out of range.
    """
    if view not in VIEWS:
        raise InputError(str(path), "view", repr(view), ", ".join(VIEWS))
    if not all(600 <= side <= 8000 for side in size):
        raise InputError(str(path), "size", f"{size[0]} x {size[1]}", "600 to 8000 pixels a side")
    scene = make_scene(result, roof)
    texts = load_texts(language)
    with as_written(result):
        canvas, reason = _sheet(scene, roof, size, units, view, texts)
    _save(canvas, Path(path))
    return reason


def draw_set(
    result: dict[str, Any],
    roof: Roof | None,
    folder: str | Path,
    *,
    size: tuple[int, int] = SIZE,
    units: System = "m",
    language: str | Path = "en",
) -> tuple[tuple[Path, ...], str]:
    """All views, each as a PNG named after it, in ``folder`` (made where it is not there), for a document.

    Returns the files, and "" or why there is no 3D view on this machine.
    """
    make_scene(result, roof)  # refused, if it has to be, before anything is written
    try:
        Path(folder).mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(str(folder), "folder", str(error), "a folder that can be written") from error
    made = []
    lacking = ""
    for view in VIEWS:
        path = Path(folder) / f"{view}.png"
        lacking = draw_picture(result, roof, path, size=size, units=units, view=view, language=language)
        made.append(path)
    return tuple(made), lacking


def _save(canvas: Canvas, path: Path) -> None:
    """Written whole or not at all."""
    part = path.with_name(path.name + ".part")
    try:
        canvas.finish().save(part, format="PNG", optimize=False)
        part.replace(path)
    except OSError as error:
        part.unlink(missing_ok=True)
        raise InputError(str(path), "picture", str(error), "a place that can be written") from error


def _sheet(
    scene: Scene, roof: Roof | None, size: tuple[int, int], units: System, view: str, texts: Texts
) -> tuple[Canvas, str]:
    width, height = size
    unit = min(width / 2400, height / 1600)
    canvas = Canvas(width, height)
    margins = scene.cells.margins if scene.cells is not None else np.zeros(0)
    scale = scale_for(margins, units)
    coloured = patches(scene, scale)
    traced, over = trace_ropes(scene, roof)
    edge, gap = 40 * unit, 20 * unit
    # "views" leaves out what a document around it says anyway: heading, table, caution
    bare = view == "views"
    if bare:
        unit = min(width / 2400, height / 1320)
        edge = gap
    head = 0.0 if bare else _header(canvas, scene, texts, units, unit)
    foot = height - (gap if bare else 60 * unit)
    legend: Box = (width - edge - 400 * unit, head + gap, width - edge, foot)
    rope = "" if not traced else "rope_traced" if over else "rope"
    legend_panel(canvas, legend, scene, scale, {patch.kind for patch in coloured}, rope, texts, units, unit)
    inner = legend[0] - gap
    reason = ""
    if view in ("sheet", "views"):
        table_top = foot + gap if bare else foot - 388 * unit
        middle = edge + (inner - edge) * 0.53
        # every number on the views is a row of the table
        most = LABELLED if bare else TABLE_ROWS
        reason = oblique_panel(
            canvas,
            (middle + gap, head + gap, inner, table_top - gap),
            scene,
            coloured,
            traced,
            texts,
            units,
            unit,
            most,
        )
        area = (edge, head + gap, middle, table_top - gap)
        plan_panel(canvas, area, scene, coloured, traced, texts, units, unit, most)
        if not bare:
            table_panel(canvas, (edge, table_top, inner, foot), scene, texts, units, unit)
    else:
        box = (edge, head + gap, inner, foot)
        if view == "oblique":
            reason = oblique_panel(canvas, box, scene, coloured, traced, texts, units, unit)
        if view == "plan" or reason:
            plan_panel(canvas, box, scene, coloured, traced, texts, units, unit)
    if not bare:
        canvas.text(edge, height - 42 * unit, texts("picture.caution"), 20 * unit, SOFT_INK)
    return canvas, reason


def _header(canvas: Canvas, scene: Scene, texts: Texts, units: System, unit: float) -> float:
    edge, width = 40 * unit, canvas.width
    word = verdict(scene)
    colour = VERDICT_COLOURS.get(word, SOFT_INK)
    label = texts(f"verdict.{word}")
    label_width = canvas.text_size(label, 34 * unit, True)[0] + 48 * unit
    canvas.box(edge, 30 * unit, label_width, 62 * unit, colour)
    canvas.text(edge + 24 * unit, 61 * unit, label, 34 * unit, PAPER, True, anchor="lm")
    result = scene.result
    name = title_of(result)
    room = width - 2 * edge - label_width - 30 * unit
    canvas.text(
        edge + label_width + 30 * unit,
        61 * unit,
        canvas.fit(name, 34 * unit, room, True),
        34 * unit,
        INK,
        True,
        anchor="lm",
    )
    summary = canvas.fit(summary_text(scene, texts, units), 25 * unit, width - 2 * edge)
    canvas.text(edge, 108 * unit, summary, 25 * unit, INK)
    source = canvas.fit(source_text(scene, texts), 20 * unit, width - 2 * edge)
    canvas.text(edge, 144 * unit, source, 20 * unit, SOFT_INK)
    canvas.line(np.array([[edge, 178 * unit], [width - edge, 178 * unit]]), HAIR, 2 * unit)
    return 178 * unit


def summary_text(scene: Scene, texts: Texts, units: System) -> str:
    """One sentence with the numbers that matter."""
    result = scene.result
    if not scene.anchors:
        lengths = [s.length for s in scene.stretches]
        return texts(
            "picture.inspect_summary",
            planes=len(scene.planes),
            area=format_area(sum(plane.area_m2 for plane in scene.planes), units),
            edges=len({s.edge for s in scene.stretches}),
            length=format_length(sum(lengths), units),
        )
    work = result.get("work") or {}
    unknown = texts("common.unknown")
    served = work.get("served_m2")
    total = work.get("area_m2")
    values = {
        "anchors": len(scene.anchors),
        "served": unknown if served is None else format_area(served, units),
        "area": unknown if total is None else format_area(total, units),
    }
    if not scene.worst:
        return texts("picture.summary_no_margin", **values)
    margins = [s.margin for s in scene.worst]
    worst = None if any(np.isnan(m) for m in margins) else min(margins)
    text = unknown if worst is None else length_text(worst, units, "down")
    state = scene.worst[0].state
    return texts("picture.summary", margin=text, state=texts.get(f"state.{state}", state), **values)


def source_text(scene: Scene, texts: Texts) -> str:
    """What was computed from what: names, hashes cut to what can be compared by eye, version."""
    result = scene.result
    model = result.get("model") or {}
    plan = result.get("plan") or {}
    rules = result.get("rules") or {}

    def named(record: dict[str, Any]) -> str:
        name = Path(str(record.get("file") or "")).name or texts("common.none")
        digest = str(record.get("sha256") or "")[:12]
        return f"{name} ({digest})" if digest else name

    return clean(
        texts(
            "picture.source",
            model=named(model),
            plan=named(plan if isinstance(plan, dict) else {"file": plan}),
            rules=rules.get("name", texts("common.unknown")) if isinstance(rules, dict) else rules,
            version=version_of(result),
        )
    )


def trace_ropes(scene: Scene, roof: Roof | None) -> tuple[Traced, bool]:
    """How the rope lies from the anchor to the rest points of the worst stretches, and whether it is
    traced over the building: only with ``roof``; else straight, right in direction as seen from above.
    """
    traced: Traced = {}
    marks = {mark.id: mark for mark in scene.anchors}
    over = roof is not None
    for stretch in scene.worst[:ROPES]:
        mark = marks.get(stretch.anchor)
        if mark is None or len(mark.points) != 1:
            continue
        end = rest_place(stretch, scene)
        path = None if roof is None else _traced(roof, mark.points[0], end)
        over = over and path is not None
        traced[stretch.number] = np.array([mark.points[0], end]) if path is None else path
    return traced, over


def _traced(roof: Roof, start: Floats, end: Floats) -> Floats | None:
    from roof3d import taut

    if not len(roof.edges):
        return None  # a roof without its edges was put together by hand
    path = taut.trace(taut.prepare(roof), start, end[None])[0]
    return None if path is None else path.points
