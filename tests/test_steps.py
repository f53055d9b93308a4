"""Steps: where going over an edge is no fall, on hand-made roofs whose answers follow from their sizes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from roof3d.check import check
from roof3d.check.result import inspection
from roof3d.fall import Limits, StraightRuler, Terms, Tie, assess, make_boundary, restraint_length
from roof3d.levels import fill_drops, find_steps
from roof3d.records import STATES, Anchor, Line, Plan
from roof3d.show.scene import make_scene
from tests.fall_roofs import box, flat_edges, make_roof

PLAN = Plan(
    rules="us-construction", anchors=(Anchor("A1", (6.0, 5.0, 6.0), rating=25_000.0),), line=Line(length=6.0)
)


def beside(low: float, south: float = -2.0, north: float = 12.0, gap: float = 0.0, far: float = 20.0, **kw):
    """A block 6 m high and, east of it behind a gap, a lower one from ``south`` to ``north``."""
    facets = box(0, 10, 0, 10, 0, 6, "1") + box(10 + gap, far, south, north, 0, low, "2")
    edges = flat_edges(0, 10, 0, 10, 6, "P1")
    return make_roof(facets, edges, **kw)


def test_a_lower_roof_within_a_step_all_under_the_footprint():
    assert find_steps(beside(5.6), 0.5)["E2"] == ((0.0, 10.0),)
    # where the lower roof ends with the edge, half the body's width beside it would find nothing
    ((low, high),) = find_steps(beside(5.6, 0.0, 10.0), 0.5)["E2"]
    assert 0.5 - 1e-9 <= low <= 0.53
    assert 9.47 <= high <= 9.5 + 1e-9


@pytest.mark.parametrize(
    "roof",
    [
        beside(5.45),  # too deep
        beside(5.6, gap=0.05),  # a gap at the edge
        beside(5.6, far=11.45),  # the footprint reaches 1.5 m out
        make_roof(
            box(0, 10, 0, 10, 0, 6, "1"),
            flat_edges(0, 10, 0, 10, 6, "P1"),
            grade=5.8,
            grade_source="assumed",
        ),  # the ground is not in the model
        make_roof(  # one may get under what first appears above the edge
            [
                *box(0, 10, 0, 10, 0, 6, "1"),
                ("P2", "roof", [(10, -2, 6.3), (20, -2, 6.3), (20, 12, 6.3), (10, 12, 6.3)]),
            ],
            flat_edges(0, 10, 0, 10, 6, "P1"),
        ),
        make_roof(  # not known what it is
            [
                *box(0, 10, 0, 10, 0, 6, "1"),
                ("F9", "underside", [(10, -2, 5.8), (20, -2, 5.8), (20, 12, 5.8), (10, 12, 5.8)]),
            ],
            flat_edges(0, 10, 0, 10, 6, "P1"),
        ),
    ],
)
def test_any_doubt_leaves_a_fall(roof):
    assert find_steps(roof, 0.5)["E2"] == ()


def test_a_doubtful_edge_has_no_steps():
    roof = beside(5.6)
    roof = replace(roof, edges=tuple(replace(edge, doubt="not joined") for edge in roof.edges))
    assert find_steps(roof, 0.5)["E2"] == ()


def test_a_roof_that_rises_through_the_edge_is_a_step_only_where_it_is_near():
    """East of the edge, at 6 m, a plane z = 4 + 0.4 y; the footprint reaches 0.5 m to either side."""
    ramp = ("P2", "roof", [(10, -2, 3.2), (20, -2, 3.2), (20, 12, 8.8), (10, 12, 8.8)])
    roof = make_roof([*box(0, 10, 0, 10, 0, 6, "1"), ramp], flat_edges(0, 10, 0, 10, 6, "P1"))
    ((low, high),) = find_steps(roof, 0.5)["E2"]
    assert 4.25 - 1e-9 <= low <= 4.28  # 4 + 0.4 (y - 0.5) = 5.5
    # above y = 5.5 all of the ramp in the footprint is higher than the edge: nothing shows what is under it
    assert 5.45 <= high <= 5.525 + 1e-9  # 4 + 0.4 (y - 0.5) = 6.01


def test_deeper_steps_are_steps_in_more_places():
    roof, last = beside(5.6, 0.0, 10.0), 0.0
    for height in (0.0, 0.2, 0.39, 0.41, 0.6, 1.0):
        length = sum(b - a for a, b in find_steps(roof, height)["E2"])
        assert length >= last
        last = length
    assert last > 8.9


@pytest.fixture(scope="module")
def found():
    return check(fill_drops(beside(5.6, 0.0, 10.0)), PLAN)


def test_no_segment_speaks_of_a_step_and_the_result_says_so(found):
    data = found.to_json()
    ((low, high),) = next(edge["steps"] for edge in data["edges"] if edge["id"] == "E2")
    east = [s for s in data["edge_segments"] if s["edge"] == "E2"]
    assert east
    assert all(s["to_m"] <= low + 1e-6 or s["from_m"] >= high - 1e-6 for s in east)
    assert sum(s["to_m"] - s["from_m"] for s in east) == pytest.approx(10.0 - (high - low), abs=1e-5)
    assert [edge["steps"] for edge in data["edges"] if edge["id"] != "E2"] == [[], [], []]
    assert sum("m of edge on 1 edges: a step, not a fall" in text for text in data["assumptions"]) == 1
    assert "step_height" in {entry["name"] for entry in data["rules"]["entries"]}
    shown = make_scene(data)
    assert "unassessed" not in {stretch.state for stretch in shown.stretches}
    assert not any(s.edge == "E2" and s.from_m < 5.0 < s.to_m for s in shown.stretches)


def test_a_plan_can_make_every_step_a_fall():
    roof = fill_drops(beside(5.6, 0.0, 10.0))
    plain = check(roof, replace(PLAN, limits=(("step_height", 0.0),)))
    assert all(edge["steps"] == [] for edge in plain.to_json()["edges"])
    east = [s for s in plain.segments if s.edge == "E2"]
    assert sum(s.to_m - s.from_m for s in east) == pytest.approx(10.0)
    assert any(s.state == "short" for s in east)


def test_inspection_tells_steps():
    data = inspection(fill_drops(beside(5.6)))
    assert next(edge["steps"] for edge in data["edges"] if edge["id"] == "E2") == [[0.0, 10.0]]
    assert any("a step, not a fall" in text for text in data["assumptions"])


def test_what_swings_over_a_step_still_strikes_it():
    """South edge and a step on the east: who goes over near the corner swings to where the floor is near."""
    terms = Terms(1.5, 0.9, 1.0, 0.3, 0.6, 0.0, 1000.0, 1000.0)
    roof = beside(5.6, 0.0, 10.0)
    boundary = make_boundary(roof, 1.5, 90.0, 0.5)
    plain = make_boundary(roof, 1.5, 90.0, 0.0)
    guards = [[] for _ in boundary.edges]
    ruler = StraightRuler(np.array([8.0, 4.0, 6.0]))  # the lowest potential lies on the step
    with_steps, without = (assess(b, ruler, Tie(5.0), terms, Limits(), guards) for b in (boundary, plain))
    south = []
    for result in (with_steps, without):
        mine = (result.pieces.boundary.edge[result.pieces.run] == 0) & (result.state <= 2)
        south.append(float(np.nanmin(result.margin[mine])))
    assert south[0] == pytest.approx(south[1], abs=0.02)
    assert south[0] < 0


def test_restraint_may_lead_over_a_step():
    terms = Terms(1.5, 0.9, 1.0, 0.3, 0.6, 0.0, 1000.0, 1000.0)
    roof = beside(5.6)
    ruler = StraightRuler(np.array([8.0, 5.0, 6.0]))
    guards = [[] for _ in roof.edges]
    over, short = (
        restraint_length(make_boundary(roof, 1.5, 90.0, step), ruler, terms, 0.5, guards)
        for step in (0.5, 0.0)
    )
    # the south and north edges are 5 m away, the step 2 m; the stretch is 1.3 m, the setback 0.5 m
    assert over == pytest.approx(5.0 - 1.8, abs=0.02)
    assert short == pytest.approx(2.0 - 1.8, abs=0.02)


def test_a_slide_over_a_step_goes_on_to_the_next_edge():
    """Two planes of 45 degrees, one a step below the other: from both a body comes to the lower eave."""
    upper = ("P1", "roof", [(0, 4, 6), (8, 4, 6), (8, 8, 10), (0, 8, 10)])
    lower = ("P2", "roof", [(-1, -2, -0.1), (9, -2, -0.1), (9, 4, 5.9), (-1, 4, 5.9)])
    edges = [
        ("E1", "eave", True, ("P1",), (0, 4, 6), (8, 4, 6)),
        ("E2", "eave", True, ("P2",), (-1, -2, -0.1), (9, -2, -0.1)),
    ]
    roof = fill_drops(make_roof([upper, lower], edges, grade=-12.0))
    limits = (("step_height", 1.7),)  # the plane falls 1.5 m within the footprint
    plan = replace(
        PLAN,
        anchors=(Anchor("A1", (4.0, 6.0, 8.1)),),
        line=Line(length=11.2),
        limits=limits,
    )
    found = check(roof, plan)
    ((low, high),) = found.steps["E1"]
    assert (low, high) == pytest.approx((0.0, 8.0))
    assert {s.state for s in found.segments if s.edge == "E2"} & {"short", "swing", "arrest"}
    centre = (np.abs(found.cells.at[:, 0] - 4.0) < 0.5) & (found.cells.at[:, 1] > 6.5)
    assert centre.any()
    assert (found.exposure.state[centre] < STATES.index("held")).all()
    # and the slide before the fall can begin at the upper plane's top
    boundary = make_boundary(roof, 1.5, 10.0, 1.7)
    assert boundary.rise[boundary.edge == 1].min() == pytest.approx(10.0)
    assert make_boundary(roof, 1.5, 10.0, 0.0).rise[1] == pytest.approx(5.9)
