"""A hand-made result of an invented shed, for tests of what is drawn from results.

Gable roof over 12 m by 10 m, ridge along x, eaves 3.2 m above the ground, two point anchors near the
ridge, lines of 7 m. The numbers come from closed forms on one plane (straight distances, straight
sums), so that tests can recompute each of them without the project's own stages.
"""

from __future__ import annotations

import math
from typing import Any

import networkx as nx
import numpy as np

from roof3d.records import Facet, Mesh, Roof

ORIGIN = (2_600_000.0, 1_200_000.0, 400.0)
LENGTH, WIDTH, EAVE, PITCH = 12.0, 10.0, 4.3, 22.0
LINE = 6.2
BUDGET = {"attachment": 1.5, "deceleration": 1.07, "harness": 0.3, "margin": 0.6}
STRETCH = 0.4
CELL = 0.5


def height(y: float) -> float:
    """Height of the roof above the ground at ``y``."""
    return EAVE + (WIDTH / 2 - abs(y - WIDTH / 2)) * math.tan(math.radians(PITCH))


def at(x: float, y: float, z: float | None = None) -> list[float]:
    """Loaded coordinates of a place on the roof (or at height ``z`` above the ground)."""
    return [ORIGIN[0] + x, ORIGIN[1] + y, ORIGIN[2] + (height(y) if z is None else z)]


ANCHORS = {"A1": (3.0, 4.6), "A2": (8.6, 5.4)}


def distance(a: tuple[float, float], p: tuple[float, float]) -> float:
    """Over the ridge by unfolding: straight on the unfolded slopes."""
    slope = 1 / math.cos(math.radians(PITCH))
    return math.hypot(a[0] - p[0], (a[1] - p[1]) * slope)


def segment(
    edge: str, low: float, high: float, ends: tuple[Any, Any], anchor: str, length: float
) -> dict[str, Any]:
    """One segment between the places ``low`` and ``high`` of an edge from ends[0] to ends[1]."""

    def point(t: float) -> tuple[float, float]:
        return tuple(a + (b - a) * t / length for a, b in zip(*ends, strict=True))  # type: ignore[return-value]

    start, end = point(low), point(high)
    d = min(distance(ANCHORS[anchor], start), distance(ANCHORS[anchor], end))
    d = min(d, distance(ANCHORS[anchor], point((low + high) / 2)))
    surplus = LINE - d
    available = min(height(start[1]), height(end[1]))
    required = sum(BUDGET.values()) + surplus
    margin = available - required
    if surplus < -1.5:
        state = "beyond"
    elif surplus < -STRETCH:
        state = "held"
    else:
        state = "short" if margin < 0 else "arrest"
    falls = state in ("short", "arrest")
    swing = abs(start[0] - ANCHORS[anchor][0]) * 0.12
    if state == "arrest" and swing > 0.45:
        state = "swing"
    return {
        "edge": edge,
        "from_m": low,
        "to_m": high,
        "start": at(*start),
        "end": at(*end),
        "anchor": anchor,
        "state": state,
        "taut_length_m": d,
        "surplus_m": surplus,
        "free_fall_m": 1.5 + max(surplus, 0.0) if falls else None,
        "swing_drop_m": swing if falls else None,
        "swing_angle_deg": 20.0 if falls else None,
        "rest_point": at(ANCHORS[anchor][0], 0.0 if start[1] < 5 else WIDTH) if falls else None,
        "clearance_point": at(*min(start, end, key=lambda p: height(p[1]))) if falls else None,
        "clearance_required_m": required if falls else None,
        "clearance_available_m": available if falls else None,
        "margin_m": margin if falls else None,
        "strikes": "ground",
        "doubt": "",
    }


