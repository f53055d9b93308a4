"""Swing measured level: how far a worker may go over from where the line comes to rest (a rule of Quebec's).

Regulation respecting occupational health and safety (S-2.1, r. 13), s 349.1(2): the D-ring "cannot be moved
horizontally by more than 3 m or an angle of 22 degrees".
"""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from roof3d import building
from roof3d.check import check
from roof3d.explain import explain
from roof3d.plan import read_plan
from roof3d.records import Anchor, Line, WorkArea
from roof3d.rules import load_rules
from tests.conftest import MODELS
from tests.test_explain_walk import SHEET


@pytest.fixture(scope="module")
def gable():
    plan = read_plan(MODELS / "gable.toml")
    roof = building.build(MODELS / plan.model.file, grade=plan.model.grade)
    return roof, replace(plan, rules="ca-quebec", work=(WorkArea(polygon=((5, 3), (7, 3), (7, 5), (5, 5))),))


def run(gable, rules="ca-quebec", **limits):
    """One anchor on the ridge, 4.7 m square to the eaves, and a line that gets 4.4 m to either side."""
    roof, plan = gable
    # nothing else is to decide: no limit on drop and angle, room below, force and free fall
    wide = {"swing_drop_limit": 50.0, "swing_angle_limit_deg": 90.0, "free_fall_limit": 50.0, **limits}
    wide |= {"arrest_force_limit": 50e3, "deceleration": 1.75, "margin": 0.0}
    clearance = tuple((name, wide.pop(name)) for name in ("deceleration", "margin"))
    plan = replace(
        plan,
        rules=rules,
        line=Line(length=6.6, absorber=replace(SHEET, least_force=SHEET.average_force)),
        anchors=(Anchor("A1", (6.0, 4.0, 5.35)),),
        anchor_lines=(),
        clearance=clearance,
        limits=tuple(wide.items()),
    )
    return check(replace(roof, grade=roof.grade - 30.0, cache={}), plan).to_json()


def swings(data):
    """Stretches of the front eave whose swing is over a limit: where from and to, from below the anchor."""
    eave = next(e for e in data["edges"] if e["kind"] == "eave" and max(p[1] for p in e["points"]) < 1)
    return [
        sorted(abs(end[0] - 6.0) for end in (s["start"], s["end"]))
        for s in data["edge_segments"]
        if s["edge"] == eave["id"] and "swing" in s["breaks"]
    ]


def test_it_is_data_with_its_clause():
    entry = load_rules("ca-quebec").entry("swing_offset_limit")
    assert entry.value == 3.0
    assert entry.status == "read"
    assert "349.1(2)" in entry.clause
    assert load_rules("us-construction").get("swing_offset_limit") is None


def test_over_the_eave_more_than_three_metres_to_the_side(gable):
    data = run(gable)
    found = swings(data)
    assert found
    # from 3 m to the side on, no nearer than the tolerance of the check
    assert min(low for low, _ in found) == pytest.approx(3.0, abs=0.06)
    assert min(low for low, _ in found) <= 3.0 + 1e-6
    assert max(high for _, high in found) >= math.sqrt(
        6.6**2 - 4.96**2
    )  # as far as the line gets, or stretches
    (one, *_) = [f for f in data["findings"] if f["code"] == "swing"]
    assert "to the side, more than 3.00 m" in one["text"]
    offsets = [s["sums"].get("swing_offset_m", 0.0) for s in data["edge_segments"]]
    assert max(offsets) > 3.0
    path = f"edge_segments/{offsets.index(max(offsets))}/sums/swing_offset_m"
    said = "\n".join(explain(data, path))
    assert "349.1(2)" in said
    assert "measured level" in said


def test_a_wider_limit_never_finds_more_and_none_is_not_checked(gable):
    metres = [
        sum(high - low for low, high in swings(run(gable, swing_offset_limit=limit)))
        for limit in (1.5, 3.0, 4.0, 20.0)
    ]
    assert metres == sorted(metres, reverse=True)
    assert metres[0] > metres[1] > 0
    assert metres[-1] == 0
    other = run(gable, "us-construction")
    assert swings(other) == []
    assert all("swing_offset_m" not in s["sums"] for s in other["edge_segments"])
