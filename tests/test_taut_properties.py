"""What must hold of taut lengths on any building: symmetry, triangle inequality, no change by moving.

Each property is stated on brackets, so that it must hold however wide they are.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import roof3d
from roof3d import taut
from roof3d.building import from_mesh
from roof3d.errors import InputError
from roof3d.records import Floats, Lengths, Mesh
from tests.bodies import box, cut, gable, mesh_of, welded
from tests.taut_kit import OVERHANG, finer, ground_of, l_gable, made, prism, strewn

BODIES = ("gable", "l-gable", "steps", "overhang", "two-boxes", "box-and-stack")
FLOAT = 1e-9
# A place within a few millimetres of a corner may be reached over that corner: pieces are tried 2 mm clear of
# the faces (sight.STAND_OFF), so a length may come out this much short there.
STAND = 0.005
SAME = 1e-5  # m, upper ends of one length found twice, unless a bracket says that it is open

few = settings(max_examples=12, deadline=None, derandomize=True)


@cache
def prepared(name: str) -> taut.Preparation:
    mesh = made(name)
    return taut.prepare_mesh(mesh, ground_of(mesh))


@cache
def pool(name: str) -> Floats:
    """Forty points around a body, on its faces, at its edges and off it."""
    mesh = made(name)
    on = strewn(mesh, 12, seed=5, least=1e-5, most=2e-5)
    return np.concatenate((strewn(mesh, 28, seed=4), on))


def measure(name: str, anchor: Floats, points: Floats) -> Lengths:
    return taut.measure(prepared(name), anchor, points)


def agree(first: Lengths, second: Lengths, width: float = 0.002, slack: float = SAME) -> None:
    """Two brackets of the same lengths: they overlap, and their upper ends agree where both are narrow."""
    assert (first.lo <= second.hi + slack).all()
    assert (second.lo <= first.hi + slack).all()
    both = np.isfinite(first.hi)
    assert (both == np.isfinite(second.hi)).all()
    narrow = both & (first.hi - first.lo < width) & (second.hi - second.lo < width)
    assert first.hi[narrow] == pytest.approx(second.hi[narrow], abs=width)
    assert narrow[both].mean() > 0.4


names = st.sampled_from(BODIES)
rows = st.integers(0, 39)


@few
@given(names, rows)
def test_there_and_back(name: str, row: int) -> None:
    points = pool(name)
    there = measure(name, points[row], points)
    back = [measure(name, p, points[row][None]) for p in points]
    back_lo, back_hi = np.array([b.lo[0] for b in back]), np.array([b.hi[0] for b in back])
    assert (there.lo <= back_hi + STAND).all()
    assert (back_lo <= there.hi + STAND).all()
    narrow = (there.hi - there.lo < 0.002) & (back_hi - back_lo < 0.002)
    assert there.hi[narrow] == pytest.approx(back_hi[narrow], abs=STAND)


@few
@given(names, rows, rows)
def test_a_detour_is_never_shorter(name: str, first: int, second: int) -> None:
    points = pool(name)
    a, b = measure(name, points[first], points), measure(name, points[second], points)
    assert (a.lo <= a.hi[second] + b.hi + STAND).all()


@few
@given(names, rows)
def test_never_below_the_straight_line(name: str, row: int) -> None:
    points = pool(name)
    found = measure(name, points[row], points)
    straight = np.linalg.norm(points - points[row], axis=1)
    assert (found.lo >= straight - FLOAT).all()
    assert (found.hi >= found.lo - FLOAT).all()
    assert np.isfinite(found.hi).all()


@few
@given(names, rows, st.integers(0, 2**31))
def test_a_step_changes_it_by_no_more_than_the_step(name: str, row: int, seed: int) -> None:
    """Random walks outside the body, in steps of up to 0.2 m that meet nothing."""
    from tests.taut_kit import Solid

    solid = Solid.of(made(name))
    rng = np.random.default_rng(seed)
    walk = [pool(name)[int(rng.integers(40))]]
    low = ground_of(made(name)) + 0.1
    while len(walk) < 25:
        to = walk[-1] + rng.normal(size=3) * 0.1
        if to[2] > low and solid.free(walk[-1][None], to[None])[0] and solid._distance(to) > 0.004:
            walk.append(to)
    points = np.array(walk)
    found = measure(name, pool(name)[row], points)
    step = np.linalg.norm(np.diff(points, axis=0), axis=1)
    assert (found.lo[1:] <= found.hi[:-1] + step + STAND).all()
    assert (found.lo[:-1] <= found.hi[1:] + step + STAND).all()


EXTRAS: dict[str, Any] = {
    "stack": lambda: box(2.0, 3.0, 2.0, 3.0, 1.0, 9.0),
    "screen": lambda: box(-3.0, 12.0, -1.2, -0.9, 0.0, 8.0),
    "shed": lambda: box(9.5, 13.0, -1.0, 4.0, 0.0, 2.5),
}


@few
@given(st.sampled_from(("gable", "l-gable", "steps")), st.sampled_from(sorted(EXTRAS)), rows)
def test_a_solid_more_never_shortens(name: str, extra: str, row: int) -> None:
    plain = {"gable": gable, "l-gable": l_gable}.get(name, lambda: prism(_steps(), 0.0, 6.0))()
    more = taut.prepare_mesh(welded([*plain, *EXTRAS[extra]()]), 0.0)
    points = pool(name)
    points = points[~taut.inside(more, points)]
    anchor = points[row % len(points)]
    without, with_it = measure(name, anchor, points), taut.measure(more, anchor, points)
    assert (without.lo <= with_it.hi + FLOAT).all()


def _steps() -> list[tuple[float, float]]:
    from tests.taut_kit import STEPS

    return STEPS


def turned(mesh: Mesh, angle: float, shift: Floats, scale: float = 1.0) -> tuple[Mesh, Floats]:
    """A mesh turned about z, scaled, moved; and the matrix that does the first two."""
    c, s = np.cos(angle), np.sin(angle)
    matrix = scale * np.array([[c, -s, 0], [s, c, 0], [0, 0, 1.0]])
    return replace(mesh, vertices=mesh.vertices @ matrix.T + shift), matrix


@few
@given(names, rows, st.floats(0, 6.28), st.floats(-50, 50), st.floats(-20, 20))
def test_moving_and_turning_changes_nothing(name: str, row: int, angle: float, x: float, z: float) -> None:
    mesh, points = made(name), pool(name)
    shift = np.array([x, -x / 3, z])
    other, matrix = turned(mesh, angle, shift)
    there = points @ matrix.T + shift
    found = taut.measure(taut.prepare_mesh(other, ground_of(other)), there[row], there)
    agree(measure(name, points[row], points), found)


@few
@given(names, rows, st.floats(0.5, 4.0))
def test_scaling_scales(name: str, row: int, scale: float) -> None:
    mesh, points = made(name), pool(name)
    other, matrix = turned(mesh, 0.0, np.zeros(3), scale)
    there = points @ matrix.T
    found = taut.measure(taut.prepare_mesh(other, ground_of(other)), there[row], there)
    here = measure(name, points[row], points)
    # the stand-off and its allowance are lengths of their own and do not scale
    agree(Lengths(here.lo * scale, here.hi * scale), found, 0.004 * max(scale, 1.0), STAND * max(scale, 1.0))


def reordered(mesh: Mesh, seed: int) -> Mesh:
    """The same triangles in another order, each started at another corner."""
    rng = np.random.default_rng(seed)
    order = rng.permutation(len(mesh.triangles))
    start = rng.integers(0, 3, len(order))
    triangles = np.take_along_axis(mesh.triangles[order], (np.arange(3) + start[:, None]) % 3, axis=1)
    return replace(mesh, triangles=triangles, oriented=mesh.oriented[order])


@few
@given(names, rows, st.integers(0, 2**31), st.integers(0, 2))
def test_cutting_and_ordering_changes_nothing(name: str, row: int, seed: int, times: int) -> None:
    """Triangles cut into four, in another order, started at other corners."""
    mesh, points = reordered(finer(made(name), times), seed), pool(name)
    found = taut.measure(taut.prepare_mesh(mesh, ground_of(mesh)), points[row], points)
    agree(measure(name, points[row], points), found)


def test_unknown_sides_change_nothing() -> None:
    """A mesh whose triangles are wound anyhow, and told to be so: the same lengths off its faces."""
    for name in ("gable", "l-gable", "steps"):
        rng = np.random.default_rng(0)
        mesh, points = made(name), pool(name)[:28]
        some = rng.random(len(mesh.triangles)) < 0.5
        triangles = np.where(some[:, None], mesh.triangles[:, ::-1], mesh.triangles)
        other = replace(mesh, triangles=triangles, oriented=np.zeros(len(triangles), dtype=bool))
        preparation = taut.prepare_mesh(other, ground_of(other))
        for row in (1, 7):
            found = taut.measure(preparation, points[row], points)
            assert (found.lo <= measure(name, points[row], points).hi + STAND).all()


def test_the_same_again() -> None:
    """Same input, same bytes; and no point's length depends on which others are asked with it."""
    points = pool("overhang")
    first, again = (measure("overhang", points[3], points) for _ in range(2))
    assert first.lo.tobytes() == again.lo.tobytes()
    assert first.hi.tobytes() == again.hi.tobytes()
    fresh = taut.measure(taut.prepare_mesh(made("overhang"), 0.0), points[3], points)
    assert first.hi.tobytes() == fresh.hi.tobytes()
    alone = np.array([measure("overhang", points[3], p[None]).hi[0] for p in points])
    assert alone == pytest.approx(first.hi, abs=SAME)


