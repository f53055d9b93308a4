"""A plan on a roof from end to end: the result's form, its findings, and what must not change."""

from __future__ import annotations

import json
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from roof3d.check import check
from roof3d.errors import InputError
from roof3d.levels import fill_drops
from roof3d.records import (
    STATES,
    Absorber,
    Anchor,
    AnchorLine,
    Line,
    Plan,
    Protection,
    Roof,
    Rope,
    WorkArea,
    Worker,
)
from roof3d.show.table import check_table, inspect_table, state_lengths
from tests.fall_roofs import box, flat_edges, flat_roof, make_roof, mono_roof

A1 = Anchor("A1", (10.0, 5.0, 6.0), rating=25_000.0)
PLAN = Plan(anchors=(A1,), line=Line(length=5.2), worker=Worker(mass=100.0))


@pytest.fixture(scope="module")
def roof() -> Roof:
    return fill_drops(flat_roof())


@pytest.fixture(scope="module")
def result(roof):
    return check(roof, PLAN)


def metres(result, states=("short", "swing", "arrest")):
    return sum(s.to_m - s.from_m for s in result.segments if s.state in states)


def test_result_has_the_keys_of_the_design(result):
    data = json.loads(json.dumps(result.to_json()))
    assert data["schema"] == "roof3d-result/1"
    assert {"file", "sha256", "unit", "up", "triangles", "repairs"} <= set(data["model"])
    assert isinstance(data["assumptions"], list)
    assert {"id", "pitch_deg", "azimuth_deg", "area_m2", "centroid", "rings"} <= set(data["planes"][0])
    keys = {"id", "kind", "fall", "planes", "points", "length_m", "drop_m"}
    assert keys <= set(data["edges"][0])
    keys = {"id", "kind", "at", "line_length_m", "policy", "served_area_m2", "load_kN"}
    assert keys <= set(data["anchors"][0])
    keys = {
        "edge",
        "from_m",
        "to_m",
        "start",
        "end",
        "anchor",
        "state",
        "taut_length_m",
        "surplus_m",
        "free_fall_m",
        "swing_drop_m",
        "swing_angle_deg",
        "rest_point",
        "clearance_point",
        "clearance_required_m",
        "clearance_available_m",
        "margin_m",
    }
    assert all(keys <= set(segment) for segment in data["edge_segments"])
    assert {"area_m2", "served_m2", "unserved_m2"} <= set(data["work"])
    assert {"worst_state", "worst_margin_m", "anchors", "findings"} <= set(data["summary"])
    assert all(entry["status"] for entry in data["rules"]["entries"])
    assert data["cautions"]


def test_segments_cover_every_fall_edge_once_for_each_anchor(result):
    for edge in result.roof.edges:
        mine = [s for s in result.segments if s.edge == edge.id]
        assert mine[0].from_m == 0.0
        assert mine[-1].to_m == pytest.approx(edge.length_m)
        for a, b in pairwise(mine):
            assert a.to_m == b.from_m
            assert (a.state, "room" in a.breaks) != (b.state, "room" in b.breaks)


def test_clearance_is_told_with_the_place_where_it_is_that_tight(result):
    """Height of that place above level ground is the clearance there is; it lies on a fall edge."""
    data = result.to_json()
    grade = data["model"]["grade_m"]
    falls = [s for s in data["edge_segments"] if s["margin_m"] is not None and s["strikes"] == "ground"]
    assert falls
    lines = [np.asarray(e["points"]) for e in data["edges"] if e["fall"]]
    for s in falls:
        place = np.asarray(s["clearance_point"])
        # told for a piece of edge of 25 cm at most, worst in it
        assert 0 <= place[2] - grade - s["clearance_available_m"] + 1e-5 <= 0.13
        away = min(
            float(np.linalg.norm(np.cross(place - p[0], p[-1] - p[0])) / np.linalg.norm(p[-1] - p[0]))
            for p in lines
        )
        assert away < 1e-4


