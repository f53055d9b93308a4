"""Taut length around bodies that are not convex, against the slow solver of ``taut_kit``.

The slow solver's value is the length of a polyline that was tried against every triangle: never below the
truth, and a few tenths of a millimetre above it. So a lower end above it is wrong, whatever the proof says,
and an upper end far above it has missed the way. The upper end itself is checked by its path.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from roof3d import taut
from roof3d.records import Floats, Lengths
from tests.taut_kit import Slow, deepest, ground_of, length_of, made, strewn

BODIES = (
    "box", "gable", "l-gable", "dip", "steps", "overhang", "two-boxes", "box-and-stack",
    "model-gable", "model-hip", "model-l-valley", "model-butterfly", "model-t-plan", "model-dormers",
)  # fmt: skip
POINTS, ANCHORS = 14, 3
SETTLED = 0.001  # m, the slow solver against itself


@cache
def slow_solver(name: str) -> Slow:
    """The slow solver of a body; coarser where there are many edges."""
    return Slow.of(made(name), step=0.5 if name.startswith("model-") else 0.25)


@cache
def prepared(name: str) -> taut.Preparation:
    mesh = made(name)
    return taut.prepare_mesh(mesh, ground_of(mesh))


@cache
def places(name: str) -> tuple[Floats, Floats]:
    """Anchors (3, 3) and points (14, 3) around a body."""
    mesh = made(name)
    return strewn(mesh, ANCHORS, seed=2), strewn(mesh, POINTS, seed=1)


@cache
def slow_lengths(name: str) -> Floats:
    anchors, points = places(name)
    return np.array([slow_solver(name).lengths(a, points, spare=0.5) for a in anchors])


@cache
def lengths(name: str) -> Lengths:
    anchors, points = places(name)
    found = [taut.measure(prepared(name), a, points) for a in anchors]
    return Lengths(np.array([f.lo for f in found]), np.array([f.hi for f in found]))


@pytest.mark.parametrize("name", BODIES)
def test_the_lower_end_is_never_above_a_free_way(name: str) -> None:
    assert (lengths(name).lo <= slow_lengths(name) + 1e-9).all()


@pytest.mark.parametrize("name", BODIES)
def test_the_upper_end_is_the_length_of_a_free_way(name: str) -> None:
    anchors, points = places(name)
    found = lengths(name)
    for row, anchor in enumerate(anchors):
        paths = taut.trace(prepared(name), anchor, points)
        for column, path in enumerate(paths):
            assert path is not None
            assert path.points[0] == pytest.approx(anchor)
            assert path.points[-1] == pytest.approx(points[column])
            assert length_of(path.points) == pytest.approx(found.hi[row, column], abs=1e-9)
            assert path.length_m == pytest.approx(found.hi[row, column], abs=1e-9)
            # 2 mm stand-off in the search; corners of a path lie on the edges themselves
            assert deepest(slow_solver(name).solid, path.points) < 0.003


@pytest.mark.parametrize("name", BODIES)
def test_the_upper_end_is_the_shortest_way_to_a_millimetre(name: str) -> None:
    assert (lengths(name).hi <= slow_lengths(name) + 0.001).all()


@pytest.mark.parametrize("name", BODIES)
def test_brackets_are_at_most_a_centimetre_wide(name: str) -> None:
    found = lengths(name)
    assert (found.hi >= found.lo).all()
    assert (found.hi - found.lo).max() <= 0.01


def test_round_the_foot_of_a_stack() -> None:
    """A stack set into a flat roof: the rope lies on the roof and bends round the stack's foot."""
    way = np.array(
        [
            [4.566572, 5.297888, 2.899418],
            [4.3707, 5.0001, 3.0001],
            [2.9999, 2.8001, 3.0001],
            [2.2928, -0.0001, 3.0001],
            [2.040919, -0.961133, 2.732745],
        ]
    )
    assert slow_solver("box-and-stack").solid.few_free(way[:-1], way[1:]).all()
    found = taut.measure(prepared("box-and-stack"), way[0], way[-1:])
    assert found.lo[0] <= length_of(way)


def test_under_an_eave_from_just_behind_its_edge() -> None:
    """An anchor 8 mm behind an eave: stood-off places see past the lower edge, the rope bends at it."""
    mesh = made("model-t-plan")
    anchor = next(a for a in strewn(mesh, 4, seed=31) if abs(a[1] + 0.9916) < 1e-3)
    points = strewn(mesh, 40, seed=32)
    found = taut.measure(prepared("model-t-plan"), anchor, points)
    reached = slow_solver("model-t-plan").lengths(anchor, points, spare=0.5)
    assert (found.lo <= reached + 1e-9).all()
    assert (found.hi <= reached + 0.001).all()


def test_the_slow_solver_settles() -> None:
    """Half the step changes its values by less than ``SETTLED``."""
    for name in ("l-gable", "steps", "box-and-stack"):
        anchors, points = places(name)
        fine = Slow.of(made(name), step=0.125)
        for row, anchor in enumerate(anchors[:1]):
            again = fine.lengths(anchor, points, spare=0.5)
            assert np.abs(again - slow_lengths(name)[row]).max() < SETTLED


def test_the_slow_solver_in_closed_form() -> None:
    """Unfolding over the ridge, and around the corner of a box (plane geometry)."""
    house = slow_solver("gable")  # ridge at y = 4, z = 6; slopes of 5 m
    anchor, point = np.array([1.0, 1.0, 3.75]), np.array([9.0, 6.4, 4.2])
    up = np.array([0.0, -0.6, 0.8]) * 1e-3, np.array([0.0, 0.6, 0.8]) * 1e-3
    found = house.lengths(anchor + up[0], (point + up[1])[None])[0]
    over = np.hypot(8.0, 3.75 + 3.0)
    assert over - 1e-9 < found < over + 0.003
    corner = slow_solver("box")  # 8 x 5 x 3
    found = corner.lengths(np.array([7.0, -0.001, 1.0]), np.array([[8.001, 3.0, 2.0]]))[0]
    assert np.hypot(4.0, 1.0) - 1e-9 < found < np.hypot(4.0, 1.0) + 0.003


def test_a_way_through_a_wall_is_noticed() -> None:
    """The checks above can fail: a straight line through a body is deep in it."""
    solid = slow_solver("box").solid
    way = np.array([[-1.0, 2.5, 1.5], [9.0, 2.5, 1.5]])
    assert deepest(solid, way) > 1.4
    assert not solid.free(way[:1], way[1:])[0]
    assert not solid.few_free(way[:1], way[1:])[0]
