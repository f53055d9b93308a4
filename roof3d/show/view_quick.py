"""First looks while a plan is changed: coarse, quick, and never better than the full check.

Each anchor is assessed by the steps of a check, with the boundary in large pieces: what stays open within
a piece counts as the worse. What is served is told for large cells, each as a whole. Looks are
kept, so that what did not change costs nothing; all anchors together give the picture.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from roof3d.check.places import anchor_places
from roof3d.check.result import edges_json
from roof3d.check.run import tie_anchor
from roof3d.errors import InputError
from roof3d.fall import Boundary, make_boundary, protected, work_shapes
from roof3d.fall.reach import cell_points, first_cells, ring_lengths
from roof3d.plan import rules_for
from roof3d.records import Anchor, AnchorLine, EdgeSegment, Floats, Line, Plan, Roof
from roof3d.rules import RuleSet
from roof3d.show.page.packed import length_steps, pack_cells, small_counts
from roof3d.show.scene import FALL_STATES, EdgeLine, PlaneShape, Stretch, edge_line, numbered
from roof3d.show.view_plan import sources, without_anchors

MOST_CELLS = 500
MOST_PIECES = 240
PIECE_M = 0.5
LEAST_CELL_M = 0.4
KEPT = 400  # looks
FIGURES = (
    "taut_length_m",
    "surplus_m",
    "free_fall_m",
    "swing_drop_m",
    "clearance_required_m",
    "clearance_available_m",
    "margin_m",
)

Record = dict[str, Any]


@dataclass(frozen=True, eq=False)
class Told:
    """What is known of one anchor, edge by edge."""

    segments: dict[str, tuple[Record, ...]]  # in the keys of a result
    keys: dict[str, Hashable]  # equal where nothing that is drawn differs


@dataclass(frozen=True, eq=False)
class Look:
    """What one anchor does, at a first look."""

    anchor: str
    told: Told
    taut: Floats  # (cells,) at most, the longer of kneeling and standing; inf out of reach
    served: np.ndarray  # (cells,) bool, each as a whole


@dataclass(frozen=True, eq=False)
class FirstPicture:
    """All that the page draws of a first look. What did not change is the same object as last time."""

    planes: list[Record]  # with their rasters
    cells: Record  # where the cells lie, packed
    taut: Any  # (cells,) int16, whole steps
    served: Any  # (cells,) uint8, by how many anchors
    edges: dict[str, tuple[Record, ...]]  # stretches of each fall edge
    numbers: list[int]  # of all stretches in the order of the edges; 1 the worst, 0 where no fall is possible
    served_m2: float

    @property
    def stretches(self) -> list[Record]:
        """Stretches of all edges."""
        return [stretch for found in self.edges.values() for stretch in found]


@dataclass(frozen=True, eq=False)
class _Fixed:
    """What does not change while anchors move and lines grow."""

    key: Plan
    rules: RuleSet
    boundary: Boundary
    guards: list[list[tuple[float, float, str]]]
    edges: list[EdgeLine]
    at: Floats  # (n, 3) a point of each cell
    radius: Floats  # (n,) from there to its furthest point
    area: Floats  # (n,) m2
    planes: list[Record]
    packed: Record


@dataclass(frozen=True, eq=False)
class _Drawn:
    """An edge as it was drawn last."""

    key: Hashable
    stretches: list[Stretch]
    records: tuple[Record, ...]


class QuickLook:
    """Looks at the single anchors of plans on one roof, and keeps them."""

    def __init__(self, roof: Roof) -> None:
        self._roof = roof
        self._fixed: _Fixed | None = None
        self._looks: dict[Any, Look] = {}
        self._drawn: dict[str, _Drawn] = {}

    def known(self, plan: Plan, name: str) -> Look | None:
        """The look at an anchor as it is in ``plan``, where it was taken before."""
        return self._looks.get((_named(plan, name), without_anchors(plan)))

    def look(self, plan: Plan, name: str) -> Look:
        """A look at one anchor or anchor line of ``plan``.

        Raises InputError where it lies inside the building or far away, or its line has no length.
        """
        found = self.known(plan, name)
        if found is not None:
            return found
        fixed = self._prepared(plan)
        source = _named(plan, name)
        one = (
            without_anchors(plan, source)
            if isinstance(source, Anchor)
            else without_anchors(plan, lines=(source,))
        )
        singles, lines = anchor_places(self._roof, one)
        points = np.atleast_2d((singles or lines)[0])
        piece = max(PIECE_M, float(fixed.boundary.length.sum()) / MOST_PIECES)
        tied = tie_anchor(self._roof, one, fixed.rules, fixed.boundary, fixed.guards, source, points, piece)
        length = tied.tie.length
        heights = (plan.worker.kneeling_height, plan.worker.attachment_height)
        _, upper = ring_lengths(tied.ruler, fixed.at, fixed.radius, length, heights)
        longer = upper.max(axis=0)
        told = _told(_segment(segment) for segment in tied.segments)
        made = Look(name, told, longer, longer + fixed.radius <= length)
        while len(self._looks) >= KEPT:
            del self._looks[next(iter(self._looks))]
        self._looks[source, without_anchors(plan)] = made
        return made

    def picture(
        self, plan: Plan, looks: Sequence[Look], checked: dict[str, Told] | None = None
    ) -> FirstPicture:
        """Reach and edges for the worst of all anchors.

        ``checked``: what a full check told of anchors that have not changed since; it is taken
        instead of looks. The reach is that of ``looks`` alone.
        """
        fixed = self._prepared(plan)
        precise = checked or {}
        told = [*precise.values(), *(look.told for look in looks if look.anchor not in precise)]
        drawn = [self._edge(edge, told) for edge in fixed.edges]
        count = len(fixed.at)
        taut = np.minimum.reduce([np.full(count, np.inf), *(look.taut for look in looks)])
        served = np.sum([np.zeros(count, np.int64), *(look.served for look in looks)], axis=0)
        return FirstPicture(
            fixed.planes,
            fixed.packed,
            length_steps(taut),
            small_counts(served),
            {edge.id: one.records for edge, one in zip(fixed.edges, drawn, strict=True)},
            numbered([stretch for one in drawn for stretch in one.stretches]),
            round(float(fixed.area[served > 0].sum()), 2),
        )

    def _edge(self, edge: EdgeLine, told: Sequence[Told]) -> _Drawn:
        key = tuple(one.keys.get(edge.id) for one in told)
        drawn = self._drawn.get(edge.id)
        if drawn is None or drawn.key != key:
            stretches = edge.stretches([s for one in told for s in one.segments.get(edge.id, ())])
            drawn = _Drawn(key, stretches, tuple(_stretch(stretch) for stretch in stretches))
            self._drawn[edge.id] = drawn
        return drawn

    def _prepared(self, plan: Plan) -> _Fixed:
        key = replace(without_anchors(plan), line=Line())
        if self._fixed is None or self._fixed.key != key:
            self._fixed = _fix(self._roof, plan, key)
            self._drawn = {}
        return self._fixed


def _named(plan: Plan, name: str) -> Anchor | AnchorLine:
    for source in sources(plan):
        if source.id == name:
            return source
    raise InputError("viewer", "id", repr(name)[:80], "an anchor of the plan")


def _fix(roof: Roof, plan: Plan, key: Plan) -> _Fixed:
    rules = rules_for(plan)
    boundary = make_boundary(
        roof,
        plan.worker.attachment_height,
        rules.value("steep_slope_above_deg"),
        rules.value("step_height"),
    )
    walked = {edge.id: found for edge, found in zip(boundary.edges, boundary.walked, strict=True)}
    planes = {p.id: PlaneShape(p.id, p.rings, p.pitch_deg, p.azimuth_deg, p.area_m2) for p in roof.planes}
    edges = [
        edge_line(record, edge.points, planes)
        for record, edge in zip(edges_json(roof, walked), roof.edges, strict=True)
        if edge.fall or edge.id in walked
    ]
    shapes = work_shapes(roof, plan)
    facets = [facet for facet in roof.planes if facet.id in shapes and not shapes[facet.id].is_empty]
    whole = sum(shapes[facet.id].area for facet in facets)
    level = first_cells(facets, shapes, max(LEAST_CELL_M, float(np.sqrt(whole / MOST_CELLS))))
    at, radius, area = cell_points(level, facets)
    records = [
        {
            "plane": facets[int(level.plane[k])].id,
            "at": level.centre[k].tolist(),
            "size_m": float(level.size[k]),
            "taut_length_m": None,
        }
        for k in range(len(at))
    ]
    grids, packed = pack_cells(records, [facet.id for facet in roof.planes])
    if packed is None:
        raise InputError(plan.file or "plan", "work", "no area", "work on some roof plane")
    return _Fixed(key, rules, boundary, protected(boundary, plan), edges, at, radius, area, grids, packed)


def _segment(segment: EdgeSegment) -> Record:
    made = {
        "edge": segment.edge,
        "anchor": segment.anchor,
        "from_m": round(segment.from_m, 6),
        "to_m": round(segment.to_m, 6),
        "state": segment.state,
        "protection": segment.protection,
        "breaks": segment.breaks,
    }
    if segment.state in FALL_STATES:  # of others no figure is drawn
        made |= {key: getattr(segment, key) for key in FIGURES}
    return made


def _told(segments: Iterable[Record]) -> Told:
    by_edge: dict[str, list[Record]] = {}
    for segment in segments:
        by_edge.setdefault(segment["edge"], []).append(segment)
    keys: dict[str, Hashable] = {
        edge: tuple(tuple(s.values()) for s in found) for edge, found in by_edge.items()
    }
    return Told({edge: tuple(found) for edge, found in by_edge.items()}, keys)


def _stretch(stretch: Stretch) -> Record:
    made: Record = {
        "edge": stretch.edge,
        "from_m": round(stretch.from_m, 3),
        "to_m": round(stretch.to_m, 3),
        "ends": [_rounded(stretch.start, 3), _rounded(stretch.end, 3)],
        "outward": _rounded(stretch.outward, 4),
        "state": stretch.state,
        "anchor": stretch.anchor,
    }
    if stretch.state in FALL_STATES:
        figures = {key: stretch.figures.get(key) for key in FIGURES}
        made["figures"] = {k: None if v is None else round(float(v), 6) for k, v in figures.items()}
        made["breaks"] = list(stretch.figures.get("breaks") or ())
    return made


def _rounded(values: Floats, digits: int) -> list[float]:
    return [round(value, digits) for value in values.tolist()]