def test_required_is_the_sum_of_its_terms(result):
    data = result.to_json()
    terms = data["anchors"][0]["clearance_terms"]
    s = next(s for s in data["edge_segments"] if s["state"] == "arrest")
    surplus = 5.2 - 5.0
    total = (
        terms["attachment_height_m"]
        + surplus
        + terms["deceleration_m"]
        + terms["line_elongation"] * 5.2
        + terms["harness_stretch_m"]
        + terms["margin_m"]
    )
    assert s["clearance_required_m"] == pytest.approx(total, abs=1e-5)
    assert s["margin_m"] == pytest.approx(s["clearance_available_m"] - s["clearance_required_m"], abs=2e-6)
    # 29 CFR 1926.502(d)(16)(iv): 3.5 ft of deceleration, elongation of the line apart
    assert terms["deceleration_m"] == pytest.approx(3.5 * 0.3048, abs=1e-6)


def test_served_area_is_the_disc_less_what_is_not_certain(roof):
    """Level roof: a D-ring h up is in reach within sqrt(L^2 - h^2) of the anchor's foot (Pythagoras)."""
    plan = replace(PLAN, anchors=(Anchor("A1", (10.0, 10.0, 6.0), rating=25_000.0),))
    found = check(roof, plan)
    exact = np.pi * (5.2**2 - 1.5**2)
    assert found.served_m2 <= exact
    assert found.served_m2 >= exact * 0.96
    assert found.work_m2 == pytest.approx(400.0)
    radius = np.hypot(found.cells.at[:, 0] - 10, found.cells.at[:, 1] - 10)
    assert radius[found.cells.any_served].max() <= np.sqrt(5.2**2 - 1.5**2)


def test_same_input_same_bytes(roof, result):
    roof.cache.clear()
    again = check(fill_drops(flat_roof()), PLAN)
    assert json.dumps(again.to_json()) == json.dumps(result.to_json())


def test_loaded_frame_keeps_site_coordinates(result):
    site = np.array([450_000.0, 5_800_000.0, 120.0])
    moved = check(
        fill_drops(flat_roof(origin=site)), replace(PLAN, anchors=(replace(A1, at=tuple(site + A1.at)),))
    )
    here, there = result.to_json(), moved.to_json()
    for a, b in zip(here["edge_segments"], there["edge_segments"], strict=True):
        assert b["start"] == pytest.approx(np.array(a["start"]) + site, abs=1e-6)
        assert a["state"] == b["state"]
        assert a["margin_m"] == b["margin_m"]
    assert here["summary"] == there["summary"]


@pytest.mark.parametrize("length", [4.0, 5.2, 7.0, 9.0])
def test_longer_lines_and_higher_ground(length):
    low = check(fill_drops(flat_roof(grade=0.0)), replace(PLAN, line=Line(length=length)))
    longer = check(fill_drops(flat_roof(grade=0.0)), replace(PLAN, line=Line(length=length + 0.7)))
    high = check(fill_drops(flat_roof(grade=1.0)), replace(PLAN, line=Line(length=length)))
    assert metres(longer) >= metres(low) - 0.05
    if low.worst_margin_m is not None:
        assert high.worst_margin_m <= low.worst_margin_m
        assert longer.worst_margin_m <= low.worst_margin_m
    assert longer.served_m2 >= low.served_m2 - 1e-9


