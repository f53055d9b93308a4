"""The plan drawing: to scale, with dimensions for setting out, as SVG or DXF with layers."""

from __future__ import annotations

from dataclasses import replace
from itertools import islice, pairwise
from pathlib import Path
from typing import Any

import numpy as np
import shapely

from roof3d.errors import InputError
from roof3d.records import Floats, Roof
from roof3d.show.cells import footprint, hatch_lines, patches, polygons
from roof3d.show.colours import EDGE_STYLES, HATCH, INK, INNER, SOFT_INK, Scale
from roof3d.show.drawing_frame import frame
from roof3d.show.labels import Box, Places, has_text, length_text, needs_text
from roof3d.show.marks import LABELLED, edge_order
from roof3d.show.paper import Circle, Dimension, Layer, Line, Sheet, Text, text_box, text_width
from roof3d.show.scene import Scene, as_written, make_scene, title_of
from roof3d.show.setout import SetOut, Tape, set_out
from roof3d.show.words import Texts, load_texts
from roof3d.units import System, format_angle

PAPERS = {"A4": (297.0, 210.0), "A3": (420.0, 297.0), "A2": (594.0, 420.0), "A1": (841.0, 594.0)}
PAPERS |= {"letter": (279.4, 215.9), "tabloid": (431.8, 279.4)}
SCALES = {
    "m": (20.0, 25.0, 50.0, 75.0, 100.0, 125.0, 200.0, 250.0, 500.0, 1000.0, 2000.0, 5000.0),
    # 1/2, 1/4, 1/8, 1/16 inch a foot, then 1 inch for 20, 50, 100, 200 feet
    "ft": (24.0, 48.0, 96.0, 192.0, 240.0, 600.0, 1200.0, 2400.0),
}
COLUMN = 112.0  # mm, width of the title column
ASIDE = (0.0, 5.0, -5.0, 10.0, -10.0)  # mm beside its tape that a dimension may stand
ABREAST = 3.0  # mm between dimension lines that are told apart, with a text between them
CLEAR = 3.5  # mm from its anchor that a dimension may cross the anchor's own mark
DIMENSION_TEXT = 2.2  # mm
HIDES = 12.0  # cost of a label's place from which it would hide too much
PEN = {"short": 0.9, "swing": 0.8, "arrest": 0.7, "held": 0.5, "guarded": 0.5}
PEN |= {"beyond": 0.35, "unassessed": 0.6}
LAYER_DASH = {
    "guarded": (4.0, 1.0),
    "swing": (6.0, 2.0),
    "arrest": (3.0, 1.5),
    "beyond": (0.5, 1.5),
    "unassessed": (1.0, 1.0),
}


def draw_plan(
    result: dict[str, Any],
    roof: Roof | None,
    path: str | Path,
    *,
    units: System = "m",
    paper: str = "A3",
    scale: float | None = None,
    language: str | Path = "en",
) -> float:
    """Writes the plan drawing of a result; the suffix of ``path`` says which: ``.svg`` or ``.dxf``.

    SVG lengths are true on ``paper`` (``PAPERS``) at 1 : ``scale`` (default: the greatest usual scale
    that fits). DXF is in metres and in the model's own coordinates (header units 6), text sized for
    that paper. Returns the scale. Raises InputError for an unknown suffix, paper or scale.
    """
    path = Path(path)
    suffix = path.suffix.lower()
    if suffix not in (".svg", ".dxf"):
        raise InputError(str(path), "drawing", f"suffix {path.suffix!r}", ".svg, .dxf")
    scene = make_scene(result, roof)
    texts = load_texts(language)
    with as_written(result):
        sheet = compose(scene, texts, units, paper, scale)
    if suffix == ".svg":
        from roof3d.show.svg import sheet_to_svg

        data = sheet_to_svg(sheet, texts("drawing.description"))
    else:
        from roof3d.show.dxf import sheet_to_dxf

        data = sheet_to_dxf(sheet, scene.origin)
    part = path.with_name(path.name + ".part")
    try:
        part.write_bytes(data)
        part.replace(path)
    except OSError as error:
        part.unlink(missing_ok=True)
        raise InputError(str(path), "drawing", str(error), "a place that can be written") from error
    return sheet.scale


