"""The plan that ``place`` writes, read back and checked by the command: served, or named as not served.

The suite takes the rule sets in turn, another for each model and case. All of them and more cases, by hand:
``ROOF3D_SWEEP=all pytest tests/test_place_invariant.py``.
"""

from __future__ import annotations

import json
import os
from dataclasses import replace
from pathlib import Path

import pytest

import roof3d.rules
from roof3d.building import build
from roof3d.cli import main
from roof3d.place import Placement, explain_gaps, place
from roof3d.plan import model_path, read_plan, write_plan
from roof3d.records import Candidates, Plan, Protection, Roof, WorkArea
from tests.conftest import MODELS

EVERYWHERE = ("eave", "rake", "top", "flat", "opening", "upstand", "abutment", "hip", "ridge", "break")
NAMES = sorted(path.stem for path in MODELS.glob("*.toml"))
MOST_M2 = 130.0
RULES = ("eu-363", "us-construction", "uk", "ca", "au-nz", "us-general-industry", "ca-quebec")
CASES = [
    # lines on offer, edges guarded, kind
    ((4.0, 9.0), EVERYWHERE, "points"),
    ((6.0,), (), "restraint"),
]
SWEEP = os.environ.get("ROOF3D_SWEEP") == "all"
if SWEEP:
    CASES.append(((3.0, 5.0), ("rake", "opening"), "points"))


def rule_sets(name: str, case: int) -> tuple[str, ...]:
    """Rule sets that a model is tried with: one in the suite, all of them by hand."""
    if SWEEP:
        return RULES
    return (RULES[(NAMES.index(name) + 2 * case) % len(RULES)],)


def test_every_rule_set_that_is_shipped_has_its_turn() -> None:
    shipped = {path.stem for path in Path(roof3d.rules.__file__).parent.glob("*.toml")}
    assert shipped - {"assumptions", "template"} == set(RULES)
    for case in range(len(CASES)):
        assert {rules for name in NAMES for rules in rule_sets(name, case)} == set(RULES)


@pytest.fixture(scope="module", params=NAMES)
def house(request: pytest.FixtureRequest) -> tuple[str, Roof, Plan]:
    plan = read_plan(MODELS / f"{request.param}.toml")
    roof = build(model_path(plan), unit=plan.model.unit, up=plan.model.up, grade=plan.model.grade)
    return request.param, roof, plan


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


@pytest.mark.parametrize("case", range(len(CASES)))
def test_what_place_writes_passes_the_check(house: tuple[str, Roof, Plan], tmp_path: Path, case: int) -> None:
    name, roof, plan = house
    for rules in rule_sets(name, case):
        stays_true(roof, plan, tmp_path, rules, *CASES[case])


def stays_true(
    roof: Roof,
    plan: Plan,
    folder: Path,
    rules: str,
    lengths: tuple[float, ...],
    kinds: tuple[str, ...],
    kind: str,
) -> None:
    """What ``place`` writes is chosen, read back, checked, and held against what it said of itself."""
    placement = place(roof, job(roof, plan, rules, lengths, kinds), kind=kind)
    found = checked(placement, folder)
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
    if kinds == EVERYWHERE:
        servable = placement.study.demand.need[:, :].min(axis=1) < float("inf")
        assert placement.complete == bool(servable.all())
