"""Place by place, more line makes no edge safer, and higher ground adds no room."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from roof3d.building import build
from roof3d.check import Result, check
from roof3d.plan import read_plan
from roof3d.records import STATES, Anchor, Line, Plan, Roof
from tests.conftest import MODELS, shared_data

EVERY = 0.11  # m along each edge
BORDER = 0.03  # m from where a state changes, which is known to a centimetre
REAL = ["vienna_hip_valley", "vienna_valley", "zurich_gable_open"]
OWN = ["hip", "l-valley", "t-plan", "butterfly", "terrace"]


def told(result: Result) -> dict[tuple[str, str, float], tuple[int, float]]:
    """State and margin at places of all edges, away from where states change."""
    out = {}
    for s in result.segments:
        for at in np.arange(np.ceil((s.from_m + BORDER) / EVERY), (s.to_m - BORDER) / EVERY) * EVERY:
            margin = np.inf if s.margin_m is None else s.margin_m
            out[s.anchor, s.edge, round(float(at), 3)] = (STATES.index(s.state), margin)
    return out


def plan_for(roof: Roof, length: float) -> Plan:
    """One anchor on the longest upper edge that is not one to fall over."""
    inner = [
        edge for edge in roof.edges if not edge.fall and edge.kind in ("ridge", "hip", "valley", "break")
    ]
    edge = max(inner, key=lambda e: e.length_m)
    at = roof.to_loaded(edge.points[0] + 0.4 * (edge.points[-1] - edge.points[0])) + np.array(
        [0.0, 0.0, 0.05]
    )
    return Plan(
        rules="us-construction", anchors=(Anchor("A1", tuple(at.tolist())),), line=Line(length=length)
    )


def loaded(name: str) -> Roof:
    if name in REAL:
        return build(shared_data(name) / f"{name}.obj", unit="m", up="z")
    return build(MODELS / f"{name}.glb", grade=read_plan(MODELS / f"{name}.toml").model.grade)


@pytest.mark.parametrize("name", OWN + REAL)
def test_more_line_makes_no_edge_safer(name: str) -> None:
    roof = loaded(name)
    before: dict[tuple[str, str, float], tuple[int, float]] = {}
    for length in (4.0, 5.5, 8.0):
        now = told(check(roof, plan_for(roof, length)))
        shared = [key for key in before if key in now]
        assert length == 4.0 or shared
        worse = [key for key in shared if now[key][0] > before[key][0]]
        assert not worse
        before = now


@pytest.mark.parametrize("name", OWN + REAL)
def test_higher_ground_adds_no_room(name: str) -> None:
    roof = loaded(name)
    if any(facet.kind == "ground" for facet in roof.facets):
        pytest.skip("the model has ground of its own")
    plan = plan_for(roof, 6.0)
    before = told(check(roof, plan))
    now = told(check(replace(roof, grade=roof.grade + 2.0, cache={}), plan))
    shared = [key for key in before if key in now]
    assert shared
    assert not [key for key in shared if now[key][0] > before[key][0]]
    assert not [key for key in shared if now[key][1] > before[key][1] + BORDER]
