"""A drawing sheet as SVG: true to scale when printed, one group a layer, text as text."""

from __future__ import annotations

import numpy as np
from lxml import etree

from roof3d.records import Floats
from roof3d.show.colours import PAPER, to_hex
from roof3d.show.paper import Circle, Dimension, Layer, Line, Sheet, Text

NAMESPACE = "http://www.w3.org/2000/svg"


def sheet_to_svg(sheet: Sheet, description: str) -> bytes:
    """The sheet as SVG 1.1; lengths in mm, so that 1 : scale holds on paper. UTF-8, same bytes twice."""
    root = etree.Element(
        "svg",
        {
            "width": f"{_number(sheet.width)}mm",
            "height": f"{_number(sheet.height)}mm",
            "viewBox": f"0 0 {_number(sheet.width)} {_number(sheet.height)}",
            "role": "img",
        },
        nsmap={None: NAMESPACE},
    )
    etree.SubElement(root, "title").text = printable(sheet.title)
    etree.SubElement(root, "desc").text = printable(description)
    etree.SubElement(
        root, "rect", {"width": _number(sheet.width), "height": _number(sheet.height), "fill": to_hex(PAPER)}
    )
    for layer in sheet.layers.values():
        own = [mark for mark in sheet.marks if mark.layer == layer.name]
        if not own:
            continue
        style = {
            "id": f"layer-{layer.name.lower()}",
            "fill": "none",
            "stroke": to_hex(layer.colour),
            "stroke-width": _number(layer.pen),
            "stroke-linejoin": "round",
        }
        if layer.dash:
            style["stroke-dasharray"] = " ".join(_number(d) for d in layer.dash)
        group = etree.SubElement(root, "g", style)
        for mark in own:
            _draw(group, mark, layer, sheet)
    return bytes(etree.tostring(root, xml_declaration=True, encoding="UTF-8", pretty_print=True))


def printable(text: str) -> str:
    """Text without the characters that XML does not allow."""
    return "".join(c if c.isprintable() else " " for c in text)


def _draw(group: etree._Element, mark: object, layer: Layer, sheet: Sheet) -> None:
    if isinstance(mark, Line):
        points = " ".join(f"{_number(x)},{_number(y)}" for x, y in _paper(mark.points, sheet))
        fill = {"fill": to_hex(layer.colour)} if mark.fill else {}
        etree.SubElement(group, "polygon" if mark.closed else "polyline", {"points": points, **fill})
    elif isinstance(mark, Circle):
        x, y = _paper(mark.at[None], sheet)[0]
        fill = {"fill": to_hex(layer.colour)} if mark.fill else {}
        radius = _number(mark.radius / sheet.mm)
        etree.SubElement(group, "circle", {"cx": _number(x), "cy": _number(y), "r": radius, **fill})
    elif isinstance(mark, Text):
        x, y = _paper(mark.at[None], sheet)[0]
        _text(group, float(x), float(y), mark.text, mark.height, layer, mark.align, mark.angle_deg, mark.bold)
    elif isinstance(mark, Dimension):
        _dimension(group, mark, layer, sheet)


def _dimension(group: etree._Element, mark: Dimension, layer: Layer, sheet: Sheet) -> None:
    mark = mark.upright
    a, b = _paper(np.array([mark.a, mark.b]), sheet)
    along = (b - a) / max(float(np.linalg.norm(b - a)), 1e-9)
    side = np.array([along[1], -along[0]])  # left of the way, with y running down
    a2, b2 = a + side * mark.offset, b + side * mark.offset
    reach = side * np.sign(mark.offset or 1.0)
    tick = (along + side) * 1.2
    segments = [(a2, b2), (a2 - tick, a2 + tick), (b2 - tick, b2 + tick)]
    if abs(mark.offset) > 2:
        segments += [(a + reach, a2 + reach * 1.5), (b + reach, b2 + reach * 1.5)]
    for p, q in segments:
        etree.SubElement(
            group,
            "line",
            {"x1": _number(p[0]), "y1": _number(p[1]), "x2": _number(q[0]), "y2": _number(q[1])},
        )
    angle = float(np.degrees(np.arctan2(-along[1], along[0])))
    x, y = (a2 + b2) / 2 + side * 1.0
    _text(group, float(x), float(y), mark.text, 2.2, layer, "middle", angle, False)


def _text(
    group: etree._Element,
    x: float,
    y: float,
    text: str,
    height: float,
    layer: Layer,
    align: str,
    angle_deg: float,
    bold: bool,
) -> None:
    anchors = {"left": "start", "middle": "middle", "right": "end"}
    attributes = {
        "x": _number(x),
        "y": _number(y),
        # capitals are about 0.72 of the font size
        "font-size": _number(height / 0.72),
        "font-family": "Arial, Helvetica, sans-serif",
        "text-anchor": anchors[align],
        "fill": to_hex(layer.colour),
        "stroke": "none",
    }
    if bold:
        attributes["font-weight"] = "bold"
    if angle_deg:
        attributes["transform"] = f"rotate({_number(-angle_deg)} {_number(x)} {_number(y)})"
    etree.SubElement(group, "text", attributes).text = printable(text)


def _paper(points: Floats, sheet: Sheet) -> Floats:
    relative = (points[:, :2] - sheet.centre) / sheet.mm
    paper: Floats = np.column_stack([sheet.width / 2 + relative[:, 0], sheet.height / 2 - relative[:, 1]])
    return paper


def _number(value: float) -> str:
    text = f"{float(value):.3f}".rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text
