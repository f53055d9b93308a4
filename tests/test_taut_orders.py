"""Brackets hold whatever was asked before, in whatever order, with or without a limit.

A preparation keeps what it has learnt from an anchor, and raises bounds as it goes: none of that may show,
save in how narrow a bracket is. The truth is that of ``taut_brute``.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from roof3d import taut
from roof3d.records import Floats, Lengths
from tests.taut_brute import Brute
from tests.taut_kit import ground_of, made, strewn
from tests.taut_random import awkward

BODIES = ("l-gable", "t-gable", "dormer", "box-and-stack")
ANCHORS, POINTS = 3, 24
SHORT = 0.006  # m, an end beside an edge may be reached over the edge's stand-off
NARROW = 0.001  # m


@cache
def places(name: str) -> tuple[Floats, Floats]:
    mesh = made(name)
    half = POINTS // 2
    return strewn(mesh, ANCHORS, seed=71), np.concatenate((strewn(mesh, half, 72), awkward(mesh, half, 73)))


@cache
def truth(name: str) -> Floats:
    """Taut lengths (anchors, points); infinite where a rope needs more than four contacts."""
    brute = Brute.of(made(name))
    anchors, points = places(name)
    return np.array([brute.shortest(anchor, points)[0] for anchor in anchors])


def fresh(name: str) -> taut.Preparation:
    mesh = made(name)
    return taut.prepare_mesh(mesh, ground_of(mesh))


def holds(found: Lengths, true: Floats, limit: float = np.inf) -> None:
    """A bracket holds the truth; within the limit it is narrow, beyond it says no less than the limit."""
    assert (found.lo <= np.minimum(true, np.inf) + 1e-6).all()
    known = np.isfinite(true)
    assert (found.hi >= true - SHORT)[known].all()
    within = known & (true < limit - NARROW)
    assert (found.hi[within] <= true[within] + NARROW).all()
    assert (found.hi - found.lo)[within].max(initial=0.0) <= NARROW
    beyond = true > limit + SHORT
    assert (found.lo[beyond] >= limit - NARROW).all()


@pytest.mark.parametrize("name", BODIES)
def test_order_of_points(name: str) -> None:
    anchors, points = places(name)
    for row, anchor in enumerate(anchors):
        first = taut.measure(fresh(name), anchor, points)
        holds(first, truth(name)[row])
        for seed in (0, 1):
            order = np.random.default_rng(seed).permutation(len(points))
            again = taut.measure(fresh(name), anchor, points[order])
            holds(again, truth(name)[row][order])
            assert again.hi == pytest.approx(first.hi[order], abs=1e-5)


@pytest.mark.parametrize("name", BODIES)
@pytest.mark.parametrize("seed", range(3))
def test_what_was_asked_before(name: str, seed: int) -> None:
    """One preparation, anchors in turn and again, limits up and down, few points and many."""
    rng = np.random.default_rng(seed)
    anchors, points = places(name)
    preparation = fresh(name)
    for _ in range(24):
        row = int(rng.integers(ANCHORS))
        chosen = rng.choice(POINTS, int(rng.choice([1, 5, POINTS])), replace=False)
        limit = float(rng.choice([1.0, 3.0, 5.0, 9.0, np.inf]))
        found = taut.measure(preparation, anchors[row], points[chosen], limit)
        holds(found, truth(name)[row][chosen], limit)


@pytest.mark.parametrize("name", BODIES)
def test_many_points_and_few(name: str) -> None:
    """From a thousand points on the cells are settled first: the same lengths."""
    anchors, points = places(name)
    many = np.tile(points, (1 + 1000 // POINTS, 1))
    few = taut.measure(fresh(name), anchors[0], points)
    found = taut.measure(fresh(name), anchors[0], many)
    for turn in range(0, len(many), POINTS):
        part = Lengths(found.lo[turn : turn + POINTS], found.hi[turn : turn + POINTS])
        holds(part, truth(name)[0])
        assert part.hi == pytest.approx(few.hi, abs=1e-5)


@pytest.mark.parametrize("name", BODIES)
def test_quick_brackets_are_wider_and_as_true(name: str) -> None:
    anchors, points = places(name)
    for row, anchor in enumerate(anchors):
        quick = taut.measure(fresh(name), anchor, points, checks=3, settle=False)
        whole = taut.measure(fresh(name), anchor, points)
        assert (quick.lo <= truth(name)[row] + 1e-6).all()
        assert (quick.hi >= truth(name)[row] - SHORT)[np.isfinite(truth(name)[row])].all()
        assert (quick.lo <= whole.hi + 1e-6).all()
        assert (whole.hi <= quick.hi + 1e-6).all()


def test_more_anchors_than_are_kept(monkeypatch: pytest.MonkeyPatch) -> None:
    """What is kept of an anchor goes when there are too many, and is made again."""
    monkeypatch.setattr("roof3d.taut.field.KEPT", 2)
    anchors, points = places("l-gable")
    preparation = fresh("l-gable")
    for row in (0, 1, 2, 0, 2, 1, 0):
        holds(taut.measure(preparation, anchors[row], points), truth("l-gable")[row])
        assert len(preparation.tied) <= 2
