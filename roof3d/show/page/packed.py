"""Cells of a map packed for the front end: a raster for each plane, and figures in whole steps.

Figures are rounded to the side that looks worse.
"""

from __future__ import annotations

import base64
from collections.abc import Sequence
from typing import Any

import numpy as np

from roof3d.errors import InputError
from roof3d.records import STATES, Floats
from roof3d.show.scene import FALL_STATES

CELL_STEP_M = 0.005
NOTHING, UNBOUNDED = -32768, 32767  # there is no figure; it has no bound, or none that is known
UNSURE = len(STATES)
DEFAULT_CELL_M = 0.5

Record = dict[str, Any]


def pack_cells(
    records: Sequence[Record], planes: Sequence[str], origin: Floats | None = None, cell_m: float = 0.0
) -> tuple[list[Record], Record | None]:
    """Rasters of the planes in their order (``id``, ``grid``), and all cells packed; None without cells.

    ``records`` are cells as the exposure of a result has them; ``origin`` is taken off their places.
    """
    names = np.array([str(record["plane"]) for record in records], dtype=object)
    centres = np.array([record["at"][:2] for record in records], dtype=np.float64).reshape(-1, 2)
    if origin is not None:
        centres = centres - origin[:2]
    sizes = np.array([float(r.get("size_m") or cell_m or DEFAULT_CELL_M) for r in records])
    made: list[Record] = []
    order: list[Any] = []
    columns: list[Any] = []
    first = 0
    for name in planes:
        own = np.flatnonzero(names == name)
        grid = None
        if len(own):
            grid, cut = _grid(name, centres[own], sizes[own])
            grid |= {"first": first, "count": len(own)}
            order.append(own)
            columns.append(cut)
            first += len(own)
        made.append({"id": name, "grid": grid})
    if not order:
        return made, None
    rows = np.concatenate(order)
    cuts = np.concatenate(columns)
    chosen = [records[k] for k in rows]
    return made, {
        "step_m": CELL_STEP_M,
        "count": len(rows),
        "x": _pack(cuts[:, 0], "<u2"),
        "y": _pack(cuts[:, 1], "<u2"),
        "size": _pack(cuts[:, 2], "<u2"),
        "state": _pack([_state(record) for record in chosen], "u1"),
        "served": _pack([_served(record) for record in chosen], "u1"),
        "margin": _figures(chosen, "margin_m", np.floor),
        "taut": _figures(chosen, "taut_length_m", np.ceil),
        "free_fall": _figures(chosen, "free_fall_m", np.ceil),
        "swing": _figures(chosen, "swing_drop_m", np.ceil),
    }


def _grid(name: str, centres: Floats, sizes: Floats) -> tuple[Record, Floats]:
    """A raster of the finest cells, and for each cell its first column, row and width in it."""
    unit = float(sizes.min())
    low = (centres - sizes[:, None] / 2).min(axis=0)
    first = np.round((centres - sizes[:, None] / 2 - low) / unit)
    width = np.maximum(1, np.round(sizes / unit))
    count = (first + width[:, None]).max(axis=0)
    if count.max() > 65535:
        raise InputError("result", "exposure", f"{count.max():.0f} cells across {name}", "65535 at most")
    grid = {
        "x": round(float(low[0]), 5),
        "y": round(float(low[1]), 5),
        "unit": unit,
        "columns": int(count[0]),
        "rows": int(count[1]),
    }
    return grid, np.column_stack((first, width))


def _pack(values: Any, kind: str) -> str:
    return base64.b64encode(np.asarray(values).astype(kind).tobytes()).decode("ascii")


def length_steps(values: Floats) -> Any:
    """Lengths as whole steps, rounded up, little-endian int16; what is not finite is nothing."""
    known = np.isfinite(values)
    steps = np.ceil(np.round(np.where(known, values, 0.0) / CELL_STEP_M, 6))
    return np.where(known, np.clip(steps, -32767, 32766), NOTHING).astype("<i2")


def small_counts(values: Any) -> Any:
    """Counts as bytes, 255 at most."""
    return np.minimum(values, 255).astype("u1")


def _state(cell: Record) -> int:
    state = cell.get("state")
    return STATES.index(state) if state in STATES else UNSURE


def _served(cell: Record) -> int:
    count = cell.get("served_by")
    return min(255, int(bool(cell.get("served")) if count is None else count))


def _figures(records: Sequence[Record], key: str, worse: Any) -> str | None:
    """One figure of all cells; None where the result does not have it at all."""
    if not any(key in record for record in records):
        return None
    packed = np.full(len(records), NOTHING, dtype=np.int64)
    for row, record in enumerate(records):
        value = record.get(key)
        if value is not None:
            packed[row] = int(np.clip(worse(round(value / CELL_STEP_M, 6)), -32767, 32766))
        elif record.get("state") in FALL_STATES and key != "taut_length_m":
            packed[row] = UNBOUNDED
    return _pack(packed, "<i2")
