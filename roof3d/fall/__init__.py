"""Fall: where a rope lets somebody go over an edge, where the fall ends, and what the rope serves."""

from roof3d.fall.boundary import Boundary, make_boundary, protected
from roof3d.fall.exposure import Exposure, exposure
from roof3d.fall.limits import ForceLimit, Limits
from roof3d.fall.policy import restraint_length
from roof3d.fall.reach import Cells, make_cells
from roof3d.fall.ruler import AnchorRuler, LineRuler, Ruler, Span, StraightRuler
from roof3d.fall.segments import make_segments
from roof3d.fall.states import Assessment, Tie, assess
from roof3d.fall.stretch import Terms
from roof3d.fall.work import footprint, work_shapes

__all__ = [
    "AnchorRuler",
    "Assessment",
    "Boundary",
    "Cells",
    "Exposure",
    "ForceLimit",
    "Limits",
    "LineRuler",
    "Ruler",
    "Span",
    "StraightRuler",
    "Terms",
    "Tie",
    "assess",
    "exposure",
    "footprint",
    "make_boundary",
    "make_cells",
    "make_segments",
    "protected",
    "restraint_length",
    "work_shapes",
]