# ----------------------------------------------------------------------------------------- limits


@few
@given(names, rows, st.floats(0.5, 15.0))
def test_a_limit_hides_nothing_within_it(name: str, row: int, limit: float) -> None:
    points = pool(name)
    every, near = measure(name, points[row], points), taut.measure(prepared(name), points[row], points, limit)
    assert (near.lo <= every.hi + FLOAT).all()
    assert (every.lo <= near.hi + FLOAT).all()
    out = ~np.isfinite(near.hi)
    assert (every.hi[out] >= limit - 0.001).all() or (every.hi - every.lo)[out].max() > 0.002
    within = every.hi < limit - 0.001
    narrow = within & (every.hi - every.lo < 0.002)
    assert near.hi[narrow] == pytest.approx(every.hi[narrow], abs=1e-3)


# ------------------------------------------------------------------------------- hostile geometry


def test_points_inside_are_refused() -> None:
    roof = from_mesh(welded(gable()))
    with pytest.raises(InputError, match="inside the building"):
        roof3d.taut_length(roof, (5.0, 4.0, 2.0), [(5.0, 4.0, 7.0)])
    preparation = prepared("gable")
    inner = np.array([[5.0, 4.0, 2.0], [0.05, 0.05, 0.05], [5.0, 4.0, 5.9]])
    assert taut.inside(preparation, inner).all()
    outer = np.array([[5.0, 4.0, 6.0], [5.0, 4.0, 6.1], [0.0, 0.0, 3.0], [5.0, -0.01, 1.0], [5.0, 0.0, 2.0]])
    assert not taut.inside(preparation, outer).any()
    found = taut.measure(preparation, np.array([5.0, 4.0, 7.0]), inner)
    assert not np.isfinite(found.hi).any()


