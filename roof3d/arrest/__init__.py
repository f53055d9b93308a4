"""What the line, the anchors and the person feel in an arrest."""

from roof3d.arrest.anchor_line import AnchorLineModel, LineInSeries, build, softest_span
from roof3d.arrest.equipment import Connector, Range, friction_range, resolve
from roof3d.arrest.laid import Lay, Rest, lay, may_slip, slipped
from roof3d.arrest.loads import (
    LoadCheck,
    Pull,
    Rating,
    check_anchor,
    check_line_point,
    check_line_strength,
)
from roof3d.arrest.person import Stop, anchor_pull, edge_stretch, greatest_fall, stop
from roof3d.arrest.spans import LineLoads, PointLoad, SpanPlaces, line_loads, span_places
from roof3d.arrest.swing import Swing, swing

__all__ = [
    "AnchorLineModel",
    "Connector",
    "Lay",
    "LineInSeries",
    "LineLoads",
    "LoadCheck",
    "PointLoad",
    "Pull",
    "Range",
    "Rating",
    "Rest",
    "SpanPlaces",
    "Stop",
    "Swing",
    "anchor_pull",
    "build",
    "check_anchor",
    "check_line_point",
    "check_line_strength",
    "edge_stretch",
    "friction_range",
    "greatest_fall",
    "lay",
    "line_loads",
    "may_slip",
    "resolve",
    "slipped",
    "softest_span",
    "span_places",
    "stop",
    "swing",
]
