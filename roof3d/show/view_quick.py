"""A first look at one anchor while it is dragged: coarse, quick, and never better than the full check.

Edge states come from the same certified assessment as in a check, with large pieces: what stays open
within a piece counts as the worse. What is served is told for large cells, each as a whole.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from roof3d import taut
from roof3d.check.places import anchor_places
from roof3d.check.terms import make_limits, make_terms
from roof3d.errors import InputError
from roof3d.fall import (
    AnchorRuler,
    Boundary,
    Ruler,
    Tie,
    assess,
    make_boundary,
    make_segments,
    protected,
    work_shapes,
)
from roof3d.fall.reach import cell_points, first_cells, ring_lengths
from roof3d.fall.states import reach_limit
from roof3d.plan import rules_for
from roof3d.records import EdgeSegment, Floats, Plan, Roof
from roof3d.show.page.packed import pack_cells, pack_flags, pack_lengths
from roof3d.show.view_plan import line_of

MOST_CELLS = 500
MOST_PIECES = 240
PIECE_M = 0.5
LEAST_CELL_M = 0.4


class QuickLook:
    """Keeps what does not change while an anchor moves."""

    def __init__(self, roof: Roof) -> None:
        self._roof = roof
        self._key: Any = None
        self._fixed: tuple[Any, Boundary, Any, _Cells] | None = None

    def look(self, plan: Plan, name: str) -> dict[str, Any]:
        """Reach and edge states of one anchor of the plan; states only for single anchors.

        Raises InputError where the anchor lies inside the building or far away.
        """
        roof = self._roof
        rules, boundary, guards, cells = self._prepared(plan)
        one = replace(
            plan,
            anchors=tuple(a for a in plan.anchors if a.id == name),
            anchor_lines=tuple(a for a in plan.anchor_lines if a.id == name),
        )
        singles, lines = anchor_places(roof, one)
        line = line_of(plan, name)
        length = line.length or 0.0
        terms, connector = make_terms(plan, rules, line, length)
        limits = make_limits(plan, rules, connector, terms, length)
        preparation = taut.prepare(roof)
        tie = Tie(length, line.policy, line.slack)
        ruler: Ruler
        segments: list[EdgeSegment] | None = None
        if one.anchors:
            ruler = AnchorRuler(singles[0], preparation, reach_limit(tie, terms))
            if line.policy != "restraint":
                piece = max(PIECE_M, float(boundary.length.sum()) / MOST_PIECES)
                result = assess(boundary, ruler, tie, terms, limits, guards, spacing=piece, tolerance=piece)
                segments = make_segments(result, terms, name, guards)
        else:
            ruler = _AnyOf(tuple(AnchorRuler(point, preparation) for point in lines[0]))
        heights = (plan.worker.kneeling_height, plan.worker.attachment_height)
        _, upper = ring_lengths(ruler, cells.at, cells.radius, length, heights)
        longer = upper.max(axis=0)
        return {
            "id": name,
            "planes": cells.planes,
            "cells": {
                **cells.packed,
                "taut": pack_lengths(longer),
                "served": pack_flags(longer + cells.radius <= length),
            },
            "segments": None if segments is None else [_segment(segment) for segment in segments],
        }

    def _prepared(self, plan: Plan) -> tuple[Any, Boundary, Any, _Cells]:
        key = (plan.rules, plan.file, plan.clearance, plan.limits, plan.work, plan.protection, plan.worker)
        if self._fixed is None or self._key != key:
            rules = rules_for(plan)
            boundary = make_boundary(
                self._roof,
                plan.worker.attachment_height,
                rules.value("steep_slope_above_deg"),
                rules.value("step_height"),
            )
            self._fixed = (
                rules,
                boundary,
                protected(boundary, plan),
                _make_cells(self._roof, plan),
            )
            self._key = key
        return self._fixed


class _AnyOf:
    """The least of several rulers: an anchor line while it is moved, reached from its supports alone."""

    def __init__(self, rulers: tuple[AnchorRuler, ...]) -> None:
        self._rulers = rulers

    def measure(self, points: Floats, limit: float = np.inf) -> Any:
        found = [ruler.measure(points, limit) for ruler in self._rulers]
        lo = np.minimum.reduce([f.lo for f in found])
        return type(found[0])(lo, np.minimum.reduce([f.hi for f in found]))

    def floor(self, points: Floats) -> Floats:
        least: Floats = np.minimum.reduce([ruler.floor(points) for ruler in self._rulers])
        return least

    def floor_between(self, start: Floats, end: Floats) -> Floats:
        least: Floats = np.minimum.reduce([ruler.floor_between(start, end) for ruler in self._rulers])
        return least

    def floor_potential(self, start: Floats, end: Floats) -> Floats:
        least: Floats = np.minimum.reduce([ruler.floor_potential(start, end) for ruler in self._rulers])
        return least

    def last_run(self, points: Floats) -> Floats:
        return np.full((len(points), 3), np.nan)


@dataclass(frozen=True, eq=False)
class _Cells:
    """Large cells of the work, which do not depend on the anchor."""

    at: Floats  # (n, 3) a point of each
    radius: Floats  # (n,) from there to its furthest point
    planes: list[dict[str, Any]]
    packed: dict[str, Any]


def _make_cells(roof: Roof, plan: Plan) -> _Cells:
    shapes = work_shapes(roof, plan)
    facets = [facet for facet in roof.planes if facet.id in shapes and not shapes[facet.id].is_empty]
    area = sum(shapes[facet.id].area for facet in facets)
    level = first_cells(facets, shapes, max(LEAST_CELL_M, float(np.sqrt(area / MOST_CELLS))))
    at, radius, _ = cell_points(level, facets)
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
    return _Cells(at, radius, planes, packed)


def _segment(segment: EdgeSegment) -> dict[str, Any]:
    return {
        "edge": segment.edge,
        "from_m": round(segment.from_m, 3),
        "to_m": round(segment.to_m, 3),
        "ends": [np.round(segment.start, 3).tolist(), np.round(segment.end, 3).tolist()],
        "state": "guarded" if segment.protection and segment.state == "beyond" else segment.state,
    }