def test_within_a_millimetre_of_a_face_is_outside() -> None:
    skin = np.array([[5.0, 0.0009, 2.0], [0.0009, 4.0, 1.0], [5.0, 2.0, 4.4993]])
    assert not taut.inside(prepared("gable"), skin).any()
    found = measure("gable", np.array([5.0, 2.0, 4.5]), skin)
    assert np.isfinite(found.hi).all()


def crack(gap: float, kind: str) -> Mesh:
    """Two boxes ``gap`` apart, with a slot straight between their long walls or a step in their heights."""
    if kind == "level":
        return welded([*box(0, 5, 0, 6, 0, 4), *box(5 + gap, 10, 0, 6, 0, 4)])
    if kind == "stepped":
        return welded([*box(0, 5, 0, 6, 0, 4), *box(5 + gap, 10, -1, 7, 0, 6)])
    return welded([*box(0, 10, 0, 6, 0, 4), *box(0, 10, 0, 6, 4 + gap, 7)])  # lying one above the other


@pytest.mark.parametrize("kind", ["level", "stepped", "stacked"])
@pytest.mark.parametrize("gap", [0.0, 0.0005, 0.002, 0.005, 0.009, 0.0095])
def test_no_rope_passes_a_crack_under_ten_millimetres(gap: float, kind: str) -> None:
    """From wall to wall past the crack: the way is the one around, as without the crack."""
    preparation = taut.prepare_mesh(crack(gap, kind), 0.0)
    whole = taut.prepare_mesh(crack(0.0, kind), 0.0)
    middle = 5 + gap / 2
    if kind == "level":
        a, b = np.array([middle, -0.5, 2.0]), np.array([middle, 6.5, 2.0])
    elif kind == "stepped":
        a, b = np.array([middle - 0.02, -0.5, 2.0]), np.array([middle - 0.02, 6.5, 2.0])
    else:
        a, b = np.array([5.0, -0.5, 4 + gap / 2]), np.array([5.0, 6.5, 4 + gap / 2])
    found, around = taut.measure(preparation, a, b[None]), taut.measure(whole, a, b[None])
    assert found.hi[0] > 7.5
    assert found.hi[0] == pytest.approx(around.hi[0], abs=0.05)
    assert found.lo[0] <= around.hi[0] + 0.05


