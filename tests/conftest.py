"""Shared test helpers: where real buildings lie, and a skip with a reason where they do not."""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import Any

import pytest

os.environ["ROOF3D_CACHE"] = "off"  # tests compute: what an earlier run has kept proves nothing

PROJECT = Path(__file__).resolve().parents[1]
MODELS = PROJECT / "models"
SHARED = PROJECT.parent / "shared" / "data"


def shared_data(name: str) -> Path:
    """Folder of one real building; skips the test where the folder is absent."""
    folder = SHARED / name
    if not folder.is_dir():
        pytest.skip(f"real building {name} is not beside the project")
    return folder


def shared_truth(name: str) -> dict[str, Any]:
    """The independent truth of one real building."""
    text = (shared_data(name) / f"{name}.truth.json").read_text()
    truth: dict[str, Any] = json.loads(text)
    return truth