def layers() -> dict[str, Layer]:
    """All layers of a drawing, by name, in drawing order."""
    made = [
        Layer("UNSERVED", HATCH, 0.13),
        Layer("UNASSESSED", HATCH, 0.13),
        Layer("ROOF", SOFT_INK, 0.18),
        Layer("RIDGE", INNER, 0.35),
        Layer("HIP", INNER, 0.35),
        Layer("VALLEY", INNER, 0.35, (5.0, 1.5, 1.0, 1.5)),
        Layer("BREAK", INNER, 0.25, (2.0, 1.0)),
        Layer("ABUTMENT", INNER, 0.35),
        Layer("UPSTAND", INNER, 0.25),
    ]
    for state in reversed(list(EDGE_STYLES)):
        style = EDGE_STYLES[state]
        made.append(Layer(f"EDGE-{state.upper()}", style.colour, PEN[state], LAYER_DASH.get(state, ())))
    made += [
        Layer("REST", (196, 30, 38), 0.25),
        Layer("ANCHOR-LINE", INK, 0.7),
        Layer("ANCHOR", INK, 0.35),
        Layer("DIMENSION", (20, 118, 196), 0.18),
        Layer("TEXT", INK, 0.18),
        Layer("FRAME", INK, 0.35),
        Layer("TABLE", SOFT_INK, 0.13),
    ]
    return {layer.name: layer for layer in made}


def compose(scene: Scene, texts: Texts, units: System, paper: str, scale: float | None) -> Sheet:
    """All marks of the drawing."""
    if paper not in PAPERS:
        raise InputError("drawing", "paper", repr(paper), ", ".join(PAPERS))
    width, height = PAPERS[paper]
    low, high = scene.bounds()
    span = np.maximum((high - low)[:2], 0.1)
    room = np.array([width - COLUMN - 20.0 - 84.0, height - 20.0 - 76.0])  # mm left for the roof itself
    if scale is None:
        needed = float((span * 1000.0 / room).max())
        scale = next((s for s in SCALES[units] if s >= needed), float(np.ceil(needed / 1000) * 1000))
    elif not 1.0 <= scale <= 100_000.0:
        raise InputError("drawing", "scale", f"1 : {scale:g}", "1 : 1 to 1 : 100000")
    title = title_of(scene.result)
    sheet = Sheet(width, height, float(scale), np.zeros(2), layers(), title)
    # the roof's middle goes to the middle of the field left of the title column
    field_middle = np.array([(width - COLUMN) / 2, height / 2])
    sheet.centre = (low + high)[:2] / 2 + (np.array([width, height]) / 2 - field_middle) * sheet.mm
    tapes = set_out(scene)
    _roof(sheet, scene)
    _edges(sheet, scene)
    field = Places((12.0, 22.0, width - COLUMN - 2.0, height - 12.0))
    _anchors(sheet, scene, tapes, units, field)
    _overall(sheet, scene, units)
    _planes(sheet, scene, field)
    _labels(sheet, scene, texts, units, field)
    frame(sheet, scene, tapes, texts, units, paper, COLUMN)
    return sheet


def _roof(sheet: Sheet, scene: Scene) -> None:
    if scene.cells is not None:
        for patch in patches(scene, Scale(1.0, "m")):
            if patch.hatched:
                layer = "UNASSESSED" if patch.kind in ("unsure", "outside") else "UNSERVED"
                if patch.kind == "outside":
                    continue  # plain: a drawing is for the work
                angle = -45.0 if patch.kind == "unsure" else 45.0
                sheet.add(*(Line(layer, line) for line in hatch_lines(patch.area, 3.0 * sheet.mm, angle)))
    for plane in scene.planes:
        sheet.add(*(Line("ROOF", ring[:, :2], closed=True) for ring in plane.rings))


def _planes(sheet: Sheet, scene: Scene, field: Places) -> None:
    """Name, pitch and fall of each plane where they have room inside it, else the name, else nothing."""
    for plane in scene.planes:
        spots = polygons(footprint(plane))
        if not spots:
            continue
        spot = max(spots, key=lambda s: s.area)
        shapely.prepare(spot)
        named = Text("TEXT", np.zeros(2), f"{plane.id}  {format_angle(plane.pitch_deg)}", 2.0, "middle")
        for mark, arrow in ((named, True), (named, False), (replace(named, text=plane.id), False)):
            at = _free(sheet, field, spot, mark, 9.0 if arrow else 0.0)
            if at is None:
                continue
            sheet.add(replace(mark, at=at))
            field.take(text_box(mark, sheet.paper(at)), 3.0)
            if arrow and np.isfinite(plane.azimuth_deg) and plane.pitch_deg > 0.5:
                _slope(sheet, at, plane.azimuth_deg)
            break


