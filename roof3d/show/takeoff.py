"""Take-off of a result: what has to be bought and fixed, where to set it out, and what it costs.

Quantities come from the result file alone; prices are the plan's. What has no price is listed and counted,
and the sum says that it lacks it.
"""

from __future__ import annotations

import csv
import io
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from roof3d.errors import InputError
from roof3d.records import Prices
from roof3d.show.scene import make_scene
from roof3d.show.setout import SetOut, set_out
from roof3d.tomlfile import replace_file
from roof3d.units import System, format_length

FOOT_M = 0.3048
ITEM_HEADINGS = ("item", "quantity", "unit", "price", "sum")


@dataclass(frozen=True)
class Item:
    """One line of the bill: ``quantity`` in ``unit``; price and sum in the plan's currency or None."""

    text: str
    quantity: float
    unit: str  # each, m, visit
    price: float | None = None

    @property
    def total(self) -> float | None:
        """Quantity times price."""
        return None if self.price is None else self.quantity * self.price


@dataclass(frozen=True, eq=False)
class Takeoff:
    """Bill of quantities and set-out of one result."""

    items: tuple[Item, ...]
    setout: tuple[SetOut, ...]
    at: tuple[tuple[float, float, float], ...]  # loaded coordinates of each entry of ``setout``
    rafters: tuple[str, ...]  # the plan's note for each entry, "" where none
    currency: str

    @property
    def total(self) -> float | None:
        """Sum of all priced items; None where nothing has a price."""
        sums = [item.total for item in self.items if item.total is not None]
        return sum(sums) if sums else None

    @property
    def unpriced(self) -> tuple[str, ...]:
        """Items without a price."""
        return tuple(item.text for item in self.items if item.price is None)


UNPRICED = Prices()


def make_takeoff(
    result: dict[str, Any], prices: Prices = UNPRICED, notes: dict[str, str] | None = None
) -> Takeoff:
    """Quantities of a result (design: result file). ``notes``: the plan's note for each anchor id.

    Raises InputError where ``result`` is not a result.
    """
    scene = make_scene(result)
    items: list[Item] = []
    points = [mark for mark in scene.anchors if mark.kind == "point"]
    lines = [mark for mark in scene.anchors if mark.kind != "point"]
    for rating, count in sorted(Counter(_rating(mark.record) for mark in points).items()):
        items.append(Item(f"single anchor, {rating}", count, "each", prices.anchor))
    ends = Counter(_line_rating(mark.record, end=True) for mark in lines for _ in range(2))
    for rating, count in sorted(ends.items()):
        items.append(Item(f"end anchor of anchor line, {rating}", count, "each", prices.anchor))
    supports = sum(len(mark.points) - 2 for mark in lines)
    if supports:
        items.append(Item("support of anchor line", supports, "each", prices.support))
    for mark in lines:
        run = float(np.linalg.norm(np.diff(mark.points, axis=0), axis=1).sum())
        text = f"anchor line {mark.id}, {len(mark.points) - 1} spans, straight between its points"
        items.append(Item(text, run, "m", prices.anchor_line_per_m))
    ropes = Counter(round(float(mark.record["line_length_m"]), 3) for mark in scene.anchors)
    for length, count in sorted(ropes.items()):
        text = f"line from anchor to D-ring, {count} of {length:.2f} m"
        items.append(Item(text, count * length, "m", prices.line_per_m))
    for means, metres in sorted(_guarded(result).items()):
        items.append(Item(f"edge protection, {means}", metres, "m", prices.edge_protection_per_m))
    if scene.anchors and prices.visit is not None:
        items.append(Item("visit to fix anchors", 1, "visit", prices.visit))
    entries = set_out(scene)
    at = [tuple(round(float(v), 4) for v in entry.at + scene.origin) for entry in entries]
    told = notes or {}
    return Takeoff(
        tuple(items),
        entries,
        tuple((p[0], p[1], p[2]) for p in at),
        tuple(told.get(entry.anchor.split(".")[0], "") for entry in entries),
        prices.currency,
    )