@pytest.mark.parametrize("kind", ["level", "stacked"])
@pytest.mark.parametrize("gap", [0.011, 0.015, 0.03, 0.2])
def test_a_rope_passes_a_wider_gap(gap: float, kind: str) -> None:
    preparation = taut.prepare_mesh(crack(gap, kind), 0.0)
    if kind == "level":
        a, b = np.array([5 + gap / 2, -0.5, 2.0]), np.array([5 + gap / 2, 6.5, 2.0])
    else:
        a, b = np.array([5.0, -0.5, 4 + gap / 2]), np.array([5.0, 6.5, 4 + gap / 2])
    found = taut.measure(preparation, a, b[None])
    assert found.lo[0] <= 7.0 + FLOAT
    assert found.hi[0] == pytest.approx(7.0, abs=0.001)


def open_shell() -> Mesh:
    """Two roof sheets and nothing else: no walls, no floor, no inside (both sides are free)."""
    eave = [(0.0, 0.0, 3.0), (10.0, 0.0, 3.0)], [(10.0, 8.0, 3.0), (0.0, 8.0, 3.0)]
    ridge = [(10.0, 4.0, 6.0), (0.0, 4.0, 6.0)]
    return welded([cut([*eave[0], *ridge]), cut([*eave[1], *ridge[::-1]])], oriented=False)


def test_open_shells() -> None:
    """Over the sheets by unfolding; from under an eave to the roof around it; never through a sheet."""
    preparation = taut.prepare_mesh(open_shell(), 0.0)
    assert not taut.inside(preparation, np.array([[5.0, 2.0, 4.7], [5.0, 2.0, 1.0], [5.0, 4.0, 6.0]])).any()
    found = taut.measure(
        preparation,
        np.array([3.0, 1.0, 3.75]),
        np.array([[9.0, 7.0, 3.75], [3.0, 2.0, 2.5], [3.0, 3.0, 5.25]]),
    )
    assert found.hi[0] == pytest.approx(np.hypot(6.0, 7.5), abs=1e-4)
    under = 1.25 + np.hypot(2.0, 0.5)  # slope 1.25 m to the eave, then under it
    assert found.hi[1] == pytest.approx(under, abs=1e-4)
    assert found.hi[2] == pytest.approx(2.5, abs=1e-9)
    assert (found.lo <= [np.hypot(6.0, 7.5), under, 2.5]).all()


def test_site_coordinates() -> None:
    """A site origin of a million metres is kept apart from the local frame, so nothing changes."""
    near, far = welded(gable()), replace(welded(gable()), origin=np.array([1.2e6, 5.4e6, 430.0]))
    points = pool("gable")
    first = roof3d.taut_length(from_mesh(near), points[2], points)
    second = roof3d.taut_length(from_mesh(far), points[2] + far.origin, points + far.origin)
    assert second[0] == pytest.approx(first[0], abs=1e-6)
    assert second[1] == pytest.approx(first[1], abs=1e-6)


