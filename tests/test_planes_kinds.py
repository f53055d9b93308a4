"""Roof, wall, ground and underside told apart on small bodies with known answers."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from roof3d.building import from_mesh
from roof3d.errors import InputError
from roof3d.planes import find_facets
from roof3d.planes.names import is_ground
from roof3d.records import Edge, Facet, Mesh, Roof
from tests.bodies import box, cut, gable, welded


def roofs(mesh: Mesh, grade: float | None = None) -> list[Facet]:
    return [facet for facet in find_facets(mesh, grade=grade)[0] if facet.kind == "roof"]


def kinds(roof: Roof) -> dict[str, float]:
    found: dict[str, float] = {}
    for edge in roof.edges:
        key = f"{edge.kind}{' fall' if edge.fall else ''}"
        found[key] = found.get(key, 0.0) + edge.length_m
    return found


def test_gable_in_closed_form() -> None:
    length, width, eave, rise = 10.0, 8.0, 3.0, 3.0
    slope = np.hypot(width / 2, rise)
    roof = from_mesh(welded(gable(length, width, eave, rise)))
    assert [p.area_m2 for p in roof.planes] == pytest.approx([length * slope] * 2)
    assert [p.pitch_deg for p in roof.planes] == pytest.approx([np.degrees(np.arctan2(rise, width / 2))] * 2)
    assert sorted(p.azimuth_deg for p in roof.planes) == pytest.approx([0.0, 180.0])
    assert kinds(roof) == pytest.approx({"ridge": length, "eave fall": 2 * length, "rake fall": 4 * slope})
    for edge in roof.edges:
        if edge.outward is not None:
            plane = next(p for p in roof.planes if p.id == edge.facets[0])
            inward = plane.centroid - edge.points.mean(axis=0)
            assert float(edge.outward @ inward) < 0
            assert edge.outward[2] == 0.0
            # seen from outside the plane lies on the left
            assert float(np.cross(edge.points[1] - edge.points[0], inward) @ plane.normal) > 0


def test_triangles_are_counted_to_their_facets_once() -> None:
    mesh = welded(gable())
    facets, _ = find_facets(mesh)
    rows = np.concatenate([facet.triangles for facet in facets])
    assert sorted(rows.tolist()) == list(range(len(mesh.triangles)))


def slab(thickness: float) -> Mesh:
    """A mono-pitch slab, 6 x 4 m in plan, rising 1 in 2 along x."""
    top = [(0, 0, 0), (6, 0, 3), (6, 4, 3), (0, 4, 0)]
    low = [(x, y, z - thickness) for x, y, z in top]
    sides = [[low[i], low[(i + 1) % 4], top[(i + 1) % 4], top[i]] for i in range(4)]
    return welded([cut(top), cut(low[::-1]), *[cut(side) for side in sides]])


@pytest.mark.parametrize("thickness", [0.02, 0.05, 0.3, 1.0])
def test_only_the_top_of_a_slab_is_roof(thickness: float) -> None:
    planes = roofs(slab(thickness))
    assert [p.area_m2 for p in planes] == pytest.approx([24 * np.sqrt(1.25)])
    assert planes[0].centroid == pytest.approx([3.0, 2.0, 1.5])
    edges = from_mesh(slab(thickness)).edges
    assert sorted(e.kind for e in edges) == ["eave", "rake", "rake", "top"]
    assert all(e.fall for e in edges)


def test_a_sheet_facing_down_is_still_a_roof() -> None:
    sheet = welded([cut([(0, 0, 0), (0, 4, 0), (6, 4, 3), (6, 0, 3)])], oriented=False)
    planes = roofs(sheet)
    assert len(planes) == 1
    assert planes[0].normal[2] > 0
    assert planes[0].azimuth_deg == pytest.approx(270.0)


def test_rooms_inside_are_no_roof() -> None:
    """Floors, a beam and a table under a roof slab; a terrace in front of the house stays roof."""
    house = [*box(0, 8, 0, 6, 3, 3.3), *box(0, 0.3, 0, 6, 0, 3), *box(7.7, 8, 0, 6, 0, 3)]
    inside = [*box(0.3, 7.7, 0, 6, 0, 0.2), *box(3, 3.2, 0, 6, 2.6, 2.9), *box(4, 5, 2, 3, 0.2, 1.0)]
    planes = roofs(welded([*house, *inside]))
    assert [round(p.area_m2, 3) for p in planes] == [48.0]


def test_a_floor_seen_through_an_opening_is_no_roof() -> None:
    hole = [(3, 2), (4, 2), (4, 3), (3, 3)]
    top = cut([(0, 0, 3), (8, 0, 3), (8, 6, 3), (0, 6, 3)], [[(x, y, 3) for x, y in hole[::-1]]])
    floor = cut([(0, 0, 0), (8, 0, 0), (8, 6, 0), (0, 6, 0)])
    walls = [
        cut([(*a, 0), (*b, 0), (*b, 3), (*a, 3)])
        for a, b in (((0, 0), (8, 0)), ((8, 0), (8, 6)), ((8, 6), (0, 6)), ((0, 6), (0, 0)))
    ]
    roof = from_mesh(welded([top, floor, *walls], oriented=False))
    assert [p.area_m2 for p in roof.planes] == pytest.approx([47.0])
    assert len(roof.planes[0].rings) == 2
    assert kinds(roof) == pytest.approx({"flat fall": 28.0, "opening fall": 4.0})


def chimney_on_gable(top: float) -> Roof:
    """A box that passes through the south plane of a gable, as a solid of its own, nothing cut out."""
    return from_mesh(welded([*gable(), *box(4, 5, 1, 2, 2, top)]))


def test_a_chimney_that_passes_through_cuts_its_hole() -> None:
    roof = chimney_on_gable(6.0)
    slope = 1.25  # hypot(4, 3) / 4
    south = next(p for p in roof.planes if p.azimuth_deg == pytest.approx(180.0))
    assert south.area_m2 == pytest.approx(50.0 - slope)
    assert len(south.rings) == 2
    assert len(roof.planes) == 2  # its top is no place of work
    found = kinds(roof)
    assert found["abutment"] == pytest.approx(2.0 + 2 * slope)
    assert "opening fall" not in found


def test_a_low_box_may_be_glass() -> None:
    """0.3 to 0.55 m over the roof: a curb with something on it that may not bear."""
    found = kinds(from_mesh(welded([*box(0, 10, 0, 8, 0, 3), *box(4, 5, 3, 4, 2, 3.4)])))
    assert found["upstand fall"] == pytest.approx(4.0)


def test_a_box_that_stands_on_a_flat_roof() -> None:
    roof = from_mesh(welded([*box(0, 10, 0, 8, 0, 3), *box(4, 6, 3, 5, 3, 5.5)]))
    big = roof.planes[0]
    assert big.area_m2 == pytest.approx(76.0)
    assert kinds(roof)["abutment"] == pytest.approx(8.0)
    assert roof.planes[1].area_m2 == pytest.approx(4.0)  # large enough to stand on


def parapet(height: float) -> Roof:
    """A flat roof of 10 x 8 m at 3 m inside a parapet 0.3 m thick."""
    walls = [
        *box(-0.3, 10.3, -0.3, 0, 0, 3 + height),
        *box(-0.3, 10.3, 8, 8.3, 0, 3 + height),
        *box(-0.3, 0, 0, 8, 0, 3 + height),
        *box(10, 10.3, 0, 8, 0, 3 + height),
    ]
    return from_mesh(welded([*box(0, 10, 0, 8, 2.7, 3), *walls]))


def test_a_parapet_guards_from_one_metre_up() -> None:
    low, high = parapet(0.4), parapet(1.2)
    assert [round(p.area_m2, 3) for p in low.planes] == [80.0]
    assert kinds(low) == pytest.approx({"upstand fall": 36.0})
    assert all("0.4" in e.doubt for e in low.edges)
    assert kinds(high) == pytest.approx({"abutment": 36.0})


def test_a_lower_roof_under_an_overhang_stays_whole() -> None:
    """The eave of a tower hangs 0.8 m over a lower roof: that roof reaches to the tower's wall."""
    tower = [*box(0, 4, 0, 6, 0, 6), *box(-0.8, 4.8, -0.8, 6.8, 6, 6.3)]
    low = box(4, 9, 0, 6, 0, 3)
    roof = from_mesh(welded([*tower, *low]))
    lower = min(roof.planes, key=lambda p: p.centroid[2])
    assert lower.area_m2 == pytest.approx(30.0)
    own = [e for e in roof.edges if e.facets[0] == lower.id]
    assert sorted((e.kind, round(e.length_m, 3)) for e in own) == [
        ("abutment", 6.0),
        ("flat", 5.0),
        ("flat", 5.0),
        ("flat", 6.0),
    ]


