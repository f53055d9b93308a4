"""Which targets a rope of one length reaches: ``decide`` against ``measure`` and brute force."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from roof3d import taut
from roof3d.records import Floats, Mesh
from roof3d.taut import decide, targets
from tests.bodies import box, gable, welded
from tests.taut_brute import Brute
from tests.taut_kit import Solid, ground_of, made, moved, strewn
from tests.taut_random import awkward, random_body

SHORT = 0.006  # m, an end beside an edge may be reached over the edge's stand-off
BODIES = ("gable", "l-gable", "dormer", "overhang", "steps", "box-and-stack", "screens")
LIMITS = (0.5, 3.0, 6.0, 12.0)


@cache
def body(name: str) -> Mesh:
    if name == "screens":  # thin walls with targets close by on both of their sides
        walls = [*box(-1, 9, 2.0, 2.03, 0, 5), *box(4, 4.02, -3, 8, 0, 4)]
        return welded([*walls, *moved(gable(6, 4, 2, 1.5), (10.0, 0.0, 0.0))])
    return random_body(int(name.removeprefix("random "))) if name.startswith("random") else made(name)


@cache
def cloud(name: str) -> Floats:
    """Rows of targets all over the body, close to both sides of its walls, and awkward ones."""
    mesh = body(name)
    solid = Solid.of(mesh)
    rng = np.random.default_rng(3)
    low, high = mesh.vertices.min(axis=0) - 0.5, mesh.vertices.max(axis=0) + 1.0
    grid = np.stack(
        np.meshgrid(*(np.arange(a, b, 0.9) for a, b in zip(low, high, strict=True)), indexing="ij"), axis=-1
    ).reshape(-1, 3)
    grid += rng.uniform(-0.05, 0.05, grid.shape)
    k = rng.integers(len(solid.offset), size=150)
    on = np.einsum("ni,nij->nj", rng.dirichlet(np.ones(3), 150), solid.corner[k])
    both = np.concatenate([on + side * 0.02 * solid.normal[k] for side in (-1, 1)])
    points = np.concatenate((grid, both, awkward(mesh, 60, 4)))
    return points[points[:, 2] > ground_of(mesh) + 0.02]


@cache
def prepared(name: str) -> taut.Preparation:
    mesh = body(name)
    return taut.prepare_mesh(mesh, ground_of(mesh))


def anchors(name: str) -> Floats:
    found = np.concatenate((strewn(body(name), 2, seed=81), awkward(body(name), 2, seed=82)))
    return found[~taut.inside(prepared(name), found)]


@pytest.mark.parametrize("name", BODIES)
@pytest.mark.parametrize("limit", LIMITS)
def test_verdicts_are_those_of_whole_lengths(name: str, limit: float) -> None:
    points = cloud(name)
    at = targets(prepared(name), points)
    for anchor in anchors(name):
        found = decide(prepared(name), anchor, at, limit)
        whole = taut.measure(prepared(name), anchor, points)
        assert found.lo.shape == found.hi.shape == (len(points),)
        assert not np.isnan(found.lo).any() and not np.isnan(found.hi).any()
        assert (found.lo <= found.hi + 1e-9).all()
        # brackets of one length overlap
        assert (found.lo <= whole.hi + 1e-6).all()
        assert (whole.lo <= found.hi + SHORT).all()
        # never within where the whole length says beyond, nor the other way round
        assert not ((found.hi <= limit) & (whole.lo > limit + SHORT)).any()
        assert not ((found.lo > limit) & (whole.hi <= limit)).any()
        # decided wherever the whole length is
        assert (found.hi <= limit)[whole.hi <= limit - 1e-3].all()
        beyond = whole.lo > limit + 1e-3
        assert (beyond & ~(found.lo > limit)).sum() <= 0.01 * beyond.sum()
        # inside the body nothing is reached
        inside = taut.inside(prepared(name), points)
        assert not (found.hi[inside] <= limit).any()


@pytest.mark.parametrize(
    "name", ["l-gable", "t-gable", "dormer", "box-and-stack", "screens", "random 12", "random 17"]
)
def test_brackets_hold_the_truth(name: str) -> None:
    brute = Brute.of(body(name), sampled=True)
    points = cloud(name)
    points = points[~taut.inside(prepared(name), points)]
    points = points[np.random.default_rng(1).permutation(len(points))[:150]]
    at = targets(prepared(name), points)
    for limit in (3.0, 6.0):
        for anchor in anchors(name)[:3]:
            found = decide(prepared(name), anchor, at, limit)
            true, _ = brute.shortest(anchor, points, limit + 0.5)
            known = np.isfinite(true)
            assert (found.lo <= true + 1e-6).all()
            assert (found.hi >= true - SHORT)[known].all()
            assert (found.hi <= limit)[true <= limit - 1e-3].all()
            assert not (found.hi <= limit)[known & (true > limit + SHORT)].any()


@pytest.mark.parametrize("name", ["gable", "dormer", "screens"])
def test_more_rope_reaches_no_less(name: str) -> None:
    at = targets(prepared(name), cloud(name))
    for anchor in anchors(name):
        before = np.zeros(len(cloud(name)), dtype=bool)
        lo = np.zeros(len(cloud(name)))
        for limit in LIMITS:
            found = decide(prepared(name), anchor, at, limit)
            assert not (before & (found.lo > limit)).any()
            assert (lo <= found.hi + 1e-6).all()
            before |= found.hi <= limit
            lo = np.maximum(lo, found.lo)


@pytest.mark.parametrize("name", ["l-gable", "screens"])
def test_company_changes_no_verdict(name: str) -> None:
    """In another order, twice over, few at a time, alone: the same verdicts, and valid brackets."""
    points = cloud(name)[::3]
    limit = 5.0
    rng = np.random.default_rng(2)
    for anchor in anchors(name)[:2]:
        whole = taut.measure(prepared(name), anchor, points)
        sure = np.abs(whole.hi - limit) > SHORT
        first = decide(prepared(name), anchor, targets(prepared(name), points), limit)
        order = rng.permutation(len(points))
        for chosen in (order, np.concatenate((order, order)), order[:40], order[:1], order[:0]):
            found = decide(prepared(name), anchor, targets(prepared(name), points[chosen]), limit)
            same = (found.hi <= limit) == (first.hi[chosen] <= limit)
            assert same[sure[chosen]].all()
            same = (found.lo > limit) == (first.lo[chosen] > limit)
            assert same[sure[chosen]].all()


def test_the_same_again() -> None:
    """Same input, same bytes, whatever was asked before."""
    points = cloud("dormer")
    mesh = body("dormer")
    fresh = [taut.prepare_mesh(mesh, 0.0) for _ in range(2)]
    anchor = anchors("dormer")[0]
    results = [decide(preparation, anchor, targets(preparation, points), 4.0) for preparation in fresh]
    assert results[0].lo.tobytes() == results[1].lo.tobytes()
    assert results[0].hi.tobytes() == results[1].hi.tobytes()
    used = fresh[0]
    taut.measure(used, anchor, points)
    decide(used, anchor, targets(used, points), 9.0)
    again = decide(used, anchor, targets(used, points), 4.0)
    sure = np.abs(taut.measure(used, anchor, points).hi - 4.0) > SHORT
    assert ((again.hi <= 4.0) == (results[0].hi <= 4.0))[sure].all()
    assert ((again.lo > 4.0) == (results[0].lo > 4.0))[sure].all()


def test_over_an_edge_in_closed_form() -> None:
    # a box 4 m wide: from the middle of its roof over the edge down a wall, unfolded
    mesh = welded(box(0, 4, 0, 40, 0, 9))
    preparation = taut.prepare_mesh(mesh, 0.0)
    down = np.linspace(0.2, 8.0, 400)
    points = np.stack((np.full(400, 4.0), np.full(400, 20.0), 9.0 - down), axis=1)
    found = taut.decide(preparation, np.array([2.0, 20.0, 9.0]), taut.targets(preparation, points), 5.0)
    assert ((found.hi <= 5.0) == (2.0 + down <= 5.0)).all()
    assert ((found.lo > 5.0) == (2.0 + down > 5.0))[np.abs(down - 3.0) > SHORT].all()


def test_no_targets() -> None:
    mesh = made("gable")
    preparation = taut.prepare_mesh(mesh, ground_of(mesh))
    found = taut.decide(
        preparation, strewn(mesh, 1, seed=1)[0], taut.targets(preparation, np.zeros((0, 3))), 5.0
    )
    assert len(found.lo) == len(found.hi) == 0
