"""The content of a report, in order, as plain data: what PDF and HTML are both made from.

A report is a title, a verdict with reasons, a picture, parts for the page that decides, and sections
of evidence. A part is a title and blocks: text, list, lines, pairs, table, form. Every word comes from
the texts or, untouched, from the result; nothing here is markup.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

from roof3d.formulas import show_value
from roof3d.show.broken import broken, state_text
from roof3d.show.colours import SOFT_INK, to_hex
from roof3d.show.labels import DASH, length_text, margin_text, place_text
from roof3d.show.picture import VERDICT_COLOURS, summary_text
from roof3d.show.scene import Scene, Stretch, title_of, version_of
from roof3d.show.setout import DIRECTIONS, set_out
from roof3d.show.sums import clearance_sum
from roof3d.show.verdict import findings, verdict
from roof3d.show.words import Texts
from roof3d.units import System, format_angle, format_area, format_force, format_length, format_pitch

Block = dict[str, Any]
WORST_ROWS = 5
ANCHOR_ROWS = 8  # on the page that decides; all of them in the evidence
EXPLAINED = 5


def report_document(scene: Scene, texts: Texts, units: System, picture: str, paper: str) -> dict[str, Any]:
    """Everything that a report prints. ``picture`` is a file name beside it, "" for none."""
    word = verdict(scene)
    title = title_of(scene.result)
    worst = "; ".join(
        f"{place_text(s, texts, units)}, {texts.get(f'state.{s.state}', s.state)}, {margin_text(s, units)}"
        for s in scene.worst[:WORST_ROWS]
    )
    alt = texts("report.picture_alt", worst=worst) if worst else texts("report.picture_alt_none")
    return {
        "title": clean(title or texts("report.untitled")),
        "subtitle": texts("report.title"),
        "language": texts("common.language"),
        "paper": paper,
        "colour": to_hex(VERDICT_COLOURS.get(word, SOFT_INK)),
        "verdict": texts(f"verdict.{word}"),
        "reasons": reasons(scene, texts, units),
        "picture": picture,
        "picture_alt": clean(alt),
        "evidence": texts("report.evidence"),
        "footer": clean(_footer(scene)),
        "page_text": texts("report.page", page="{page}", pages="{pages}"),
        "first": [
            _part(texts("report.worst"), _worst(scene, texts, units)),
            _part(texts("report.lines"), *_anchors(scene, texts, units, ANCHOR_ROWS)),
        ],
        "sections": _sections(scene, texts, units),
    }


def clean(text: str) -> str:
    """Text without control characters, which neither format takes."""
    return "".join(c if c.isprintable() else " " for c in text)


def _sub(result: dict[str, Any], key: str) -> dict[str, Any]:
    value = result.get(key)
    return value if isinstance(value, dict) else {}


def _part(title: str, *blocks: Block) -> dict[str, Any]:
    return {"title": title, "blocks": [block for block in blocks if block]}


def text_block(text: str, soft: bool = False) -> Block:
    """A paragraph."""
    return {"kind": "text", "text": clean(text), "soft": soft}


def list_block(items: Iterable[Any]) -> Block:
    """A list of sentences."""
    return {"kind": "list", "items": [clean(str(item)) for item in items]}


def pairs_block(rows: Iterable[tuple[str, str]]) -> Block:
    """Names and values."""
    return {"kind": "pairs", "rows": [[clean(name), clean(value)] for name, value in rows]}


def table_block(columns: Sequence[tuple[str, float, str]], rows: Iterable[Sequence[Any]]) -> Block:
    """A table; columns as (title, width: 0 as wide as needed or a share of the rest, left or right)."""
    return {
        "kind": "table",
        "columns": [column[0] for column in columns],
        "widths": [column[1] for column in columns],
        "align": [column[2] for column in columns],
        "rows": [[clean(str(cell)) for cell in row] for row in rows],
    }


def form_block(
    columns: Sequence[str], widths: Sequence[float], rows: Iterable[Sequence[str]], row_mm: float
) -> Block:
    """A table with empty cells to write in."""
    return {
        "kind": "form",
        "columns": list(columns),
        "widths": list(widths),
        "rows": [list(row) for row in rows],
        "row_mm": row_mm,
    }


# ---------------------------------------------------------------------------- the page that decides


def reasons(scene: Scene, texts: Texts, units: System) -> list[str]:
    """Why the verdict is what it is, worst first."""
    said = []
    for state in ("short", "swing", "unassessed", "arrest"):
        own = [s for s in scene.stretches if s.state == state]
        if own and scene.anchors:
            length = format_length(sum(s.length for s in own), units)
            name = texts(f"state.{state}")
            said.append(texts("report.reason_state", state=name, count=len(own), length=length))
    counts = Counter(limit for stretch in scene.stretches for limit in broken(stretch, scene))
    if counts:
        names = (f"{texts.get(f'limit.{name}', name)} {count}" for name, count in counts.most_common())
        said.append(texts("report.reason_broken", limits=", ".join(names)))
    unserved = _sub(scene.result, "work").get("unserved_m2")
    if scene.anchors and unserved is not None and unserved > 0:
        said.append(texts("report.reason_unserved", area=format_area(unserved, units)))
    found = [str(f.get("severity", "danger")) for f in findings(scene.result)]
    for severity in ("danger", "warning"):
        count = found.count(severity)
        if count:
            name = texts.get(f"severity.{severity}", severity)
            said.append(texts("report.reason_findings", count=count, severity=name))
    if not scene.anchors:
        said.append(texts("report.reason_nothing"))
    elif not said:
        said.append(texts("report.reason_hold"))
    return [clean(summary_text(scene, texts, units)), *said]


def _worst(scene: Scene, texts: Texts, units: System) -> Block:
    if not scene.worst:
        return text_block(texts("report.worst_none" if scene.anchors else "report.reason_nothing"))
    columns = [
        (texts("report.col_number"), 0, "left"),
        (texts("report.col_place"), 2.2, "left"),
        (texts("report.col_anchor"), 0, "left"),
        (texts("report.col_breaks"), 2.0, "left"),
        (texts("report.col_needs"), 0, "right"),
        (texts("report.col_has"), 0, "right"),
        (texts("report.col_margin"), 0, "right"),
    ]
    return table_block(
        columns,
        (
            (
                stretch.number,
                place_text(stretch, texts, units),
                stretch.anchor,
                state_text(stretch, scene, texts),
                length_text(stretch.figures.get("clearance_required_m"), units, "up"),
                length_text(stretch.figures.get("clearance_available_m"), units, "down"),
                margin_text(stretch, units),
            )
            for stretch in scene.worst[:WORST_ROWS]
        ),
    )


def _anchors(scene: Scene, texts: Texts, units: System, most: int | None = None) -> list[Block]:
    if not scene.anchors:
        return [text_block(texts("report.reason_nothing"))]
    records = {mark.id: mark.record for mark in scene.anchors}
    rows = []
    entries = set_out(scene)
    left_out = 0 if most is None else max(0, len(entries) - most)
    for entry in entries[:most]:
        record = records.get(entry.anchor) or records.get(entry.anchor.rsplit(".", 1)[0]) or {}
        tapes = {tape.direction: tape for tape in entry.tapes}
        distances = []
        for direction in DIRECTIONS:
            tape = tapes.get(direction)
            if tape is None:
                distances.append(DASH)
            else:
                kind = texts.get(f"kind.{tape.kind}", tape.kind)
                where = f"{kind} {tape.edge}".strip()
                distances.append(f"{length_text(tape.surface_m, units, 'nearest')} {where}".strip())
        policy = str(record.get("policy", ""))
        rows.append(
            (
                entry.anchor,
                entry.plane or texts("drawing.off_roof"),
                *distances,
                length_text(record.get("line_length_m"), units, "nearest"),
                texts.get(f"policy.{policy}", policy),
            )
        )
    columns = [
        (texts("report.col_anchor"), 0, "left"),
        (texts("report.col_plane"), 0, "left"),
        *((texts(f"report.col_{direction}"), 1.0, "left") for direction in DIRECTIONS),
        (texts("report.col_length"), 0, "right"),
        (texts("report.col_policy"), 0, "left"),
    ]
    blocks = [table_block(columns, rows), text_block(texts("report.set_out_note"), soft=True)]
    if left_out:
        blocks.insert(1, text_block(texts("report.more_anchors", count=left_out)))
    return blocks


def _footer(scene: Scene) -> str:
    model, plan = _sub(scene.result, "model"), _sub(scene.result, "plan")
    names = [Path(str(record.get("file") or "")).name for record in (model, plan)]
    hashes = [str(record.get("sha256") or "")[:12] for record in (model, plan)]
    parts = [f"{name} {digest}".strip() for name, digest in zip(names, hashes, strict=True) if name]
    return " · ".join([*parts, f"roof3d {version_of(scene.result)}"])


# ------------------------------------------------------------------------------------- the evidence


def _sections(scene: Scene, texts: Texts, units: System) -> list[dict[str, Any]]:
    result = scene.result
    sections = [
        _part(texts("report.section_findings"), *_findings(scene, texts, units)),
        _part(
            texts("report.section_stretches"),
            text_block(texts("report.section_stretches_note"), soft=True),
            _stretches(scene, texts, units),
        ),
    ]
    sums = [clearance_sum(stretch, scene, texts, units) for stretch in scene.worst[:EXPLAINED]]
    blocks = [{"kind": "lines", "items": [clean(line) for line in lines]} for lines in sums if lines]
    if blocks:
        note = text_block(texts("report.section_clearance_note"), soft=True)
        sections.append(_part(texts("report.section_clearance"), note, *blocks))
    if scene.anchors:
        sections.append(_part(texts("report.section_anchors"), *_anchors(scene, texts, units)))
        sections.append(_part(texts("report.section_loads"), *_loads(scene, texts, units)))
    if result.get("takeoff"):
        sections.append(_part(texts("report.section_takeoff"), *_takeoff(result["takeoff"], texts)))
    sections.append(_part(texts("report.section_planes"), _planes(scene, texts, units)))
    for key, found in (
        ("assumptions", _assumptions(result)),
        (
            "repairs",
            [*(_sub(result, "model").get("repairs") or []), *(_sub(result, "model").get("doubts") or [])],
        ),
    ):
        block = list_block(found) if found else text_block(texts(f"report.section_{key}_none"))
        sections.append(_part(texts(f"report.section_{key}"), block))
    sections.append(_part(texts("report.section_rules"), *_rules(result, texts, units)))
    sections.append(_part(texts("report.section_source"), _source(scene, texts)))
    sections.append(_part(texts("report.section_cautions"), list_block(texts.lists["report.cautions"])))
    rescue = [(row, "") for row in texts.lists["report.rescue_rows"]]
    sections.append(_part(texts("report.section_rescue"), form_block((), (1.0, 1.6), rescue, 13.0)))
    names = [(row, "", "", "") for row in texts.lists["report.name_rows"]]
    form = form_block(texts.lists["report.name_columns"], (1.5, 1.2, 0.7, 1.2), names, 13.0)
    sections.append(_part(texts("report.section_names"), form))
    return sections


def _assumptions(result: dict[str, Any]) -> list[str]:
    """What was taken for granted, also by the mechanics of single anchors; once each."""
    said = [str(text) for text in result.get("assumptions") or []]
    for anchor in result.get("anchors") or []:
        arrest = anchor.get("arrest")
        said += [str(text) for text in (arrest.get("assumptions") or [] if isinstance(arrest, dict) else [])]
    return list(dict.fromkeys(said))


def _findings(scene: Scene, texts: Texts, units: System) -> list[Block]:
    found = findings(scene.result)
    if not found:
        return [text_block(texts("report.section_findings_none"))]
    rows = []
    for finding in found:
        at = finding.get("at")
        where = "" if at is None else ", ".join(f"{float(v):.2f}" for v in at)
        severity = str(finding.get("severity", "danger"))
        element = str(finding.get("element") or "")
        rows.append(
            (
                texts.get(f"severity.{severity}", severity),
                finding.get("text", ""),
                " ".join(part for part in (element, f"({where})" if where else "") if part),
                finding.get("code", ""),
            )
        )
    columns = [
        (texts("report.col_severity"), 0, "left"),
        (texts("report.col_text"), 2.4, "left"),
        (texts("report.col_where"), 1.0, "left"),
        (texts("report.col_code"), 0.8, "left"),
    ]
    # the check writes its findings in metres, and says so; said once more where the rest is in feet
    note = [text_block(texts("report.section_findings_note"), soft=True)] if units != "m" else []
    return [*note, table_block(columns, rows)]


def _stretches(scene: Scene, texts: Texts, units: System) -> Block:
    if not scene.worst:
        return text_block(texts("report.worst_none"))
    names = "number edge from to anchor state surplus free_fall swing angle needs has margin strikes"
    keys = names.split()
    left = {"number", "edge", "anchor", "state", "strikes"}
    columns = [
        (texts(f"report.col_{key}"), 1.0 if key == "strikes" else 0, "left" if key in left else "right")
        for key in keys
    ]
    return table_block(columns, (_stretch_row(s, texts, units) for s in scene.worst))


def _stretch_row(stretch: Stretch, texts: Texts, units: System) -> Sequence[str]:
    figures = stretch.figures
    angle = figures.get("swing_angle_deg")
    kind = texts.get(f"kind.{stretch.kind}", stretch.kind)
    meets = " / ".join(str(figures.get(key) or "") for key in ("strikes", "doubt") if figures.get(key))
    return (
        str(stretch.number),
        f"{stretch.edge} {kind}",
        length_text(stretch.from_m, units, "nearest"),
        length_text(stretch.to_m, units, "nearest"),
        stretch.anchor,
        texts.get(f"state_name.{stretch.state}", stretch.state),
        length_text(figures.get("surplus_m"), units, "up"),
        length_text(figures.get("free_fall_m"), units, "up"),
        length_text(figures.get("swing_drop_m"), units, "up"),
        DASH if angle is None else format_angle(angle),
        length_text(figures.get("clearance_required_m"), units, "up"),
        length_text(figures.get("clearance_available_m"), units, "down"),
        margin_text(stretch, units),
        meets or DASH,
    )


def _loads(scene: Scene, texts: Texts, units: System) -> list[Block]:
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
        arrest = _sub(record, "arrest")
        stopped = arrest.get("stopped")
        rows.append(
            (
                mark.id,
                "; ".join(", ".join(f"{v:.2f}" for v in point) for point in mark.points + scene.origin),
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
                str(load.get("kind", "")),
                force(load.get("load_kN"), "up"),
                force(load.get("needs_kN"), "up"),
                force(load.get("rating_kN"), "down"),
                word(load.get("verdict")),
                str(load.get("case", "")),
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


def _takeoff(takeoff: Any, texts: Texts) -> list[Block]:
    """Whatever rows the takeoff has, in its own words."""
    rows = takeoff.get("rows") or takeoff.get("items") or [] if isinstance(takeoff, dict) else takeoff
    if not isinstance(rows, list) or not rows or not all(isinstance(row, dict) for row in rows):
        return [text_block(str(takeoff))]
    keys: list[str] = []
    for row in rows:
        keys += [key for key in row if key not in keys]
    numeric = {k for k in keys if all(isinstance(row.get(k), int | float | None) for row in rows)}
    columns = [
        (key.replace("_", " "), 0 if key in numeric else 1.0, "right" if key in numeric else "left")
        for key in keys
    ]

    def cell(value: Any) -> str:
        if value is None:
            return DASH
        return f"{value:.2f}" if isinstance(value, float) else str(value)

    return [table_block(columns, ([cell(row.get(key)) for key in keys] for row in rows))]


def _planes(scene: Scene, texts: Texts, units: System) -> Block:
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


def _rules(result: dict[str, Any], texts: Texts, units: System) -> list[Block]:
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


def _source(scene: Scene, texts: Texts) -> Block:
    result = scene.result
    model, plan, rules = _sub(result, "model"), _sub(result, "plan"), result.get("rules")
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
            (texts("report.source_frame"), texts("report.source_frame_value")),
        ]
    )