def test_coordinates_that_were_not_moved() -> None:
    """Even where the local frame itself lies a million metres off, lengths keep to a millimetre."""
    mesh, points = made("l-gable"), pool("l-gable")[:28]
    shift = np.array([1.0e6, -1.0e6, 0.0])
    far = replace(mesh, vertices=mesh.vertices + shift)
    found = taut.measure(taut.prepare_mesh(far, 0.0), points[1] + shift, points + shift)
    agree(measure("l-gable", points[1], points), found)


def test_slivers_and_t_junctions() -> None:
    """A wall cut into a fan of slivers, and an eave whose two sides are cut at different places."""
    plain = welded(gable())
    sliver = gable()
    n = 40
    x = np.linspace(0, 10, n + 1)
    fan = [np.array([[[x[k], 0, 0], [x[k + 1], 0, 0], [0.0, 0, 3]]]) for k in range(n)]
    sliver[1] = np.concatenate([*fan, np.array([[[10.0, 0, 0], [10, 0, 3], [0, 0, 3]]])])
    third = 10 / 3  # the slope's eave is cut in three, the wall's is not: T-junctions
    low = [(0.0, 0, 3), (third, 0, 3), (2 * third, 0, 3), (10.0, 0, 3)]
    top = [(10.0, 4, 6), (0.0, 4, 6)]
    sliver[5] = np.array(
        [
            [low[0], low[1], top[1]],
            [low[1], low[2], top[1]],
            [low[2], top[0], top[1]],
            [low[2], low[3], top[0]],
        ]
    )
    points = pool("gable")
    found = taut.measure(taut.prepare_mesh(welded(sliver), 0.0), points[7], points)
    agree(taut.measure(taut.prepare_mesh(plain, 0.0), points[7], points), found)


@few
@given(rows, st.integers(0, 2**31))
def test_planes_that_are_a_little_off(row: int, seed: int) -> None:
    """Vertices off by up to 0.3 mm: lengths change by no more than a few millimetres."""
    rng = np.random.default_rng(seed)
    mesh = finer(made("l-gable"), 1)
    off = replace(mesh, vertices=mesh.vertices + rng.uniform(-3e-4, 3e-4, mesh.vertices.shape))
    points = pool("l-gable")[:28]
    row %= 28
    found = taut.measure(taut.prepare_mesh(off, 0.0), points[row], points)
    here = measure("l-gable", points[row], points)
    assert (found.lo <= here.hi + 0.01).all()
    assert (here.lo <= found.hi + 0.01).all()
    assert np.median(np.abs(found.hi - here.hi)) < 0.003


def test_a_sheet_of_no_thickness_is_not_passed() -> None:
    """A free-standing wall as one sheet: the way goes around its end."""
    corners = np.array([[0.0, 0, 0], [6, 0, 0], [6, 0, 9], [0, 0, 9]])
    sheet = mesh_of(corners, np.array([[0, 1, 2], [0, 2, 3]]), oriented=False)
    found = taut.measure(
        taut.prepare_mesh(sheet, 0.0), np.array([4.0, -2.0, 1.0]), np.array([[4.0, 2.0, 1.0]])
    )
    assert found.hi[0] == pytest.approx(2 * np.hypot(2, 2), abs=1e-4)
    assert found.lo[0] == pytest.approx(found.hi[0], abs=0.001)


def test_under_an_overhang() -> None:
    """A rope goes under an eave: from the soffit's wall around the fascia to the roof (plane geometry)."""
    preparation = taut.prepare_mesh(welded(prism(OVERHANG, 0.0, 9.0)), 0.0)
    under, roof = np.array([7.6, 4.0, 2.0]), np.array([6.2, 4.0, 3.95])
    low, high = np.array([8.4, 4.0, 2.3]), np.array([8.4, 4.0, 2.5])
    way = np.linalg.norm(under - low) + 0.2 + np.linalg.norm(roof - high)
    found = taut.measure(preparation, under, roof[None])
    assert found.hi[0] == pytest.approx(way, abs=0.001)
    assert found.lo[0] <= way
