"""Arrest inside a whole check: loads in the result, what is not known, and explaining real results."""

from __future__ import annotations

import itertools
import re
from dataclasses import replace

import numpy as np
import pytest

from roof3d import building
from roof3d.check import check
from roof3d.cli import main
from roof3d.explain import explain
from roof3d.plan import read_plan
from roof3d.records import Absorber, AnchorLine, Line, Rope
from tests.conftest import MODELS


@pytest.fixture(scope="module")
def gable():
    plan = read_plan(MODELS / "gable.toml")
    model = plan.model
    roof = building.build(MODELS / model.file, unit=model.unit, up=model.up, grade=model.grade)
    return roof, plan


def absorber(**values):
    return Absorber(average_force=4000.0, peak_force=5500.0, maximum_extension=1.75, source="sheet", **values)


def with_line(plan, **values):
    line = replace(plan.line, **values)
    return replace(plan, line=line, anchors=tuple(replace(a, line=None) for a in plan.anchors))


def test_known_absorber_loads_its_anchor_with_its_peak_force(gable):
    roof, plan = gable
    data = check(roof, with_line(plan, absorber=absorber())).to_json()
    for anchor in data["anchors"]:
        assert anchor["load_kN"] == pytest.approx(5.5)
        assert anchor["arrest"]["stopped"]
        assert anchor["verdict"] in {"ok", "design"}
    codes = {f["code"] for f in data["findings"]}
    assert "absorber-exhausted" not in codes
    assert "anchor-load-unknown" not in codes


def test_load_that_nothing_limits_is_covered_by_no_rating(gable):
    roof, plan = gable
    strong = replace(plan, anchors=tuple(replace(a, rating=1e9) for a in plan.anchors))
    short = absorber()
    weak = with_line(strong, absorber=replace(short, average_force=1500.0, maximum_extension=0.3))
    data = check(roof, weak).to_json()
    codes = {f["code"] for f in data["findings"]}
    assert {"absorber-exhausted", "anchor-load-unknown"} <= codes
    for anchor in data["anchors"]:
        assert anchor["load_kN"] is None
        assert anchor["verdict"] == "unknown"


def test_less_absorber_never_needs_less_room(gable):
    roof, plan = gable
    required = []
    for extension in (1.75, 0.6, 0.3):
        own = replace(absorber(), average_force=2500.0, maximum_extension=extension)
        data = check(roof, with_line(plan, absorber=own)).to_json()
        required.append(max(s["clearance_required_m"] or 0 for s in data["edge_segments"]))
    assert required[1] <= required[2] + 1e-6
    budget = check(roof, with_line(plan, absorber=absorber())).to_json()["anchors"][0]["clearance_terms"]
    assert budget["deceleration_m"] == pytest.approx(1.75)


def test_anchor_line_along_the_ridge(gable):
    roof, plan = gable
    line = AnchorLine(
        "H1",
        ((2.0, 4.0, 5.3), (6.0, 4.0, 5.3), (10.0, 4.0, 5.3)),
        line=replace(plan.line, absorber=absorber()),
        rope=Rope(stiffness=1.0e6, strength=60e3),
        pretension=1000.0,
        end_rating=40e3,
        support_rating=12e3,
    )
    plan = replace(plan, anchors=(), anchor_lines=(line,))
    data = check(roof, plan).to_json()
    (anchor,) = data["anchors"]
    assert anchor["kind"] == "line"
    assert [load["kind"] for load in anchor["loads"]] == ["end", "pass-through", "end"]
    for load in anchor["loads"]:
        assert np.linalg.norm(load["vector_kN"]) == pytest.approx(load["load_kN"], abs=1e-4)
        assert load["needs_kN"] == pytest.approx(2 * load["load_kN"], abs=1e-4)
    # the ends pull toward the middle of the line
    assert anchor["loads"][0]["vector_kN"][0] > 0 > anchor["loads"][-1]["vector_kN"][0]
    for span in anchor["spans"]:
        assert span["loaded_length_m"] > span["length_m"]
        assert span["deflection_m"] > 0
    looser = replace(line, pretension=0.0, rope=Rope(stiffness=3.0e5, strength=60e3))
    more = check(roof, replace(plan, anchor_lines=(looser,))).to_json()

    def metres(result):
        states = {"short", "swing", "arrest"}
        return sum(s["to_m"] - s["from_m"] for s in result["edge_segments"] if s["state"] in states)

    assert metres(more) >= metres(data) - 0.02
    assert more["anchors"][0]["spans"][0]["deflection_m"] > anchor["spans"][0]["deflection_m"]


def test_everything_in_a_real_result_can_be_explained(gable):
    roof, plan = gable
    data = check(roof, plan).to_json()
    unfolded = 0
    for index, segment in enumerate(data["edge_segments"]):
        lines = explain(data, f"edge_segments/{index}")
        if segment["margin_m"] is not None:
            text = "\n".join(lines)
            for formula in (
                "s = L - d",
                "f = max(0, h + s)",
                "C = h + s + X + k + M",
                "X = a + x",
                "n = A - C",
            ):
                assert formula in text, (index, formula)
            unfolded += 1
    assert unfolded > 5
    for anchor in data["anchors"]:
        assert explain(data, anchor["id"])


