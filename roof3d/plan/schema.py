"""The JSON Schema of plan files, made from the table of keys, and the copy of it in the package."""

from __future__ import annotations

import json
from importlib.resources import files
from pathlib import Path
from typing import Any

from roof3d.plan.keys import PLAN

SCHEMA_FILE = Path(str(files("roof3d"))) / "plan.schema.json"


def plan_schema() -> dict[str, Any]:
    """JSON Schema (draft 2020-12) of a plan file, read as TOML tables."""
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "$id": "urn:roof3d:plan:1",
        "title": "roof3d plan",
        "description": "Plain numbers are SI (metres, kilograms, newtons; angles in degrees); text carries"
        " its unit. Coordinates are in the model's own frame, scaled to metres, z up.",
        **PLAN.schema(),
    }


def schema_text() -> str:
    """The schema as the shipped file holds it."""
    return json.dumps(plan_schema(), indent=2, ensure_ascii=False) + "\n"


def ship() -> None:
    """Writes the shipped file anew, after the table of keys has changed."""
    SCHEMA_FILE.write_text(schema_text(), encoding="utf-8")
