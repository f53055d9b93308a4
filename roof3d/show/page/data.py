"""What the front end draws, as plain JSON: geometry, states, figures, texts, colours, from a result.

Nothing is computed here that a finding rests on. Coordinates are in the local frame (the loaded frame
less ``origin``).
"""

from __future__ import annotations

from typing import Any

import numpy as np
import shapely

from roof3d.explain import explain
from roof3d.formulas import show_value
from roof3d.records import Floats, Roof
from roof3d.show.broken import broken
from roof3d.show.cells import footprint, polygons
from roof3d.show.page.layers import layers_of
from roof3d.show.page.packed import pack_cells
from roof3d.show.page.style import colour_table, verdict_colour
from roof3d.show.picture import summary_text
from roof3d.show.said import read_sentence, say
from roof3d.show.scene import PlaneShape, Scene, Stretch, make_scene, title_of, version_of
from roof3d.show.told import told, told_sums
from roof3d.show.verdict import findings, verdict
from roof3d.show.words import Texts, load_texts
from roof3d.units import System

EXPLAINED = 120  # of the worst stretches; further ones carry their figures alone
TRACED = 60  # of the worst stretches, to which the rope is drawn
Key = tuple[str, str, Any, Any]
SECTIONS = ("page", "state", "state_name", "limit", "kind", "severity", "policy", "rating", "verdict")
FIGURES = (
    "taut_length_m",
    "surplus_m",
    "free_fall_m",
    "swing_drop_m",
    "swing_angle_deg",
    "clearance_required_m",
    "clearance_available_m",
    "margin_m",
)


def page_data(
    result: dict[str, Any],
    roof: Roof | None = None,
    *,
    units: System = "m",
    language: str = "en",
    explained: int = EXPLAINED,
) -> dict[str, Any]:
    """The data behind a page. ``roof`` adds walls, ground and traced ropes.

    ``explained`` says for how many of the worst stretches the sums are written out. Raises InputError
    where ``result`` cannot be drawn.
    """
    scene = make_scene(result, roof)
    texts = load_texts(language)
    word = verdict(scene)
    model = result.get("model") or {}
    places = {_key(segment): k for k, segment in enumerate(result.get("edge_segments") or [])}
    planes, cells = _planes(scene)
    rules = result.get("rules")
    rules = rules if isinstance(rules, dict) else {"name": str(rules or ""), "entries": []}
    data = {
        "page": 1,
        "units": units,
        "language": texts.language,
        "title": title_of(result) or texts("report.untitled"),
        "version": version_of(result),
        "verdict": {"word": word, "text": texts(f"verdict.{word}"), "colour": verdict_colour(word)},
        "summary": {system: summary_text(scene, texts, system) for system in ("m", "ft")},
        "texts": {section: texts.items(section) for section in SECTIONS},
        "colours": colour_table(),
        "layers": {system: layers_of(scene, system) for system in ("m", "ft")},
        "origin": scene.origin.tolist(),
        "ground": _number(scene.ground),
        "planes": planes,
        "cells": cells,
        "building": {
            "vertices": np.round(scene.vertices, 3).ravel().tolist(),
            "triangles": scene.triangles.ravel().tolist(),
        },
        "edges": [_edge(edge, scene.origin, texts) for edge in result["edges"]],
        "stretches": [_stretch(stretch, places, scene) for stretch in scene.stretches],
        "segments": [_segment(s, scene.origin, texts) for s in result.get("edge_segments") or []],
        "anchors": [
            {
                **_anchor(mark.record),
                "id": mark.id,
                "kind": mark.kind,
                "points": _points(mark.points),
                "lies": _points(mark.lies),
            }
            for mark in scene.anchors
        ],
        "ropes": _ropes(scene, roof),
        "findings": [_finding(entry, scene.origin, texts) for entry in findings(result)],
        "work": result.get("work"),
        "assumptions": [say(str(text), texts) for text in result.get("assumptions") or []],
        "repairs": [say(str(text), texts) for key in ("repairs", "doubts") for text in model.get(key) or []],
        "cautions": list(texts.lists["report.cautions"]),
        "rules": {
            "name": rules.get("name", ""),
            "title": rules.get("title", ""),
            "entries": [_entry(entry) for entry in rules.get("entries") or []],
        },
        "sources": _sources(result, texts),
        "explained": _explained(result, scene, places, explained, texts),
    }
    return {**data, "feet": _in_feet(data, texts)}


