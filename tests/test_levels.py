"""What lies below: exact clipping over the footprint, checked against hand-made geometry."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely

from roof3d.building import build, from_mesh
from roof3d.levels import INSET_M, fill_drops, prepare, profiles
from tests import bodies
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
        ("W1", "wall", [(9, 2, 0), (20, 2, 0), (20, 2, 6), (9, 2, 6)]),
        ("W2", "wall", [(9, 0, 0), (9, 2, 0), (9, 2, 6), (9, 0, 6)]),
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


def test_far_rim_of_a_hole_in_one_steep_plane_is_what_lies_below(tmp_path):
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
    at = {edge.id: roof.to_loaded(edge.points) for edge in roof.edges if edge.kind == "opening"}
    upper = next(name for name, p in at.items() if np.abs(p[:, 1] - 2.0).max() < 0.01)
    profile = profiles(roof)[upper]
    assert np.array([roof.to_loaded(np.array([0.0, 0.0, z]))[2] for z in profile.top]) == pytest.approx(3.4)
    assert all("roof plane" in what for what in profile.what)  # the lower rim, 0.6 m down
    # across the hole the other side's rim lies as high: what falls in strikes it
    side = next(name for name, p in at.items() if np.abs(p[:, 0] - 3.0).max() < 0.01)
    assert all("roof plane" in way for way in profiles(roof)[side].in_the_way)
    # over the eave nothing of the own plane lies outward
    eave = next(e for e in roof.edges if e.kind == "eave")
    assert not any(profiles(roof)[eave.id].in_the_way)
    assert roof.to_loaded(np.array([0.0, 0.0, profiles(roof)[eave.id].top.max()]))[2] == pytest.approx(-5.0)


def test_far_rim_of_a_level_hole_is_in_the_way():
    """A level roof round a hole of one metre: all four rims lie at one height."""
    facets = box(0, 10, 0, 10, 0, 6, "1")[1:]
    ring = [(0, 0, 6), (10, 0, 6), (10, 4.5, 6), (0, 4.5, 6)]
    roof = make_roof(
        [("P1", "roof", ring), *facets], [("E1", "flat", True, ("P1",), (4, 4.5, 6), (5, 4.5, 6))]
    )
    # the far part of the same plane, as two triangles of it
    far = [(0, 5.5, 6), (10, 5.5, 6), (10, 10, 6), (0, 10, 6)]
    both = make_roof([("P1", "roof", ring), ("P2", "roof", far), *facets], [])
    plane = replace(
        both.facets[0], triangles=np.concatenate((both.facets[0].triangles, both.facets[1].triangles))
    )
    whole = replace(both, facets=(plane, *both.facets[2:]), edges=roof.edges, graph=roof.graph, cache={})
    assert all(profiles(whole)["E1"].in_the_way)
    assert not any(profiles(roof)["E1"].in_the_way)


def under_a_canopy(wall: bool):
    """An edge at 6 m, a taller part beside it whose roof hangs over at 9 m, and a deck under that at 4 m."""
    facets = [
        *box(0, 10, 0, 10, 0, 6, "1"),
        ("P2", "roof", [(10, -3, 9), (20, -3, 9), (20, 13, 9), (10, 13, 9)]),
        ("F1", "underside", [(10.2, 0, 4), (20, 0, 4), (20, 10, 4), (10.2, 10, 4)]),
    ]
    if wall:
        facets.append(("W9", "wall", [(10.1, -3, 0), (10.1, 13, 0), (10.1, 13, 9), (10.1, -3, 9)]))
    return make_roof(facets, flat_edges(0, 10, 0, 10, 6, "P1"))


def test_a_deck_under_a_higher_roof_is_landed_on_unless_a_wall_keeps_it_off():
    """One gets under a roof three metres up; behind a wall the same deck is a floor of the next house."""
    assert profiles(under_a_canopy(wall=False))["E2"].top == pytest.approx(4.0)
    assert profiles(under_a_canopy(wall=True))["E2"].top.max() == 0.0


def test_where_the_ground_of_the_model_ends_the_level_that_stands_in_counts():
    ground = ("G1", "ground", [(-1, -1, 0), (11, -1, 0), (11, 11, 0), (-1, 11, 0)])
    roof = make_roof([ground, *box(0, 10, 0, 10, 0, 6, "1")], flat_edges(0, 10, 0, 10, 6, "P1"), grade=0.8)
    for edge in ("E1", "E2"):
        assert profiles(roof)[edge].top == pytest.approx(0.8)
    wide = ("G1", "ground", [(-3, -3, 0), (13, -3, 0), (13, 13, 0), (-3, 13, 0)])
    roof = make_roof([wide, *box(0, 10, 0, 10, 0, 6, "1")], flat_edges(0, 10, 0, 10, 6, "P1"), grade=0.8)
    for edge in ("E1", "E2"):
        assert profiles(roof)[edge].top == pytest.approx(0.0)


def test_a_body_may_tip_over_a_corner_between_its_two_edges():
    """A pier that only the way over the corner meets: neither edge's own footprint reaches it."""
    pier = box(10.6, 11.0, 10.6, 11.0, 0, 4, "T")
    roof = make_roof(box(0, 10, 0, 10, 0, 6, "1") + pier, flat_edges(0, 10, 0, 10, 6, "P1"))
    east, north = profiles(roof)["E2"], profiles(roof)["E3"]
    for profile, near in ((east, lambda at: at > 9.5), (north, lambda at: at < 0.5)):
        mid = (profile.at[:-1] + profile.at[1:]) / 2
        assert profile.top[near(mid)] == pytest.approx(4.0)
        assert profile.top[~near(mid)].max() == 0.0
    assert profiles(roof)["E1"].top.max() == 0.0
    # a mast as high as the edge is in the way there, not below
    mast = box(10.7, 10.9, 10.7, 10.9, 0, 9, "T")
    roof = make_roof(box(0, 10, 0, 10, 0, 6, "1") + mast, flat_edges(0, 10, 0, 10, 6, "P1"))
    east = profiles(roof)["E2"]
    assert [bool(way) for way in east.in_the_way] == [
        bool(mid > 9.5) for mid in (east.at[:-1] + east.at[1:]) / 2
    ]


