"""Room beside the rest point against brute force: D-rings tried on a fine grid, ropes measured in 3D.

The brute force knows no edges, potentials or tracks. It asks, for places of a D-ring just outside of a wall,
how long the shortest rope from the anchor through free air to the D-ring itself is (``roof3d.taut``, which
has proofs and independent solvers of its own), and takes the lowest place that the line allows.
"""

from __future__ import annotations

import numpy as np
import pytest

from roof3d import taut
from roof3d.building import from_mesh
from roof3d.fall import AnchorRuler, Limits, Terms, Tie, assess, make_boundary, make_segments
from roof3d.records import EdgeSegment, Floats, Roof
from tests.bodies import box, gable, welded

TERMS = Terms(
    attachment=1.5,
    kneeling=0.9,
    deceleration=1.0,
    harness=0.3,
    margin=0.6,
    elongation=0.0,
    weight=1000.0,
    least_force=4000.0,
)
NEEDED = 1.5 + 1.0 + 0.3 + 0.6  # below the D-ring: h, X, k, M
OFF = 0.004  # m from the wall to the D-rings
FINE = 0.02  # m along the wall
CLOSE = 0.02  # m of margin, for the two grids


def segments(roof: Roof, anchor: Floats, length: float) -> list[EdgeSegment]:
    boundary = make_boundary(roof, TERMS.attachment, 90.0)
    guards: list[list[tuple[float, float, str]]] = [[] for _ in boundary.edges]
    ruler = AnchorRuler(anchor, taut.prepare(roof))
    result = assess(boundary, ruler, Tie(length), TERMS, Limits(), guards)
    return [s for s in make_segments(result, TERMS, "A1", guards) if s.margin_m is not None]


def lowest(roof: Roof, anchor: Floats, length: float, foot: Floats) -> Floats:
    """Height of the lowest D-ring on the plumb line through each place ``foot`` (n, 3) of an edge, (n,)."""
    prepared = taut.prepare(roof)
    high, low = foot[:, 2].copy(), foot[:, 2] - length
    for _ in range(14):
        middle = (high + low) / 2
        found = taut.measure(prepared, anchor, np.column_stack((foot[:, :2], middle)))
        allowed = found.lo <= length
        high, low = np.where(allowed, middle, high), np.where(allowed, low, middle)
    return low


def brute_margin(roof: Roof, anchor: Floats, length: float, foot: Floats, top: float) -> float:
    """Least room under a D-ring over a ledge of height ``top`` below the places ``foot``."""
    level = lowest(roof, anchor, length, foot)
    return float(level.min()) - NEEDED - top


def flat_with_ledge(top: float, wall: str) -> Roof:
    """A block of 40 by 10 by 20 m; a ledge on its southern wall 3.6 to 4.4 m east of the middle, or on its
    western wall, 1.5 to 2.3 m from the corner."""
    x0, x1, y0, y1 = (23.6, 24.4, -0.8, 0.0) if wall == "south" else (-0.8, 0.0, 1.5, 2.3)
    return from_mesh(welded([*box(0, 40, 0, 10, 0, 20), *box(x0, x1, y0, y1, 0, top)]))


@pytest.mark.parametrize(("back", "length"), [(1.0, 6.0), (2.0, 7.0), (4.0, 7.5)])
def test_a_ledge_beside_the_foot_has_the_room_that_a_swinging_body_leaves(back: float, length: float) -> None:
    """In the unfolded plane the D-ring swings on a circle about the anchor: it hangs at
    ``sqrt(L^2 - x^2) - b`` beside the foot, deeper than the rope over the edge there leads."""
    top = 12.0
    roof, anchor = flat_with_ledge(top, "south"), np.array([20.0, back, 20.0])
    x = np.arange(23.1, 24.9 + 1e-9, FINE)
    foot = np.column_stack((x, np.full(len(x), -OFF), np.full(len(x), 20.0)))
    far = length**2 - (x - 20.0) ** 2 > 0
    circle = 20.0 + back - np.sqrt(np.where(far, length**2 - (x - 20.0) ** 2, back**2))
    level = lowest(roof, anchor, length, foot)
    hangs = circle < 19.9
    assert level[hangs] == pytest.approx(circle[hangs], abs=0.02)
    over_edge = 20.0 - (length - np.hypot(3.1, back))
    assert level[0] < over_edge - 0.05  # what only the rope over the edge there would give
    mine = [s for s in segments(roof, anchor, length) if s.start[1] == s.end[1] == 0.0 and s.start[2] == 20.0]
    least = min(s.margin_m for s in mine if s.margin_m is not None)
    truth = brute_margin(roof, anchor, length, foot, top)
    assert truth - 0.2 <= least <= truth + CLOSE


@pytest.mark.parametrize("along", [1.0, 2.5])
def test_a_ledge_round_the_corner(along: float) -> None:
    """Tied near a corner, a body swings round it: the wall round the corner unfolds into the same plane."""
    top, length = 12.0, 6.0
    roof, anchor = flat_with_ledge(top, "west"), np.array([along, 0.6, 20.0])
    y = np.arange(1.0, 2.8 + 1e-9, FINE)
    foot = np.column_stack((np.full(len(y), -OFF), y, np.full(len(y), 20.0)))
    mine = [s for s in segments(roof, anchor, length) if s.start[0] == s.end[0] == 0.0 and s.start[2] > 19.0]
    least = min(s.margin_m for s in mine if s.margin_m is not None)
    truth = brute_margin(roof, anchor, length, foot, top)
    # round a corner the straight way counts, as under an overhang, not the way round a flush wall
    assert truth - 0.7 <= least <= truth + CLOSE


@pytest.mark.parametrize(("off", "up", "length"), [(0.8, 8.0, 5.0), (2.0, 9.0, 6.0)])
def test_a_ledge_up_a_rake(off: float, up: float, length: float) -> None:
    """Gable wall 30 m wide, slopes 3 on 4; the ledge lies uphill of the rest point."""
    y0, top = 0.8 * up + 0.6, 26.0
    body = gable(length=40.0, width=30.0, eave=30.0, rise=11.25)
    roof = from_mesh(welded([*body, *box(-0.8, 0.0, y0, y0 + 0.6, 0, top)]))
    anchor = np.array([off, 0.8 * up, 30.0 + 0.6 * up])
    y = np.arange(y0 - 0.5, y0 + 1.1 + 1e-9, FINE)
    foot = np.column_stack((np.full(len(y), -OFF), y, 30.0 + 0.75 * y))
    mine = [s for s in segments(roof, anchor, length) if s.start[0] == s.end[0] == 0.0 and s.start[2] > 19.0]
    least = min(s.margin_m for s in mine if s.margin_m is not None)
    truth = brute_margin(roof, anchor, length, foot, top)
    assert truth - 0.3 <= least <= truth + CLOSE


def test_over_even_ground_nothing_is_worse_than_the_rest_point() -> None:
    roof, anchor = from_mesh(welded(box(0, 40, 0, 10, 0, 20))), np.array([20.0, 1.0, 20.0])
    for s in segments(roof, anchor, 6.0):
        assert s.margin_m == pytest.approx(20.0 - 5.0 - NEEDED, abs=0.015)
