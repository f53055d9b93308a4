"""Take-off: counted by hand, and read back by another program."""

from __future__ import annotations

import csv
import io
from pathlib import Path
from typing import Any

import openpyxl
import pytest

from roof3d.errors import InputError
from roof3d.records import Prices
from roof3d.show.takeoff import make_takeoff, takeoff_csv, takeoff_table, write_takeoff

# one plane of an invented shed: 10 m along the eave, 4 m up the slope of 3 in 4 (height 2.4, plan 3.2)
RING = [[0.0, 0.0, 3.0], [10.0, 0.0, 3.0], [10.0, 3.2, 5.4], [0.0, 3.2, 5.4]]
EDGES = [
    {"id": "E1", "kind": "eave", "points": [RING[0], RING[1]]},
    {"id": "E2", "kind": "rake", "points": [RING[1], RING[2]]},
    {"id": "E3", "kind": "ridge", "points": [RING[2], RING[3]]},
    {"id": "E4", "kind": "rake", "points": [RING[3], RING[0]]},
]
PRICES = Prices("crowns", anchor=90, line_per_m=3, anchor_line_per_m=25, support=60, visit=150)


def segment(edge: str, low: float, high: float, guard: str, anchor: str = "A1") -> dict[str, Any]:
    ends = {"start": [0, 0, 3], "end": [1, 0, 3]}
    return {"edge": edge, "from_m": low, "to_m": high, "anchor": anchor, "state": "beyond", **ends} | {
        "protection": guard
    }


def result() -> dict[str, Any]:
    return {
        "schema": "roof3d-result/1",
        "model": {"file": "shed.obj", "sha256": "0"},
        "planes": [
            {"id": "P1", "pitch_deg": 36.87, "azimuth_deg": 180, "area_m2": 40.0, "rings": [RING]},
        ],
        "edges": [
            {**edge, "fall": edge["kind"] != "ridge", "planes": ["P1"], "length_m": 1, "drop_m": 3}
            for edge in EDGES
        ],
        "anchors": [
            {"id": "A1", "kind": "point", "at": [2.5, 0.8, 3.6], "line_length_m": 6.0, "rating_kN": 25.0},
            {"id": "A2", "kind": "point", "at": [7.5, 0.8, 3.6], "line_length_m": 6.0, "rating_kN": 25.0},
            {
                "id": "H1",
                "kind": "line",
                "points": [[1, 3.2, 5.4], [5, 3.2, 5.4], [9, 3.2, 5.4]],
                "line_length_m": 4.0,
                "rating_kN": None,
            },
        ],
        "edge_segments": [
            segment("E2", 0.0, 3.0, "guardrail"),
            segment("E2", 0.0, 3.0, "guardrail", "A2"),
            segment("E2", 2.0, 4.0, "guardrail", "A2"),
            segment("E1", 0.0, 10.0, ""),
        ],
    }


def test_quantities_and_sum_by_hand() -> None:
    takeoff = make_takeoff(result(), PRICES)
    lines = {item.text: (item.quantity, item.unit, item.total) for item in takeoff.items}
    assert lines["single anchor, rated 25.0 kN"] == (2, "each", 180)
    assert lines["end anchor of anchor line, rating not given"] == (2, "each", 180)
    assert lines["support of anchor line"] == (1, "each", 60)
    assert lines["anchor line H1, 2 spans, straight between its points"] == (8, "m", 200)
    assert lines["line from anchor to D-ring, 2 of 6.00 m"] == (12, "m", 36)
    assert lines["line from anchor to D-ring, 1 of 4.00 m"] == (4, "m", 12)
    assert lines["edge protection, guardrail"] == (4, "m", None)  # 0 to 4 m, however often it is told
    assert takeoff.total == 180 + 180 + 60 + 200 + 36 + 12 + 150
    assert takeoff.unpriced == ("edge protection, guardrail",)


def test_without_prices_there_is_no_sum() -> None:
    takeoff = make_takeoff(result())
    assert takeoff.total is None
    assert "sum" not in takeoff_table(takeoff).splitlines()[-5]
    assert "no price" in takeoff_table(takeoff)


def test_set_out_is_measured_on_the_slope() -> None:
    """A quarter up a slope of 4 m: 1 m from the eave, 3 m from the ridge; rakes 2.5 and 7.5 m away."""
    takeoff = make_takeoff(result(), PRICES, {"A1": "rafter 5"})
    first = takeoff.setout[0]
    tapes = {tape.direction: (round(tape.surface_m, 6), tape.kind) for tape in first.tapes}
    assert tapes == {
        "up": (3.0, "ridge"),
        "down": (1.0, "eave"),
        "left": (2.5, "rake"),
        "right": (7.5, "rake"),
    }
    assert takeoff.rafters[0] == "rafter 5"
    assert takeoff.at[0] == (2.5, 0.8, 3.6)


def test_csv_in_feet() -> None:
    rows = list(csv.reader(io.StringIO(takeoff_csv(make_takeoff(result(), PRICES), "ft"))))
    rope = next(row for row in rows if row and row[0].startswith("line from anchor to D-ring, 2"))
    assert rope[1:3] == ["39.37", "ft"]  # 12 m
    assert float(rope[4]) == 36.0
    head = next(row for row in rows if row and row[0] == "anchor")
    first = dict(zip(head, rows[rows.index(head) + 1], strict=True))
    assert first["down the slope to (ft)"] == "3.281"


def test_workbook_holds_text_as_text(tmp_path: Path) -> None:
    names = result()
    names["anchors"][0]["id"] = "=1+1"
    path = tmp_path / "bill.xlsx"
    write_takeoff(make_takeoff(names, PRICES), path)
    book = openpyxl.load_workbook(path)
    assert book.sheetnames == ["quantities", "set-out"]
    cell = book["set-out"]["A2"]
    assert (cell.value, cell.data_type) == ("=1+1", "s")
    bill = {row[0]: row[4] for row in book["quantities"].iter_rows(values_only=True)}
    assert bill["sum, 1 items without a price left out"] == 818
    first = path.read_bytes()
    write_takeoff(make_takeoff(names, PRICES), path)
    assert path.read_bytes() == first
    assert "'=1+1" in takeoff_csv(make_takeoff(names, PRICES))


def test_bad_input(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"found '\.pdf'; accepted: \.csv or \.xlsx"):
        write_takeoff(make_takeoff(result()), tmp_path / "bill.pdf")
    with pytest.raises(InputError, match="roof3d-result/1"):
        make_takeoff({"schema": "other"})
    assert list(tmp_path.iterdir()) == []