def test_findings_and_exit_status(roof):
    bad = check(roof, replace(PLAN, line=Line(length=8.0)))
    codes = {f.code for f in bad.findings}
    assert {"clearance-short", "free-fall-over-limit", "swing", "work-unserved"} <= codes
    assert bad.exit_status == 1
    assert bad.worst_state == "short"
    limit = bad.rules.value("free_fall_limit")
    for s in bad.segments:
        if s.state == "arrest":
            assert s.breaks == () and s.free_fall_m <= limit
        assert ("room" in s.breaks) == (s.margin_m is not None and s.margin_m < 0)
    assert {word for s in bad.to_json()["edge_segments"] for word in s["breaks"]} >= {"room", "free-fall"}
    stiff = Line(length=5.2, rope=Rope(stiffness=1e6), absorber=Absorber(name="none"))
    hard = check(roof, replace(PLAN, line=stiff))
    assert "arrest-force-over-limit" in {f.code for f in hard.findings}
    assert {"force" in s.breaks for s in hard.segments if s.margin_m is not None} == {True}
    used_up = Absorber(average_force=1500.0, peak_force=2000.0, maximum_extension=0.5)
    spent = check(roof, replace(PLAN, line=Line(length=5.2, absorber=used_up)))
    assert "absorber-exhausted" in {f.code for f in spent.findings}
    assert {"absorber" in s.breaks for s in spent.segments if s.margin_m is not None} == {True}
    unknown = check(roof, replace(PLAN, anchors=(replace(A1, rating=None),)))
    assert "anchor-rating-unknown" in {f.code for f in unknown.findings}
    weak = check(roof, replace(PLAN, anchors=(replace(A1, rating=5_000.0),)))
    assert "anchor-rating-short" in {f.code for f in weak.findings}
    lanyard = check(roof, replace(PLAN, line=Line(length=5.2, kind="lanyard")))
    assert "lanyard-too-long" in {f.code for f in lanyard.findings}
    heavy = check(roof, replace(PLAN, worker=Worker(mass=150.0)))
    assert "mass-over-limit" in {f.code for f in heavy.findings}
    none = check(roof, replace(PLAN, anchors=()))
    assert "no-anchors" in {f.code for f in none.findings} and none.exit_status == 1


def test_all_limits_hold_gives_exit_status_nought():
    roof = fill_drops(flat_roof(8.0, 8.0, 30.0))
    plan = replace(
        PLAN,
        anchors=(Anchor("A1", (4.0, 4.0, 30.0), rating=25_000.0),),
        line=Line(length=3.9, absorber=Absorber(average_force=4000.0, maximum_extension=1.2)),
        protection=(Protection(kinds=("flat",)),),
        work=(WorkArea(polygon=((3, 3), (5, 3), (5, 5), (3, 5))),),
    )
    found = check(roof, plan)
    assert [f.text for f in found.findings if f.severity != "note"] == []
    assert found.exit_status == 0
    assert found.worst_state == "guarded"
    assert found.to_json()["summary"]["worst_state"] == "guarded"
    assert {s.protection for s in found.segments} == {"guardrail"}


def test_restraint_serves_less_and_lets_nobody_over(roof):
    plan = replace(
        PLAN,
        anchors=(Anchor("A1", (10.0, 10.0, 6.0), rating=25_000.0),),
        line=Line(length=None, policy="restraint"),
    )
    found = check(roof, plan)
    assert metres(found) == 0
    length = found.anchors[0].line_length_m
    terms = found.anchors[0].terms
    # all of it: setback, stretch of the system, strain of the line (29 CFR values of the rule set)
    assert length * (1 + terms.elongation) == pytest.approx(
        10.0 - 0.5 - float(terms.drawn_out(1.5)) - terms.harness, abs=0.01
    )


def test_work_areas_limit_the_demand(roof):
    plan = replace(PLAN, work=(WorkArea(polygon=((8, 3), (12, 3), (12, 6), (8, 6))),))
    found = check(roof, plan)
    assert found.work_m2 == pytest.approx(12.0)
    assert found.served_m2 == pytest.approx(12.0)
    strip = check(roof, replace(PLAN, work=(WorkArea(edges=("E1",), strip=2.0),)))
    assert strip.work_m2 == pytest.approx(40.0)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"anchors": (replace(A1, at=(10.0, 5.0, 3.0)),)}, ("anchor A1", "inside the building")),
        ({"anchors": (replace(A1, at=(10.0, 500.0, 3.0)),)}, ("anchor A1", "480 m away")),
        ({"line": Line()}, ("line.length", "A1")),
        ({"protection": (Protection(edges=("E99",)),)}, ("protection[1].edges", "'E99'")),
        ({"work": (WorkArea(planes=("P9",)),)}, ("planes", "'P9'")),
        ({"anchors": (replace(A1, at=(float("nan"), 0, 0)),)}, ("anchor A1", "finite")),
    ],
)
def test_input_that_cannot_be_used_is_refused_in_one_line(change, words):
    facets = box(0, 20, 0, 20, 0, 6, "1")
    facets.append(("F9", "underside", [(0, 20, 0), (20, 20, 0), (20, 0, 0), (0, 0, 0)]))
    roof = make_roof(facets, flat_edges(0, 20, 0, 20, 6, "P1"))
    with pytest.raises(InputError) as caught:
        check(roof, replace(PLAN, **change))
    text = str(caught.value)
    assert "\n" not in text
    for word in words:
        assert word in text