def test_a_finer_mesh_changes_nothing():
    """Each triangle cut into 256: planes are cut anew from their outlines, sheets keep their tops."""
    sheet = bodies.cut([(3.0, -1.0, 0.0), (6.0, -1.0, 0.0), (6.0, -1.0, 2.5), (3.0, -1.0, 2.5)])
    coarse = [*bodies.gable(), *bodies.box(12, 18, 1, 5, 0, 2.5), sheet]
    fine = []
    for face in coarse:
        for _ in range(4):
            a, b, c = face[:, 0], face[:, 1], face[:, 2]
            ab, bc, ca = (a + b) / 2, (b + c) / 2, (c + a) / 2
            quarters = ((a, ab, ca), (ab, b, bc), (ca, bc, c), (ab, bc, ca))
            face = np.concatenate([np.stack(quarter, axis=1) for quarter in quarters])
        fine.append(face)
    plain, finer = (from_mesh(bodies.welded(faces, oriented=False)) for faces in (coarse, fine))
    assert len(prepare(finer).corners) < sum(len(face) for face in fine) / 20
    assert min(edge.drop_m for edge in plain.edges if edge.fall) == pytest.approx(0.5, abs=0.01)
    for one, other in zip(plain.edges, finer.edges, strict=True):
        assert one.points == pytest.approx(other.points, abs=1e-5)
        assert one.drop_m == pytest.approx(other.drop_m, abs=1e-5)
    for name, profile in profiles(plain).items():
        assert profiles(finer)[name].top == pytest.approx(profile.top, abs=1e-5)
        assert profiles(finer)[name].in_the_way == profile.in_the_way
