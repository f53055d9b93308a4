"""What must never improve, through whole checks: required clearance, margins and forces on an example.

Heavier people, more slack, longer lines, slacker and longer anchor lines never need less room; a stiffer
absorber never lowers the force.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from roof3d import building
from roof3d.check import check
from roof3d.plan import read_plan
from roof3d.records import Absorber, AnchorLine, Line, Plan, Roof, Rope, WorkArea
from tests.conftest import MODELS

ROUNDING = 2e-6  # results are written with six decimals


@cache
def gable() -> tuple[Roof, Plan]:
    plan = read_plan(MODELS / "gable.toml")
    roof = building.build(MODELS / plan.model.file, grade=plan.model.grade)
    work = (WorkArea(id="W", polygon=((5.0, 3.0), (7.0, 3.0), (7.0, 5.0), (5.0, 5.0))),)
    return roof, replace(plan, work=work, anchors=tuple(replace(a, line=None) for a in plan.anchors[:1]))


def run(plan: Plan) -> dict[str, Any]:
    return check(gable()[0], plan).to_json()


def needs(data: dict[str, Any]) -> dict[str, tuple[float, float, float]]:
    """By edge where a fall is possible, at the least margin: room needed, room there, margin."""
    found: dict[str, tuple[float, float, float]] = {}
    for segment in data["edge_segments"]:
        if segment["margin_m"] is None:
            continue
        keys = ("clearance_required_m", "clearance_available_m", "margin_m")
        figures = tuple(segment[key] for key in keys)
        if segment["edge"] not in found or figures[2] < found[segment["edge"]][2]:
            found[segment["edge"]] = figures
    return found


def assert_never_better(base: dict[str, Any], worse: dict[str, Any]) -> None:
    """No edge gains margin; where the room below is the same, as along an eave, none needs less."""
    before, after = needs(base), needs(worse)
    assert before
    assert set(before) <= set(after)
    eaves = {edge["id"] for edge in base["edges"] if edge["kind"] == "eave"}
    for edge, (need, _, margin) in before.items():
        assert after[edge][2] <= margin + ROUNDING, edge
        if edge in eaves:
            assert after[edge][0] >= need - ROUNDING, edge


def absorber(force: float, extension: float) -> Absorber:
    return Absorber(
        average_force=force, peak_force=force / 0.875, maximum_extension=extension, source="invented"
    )


@settings(max_examples=15, deadline=None, derandomize=True)
@given(
    st.floats(60, 120),
    st.floats(4.6, 6.0),
    st.floats(2500, 6000),
    st.floats(0.5, 1.75),
    st.sampled_from([None, 15_000.0, 60_000.0]),
    st.floats(0.05, 0.6),
)
def test_heavier_people_and_longer_lines_never_need_less_room(
    mass, length, force, extension, stiffness, more
):
    _, plan = gable()
    line = Line(length=length, absorber=absorber(force, extension), rope=Rope(stiffness=stiffness))
    base = replace(plan, line=line, worker=replace(plan.worker, mass=mass))
    data = run(base)
    assert_never_better(data, run(replace(base, worker=replace(plan.worker, mass=mass * (1 + more)))))
    assert_never_better(data, run(replace(base, line=replace(line, length=length + more))))
    heavier = run(replace(base, worker=replace(plan.worker, mass=mass, attachment_height=1.5 + more)))
    for edge, (_, _, margin) in needs(data).items():  # a higher D-ring falls further
        assert needs(heavier)[edge][2] <= margin + ROUNDING
    stiffer = run(replace(base, line=replace(line, absorber=absorber(force * (1 + more), extension))))
    peaks = [result["anchors"][0]["arrest"]["peak_force_kN"] for result in (data, stiffer)]
    if None not in peaks:
        assert peaks[1] >= peaks[0] - ROUNDING


@settings(max_examples=12, deadline=None, derandomize=True)
@given(st.floats(4.3, 5.5), st.floats(0.0, 0.3), st.floats(0.1, 0.5), st.floats(2500, 6000))
def test_more_slack_never_needs_less_room(length, slack, more, force):
    _, plan = gable()
    line = Line(length=length, policy="snug", slack=slack, absorber=absorber(force, 1.2))
    base = replace(plan, line=line)
    assert_never_better(run(base), run(replace(base, line=replace(line, slack=slack + more))))


@settings(max_examples=4, deadline=None, derandomize=True)
@given(
    st.floats(3.5, 4.6),
    st.floats(50, 2000),
    st.floats(5e4, 2e6),
    st.floats(0.5, 6.0),
    st.sampled_from(["rigid", "pass-through"]),
)
def test_slacker_and_longer_anchor_lines_never_need_less_room(length, pretension, stiffness, out, kind):
    _, plan = gable()
    line = AnchorLine(
        "H1",
        ((-1.0, 4.0, 5.35), (6.0, 4.0, 5.35), (13.0, 4.0, 5.35)),
        line=Line(length=length, absorber=absorber(4000.0, 1.75)),
        rope=Rope(stiffness=stiffness, strength=60e3),
        pretension=pretension,
        support_kind=kind,
        maximum_workers=4,
    )
    base = replace(plan, anchors=(), anchor_lines=(line,))
    data = run(base)
    longer = ((-1.0 - out, 4.0, 5.35), (6.0, 4.0, 5.35), (13.0 + out, 4.0, 5.35))
    for worse in (
        replace(line, pretension=pretension / 10),
        replace(line, points=longer),
        replace(line, rope=Rope(stiffness=stiffness / 2, strength=60e3)),
        replace(line, workers=2),
    ):
        assert_never_better(data, run(replace(base, anchor_lines=(worse,))))
