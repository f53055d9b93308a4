"""The shape of a result file: every part of it of the kind that what is drawn and printed relies on.

Only kinds are checked, for results that were edited by hand; absent and null are fine everywhere here
(whoever needs a part asks for it). What is not listed is not used.
"""

from __future__ import annotations

from typing import Any

from roof3d.errors import InputError

FARTHEST_M = 1e9  # no site coordinate is as great
NUMBER, TEXT, FLAG, POINT = "a number", "a text", "true or false", "a point [x, y, z]"

_FORCES = {"load_kN": NUMBER, "needs_kN": NUMBER, "rating_kN": NUMBER}
_SPAN = {"length_m": NUMBER, "loaded_length_m": NUMBER, "deflection_m": NUMBER, "pull_kN": NUMBER}
_ARREST = {
    "free_fall_m": NUMBER,
    "peak_force_kN": NUMBER,
    "stopped": FLAG,
    "absorber_m": NUMBER,
    "line_stretch_m": NUMBER,
    "assumptions": [TEXT],
}
_TERMS = {
    "attachment_height_m": NUMBER,
    "deceleration_m": NUMBER,
    "activation_m": NUMBER,
    "line_elongation": NUMBER,
    "harness_stretch_m": NUMBER,
    "margin_m": NUMBER,
    "required_without_surplus_m": NUMBER,
    "stretch_from_standing_m": NUMBER,
    "least_absorber_force_N": NUMBER,
}
_RULE = {"name": TEXT, "value": NUMBER, "unit": TEXT, "text": TEXT, "document": TEXT, "status": TEXT}
_SEGMENT = {
    "edge": TEXT,
    "from_m": NUMBER,
    "to_m": NUMBER,
    "start": POINT,
    "end": POINT,
    "anchor": TEXT,
    "state": TEXT,
    "taut_length_m": NUMBER,
    "surplus_m": NUMBER,
    "free_fall_m": NUMBER,
    "swing_drop_m": NUMBER,
    "swing_angle_deg": NUMBER,
    "rest_point": POINT,
    "clearance_point": POINT,
    "clearance_required_m": NUMBER,
    "clearance_available_m": NUMBER,
    "margin_m": NUMBER,
    "strikes": TEXT,
    "doubt": TEXT,
    "protection": TEXT,
    "clearance_terms": {"h": NUMBER, "s": NUMBER, "X": NUMBER, "k": NUMBER, "M": NUMBER},
    "sums": {},
    "breaks": [TEXT],
}
_CELL = {
    "plane": TEXT,
    "at": POINT,
    "size_m": NUMBER,
    "served": FLAG,
    "served_by": NUMBER,
    "taut_length_m": NUMBER,
    "state": TEXT,
    "margin_m": NUMBER,
    "free_fall_m": NUMBER,
    "swing_drop_m": NUMBER,
    "anchor": TEXT,
}
RESULT: dict[str, Any] = {
    "software": {"name": TEXT, "version": TEXT},
    "model": {
        "file": TEXT,
        "sha256": TEXT,
        "unit": TEXT,
        "up": TEXT,
        "triangles": NUMBER,
        "repairs": [TEXT],
        "doubts": [TEXT],
        "grade_m": NUMBER,
        "grade_source": TEXT,
    },
    "plan": {"file": TEXT, "sha256": TEXT, "title": TEXT},
    "rules": {"name": TEXT, "budget": {"text": TEXT, "status": TEXT}, "entries": [_RULE], "values": [_RULE]},
    "assumptions": [TEXT],
    "planes": [
        {"id": TEXT, "pitch_deg": NUMBER, "azimuth_deg": NUMBER, "area_m2": NUMBER, "rings": [[POINT]]}
    ],
    "edges": [
        {
            "id": TEXT,
            "kind": TEXT,
            "fall": FLAG,
            "planes": [TEXT],
            "points": [POINT],
            "length_m": NUMBER,
            "drop_m": NUMBER,
            "outward": POINT,
            "doubt": TEXT,
        }
    ],
    "anchors": [
        {
            "id": TEXT,
            "kind": TEXT,
            "at": POINT,
            "points": [POINT],
            "lies": [POINT],
            "line_length_m": NUMBER,
            "policy": TEXT,
            "served_area_m2": NUMBER,
            "load_kN": NUMBER,
            "rating_kN": NUMBER,
            "verdict": TEXT,
            "clearance_terms": _TERMS,
            "arrest": _ARREST,
            "loads": [{"kind": TEXT, "verdict": TEXT, "case": TEXT, **_FORCES}],
            "spans": [_SPAN],
        }
    ],
    "edge_segments": [_SEGMENT],
    "work": {"area_m2": NUMBER, "served_m2": NUMBER, "unserved_m2": NUMBER},
    "exposure": {"cell_m": NUMBER, "cells": [_CELL]},
    "findings": [{"code": TEXT, "severity": TEXT, "text": TEXT, "element": TEXT, "at": POINT}],
    "cautions": [TEXT],
    "summary": {"worst_state": TEXT, "worst_margin_m": NUMBER, "anchors": NUMBER, "findings": NUMBER},
}


def check_shape(result: dict[str, Any], file: str) -> None:
    """Raises InputError with the place of the first part that is of another kind than it has to be."""
    _check(result, RESULT, file, "")


def _check(value: Any, wanted: Any, file: str, place: str) -> None:
    if value is None:
        return
    if isinstance(wanted, dict):
        if not isinstance(value, dict):
            raise _error(file, place, value, "a table with names")
        for key, inner in wanted.items():
            if key in value:
                _check(value[key], inner, file, f"{place} {key}".strip())
    elif isinstance(wanted, list):
        if not isinstance(value, list):
            raise _error(file, place, value, "a list")
        for number, item in enumerate(value, 1):
            if item is None:
                raise _error(file, f"{place} {number}", item, "something")
            name = item.get("id") if isinstance(item, dict) else None
            label = f"{place} {number} ({name})" if isinstance(name, str) else f"{place} {number}"
            _check(item, wanted[0], file, label)
    elif not _is(value, wanted):
        raise _error(file, place, value, wanted)


def _is(value: Any, wanted: str) -> bool:
    if wanted == NUMBER:
        return isinstance(value, int | float) and not isinstance(value, bool)
    if wanted == POINT:
        if not isinstance(value, list | tuple) or len(value) != 3:
            return False
        return all(_is(v, NUMBER) and abs(v) <= FARTHEST_M for v in value)
    return isinstance(value, str if wanted == TEXT else bool)


def _error(file: str, place: str, value: Any, wanted: str) -> InputError:
    found = repr(value)
    found = found if len(found) <= 60 else found[:59] + "…"
    return InputError(file, place or "result", found, wanted)
