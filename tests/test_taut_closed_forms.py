"""Taut lengths that are known in closed form: one plane, unfoldings, chords, solids seen from outside.

Solids that a rope may pass underneath hang a hundred metres above the ground; the others stand on it. Where a
published answer is for a smooth body (cylinder, cone), a many-sided one is held to its own closed form and
that to the published answer.
"""

from __future__ import annotations

import numpy as np
import pytest

from roof3d import taut
from roof3d.records import Floats, Mesh
from tests.bodies import box, cut, gable, welded
from tests.taut_kit import l_gable, moved, prism

CLOSE = 1e-4  # m, upper ends
BRACKET = 0.001  # m


def check(mesh: Mesh, anchor: Floats, point: Floats, expected: float) -> None:
    """The bracket holds the closed form, from both sides and both ways round."""
    preparation = taut.prepare_mesh(mesh, 0.0)
    for a, p in ((anchor, point), (point, anchor)):
        found = taut.measure(preparation, np.asarray(a, float), np.asarray(p, float)[None])
        assert found.lo[0] <= expected + 1e-9
        assert found.hi[0] == pytest.approx(expected, abs=CLOSE)
        assert found.hi[0] - found.lo[0] <= BRACKET


def hung(triangles: list[Floats]) -> Mesh:
    """A body hung a hundred metres up."""
    return welded(moved(triangles, (0.0, 0.0, 100.0)))


def up(*point: float) -> Floats:
    return np.array(point) + np.array([0.0, 0.0, 100.0])


# ------------------------------------------------------------------------------------------- roofs


def test_on_one_plane_it_is_the_straight_line() -> None:
    house = welded(gable())
    check(house, (1.0, 1.0, 3.75), (9.0, 3.0, 5.25), np.sqrt(64 + 4 + 2.25))
    # a worker's harness above the plane, by Pythagoras
    check(house, (1.0, 1.0, 3.75), (9.0, 3.0, 6.75), np.sqrt(64 + 4 + 9))


def test_over_a_ridge_it_unfolds() -> None:
    """Gable fold: 3 m below the ridge on one side, 4 m on the other, 24 m along: hypot(24, 7) = 25."""
    house = welded(gable(length=30.0))  # slopes of 5 m that rise 3 on 4
    check(house, (3.0, 4 - 3 * 0.8, 6 - 3 * 0.6), (27.0, 4 + 4 * 0.8, 6 - 4 * 0.6), 25.0)


@pytest.mark.parametrize("along", [0.0, 1.0, 3.3, 8.0])
def test_over_ridge_and_eave(along: float) -> None:
    """Two unfoldings: slope 3 m, slope 5 m, wall 2 m, ``along`` the house (plane geometry)."""
    house = welded(gable(length=30.0))
    check(house, (11.0, 4 - 3 * 0.8, 6 - 3 * 0.6), (11.0 + along, 8.0, 1.0), float(np.hypot(10.0, along)))


def test_across_a_valley_it_is_the_chord() -> None:
    """Planes of 30 degrees, 3 m each side: 6 m on the surface, 5.19615 m (2 x 3 cos 30) through the air."""
    c, s = 4 * np.cos(np.pi / 6), 4 * np.sin(np.pi / 6)
    body = welded(prism([(-c, 0.0), (c, 0.0), (c, 2 + s), (0.0, 2.0), (-c, 2 + s)], 0.0, 6.0))
    a = np.array([-3 * np.cos(np.pi / 6), 3.0, 2 + 1.5])
    check(body, a, a * (-1, 1, 1), 2 * 3 * np.cos(np.pi / 6))
    assert 2 * 3 * np.cos(np.pi / 6) == pytest.approx(5.19615, abs=5e-6)


def test_across_the_valley_of_an_l_plan() -> None:
    """From eave to eave across the inner corner: straight, both slopes lie below."""
    house = welded(l_gable())
    a, b = np.array([9.0, 6.0, 3.0]), np.array([6.0, 9.0, 3.0])
    check(house, a, b, float(np.hypot(3, 3)))
    a, b = np.array([8.0, 4.0, 5.0]), np.array([4.0, 8.0, 5.0])
    check(house, a, b, float(np.hypot(4, 4)))