def _in_feet(data: dict[str, Any], texts: Texts) -> dict[str, str]:
    """Sentences that state quantities, as they read in feet."""
    said = {str(text) for key in ("assumptions", "repairs") for text in data[key]}
    said |= {str(finding["text"]) for finding in data["findings"]}
    said |= {str(segment.get(key, "")) for segment in data["segments"] for key in ("strikes", "doubt")}
    said |= {str(edge["doubt"]) for edge in data["edges"]}
    turned = {text: told(text, "ft") for text in sorted(said)}
    turned[texts("report.source_frame_m")] = texts("report.source_frame_ft")
    return {text: other for text, other in turned.items() if other != text}


def _number(value: Any, digits: int = 4) -> float | None:
    return None if value is None or not np.isfinite(value) else round(float(value), digits)


def _points(points: Floats) -> list[list[float]]:
    rounded: list[list[float]] = np.round(np.asarray(points, dtype=np.float64), 4).tolist()
    return rounded


# ------------------------------------------------------------------------------- planes with cells


def _planes(scene: Scene) -> tuple[list[dict[str, Any]], dict[str, Any] | None]:
    exposure = scene.result.get("exposure") if scene.cells is not None else None
    grids, cells = pack_cells(
        exposure["cells"] if exposure else [],
        [plane.id for plane in scene.planes],
        scene.origin,
        float((exposure or {}).get("cell_m") or 0.0),
    )
    planes = [
        {
            "id": plane.id,
            "pitch_deg": _number(plane.pitch_deg),
            "azimuth_deg": _number(plane.azimuth_deg),
            "area_m2": _number(plane.area_m2),
            "normal": np.round(plane.normal, 6).tolist(),
            "triangles": np.round(_triangles(plane), 4).ravel().tolist(),
            "rings": [_points(ring) for ring in plane.rings],
            "grid": grid["grid"],
        }
        for plane, grid in zip(scene.planes, grids, strict=True)
    ]
    return planes, cells


def _triangles(plane: PlaneShape) -> Floats:
    parts = [
        np.asarray(t.exterior.coords)[:3]
        for polygon in polygons(footprint(plane))
        for t in shapely.constrained_delaunay_triangles(polygon).geoms
        if t.area > 1e-12
    ]
    if not parts:
        return np.zeros((0, 3))
    corners = np.concatenate(parts)[:, :2]
    turned = corners.reshape(-1, 3, 2)
    a, b = turned[:, 1] - turned[:, 0], turned[:, 2] - turned[:, 0]
    clockwise = a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0] < 0
    turned[clockwise] = turned[clockwise][:, ::-1]
    return plane.lift(turned.reshape(-1, 2))


# -------------------------------------------------------------------------------- edges and anchors


def _edge(edge: dict[str, Any], origin: Floats, texts: Texts) -> dict[str, Any]:
    return {
        "id": str(edge["id"]),
        "kind": str(edge["kind"]),
        "fall": bool(edge.get("fall")),
        "planes": [str(name) for name in edge.get("planes") or []],
        "points": _points(np.asarray(edge["points"], dtype=np.float64) - origin),
        "length_m": _number(edge.get("length_m")),
        "drop_m": _number(edge.get("drop_m")),
        "doubt": say(str(edge.get("doubt") or ""), texts),
    }


def _key(segment: dict[str, Any]) -> Key:
    """What tells one segment from all others."""
    return (str(segment.get("edge")), str(segment.get("anchor")), segment.get("from_m"), segment.get("to_m"))


def _stretch(stretch: Stretch, places: dict[Key, int], scene: Scene) -> dict[str, Any]:
    return {
        "edge": stretch.edge,
        "from_m": _number(stretch.from_m),
        "to_m": _number(stretch.to_m),
        "ends": _points(np.array([stretch.start, stretch.end])),
        "outward": np.round(stretch.outward, 5).tolist(),
        "state": stretch.state,
        "anchor": stretch.anchor,
        "segment": places.get(_key(stretch.figures), -1),
        "number": stretch.number,
        # neighbours that were too short to be drawn count in these
        "figures": {key: _number(stretch.figures.get(key), 6) for key in FIGURES}
        if stretch.figures
        else None,
        "breaks": list(broken(stretch, scene)),
    }


def _segment(segment: dict[str, Any], origin: Floats, texts: Texts) -> dict[str, Any]:
    """One segment; what is nothing is left out."""
    rest = segment.get("rest_point")
    ends = np.array([segment["start"], segment["end"]], dtype=np.float64) - origin
    made = {
        "edge": segment["edge"],
        "anchor": segment.get("anchor", ""),
        "from_m": _number(segment["from_m"]),
        "to_m": _number(segment["to_m"]),
        "ends": _points(ends),
        "state": segment["state"],
        # all digits of the result: rounding here could hide a margin just under nil
        **{key: _number(segment.get(key), 6) for key in FIGURES},
        "rest": None if rest is None else _points(np.asarray(rest, dtype=np.float64) - origin),
        "strikes": say(segment.get("strikes") or "", texts),
        "doubt": say(segment.get("doubt") or "", texts),
        "protection": segment.get("protection") or "",
        "breaks": [str(word) for word in segment.get("breaks") or []],
    }
    return {key: value for key, value in made.items() if value not in (None, "", []) or key == "anchor"}