def _free(sheet: Sheet, field: Places, spot: shapely.Polygon, mark: Text, around: float) -> Floats | None:
    """A place in a plane for a text, with ``around`` mm on all sides, clear of what is there; or None."""
    low_x, low_y, high_x, high_y = spot.bounds
    first = spot.representative_point().coords[0]
    grid = [(x, y) for y in np.linspace(low_y, high_y, 9) for x in np.linspace(low_x, high_x, 13)]
    for place in (first, *sorted(grid, key=lambda p: round(float(np.hypot(*np.subtract(p, first))), 6))):
        at = np.asarray(place, dtype=np.float64)
        box = text_box(mark, sheet.paper(at))
        wide = (box[0], box[1] - around, box[2], box[3] + around)
        corners = [sheet.at(x, y) for x in wide[::2] for y in wide[1::2]]
        inside = shapely.contains_properly(spot, shapely.MultiPoint(corners).convex_hull)
        if inside and field.cost(box) <= 0.0:
            return at
    return None


def _slope(sheet: Sheet, at: Floats, azimuth_deg: float) -> None:
    """An arrow down the slope, below a plane's name."""
    bearing = np.radians(azimuth_deg)
    down = np.array([np.sin(bearing), np.cos(bearing)])
    side = np.array([-down[1], down[0]])
    tail = at + down * 4.0 * sheet.mm
    tip = tail + down * 7.0 * sheet.mm
    head = np.array([tip - (down * 2 - side) * sheet.mm, tip, tip - (down * 2 + side) * sheet.mm])
    sheet.add(Line("TEXT", np.array([tail, tip])), Line("TEXT", head))


def _edges(sheet: Sheet, scene: Scene) -> None:
    for _, kind, points in scene.inner:
        layer = kind.upper() if kind.upper() in sheet.layers else "ROOF"
        sheet.add(Line(layer, points[:, :2]))
    for stretch in edge_order(scene):
        layer = f"EDGE-{stretch.state.upper()}"
        layer = layer if layer in sheet.layers else "EDGE-SHORT"
        a, b = stretch.start[:2], stretch.end[:2]
        sheet.add(Line(layer, np.array([a, b])))
        length = float(np.linalg.norm(b - a))
        if stretch.state in ("short", "swing", "unassessed") and length > 1e-6:
            # ticks outwards, so that states are told apart in black and white too
            along = (b - a) / length
            count = max(1, int(length / (6.0 * sheet.mm)))
            for k in range(count):
                foot = a + along * length * (k + 0.5) / count
                tip = foot + stretch.outward * 2.2 * sheet.mm
                wing = along * 1.2 * sheet.mm
                shape = [foot - wing, tip, foot + wing] if stretch.state != "unassessed" else [foot, tip]
                sheet.add(Line(layer, np.array(shape), stretch.state == "short", stretch.state == "short"))
    for stretch in scene.worst[:LABELLED]:
        rest = stretch.figures.get("rest_point")
        if rest is not None:
            at = (np.asarray(rest, dtype=np.float64) - scene.origin)[:2]
            diamond = np.array([[0, -1], [1, 0], [0, 1], [-1, 0]], dtype=np.float64) * 1.4 * sheet.mm + at
            sheet.add(Line("REST", diamond, closed=True))


