"""Placing anchors on an invented gable: candidates by hand, and the written plan under the check."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import shapely

from roof3d.building import build
from roof3d.check import check, make_terms
from roof3d.errors import InputError
from roof3d.place import Placement, alternatives, explain_gaps, place, placement_json, table_rows
from roof3d.place.allowed import Judge
from roof3d.place.candidates import find_candidates, spacings
from roof3d.place.choose import usual_kind
from roof3d.place.lines import find_lines
from roof3d.place.study import make_study
from roof3d.plan import model_path, read_plan, write_plan
from roof3d.records import Candidates, Edge, KeepOut, Plan, Protection, Roof
from tests.conftest import MODELS

# guarded rakes with returns of 0.3 m along the eaves: past a corner a body could swing on to the gable
# a barn 6 m by 8 m, eaves 9 m up, ridge 2 m higher along x: slopes of 4.47 m
LENGTH, HALF, EAVE, RISE = 6.0, 4.0, 9.0, 2.0
LIMITS = (("free_fall_limit", 20.0), ("swing_angle_limit_deg", 89.0), ("swing_drop_limit", 20.0))


def barn(path: Path, shift: tuple[float, float] = (0.0, 0.0)) -> Path:
    x, y = shift
    corners = [(0, -HALF), (LENGTH, -HALF), (LENGTH, HALF), (0, HALF)]
    points = [(a + x, b + y, z) for z in (0.0, EAVE) for a, b in corners]
    points += [(a + x, y, EAVE + RISE) for a in (0.0, LENGTH)]
    faces = [(1, 2, 6, 5), (2, 3, 7, 10, 6), (3, 4, 8, 7), (4, 1, 5, 9, 8)]
    faces += [(5, 6, 10, 9), (7, 8, 9, 10), (4, 3, 2, 1)]
    lines = [f"v {a} {b} {c}" for a, b, c in points] + ["f " + " ".join(map(str, f)) for f in faces]
    path.write_text("\n".join(lines) + "\n")
    return path


PLAN = """rules = "us-construction"
[model]
file = "barn.obj"
unit = "m"
up = "z"
[worker]
mass = "100 kg"
[line]
length = "8 m"
[line.rope]
elongation = "3 %"
[limits]
free_fall_limit = 20
steep_slope_above_deg = 45
swing_angle_limit_deg = 89
swing_drop_limit = 20
[[protection]]
kinds = ["rake"]
[[protection]]
edges = ["E1"]
to_m = 0.3
[[protection]]
edges = ["E1"]
from_m = 5.7
[[protection]]
edges = ["E7"]
to_m = 0.3
[[protection]]
edges = ["E7"]
from_m = 5.7
[candidates]
spacing = "0.6 m"
along = ["ridge"]
edge_setback = "0.3 m"
rating = "25 kN"
"""


def barn_job(folder: Path) -> tuple[Roof, Plan]:
    """The barn and its plan, written to ``folder`` and read back."""
    barn(folder / "barn.obj")
    (folder / "plan.toml").write_text(PLAN)
    return build(folder / "barn.obj", unit="m", up="z"), read_plan(folder / "plan.toml")


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("barn")


@pytest.fixture(scope="module")
def made(folder: Path) -> tuple[Roof, Plan]:
    return barn_job(folder)


@pytest.fixture(scope="module")
def roof(made: tuple[Roof, Plan]) -> Roof:
    return made[0]


@pytest.fixture(scope="module")
def plan(made: tuple[Roof, Plan]) -> Plan:
    return made[1]


@pytest.fixture(scope="module")
def placed(roof: Roof, plan: Plan) -> Placement:
    return place(roof, plan)


def wish(plan: Plan, **changes: object) -> Plan:
    return replace(plan, candidates=replace(plan.candidates, **changes))


def loaded(roof: Roof, plan: Plan) -> np.ndarray:
    return np.array([roof.to_loaded(c.at) for c in find_candidates(roof, plan)[0]])


def test_ridge_candidates_stand_on_rafters(roof: Roof, plan: Plan) -> None:
    """6 m at 0.6 m: rafters at 0, 0.6 .. 6; those within 0.3 m of the rakes fall away: 9 are left."""
    at = loaded(roof, plan)
    assert np.allclose(sorted(at[:, 0]), 0.6 * np.arange(1, 10))
    assert np.allclose(at[:, 1:], [0.0, EAVE + RISE + 0.1])
    moved = loaded(roof, wish(plan, offset=0.4))
    assert np.allclose(sorted(moved[:, 0]), 0.4 + 0.6 * np.arange(9))


def test_slope_candidates_keep_their_distance(roof: Roof, plan: Plan) -> None:
    at = loaded(roof, wish(plan, along=("slope",), slope_step=1.0, height=0.0))
    # 1, 2, 3, 4 m up each slope of 4.472 m, on 9 rafters
    assert len(at) == 2 * 4 * 9
    up = np.hypot(HALF - np.abs(at[:, 1]), at[:, 2] - EAVE)
    assert np.allclose(np.unique(np.round(up, 6)), [1, 2, 3, 4])
    far = loaded(roof, wish(plan, along=("slope",), slope_step=1.0, height=0.0, edge_setback=1.5))
    assert set(np.round(np.hypot(HALF - np.abs(far[:, 1]), far[:, 2] - EAVE), 6)) == {2, 3, 4}
    assert (np.minimum(far[:, 0], LENGTH - far[:, 0]) >= 1.5).all()


def test_keep_out_and_off_roof(roof: Roof, plan: Plan) -> None:
    shut = replace(plan, keep_out=(KeepOut("K", ((1.0, -1.0), (2.0, -1.0), (2.0, 1.0), (1.0, 1.0))),))
    assert 1.2 in np.round(loaded(roof, plan)[:, 0], 6)
    assert not {1.2, 1.8} & set(np.round(loaded(roof, shut)[:, 0], 6))
    tree = wish(plan, off_roof=((3.0, 9.0, 0.5),))
    assert loaded(roof, tree)[-1].tolist() == [3.0, 9.0, 0.5]


def test_openings_keep_anchors_away_by_their_own_setback() -> None:
    """The shipped mono-pitch has an open rooflight: places keep 1.5 m from it, and 0.3 m from other edges."""
    read = read_plan(MODELS / "mono-pitch.toml")
    house = build(model_path(read), unit=read.model.unit, up=read.model.up, grade=read.model.grade)
    asked = wish(read, along=("slope",), spacing=0.4, slope_step=0.4, edge_setback=0.3, opening_setback=1.5)
    feet = np.array([c.at - (0, 0, 0.1) for c in find_candidates(house, asked)[0]])
    holes = [edge for edge in house.edges if edge.kind in ("opening", "upstand")]
    others = [edge for edge in house.edges if edge.fall and edge not in holes]
    assert holes

    def nearest(edges: list[Edge]) -> float:
        lines = [shapely.LineString(edge.points[:, :2]) for edge in edges]
        return min(float(line.distance(shapely.Point(foot[:2]))) for line in lines for foot in feet)

    # setbacks hold on the slope; in plan they are shorter, by no more than the slope's cosine
    assert nearest(holes) >= 1.5 * np.cos(np.radians(house.planes[0].pitch_deg)) - 1e-6
    assert 0.2 < nearest(others) < 1.0


def test_a_tree_can_be_the_only_anchor(roof: Roof, plan: Plan) -> None:
    """A ground anchor 6 m in front of the eave serves the near slope over the eave, and part of the other."""
    guarded = replace(plan, protection=(Protection(kinds=("rake", "eave")),))
    tree = wish(guarded, along=(), off_roof=((3.0, -10.0, 0.5),), line_lengths=(18.0,))
    placement = place(roof, tree)
    assert [anchor.at for anchor in placement.plan.anchors] == [(3.0, -10.0, 0.5)]
    assert 0.5 * placement.work_m2 < placement.result.served_m2
    # by hand: over the eave at 9 m, then 4.5 m up the slope; 1.5 m of D-ring above that is nearer
    reach = np.hypot(8.5, 6.0) + np.hypot(HALF, RISE)
    assert reach < 18.0


def test_spacing_is_assumed_and_said(roof: Roof, plan: Plan) -> None:
    found, said = find_candidates(roof, wish(plan, spacing=None))
    assert len(found) == 9  # 0.6096 .. 5.4864
    assert any("0.610 m apart" in text for text in said)
    assert {s.name for s in spacings()} == {"305", "400", "406", "488", "600", "610"}
    assert all(s.source and s.status in ("read", "quoted", "secondary", "memory") for s in spacings())
    assert next(s for s in spacings() if s.name == "406").value == pytest.approx(16 * 0.0254)


def test_anchor_lines_run_along_the_ridge(roof: Roof, plan: Plan) -> None:
    lines = find_lines(roof, plan, find_candidates(roof, plan)[0], span=3.0)
    whole = roof.to_loaded(lines[0].points)
    ends = whole[np.argsort(whole[:, 0])][[0, -1]]
    assert np.allclose(ends, [[0.6, 0.0, 11.1], [5.4, 0.0, 11.1]])
    assert (np.linalg.norm(np.diff(whole, axis=0), axis=1) <= 3.0 + 1e-9).all()


def test_list_of_ones_own(roof: Roof, plan: Plan, folder: Path) -> None:
    table = folder / "own.csv"
    table.write_text("id,x,y,z,rating_kN,note\nN1,3,0,11.1,22.5,hook by the vent\nN2,1,0,11.1,,\n")
    own = wish(plan, along=(), list_file="own.csv")
    found, _ = find_candidates(roof, own)
    assert [c.id for c in found] == ["N1", "N2"]
    assert found[0].rating == 22500
    assert found[0].note == "hook by the vent"


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("", "line 1"),
        ("id,x,y\nN1,1,2\n", "line 1"),
        ("id,x,y,z,colour\nN1,1,2,3,red\n", "line 1"),
        ("id,x,y,z\n", "no places"),
        ("id,x,y,z\nN1,1,2\n", "line 2"),
        ("id,x,y,z\nN1,1,2,3 m\n", "line 2, z"),
        ("id,x,y,z\nN1,1,nan,3\n", "line 2, y"),
        ("id,x,y,z\nN1,1_0,2,3\n", "line 2, x"),
        ("id,x,y,z\nN1,3,0,11.1\nN1,2,0,11.1\n", "line 3, id"),
        ("id,x,y,z\nN1,3,0,5\n", "inside the building"),
        ("id,x,y,z\nN1,3,0,500\n", "m away"),
        ("id,x,y,z,rating_kN\nN1,3,0,11.1,-2\n", "rating_kN"),
    ],
)
def test_lists_that_cannot_be_used(roof: Roof, plan: Plan, folder: Path, text: str, found: str) -> None:
    (folder / "bad.csv").write_text(text)
    with pytest.raises(InputError) as error:
        find_candidates(roof, wish(plan, along=(), list_file="bad.csv"))
    assert found in str(error.value)
    assert "bad.csv" in str(error.value)


def test_missing_list_and_no_candidates(roof: Roof, plan: Plan) -> None:
    with pytest.raises(InputError, match="no such file"):
        find_candidates(roof, wish(plan, list_file="none.csv"))
    with pytest.raises(InputError, match="no place for an anchor"):
        place(roof, wish(plan, along=()))
    with pytest.raises(InputError, match=r"prices\.anchor"):
        place(roof, plan, aim="cost")


def test_one_anchor_in_the_middle_is_the_fewest(placed: Placement) -> None:
    """The corners lie hypot(3, 4.47) = 5.4 m from the middle of the ridge: one line of 8 m serves all,
    and the shortest line on offer is the one that is taken."""
    assert placed.complete
    assert placed.cover.proven
    assert placed.cover.bound == placed.bound_any == 1
    assert placed.anchors == 1
    assert [anchor.id for anchor in placed.plan.anchors] == ["A1"]
    assert "fewest" in placed.proof
    assert "no finer cells would change that" in placed.proof
    assert placed.growth[-1][1] == pytest.approx(placed.work_m2)
    assert placed.work_m2 == pytest.approx(2 * LENGTH * np.hypot(HALF, RISE))


def test_the_written_plan_passes_the_check(placed: Placement, roof: Roof, folder: Path) -> None:
    written = folder / "placed.toml"
    write_plan(placed.plan, written)
    result = check(roof, read_plan(written))
    assert result.exit_status == 0
    assert result.to_json()["work"]["unserved_m2"] == 0
    assert [f for f in result.findings if f.severity != "note"] == []


def test_lines_are_cut_to_what_serves(roof: Roof, plan: Plan) -> None:
    shorter = place(roof, wish(plan, line_lengths=(5.0, 6.5, 8.0)))
    assert [a.line.length for a in shorter.plan.anchors if a.line] == [6.5]
    assert shorter.complete


def test_same_plan_twice(roof: Roof, plan: Plan, placed: Placement) -> None:
    again = place(roof, plan)
    assert again.plan == placed.plan
    assert placement_json(again) == placement_json(placed)


def test_symmetry_and_place_in_the_world(tmp_path: Path, plan: Plan, placed: Placement) -> None:
    far = build(barn(tmp_path / "barn.obj", (200000.0, 5000000.0)), unit="m", up="z")
    moved = place(far, plan)
    assert moved.anchors == placed.anchors
    assert moved.unserved_m2 == pytest.approx(placed.unserved_m2, abs=1e-6)
    x, y, _ = moved.plan.anchors[0].at
    assert (x - 200000.0, y - 5000000.0) == pytest.approx(placed.plan.anchors[0].at[:2], abs=2e-3)


def test_nothing_holds_over_a_low_level(roof: Roof, plan: Plan) -> None:
    """Ground 3 m below the eaves leaves no room for a fall: no place, a reason, and what would help."""
    low = replace(roof, grade=roof.grade + 6.0, cache={})
    none = place(low, plan)
    assert none.anchors == 0
    assert none.unserved_m2 == pytest.approx(none.work_m2)
    assert "at none of 9 places does a line of 8 m hold every limit (room below lacks at 9)" in none.proof
    gaps = explain_gaps(none)
    assert sum(gap.area_m2 for gap in gaps) == pytest.approx(none.unserved_m2)
    assert all("room below" in gap.reason for gap in gaps)
    advice = " ".join(text for gap in gaps for text in gap.advice)
    assert "edge protection along" in advice
    # the advice is true: with that protection the same job is done
    guarded = replace(plan, protection=(*plan.protection, Protection(kinds=("eave",))))
    assert place(low, guarded).complete


def test_out_of_reach_asks_for_a_longer_line(roof: Roof, plan: Plan) -> None:
    guarded = replace(plan, protection=(Protection(kinds=("rake", "eave")),))
    short = place(roof, wish(guarded, line_lengths=(3.0,)))
    assert not short.complete
    (first, *_) = explain_gaps(short)
    assert "out of reach of the longest line on offer, 3 m" in first.reason
    assert any("would reach it" in text for text in first.advice)


def test_alternatives_side_by_side(roof: Roof, plan: Plan) -> None:
    priced = replace(plan, prices=replace(plan.prices, currency="crowns", anchor=90.0, line_per_m=3.0))
    points, restraint = alternatives(roof, priced, kinds=("points", "restraint"))
    assert points.cost == pytest.approx(90 + 8 * 3)
    assert restraint.worst_margin_m is None  # nobody can go over an edge
    assert all(s.state in ("held", "beyond") for s in restraint.result.segments)
    assert restraint.unserved_m2 > points.unserved_m2
    rows = table_rows((points, restraint))
    assert rows[0][:4] == ("points", "1", "8.00 m", "114.00 crowns")
    assert rows[1][6] == "no edge passed"


def test_tied_at_all_times(roof: Roof, plan: Plan) -> None:
    """Along the ridge with short lines: neighbours must share ground, so never fewer than untied."""
    guarded = replace(plan, protection=(Protection(kinds=("rake", "eave")),))
    ends = wish(guarded, line_lengths=(4.8,))
    free = place(roof, ends)
    tied = place(roof, wish(ends, tied=True, tie_overlap=8.0))
    assert tied.anchors >= free.anchors
    served = tied.result.cells.served
    area = tied.result.cells.area
    shared = (served * area[:, None]).T @ served
    reached = {0}
    while True:
        more = {k for k in range(len(shared)) if any(shared[k, j] >= 7.5 for j in reached)}
        if more <= reached:
            break
        reached |= more
    assert len(reached) == tied.anchors


def test_a_value_that_the_plan_sets_is_not_assumed(roof: Roof, plan: Plan, folder: Path) -> None:
    """Set or left, the value is the same; only what nobody set reads as assumed, also after writing."""
    text = PLAN.replace('along = ["ridge"]', 'along = ["slope"]').replace("8 m", "6 m")
    (folder / "left.toml").write_text(text)
    (folder / "set.toml").write_text(
        text + 'height = "0.1 m"\nslope_step = 1.2\ntied = true\ntie_overlap = 0.5\n'
    )

    def said(name: str) -> str:
        read = read_plan(folder / name)
        assert read.candidates.height == 0.1
        return " ".join(make_study(roof, read, stop=lambda: True).assumptions)

    assert "0.10 m above" in said("left.toml")
    assert "1.20 m apart up the slope" in said("left.toml")
    for word in ("0.10 m above", "up the slope", "change between"):
        assert word not in said("set.toml")
    write_plan(read_plan(folder / "set.toml"), folder / "again.toml")
    assert "height = 0.1" in (folder / "again.toml").read_text()
    assert "0.10 m above" not in said("again.toml")


def test_slopes_are_assumed_where_there_is_no_ridge(roof: Roof, plan: Plan) -> None:
    flat = replace(roof, edges=tuple(edge for edge in roof.edges if edge.kind != "ridge"), cache={})
    found, told = find_candidates(flat, replace(plan, candidates=Candidates()))
    assert {one.kind for one in found} == {"slope"}
    assert any("anchors stand on the slopes (assumed" in text for text in told)
    with pytest.raises(InputError, match="no place for an anchor"):
        place(flat, plan)  # this plan asks for the ridge itself


def test_the_plan_says_what_kind_is_asked_for(plan: Plan) -> None:
    assert usual_kind(plan) == "points"
    assert usual_kind(wish(plan, anchor_lines=True)) == "mixed"
    assert usual_kind(replace(plan, line=replace(plan.line, policy="restraint"))) == "restraint"


def test_far_edges_do_not_forbid_a_line_of_restraint(tmp_path: Path, plan: Plan) -> None:
    """On a flat roof of 40 m the middle is 20 m from every edge: any line of 8 m restrains there. Near an
    edge the longest line is the same whether 8 m or 60 m are on offer, and by hand it is what is left of the
    way to the edge after setback, harness and absorber, over 1 + the rope's elongation."""
    corners = [(0, 0), (40, 0), (40, 40), (0, 40)]
    lines = [f"v {x} {y} {z}" for z in (0, 9) for x, y in corners]
    faces = [(5, 6, 7, 8), (1, 2, 6, 5), (2, 3, 7, 6), (3, 4, 8, 7), (4, 1, 5, 8), (4, 3, 2, 1)]
    lines += ["f " + " ".join(map(str, face)) for face in faces]
    (tmp_path / "flat.obj").write_text("\n".join(lines))
    roof = build(tmp_path / "flat.obj", unit="m", up="z")
    judge = Judge(roof, replace(plan, protection=()))
    tie = replace(plan.line, policy="restraint")
    assert judge.point(roof.to_local((20, 20, 9.1)), [8.0], tie).length == pytest.approx(8.0, abs=0.051)
    few, many = (judge.point(roof.to_local((20, 5, 9.1)), [most], tie).length for most in (8.0, 60.0))
    assert few == many
    terms, _ = make_terms(plan, judge.rules, tie, 8.0)
    drawn = terms.drawn_out(terms.attachment) + terms.harness
    setback = judge.rules.value("restraint_setback")
    by_hand = (np.hypot(5, 0.1) - setback - drawn) / (1 + terms.elongation)
    assert by_hand - 0.07 <= few <= by_hand


def test_defaults_of_the_records_mean_what_the_file_says() -> None:
    assert Candidates().height == 0.1
    assert not Candidates().tied
