"""The result of a check, and its plain form for the result file."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any

import numpy as np

import roof3d
from roof3d.fall import Cells, Exposure, Terms
from roof3d.levels import HALF_WIDTH_M, REACH_M, find_steps, step_words
from roof3d.records import STATES, EdgeSegment, Finding, Floats, Plan, Roof
from roof3d.rules import RuleSet, load_rules

SCHEMA = "roof3d-result/1"
DIGITS = 6
COUNTED = ("danger", "warning")

CAUTIONS = (
    "This result supports a competent or qualified person; it does not replace one.",
    "Verify dimensions, edges, levels below and anchor places on site before use.",
    "The manufacturer's instructions and the local code govern.",
    "Anchors need structure proven by a licensed engineer.",
    "Plan rescue before work starts; a suspended person needs help within minutes.",
    "Inspect equipment and anchors before each use.",
)


@dataclass(frozen=True, eq=False)
class AnchorResult:
    """What the check found for one anchor or anchor line. Lengths m, areas m2, forces N."""

    id: str
    kind: str  # point, line
    points: Floats  # (n, 3) local; one for a point
    line_length_m: float
    policy: str
    served_area_m2: float
    load_n: float | None
    rating_n: float | None
    verdict: str  # on the rating: ok, design, unknown, short
    terms: Terms
    arrest: dict[str, Any]
    loads: tuple[dict[str, Any], ...] = ()  # of the points of an anchor line
    spans: tuple[dict[str, Any], ...] = ()
    lies: Floats | None = None  # (k, 3) local: the way of an anchor line at rest, ends, supports and bends
    rated: dict[str, Any] = field(default_factory=dict)  # direction of a single anchor, by the result's names


@dataclass(frozen=True, eq=False)
class Result:
    """Everything that a check computed. Local frame; ``to_json`` turns to the loaded frame."""

    roof: Roof
    plan: Plan
    rules: RuleSet
    anchors: tuple[AnchorResult, ...]
    segments: tuple[EdgeSegment, ...]
    cells: Cells
    exposure: Exposure
    steps: dict[str, tuple[tuple[float, float], ...]]  # stretches of edge that are steps, by edge id
    findings: tuple[Finding, ...]
    assumptions: tuple[str, ...]

    @property
    def work_m2(self) -> float:
        """Area of all work."""
        return self.cells.total_m2

    @property
    def served_m2(self) -> float:
        """Area of the work that some anchor certainly serves."""
        return float(self.cells.area[self.cells.any_served].sum())

    @property
    def worst_state(self) -> str:
        """The worst state of all segments; "beyond" where there are none.

        "guarded" where no edge is in a worse state than out of reach, some of them only by what guards them.
        """
        worst = STATES[min((STATES.index(s.state) for s in self.segments), default=len(STATES) - 1)]
        return "guarded" if worst == "beyond" and any(s.protection for s in self.segments) else worst

    @property
    def worst_margin_m(self) -> float | None:
        """The least margin of all segments where a fall is possible."""
        margins = [s.margin_m for s in self.segments if s.margin_m is not None]
        return min(margins, default=None)

    @property
    def counted(self) -> int:
        """Number of findings that are more than notes."""
        return sum(f.severity in COUNTED for f in self.findings)

    @property
    def exit_status(self) -> int:
        """0 where all limits hold, 1 with findings."""
        return 1 if self.counted else 0

    def to_json(self) -> dict[str, Any]:
        """Plain values for the result file: loaded frame, metres, six decimals, fixed order."""
        roof, plan = self.roof, self.plan
        data = {
            "schema": SCHEMA,
            "software": {"name": "roof3d", "version": roof3d.__version__},
            "model": model_json(roof),
            "plan": {
                "file": plan.file,
                "sha256": plan.sha256,
                "title": plan.title,
                "worker_mass_kg": plan.worker.mass
                if plan.worker.mass is not None
                else self.rules.value("worker_mass"),
                "attachment_height_m": plan.worker.attachment_height,
                "kneeling_height_m": plan.worker.kneeling_height,
            },
            "rules": self.rules.to_json(),
            "swept_footprint": {
                "reach_m": max(REACH_M, plan.worker.attachment_height),
                "half_width_m": HALF_WIDTH_M,
            },
            "assumptions": list(self.assumptions),
            "planes": planes_json(roof),
            "edges": edges_json(roof, self.steps),
            "anchors": [self._anchor(anchor) for anchor in self.anchors],
            "edge_segments": [self._segment(segment) for segment in self.segments],
            "work": {
                "area_m2": self.work_m2,
                "served_m2": self.served_m2,
                "unserved_m2": max(0.0, self.work_m2 - self.served_m2),
            },
            "exposure": self._exposure(),
            "findings": [
                {
                    "code": f.code,
                    "severity": f.severity,
                    "text": f.text,
                    "element": f.element,
                    "at": None if f.at is None else roof.to_loaded(f.at),
                }
                for f in self.findings
            ],
            "cautions": list(CAUTIONS),
            "summary": {
                "worst_state": self.worst_state,
                "worst_margin_m": self.worst_margin_m,
                "anchors": len(self.anchors),
                "findings": self.counted,
                "notes": len(self.findings) - self.counted,
            },
        }
        plain_data: dict[str, Any] = plain(data)
        return plain_data

    def _anchor(self, anchor: AnchorResult) -> dict[str, Any]:
        points = self.roof.to_loaded(anchor.points)
        place = {"at": points[0]} if anchor.kind == "point" else {"points": points}
        terms = anchor.terms
        return {
            "id": anchor.id,
            "kind": anchor.kind,
            **place,
            "line_length_m": anchor.line_length_m,
            "policy": anchor.policy,
            "served_area_m2": anchor.served_area_m2,
            "load_kN": None if anchor.load_n is None else anchor.load_n / 1000,
            "rating_kN": None if anchor.rating_n is None else anchor.rating_n / 1000,
            **anchor.rated,
            "verdict": anchor.verdict,
            **({} if anchor.lies is None else {"lies": self.roof.to_loaded(anchor.lies)}),
            "clearance_terms": {
                "attachment_height_m": terms.attachment,
                "deceleration_m": terms.deceleration,
                "activation_m": terms.activation,
                "line_elongation": terms.elongation,
                "harness_stretch_m": terms.harness,
                "margin_m": terms.margin,
                "required_without_surplus_m": float(terms.below_edge(anchor.line_length_m)),
                "stretch_from_standing_m": float(terms.stretch(anchor.line_length_m, terms.attachment)),
                "least_absorber_force_N": terms.least_force,
            },
            "arrest": anchor.arrest,
            "loads": list(anchor.loads),
            "spans": list(anchor.spans),
        }

    def _segment(self, s: EdgeSegment) -> dict[str, Any]:
        loaded = self.roof.to_loaded
        return {
            "edge": s.edge,
            "from_m": s.from_m,
            "to_m": s.to_m,
            "start": loaded(s.start),
            "end": loaded(s.end),
            "anchor": s.anchor,
            "state": s.state,
            "taut_length_m": s.taut_length_m,
            "surplus_m": s.surplus_m,
            "free_fall_m": s.free_fall_m,
            "swing_drop_m": s.swing_drop_m,
            "swing_angle_deg": s.swing_angle_deg,
            "rest_point": None if s.rest_point is None else loaded(s.rest_point),
            "clearance_point": None if s.clearance_point is None else loaded(s.clearance_point),
            "clearance_required_m": s.clearance_required_m,
            "clearance_available_m": s.clearance_available_m,
            "margin_m": s.margin_m,
            "strikes": s.strikes,
            "doubt": s.doubt,
            "protection": s.protection,
            "breaks": list(s.breaks),
            **_sums(dict(s.sums), float(self.roof.mesh.origin[2])),
        }

    def _exposure(self) -> dict[str, Any]:
        cells, shown = self.cells, self.exposure
        centre = self.roof.to_loaded(
            np.column_stack((cells.centre, cells.at[:, 2] if len(cells.at) else np.zeros(0)))
        )
        any_served = cells.any_served
        served_by = cells.served.sum(axis=1)
        taut = cells.taut.min(axis=1, initial=np.inf)
        free_fall = np.maximum(shown.surplus + self.plan.worker.attachment_height, 0.0)
        return {
            "cell_m": float(cells.size.max(initial=0.0)),
            "least_cell_m": float(cells.size.min(initial=0.0)) if len(cells.size) else 0.0,
            "cells": [
                {
                    "plane": cells.planes[int(cells.plane[k])],
                    "at": centre[k],
                    "size_m": float(cells.size[k]),
                    "served": bool(any_served[k]),
                    "served_by": int(served_by[k]),
                    "taut_length_m": float(taut[k]),
                    "state": STATES[int(shown.state[k])] if shown.state[k] >= 0 else None,
                    "margin_m": float(shown.margin[k]),
                    "free_fall_m": float(free_fall[k]),
                    "swing_drop_m": float(shown.swing_drop[k]),
                    "anchor": self.anchors[int(shown.anchor[k])].id if shown.anchor[k] >= 0 else None,
                }
                for k in range(len(cells.plane))
            ],
        }


def _sums(sums: dict[str, float], origin: float) -> dict[str, Any]:
    """What the figures of a segment were summed from: the clearance terms, and the rest by name.

    ``origin`` is the loaded height of the local frame, for the potential, which is a height.
    """
    if "rest_potential_m" in sums:
        sums["rest_potential_m"] += origin
    letters = ("h", "s", "X", "k", "M")
    terms = {name: sums[name] for name in letters if name in sums}
    return {
        "clearance_terms": terms or None,
        "sums": {name: value for name, value in sums.items() if name not in letters},
    }


def model_json(roof: Roof) -> dict[str, Any]:
    """The model part of a result."""
    mesh = roof.mesh
    return {
        "file": mesh.file,
        "sha256": mesh.sha256,
        "unit": mesh.unit,
        "up": mesh.up,
        "triangles": mesh.triangles_in_file,
        "repairs": list(mesh.repairs),
        "doubts": list(mesh.doubts),
        "grade_m": roof.grade + float(mesh.origin[2]),
        "grade_source": roof.grade_source,
    }


def planes_json(roof: Roof) -> list[dict[str, Any]]:
    """The roof planes of a result."""
    return [
        {
            "id": facet.id,
            "pitch_deg": facet.pitch_deg,
            "azimuth_deg": facet.azimuth_deg,
            "area_m2": facet.area_m2,
            "centroid": roof.to_loaded(facet.centroid),
            "rings": [roof.to_loaded(ring) for ring in facet.rings],
        }
        for facet in roof.planes
    ]


def edges_json(roof: Roof, steps: dict[str, tuple[tuple[float, float], ...]]) -> list[dict[str, Any]]:
    """The edges of a result; ``steps``: stretches that are steps, by edge id."""
    return [
        {
            "id": edge.id,
            "kind": edge.kind,
            "fall": edge.fall,
            "planes": list(edge.facets),
            "points": roof.to_loaded(edge.points),
            "length_m": edge.length_m,
            "drop_m": edge.drop_m,
            "outward": edge.outward,
            "steps": list(steps.get(edge.id, ())),
            "doubt": edge.doubt,
        }
        for edge in roof.edges
    ]


def inspection(roof: Roof) -> dict[str, Any]:
    """What ``inspect`` writes: model, assumptions, planes and edges, without a plan."""
    height = load_rules(Plan().rules).value("step_height")  # the same in all rule sets
    steps = find_steps(roof, height)
    data: dict[str, Any] = plain(
        {
            "schema": SCHEMA,
            "software": {"name": "roof3d", "version": roof3d.__version__},
            "model": model_json(roof),
            "assumptions": [*roof.assumptions, *step_words(height, steps.values())],
            "planes": planes_json(roof),
            "edges": edges_json(roof, steps),
        }
    )
    return data


def plain(value: Any) -> Any:
    """Plain JSON values: arrays as lists, floats to six decimals, no number where there is none."""
    if isinstance(value, dict):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [plain(item) for item in value]
    if isinstance(value, np.ndarray):
        return plain(value.tolist())
    if isinstance(value, (bool, np.bool_)):
        return bool(value)
    if isinstance(value, (int, np.integer)):
        return int(value)
    if isinstance(value, (float, np.floating)):
        number = float(value)
        return round(number, DIGITS) + 0.0 if math.isfinite(number) else None
    return value
