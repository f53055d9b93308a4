"""The order of findings: the worst first, small steps in one line, nothing left out."""

from __future__ import annotations

import re

import pytest

from roof3d.building import build
from roof3d.check import Result, check
from roof3d.check.findings import worst_first
from roof3d.fall import make_boundary
from roof3d.plan import model_path, read_plan
from roof3d.records import Finding
from tests.conftest import MODELS
from tests.fall_roofs import box, flat_edges, make_roof


@pytest.fixture(scope="module", params=["terrace", "dormers"])
def result(request: pytest.FixtureRequest) -> Result:
    plan = read_plan(MODELS / f"{request.param}.toml")
    return check(
        build(model_path(plan), grade=plan.model.grade, unit=plan.model.unit, up=plan.model.up), plan
    )


def test_dangers_come_first_and_the_worst_of_them_before_the_others(result: Result) -> None:
    order = ["danger", "warning", "note"]
    ranks = [order.index(finding.severity) for finding in result.findings]
    assert ranks == sorted(ranks)
    told = [f for f in result.findings if f.code == "clearance-short" and "small steps" not in f.text]
    lacking = [float(re.findall(r": ([\d.]+) m short", f.text)[0]) for f in told]
    assert len(lacking) > 3
    assert lacking == sorted(lacking, reverse=True)


def test_small_steps_are_one_line_for_each_anchor_and_none_is_left_out(result: Result) -> None:
    lines = [f for f in result.findings if "small steps" in f.text]
    assert lines
    assert len({re.findall(r" on (\w+):", f.text)[0] for f in lines}) == len(lines)
    boundary = next(v for k, v in result.roof.cache.items() if k.startswith("boundary"))
    small = {name for name, depth in boundary.depths().items() if depth <= 1.0 + 1e-6}
    for anchor in {s.anchor for s in result.segments}:
        lacking = {s.edge for s in result.segments if s.anchor == anchor and "room" in s.breaks}
        alone = {
            f.element for f in result.findings if f.code == "clearance-short" and f" on {anchor}:" in f.text
        }
        (line,) = [f for f in lines if f" on {anchor}:" in f.text] or [None]
        assert lacking - small <= alone
        if line is not None:
            assert int(line.text.split()[0]) == len(lacking & small)
            least = min(s.margin_m or 0.0 for s in result.segments if s.anchor == anchor and s.edge in small)
            assert f"{-least:.2f} m short" in line.text


def test_small_steps_stand_behind_other_dangers() -> None:
    step = Finding("clearance-short", "danger", "step", worse=9.0, small=True)
    deep = Finding("clearance-short", "danger", "deep", worse=0.2)
    worse = Finding("clearance-short", "danger", "worse", worse=2.0)
    loads = Finding("anchor-rating-short", "danger", "loads")
    note, warning = Finding("a", "note", "note"), Finding("b", "warning", "warning")
    some = [note, step, deep, warning, worse, loads]
    assert [f.text for f in worst_first(some)] == ["loads", "worse", "deep", "step", "warning", "note"]


def test_depths_are_the_greatest_along_an_edge() -> None:
    """A block of 6 m beside one of 5.3 m that reaches along half of its side: 0.7 m there, 6 m beyond."""
    facets = box(0, 10, 0, 10, 0, 6, "1") + box(10, 14, 0, 10, 0, 5.3, "2")
    edges = flat_edges(0, 10, 0, 10, 6, "P1")
    boundary = make_boundary(make_roof(facets, edges), 1.5, 90.0)
    assert boundary.depths()["E2"] == pytest.approx(0.7)
    assert boundary.depths()["E4"] == pytest.approx(6.0)
    half = box(0, 10, 0, 10, 0, 6, "1") + box(10, 14, 0, 5, 0, 5.3, "2")
    assert make_boundary(make_roof(half, edges), 1.5, 90.0).depths()["E2"] == pytest.approx(6.0)