def _labels(sheet: Sheet, scene: Scene, texts: Texts, units: System, field: Places) -> None:
    """Numbers of the worst stretches beside them, with their clearance where it has room."""
    mm = sheet.mm
    for mark in sheet.marks:
        if isinstance(mark, Line) and mark.layer.startswith("EDGE-") and len(mark.points) == 2:
            field.take_line(sheet.paper(mark.points[0]), sheet.paper(mark.points[1]), 1.5)
        elif isinstance(mark, Dimension) and mark.offset:
            a, b = sheet.paper(mark.a), sheet.paper(mark.b)
            along = (b - a) / max(float(np.linalg.norm(b - a)), 1e-9)
            shift = np.array([-along[1], along[0]]) * mark.offset
            for p, q in ((a + shift, b + shift), (a, a + shift), (b, b + shift)):
                field.take_line(p, q, 1.8)
    for stretch in scene.worst[:LABELLED]:
        outward = stretch.outward
        along = np.array([-outward[1], outward[0]])
        at = sheet.paper(stretch.middle)
        number = f"({stretch.number})"
        box, cost = field.find(at, along, outward, stretch.length / mm, (31.0, 6.6), 4.5)
        told = cost <= HIDES
        if not told:  # the table has its figures
            small = (text_width(number, 2.0, True) + 0.6, 3.2)
            box, _ = field.find(
                at, along, outward, stretch.length / mm, small, 2.2, (1.0, -1.0, 2.2, -2.2, 4.0)
            )
        field.take(box, 6.0)
        middle = np.array([(box[0] + box[2]) / 2, (box[1] + box[3]) / 2])
        foot = np.clip(at, [box[0], box[1]], [box[2], box[3]])
        sheet.add(Line("TEXT", np.array([stretch.middle[:2], sheet.at(*foot)])))
        if not told:
            sheet.add(Text("TEXT", sheet.at(middle[0], middle[1] - 1.0), number, 2.0, "middle", bold=True))
            continue
        first = f"{number} {needs_text(stretch, texts, units)}"
        sheet.add(Text("TEXT", sheet.at(middle[0], middle[1] + 0.5), first, 2.0, "middle", bold=True))
        second = has_text(stretch, texts, units)
        sheet.add(Text("TEXT", sheet.at(middle[0], middle[1] - 2.9), second, 2.0, "middle"))


def _anchors(sheet: Sheet, scene: Scene, tapes: tuple[SetOut, ...], units: System, field: Places) -> None:
    for entry in tapes:
        x, y = sheet.paper(entry.at)
        field.take((x - 3.0, y - 3.0, x + 3.0, y + 3.0), 3.0)
        name = Text("ANCHOR", entry.at[:2] + np.array([2.6, 2.0]) * sheet.mm, entry.anchor, 2.8, bold=True)
        field.take(text_box(name, sheet.paper(name.at)), 3.0)
    between = set()
    for mark in scene.anchors:
        if mark.kind == "line":
            sheet.add(Line("ANCHOR-LINE", mark.lies[:, :2]))
            between |= {f"{mark.id}.{k + 1}" for k in range(1, len(mark.points) - 1)}
            for a, b in pairwise(mark.points):
                text = length_text(float(np.linalg.norm((b - a)[:2])), units, "nearest")
                span = Dimension("DIMENSION", a[:2], b[:2], 6.0, text)
                sheet.add(span)
                _take_dimension(sheet, field, span)
    for entry in tapes:
        at, mm = entry.at[:2], sheet.mm
        sheet.add(Circle("ANCHOR", at, 1.8 * mm), Circle("ANCHOR", at, 0.4 * mm))
        for arm in ([2.8, 0.0], [0.0, 2.8]):
            sheet.add(Line("ANCHOR", np.array([at - np.array(arm) * mm, at + np.array(arm) * mm])))
        sheet.add(Text("ANCHOR", at + np.array([2.6, 2.0]) * mm, entry.anchor, 2.8, bold=True))
        if entry.anchor in between:
            continue  # supports are measured along the line; the table has their tapes
        # one tape along the slope, one level: the shorter of each pair that has room; the table has all four
        for pair in (("up", "down"), ("left", "right")):
            found = [tape for tape in entry.tapes if tape.direction in pair and tape.plan_m > 0.05]
            tried = [
                Dimension("DIMENSION", at, tape.end[:2], offset, _tape_text(tape, units))
                for tape in sorted(found, key=lambda t: (round(t.plan_m, 6), t.direction))
                for offset in ASIDE
            ]
            free = (one for one in tried if _has_room(sheet, field, one))
            for dimension in islice(free, 1):
                sheet.add(dimension)
                _take_dimension(sheet, field, dimension)


