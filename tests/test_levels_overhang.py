"""What lies under an overhang, inward of the plumb line through its edge: by hand and by dense rays."""

from __future__ import annotations

import numpy as np
import pytest

from roof3d.building import from_mesh
from roof3d.check import check
from roof3d.levels import profiles
from roof3d.levels.covered import hit
from roof3d.records import Anchor, Edge, Floats, Line, Plan, Roof
from tests.bodies import box, cut, welded

JUTS = 1.0  # m, the roof over its walls


def house(*more: list[Floats], walls: bool = True) -> Roof:
    """A level roof of 12 by 12 m, 6.3 m high and 0.3 m thick, on a block of 10 by 10 m or on corner posts."""
    roof = box(-JUTS, 10 + JUTS, -JUTS, 10 + JUTS, 6.0, 6.3)
    below = box(0, 10, 0, 10, 0, 6)
    if not walls:
        below = [face for x in (0.0, 9.8) for y in (0.0, 9.8) for face in box(x, x + 0.2, y, y + 0.2, 0, 6)]
    return from_mesh(welded([*roof, *below, *[face for part in more for face in part]]))


def south(roof: Roof) -> Edge:
    (edge,) = (e for e in roof.edges if e.fall and (e.points[:, 1] == -JUTS).all() and e.points[0, 2] > 6)
    return edge


def top_at(roof: Roof, x: float) -> float:
    """Height of what lies below a place of the southern edge."""
    edge = south(roof)
    profile = profiles(roof)[edge.id]
    at = abs(x - float(edge.points[0, 0]))
    row = int(np.searchsorted(profile.at, at, side="right")) - 1
    return float(profile.top[row])


def test_a_terrace_under_the_overhang_counts() -> None:
    roof = house(box(3, 7, -0.8, 0.0, 0, 4))
    assert top_at(roof, 5.0) == pytest.approx(4.0)
    assert top_at(roof, 2.55) == pytest.approx(4.0)  # half a body's width beside it
    assert top_at(roof, 2.4) == 0.0
    assert top_at(roof, 7.45) == pytest.approx(4.0)
    assert top_at(roof, 8.0) == 0.0


def test_what_stands_outside_and_higher_still_counts() -> None:
    roof = house(box(3, 7, -0.8, 0.0, 0, 4), box(3, 7, -2.0, -1.2, 0, 4.5))
    assert top_at(roof, 5.0) == pytest.approx(4.5)


def test_a_wall_hides_what_is_behind_it() -> None:
    assert top_at(house(box(3, 7, 0.1, 5.0, 0, 4)), 5.0) == 0.0


def test_without_a_wall_it_counts_as_far_in_as_a_body_swings() -> None:
    """1.5 m, as far as it tips outward."""
    assert top_at(house(box(3, 7, 0.1, 5.0, 0, 4), walls=False), 5.0) == pytest.approx(4.0)
    assert top_at(house(box(3, 7, 0.55, 5.0, 0, 4), walls=False), 5.0) == 0.0


def test_rising_ground_under_an_open_roof_counts_where_a_body_gets_to() -> None:
    """The ground rises from 1 m under the edge by 1 in 2 inward."""
    slope = [(-50.0, -1.0, 1.0), (60.0, -1.0, 1.0), (60.0, 12.0, 7.5), (-50.0, 12.0, 7.5)]
    level = [(-50.0, -50.0, 1.0), (60.0, -50.0, 1.0), (60.0, -1.0, 1.0), (-50.0, -1.0, 1.0)]
    roof = from_mesh(welded([*box(-JUTS, 10 + JUTS, -JUTS, 6.0, 6.0, 6.3), cut(slope), cut(level)]))
    assert top_at(roof, 5.0) == pytest.approx(1.0 + 1.5 / 2, abs=0.08)


def test_the_top_of_a_wall_close_under_the_roof_is_none_to_land_on() -> None:
    """A sheet that ends 3 cm under the roof, as open models have them; one that ends 1 m under it counts."""
    for top, counts in ((6.0, 0.0), (5.99, 0.0), (5.97, 0.0), (5.0, 5.0)):
        sheet = cut([(-0.5, -0.5, 0.0), (10.5, -0.5, 0.0), (10.5, -0.5, top), (-0.5, -0.5, top)])
        faces = [*box(-JUTS, 10 + JUTS, -JUTS, 10 + JUTS, 6.0, 6.3), sheet]
        roof = from_mesh(welded(faces, oriented=False), grade=0.0)
        assert top_at(roof, 5.0) == pytest.approx(counts)


def test_the_room_shrinks_by_it() -> None:
    bare, built = house(), house(box(3, 7, -0.8, 0.0, 0, 4))
    plan = Plan(anchors=(Anchor("A1", (5.0, 2.0, 6.35)),), line=Line(length=4.0))
    least = [check(roof, plan).worst_margin_m for roof in (bare, built)]
    assert least[0] is not None and least[1] is not None
    assert least[1] == pytest.approx(least[0] - 4.0, abs=0.02)


def test_dense_rays_find_nothing_higher() -> None:
    """From places on the plumb plane below the edge straight inward to surfaces that look up, no ray that
    meets nothing on its way ends higher than what the profile tells."""
    rng = np.random.default_rng(11)
    for _ in range(6):
        parts = []
        for _ in range(4):
            x, y = rng.uniform(0, 9), rng.uniform(-0.9, 0.6)
            size = rng.uniform((0.2, 0.1, 0.5), (3.0, 1.5, 5.5))
            parts.append(box(x, x + size[0], y, y + size[1], 0, size[2]))
        roof = house(*parts, walls=bool(rng.random() < 0.5))
        corners = roof.mesh.vertices[roof.mesh.triangles]
        x = rng.uniform(-0.9, 10.9, 400)
        place = np.column_stack((x, rng.uniform(-0.99, 0.5, 400), np.full(400, 6.0 - 1e-3)))
        heights = np.full(400, np.inf)
        for k, (px, py, _) in enumerate(place):
            tops = [p[:, :, 2].max() for p in _tops(corners) if _covers(p[0], px, py)]
            heights[k] = max((t for t in tops if t < 5.9), default=0.0)
        target = np.column_stack((place[:, :2], heights + 0.01))
        seen = ~hit(np.column_stack((x, np.full(400, -JUTS - 0.005), target[:, 2])), target, corners)
        for px, h in zip(x[seen], heights[seen], strict=True):
            assert top_at(roof, float(px)) >= h - 1e-6


def _tops(corners: Floats) -> list[Floats]:
    """Level triangles that look up, each in a list of its own."""
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    return [corners[k : k + 1] for k in np.flatnonzero(normal[:, 2] > 1e-9)]


def _covers(corner: Floats, x: float, y: float) -> bool:
    a, b, c = corner[:, :2]
    sides = [(q[0] - p[0]) * (y - p[1]) - (q[1] - p[1]) * (x - p[0]) for p, q in ((a, b), (b, c), (c, a))]
    return min(sides) >= 0