def _rating(record: dict[str, Any]) -> str:
    rating, load = record.get("rating_kN"), record.get("load_kN")
    if rating is not None:
        return f"rated {float(rating):.1f} kN"
    return "rating not given" if load is None else f"rating not given, load {float(load):.1f} kN"


def _line_rating(record: dict[str, Any], *, end: bool) -> str:
    loads = [entry for entry in record.get("loads") or [] if (entry.get("kind") == "end") == end]
    rated = [entry.get("rating_kN") for entry in loads]
    if rated and all(value is not None for value in rated):
        return f"rated {min(float(value) for value in rated):.1f} kN"
    most = max((float(entry.get("load_kN") or 0.0) for entry in loads), default=0.0)
    return f"rating not given, load {most:.1f} kN" if most else "rating not given"


def _guarded(result: dict[str, Any]) -> dict[str, float]:
    """Metres of edge made safe by other means, each stretch counted once."""
    spans: dict[tuple[str, str], list[tuple[float, float]]] = {}
    for segment in result.get("edge_segments") or []:
        if segment.get("protection"):
            key = (str(segment["protection"]), str(segment["edge"]))
            spans.setdefault(key, []).append((float(segment["from_m"]), float(segment["to_m"])))
    metres: dict[str, float] = {}
    for (means, _), parts in spans.items():
        reached = -np.inf
        for low, high in sorted(parts):
            metres[means] = metres.get(means, 0.0) + max(0.0, high - max(low, reached))
            reached = max(reached, high)
    return metres


# ------------------------------------------------------------------------------------------- writing


def setout_headings(units: System) -> tuple[str, ...]:
    """Headings of the set-out table; distances on the roof surface in ``units``."""
    tapes = (
        f"{way} the slope to ({units})" if way in ("up", "down") else f"{way} to ({units})" for way in _WAYS
    )
    head = ("anchor", f"x ({units})", f"y ({units})", f"z ({units})", "plane")
    return (*head, *(part for tape in tapes for part in (tape, "edge")), "note")


_WAYS = ("up", "down", "left", "right")


def setout_rows(takeoff: Takeoff, units: System) -> list[tuple[str | float, ...]]:
    """One row for each tie-off point: coordinates, plane, tape in four ways with the edge it meets."""
    scale = 1.0 / FOOT_M if units == "ft" else 1.0
    rows: list[tuple[str | float, ...]] = []
    for entry, at, note in zip(takeoff.setout, takeoff.at, takeoff.rafters, strict=True):
        row: list[str | float] = [
            entry.anchor,
            *(round(v * scale, 3) for v in at),
            entry.plane or "off the roof",
        ]
        tapes = {tape.direction: tape for tape in entry.tapes}
        for way in _WAYS:
            tape = tapes.get(way)
            if tape is None:
                row += ["", ""]
            else:
                row += [round(tape.surface_m * scale, 3), f"{tape.kind} {tape.edge}".strip()]
        rows.append((*row, note))
    return rows


def item_rows(takeoff: Takeoff, units: System) -> list[tuple[str | float, ...]]:
    """Rows of the bill under ``ITEM_HEADINGS``, the sum last."""
    rows: list[tuple[str | float, ...]] = []
    for item in takeoff.items:
        scale = 1.0 / FOOT_M if units == "ft" and item.unit == "m" else 1.0
        unit = "ft" if scale != 1.0 else item.unit
        price: str | float = "no price" if item.price is None else round(item.price / scale, 4)
        total: str | float = "" if item.total is None else round(item.total, 2)
        rows.append((item.text, round(item.quantity * scale, 3), unit, price, total))
    if takeoff.total is not None:
        lacking = f", {len(takeoff.unpriced)} items without a price left out" if takeoff.unpriced else ""
        rows.append((f"sum{lacking}", "", takeoff.currency, "", round(takeoff.total, 2)))
    return rows


