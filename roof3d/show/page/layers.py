"""The maps that a page can show over the roof, each with its steps, bounds and limit."""

from __future__ import annotations

from typing import Any

import numpy as np

from roof3d.records import Floats
from roof3d.show.colours import SEQUENCE, scale_for
from roof3d.show.scene import FALL_STATES, Scene
from roof3d.units import System

ROUND = (0.1, 0.2, 0.25, 0.5, 1.0, 2.0, 2.5, 5.0, 10.0, 20.0, 50.0, 100.0)


def layers_of(scene: Scene, units: System) -> list[dict[str, Any]]:
    """Layers in the order of the chooser. ``kind``: ``margin`` diverges at nil, ``limit`` at a limit,
    ``sequence`` runs from nil up, ``count`` counts. ``step_m`` is round in ``units``; ``missing``
    says that the result does not hold the figure.
    """
    cells = (scene.result.get("exposure") or {}).get("cells") or []
    limits = _limits(scene.result)
    made = [_margin(_values(cells, "margin_m"), units, not cells)]
    made.append(_sequence("taut", _values(cells, "taut_length_m"), units))
    for name, key in (("free_fall", "free_fall_m"), ("swing", "swing_drop_m")):
        values = _values([c for c in cells if c.get("state") in FALL_STATES], key)
        limit = limits[name]
        lacking = bool(cells) and not any(key in cell for cell in cells)
        if limit is None:
            made.append({**_sequence(name, values, units), "missing": not cells or lacking})
        else:
            scale = scale_for(limit - values, units)
            made.append(
                {
                    "id": name,
                    "kind": "limit",
                    "limit_m": limit,
                    "step_m": scale.step,
                    "missing": not cells or lacking,
                }
            )
    made.append({"id": "served", "kind": "count", "missing": not cells})
    return made


def _values(cells: list[dict[str, Any]], key: str) -> Floats:
    return np.array([cell[key] for cell in cells if cell.get(key) is not None], dtype=np.float64)


def _margin(values: Floats, units: System, missing: bool) -> dict[str, Any]:
    scale = scale_for(values, units)
    return {"id": "margin", "kind": "margin", "limit_m": 0.0, "step_m": scale.step, "missing": missing}


def _sequence(name: str, values: Floats, units: System) -> dict[str, Any]:
    unit = 0.3048 if units == "ft" else 1.0
    most = float(values.max(initial=0.0))
    step = next((s for s in ROUND if s * unit * len(SEQUENCE) >= most), ROUND[-1]) * unit
    return {"id": name, "kind": "sequence", "step_m": step, "missing": not len(values)}


def _limits(result: dict[str, Any]) -> dict[str, float | None]:
    rules = result.get("rules")
    entries = rules.get("entries") or [] if isinstance(rules, dict) else []
    known = {str(entry.get("name")): entry.get("value") for entry in entries}
    return {"free_fall": known.get("free_fall_limit"), "swing": known.get("swing_drop_limit")}
