"""The content of a report, in order, as plain data: what PDF and HTML are both made from.

A report is a title, a verdict with reasons, a picture, parts for the page that decides, and sections
of evidence. A part is a title and blocks: text, list, lines, pairs, table, form. Every word comes from
the texts or, untouched, from the result; nothing here is markup.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from roof3d.show import evidence_tables
from roof3d.show.blocks import (
    Block,
    clean,
    form_block,
    list_block,
    part_of,
    table_block,
    table_of,
    text_block,
)
from roof3d.show.broken import broken, state_text
from roof3d.show.colours import SOFT_INK, to_hex
from roof3d.show.labels import DASH, length_text, margin_text, place_text, place_words
from roof3d.show.picture import VERDICT_COLOURS, summary_text
from roof3d.show.scene import Scene, Stretch, title_of, version_of
from roof3d.show.setout import DIRECTIONS, set_out
from roof3d.show.sums import clearance_sum
from roof3d.show.told import told
from roof3d.show.verdict import findings, verdict
from roof3d.show.words import Texts
from roof3d.units import System, format_angle, format_area, format_length

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
            part_of(texts("report.worst"), _worst(scene, texts, units)),
            part_of(texts("report.lines"), *_anchors(scene, texts, units, ANCHOR_ROWS)),
        ],
        "sections": _sections(scene, texts, units),
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
    unserved = table_of(scene.result, "work").get("unserved_m2")
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
    model, plan = table_of(scene.result, "model"), table_of(scene.result, "plan")
    names = [Path(str(record.get("file") or "")).name for record in (model, plan)]
    hashes = [str(record.get("sha256") or "")[:12] for record in (model, plan)]
    parts = [f"{name} {digest}".strip() for name, digest in zip(names, hashes, strict=True) if name]
    return " · ".join([*parts, f"roof3d {version_of(scene.result)}"])


# ------------------------------------------------------------------------------------- the evidence


def _sections(scene: Scene, texts: Texts, units: System) -> list[dict[str, Any]]:
    result = scene.result
    sections = [
        part_of(texts("report.section_findings"), *_findings(scene, texts, units)),
        part_of(
            texts("report.section_stretches"),
            text_block(texts("report.section_stretches_note"), soft=True),
            *_stretches(scene, texts, units),
        ),
    ]
    sums = [clearance_sum(stretch, scene, texts, units) for stretch in scene.worst[:EXPLAINED]]
    blocks = [{"kind": "lines", "items": [clean(line) for line in lines]} for lines in sums if lines]
    if blocks:
        note = text_block(texts("report.section_clearance_note"), soft=True)
        sections.append(part_of(texts("report.section_clearance"), note, *blocks))
    if scene.anchors:
        sections.append(part_of(texts("report.section_anchors"), *_anchors(scene, texts, units)))
        sections.append(part_of(texts("report.section_loads"), *evidence_tables.loads(scene, texts, units)))
    if scene.anchors:
        sections.append(
            part_of(texts("report.section_takeoff"), evidence_tables.takeoff(scene, texts, units))
        )
    sections.append(part_of(texts("report.section_planes"), evidence_tables.planes(scene, texts, units)))
    for key, found in (
        ("assumptions", _assumptions(result)),
        (
            "repairs",
            [
                *(table_of(result, "model").get("repairs") or []),
                *(table_of(result, "model").get("doubts") or []),
            ],
        ),
    ):
        block = (
            list_block(told(str(text), units, texts) for text in found)
            if found
            else text_block(texts(f"report.section_{key}_none"))
        )
        sections.append(part_of(texts(f"report.section_{key}"), block))
    sections.append(part_of(texts("report.section_rules"), *evidence_tables.rules(result, texts, units)))
    sections.append(part_of(texts("report.section_source"), evidence_tables.source(scene, texts, units)))
    sections.append(part_of(texts("report.section_cautions"), list_block(texts.lists["report.cautions"])))
    rescue = [(row, "") for row in texts.lists["report.rescue_rows"]]
    sections.append(part_of(texts("report.section_rescue"), form_block((), (1.0, 1.6), rescue, 13.0)))
    names = [(row, "", "", "") for row in texts.lists["report.name_rows"]]
    form = form_block(texts.lists["report.name_columns"], (1.5, 1.2, 0.7, 1.2), names, 13.0)
    sections.append(part_of(texts("report.section_names"), form))
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
        where = "" if at is None else place_words(at, units)
        severity = str(finding.get("severity", "danger"))
        element = str(finding.get("element") or "")
        rows.append(
            (
                texts.get(f"severity.{severity}", severity),
                told(str(finding.get("text", "")), units, texts),
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
    return [table_block(columns, rows)]


def _stretches(scene: Scene, texts: Texts, units: System) -> list[Block]:
    if not scene.worst:
        return [text_block(texts("report.worst_none"))]
    names = "number place anchor state free_fall swing angle needs has margin strikes"
    left = {"number", "place", "anchor", "state", "strikes"}
    shares = {"place": 1.2, "strikes": 1.0}
    columns = [
        (texts(f"report.col_{key}"), shares.get(key, 0), "left" if key in left else "right")
        for key in names.split()
    ]
    blocks = [table_block(columns, (_stretch_row(s, texts, units) for s in scene.worst))]
    doubts: dict[str, list[str]] = {}
    for stretch in scene.worst:
        if doubt := str(stretch.figures.get("doubt") or ""):
            doubts.setdefault(told(doubt, units, texts), []).append(str(stretch.number))
    if doubts:
        word = texts("page.doubt")
        blocks.append(list_block(f"{word} {', '.join(rows)}: {doubt}" for doubt, rows in doubts.items()))
    return blocks


def _stretch_row(stretch: Stretch, texts: Texts, units: System) -> Sequence[str]:
    figures = stretch.figures
    angle = figures.get("swing_angle_deg")
    meets = told(str(figures.get("strikes") or ""), units, texts)
    return (
        str(stretch.number),
        place_text(stretch, texts, units),
        stretch.anchor,
        texts.get(f"state_name.{stretch.state}", stretch.state),
        length_text(figures.get("free_fall_m"), units, "up"),
        length_text(figures.get("swing_drop_m"), units, "up"),
        DASH if angle is None else format_angle(angle),
        length_text(figures.get("clearance_required_m"), units, "up"),
        length_text(figures.get("clearance_available_m"), units, "down"),
        margin_text(stretch, units),
        meets or DASH,
    )