@pytest.mark.parametrize("slope", [0.0, 0.1, 0.25])
def test_ground_that_carries_a_house(slope: float) -> None:
    def at(x: float, y: float) -> tuple[float, float, float]:
        return (x, y, slope * x)

    ground = cut([at(-20, -20), at(30, -20), at(30, 28), at(-20, 28)])
    house = [np.asarray(face) + np.array([0, 0, 2.0]) for face in gable()]
    foot = box(0, 10, 0, 8, -6, 2.0)
    roof = from_mesh(welded([ground, *house, *foot[2:]], oriented=False))
    assert [f.kind for f in roof.facets if f.pitch_deg < 20 and f.kind != "underside"] == ["ground"]
    assert len(roof.planes) == 2
    assert roof.grade_source == "model"


def test_a_hut_on_a_flat_roof_makes_it_no_ground() -> None:
    """A closed block with a smaller one on it is a podium or a block of terrain: roof is the worse."""
    mesh = welded([*box(0, 30, 0, 20, 0, 4), *box(10, 15, 8, 12, 4, 7)])
    facets, doubts = find_facets(mesh)
    assert sorted(round(f.area_m2) for f in facets if f.kind == "roof") == [20, 580]
    assert any("might be a block of terrain" in doubt for doubt in doubts)
    facets, _ = find_facets(mesh, grade=4.0)
    assert [round(f.area_m2) for f in facets if f.kind == "roof"] == [20]


