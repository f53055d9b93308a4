"""What lies below: exact clipping over the footprint, checked against hand-made geometry."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely

from roof3d.building import build
from roof3d.levels import INSET_M, fill_drops, prepare, profiles
from tests.fall_roofs import box, flat_edges, flat_roof, make_roof, mono_roof


def stepped(low: float = 3.0, gap: float = 0.0, **kw):
    """A 6 m high block, and a lower one east of it behind a gap."""
    facets = box(0, 10, 0, 10, 0, 6, "1") + box(10 + gap, 20, 0, 10, 0, low, "2")
    edges = flat_edges(0, 10, 0, 10, 6, "P1") + flat_edges(10 + gap, 20, 0, 10, low, "P2", "L")
    return make_roof(facets, edges, **kw)


def test_ground_stands_in_where_the_mesh_has_nothing():
    roof = fill_drops(flat_roof(height=6.0))
    assert [edge.drop_m for edge in roof.edges] == pytest.approx([6.0] * 4)


def test_own_wall_is_slid_along_not_struck():
    z, what = prepare(flat_roof(height=6.0)).highest(
        np.array([[10.0, 0.0, 6.0]]), np.array([[0.0, -1.0, 0.0]]), 1.5, 0.5
    )
    assert z[0] == 0.0
    assert what == ("ground",)


def test_lower_roof_next_to_the_edge():
    roof = fill_drops(stepped(3.0))
    drops = {edge.id: edge.drop_m for edge in roof.edges}
    assert drops["E2"] == pytest.approx(3.0)
    assert drops["E4"] == pytest.approx(6.0)


@pytest.mark.parametrize(("gap", "drop"), [(1.49, 3.0), (1.51, 6.0)])
def test_footprint_reaches_as_far_as_a_body_tips(gap, drop):
    roof = fill_drops(stepped(3.0, gap))
    assert {edge.id: edge.drop_m for edge in roof.edges}["E2"] == pytest.approx(drop)


def test_a_ledge_narrower_than_any_sampling_step_is_found():
    ledge = box(4.0, 4.02, -0.3, -0.1, 0, 5.0, "L")
    roof = make_roof(box(0, 10, 0, 10, 0, 6, "1") + ledge, flat_edges(0, 10, 0, 10, 6, "P1"))
    assert fill_drops(roof).edges[0].drop_m == pytest.approx(1.0)
    profile = profiles(roof)["E1"]
    mid = (profile.at[:-1] + profile.at[1:]) / 2
    near = (mid > 4.0 - 0.5) & (mid < 4.02 + 0.5)
    assert (profile.top[near] == 5.0).all()
    far = (mid < 4.0 - 0.52) | (mid > 4.02 + 0.52)
    assert (profile.top[far] == 0.0).all()


def test_sloping_ground_is_clipped_exactly():
    ground = ("G1", "ground", [(-50, -50, -5), (50, -50, -5), (50, 50, 5), (-50, 50, 5)])  # z = y / 10
    roof = make_roof([ground, *box(0, 10, 0, 10, -2, 6, "1")], flat_edges(0, 10, 0, 10, 6, "P1"), grade=-5.0)
    below = prepare(roof)
    z, what = below.highest(np.array([[5.0, 0.0, 6.0]]), np.array([[0.0, -1.0, 0.0]]), 1.5, 0.5)
    assert z[0] == pytest.approx(0.0, abs=1e-12)  # at the foot of the edge itself
    assert what == ("ground G1",)
    z, _ = below.highest(np.array([[10.0, 5.0, 6.0]]), np.array([[1.0, 0.0, 0.0]]), 1.5, 0.5)
    assert z[0] == pytest.approx(0.55)


def test_clipping_agrees_with_shapely_on_random_triangles():
    """Independent reference: shapely cuts the triangle in plan; its corners carry the greatest height."""
    rng = np.random.default_rng(7)
    found = 0
    for _ in range(60):
        ring = rng.uniform(-3, 3, (3, 3))
        if np.cross(ring[1] - ring[0], ring[2] - ring[0])[2] < 0:
            ring = ring[::-1]
        normal = np.cross(ring[1] - ring[0], ring[2] - ring[0])
        if normal[2] < 0.3 * np.linalg.norm(normal):
            continue  # steep: not landed on
        roof = make_roof([("P9", "roof", ring)], [], grade=-100.0)
        angle = rng.uniform(0, 2 * np.pi)
        out = np.array([np.cos(angle), np.sin(angle), 0.0])
        along = np.array([-out[1], out[0], 0.0])
        z, _ = prepare(roof).highest(np.array([[0.0, 0.0, 50.0]]), out[None], 1.5, 0.5)
        corners = [a * 0.5 * along + b * out for a, b in ((-1, INSET_M), (1, INSET_M), (1, 1.5), (-1, 1.5))]
        cut = shapely.Polygon(ring[:, :2]).intersection(shapely.Polygon([c[:2] for c in corners]))
        if cut.is_empty or cut.area < 1e-9:
            assert z[0] == -100.0
            continue
        found += 1
        # what reaches beyond the first centimetres counts up to the edge itself
        corners = [a * 0.5 * along + b * out for a, b in ((-1, 0.0), (1, 0.0), (1, 1.5), (-1, 1.5))]
        cut = shapely.Polygon(ring[:, :2]).intersection(shapely.Polygon([c[:2] for c in corners]))
        xy = np.array(cut.exterior.coords)
        heights = ring[0, 2] - ((xy - ring[0, :2]) @ normal[:2]) / normal[2]
        assert z[0] == pytest.approx(heights.max(), abs=1e-9)
    assert found > 10


def test_what_rises_beside_the_edge_is_in_the_way_and_not_below():
    tower = box(10, 14, 4, 6, 0, 12, "T")
    roof = make_roof(box(0, 10, 0, 10, 0, 6, "1") + tower, flat_edges(0, 10, 0, 10, 6, "P1"))
    profile = profiles(roof)["E2"]
    mid = (profile.at[:-1] + profile.at[1:]) / 2
    beside = (mid > 3.55) & (mid < 6.45)
    assert all(way for way, inside in zip(profile.in_the_way, beside, strict=True) if inside)
    assert not any(way for way, m in zip(profile.in_the_way, mid, strict=True) if m < 3.48 or m > 6.52)
    assert (profile.top == 0.0).all()


def test_a_free_standing_sheet_counts_at_its_rim():
    sheet = ("W9", "wall", [(4, -1, 0), (6, -1, 0), (6, -1, 2.5), (4, -1, 2.5)])
    roof = make_roof(
        [*box(0, 10, 0, 10, 0, 6, "1"), sheet], flat_edges(0, 10, 0, 10, 6, "P1"), oriented=False
    )
    assert fill_drops(roof).edges[0].drop_m == pytest.approx(3.5)


def test_leaning_wall_below_the_eave_is_slid_along():
    facets = [
        ("P1", "roof", [(0, 0, 6), (10, 0, 6), (10, 10, 6), (0, 10, 6)]),
        ("W1", "wall", [(0, -0.5, 0), (10, -0.5, 0), (10, 0, 6), (0, 0, 6)]),  # 85 degrees
    ]
    roof = make_roof(facets, flat_edges(0, 10, 0, 10, 6, "P1")[:1], oriented=False)
    z, _ = prepare(roof).highest(np.array([[5.0, 0.0, 6.0]]), np.array([[0.0, -1.0, 0.0]]), 1.5, 0.5)
    assert z[0] == 0.0


def test_higher_ground_never_lowers_what_lies_below():
    roof = stepped(3.0)
    for edge in ("E1", "E2", "L2"):
        last = -np.inf
        for grade in (-1.0, 0.0, 1.0, 2.9, 3.5):
            drop = {e.id: e.drop_m for e in fill_drops(replace(roof, grade=grade)).edges}[edge]
            assert -drop >= last - 1e-12
            last = -drop


@pytest.mark.parametrize("angle", [0.3, 1.1, 2.0])
def test_turning_the_building_changes_nothing(angle):
    c, s = np.cos(angle), np.sin(angle)
    turn = np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]])
    facets = box(0, 10, 0, 10, 0, 6, "1") + box(10.4, 20, 2, 7, 0, 3, "2")
    edges = flat_edges(0, 10, 0, 10, 6, "P1")
    plain = profiles(make_roof(facets, edges))
    turned = profiles(
        make_roof(
            [(n, k, np.array(r) @ turn.T) for n, k, r in facets],
            [(n, k, f, o, turn @ np.array(p), turn @ np.array(q)) for n, k, f, o, p, q in edges],
        )
    )
    for name, profile in plain.items():
        at = np.linspace(0.003, 9.997, 457)
        here = profile.top[np.searchsorted(profile.at, at) - 1]
        there = turned[name].top[np.searchsorted(turned[name].at, at) - 1]
        assert np.mean(np.abs(here - there) > 1e-6) < 0.01


def test_rake_steps_follow_the_ground_below():
    roof = fill_drops(mono_roof(1.0, 5.0))
    drops = {edge.id: edge.drop_m for edge in roof.edges}
    assert drops["E1"] == pytest.approx(6.0)
    assert drops["E3"] == pytest.approx(11.0)
    assert drops["E2"] == pytest.approx(6.0)


def notched(extra=()):
    """A level roof with a notch in its south edge, over a building with a floor inside at 3 m."""
    facets = [
        ("P1", "roof", [(0, 2, 6), (20, 2, 6), (20, 10, 6), (0, 10, 6)]),
        ("F1", "underside", [(0, 0, 3), (9, 0, 3), (9, 10, 3), (0, 10, 3)]),
        ("F2", "roof", [(0, 0, 6), (9, 0, 6), (9, 2, 6), (0, 2, 6)]),
        *extra,
    ]
    edges = [("E1", "flat", True, ("P1",), (9, 2, 6), (20, 2, 6))]
    return make_roof(facets, edges)


def test_a_floor_under_the_roof_is_not_landed_on_from_beside_it():
    """Beside the notch's corner the footprint reaches under the next roof; its floor is inside there."""
    assert profiles(notched())["E1"].top.max() == 0.0


