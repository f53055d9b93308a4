"""Tables of a report's evidence: loads, takeoff, roof planes, rule values, and sources."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from roof3d.formulas import show_value
from roof3d.show.blocks import Block, pairs_block, table_block, table_of, text_block
from roof3d.show.labels import DASH, length_text, place_words
from roof3d.show.scene import Scene, version_of
from roof3d.show.takeoff import make_takeoff
from roof3d.show.told import told
from roof3d.show.words import Texts
from roof3d.units import System, format_angle, format_area, format_force, format_pitch


def loads(scene: Scene, texts: Texts, units: System) -> list[Block]:
    """Loads on anchors, on the points of anchor lines, and their spans."""

    def force(value: Any, direction: Any) -> str:
        if not isinstance(value, int | float) or not math.isfinite(value):
            return texts("report.load_missing")
        return format_force(1000.0 * value, units, direction=direction)

    def word(value: Any) -> str:
        return texts.get(f"rating.{value}", str(value or texts("common.unknown")))

    rows: list[Sequence[str]] = []
    points: list[Sequence[str]] = []
    spans: list[Sequence[str]] = []
    for mark in scene.anchors:
        record = mark.record
        served = record.get("served_area_m2")
        arrest = table_of(record, "arrest")
        stopped = arrest.get("stopped")
        rows.append(
            (
                mark.id,
                "; ".join(place_words(point, units) for point in mark.points + scene.origin),
                DASH if served is None else format_area(served, units),
                length_text(arrest.get("free_fall_m"), units, "up"),
                DASH if stopped is None else texts("common.yes" if stopped else "common.no"),
                force(record.get("load_kN"), "up"),
                force(record.get("rating_kN"), "down"),
                word(record.get("verdict")),
            )
        )
        points += [
            (
                f"{mark.id}.{load.get('point')}",
                told(str(load.get("kind", "")), units, texts),
                force(load.get("load_kN"), "up"),
                force(load.get("needs_kN"), "up"),
                force(load.get("rating_kN"), "down"),
                word(load.get("verdict")),
                told(str(load.get("case", "")), units, texts),
            )
            for load in record.get("loads") or []
        ]
        spans += [
            (
                f"{mark.id}, {span.get('span')}",
                length_text(span.get("length_m"), units, "up"),
                length_text(span.get("loaded_length_m"), units, "up"),
                length_text(span.get("deflection_m"), units, "up"),
                force(span.get("pull_kN"), "up"),
            )
            for span in record.get("spans") or []
        ]

    def table(names: str, body: list[Sequence[str]], wide: str) -> Block:
        left = {"anchor", "at", "point", "kind", "verdict", "case", "span", "stopped"}
        columns = [
            (texts(f"report.col_{n}"), 1.0 if n == wide else 0, "left" if n in left else "right")
            for n in names.split()
        ]
        return table_block(columns, body)

    blocks = [
        text_block(texts("report.section_loads_note"), soft=True),
        table("anchor at served free_fall stopped load rating verdict", rows, "at"),
    ]
    if points:
        blocks.append(table("point kind load required rating verdict case", points, "case"))
    if spans:
        blocks.append(table("span length loaded deflection pull", spans, "span"))
    return blocks


def takeoff(scene: Scene, texts: Texts, units: System) -> Block:
    """Quantities without prices: a result does not hold them."""
    columns = [
        (texts("report.col_item"), 1.0, "left"),
        (texts("report.col_quantity"), 0, "right"),
        (texts("report.col_unit"), 0, "left"),
    ]
    rows = []
    for item in make_takeoff(scene.result).items:
        if item.unit == "m":
            rows.append((told(item.text, units), length_text(item.quantity, units, "up"), ""))
        else:
            unit = texts.get(f"report.unit_{item.unit}", item.unit)
            rows.append((told(item.text, units), f"{item.quantity:g}", unit))
    return table_block(columns, rows)


def planes(scene: Scene, texts: Texts, units: System) -> Block:
    """Roof planes."""
    columns = [
        (texts("report.col_plane"), 0, "left"),
        (texts("report.col_pitch"), 1.0, "right"),
        (texts("report.col_azimuth"), 1.0, "right"),
        (texts("report.col_area"), 1.0, "right"),
    ]
    return table_block(
        columns,
        (
            (
                plane.id,
                format_pitch(plane.pitch_deg),
                format_angle(round(plane.azimuth_deg, 1) % 360) if math.isfinite(plane.azimuth_deg) else DASH,
                format_area(plane.area_m2, units),
            )
            for plane in scene.planes
        ),
    )


def rules(result: dict[str, Any], texts: Texts, units: System) -> list[Block]:
    """Values of the rule set with their sources, and how it measures clearance."""
    rules = result.get("rules")
    entries = rules.get("values") or rules.get("entries") if isinstance(rules, dict) else None
    if isinstance(entries, dict):
        entries = [{"name": name, **entry} for name, entry in entries.items() if isinstance(entry, dict)]
    if not entries:
        return [text_block(texts("report.section_rules_none"))]
    rows = []
    for entry in entries:
        source = ", ".join(
            str(entry[key]) for key in ("document", "clause", "year") if entry.get(key) not in (None, "")
        )
        value = entry.get("value")
        unit = str(entry.get("unit") or "").removesuffix("1")
        number = show_value(value, unit, units) if isinstance(value, int | float) else str(value)
        rows.append(
            (
                str(entry.get("name", "")).replace("_", " "),
                number,
                entry.get("text") or DASH,
                source or DASH,
                entry.get("status") or texts("common.unknown"),
            )
        )
    columns = [
        (texts("report.col_name"), 1.2, "left"),
        (texts("report.col_value"), 0, "right"),
        (texts("report.col_printed"), 1.2, "left"),
        (texts("report.col_source"), 2.0, "left"),
        (texts("report.col_status"), 0, "left"),
    ]
    blocks = [text_block(texts("report.section_rules_note"), soft=True), table_block(columns, rows)]
    budget = rules.get("budget") if isinstance(rules, dict) else None
    if isinstance(budget, dict):
        source = ", ".join(str(budget[k]) for k in ("document", "clause", "year", "status") if budget.get(k))
        blocks.append(text_block(texts("report.budget", text=budget.get("text") or DASH, source=source)))
    return blocks


def source(scene: Scene, texts: Texts, units: System) -> Block:
    """Files, hashes and software behind a result."""
    result = scene.result
    model, plan, rules = table_of(result, "model"), table_of(result, "plan"), result.get("rules")
    name = rules.get("name") if isinstance(rules, dict) else rules
    unknown, none = texts("common.unknown"), texts("common.none")
    return pairs_block(
        [
            (texts("report.source_model"), str(model.get("file") or unknown)),
            (texts("report.source_model_hash"), str(model.get("sha256") or unknown)),
            (texts("report.source_plan"), str(plan.get("file") or none)),
            (texts("report.source_plan_hash"), str(plan.get("sha256") or none)),
            (texts("report.source_unit"), f"{model.get('unit', unknown)}, {model.get('up', unknown)}"),
            (texts("report.source_triangles"), str(model.get("triangles", unknown))),
            (texts("report.source_rules"), str(name or unknown)),
            (texts("report.source_software"), f"roof3d {version_of(result)}"),
            (texts("report.source_schema"), str(result.get("schema"))),
            (texts("report.source_frame"), texts(f"report.source_frame_{units}")),
        ]
    )
