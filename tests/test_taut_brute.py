"""Taut length against brute force: all sequences of up to four contacts (``taut_brute``), no stand-off.

The brute force's value is a free polyline's length to double precision. Where the product's bracket is exact
and its rope has no more than four contacts, the two must be one number.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from scipy.optimize import minimize

from roof3d import taut
from tests.taut_brute import LIMIT, Brute, free, shortest_over
from tests.taut_kit import Slow, ground_of, length_of, made, strewn

BODIES = (
    "box", "gable", "l-gable", "t-gable", "dormer", "dip", "steps", "overhang", "two-boxes", "box-and-stack",
    "model-gable", "model-butterfly", "model-hip",
)  # fmt: skip
AGREE = 1e-4  # m
EXACT = 1e-3  # m, a bracket this narrow is exact: the search's allowance is half a millimetre


@cache
def brute(name: str) -> Brute:
    return Brute.of(made(name))


@pytest.mark.parametrize("name", BODIES)
def test_every_sequence_was_tried(name: str) -> None:
    mesh = made(name)
    preparation = taut.prepare_mesh(mesh, ground_of(mesh))
    anchors, points = strewn(mesh, 4, seed=61), strewn(mesh, 20, seed=62)
    compared = 0
    for anchor in anchors:
        found = taut.measure(preparation, anchor, points)
        contacts = np.array(
            [len(p.points) - 2 for p in taut.trace(preparation, anchor, points) if p is not None]
        )
        assert len(contacts) == len(points)
        true, paths = brute(name).shortest(anchor, points)
        assert (found.lo <= true + 1e-6).all()
        assert (found.hi <= true + EXACT).all()
        few = (contacts <= 4) & (found.hi - found.lo < EXACT)
        assert found.hi[few] == pytest.approx(true[few], abs=AGREE)
        assert all(
            p is not None and length_of(p) == pytest.approx(t)
            for p, t in zip(paths, true, strict=True)
            if t < np.inf
        )
        compared += int(few.sum())
    assert compared > 0.9 * len(anchors) * len(points)


def test_where_edges_cross_the_lower_end_holds() -> None:
    """Houses wall to wall, one set back: a bracket may be wide there, never wrong."""
    mesh = made("staggered")
    preparation = taut.prepare_mesh(mesh, 0.0)
    anchors, points = strewn(mesh, 4, seed=61), strewn(mesh, 20, seed=62)
    for anchor in anchors:
        found = taut.measure(preparation, anchor, points)
        true, _ = brute("staggered").shortest(anchor, points)
        assert (found.lo <= true + 1e-6).all()
        assert (found.hi >= true - AGREE)[np.isfinite(true)].all()


def test_where_an_eave_crosses_a_corner() -> None:
    """Over the place where an eave of one house meets a corner of the next: plane geometry."""
    mesh = made("staggered")  # houses meet at x = 4; one is 5 m high from y = 2 on, the other 3 m up to y = 5
    anchor, point, over = np.array([5.0, 4.0, 4.5]), np.array([3.0, 1.5, 1.0]), np.array([4.0, 2.0, 3.0])
    way = float(np.linalg.norm(anchor - over) + np.linalg.norm(point - over))
    true, _ = brute("staggered").shortest(anchor, point[None])
    assert true[0] == pytest.approx(way, abs=1e-9)
    found = taut.measure(taut.prepare_mesh(mesh, 0.0), anchor, point[None])
    assert found.lo[0] <= way + 1e-9


@pytest.mark.parametrize("name", ["l-gable", "steps", "dormer"])
def test_two_slow_roads_agree(name: str) -> None:
    """The solver by places and graph comes out as long, and a few tenths of a millimetre more."""
    mesh = made(name)
    anchors, points = strewn(mesh, 2, seed=63), strewn(mesh, 12, seed=64)
    slow = Slow.of(mesh)
    for anchor in anchors:
        true, _ = brute(name).shortest(anchor, points)
        reached = slow.lengths(anchor, points, spare=0.5)
        few = np.isfinite(true)
        assert few.mean() > 0.9
        assert (true <= reached + 1e-9)[few].all()
        assert (reached - true)[few].max() < 0.002


def test_minima_are_those_of_a_general_solver() -> None:
    """Against bounded minimisation of a general-purpose library (L-BFGS-B), over random segments."""
    rng = np.random.default_rng(5)
    t = np.empty(LIMIT)
    for _ in range(60):
        k = int(rng.integers(1, 5))
        ends = rng.normal(size=(2, 3)) * 3
        start, way = rng.normal(size=(k, 3)) * 3, rng.normal(size=(k, 3))
        way /= np.linalg.norm(way, axis=1)[:, None]
        length = rng.uniform(0.2, 4, k)

        def total(s: np.ndarray, start=start, way=way, ends=ends) -> float:  # type: ignore[no-untyped-def]
            return length_of(np.concatenate((ends[:1], start + s[:, None] * way, ends[1:])))

        other = min(
            minimize(total, f * length, bounds=[(0, x) for x in length], tol=1e-12).fun
            for f in (0.2, 0.5, 0.8)
        )
        value, lower = shortest_over(ends[0], ends[1], start, way, length, np.arange(k), k, t)
        assert value == pytest.approx(other, abs=1e-6)
        assert lower <= other + 1e-9
        assert value - lower < 1e-4


def test_a_way_is_free_or_is_not() -> None:
    body = brute("box").body  # 8 x 5 x 3
    places = {
        "through": ([-1.0, 2.5, 1.5], [9.0, 2.5, 1.5], False),
        "beside": ([-1.0, -0.001, 1.5], [9.0, -0.001, 1.5], True),
        "on a face": ([-1.0, 2.5, 3.0], [9.0, 1.0, 3.0], True),
        "along an edge": ([-1.0, 0.0, 3.0], [9.0, 0.0, 3.0], True),
        "just under a face": ([0.0, 2.5, 2.9999], [8.0, 1.0, 2.9999], False),
        "between two edges": ([4.0, 0.0, 3.0], [4.0, 5.0, 0.5], False),
        "over a corner": ([-1.0, 1.0, 3.0], [1.0, -1.0, 3.0], True),
        "cut by a corner": ([-1.0, 1.001, 2.5], [1.0, -0.999, 2.5], False),
    }
    for name, (p, q, expected) in places.items():
        assert free(body, np.array(p), np.array(q)) == expected, name
