"""The plan that ``place`` writes, read back and checked by the command: served, or named as not served."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest

from roof3d.building import build
from roof3d.cli import main
from roof3d.place import Placement, explain_gaps, place
from roof3d.plan import model_path, read_plan, write_plan
from roof3d.records import Candidates, Plan, Protection, Roof, WorkArea
from tests.conftest import MODELS

EVERYWHERE = ("eave", "rake", "top", "flat", "opening", "upstand", "abutment", "hip", "ridge", "break")
NAMES = sorted(path.stem for path in MODELS.glob("*.toml"))
MOST_M2 = 130.0
CASES = [
    # rule set, lines on offer, edges guarded, kind
    ("eu-363", (4.0, 9.0), EVERYWHERE, "points"),
    ("us-construction", (6.0,), (), "restraint"),
]


@pytest.fixture(scope="module", params=NAMES)
def house(request: pytest.FixtureRequest) -> tuple[Roof, Plan]:
    plan = read_plan(MODELS / f"{request.param}.toml")
    roof = build(model_path(plan), unit=plan.model.unit, up=plan.model.up, grade=plan.model.grade)
    return roof, plan


def job(roof: Roof, plan: Plan, rules: str, lengths: tuple[float, ...], kinds: tuple[str, ...]) -> Plan:
    """The plan with few places and, on a big roof, work on a few planes, so that a test takes seconds."""
    area, planes = 0.0, []
    for facet in roof.planes:
        if area + facet.area_m2 <= MOST_M2 or not planes:
            area += facet.area_m2
            planes.append(facet.id)
    wish = Candidates(spacing=3.0, slope_step=3.0, edge_setback=0.5, line_lengths=lengths, rating=30_000.0)
    return replace(
        plan,
        rules=rules,
        candidates=wish,
        work=(WorkArea("W", planes=tuple(planes)),),
        clearance=(),
        limits=(),
        anchors=(),
        anchor_lines=(),
        line=replace(plan.line, policy="fixed", slack=0.0, absorber=replace(plan.line.absorber, name="")),
        protection=(Protection(kinds=kinds),) if kinds else (),
    )


def checked(placement: Placement, folder: Path) -> dict:
    """The result of ``roof3d check`` on the plan that ``place`` wrote."""
    file, result = folder / "placed.toml", folder / "result.json"
    write_plan(placement.plan, file)
    status = main(["check", str(file), "--json", str(result), "--quiet"])
    found = json.loads(result.read_text())
    assert status == (1 if found["summary"]["findings"] else 0)
    return dict(found)


@pytest.mark.parametrize(("rules", "lengths", "kinds", "kind"), CASES)
def test_what_place_writes_passes_the_check(
    house: tuple[Roof, Plan],
    tmp_path: Path,
    rules: str,
    lengths: tuple[float, ...],
    kinds: tuple[str, ...],
    kind: str,
) -> None:
    roof, plan = house
    placement = place(roof, job(roof, plan, rules, lengths, kinds), kind=kind)
    found = checked(placement, tmp_path)
    gaps = explain_gaps(placement, stop=lambda: True)
    assert found["work"]["unserved_m2"] == pytest.approx(placement.unserved_m2, abs=1e-6)
    assert [f for f in found["findings"] if f["severity"] == "danger"] == []
    codes = {f["code"] for f in found["findings"] if f["severity"] == "warning"}
    if placement.complete:
        assert found["work"]["unserved_m2"] <= 1e-6
        assert not codes & {"work-unserved", "no-anchors"}
        assert not gaps
    else:
        # what is not served is named, plane by plane, and nothing else is wrong
        assert codes <= {"work-unserved", "no-anchors"}
        assert sum(gap.area_m2 for gap in gaps) == pytest.approx(found["work"]["unserved_m2"], abs=1e-6)
        assert all(gap.reason and gap.advice for gap in gaps)
        assert not placement.proven
        assert "fewest" not in placement.proof
    if kinds:
        servable = placement.study.demand.need[:, :].min(axis=1) < float("inf")
        assert placement.complete == bool(servable.all())