def test_a_sloping_roof_with_a_lift_room_is_no_ground() -> None:
    block = [(0, 0), (30, 0), (30, 20), (0, 20)]
    top = [(x, y, 4 + 0.15 * x) for x, y in block]
    low = [(x, y, 0.0) for x, y in block]
    sides = [[low[i], low[(i + 1) % 4], top[(i + 1) % 4], top[i]] for i in range(4)]
    body = [cut(top), cut(low[::-1]), *[cut(side) for side in sides]]
    planes = roofs(welded([*body, *box(10, 14, 8, 12, 5, 9)]))
    assert max(p.area_m2 for p in planes) > 500


def test_a_flat_roof_inside_a_parapet_is_no_ground() -> None:
    """No wall goes down from the roof's own rim, and a lift room stands on it: still a roof."""
    for height in (0.4, 1.2):
        ring = [
            *box(-0.3, 20.3, -0.3, 0, 0, 6 + height),
            *box(-0.3, 20.3, 16, 16.3, 0, 6 + height),
            *box(-0.3, 0, 0, 16, 0, 6 + height),
            *box(20, 20.3, 0, 16, 0, 6 + height),
        ]
        top = cut([(0, 0, 6), (20, 0, 6), (20, 16, 6), (0, 16, 6)])
        planes = roofs(welded([top, *ring, *box(5, 9, 5, 9, 6, 9)], oriented=False))
        assert max(p.area_m2 for p in planes) == pytest.approx(20 * 16 - 16)


@pytest.mark.parametrize("name", ["Skylight 3", "roof_GLASS", "glazing"])
def test_glass_told_by_its_name_leaves_an_opening(name: str) -> None:
    hole = [(3, 2), (4, 2), (4, 3), (3, 3)]
    top = cut([(0, 0, 3), (8, 0, 3), (8, 6, 3), (0, 6, 3)], [[(x, y, 3) for x, y in hole[::-1]]])
    pane = cut([(x, y, 3) for x, y in hole])
    mesh = welded([top, pane])
    parts = np.array([0] * len(top) + [1] * len(pane))
    told = from_mesh(replace(mesh, parts=parts, part_names=("roof", name)))
    assert [p.area_m2 for p in told.planes] == pytest.approx([47.0])
    assert kinds(told)["opening fall"] == pytest.approx(4.0)


@pytest.mark.parametrize(
    ("name", "ground"),
    [
        ("Ground", True),
        ("existing terrain", True),
        ("GroundSurface", True),
        ("composite deck", False),
        ("upgrade", False),
    ],
)
def test_names_of_ground_are_read_as_words(name: str, ground: bool) -> None:
    assert is_ground(name) is ground


def test_no_roof_at_all() -> None:
    wall = welded([cut([(0, 0, 0), (5, 0, 0), (5, 0, 3), (0, 0, 3)])])
    with pytest.raises(InputError, match="no up-facing surface"):
        from_mesh(wall)


def test_two_solids_that_cross_meet_in_valleys() -> None:
    """A cross gable of the same height, pushed into the main one as a solid of its own."""
    wing = [np.asarray(f)[..., [1, 0, 2]][:, ::-1] for f in gable(8.0, 4.0, 4.5, 1.5)]
    wing = [f + np.array([3.0, -4.0, 0.0]) for f in wing]
    roof = from_mesh(welded([*gable(), *wing]))
    found = kinds(roof)
    # ridges 10 and from y = -4 to 4; the wing's planes fall 3:4 like the main one: valleys at 45 deg in plan
    assert found["ridge"] == pytest.approx(10 + 8.0)
    assert found["valley"] == pytest.approx(2 * np.sqrt(2**2 + 2**2 + 1.5**2), abs=1e-3)
    assert len(roof.planes) == 5  # the south plane is cut in two at the ridge


def by_kind(roof: Roof, kind: str) -> list[Edge]:
    return [edge for edge in roof.edges if edge.kind == kind]


def test_stepped_roofs() -> None:
    """Two boxes side by side, 1.5 m apart in height: the upper one falls on the lower one."""
    roof = from_mesh(welded([*box(0, 6, 0, 6, 0, 4.5), *box(6, 12, 1, 5, 0, 3)]))
    upper, lower = roof.planes
    assert sum(e.length_m for e in roof.edges if e.facets[0] == upper.id and e.fall) == pytest.approx(24.0)
    assert [round(e.length_m, 3) for e in by_kind(roof, "abutment")] == [4.0]
    assert by_kind(roof, "abutment")[0].facets[0] == lower.id


def test_missing_wall_is_the_worse_case_and_says_so() -> None:
    low = cut([(6, 0, 3), (12, 0, 3), (12, 6, 3), (6, 6, 3)])
    high = cut([(0, 0, 6), (6, 0, 6), (6, 6, 6), (0, 6, 6)])
    roof = from_mesh(welded([low, high], oriented=False))
    doubtful = [e for e in roof.edges if e.doubt]
    assert [round(e.length_m, 3) for e in doubtful] == [6.0]
    assert doubtful[0].fall