def sample() -> dict[str, Any]:
    """The result, as a fresh dictionary that a test may change."""
    boundary = {
        "E1": ("eave", (0.0, 0.0), (12.0, 0.0), "P1"),
        "E2": ("rake", (12.0, 0.0), (12.0, 5.0), "P1"),
        "E3": ("rake", (12.0, 5.0), (12.0, 10.0), "P2"),
        "E4": ("eave", (12.0, 10.0), (0.0, 10.0), "P2"),
        "E5": ("rake", (0.0, 10.0), (0.0, 5.0), "P2"),
        "E6": ("rake", (0.0, 5.0), (0.0, 0.0), "P1"),
    }
    edges, segments = [], []
    for name, (kind, start, end, plane) in boundary.items():
        length = math.dist(at(*start), at(*end))
        edges.append(
            {
                "id": name,
                "kind": kind,
                "fall": True,
                "planes": [plane],
                "points": [at(*start), at(*end)],
                "length_m": length,
                "drop_m": EAVE,
            }
        )
        pieces: list[dict[str, Any]] = []
        for anchor in ANCHORS:
            count = 24
            rows = [
                segment(name, length * k / count, length * (k + 1) / count, (start, end), anchor, length)
                for k in range(count)
            ]
            for row in rows:
                last = pieces[-1] if pieces else None
                if last and last["anchor"] == anchor and last["state"] == row["state"]:
                    worse = row if (row["margin_m"] or 0) < (last["margin_m"] or 0) else last
                    pieces[-1] = {**worse, "from_m": last["from_m"], "to_m": row["to_m"]}
                    pieces[-1] |= {"start": last["start"], "end": row["end"]}
                else:
                    pieces.append(row)
        segments += pieces
    edges.append(
        {
            "id": "E7",
            "kind": "ridge",
            "fall": False,
            "planes": ["P1", "P2"],
            "points": [at(0.0, 5.0), at(12.0, 5.0)],
            "length_m": 12.0,
            "drop_m": None,
        }
    )
    cells = _cells(segments)
    falls = [s for s in segments if s["margin_m"] is not None]
    area = LENGTH * WIDTH / math.cos(math.radians(PITCH))
    served = area * sum(c["served"] for c in cells) / len(cells)
    return {
        "schema": "roof3d-result/1",
        "software": {"name": "roof3d", "version": "0.1.0"},
        "model": {
            "file": "boathouse.obj",
            "sha256": "ab" * 32,
            "unit": "m",
            "up": "z",
            "triangles": 12,
            "repairs": ["welded 24 equal vertices to 10"],
        },
        "plan": {
            "file": "boathouse.toml",
            "sha256": "cd" * 32,
            "title": "Boathouse on the invented Lake Quillon",
        },
        "rules": {"name": "us-construction"},
        "assumptions": ["No ground in the model: the lowest point of the model, 400.00 m, is the ground."],
        "planes": [
            _plane("P1", [(0, 0), (12, 0), (12, 5), (0, 5)], 180.0, area / 2),
            _plane("P2", [(12, 10), (0, 10), (0, 5), (12, 5)], 0.0, area / 2),
        ],
        "edges": edges,
        "anchors": [
            {
                "id": name,
                "kind": "point",
                "at": at(*place),
                "line_length_m": LINE,
                "policy": "fixed",
                "served_area_m2": served / 2,
                "load_kN": 5.4,
                "clearance_terms": {
                    "attachment_height_m": BUDGET["attachment"],
                    "deceleration_m": BUDGET["deceleration"],
                    "activation_m": 0.0,
                    "line_elongation": 0.0,
                    "harness_stretch_m": BUDGET["harness"],
                    "margin_m": BUDGET["margin"],
                    "required_without_surplus_m": sum(BUDGET.values()),
                },
            }
            for name, place in ANCHORS.items()
        ],
        "edge_segments": segments,
        "exposure": {"cell_m": CELL, "cells": cells},
        "work": {"area_m2": area, "served_m2": served, "unserved_m2": area - served},
        "findings": [
            {
                "code": "clearance-short",
                "severity": "danger",
                "text": "A fall over eave E1 from A1 needs more room than there is.",
                "element": "E1",
                "at": at(3.0, 0.0),
            }
        ],
        "summary": {
            "worst_state": "short",
            "worst_margin_m": min(s["margin_m"] for s in falls),
            "anchors": 2,
            "findings": 1,
        },
    }