def test_the_far_slope_of_a_hip() -> None:
    """Over a hip by unfolding: square pyramid roof, base 6, rise 3, on walls.

    Opposite mid-points of the eaves: 8.000 (over the apex 8.48528); adjacent ones: 4.89898.
    """
    apex = (3.0, 3.0, 6.0)
    eave = [(0.0, 0.0, 3.0), (6.0, 0.0, 3.0), (6.0, 6.0, 3.0), (0.0, 6.0, 3.0)]
    walls = box(0, 6, 0, 6, 0, 3)
    body = welded([walls[0], *walls[2:], *(cut([eave[i], eave[(i + 1) % 4], apex]) for i in range(4))])
    check(body, (3.0, 0.0, 3.0), (3.0, 6.0, 3.0), 8.0)
    check(body, (3.0, 0.0, 3.0), (6.0, 3.0, 3.0), np.sqrt(24))
    check(body, (3.0, 0.0, 3.0), apex, np.sqrt(18))


# --------------------------------------------------------------------- solids seen from outside


def test_spider_and_fly() -> None:
    """H. E. Dudeney, The Canterbury Puzzles (1907), "The Spider and the Fly": 40, over five faces.

    A room 30 x 12 x 12; spider 1 below the ceiling at the middle of an end, fly 1 above the floor at the
    middle of the other. The unfolding is the same seen from outside.
    """
    check(hung(box(0, 30, 0, 12, 0, 12)), up(0, 6, 11), up(30, 6, 1), 40.0)


def test_spider_and_fly_on_the_ground() -> None:
    """The same, but nothing passes underneath: the best of the other ways, hypot(37, 17) = 40.7185."""
    rival = float(np.hypot(37, 17))
    assert rival == pytest.approx(40.7185, abs=5e-5)
    check(welded(box(0, 30, 0, 12, 0, 12)), np.array([0, 6.0, 11]), np.array([30.0, 6, 1]), rival)


@pytest.mark.parametrize(
    ("size", "a", "b", "expected"),
    [
        # opposite vertices of the unit cube (textbook problem of unfolding)
        ((1, 1, 1), (0, 0, 0), (1, 1, 1), np.sqrt(5)),
        # between faces of the unit cube (textbook problem); straight through it 1.03078
        ((1, 1, 1), (0.5, 0, 0.25), (0, 0.75, 0.75), np.sqrt(29) / 4),
        # opposite corners of a box 1 x 2 x 3: the least of sqrt 18, sqrt 20, sqrt 26 (unfolding)
        ((1, 2, 3), (0, 0, 0), (1, 2, 3), np.sqrt(18)),
        # box 1 x 1 x 2: the farthest place from a corner is not the opposite corner (Kotani's ant; unfolding)
        ((1, 1, 2), (0, 0, 0), (0.75, 0.75, 2), np.sqrt(130) / 4),
        ((1, 1, 2), (0, 0, 0), (1, 1, 2), np.sqrt(8)),
    ],
)
def test_boxes_seen_from_outside(size: Floats, a: Floats, b: Floats, expected: float) -> None:
    body = hung(box(0, size[0], 0, size[1], 0, size[2]))
    check(body, up(*a), up(*b), float(expected))


def many_sided(sides: int, height: float, rise: float = 0.0) -> Mesh:
    """A prism with corners on the unit circle, standing on the ground, under a pyramid of ``rise``."""
    angle = 2 * np.pi * np.arange(sides) / sides
    ring = [(float(np.cos(w)), float(np.sin(w))) for w in angle]
    low, high = [(*p, 0.0) for p in ring], [(*p, height) for p in ring]
    faces = [cut(low[::-1])]
    faces += [cut([low[i], low[(i + 1) % sides], high[(i + 1) % sides], high[i]]) for i in range(sides)]
    if rise:
        apex = (0.0, 0.0, height + rise)
        faces += [cut([high[i], high[(i + 1) % sides], apex]) for i in range(sides)]
    else:
        faces.append(cut(high))
    return welded(faces)