def _tape_text(tape: Tape, units: System) -> str:
    text = length_text(tape.plan_m, units, "nearest")
    if tape.surface_m - tape.plan_m > 0.005:
        text += f" ({length_text(tape.surface_m, units, 'nearest')})"
    return text


def _take_dimension(sheet: Sheet, field: Places, one: Dimension) -> None:
    """Marks the dimension's text and its line as used."""
    spot = _on_dimension(sheet, one)
    if spot is not None:
        field.take(spot, 3.0)
    field.lines.append(_dimension_line(sheet, one))


def _has_room(sheet: Sheet, field: Places, one: Dimension) -> bool:
    """Whether the text hides nothing and the line runs neither along another dimension's nor over words."""
    spot = _on_dimension(sheet, one)
    if spot is None or field.cost(spot) > 0.0:
        return False
    a, b = _dimension_line(sheet, one)
    foot = a + (b - a) * (CLEAR / float(np.linalg.norm(b - a)))  # the anchor's own mark and name may be there
    words = shapely.box(*np.array([box for box, _ in field.taken]).T)
    if shapely.intersects(shapely.LineString([foot, b]), words).any():
        return False
    mine = shapely.box(*spot)
    return not any(
        _run_together((a, b), other) or shapely.intersects(mine, shapely.LineString(other))
        for other in field.lines
    )


def _dimension_line(sheet: Sheet, one: Dimension) -> tuple[Floats, Floats]:
    """Both ends on paper, mm."""
    a, b = sheet.paper(one.a), sheet.paper(one.b)
    along = (b - a) / max(float(np.linalg.norm(b - a)), 1e-9)
    shift = np.array([-along[1], along[0]]) * one.offset
    return a + shift, b + shift


def _run_together(one: tuple[Floats, Floats], other: tuple[Floats, Floats]) -> bool:
    """Whether two lines, mm, share a stretch: so near to each other that one reads as part of the other."""
    length = float(np.linalg.norm(one[1] - one[0]))
    along = (one[1] - one[0]) / max(length, 1e-9)
    side = np.array([-along[1], along[0]])
    ends = np.array([end - one[0] for end in other])
    if np.abs(ends @ side).max() > ABREAST:
        return False
    low, high = sorted(ends @ along)
    return float(min(high, length) - max(low, 0.0)) > 1.0


def _on_dimension(sheet: Sheet, one: Dimension) -> Box | None:
    """What the text on a dimension covers, mm; None where it is longer than the dimension."""
    a, b = _dimension_line(sheet, one.upright)
    wide = text_width(one.text, DIMENSION_TEXT)
    way = b - a
    length = float(np.linalg.norm(way))
    if length < wide + 4.0:
        return None
    along = way / length
    up = np.array([-along[1], along[0]])
    middle = (a + b) / 2 + up * (DIMENSION_TEXT / 2 + 0.9)
    half = np.abs(along) * wide / 2 + np.abs(up) * (DIMENSION_TEXT / 2 + 0.4)
    return middle[0] - half[0], middle[1] - half[1], middle[0] + half[0], middle[1] + half[1]


def _overall(sheet: Sheet, scene: Scene, units: System) -> None:
    """Overall length and width, square to the longest fall edge."""
    if not scene.stretches:
        return
    corners = np.concatenate([ring[:, :2] for plane in scene.planes for ring in plane.rings])
    edges: dict[str, list[Floats]] = {}
    for stretch in scene.stretches:
        edges.setdefault(stretch.edge, []).append((stretch.end - stretch.start)[:2])
    runs = [np.sum(parts, axis=0) for _, parts in sorted(edges.items())]
    run = max(runs, key=lambda v: round(float(np.linalg.norm(v)), 3))
    if float(np.linalg.norm(run)) < 1e-6:
        return
    x = run / np.linalg.norm(run)
    x = x if x[0] > 1e-9 or (abs(x[0]) <= 1e-9 and x[1] > 0) else -x
    y = np.array([-x[1], x[0]])
    u, v = corners @ x, corners @ y
    lower = [x * t + y * v.min() for t in (u.min(), u.max())]
    left = [x * u.min() + y * t for t in (v.max(), v.min())]
    for (a, b), offset in ((lower, -32.0), (left, -46.0)):
        text = length_text(float(np.linalg.norm(b - a)), units, "nearest")
        sheet.add(Dimension("DIMENSION", a, b, offset, text))