def test_line_without_any_data_is_worse_than_any_that_has_some(gable):
    roof, plan = gable
    own = Line(length=plan.line.length, absorber=absorber(), rope=Rope(elongation=0.0))
    bare = check(roof, with_line(plan, absorber=Absorber(), rope=Rope())).to_json()
    told = check(roof, replace(with_line(plan), line=replace(own, length=4.2))).to_json()
    assert told["anchors"][0]["clearance_terms"]["line_elongation"] == 0.0
    assert bare["anchors"][0]["clearance_terms"]["line_elongation"] > 0


def numbers(item, path=""):
    """Paths of all numbers in a result."""
    if isinstance(item, dict | list):
        for key, value in item.items() if isinstance(item, dict) else enumerate(item):
            yield from numbers(value, f"{path}/{key}" if path else str(key))
    elif isinstance(item, int | float) and not isinstance(item, bool):
        yield path


@pytest.mark.parametrize("name", ["gable", "dormers"])
def test_every_number_of_a_result_says_what_it_means_and_where_it_comes_from(name):
    plan = read_plan(MODELS / f"{name}.toml")
    model = plan.model
    roof = building.build(MODELS / model.file, unit=model.unit, up=model.up, grade=model.grade)
    data = check(roof, plan).to_json()
    kinds: dict[str, int] = {}
    for path in numbers(data):
        kind = re.sub(r"/\d+(?=/|$)", "/#", path)
        kinds[kind] = kinds.get(kind, 0) + 1
        if kinds[kind] > 4:
            continue
        lines = explain(data, path)
        text = "\n".join(lines)
        assert "nan" not in text, path
        if kind.startswith("rules/entries/"):
            assert "status:" in text, path
            continue
        said = next(line for line in lines if " = " in line)
        # what it means ...
        assert re.search(r" = \S.*: \w+", said), (path, said)
        # ... and a formula, a search, a count, the plan or the model behind it
        assert len(lines) > lines.index(said) + 1, (path, lines)
    assert len(kinds) > 60


def across(plan, *points, length=3.0, **values):
    """A plan with one anchor line, of a known rope, through the points."""
    line = AnchorLine(
        "H1",
        points,
        line=replace(plan.line, absorber=absorber(), length=length, policy="fixed"),
        **{
            "rope": Rope(stiffness=1.0e6, strength=60e3),
            "pretension": 1000.0,
            "end_rating": 60e3,
            "support_rating": 30e3,
            **values,
        },
    )
    return replace(plan, anchors=(), anchor_lines=(line,))


def test_a_line_over_the_gable_from_a_tree_to_the_ground_behind(gable):
    # End anchors off the building: 4 m up in front of the house, at the ground behind. House 12 x 8 m,
    # overhangs 0.4 and 0.5 m, ridge along x at y = 4, 5.25 m high, eaves 3 m high (its own drawing).
    roof, plan = gable
    tree, ground = (6.0, -8.0, 4.0), (6.0, 16.0, 0.2)
    data = check(roof, across(plan, tree, ground)).to_json()
    (anchor,) = data["anchors"]
    (span,) = anchor["spans"]
    # tight in the plane x = 6: from the tree over the ridge to the ground; clear of the eave behind,
    # where it is 5.25 - 4.5 x 5.05 / 12 = 3.36 m high
    bends = [np.array(at) for at in ((-8.0, 4.0), (4.0, 5.25), (16.0, 0.2))]
    tight = sum(np.linalg.norm(b - a) for a, b in itertools.pairwise(bends))
    assert span["length_m"] == pytest.approx(tight, abs=0.01)
    assert span["loaded_length_m"] > span["length_m"]
    for load in anchor["loads"]:
        assert load["load_kN"] >= span["pull_kN"] - 1e-6
    # the rope pulls the tree toward the house, the stake behind likewise
    assert anchor["loads"][0]["vector_kN"][1] > 0 > anchor["loads"][1]["vector_kN"][1]
    # somebody beside the line at the eave goes over on 3 m of lanyard: never called safe
    eaves = [e["id"] for e in data["edges"] if e["kind"] == "eave"]
    near = [
        s
        for s in data["edge_segments"]
        if s["edge"] in eaves and min(s["start"][0], s["end"][0]) <= 6 <= max(s["start"][0], s["end"][0])
    ]
    assert near
    for segment in near:
        assert segment["state"] == "short"
        # the traveller may be right at the edge: all of the lanyard hangs below it
        assert segment["surplus_m"] == pytest.approx(3.0, abs=1e-6)
    assert "loose" not in anchor
    assert 0 < anchor["served_area_m2"] < data["work"]["area_m2"]


