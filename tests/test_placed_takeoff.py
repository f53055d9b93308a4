"""Take-off and plan drawing of a placed plan: where the crew measures, against the model's own geometry."""

from __future__ import annotations

import csv
import io
import json
import re
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree

import ezdxf
import numpy as np
import openpyxl
import pytest

from roof3d.building import build
from roof3d.check import check
from roof3d.cli import main
from roof3d.place import Placement, place
from roof3d.plan import read_plan, write_plan
from roof3d.records import Prices, Protection
from tests.test_place import HALF, LENGTH, PLAN, RISE, barn

PRICES = Prices("crowns", anchor=90.0, line_per_m=3.0, visit=150.0, edge_protection_per_m=30.0)
X, Y = 100.0, 2000.0  # the barn stands off the origin, so that a frame mixed up is seen


@pytest.fixture(scope="module")
def job(tmp_path_factory: pytest.TempPathFactory) -> tuple[Placement, Path]:
    """Three anchors on ridge and slopes, placed, written and checked as a user would."""
    folder = tmp_path_factory.mktemp("takeoff")
    barn(folder / "barn.obj", (X, Y))
    (folder / "plan.toml").write_text(PLAN)
    plan = read_plan(folder / "plan.toml")
    wish = replace(
        plan.candidates, spacing=1.2, along=("ridge", "slope"), slope_step=2.0, line_lengths=(4.2,)
    )
    guards = (Protection(kinds=("rake", "eave")),)
    plan = replace(plan, candidates=wish, protection=guards, prices=PRICES)
    placement = place(build(folder / "barn.obj", unit="m", up="z"), plan)
    write_plan(placement.plan, folder / "placed.toml")
    main(["check", str(folder / "placed.toml"), "--json", str(folder / "result.json"), "--quiet"])
    return placement, folder


def by_hand(at: tuple[float, float, float]) -> dict[str, float]:
    """Tape from an anchor's foot on the barn: slopes of 4 m in plan and 2 m up, ridge along x."""
    steep = np.hypot(HALF, RISE) / HALF
    along, off = at[0] - X, abs(at[1] - Y)
    return {"up": off * steep, "down": (HALF - off) * steep, "ends": along, "other": LENGTH - along}


def test_setout_is_measured_from_ridge_eave_and_ends(job: tuple[Placement, Path]) -> None:
    placement, folder = job
    assert placement.anchors == 3
    for ending in ("csv", "xlsx"):
        out = folder / f"takeoff.{ending}"
        assert main(["takeoff", str(folder / "result.json"), "--out", str(out), "--quiet"]) == 0
        if ending == "csv":
            tables = out.read_text().split("\n\n")
            rows = list(csv.DictReader(io.StringIO(tables[1])))
        else:
            sheet = openpyxl.load_workbook(out)["set-out"]
            head, *body = [[cell.value for cell in row] for row in sheet.iter_rows()]
            rows = [dict(zip(map(str, head), row, strict=False)) for row in body]
        assert len(rows) == 3
        for row, anchor in zip(rows, placement.plan.anchors, strict=True):
            assert row["anchor"] == anchor.id
            at = tuple(float(row[f"{axis} (m)"]) for axis in "xyz")
            assert at == pytest.approx(anchor.at, abs=1e-3)
            truth = by_hand(anchor.at)
            assert float(row["down the slope to (m)"]) == pytest.approx(truth["down"], abs=2e-3)
            if truth["up"] > 0.01:
                assert float(row["up the slope to (m)"]) == pytest.approx(truth["up"], abs=2e-3)
            ends = sorted(float(row[f"{side} to (m)"]) for side in ("left", "right"))
            assert ends == pytest.approx(sorted((truth["ends"], truth["other"])), abs=2e-3)
            assert str(row["note"]).startswith("place C")
            if "rafter" in str(row["note"]):  # rafters stand every 1.2 m from the end of the plane
                number = int(re.search(r"rafter (\d+)", str(row["note"])).group(1))  # type: ignore[union-attr]
                assert truth["ends"] == pytest.approx(1.2 * (number - 1), abs=2e-3)


def test_the_sum_is_that_of_the_prices(job: tuple[Placement, Path]) -> None:
    """By hand: 3 anchors, 3 ropes of 4.2 m, one visit, guards along all 4 x rake and 2 x eave of 6 m."""
    placement, folder = job
    main(["takeoff", str(folder / "result.json"), "--out", str(folder / "takeoff.csv"), "--quiet"])
    rows = list(csv.reader(io.StringIO((folder / "takeoff.csv").read_text().split("\n\n")[0])))
    sums = {row[0]: float(row[4]) for row in rows[1:]}
    edges = 30.0 * (2 * LENGTH + 4 * np.hypot(HALF, RISE))
    anchors, ropes, visit = 3 * 90.0, 3 * 4.2 * 3.0, 150.0
    assert sums["edge protection, guardrail"] == pytest.approx(edges, abs=0.01)
    assert sums["sum"] == pytest.approx(edges + anchors + ropes + visit, abs=0.01)
    assert placement.cost == pytest.approx(anchors + ropes + visit)


def test_least_cost_is_no_dearer_than_fewest(job: tuple[Placement, Path]) -> None:
    """With a rope dearer than an anchor, more anchors on short lines win; the fewest stay the fewest."""
    placement, _ = job
    roof = placement.study.roof
    plan = replace(placement.study.plan, prices=replace(PRICES, anchor=5.0, line_per_m=10.0))
    plan = replace(plan, candidates=replace(plan.candidates, line_lengths=(3.0, 4.2, 6.0)))
    fewest, least = (place(roof, plan, aim=aim) for aim in ("fewest", "cost"))
    assert fewest.complete
    assert least.complete
    assert fewest.cost is not None
    assert least.cost is not None
    assert least.cost <= fewest.cost + 1e-9
    assert least.anchors >= fewest.anchors
    again = check(roof, least.plan)
    assert again.work_m2 - again.served_m2 <= 1e-6


def test_drawings_hold_the_anchors_where_they_are(job: tuple[Placement, Path]) -> None:
    """The DXF is in metres of the model, read by another library: each anchor has its mark within 1 mm. The
    SVG has each anchor's name, and its dimensions are the tapes."""
    placement, folder = job
    for ending in ("dxf", "svg"):
        drawing = folder / f"plan.{ending}"
        assert main(["drawing", str(folder / "result.json"), "--out", str(drawing), "--quiet"]) == 0
    document = ezdxf.readfile(folder / "plan.dxf")
    assert not document.audit().errors
    found = []
    for entity in document.modelspace().query("CIRCLE INSERT"):
        centre = entity.dxf.center if entity.dxftype() == "CIRCLE" else entity.dxf.insert
        found.append((centre.x, centre.y))
    for anchor in placement.plan.anchors:
        away = np.linalg.norm(np.array(found) - np.array(anchor.at[:2]), axis=1)
        assert away.min() <= 1e-3, (anchor.at, found[:5])
    text = " ".join(ElementTree.parse(folder / "plan.svg").getroot().itertext())
    for anchor in placement.plan.anchors:
        assert anchor.id in text
        down = by_hand(anchor.at)["down"]
        assert f"{down:.2f}" in text
    values = json.loads((folder / "result.json").read_text())
    assert values["work"]["unserved_m2"] == 0
