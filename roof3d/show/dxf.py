"""A drawing sheet as DXF R2010: metres in the model's own coordinates, layers, real dimensions."""

from __future__ import annotations

import io
from typing import Any

import numpy as np

from roof3d.records import Floats
from roof3d.show.paper import Circle, Dimension, Line, Sheet, Text

METRES = 6  # $INSUNITS
BLACK_OR_WHITE, MIDDLE_GREY, BY_LAYER = 7, 8, 256


def sheet_to_dxf(sheet: Sheet, origin: Floats) -> bytes:
    """The sheet in loaded coordinates (``origin`` is added), sized for plotting at 1 : scale.

    Raises RuntimeError if the library's own audit finds anything to report or repair in it.
    """
    import ezdxf
    from ezdxf.enums import TextEntityAlignment

    aligned = {
        "left": TextEntityAlignment.LEFT,
        "middle": TextEntityAlignment.CENTER,
        "right": TextEntityAlignment.RIGHT,
    }
    # creation times and random ids would make every file different
    before = ezdxf.options.write_fixed_meta_data_for_testing
    ezdxf.options.write_fixed_meta_data_for_testing = True
    try:
        document = ezdxf.new("R2010", setup=["linetypes", "styles", "dimstyles"], units=METRES)
        document.header["$MEASUREMENT"] = 1
        document.header["$LTSCALE"] = 1.0
        for layer in sheet.layers.values():
            added = document.layers.add(layer.name, lineweight=_lineweight(layer.pen))
            if max(layer.colour) < 70:
                added.color = BLACK_OR_WHITE  # ink that shows on paper and on a dark screen
            elif max(layer.colour) < 130:
                added.color = MIDDLE_GREY  # likewise, for what may stand back
            else:
                added.rgb = layer.colour
            if layer.dash:
                pattern = [sum(layer.dash) * sheet.mm]
                pattern += [d * sheet.mm * (1 if k % 2 == 0 else -1) for k, d in enumerate(layer.dash)]
                document.linetypes.add(f"R3D_{layer.name}", pattern, description=layer.name.lower())
                added.dxf.linetype = f"R3D_{layer.name}"
        style = document.dimstyles.duplicate_entry("EZDXF", "ROOF3D")
        for name, value in (
            ("dimtxt", 2.2),
            ("dimexo", 1.0),
            ("dimexe", 1.5),
            ("dimasz", 2.0),
            ("dimtsz", 1.2),
        ):
            style.set_dxf_attrib(name, value * sheet.mm)
        style.set_dxf_attrib("dimgap", 0.8 * sheet.mm)
        style.set_dxf_attrib("dimtad", 1)
        for name in ("dimclrd", "dimclre", "dimclrt"):
            style.set_dxf_attrib(name, BY_LAYER)
        space = document.modelspace()
        shift = np.asarray(origin, dtype=np.float64)[:2]
        for mark in sheet.marks:
            attributes: dict[str, Any] = {"layer": mark.layer}
            if isinstance(mark, Line):
                points = [tuple(p) for p in mark.points[:, :2] + shift]
                if mark.fill:
                    hatch = space.add_hatch(color=BY_LAYER, dxfattribs=attributes)
                    hatch.paths.add_polyline_path(points, is_closed=True)
                else:
                    space.add_lwpolyline(points, close=mark.closed, dxfattribs=attributes)
            elif isinstance(mark, Circle):
                space.add_circle(tuple(mark.at[:2] + shift), mark.radius, dxfattribs=attributes)
            elif isinstance(mark, Text):
                attributes |= {"height": mark.height * sheet.mm, "rotation": mark.angle_deg}
                attributes["style"] = "OpenSans-Bold" if mark.bold else "OpenSans"
                text = space.add_text(plain(mark.text), dxfattribs=attributes)
                text.set_placement(tuple(mark.at[:2] + shift), align=aligned[mark.align])
            elif isinstance(mark, Dimension):
                way = mark.upright  # programs turn the text with the way from p1 to p2
                dimension = space.add_aligned_dim(
                    p1=tuple(way.a[:2] + shift),
                    p2=tuple(way.b[:2] + shift),
                    distance=way.offset * sheet.mm,
                    text=plain(mark.text),
                    dimstyle="ROOF3D",
                    dxfattribs=attributes,
                )
                dimension.render()
        auditor = document.audit()
        if auditor.errors or auditor.fixes:
            raise RuntimeError("; ".join(str(e.message) for e in [*auditor.errors, *auditor.fixes]))
        stream = io.StringIO()
        document.write(stream)
        return stream.getvalue().encode("utf-8")
    finally:
        ezdxf.options.write_fixed_meta_data_for_testing = before


def plain(text: str) -> str:
    """Text that no program reads as a control code (``%%u``, ``^J``) or a line break."""
    text = "".join(c if c.isprintable() else " " for c in text)
    return text.replace("%%", "% %").replace("^", "^ ").replace("\\", "/").replace("{", "(").replace("}", ")")


def _lineweight(pen_mm: float) -> int:
    """The nearest of the line weights that the format knows, in 1/100 mm."""
    known = (
        0,
        5,
        9,
        13,
        15,
        18,
        20,
        25,
        30,
        35,
        40,
        50,
        53,
        60,
        70,
        80,
        90,
        100,
        106,
        120,
        140,
        158,
        200,
        211,
    )
    return min(known, key=lambda weight: abs(weight - pen_mm * 100))