def sample_roof() -> Roof:
    """The same shed as a mesh with walls and ground, local origin at the site's offset."""
    eave, ridge = EAVE, height(WIDTH / 2)
    vertices = [
        (0, 0, 0), (12, 0, 0), (12, 10, 0), (0, 10, 0),
        (0, 0, eave), (12, 0, eave), (12, 10, eave), (0, 10, eave),
        (0, 5, ridge), (12, 5, ridge),
    ]  # fmt: skip
    triangles = [
        (4, 5, 9), (4, 9, 8), (6, 7, 8), (6, 8, 9),
        (0, 1, 5), (0, 5, 4), (2, 3, 7), (2, 7, 6),
        (1, 2, 6), (1, 6, 5), (5, 6, 9), (3, 0, 4), (3, 4, 7), (7, 4, 8),
    ]  # fmt: skip
    mesh = Mesh(
        vertices=np.array(vertices, dtype=np.float64),
        triangles=np.array(triangles, dtype=np.int64),
        parts=np.zeros(len(triangles), dtype=np.int64),
        part_names=("boathouse",),
        oriented=np.ones(len(triangles), dtype=bool),
        origin=np.array(ORIGIN),
        file="boathouse.obj",
        sha256="ab" * 32,
        unit="m",
        up="z",
        triangles_in_file=len(triangles),
    )
    facets = tuple(
        Facet(
            id=name,
            kind="roof",
            normal=np.array([0.0, side * math.sin(math.radians(PITCH)), math.cos(math.radians(PITCH))]),
            offset=0.0,
            triangles=np.array(rows),
            rings=(mesh.vertices[corners],),
            area_m2=60.0 / math.cos(math.radians(PITCH)),
            pitch_deg=PITCH,
            azimuth_deg=azimuth,
            centroid=mesh.vertices[corners].mean(axis=0),
        )
        for name, side, rows, corners, azimuth in (
            ("P1", -1.0, [0, 1], [4, 5, 9, 8], 180.0),
            ("P2", 1.0, [2, 3], [6, 7, 8, 9], 0.0),
        )
    )
    return Roof(mesh, facets, (), nx.MultiGraph(), 0.0, "assumed")


def _plane(name: str, corners: list[tuple[float, float]], azimuth: float, area: float) -> dict[str, Any]:
    ring = [at(*corner) for corner in corners]
    return {
        "id": name,
        "pitch_deg": PITCH,
        "azimuth_deg": azimuth,
        "area_m2": area,
        "centroid": [sum(axis) / 4 for axis in zip(*ring, strict=True)],
        "rings": [ring],
    }


def _cells(segments: list[dict[str, Any]]) -> list[dict[str, Any]]:
    cells = []
    for i in range(int(LENGTH / CELL)):
        for j in range(int(WIDTH / CELL)):
            place = (CELL * (i + 0.5), CELL * (j + 0.5))
            reach = [name for name, a in ANCHORS.items() if distance(a, place) <= LINE - 1.5]
            margins = []
            for s in segments:
                middle = [(a + b) / 2 - o for a, b, o in zip(s["start"], s["end"], ORIGIN, strict=True)]
                near = math.dist(middle[:2], place) < 4.0
                if s["anchor"] in reach and near and s["margin_m"] is not None:
                    margins.append((s["margin_m"], s["state"]))
            margin, state = min(margins) if margins else (None, "held" if reach else None)
            cells.append(
                {
                    "plane": "P1" if place[1] < 5 else "P2",
                    "at": at(*place),
                    "margin_m": margin,
                    "state": state,
                    "served": bool(reach),
                }
            )
    return cells
