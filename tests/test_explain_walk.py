"""Every number in the results of all example plans unfolds: a formula, a rule, a method, or a named input."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import pytest

from roof3d import building
from roof3d.check import check
from roof3d.explain import explain
from roof3d.plan import read_plan
from roof3d.records import Absorber, AnchorLine, Line, LineEnd, Plan, Rope, Support, WorkArea
from tests.conftest import MODELS

NAMES = sorted(path.stem for path in MODELS.glob("*.toml"))

INPUT = ("from the plan", "from the rule set's file", "in the order of the plan", "from the model's file")
MODEL = ("measured on the model", "in the model's own coordinates", "taut length of the span over the roof")
METHOD = ("searched:", "solved:", "looked up", "counted", "sum of the cells", "halved from", "greatest over")

# What no formula and no rule gives, and what is said of it instead. Anything else has to unfold into a
# formula with its source or a rule with its status.
WITHOUT = {
    "model/triangles": METHOD,
    "model/grade_m": INPUT,
    "model/gap_m": INPUT,
    "plan/(worker_mass_kg|attachment_height_m|kneeling_height_m)": INPUT,
    "rules/(sources/#|budget)/year": INPUT,
    "swept_footprint/(reach_m|half_width_m)": ("the program's own assumption",),
    "planes/#/(azimuth_deg|area_m2|centroid/#|rings/#/#/#)": MODEL,
    "planes/#/pitch_deg": MODEL,  # planes that stand upright; others unfold into x in 12
    "edges/#/(length_m|points/#/#|outward/#)": MODEL,
    "edges/#/(drop_m|steps/#/#)": METHOD,
    "anchors/#/(at/#|points/#/#|line_length_m|rating_kN)": INPUT,
    "anchors/#/clearance_terms/(activation_m|kneeling_height_m)": INPUT,
    "anchors/#/clearance_terms/[a-z_A-Z]+": ("from the plan or its equipment",),
    "anchors/#/served_area_m2": METHOD,
    "anchors/#/arrest/workers": INPUT,
    "anchors/#/arrest/absorber_m": ("the longest that its class or its maker states",),
    "anchors/#/load_kN": ("the greatest on its ends and supports",),
    "anchors/#/loads/#/(load_kN|vector_kN/#)": METHOD,
    "anchors/#/loads/#/(point|rating_kN)": INPUT,
    "anchors/#/lies/#/#": METHOD,
    "anchors/#/(loads/#/)?rated_direction/#": INPUT,
    "anchors/#/(loads/#/)?rated_within_deg": INPUT,
    "anchors/#/(loads/#/)?off_direction_deg": ("the furthest of all cases",),
    "anchors/#/spans/#/span": INPUT,
    "anchors/#/spans/#/length_m": MODEL,
    "anchors/#/spans/#/(loaded_length_m|pull_kN)": METHOD,
    "edge_segments/#/(from_m|to_m|taut_length_m|clearance_available_m)": METHOD,
    "edge_segments/#/(start|end|rest_point|clearance_point)/#": METHOD,
    "work/area_m2": ("area of the work areas",),
    "work/served_m2": METHOD,
    "work/unserved_m2": ("area less what is served",),
    "exposure/(cell_m|least_cell_m)": ("that occurs",),
    "exposure/cells/#/at/#": MODEL,
    "exposure/cells/#/(size_m|served_by|taut_length_m|free_fall_m|swing_drop_m)": METHOD,
    "exposure/cells/#/margin_m": ("at the worst edge",),
    "findings/#/at/#": ("where the finding is",),
    "summary/(anchors|findings|notes)": METHOD,
}


def numbers(item: Any, path: str = "") -> Iterator[str]:
    """Paths of all numbers in a result."""
    if isinstance(item, dict | list):
        for key, value in item.items() if isinstance(item, dict) else enumerate(item):
            yield from numbers(value, f"{path}/{key}" if path else str(key))
    elif isinstance(item, int | float) and not isinstance(item, bool):
        yield path


def unexplained(data: dict[str, Any], samples: int = 3) -> list[str]:
    """Numbers, some of each kind, that unfold into nothing that a reader could follow."""
    found = []
    seen: dict[str, int] = {}
    for path in numbers(data):
        kind = re.sub(r"/\d+(?=/|$)", "/#", path)
        seen[kind] = seen.get(kind, 0) + 1
        if seen[kind] > samples:
            continue
        lines = explain(data, path)
        text = "\n".join(lines)
        assert "nan" not in text, path
        if "status:" in text or re.search(r"^\s*source: \S", text, re.MULTILINE):
            continue
        said = next(index for index, line in enumerate(lines) if " = " in line)
        rest = " ".join(lines[said + 1 :])
        wanted = [words for pattern, words in WITHOUT.items() if re.fullmatch(pattern, kind)]
        if not any(word in rest for words in wanted for word in words):
            found.append(f"{path}: {rest or 'nothing'}")
    return found


def lighter(plan: Plan, name: str) -> Plan:
    """The plan with fewer cells and anchors where a whole check takes long; kinds of numbers stay."""
    if name in ("flat", "forty-planes", "terrace"):
        at = plan.anchors[0].at
        around = tuple((at[0] + x, at[1] + y) for x, y in ((-1, -1), (1, -1), (1, 1), (-1, 1)))
        plan = replace(plan, work=(WorkArea(id="W", polygon=around),), anchors=plan.anchors[:3])
    return plan


@pytest.mark.parametrize("name", NAMES)
def test_every_number_of_every_example_unfolds(name: str) -> None:
    plan = lighter(read_plan(MODELS / f"{name}.toml"), name)
    model = plan.model
    roof = building.build(MODELS / model.file, unit=model.unit, up=model.up, grade=model.grade)
    data = check(roof, plan).to_json()
    assert unexplained(data) == []


SHEET = Absorber(average_force=4000.0, peak_force=5500.0, maximum_extension=1.75, source="sheet")
LINES = {
    "no absorber": Line(length=4.2, rope=Rope(stiffness=30_000.0), absorber=Absorber(name="none")),
    "nothing known": Line(length=4.2, rope=Rope(), absorber=Absorber()),
    "sheet and class of rope": Line(length=4.2, rope=Rope(name="low-stretch"), absorber=SHEET),
    "retracting": Line(length=4.2, kind="retracting"),
    "snug": Line(length=4.8, policy="snug", slack=0.2, absorber=SHEET),
    "restraint": Line(policy="restraint", absorber=SHEET),
    "absorber that runs out": Line(
        length=4.8, absorber=replace(SHEET, average_force=1500.0, peak_force=2000.0, maximum_extension=0.3)
    ),
}


@pytest.mark.parametrize("rules", ["us-construction", "ca-quebec"])
@pytest.mark.parametrize("what", LINES)
def test_every_number_unfolds_whatever_the_line(what: str, rules: str) -> None:
    if rules == "ca-quebec" and what not in ("nothing known", "snug"):
        pytest.skip("rule set makes no difference to the kinds of numbers")
    plan = read_plan(MODELS / "gable.toml")
    roof = building.build(MODELS / plan.model.file, grade=plan.model.grade)
    anchors = tuple(replace(anchor, line=None) for anchor in plan.anchors)
    data = check(roof, replace(plan, rules=rules, anchors=anchors, line=LINES[what])).to_json()
    assert unexplained(data) == []


def test_every_number_of_a_line_over_the_house_with_supports_and_two_workers_unfolds() -> None:
    plan = read_plan(MODELS / "gable.toml")
    roof = building.build(MODELS / plan.model.file, grade=plan.model.grade)
    top = (6.0, 4.0, 5.35)
    line = AnchorLine(
        "H1",
        ((5.0, -8.0, 4.0), top, (6.0, 16.0, 0.2)),
        line=Line(length=3.0, absorber=SHEET),
        rope=Rope(stiffness=1.0e6, strength=60e3),
        pretension=500.0,
        workers=2,
        maximum_workers=2,
        end_rating=60e3,
        supports=(Support(at=top, kind="rigid", rating=30e3, direction=(0, 0, -1), direction_within=60.0),),
        ends=(LineEnd(at=(5.0, -8.0, 4.0), rating=70e3, direction=(1, 2, 0)),),
    )
    data = check(roof, replace(plan, anchors=(), anchor_lines=(line,))).to_json()
    assert unexplained(data) == []
    # in one span that runs free the pull unfolds into the arrest forces of both
    free = replace(line, points=((2.0, 4.0, 5.4), (10.0, 4.0, 5.4)), supports=(), ends=())
    data = check(roof, replace(plan, anchors=(), anchor_lines=(free,))).to_json()
    text = "\n".join(explain(data, "anchors/0/spans/0/pull_kN"))
    assert "T = P / (2 * sin(q))" in text
    assert "P = 11.00 kN" in text
    assert "2 workers together, 5.50 kN each" in text