def takeoff_table(takeoff: Takeoff, units: System = "m") -> str:
    """The bill and the set-out as plain text for a terminal."""
    lines = _columns([ITEM_HEADINGS, *item_rows(takeoff, units)])
    lines.append("")
    for entry, note in zip(takeoff.setout, takeoff.rafters, strict=True):
        tapes = "; ".join(
            f"{tape.direction} {format_length(tape.surface_m, units)} to {tape.kind} {tape.edge}".strip()
            for tape in entry.tapes
        )
        place = f"on {entry.plane}: {tapes}" if entry.plane else "off the roof"
        lines.append(f"{entry.anchor} {place}" + (f" ({note})" if note else ""))
    lines.append("Distances are measured on the roof surface from the foot of the anchor. Verify on site.")
    return "\n".join(lines)


def _columns(rows: Sequence[Sequence[str | float]]) -> list[str]:
    cells = [[_text(value) for value in row] for row in rows]
    widths = [max(len(row[k]) for row in cells) for k in range(len(cells[0]))]
    return [
        "  ".join(
            cell.ljust(width) if k in (0, 2) else cell.rjust(width)
            for k, (cell, width) in enumerate(zip(row, widths, strict=True))
        ).rstrip()
        for row in cells
    ]


def _text(value: str | float) -> str:
    return value if isinstance(value, str) else f"{value:.2f}"


def write_takeoff(takeoff: Takeoff, path: str | Path, units: System = "m") -> None:
    """Write the bill and the set-out as CSV or XLSX, by the file's ending.

    Raises InputError for another ending. Text is written as text, never as a formula.
    """
    path = Path(path)
    ending = path.suffix.lower()
    if ending == ".csv":
        replace_file(path, takeoff_csv(takeoff, units))
    elif ending == ".xlsx":
        _write_xlsx(takeoff, path, units)
    else:
        raise InputError(str(path), "ending", repr(path.suffix), ".csv or .xlsx")


def takeoff_csv(takeoff: Takeoff, units: System = "m") -> str:
    """Both tables in one CSV text, an empty line between."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(ITEM_HEADINGS)
    writer.writerows([_harmless(value) for value in row] for row in item_rows(takeoff, units))
    writer.writerow([])
    writer.writerow(setout_headings(units))
    writer.writerows([_harmless(value) for value in row] for row in setout_rows(takeoff, units))
    return out.getvalue()


def _harmless(value: str | float) -> str | float:
    """Text that a spreadsheet would run as a formula is marked as text."""
    return f"'{value}" if isinstance(value, str) and value[:1] in ("=", "+", "-", "@", "\t", "\r") else value


def _write_xlsx(takeoff: Takeoff, path: Path, units: System) -> None:
    import datetime

    import xlsxwriter

    memory = io.BytesIO()
    book = xlsxwriter.Workbook(memory, {"in_memory": True})
    # a fixed date keeps the same input to the same bytes
    book.set_properties({"title": "take-off", "created": datetime.datetime(2000, 1, 1)})
    bold = book.add_format({"bold": True})
    tables = (
        ("quantities", ITEM_HEADINGS, item_rows(takeoff, units)),
        ("set-out", setout_headings(units), setout_rows(takeoff, units)),
    )
    for name, headings, rows in tables:
        sheet = book.add_worksheet(name)
        for column, heading in enumerate(headings):
            sheet.write_string(0, column, heading, bold)
            longest = max([len(heading), *(len(_text(row[column])) for row in rows)])
            sheet.set_column(column, column, min(longest + 1, 60))
        for number, row in enumerate(rows, 1):
            for column, value in enumerate(row):
                if isinstance(value, str):
                    sheet.write_string(number, column, value)
                else:
                    sheet.write_number(number, column, value)
        sheet.freeze_panes(1, 0)
    book.close()
    temporary = path.with_name(path.name + ".part")
    temporary.write_bytes(memory.getvalue())
    temporary.replace(path)
