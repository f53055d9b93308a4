"""First looks while a plan is changed: coarse, quick, and never better than the full check.

Each anchor is assessed by the steps of a check, with the boundary in large pieces: what stays open within
a piece counts as the worse. What is served is told for large cells, each as a whole. Looks are
kept, so that what did not change costs nothing; all anchors together give the picture.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from roof3d.check.places import anchor_places
from roof3d.check.result import edges_json
from roof3d.check.run import tie_anchor
from roof3d.errors import InputError
from roof3d.fall import Boundary, make_boundary, protected, work_shapes
from roof3d.fall.reach import cell_points, first_cells, ring_lengths
from roof3d.plan import rules_for
from roof3d.records import Anchor, AnchorLine, EdgeSegment, Floats, Plan, Roof
from roof3d.rules import RuleSet
from roof3d.show.page.packed import pack_cells, pack_counts, pack_lengths
from roof3d.show.scene import FALL_STATES, PlaneShape, Stretch, overlay
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
class Look:
    """What one anchor does, at a first look."""

    anchor: str
    segments: tuple[Record, ...]  # in the keys of a result
    taut: Floats  # (cells,) at most, the longer of kneeling and standing; inf out of reach
    served: np.ndarray  # (cells,) bool, each as a whole


@dataclass(frozen=True, eq=False)
class _Fixed:
    """What does not change while anchors move."""

    key: Plan
    rules: RuleSet
    boundary: Boundary
    guards: list[list[tuple[float, float, str]]]
    edges: list[Record]
    at: Floats  # (n, 3) a point of each cell
    radius: Floats  # (n,) from there to its furthest point
    area: Floats  # (n,) m2
    planes: list[Record]
    packed: Record


class QuickLook:
    """Looks at the single anchors of plans on one roof, and keeps them."""

    def __init__(self, roof: Roof) -> None:
        self._roof = roof
        self._fixed: _Fixed | None = None
        self._looks: dict[Any, Look] = {}
        origin = roof.mesh.origin
        self._shapes = tuple(
            PlaneShape(p.id, p.rings, p.pitch_deg, p.azimuth_deg, p.area_m2) for p in roof.planes
        )
        self._nil = np.zeros_like(origin)

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
        segments = tuple(_segment(segment) for segment in tied.segments)
        made = Look(name, segments, longer, longer + fixed.radius <= length)
        while len(self._looks) >= KEPT:
            del self._looks[next(iter(self._looks))]
        self._looks[source, without_anchors(plan)] = made
        return made

    def picture(
        self, plan: Plan, looks: Sequence[Look], checked: dict[str, list[Record]] | None = None
    ) -> Record:
        """All that the page draws of a first look: reach and edges for the worst of all anchors.

        ``checked``: segments of a full check for anchors that have not changed since; they are taken
        instead of looks. The reach is that of ``looks`` alone.
        """
        fixed = self._prepared(plan)
        precise = checked or {}
        segments = [s for found in precise.values() for s in found]
        segments += [s for look in looks if look.anchor not in precise for s in look.segments]
        stretches, _ = overlay({"edges": fixed.edges, "edge_segments": segments}, self._shapes, self._nil)
        count = len(fixed.at)
        taut = np.minimum.reduce([np.full(count, np.inf), *(look.taut for look in looks)])
        served = np.sum([np.zeros(count, np.int64), *(look.served for look in looks)], axis=0)
        return {
            "planes": fixed.planes,
            "cells": {**fixed.packed, "taut": pack_lengths(taut), "served": pack_counts(served)},
            "stretches": [_stretch(stretch) for stretch in stretches],
            "served_m2": round(float(fixed.area[served > 0].sum()), 2),
        }

    def _prepared(self, plan: Plan) -> _Fixed:
        key = without_anchors(plan)
        if self._fixed is None or self._fixed.key != key:
            self._fixed = _fix(self._roof, plan, key)
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
    edges = edges_json(roof, walked)
    for record, edge in zip(edges, roof.edges, strict=True):
        record["points"] = edge.points  # local, as all that is drawn
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
    planes, packed = pack_cells(records, [facet.id for facet in roof.planes])
    if packed is None:
        raise InputError(plan.file or "plan", "work", "no area", "work on some roof plane")
    return _Fixed(key, rules, boundary, protected(boundary, plan), edges, at, radius, area, planes, packed)


def _segment(segment: EdgeSegment) -> Record:
    return {
        "edge": segment.edge,
        "anchor": segment.anchor,
        "from_m": round(segment.from_m, 6),
        "to_m": round(segment.to_m, 6),
        "state": segment.state,
        "protection": segment.protection,
        "breaks": list(segment.breaks),
        **{key: getattr(segment, key) for key in FIGURES},
    }


def _stretch(stretch: Stretch) -> Record:
    made: Record = {
        "edge": stretch.edge,
        "from_m": round(stretch.from_m, 3),
        "to_m": round(stretch.to_m, 3),
        "ends": [np.round(stretch.start, 3).tolist(), np.round(stretch.end, 3).tolist()],
        "outward": np.round(stretch.outward, 4).tolist(),
        "state": stretch.state,
        "anchor": stretch.anchor,
        "number": stretch.number,
    }
    if stretch.state in FALL_STATES:
        figures = {key: stretch.figures.get(key) for key in FIGURES}
        made["figures"] = {k: None if v is None else round(float(v), 6) for k, v in figures.items()}
        made["breaks"] = list(stretch.figures.get("breaks") or ())
    return made