def _anchor(record: dict[str, Any]) -> dict[str, Any]:
    keys = ("line_length_m", "policy", "served_area_m2", "load_kN", "rating_kN", "verdict")
    terms = record.get("clearance_terms") or {}
    return {
        **{key: record.get(key) for key in keys},
        "stretch_m": terms.get("stretch_from_standing_m"),
        "required_m": terms.get("required_without_surplus_m"),
        "loaded": record.get("at") or record.get("points"),
    }


def _ropes(scene: Scene, roof: Roof | None) -> dict[str, list[list[float]]]:
    """How the rope lies from its anchor to the rest points of the worst stretches, by their numbers."""
    if roof is None or not roof.edges:
        return {}
    from roof3d import taut

    marks = {mark.id: mark for mark in scene.anchors if mark.kind == "point"}
    wanted: dict[str, list[tuple[int, Floats]]] = {}
    for stretch in scene.worst[:TRACED]:
        rest = stretch.figures.get("rest_point")
        if stretch.anchor in marks and rest is not None:
            place = np.asarray(rest, dtype=np.float64) - scene.origin
            wanted.setdefault(stretch.anchor, []).append((stretch.number, place))
    ropes = {}
    for name, ends in wanted.items():
        places = np.array([place for _, place in ends])
        paths = taut.trace(taut.prepare(roof), marks[name].points[0], places)
        for (number, _), path in zip(ends, paths, strict=True):
            if path is not None:
                ropes[str(number)] = _points(path.points)
    return ropes


# --------------------------------------------------------------------------------------------- words


def _finding(entry: dict[str, Any], origin: Floats, texts: Texts) -> dict[str, Any]:
    at = entry.get("at")
    text = str(entry.get("text", ""))
    said = read_sentence(text)
    return {
        "code": entry.get("code", ""),
        "severity": entry.get("severity", "danger"),
        "text": say(text, texts),
        "anchor": "" if said is None else said.value("anchor"),
        "element": entry.get("element") or "",
        "at": None if at is None else _points(np.asarray(at, dtype=np.float64) - origin),
    }


def _entry(entry: dict[str, Any]) -> dict[str, Any]:
    keys = ("name", "text", "document", "clause", "year", "status", "note")
    value, unit = entry.get("value"), str(entry.get("unit") or "").removesuffix("1")
    systems: tuple[System, ...] = ("m", "ft")
    shown = {
        system: show_value(value, unit, system) if isinstance(value, int | float) else str(value)
        for system in systems
    }
    return {**{key: entry.get(key) for key in keys}, "shown": shown}


def _sources(result: dict[str, Any], texts: Texts) -> list[list[str]]:
    """Names and values that say what was computed from what."""
    model = result.get("model") or {}
    plan = result.get("plan")
    plan = plan if isinstance(plan, dict) else {"file": plan}
    unknown = texts("common.unknown")
    rows = [
        ("source_model", model.get("file")),
        ("source_model_hash", model.get("sha256")),
        ("source_unit", f"{model.get('unit')}, {model.get('up')}"),
        ("source_triangles", model.get("triangles")),
        ("source_plan", plan.get("file")),
        ("source_plan_hash", plan.get("sha256")),
        ("source_software", f"roof3d {version_of(result)}"),
        ("source_schema", result.get("schema")),
        ("source_frame", texts("report.source_frame_m")),
    ]
    return [[texts(f"report.{key}"), str(value) if value else unknown] for key, value in rows]


def _explained(
    result: dict[str, Any], scene: Scene, places: dict[Key, int], most: int, texts: Texts
) -> dict[str, Any]:
    """The sums behind the worst stretches, line by line; each line that occurs is kept once."""
    lines: dict[str, int] = {}
    found: dict[System, dict[str, list[int]]] = {"m": {}, "ft": {}}
    for stretch in scene.worst[:most]:
        place = places.get(_key(stretch.figures))
        if place is None:
            continue
        for system, store in found.items():
            sums = told_sums(explain(result, f"edge_segments/{place}", units=system), system, texts)
            store[str(place)] = [lines.setdefault(line, len(lines)) for line in sums]
    return {"lines": list(lines), "m": found["m"], "ft": found["ft"]}
