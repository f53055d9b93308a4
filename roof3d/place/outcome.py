"""A choice in plain values for a file, and several choices side by side as a table."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from roof3d.place.advise import Gap, explain_gaps
from roof3d.place.choose import Placement
from roof3d.units import format_area, format_length

SCHEMA = "roof3d-placement/1"
HEADINGS = ("by", "anchors", "line", "cost", "served", "not served", "worst margin", "proof")


def placement_json(placement: Placement, gaps: Sequence[Gap] | None = None) -> dict[str, Any]:
    """Plain values: loaded frame, metres, m2; the check of the plan is its own result.

    ``gaps``: what ``explain_gaps`` said of it, where that is known already.
    """
    cover = placement.cover
    roof = placement.study.roof
    return {
        "schema": SCHEMA,
        "kind": placement.kind,
        "aim": placement.aim,
        "proof": {
            "text": placement.proof,
            "best": round(cover.best, 6),
            "bound": round(placement.bound, 6),
            "gap": round(placement.gap, 6),
            "bound_for_these_cells": round(cover.bound, 6),
            "proven": placement.proven,
            "doubts": list(placement.doubts),
            "parts": cover.parts,
        },
        "anchors": placement.anchors,
        "line_m": round(placement.line_m, 6),
        "cost": None if placement.cost is None else round(placement.cost, 2),
        "currency": placement.plan.prices.currency,
        "work": {
            "area_m2": round(placement.work_m2, 6),
            "unserved_m2": round(placement.unserved_m2, 6),
            "left_out_m2": round(placement.left_m2, 6),
            "cells": len(placement.study.demand.area),
            "served_by_first": [
                {"anchor": name, "served_m2": round(area, 6)} for name, area in placement.growth
            ],
            "gaps": [
                {
                    "plane": gap.plane,
                    "area_m2": round(gap.area_m2, 6),
                    "reason": gap.reason,
                    "would_help": list(gap.advice),
                }
                for gap in (explain_gaps(placement) if gaps is None else gaps)
            ],
        },
        "worst_margin_m": None if placement.worst_margin_m is None else round(placement.worst_margin_m, 6),
        "candidates": [
            {
                "id": column.id,
                "kind": column.kind,
                "points": [[round(float(v), 6) for v in point] for point in roof.to_loaded(column.points)],
                "longest_line_m": column.allowed.length,
                "longest_restraint_m": column.restrained,
                "blocked_by": list(column.allowed.blocked_by),
                "reason": column.allowed.reason,
            }
            for column in placement.study.columns
        ],
        "assumptions": list(placement.assumptions),
    }


def table_rows(placements: Sequence[Placement], units: str = "m") -> list[tuple[str, ...]]:
    """One row of text for each choice under ``HEADINGS``; units in the cells."""
    system: Any = units
    rows: list[tuple[str, ...]] = []
    for one in placements:
        if not one.named:
            margin = "-"
        elif one.worst_margin_m is None:
            margin = "no edge passed"
        else:
            margin = format_length(one.worst_margin_m, system)
        cost = "no prices" if one.cost is None else f"{one.cost:.2f} {one.plan.prices.currency}".strip()
        rows.append(
            (
                one.kind,
                str(one.anchors),
                format_length(one.line_m, system),
                cost,
                format_area(one.work_m2 - one.unserved_m2, system),
                format_area(one.unserved_m2, system),
                margin,
                _standing(one),
            )
        )
    return rows


def _standing(one: Placement) -> str:
    """How sure a choice is, in a few words. "Fewest" is said only where nothing speaks against it."""
    if not one.named:
        return "nothing chosen"
    if one.proven:
        return "fewest" if one.aim == "fewest" else "least cost"
    share = f"gap {100 * one.gap:.1f} %" if one.gap > 0 else "gap nil"
    if not one.complete:
        return f"{share} for what is served"
    return f"{share}, in doubt" if one.doubts else share