def test_a_support_added_on_the_ridge_cuts_the_deflection_and_the_room_needed(gable):
    # Ends 6 m beside the house, as on trees. The support stands where the line ran already.
    roof, plan = gable
    left, right, top = (-6.0, 4.0, 5.4), (18.0, 4.0, 5.4), (6.0, 4.0, 5.4)
    results = {
        kind: check(roof, across(plan, *points, length=2.5, maximum_span=22.86, support_kind=kind)).to_json()
        for kind, points in {
            "pass-through": (left, right),
            "rigid": (left, top, right),
        }.items()
    }
    long, split = results["pass-through"], results["rigid"]
    assert "span-over-limit" in {f["code"] for f in long["findings"]}
    assert "span-over-limit" not in {f["code"] for f in split["findings"]}
    before = long["anchors"][0]["spans"][0]["deflection_m"]
    after = max(span["deflection_m"] for span in split["anchors"][0]["spans"])
    assert after < 0.7 * before

    eaves = {e["id"] for e in long["edges"] if e["kind"] == "eave"}

    def worst(data):
        # near the rakes, which the line runs over, all of the lanyard hangs down with the support or without
        return max(
            s["surplus_m"]
            for s in data["edge_segments"]
            if s["edge"] in eaves and min(s["start"][0], s["end"][0]) < 6 < max(s["start"][0], s["end"][0])
        )

    def metres(data):
        return sum(s["to_m"] - s["from_m"] for s in data["edge_segments"] if s["margin_m"] is not None)

    assert worst(split) < worst(long)
    assert metres(split) <= metres(long) + 0.02
    # what is served under a tight line does not grow with its sag
    served = [data["anchors"][0]["served_area_m2"] for data in (long, split)]
    assert served[1] >= served[0] - 0.5


def test_a_misspelt_class_in_a_plan_ends_in_one_line_with_the_file_and_nothing_written(tmp_path, capsys):
    text = (MODELS / "gable.toml").read_text().replace('"gable.glb"', f'"{MODELS / "gable.glb"}"')
    plan, out = tmp_path / "own.toml", tmp_path / "own.json"
    plan.write_text(text.replace("[[anchor]]", '[line.absorber]\nname = "osha-1926-n"\n\n[[anchor]]', 1))
    assert main(["check", str(plan), "--json", str(out), "--quiet"]) == 2
    said = capsys.readouterr().err.strip()
    assert "\n" not in said
    assert str(plan) in said
    assert "line.absorber.name" in said
    assert "'osha-1926-n'" in said
    assert "osha-1926-m" in said
    assert not out.exists()


@pytest.mark.parametrize(
    ("rules", "datum"), [("us-construction", "d-ring"), ("eu-363", "anchor"), ("ca", "walking surface")]
)
def test_where_sums_are_measured_from_is_said(gable, rules, datum):
    roof, plan = gable
    data = check(roof, replace(plan, rules=rules)).to_json()
    (said,) = [
        text for text in data["assumptions"] if text.startswith("heights needed and there are measured")
    ]
    assert "from the edge downwards" in said
    assert f"from the {datum}: " in said
    assert data["rules"]["budget"]["datum"] == datum


def test_more_people_than_anchors_are_reckoned_for_are_a_finding(gable):
    # 29 CFR 1926.502(d)(15): 5,000 lbf for each employee attached; an anchor is reckoned with one.
    roof, plan = gable
    ties = len(plan.anchors)

    def codes(count):
        data = check(roof, replace(plan, worker=replace(plan.worker, count=count))).to_json()
        return {f["code"]: f["severity"] for f in data["findings"]}

    assert "crew-over-ties" not in codes(ties)
    assert codes(ties + 1)["crew-over-ties"] == "warning"
    line = AnchorLine("H1", ((2.0, 4.0, 5.4), (10.0, 4.0, 5.4)), rope=Rope(stiffness=1e6), workers=2)
    crew = replace(plan, anchors=plan.anchors[:1], anchor_lines=(replace(line, maximum_workers=2),))
    several = [replace(crew, worker=replace(crew.worker, count=count)) for count in (3, 4)]
    found = ["crew-over-ties" in {f["code"] for f in check(roof, p).to_json()["findings"]} for p in several]
    assert found == [False, True]


def test_a_restraint_anchor_is_held_to_its_direction_toward_the_edges_that_it_holds_back_from(gable):
    # On the ridge, rated toward the front eave and down: the same line holds back from the back eave, too.
    roof, plan = gable
    line = Line(policy="restraint", absorber=absorber())
    anchor = replace(
        plan.anchors[0], rating=60e3, direction=(0.0, -1.0, -0.5), direction_within=70.0, line=line
    )

    def off(**values):
        data = check(roof, replace(plan, anchors=(replace(anchor, **values),), anchor_lines=())).to_json()
        assert all(s["free_fall_m"] is None for s in data["edge_segments"])
        return data["anchors"][0]["off_direction_deg"], {f["code"] for f in data["findings"]}

    worst, codes = off()
    assert worst > 90
    assert "anchor-direction" in codes
    # straight down, within all that lies below the level: nothing is off
    worst, codes = off(direction=(0.0, 0.0, -1.0), direction_within=90.0)
    assert 45 < worst < 90
    assert "anchor-direction" not in codes
