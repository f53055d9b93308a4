"""Place: where to anchor, how many, at what cost, and how sure that is."""

from roof3d.place.advise import Gap, explain_gaps
from roof3d.place.choose import Placement, alternatives, place
from roof3d.place.cover import Cover, Effort, solve_cover
from roof3d.place.offer import KINDS
from roof3d.place.outcome import HEADINGS, placement_json, table_rows
from roof3d.place.study import Study, make_study

__all__ = [
    "Gap",
    "HEADINGS",
    "explain_gaps",
    "placement_json",
    "table_rows",
    "Cover",
    "Effort",
    "KINDS",
    "Placement",
    "Study",
    "alternatives",
    "make_study",
    "place",
    "solve_cover",
]
