"""The rest point by the fall potential against brute force: the lowest place that the rope as it lies allows.

The brute force knows no potential. It tries D-rings on a fine grid against the outside of a wall; the rope
runs from the anchor over any of many places of the edge to the D-ring; a place is allowed where the shortest
of those ways is no longer than the rope. The lowest of them is where a body comes to rest without friction.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from roof3d import taut
from roof3d.building import from_mesh
from roof3d.fall import AnchorRuler, Limits, Terms, Tie, assess, make_boundary, make_segments
from roof3d.records import EdgeSegment, Floats, Roof
from tests.bodies import gable, welded

EAVE, SLOPE = 30.0, 0.75  # slopes rise 3 on 4
TERMS = Terms(
    attachment=1.5,
    kneeling=0.9,
    deceleration=0.0,
    harness=0.0,
    margin=0.6,
    elongation=0.0,
    weight=1000.0,
    least_force=1000.0,
)
FINE = 0.05  # m, grid
TOLERANCE = 0.012  # m, boundary pieces are told apart down to 1 cm


@cache
def house() -> Roof:
    """A tall gabled house, 40 m long, slopes of 18.75 m."""
    return from_mesh(welded(gable(length=40.0, width=30.0, eave=EAVE, rise=11.25)))


def on_slope(x: float, up: float) -> Floats:
    """A place on the southern slope, ``up`` metres above the eave along the slope."""
    return np.array([x, 0.8 * up, EAVE + 0.6 * up])


def segments(anchor: Floats, length: float) -> list[EdgeSegment]:
    """Where one can fall, with the rest points, by the program."""
    roof = house()
    boundary = make_boundary(roof, TERMS.attachment, 90.0)
    guards: list[list[tuple[float, float, str]]] = [[] for _ in boundary.edges]
    result = assess(boundary, AnchorRuler(anchor, taut.prepare(roof)), Tie(length), TERMS, Limits(), guards)
    falls = ("short", "swing", "arrest")
    return [s for s in make_segments(result, TERMS, "A1", guards) if s.state in falls]


def lowest(anchor: Floats, length: float, edge: tuple[Floats, Floats], reach: float) -> Floats:
    """The lowest D-ring on the grid that a rope over one straight edge allows."""
    start, end = edge
    along = (end - start) / np.linalg.norm(end - start)
    level = np.array([along[0], along[1], 0.0])
    level /= np.linalg.norm(level)
    middle = float((anchor - start) @ along)
    t = np.arange(max(0.0, middle - reach), min(float(np.linalg.norm(end - start)), middle + reach), FINE / 2)
    bends = start + t[:, None] * along
    first = np.linalg.norm(bends - anchor, axis=1)
    steps = np.arange(max(0.0, t[0] * float(along @ level)), t[-1] * float(along @ level), FINE)
    depths = np.arange(0.0, length + 1.0, FINE)
    straight = np.linalg.norm(bends - anchor, axis=1).min()
    depths = depths[depths <= length - straight + reach * abs(along[2]) + FINE]
    best = np.array([0.0, 0.0, np.inf])
    climb = along[2] / float(along @ level)
    for s in steps:
        edge_height = start[2] + climb * s
        rings = start + s * level + np.array([0.0, 0.0, 1.0]) * (edge_height - depths - start[2])[:, None]
        second = np.linalg.norm(rings[:, None] - bends[None], axis=2)
        allowed = (first[None] + second).min(axis=1) <= length
        if allowed.any():
            ring = rings[np.flatnonzero(allowed)[-1]]
            if ring[2] < best[2]:
                best = ring
    return best


CORNERS = np.array([0.0, 0.0, EAVE]), np.array([40.0, 0.0, EAVE]), np.array([0.0, 15.0, EAVE + 11.25])
SOUTH_EAVE, WEST_RAKE = (CORNERS[0], CORNERS[1]), (CORNERS[0], CORNERS[2])


@pytest.mark.parametrize(("up", "spare"), [(2.0, 1.5), (4.0, 2.0), (6.5, 3.0)])
def test_over_an_eave_it_is_the_foot(up: float, spare: float) -> None:
    anchor, length = on_slope(20.0, up), up + spare
    ring = lowest(anchor, length, SOUTH_EAVE, 5.0)
    assert ring[0] == pytest.approx(20.0, abs=0.3)  # a flat bottom on a grid
    assert ring[2] == pytest.approx(EAVE - spare, abs=2 * FINE)
    found = segments(anchor, length)
    assert found
    for s in found:
        assert s.rest_point == pytest.approx([20.0, 0.0, EAVE], abs=TOLERANCE)
        assert rest_level(anchor, s.rest_point) - length == pytest.approx(ring[2], abs=2 * FINE)


def rest_level(anchor: Floats, rest: Floats | None) -> float:
    """Height of the rest point plus the rope's way to it."""
    assert rest is not None
    return float(rest[2] + taut.measure(taut.prepare(house()), anchor, rest[None]).hi[0])


@pytest.mark.parametrize("off", [1.0, 2.0, 3.0])
def test_over_a_rake_it_lies_off_tan_a_down(off: float) -> None:
    """``phi(t) = hypot(b, t) - t sin a`` is least ``b tan a`` down the rake from the foot (calculus)."""
    anchor, length = on_slope(off, 10.0), off + 3.0
    down = 10.0 - off * SLOPE
    expected = on_slope(0.0, down)
    ring = lowest(anchor, length, WEST_RAKE, 6.0)
    # the grid's bottom is flat: the level tells more than the place
    assert ring[1] == pytest.approx(expected[1], abs=0.4)
    level = expected[2] + np.hypot(off, off * SLOPE) - length
    assert ring[2] == pytest.approx(level, abs=2 * FINE)
    found = segments(anchor, length)
    assert found
    for s in found:
        assert s.rest_point == pytest.approx(expected, abs=TOLERANCE)
        assert rest_level(anchor, s.rest_point) - length == pytest.approx(ring[2], abs=2 * FINE)


def test_off_the_end_of_a_rake_it_slides_round_the_corner() -> None:
    """Off 2 m, 1 m up: the rake ends above its rest point, and the rope slides on along the eave."""
    anchor, length = on_slope(2.0, 1.0), 4.0
    over_eave = lowest(anchor, length, SOUTH_EAVE, 4.0)
    over_rake = lowest(anchor, length, WEST_RAKE, 4.0)
    assert over_eave[2] == pytest.approx(EAVE - 3.0, abs=2 * FINE)
    assert over_eave[2] < over_rake[2]
    found = [s for s in segments(anchor, length) if s.start[0] == s.end[0] == 0.0]
    assert found
    for s in found:
        assert s.rest_point == pytest.approx([2.0, 0.0, EAVE], abs=TOLERANCE)
        assert rest_level(anchor, s.rest_point) - length == pytest.approx(over_eave[2], abs=2 * FINE)


def test_the_swing_drops_from_the_edge_to_the_rest_point() -> None:
    """The drop told is the potential where one goes over less that at the rest point: 3-4-5, one metre."""
    anchor = on_slope(20.0, 4.0)
    found = [s for s in segments(anchor, 5.0) if s.swing_drop_m is not None]
    assert max(s.swing_drop_m or 0.0 for s in found) == pytest.approx(1.0, abs=0.015)
