"""A first look at one anchor while it is dragged: coarse, quick, and never better than the full check.

Edge states come from the same certified assessment as in a check, with large pieces: what stays open
within a piece counts as the worse. What is served is told for large cells, each as a whole.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from roof3d import taut
from roof3d.check.places import anchor_places
from roof3d.check.terms import make_terms
from roof3d.fall import (
    AnchorRuler,
    Boundary,
    Cells,
    Limits,
    Ruler,
    Tie,
    assess,
    make_boundary,
    make_cells,
    make_segments,
    protected,
    work_shapes,
)
from roof3d.fall.states import reach_limit
from roof3d.plan import rules_for
from roof3d.records import EdgeSegment, Floats, Plan, Roof
from roof3d.show.page.packed import pack_cells
from roof3d.show.view_plan import line_of

MOST_CELLS = 500
MOST_PIECES = 240
PIECE_M = 0.5


class QuickLook:
    """Keeps what does not change while an anchor moves."""

    def __init__(self, roof: Roof) -> None:
        self._roof = roof
        self._key: Any = None
        self._fixed: tuple[Any, Boundary, Any, Limits, dict[str, Any]] | None = None

    def look(self, plan: Plan, name: str) -> dict[str, Any]:
        """Reach and edge states of one anchor of the plan; states only for single anchors.

        Raises InputError where the anchor lies inside the building or far away.
        """
        roof = self._roof
        rules, boundary, guards, limits, shapes = self._prepared(plan)
        one = replace(
            plan,
            anchors=tuple(a for a in plan.anchors if a.id == name),
            anchor_lines=tuple(a for a in plan.anchor_lines if a.id == name),
        )
        singles, lines = anchor_places(roof, one)
        line = line_of(plan, name)
        length = line.length or 0.0
        terms, _ = make_terms(plan, rules, line, length)
        area = sum(shape.area for shape in shapes.values())
        cell = max(0.4, float(np.sqrt(area / MOST_CELLS)))
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
        cells = make_cells(
            roof.planes,
            shapes,
            [ruler],
            [length],
            (plan.worker.kneeling_height, plan.worker.attachment_height),
            cell_m=cell,
            least_m=cell,
        )
        planes, packed = pack_cells(_records(cells), [facet.id for facet in roof.planes])
        return {
            "id": name,
            "planes": planes,
            "cells": packed,
            "segments": None if segments is None else [_segment(segment) for segment in segments],
        }

    def _prepared(self, plan: Plan) -> tuple[Any, Boundary, Any, Limits, dict[str, Any]]:
        key = (plan.rules, plan.file, plan.clearance, plan.limits, plan.work, plan.protection, plan.worker)
        if self._fixed is None or self._key != key:
            rules = rules_for(plan)
            boundary = make_boundary(
                self._roof, plan.worker.attachment_height, rules.value("steep_slope_above_deg")
            )
            limits = Limits(rules.get("swing_drop_limit"), rules.get("swing_angle_limit_deg"))
            self._fixed = (
                rules,
                boundary,
                protected(boundary, plan),
                limits,
                work_shapes(self._roof, plan),
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


def _records(cells: Cells) -> list[dict[str, Any]]:
    """Cells as a result has them, in the local frame."""
    return [
        {
            "plane": cells.planes[int(cells.plane[k])],
            "at": [*cells.centre[k], 0.0],
            "size_m": float(cells.size[k]),
            "served": bool(cells.served[k, 0]),
            "state": None,
            "taut_length_m": float(cells.taut[k, 0]) if np.isfinite(cells.taut[k, 0]) else None,
        }
        for k in range(len(cells.plane))
    ]


def _segment(segment: EdgeSegment) -> dict[str, Any]:
    return {
        "edge": segment.edge,
        "from_m": round(segment.from_m, 3),
        "to_m": round(segment.to_m, 3),
        "ends": [np.round(segment.start, 3).tolist(), np.round(segment.end, 3).tolist()],
        "state": "guarded" if segment.protection and segment.state == "beyond" else segment.state,
    }