def test_anchor_line_serves_more_and_is_loaded(roof):
    line = AnchorLine(
        "H1",
        ((5.0, 10.0, 6.0), (15.0, 10.0, 6.0)),
        rope=Rope(stiffness=2.5e6, strength=60_000.0),
        pretension=1000.0,
        end_rating=60_000.0,
    )
    found = check(roof, replace(PLAN, anchors=(), anchor_lines=(line,), line=Line(length=5.2)))
    one = check(roof, replace(PLAN, anchors=(Anchor("A1", (10.0, 10.0, 6.0), rating=25_000.0),)))
    made = found.anchors[0]
    assert made.kind == "line"
    # a strip of 10 m more than the disc of a single anchor
    assert found.served_m2 >= one.served_m2 + 0.9 * 10 * 2 * np.sqrt(5.2**2 - 1.5**2)
    assert made.spans[0]["loaded_length_m"] > 10.0
    # 29 CFR 1926 subpart M appendix C: a line with little sag pulls far harder than the load itself
    assert made.loads[0]["load_kN"] > made.arrest["peak_force_kN"] if made.arrest["peak_force_kN"] else True


def test_exposure_tells_who_can_go_over_what():
    roof = fill_drops(mono_roof(0.5, 8.0))
    plan = replace(PLAN, anchors=(Anchor("A1", (10.0, 6.0, 9.0), rating=25_000.0),), line=Line(length=6.6))
    found = check(roof, plan)
    cells = found.exposure
    eave = [s for s in found.segments if s.edge == "E1" and s.margin_m is not None]
    assert eave
    above = np.abs(found.cells.at[:, 0] - 10) < 1.0
    here = above & (found.cells.at[:, 1] < 5.5)
    assert (cells.state[here] <= STATES.index("arrest")).all()
    assert np.nanmin(cells.margin[here]) == pytest.approx(min(s.margin_m for s in eave), abs=0.02)
    far = np.abs(found.cells.at[:, 0] - 10) > 8
    assert (cells.state[far] == -1).all()


def test_the_table_has_each_edge_once_with_its_worst_stretch(result):
    data = result.to_json()
    falls = [s for s in data["edge_segments"] if s["state"] in ("short", "swing", "arrest")]
    lines = [line.split()[0] for line in check_table(data).splitlines() if line.startswith("E")]
    edges = {s["edge"] for s in falls}
    assert len(falls) > len(edges)
    assert sorted(lines) == sorted(edges)
    least = min(falls, key=lambda s: (STATES.index(s["state"]), s["margin_m"]))
    assert lines[0] == least["edge"]


def test_tables_state_units_and_words(result):
    data = result.to_json()
    table = check_table(data)
    assert "A1" in table and "5.20 m" in table
    assert "fall possible, all limits hold" in table
    feet = check_table(data, "ft")
    assert "17' 3/4\"" in feet and " m²" not in feet
    assert max(len(line) for line in table.splitlines()) <= 110
    from roof3d.check.result import inspection

    shown = inspect_table(inspection(result.roof))
    assert "E1" in shown and "6.00 m" in shown
    total = state_lengths(data)
    assert sum(total.values()) == pytest.approx(80.0)
