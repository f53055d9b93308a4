"""Choices against all subsets, mirrored roofs, more places, longer lines, and points of every served area."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations
from pathlib import Path

import numpy as np
import pytest
import shapely
from scipy.sparse.csgraph import connected_components

from roof3d import taut
from roof3d.building import build
from roof3d.fall import footprint
from roof3d.place import Placement, place
from roof3d.place.choose import _choose
from roof3d.place.cover import USUAL
from roof3d.place.study import finer, make_study
from roof3d.plan import model_path, read_plan
from roof3d.records import Facet, Floats, Plan, Protection, Roof, WorkArea
from tests.conftest import MODELS
from tests.test_place import HALF, LENGTH, RISE, barn_job, wish

REACH = 4.2
GUARDED = (Protection(kinds=("rake", "eave", "abutment", "opening", "upstand")),)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("truth")


@pytest.fixture(scope="module")
def made(folder: Path) -> tuple[Roof, Plan]:
    return barn_job(folder)


@pytest.fixture(scope="module")
def roof(made: tuple[Roof, Plan]) -> Roof:
    return made[0]


@pytest.fixture(scope="module")
def plan(made: tuple[Roof, Plan]) -> Plan:
    return replace(made[1], protection=GUARDED)


@pytest.fixture(scope="module")
def several(roof: Roof, plan: Plan) -> Placement:
    """With lines of 4.2 m from ridge and slopes three anchors are needed."""
    few = wish(plan, spacing=1.2, along=("ridge", "slope"), slope_step=2.0, line_lengths=(REACH,))
    return place(roof, few)


def test_fewer_anchors_leave_work_undone(several: Placement) -> None:
    """Against exhaustive search by whole checks: no smaller set of these places passes, this one does."""
    assert several.complete
    assert several.proven
    assert several.anchors >= 2
    study = several.study
    anchors = [
        replace(column.anchor, line=replace(study.plan.line, length=REACH)) for column in study.columns
    ]
    everything = study.check(replace(study.plan, anchors=tuple(anchors)))
    served = everything.cells.served
    assert served.any(axis=1).all()
    # cells of the check of all places are fine enough for each of them: subsets can be read off
    for count in range(1, several.anchors):
        for some in combinations(range(len(anchors)), count):
            assert not served[:, some].any(axis=1).all()


def test_exhaustive_search_over_the_demand_agrees(roof: Roof, plan: Plan) -> None:
    for length in (4.8, 5.0, 5.3, 8.0):
        some = wish(plan, line_lengths=(length,))
        placement = place(roof, some)
        serves = placement.study.demand.need <= length
        able = serves.any(axis=1)
        best = next(
            count
            for count in range(1, 10)
            for pick in combinations(range(serves.shape[1]), count)
            if serves[:, pick].any(axis=1)[able].all()
        )
        if able.all():
            assert placement.cover.best == best
            assert placement.complete


def mirrored(path: Path, to: Path, turn: np.ndarray) -> Path:
    lines = []
    for line in path.read_text().splitlines():
        if line.startswith("v "):
            x, y, z = np.array([float(v) for v in line.split()[1:]]) @ turn.T
            line = f"v {x:.9f} {y:.9f} {z:.9f}"
        lines.append(line)
    to.write_text("\n".join(lines))
    return to


TURNS = {
    "left to right": np.diag([-1.0, 1.0, 1.0]),
    "front to back": np.diag([1.0, -1.0, 1.0]),
    "a quarter turn": np.array([[0.0, -1.0, 0.0], [1.0, 0.0, 0.0], [0.0, 0.0, 1.0]]),
}


@pytest.mark.parametrize("name", TURNS)
def test_a_mirrored_roof_needs_as_many(
    roof: Roof, several: Placement, folder: Path, tmp_path: Path, name: str
) -> None:
    """The gable is the same seen from any side, and its rafters lie symmetrically: the same count, proven,
    and as many cells and needs."""
    other = build(mirrored(folder / "barn.obj", tmp_path / "barn.obj", TURNS[name]), unit="m", up="z")
    again = place(other, several.study.plan)
    assert again.anchors == several.anchors
    assert again.proven
    assert again.work_m2 == pytest.approx(several.work_m2)
    mine = np.sort(np.abs(several.study.demand.need - REACH).ravel())
    theirs = np.sort(np.abs(again.study.demand.need - REACH).ravel())
    assert len(mine) == len(theirs)


def test_two_of_the_same_need_twice_as_many(several: Placement, folder: Path, tmp_path: Path) -> None:
    """Two such barns, one mirrored, 40 m apart in one model: each gets what it would get alone."""
    one = (folder / "barn.obj").read_text().splitlines()
    points = [line for line in one if line.startswith("v ")]
    faces = [line for line in one if line.startswith("f ")]
    more = []
    for line in points:
        x, y, z = (float(v) for v in line.split()[1:])
        more.append(f"v {40.0 - x} {y} {z}")
    again = ["f " + " ".join(str(int(v) + len(points)) for v in face.split()[:0:-1]) for face in faces]
    (tmp_path / "two.obj").write_text("\n".join([*points, *more, *faces, *again]))
    both = place(build(tmp_path / "two.obj", unit="m", up="z"), several.study.plan)
    assert both.complete
    assert both.proven
    assert both.cover.parts <= 2
    left = [anchor for anchor in both.plan.anchors if anchor.at[0] < 20.0]
    assert len(left) == several.anchors
    assert both.anchors == 2 * several.anchors


def test_more_places_never_need_more_anchors(roof: Roof, plan: Plan) -> None:
    """Each list of places holds the one before it: rafters at 1.2 m, at 0.6 m, and those on slopes too."""
    steps = [
        wish(plan, spacing=1.2, line_lengths=(4.8,)),
        wish(plan, spacing=0.6, line_lengths=(4.8,)),
        wish(plan, spacing=0.6, line_lengths=(4.8,), along=("ridge", "slope"), slope_step=2.0),
    ]
    found = [place(roof, step) for step in steps]
    places = [{column.anchor.at for column in one.study.columns} for one in found]
    assert places[0] < places[1] < places[2]
    assert all(one.complete and one.proven for one in found)
    counts = [one.anchors for one in found]
    assert counts == sorted(counts, reverse=True)
    assert counts[0] > 1


def test_longer_lines_never_need_more_anchors(roof: Roof, plan: Plan) -> None:
    """All edges are guarded, so that no limit binds."""
    counts = []
    for length in (4.2, 4.8, 5.2, 6.0, 9.0):
        one = place(roof, wish(plan, along=("ridge", "slope"), slope_step=1.0, line_lengths=(length,)))
        assert one.complete
        assert one.proven
        counts.append(one.anchors)
    assert counts == sorted(counts, reverse=True)
    assert counts[0] > counts[-1] == 1


def lifted(facet: Facet, xy: Floats) -> Floats:
    z = (facet.offset - xy @ facet.normal[:2]) / facet.normal[2]
    return np.column_stack((xy, z))


def served_by(placement: Placement, points: Floats) -> np.ndarray:
    """(points, anchors): within the line by the upper bound, standing and kneeling, measured one by one."""
    roof, plan = placement.study.roof, placement.plan
    preparation = taut.prepare(roof)
    out = np.zeros((len(points), len(plan.anchors)), dtype=bool)
    for k, anchor in enumerate(plan.anchors):
        assert anchor.line is not None
        assert anchor.line.length is not None
        longest = np.zeros(len(points))
        for height in (plan.worker.kneeling_height, plan.worker.attachment_height):
            raised = points + np.array([0.0, 0.0, height])
            longest = np.maximum(longest, taut.measure(preparation, roof.to_local(anchor.at), raised).hi)
        out[:, k] = longest <= anchor.line.length
    return out


def dense(placement: Placement, number: int, rng: np.random.Generator) -> tuple[Floats, np.ndarray, Floats]:
    """Points in the cells that the check calls served, 100 to each on average: (points, cell, area each)."""
    cells = placement.result.cells
    facets = {facet.id: facet for facet in placement.study.roof.planes}
    rows = np.flatnonzero(cells.any_served)
    picked = rng.choice(rows, size=min(len(rows), number), replace=False)
    points, cell = [], []
    for row in picked:
        facet = facets[cells.planes[cells.plane[row]]]
        xy = cells.centre[row] + (rng.random((100, 2)) - 0.5) * cells.size[row]
        shape = footprint(facet)
        xy = xy[shapely.contains_xy(shape, xy[:, 0], xy[:, 1])]
        points.append(lifted(facet, xy))
        cell.append(np.full(len(xy), row))
    return np.concatenate(points), np.concatenate(cell), cells.area


def l_valley() -> Placement:
    plan = read_plan(MODELS / "l-valley.toml")
    roof = build(model_path(plan), unit=plan.model.unit, up=plan.model.up, grade=plan.model.grade)
    wanted = wish(replace(plan, protection=GUARDED), spacing=2.0, line_lengths=(5.0,), edge_setback=0.5)
    return place(roof, wanted)


@pytest.mark.parametrize("house", ["gable", "roofs with a valley"])
def test_all_points_of_what_is_called_served_are_within_the_line(several: Placement, house: str) -> None:
    """Served is said of areas: a hundred points in each cell, measured each by itself."""
    placement = several if house == "gable" else l_valley()
    points, cell, _ = dense(placement, 250, np.random.default_rng(11))
    within = served_by(placement, points)
    claimed = placement.result.cells.served[cell]
    assert len(points) > 10_000
    assert claimed.any(axis=1).all()
    assert within[claimed].all()


def test_demand_cells_hold_what_they_claim(several: Placement) -> None:
    """The same for the cells that the choice is made from: every place that may serve a cell serves it."""
    demand, study = several.study.demand, several.study
    rng = np.random.default_rng(12)
    preparation = taut.prepare(study.roof)
    facets = {facet.id: facet for facet in study.roof.planes}
    for column in rng.choice(len(study.columns), 4, replace=False):
        rows = np.flatnonzero(demand.need[:, column] <= REACH)
        edge = rows[np.argsort(-demand.need[rows, column], kind="stable")[:60]]  # those that just do
        for row in edge:
            facet = facets[demand.planes[demand.plane[row]]]
            xy = demand.centre[row] + (rng.random((100, 2)) - 0.5) * demand.size[row]
            xy = xy[shapely.contains_xy(footprint(facet), xy[:, 0], xy[:, 1])]
            for height in (study.plan.worker.kneeling_height, study.plan.worker.attachment_height):
                at = lifted(facet, xy) + np.array([0.0, 0.0, height])
                found = taut.measure(preparation, study.columns[column].points[0], at)
                assert (found.hi <= float(demand.need[row, column]) + 1e-6).all()


@pytest.mark.parametrize(("reach", "overlap"), [(4.8, 1.0), (3.4, 14.0)])
def test_tied_at_all_times_by_points_alone(roof: Roof, plan: Plan, reach: float, overlap: float) -> None:
    """Two anchors hang together where a worker finds ground that both serve: told here from points all over
    the roof by themselves, not from the cells of the choice. All must hang together."""
    lines = wish(
        plan,
        spacing=1.2,
        along=("ridge", "slope"),
        slope_step=2.0,
        line_lengths=(reach,),
        tie_overlap=overlap,
    )
    tied, free = place(roof, wish(lines, tied=True)), place(roof, lines)
    assert tied.complete
    assert tied.anchors >= free.anchors
    step = 0.05
    x, y = np.meshgrid(np.arange(step / 2, LENGTH, step), np.arange(step / 2 - HALF, HALF, step))
    xy = np.column_stack((x.ravel(), y.ravel()))
    z = 9.0 + RISE * (1.0 - np.abs(xy[:, 1]) / HALF)
    points = roof.to_local(np.column_stack((xy, z)))
    each = step * step * np.hypot(HALF, RISE) / HALF

    def groups(placement: Placement) -> int:
        within = served_by(placement, points).astype(float)
        assert within.any(axis=1).all()
        return int(connected_components(within.T @ within * each >= overlap * 0.999)[0])

    assert groups(tied) == 1
    assert tied.proven
    assert "tied at all times" in tied.proof
    if overlap > 10:
        assert groups(free) > 1  # so that it is no accident


def test_what_cannot_be_tied_is_not_called_tied(roof: Roof, plan: Plan) -> None:
    lines = wish(plan, spacing=1.2, along=("ridge", "slope"), slope_step=2.0, line_lengths=(3.4,), tied=True)
    placement = place(roof, wish(lines, tie_overlap=18.0))
    assert placement.complete
    assert not placement.proven
    assert "with workers tied at all times" not in placement.proof
    assert "between parts they let go" in placement.proof


def test_work_on_planes_polygons_and_strips(roof: Roof, plan: Plan) -> None:
    """One slope needs no more than both; a polygon counts by its area; a strip along the eaves is as wide in
    plan as was asked. By hand: slopes are 6 m by 4.472 m, 4 m in plan."""
    steep = np.hypot(HALF, RISE) / HALF
    lines = wish(plan, along=("ridge", "slope"), slope_step=1.0, line_lengths=(4.2,))
    whole = place(roof, lines)
    one = place(roof, replace(lines, work=(WorkArea("W", planes=("P1",)),)))
    assert one.work_m2 == pytest.approx(LENGTH * HALF * steep)
    assert one.complete
    assert one.anchors <= whole.anchors
    square = WorkArea("W", polygon=((1.0, -1.0), (3.0, -1.0), (3.0, 1.0), (1.0, 1.0)))
    part = place(roof, replace(lines, work=(square,)))
    assert part.work_m2 == pytest.approx(4.0 * steep)
    assert part.complete
    assert part.anchors == 1
    assert set(part.result.cells.planes) == {"P1", "P2"}
    gutters = place(roof, replace(lines, work=(WorkArea("W", edge_kinds=("eave",), strip=0.8),)))
    assert gutters.work_m2 == pytest.approx(2 * LENGTH * 0.8 * steep)
    assert gutters.complete
    centre = gutters.result.cells.centre
    assert (np.abs(centre[:, 1] - np.median(roof.to_local((0, 0, 0))[1])) > HALF - 0.8 - 0.5).all()
    everything = place(roof, replace(lines, work=(WorkArea("A", planes=("P1",)), square)))
    assert everything.work_m2 == pytest.approx(LENGTH * HALF * steep + 2.0 * steep)


def test_work_that_is_out_of_reach_is_named_and_the_rest_is_served(roof: Roof, plan: Plan) -> None:
    """Lines of 3 m from the ridge cannot reach the eaves: what is served is what lies within 3 m of a place,
    and nothing that a place could serve alone is left out for more than the least gain."""
    placement = place(roof, wish(plan, line_lengths=(3.0,)))
    assert not placement.complete
    assert not placement.proven
    able = (placement.study.demand.need <= 3.0).any(axis=1)
    fringe = placement.study.demand.area[able & (placement.study.demand.size < 0.25)].sum()
    reached = placement.study.demand.area[able].sum()
    served = placement.result.served_m2
    assert reached - fringe - placement.left_m2 - 1e-6 <= served <= reached + 1e-6
    assert f"serves {served:.2f} of {placement.work_m2:.2f} m2, not all" in placement.proof


def test_a_study_that_claims_too_much_is_put_right_by_the_check(several: Placement) -> None:
    """One place is made to claim the whole roof. The check of the written plan refutes it, cell by cell, and
    the choice is made anew: nothing is left undone, and no fewer anchors are claimed than are needed."""
    study = several.study
    need = study.demand.need.copy()
    need[:, 0] = 1.0
    lying = replace(study, demand=replace(study.demand, need=need), memory={})
    again = place(study.roof, study.plan, study=lying)
    assert again.complete
    assert again.anchors >= several.anchors
    assert all(f.severity != "danger" for f in again.result.findings)


@pytest.mark.parametrize("length", [4.3, 4.4, 4.45, 4.5, 4.6])
def test_what_is_said_of_any_cells_holds_for_finer_ones(
    roof: Roof, plan: Plan, several: Placement, length: float
) -> None:
    """The bound that is said to hold however the work is cut is at most what a choice over finer cells needs;
    coarse cells may ask for more."""
    wanted = replace(
        several.study.plan, candidates=replace(several.study.plan.candidates, line_lengths=(length,))
    )
    coarse = make_study(roof, wanted)
    fine = finer(finer(coarse, lambda *told: None, lambda: False), lambda *told: None, lambda: False)
    assert fine is not None
    told = {"effort": USUAL, "stop": lambda: False, "tell": lambda *told: None}
    rough, close = (_choose(study, "points", "fewest", **told) for study in (coarse, fine))
    assert rough.complete
    assert close.complete
    assert rough.bound_any <= close.cover.best <= rough.cover.best


def test_the_study_judges_no_place_twice(roof: Roof, plan: Plan) -> None:
    """What a study tells does not depend on what was asked of it before."""
    one, two = (make_study(roof, plan) for _ in range(2))
    assert (one.demand.need == two.demand.need).all()
    assert [column.allowed for column in one.columns] == [column.allowed for column in two.columns]