def test_a_floor_that_sticks_out_from_under_the_roof_is():
    balcony = ("F3", "underside", [(9, 0, 3), (9.3, 0, 3), (9.3, 2, 3), (9, 2, 3)])
    profile = profiles(notched([balcony]))["E1"]
    assert profile.top[0] == 3.0
    assert profile.top[-1] == 0.0


def test_far_rim_of_a_hole_in_one_steep_plane_is_in_the_way(tmp_path):
    """Plane geometry: a hole 0.6 m wide in a plane of 45 degrees; its lower rim is 0.6 m down."""
    xs, ys = (0.0, 3.0, 4.0, 7.0), (0.0, 2.0, 2.6, 5.0)
    lines = [f"v {x} {y} {6.0 - y}" for y in ys for x in xs]
    for j in range(3):
        for i in range(3):
            first = 4 * j + i + 1
            if (i, j) != (1, 1):
                lines.append(f"f {first} {first + 1} {first + 5} {first + 4}")
    path = tmp_path / "hole.obj"
    path.write_text("\n".join(lines))
    roof = build(path, unit="m", up="z", grade=-5.0)
    at = {edge.id: roof.to_loaded(edge.points)[:, 1] for edge in roof.edges if edge.kind == "opening"}
    upper = next(name for name, y in at.items() if np.abs(y - 2.0).max() < 0.01)
    profile = profiles(roof)[upper]
    assert roof.to_loaded(np.array([0.0, 0.0, profile.top.max()]))[2] == pytest.approx(-5.0)
    assert all("roof plane" in way for way in profile.in_the_way)  # the lower rim, 0.6 m down
    # over the eave nothing of the own plane lies outward
    side = next(e for e in roof.edges if e.kind == "eave")
    assert not any(profiles(roof)[side.id].in_the_way)