def test_half_way_round_a_cylinder() -> None:
    """Radius 1, half a turn, 2 up: hypot(pi, 2) = 3.72419 (helix); a 16-sided prism has nearly that."""
    sides = 16
    middle = np.cos(np.pi / sides) * np.array([np.cos(np.pi / sides), np.sin(np.pi / sides), 0.0])
    expected = float(np.hypot(sides * np.sin(np.pi / sides), 2.0))
    check(many_sided(sides, 20.0), middle + up(0, 0, -91), up(0, 0, -89) - middle, expected)
    assert expected == pytest.approx(3.72419, rel=0.005)


@pytest.mark.parametrize(("slant", "published"), [(3.0, 3.0), (2.0, 2.82843)])
def test_over_a_cone(slant: float, published: float) -> None:
    """Cone of radius 1, between opposite points of its rim (unfolding to a sector); 12-sided here."""
    sides = 12
    turn = sides // 2 * 2 * np.arcsin(np.sin(np.pi / sides) / slant)
    expected = float(2 * slant * np.sin(turn / 2))
    body = many_sided(sides, 5.0, float(np.sqrt(slant**2 - 1)))
    check(body, np.array([1.0, 0, 5]), np.array([-1.0, 0, 5]), expected)
    assert expected == pytest.approx(published, rel=0.015)


def test_reach_over_a_pyramid() -> None:
    """Reach of 2 from the apex of a square pyramid, base 6, rise 3: 9.84768 m2 on the roof.

    Four sectors of radius 2 and the faces' angle at the apex, 2 atan(3 / sqrt 18); a flat disc has 12.566.
    """
    apex = np.array([3.0, 3.0, 6.0])
    eave = np.array([(0.0, 0.0, 3.0), (6.0, 0.0, 3.0), (6.0, 6.0, 3.0), (0.0, 6.0, 3.0)])
    walls = box(0, 6, 0, 6, 0, 3)
    faces = [cut([eave[i], eave[(i + 1) % 4], apex]) for i in range(4)]
    preparation = taut.prepare_mesh(welded([walls[0], *walls[2:], *faces]), 0.0)
    n = 120
    i, j = (v.ravel() for v in np.meshgrid(np.arange(n), np.arange(n)))
    inner = i + j < n - 1
    u, v = (i[inner] + 1 / 3) / n, (j[inner] + 1 / 3) / n
    at = np.concatenate(
        [apex + u[:, None] * (eave[k] - apex) + v[:, None] * (eave[(k + 1) % 4] - apex) for k in range(4)]
    )
    found = taut.measure(preparation, apex, at)
    cell = 2 * 0.5 * 6 * np.sqrt(18) / n**2  # a rhombus of the grid
    expected = 4 * np.arctan(3 / np.sqrt(18)) * 4
    assert expected == pytest.approx(9.84768, abs=5e-6)
    assert cell * (found.hi <= 2).sum() == pytest.approx(expected, rel=0.01)
    assert (found.hi <= 2).sum() <= (found.lo <= 2).sum() <= (found.hi <= 2.001).sum()


def test_round_a_block() -> None:
    """Rope of 15 tied at an outside corner of a 10 x 10 block: 569.4137 = 3/4 pi 15^2 + 2 x 1/4 pi 5^2."""
    preparation = taut.prepare_mesh(welded(box(0, 10, 0, 10, 0, 60)), 0.0)
    anchor = np.array([0.0, 0.0, 5.0])
    grid = np.arange(-15.25, 15.5, 0.5)
    x, y = (v.ravel() for v in np.meshgrid(grid, grid))
    outside = (x < 0) | (y < 0) | (x > 10) | (y > 10)
    points = np.column_stack((x, y, np.full(len(x), 5.0)))[outside]
    found = taut.measure(preparation, anchor, points, 40.0)
    served, at_most = 0.25 * (found.hi <= 15).sum(), 0.25 * (found.lo <= 15).sum()
    area = 0.75 * np.pi * 225 + 0.5 * np.pi * 25
    assert area == pytest.approx(569.4137, abs=5e-5)
    assert served == pytest.approx(area, rel=0.01)
    assert served <= at_most <= served + 2.0
    edge = taut.measure(preparation, anchor, np.array([[13.0, 4.0, 5.0], [-3.0, 4.0, 5.0]]))
    assert edge.hi == pytest.approx([15.0, 5.0], abs=CLOSE)
