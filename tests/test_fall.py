"""Falls from hand-made roofs against closed forms, common practice, and what must not change."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from roof3d import taut
from roof3d.fall import (
    AnchorRuler,
    ForceLimit,
    Limits,
    LineRuler,
    Span,
    StraightRuler,
    Terms,
    Tie,
    assess,
    make_boundary,
    make_segments,
    restraint_length,
)
from roof3d.fall.ruler import cone_high, cone_low, least_straight_potential
from roof3d.fall.track import find_tracks
from roof3d.records import STATES, Roof
from tests.fall_roofs import box, flat_edges, flat_roof, make_roof, mono_roof

FT = 0.3048
IN = FT / 12

# common practice, no published source: D-ring 5 ft up and 1 ft of harness stretch, 3 ft of arrest,
# 2 ft of margin, nothing else stretches
PRACTICE = Terms(
    attachment=5 * FT,
    kneeling=3 * FT,
    deceleration=3 * FT,
    harness=1 * FT,
    margin=2 * FT,
    elongation=0.0,
    weight=1000.0,
    least_force=1000.0,
)
STEEP = 90.0  # no plane counts as steep: no slide before the fall


def run(roof: Roof, at, length, terms=PRACTICE, *, policy="fixed", slack=0.0, guards=None, limits=None):
    boundary = make_boundary(roof, terms.attachment, STEEP)
    ruler = StraightRuler(np.asarray(at, dtype=float))
    guards = guards or [[] for _ in boundary.edges]
    tie = Tie(length, policy, slack)
    result = assess(boundary, ruler, tie, terms, limits or Limits(), guards)
    return make_segments(result, terms, "A1", guards)


def worst(segments, edge):
    """The segment with the most surplus on an edge."""
    return max((s for s in segments if s.edge == edge), key=lambda s: s.surplus_m)


def falling(segments):
    return sum(s.to_m - s.from_m for s in segments if STATES.index(s.state) <= 2)


# ------------------------------------------------------- common practice, no published source


def test_line_as_long_as_the_way_to_a_flat_edge_needs_eleven_feet():
    s = worst(run(flat_roof(height=20 * FT), (10, 15 * FT, 20 * FT), 15 * FT), "E1")
    assert s.state == "arrest"
    assert s.surplus_m == pytest.approx(0, abs=1e-9)
    assert s.clearance_required_m == pytest.approx(11 * FT, abs=1e-6)
    assert s.clearance_available_m == pytest.approx(20 * FT, abs=1e-6)
    assert s.free_fall_m == pytest.approx(5 * FT, abs=1e-6)


def test_a_ten_foot_edge_is_short_then():
    s = worst(run(flat_roof(height=10 * FT), (10, 15 * FT, 10 * FT), 15 * FT), "E1")
    assert s.state == "short"
    assert s.margin_m == pytest.approx(-1 * FT, abs=1e-6)


def test_three_inches_of_surplus_need_three_inches_more():
    s = worst(run(flat_roof(height=20 * FT), (10, 15.75 * FT, 20 * FT), 16 * FT), "E1")
    assert s.surplus_m == pytest.approx(3 * IN, abs=1e-9)
    assert s.clearance_required_m == pytest.approx(11.25 * FT, abs=1e-6)


@pytest.mark.parametrize(
    ("slope", "length", "way", "lacking"),
    [(1.0, 16 * FT, (17 + 5 / 12) * FT, 17 * IN), (4 / 12, 15 * FT, 15.75 * FT, 9 * IN)],
)
def test_on_slopes_the_edge_is_passed_only_by_stretch(slope, length, way, lacking):
    up = way / np.hypot(1, slope)
    roof = mono_roof(slope, 10.0)
    at = (10, up, 6 + slope * up)
    s = worst(run(roof, at, length), "E1")
    assert s.surplus_m == pytest.approx(-lacking, abs=1e-6)
    assert s.state == "arrest"  # 3 ft of arrest and 1 ft of harness suffice
    stiff = replace(PRACTICE, deceleration=lacking - 1 * FT - 1 * IN)
    assert worst(run(roof, at, length, stiff), "E1").state == "held"


@pytest.mark.parametrize("rise", [4, 6, 9, 12, 16])
@pytest.mark.parametrize("height", [0.3, 0.9, 1.5])
def test_snug_line_is_shorter_than_the_way_where_plane_geometry_says_so(rise, height):
    """``sqrt(r^2 + h^2 - 2 r h sin a) < r`` exactly where ``h < 2 r sin a``."""
    slope = rise / 12
    sine = slope / np.hypot(1, slope)
    terms = replace(PRACTICE, attachment=height, kneeling=height)
    for way in (0.6 * height / (2 * sine), 0.97 * height / (2 * sine), 1.03 * height / (2 * sine), 4.0):
        up = way / np.hypot(1, slope)
        segments = run(mono_roof(slope, 12.0), (10, up, 6 + slope * up), 100.0, terms, policy="snug")
        at_foot = next(s for s in segments if s.edge == "E1" and s.from_m <= 10 <= s.to_m)
        line = np.sqrt(way**2 + height**2 - 2 * way * height * sine)
        shorter = height < 2 * way * sine
        assert (line < way) == shorter
        here = [s for s in segments if s.edge == "E1"]
        assert max(s.surplus_m for s in here) >= line - way - 1e-6
        assert at_foot.surplus_m >= line - way - 1e-6


# ------------------------------------------------------------------ closed forms (rope mechanics)


@pytest.mark.parametrize(("a", "d", "drop"), [(4, 3, 1.0), (5, 12, 8.0), (6, 2, 0.3246), (4, 1, 0.1231)])
def test_swing_along_a_straight_level_edge(a, d, drop):
    """Anchor ``a`` from the edge, worker ``d`` along it: ``hypot(a, d) - a`` of extra drop (mechanics)."""
    roof = flat_roof(60, 30, 40)
    length = np.hypot(a, d)
    terms = replace(PRACTICE, deceleration=0.0, harness=0.0)
    segments = run(roof, (30, a, 40), length, terms)
    mine = [s for s in segments if s.edge == "E1" and s.state == "arrest"]
    assert min(s.from_m for s in mine) == pytest.approx(30 - d, abs=0.011)
    assert max(s.to_m for s in mine) == pytest.approx(30 + d, abs=0.011)
    s = max(mine, key=lambda s: s.swing_drop_m)
    assert s.swing_drop_m == pytest.approx(drop, abs=0.012)
    assert s.swing_drop_m >= drop - 1e-4
    assert s.swing_angle_deg == pytest.approx(np.rad2deg(np.arctan2(d, a)), abs=0.5)
    assert s.rest_point == pytest.approx([30, 0, 40], abs=0.011)


def test_exposed_half_length_of_an_edge():
    """``sqrt(L^2 - a^2)``: anchor 3 m from the edge, line of 5 m, 4 m to each side (mechanics)."""
    terms = replace(PRACTICE, deceleration=0.0, harness=0.0)
    segments = run(flat_roof(40, 30, 40), (20, 3, 40), 5.0, terms)
    mine = [s for s in segments if s.edge == "E1" and STATES.index(s.state) <= 2]
    assert sum(s.to_m - s.from_m for s in mine) == pytest.approx(8.0, abs=0.022)
    assert sum(s.to_m - s.from_m for s in mine) >= 8.0 - 1e-9


@pytest.mark.parametrize("slope", [0.25, 0.5, 1.0])
@pytest.mark.parametrize("off", [1.0, 2.0, 3.5])
def test_rest_point_on_a_rake_lies_off_tan_a_down(slope, off):
    """``phi(t) = hypot(b, t) - t sin a`` is least at ``t = b tan a`` down the rake (calculus)."""
    run_m = 30.0
    roof = mono_roof(slope, run_m, width=40.0)
    cosine = 1 / np.hypot(1, slope)
    up = 25.0
    at = np.array([off, up, 6 + slope * up])
    segments = run(roof, at, off + 4.0, replace(PRACTICE, deceleration=0.0, harness=0.0))
    rake = [s for s in segments if s.edge == "E4" and s.state == "arrest"]
    down = off * slope  # tan a = slope, measured along the rake
    expected = np.array([0.0, up - down * cosine, 6 + slope * (up - down * cosine)])
    assert rake
    for s in rake:
        assert s.rest_point == pytest.approx(expected, abs=0.012)


def test_least_potential_in_closed_form_agrees_with_brute_force():
    rng = np.random.default_rng(3)
    at = rng.uniform(-5, 5, 3)
    p, q = rng.uniform(-5, 5, (40, 3)), rng.uniform(-5, 5, (40, 3))
    t = np.linspace(0, 1, 20001)[:, None]
    for k in range(40):
        line = p[k] + t * (q[k] - p[k])
        brute = (line[:, 2] + np.linalg.norm(line - at, axis=1)).min()
        got = least_straight_potential(at, p[k : k + 1], q[k : k + 1])[0]
        assert got == pytest.approx(brute, abs=1e-4)
        assert got <= brute + 1e-9


def test_cones_bound_distances_between_samples():
    rng = np.random.default_rng(5)
    at = rng.uniform(-3, 3, 3)
    p, q = rng.uniform(-3, 3, (50, 3)), rng.uniform(-3, 3, (50, 3))
    size = np.linalg.norm(q - p, axis=1)
    a, b = np.linalg.norm(p - at, axis=1), np.linalg.norm(q - at, axis=1)
    t = np.linspace(0, 1, 301)[:, None, None]
    every = np.linalg.norm(p + t * (q - p) - at, axis=2)
    assert (cone_low(a, b, size) <= every.min(axis=0) + 1e-12).all()
    assert (cone_high(a, b, size) >= every.max(axis=0) - 1e-12).all()


# ---------------------------------------------------------------------------------------- tracks


def test_tracks_against_a_walk_from_every_place():
    """All tracks at once agree with a plain walk to both sides of each place."""
    rng = np.random.default_rng(11)
    for _ in range(30):
        n = 40
        potential = rng.integers(0, 12, n).astype(float)
        loop = bool(rng.integers(0, 2))
        first = np.arange(n if loop else n - 1)
        second = (first + 1) % n
        piece = np.minimum(potential[first], potential[second]) - rng.uniform(0, 0.3, len(first))
        value = rng.normal(size=len(first))
        blocked = rng.uniform(size=len(first)) < 0.1
        seeds = np.arange(n)
        got = find_tracks(
            potential,
            first,
            second,
            piece,
            value,
            blocked,
            potential.copy(),
            np.column_stack((seeds, seeds)),
            np.full(n, -1),
        )
        for start in range(n):
            seen, stack = {start}, [start]
            while stack:
                i = stack.pop()
                for a, b in zip(first, second, strict=True):
                    for here, there in ((a, b), (b, a)):
                        if here == i and there not in seen and potential[there] <= potential[start]:
                            seen.add(int(there))
                            stack.append(int(there))
            pieces = [k for k in range(len(first)) if first[k] in seen or second[k] in seen]
            assert got.lowest[start] == min(piece[pieces])
            assert got.worst[start] == min(value[pieces])
            assert (got.blocked[start] >= 0) == blocked[pieces].any()


def test_swing_round_a_corner_counts_the_lower_ground_behind_it():
    """A pit beside the east edge: who goes over the south edge near the corner swings over it."""
    pit = [
        ("G1", "ground", [(-50, -50, 0), (70, -50, 0), (70, 0, 0), (-50, 0, 0)]),
        ("G2", "ground", [(20, 0, 4), (70, 0, 4), (70, 70, 4), (20, 70, 4)]),
    ]
    roof = make_roof([*pit, *box(0, 20, 0, 20, 0, 9, "1")], flat_edges(0, 20, 0, 20, 9, "P1"), grade=0.0)
    # 6 m from the south edge and 3 m from the east one: the rope slides round the corner eastward
    segments = run(roof, (17, 6, 9), 7.5)
    near = next(s for s in segments if s.edge == "E1" and s.to_m == 20.0)
    assert near.strikes == "ground G2"
    assert near.state == "short"
    assert near.rest_point == pytest.approx([20, 6, 9], abs=0.02)


def test_something_in_the_way_of_a_swing_makes_it_a_swing():
    tower = box(13, 14, -0.8, 0, 0, 15, "T")
    facets = box(0, 20, 0, 20, 0, 9, "1")
    edges = flat_edges(0, 20, 0, 20, 9, "P1")
    free = run(make_roof(facets, edges), (10, 5, 9), 6.5)
    way = run(make_roof(facets + tower, edges), (10, 5, 9), 6.5)
    assert {s.state for s in free if s.edge == "E1"} <= {"arrest", "held", "beyond"}
    swings = [s for s in way if s.state == "swing"]
    assert swings and all("T" in s.strikes for s in swings)


# ------------------------------------------------------------------------------------ certainty


def test_states_change_where_the_formula_says_to_a_centimetre():
    roof = flat_roof(40, 30, 40)
    for length in np.linspace(3.2, 6.0, 9):
        terms = replace(PRACTICE, deceleration=0.0, harness=0.0)
        mine = [
            s for s in run(roof, (20, 3, 40), length, terms) if s.edge == "E1" and STATES.index(s.state) <= 2
        ]
        half = np.sqrt(length**2 - 9)
        low, high = min(s.from_m for s in mine), max(s.to_m for s in mine)
        assert 20 - half - 0.011 <= low <= 20 - half + 1e-9
        assert 20 + half - 1e-9 <= high <= 20 + half + 0.011


class Noisy(StraightRuler):
    """A ruler whose brackets are 20 cm wide."""

    def measure(self, points, limit=np.inf):
        d = self.floor(points)
        from roof3d.records import Lengths

        return Lengths(np.where(d > limit, np.inf, d), np.where(d > limit, np.inf, d + 0.2))


def test_a_wider_bracket_is_never_better():
    roof = flat_roof(40, 30, 5.5)
    boundary = make_boundary(roof, PRACTICE.attachment, STEEP)
    guards = [[] for _ in boundary.edges]
    at = np.array([20.0, 4.0, 5.5])
    limits = Limits(0.6, 30.0)
    plain = make_segments(
        assess(boundary, StraightRuler(at), Tie(5.0), PRACTICE, limits, guards), PRACTICE, "A", guards
    )
    noisy = make_segments(
        assess(boundary, Noisy(at), Tie(5.0), PRACTICE, limits, guards), PRACTICE, "A", guards
    )
    for spot in np.linspace(0.01, 39.99, 331):
        one = next(s for s in plain if s.edge == "E1" and s.from_m <= spot <= s.to_m)
        other = next(s for s in noisy if s.edge == "E1" and s.from_m <= spot <= s.to_m)
        if min(abs(spot - s.from_m) for s in (*plain, *noisy) if s.edge == "E1") > 0.02:
            assert STATES.index(other.state) <= STATES.index(one.state)
    assert any("taut length known to 0.20 m" in s.doubt for s in noisy)


def test_room_is_not_all_that_can_lack():
    """Room for any fall, but a free fall of more than 2 m: broken where the body gets that low first."""
    limits = Limits(None, None, free_fall=2.0)
    segments = [s for s in run(flat_roof(40, 30, 40), (20, 3, 40), 5.0, limits=limits) if s.edge == "E1"]
    # the slack rope slides: straight below the place the body is as far as the line is long (Pythagoras)
    half = np.sqrt(5.0**2 - (3.0 + 2.0 - PRACTICE.attachment) ** 2)
    short = [s for s in segments if s.state == "short"]
    assert [s.breaks for s in short] == [("free-fall",)]
    # a bound over pieces of the edge: never less, and little more
    assert 20 - half - 0.15 <= short[0].from_m <= 20 - half + 1e-9
    assert 20 + half - 1e-9 <= short[0].to_m <= 20 + half + 0.15
    assert short[0].margin_m > 0  # the margin speaks of room
    arrest = [s for s in segments if s.state == "arrest"]
    assert len(arrest) == 2
    assert all(s.breaks == () and s.free_fall_m <= 2.0 + 1e-6 for s in arrest)


def test_room_lacking_is_told_apart_from_other_limits():
    seen = set()
    for height in (3.5, 4.0, 4.5, 40.0):
        for s in run(
            flat_roof(40, 30, height), (20, 3, height), 3.3, limits=Limits(None, None, free_fall=1.6)
        ):
            if s.margin_m is not None:
                assert ("room" in s.breaks) == (s.margin_m < 0)
                assert ("free-fall" in s.breaks) == (s.free_fall_m > 1.6 + 1e-6)
                assert (s.state == "arrest") == (not s.breaks)
                seen.add(s.breaks)
    assert seen == {("room", "free-fall"), ("free-fall",), ()}


@pytest.mark.parametrize("absorber_fall", [1.7, -np.inf])
def test_an_absorber_that_runs_out_is_no_arrest(absorber_fall):
    limits = Limits(None, None, absorber_fall=absorber_fall)
    s = worst(run(flat_roof(40, 30, 40), (20, 3, 40), 3.3, limits=limits), "E1")
    assert (s.state, s.breaks) == ("short", ("absorber",))


def test_force_of_an_arrest_on_a_stiff_line_against_the_energy_balance():
    """Elastic line (Hooke): F = W + sqrt(W^2 + 2 W K f / L), L the length below and the share held back."""
    weight, stiffness = 981.0, 50_000.0
    free_fall, hanging, length = 1.8, 0.3, 3.3
    free = hanging + 0.5 * (length - hanging)
    peak = weight + np.sqrt(weight**2 + 2 * weight * stiffness * free_fall / free)
    for most, broken in ((peak * 0.999, True), (peak * 1.001, False)):
        limit = ForceLimit(most, np.inf, stiffness, weight, 0.5)
        got = limit.broken(np.array([free_fall]), np.array([hanging]), np.array([length]))
        assert got.tolist() == [broken]
    unknown = ForceLimit(6000.0, np.inf, None, weight, 0.5)
    assert unknown.broken(np.array([0.1]), np.array([0.0]), np.array([3.0])).all()
    limits = Limits(force=ForceLimit(5900.0, 6000.0, None, weight, 0.5))
    segments = run(flat_roof(40, 30, 40), (20, 3, 40), 3.3, limits=limits)
    assert {s.breaks for s in segments if s.margin_m is not None} == {("force",)}
    assert "arrest" not in {s.state for s in segments}


# ---------------------------------------------------------------------------------- metamorphic


@pytest.mark.parametrize("at", [(10, 4, 6), (17, 5, 6), (10, 10, 7.5)])
def test_a_longer_line_never_leaves_fewer_metres_of_edge_to_fall_over(at):
    roof = flat_roof(20, 20, 6)
    last, last_margin = -1.0, np.inf
    for length in np.linspace(1.0, 14.0, 27):
        segments = run(roof, at, length)
        here = falling(segments)
        assert here >= last - 0.021 * 8
        margin = min((s.margin_m for s in segments if s.margin_m is not None), default=np.inf)
        assert margin <= last_margin + 1e-6
        last, last_margin = here, margin


def test_higher_ground_never_adds_margin():
    last = np.inf
    for grade in (-2.0, 0.0, 0.7, 3.0, 5.5, 6.5):
        roof = mono_roof(0.5, 8.0, grade=grade)
        margin = min(s.margin_m for s in run(roof, (10, 4, 8), 5.0) if s.margin_m is not None)
        assert margin <= last
        last = margin


@pytest.mark.parametrize("angle", [0.7, 2.2])
def test_turned_and_moved_buildings_have_the_same_segments(angle):
    c, s = np.cos(angle), np.sin(angle)
    turn = np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]])
    facets = box(0, 20, 0, 12, 0, 6, "1") + box(20.5, 26, 2, 9, 0, 4.0, "2")
    edges = flat_edges(0, 20, 0, 12, 6, "P1")
    plain = run(make_roof(facets, edges), (15, 4, 6), 6.0, limits=Limits(0.6, 30.0))
    turned = run(
        make_roof(
            [(n, k, np.array(r) @ turn.T + 3.0) for n, k, r in facets],
            [(n, k, f, o, turn @ np.array(p) + 3.0, turn @ np.array(q) + 3.0) for n, k, f, o, p, q in edges],
            grade=3.0,
        ),
        turn @ np.array([15.0, 4, 6]) + 3.0,
        6.0,
        limits=Limits(0.6, 30.0),
    )
    assert [(a.edge, a.state) for a in plain] == [(b.edge, b.state) for b in turned]
    for a, b in zip(plain, turned, strict=True):
        assert b.from_m == pytest.approx(a.from_m, abs=0.011)
        assert b.to_m == pytest.approx(a.to_m, abs=0.011)
        if a.margin_m is not None:
            assert b.margin_m == pytest.approx(a.margin_m, abs=0.01)


# ------------------------------------------------------------------------- guards and restraint


def test_guarded_stretches_are_named_and_in_no_fall_state():
    roof = flat_roof()
    guards = [[(5.0, 20.0, "guardrail")], [], [], []]
    segments = run(roof, (10, 4, 6), 6.0, guards=guards)
    mine = [s for s in segments if s.edge == "E1"]
    guarded = [s for s in mine if s.protection]
    assert [(s.from_m, s.to_m, s.state) for s in guarded] == [(5.0, 20.0, "beyond")]
    assert any(STATES.index(s.state) <= 2 for s in mine if s.to_m <= 5.0)


@pytest.mark.parametrize("at", [(10, 8, 6), (3, 9, 6), (10, 10, 9)])
def test_restraint_is_the_longest_line_that_passes_no_edge(at):
    roof = flat_roof()
    boundary = make_boundary(roof, PRACTICE.attachment, STEEP)
    ruler = StraightRuler(np.asarray(at, dtype=float))
    guards = [[] for _ in boundary.edges]
    length = restraint_length(boundary, ruler, PRACTICE, 0.5, guards)
    way = min(at[0], at[1], 20 - at[0], 20 - at[1])
    nearest = np.hypot(way, at[2] - 6)
    assert length == pytest.approx(nearest - 0.5 - 4 * FT, abs=0.01)
    assert length <= nearest - 0.5 - 4 * FT + 1e-9
    assert falling(run(roof, at, length)) == 0
    assert falling(run(roof, at, length + 0.52)) > 0


def test_no_line_restrains_beside_an_edge():
    roof = flat_roof()
    boundary = make_boundary(roof, PRACTICE.attachment, STEEP)
    ruler = StraightRuler(np.array([10.0, 1.0, 6.0]))
    assert restraint_length(boundary, ruler, PRACTICE, 0.5, [[] for _ in boundary.edges]) <= 0


def test_stretch_by_energy_balance():
    """X = W h / (F - W): 282 lbf, 6 ft, 900 lbf gives 32.85 in; 100 kg, 4 m, 4.5 kN 1.1146 m (computed)."""
    lbf, g = 4.4482216152605, 9.80665
    wide = replace(PRACTICE, extension=10.0)
    one = replace(wide, weight=282 * lbf, least_force=900 * lbf)
    assert float(one.drawn_out(6 * FT)) == pytest.approx(32.85 * IN, abs=0.01 * IN)
    two = replace(wide, weight=100 * g, least_force=4500.0)
    assert float(two.drawn_out(4.0)) == pytest.approx(1.1146, abs=1e-4)
    assert float(replace(two, least_force=900.0).drawn_out(0.5)) == 10.0  # never stopped: all of it


# ------------------------------------------------------------------------- with the real rulers


def test_rope_over_a_ridge_counts_by_its_bent_length():
    """Anchor on the far side of a ridge: the taut length is that of the unfolded planes (plane geometry)."""
    facets = [
        ("P1", "roof", [(0, 0, 6), (20, 0, 6), (20, 5, 8.5), (0, 5, 8.5)]),
        ("P2", "roof", [(20, 10, 6), (0, 10, 6), (0, 5, 8.5), (20, 5, 8.5)]),
        ("W1", "wall", [(0, 0, 0), (20, 0, 0), (20, 0, 6), (0, 0, 6)]),
        ("W2", "wall", [(20, 10, 0), (0, 10, 0), (0, 10, 6), (20, 10, 6)]),
        ("W3", "wall", [(20, 0, 0), (20, 10, 0), (20, 10, 6), (20, 5, 8.5), (20, 0, 6)]),
        ("W4", "wall", [(0, 10, 0), (0, 0, 0), (0, 0, 6), (0, 5, 8.5), (0, 10, 6)]),
    ]
    edges = [
        ("E1", "eave", True, ("P1",), (0, 0, 6), (20, 0, 6)),
        ("E2", "eave", True, ("P2",), (20, 10, 6), (0, 10, 6)),
        ("E3", "rake", True, ("P1",), (20, 0, 6), (20, 5, 8.5)),
        ("E4", "rake", True, ("P2",), (20, 5, 8.5), (20, 10, 6)),
        ("E5", "rake", True, ("P2",), (0, 10, 6), (0, 5, 8.5)),
        ("E6", "rake", True, ("P1",), (0, 5, 8.5), (0, 0, 6)),
    ]
    roof = make_roof(facets, edges)
    at = np.array([10.0, 7.0, 7.5])
    boundary = make_boundary(roof, PRACTICE.attachment, STEEP)
    guards = [[] for _ in boundary.edges]
    ruler = AnchorRuler(at, taut.prepare(roof))
    result = assess(boundary, ruler, Tie(8.0), PRACTICE, Limits(), guards)
    s = worst(make_segments(result, PRACTICE, "A1", guards), "E1")
    bent = np.hypot(2, 1) + np.hypot(5, 2.5)
    assert s.taut_length_m == pytest.approx(bent, abs=0.01)
    assert s.taut_length_m <= bent + 1e-6
    assert s.rest_point == pytest.approx([10, 0, 6], abs=0.03)


@pytest.mark.parametrize("loaded", [10.0, 10.6])
def test_anchor_line_lets_the_traveller_come_along(loaded):
    """On a level roof the taut length from a line is the distance to it, less its deflection (ellipse)."""
    roof = flat_roof(20, 20, 6)
    ruler = LineRuler(taut.prepare(roof), (Span((5.0, 8.0, 6.0), (15.0, 8.0, 6.0), loaded),))
    points = np.array([[10.0, 0, 6], [7.0, 0, 6], [1.0, 8.0, 6], [10.0, 20, 6]])
    straight = np.array([8.0, 8.0, 4.0, 12.0])
    deflection = np.sqrt(loaded**2 - 100) / 2
    lengths = ruler.measure(points)
    assert lengths.hi == pytest.approx(straight, abs=0.003)
    assert (lengths.hi >= straight - 1e-9).all()
    assert (lengths.lo <= straight - [deflection, deflection * 0.9, 0, deflection] + 1e-9).all()
    assert (lengths.lo >= straight - deflection - 0.06).all()


def test_of_two_rest_points_as_low_the_wider_swing_counts():
    """A ridge anchor between two rakes alike: whoever goes over low on one can swing to the other's."""
    h = 6 + 2.5
    facets = [
        ("P1", "roof", [(0, 0, 6), (20, 0, 6), (20, 5, h), (0, 5, h)]),
        ("P2", "roof", [(20, 10, 6), (0, 10, 6), (0, 5, h), (20, 5, h)]),
    ]
    edges = [
        ("E1", "rake", True, ("P1",), (0, 5, h), (0, 0, 6)),
        ("E2", "rake", True, ("P2",), (0, 10, 6), (0, 5, h)),
    ]
    segments = run(make_roof(facets, edges), (3, 5, h), 6.0, limits=Limits(None, 30.0))
    low = {s.edge: s for s in segments if s.state == "swing"}
    assert set(low) == {"E1", "E2"}
    assert low["E1"].swing_angle_deg == pytest.approx(low["E2"].swing_angle_deg, abs=1e-6)
    assert low["E1"].rest_point == pytest.approx(low["E2"].rest_point)


def test_free_fall_is_never_less_than_nothing():
    """An edge further off than line and D-ring height together is passed by stretch alone."""
    terms = replace(PRACTICE, harness=2.0, attachment=1.5)
    mine = [s for s in run(flat_roof(60, 30, 40), (30, 6.8, 40), 5.0, terms) if s.free_fall_m is not None]
    assert mine
    assert min(s.surplus_m for s in mine) < -1.5
    assert all(s.free_fall_m == max(0.0, 1.5 + s.surplus_m) for s in mine)


def test_a_slack_rope_slides_before_it_pulls():
    """Free fall to one side of the anchor: a body falls until it is a line's length away over the edge.

    Unfolded, the anchor is 3 m behind a level edge; straight below a place x aside the rope pulls at a depth
    of ``sqrt(L^2 - x^2) - 3`` (Pythagoras), later than where a rope held at that place would pull.
    """
    limits = Limits(0.5, None)  # cuts the edge where the swing drop is 0.5 m
    found = run(flat_roof(40, 30, 40), (20, 3, 40), 6.0, limits=limits)
    segments = [s for s in found if s.edge == "E1" and s.surplus_m > 0]
    greatest = max(s.free_fall_m for s in segments)
    assert greatest == pytest.approx(PRACTICE.attachment + 3.0, abs=0.02)  # at the foot of the anchor
    beside = [s for s in segments if not s.from_m < 20 < s.to_m]
    for segment in beside:
        x = max(0.0, segment.from_m - 20, 20 - segment.to_m)
        truth = PRACTICE.attachment + np.sqrt(max(36 - x * x, 0)) - 3
        assert segment.free_fall_m >= truth - 1e-9
        assert segment.free_fall_m <= truth + 0.3
    held_there = [PRACTICE.attachment + 6 - np.hypot(3, max(0.0, s.from_m - 20, 20 - s.to_m)) for s in beside]
    assert any(s.free_fall_m > h + 0.1 for s, h in zip(beside, held_there, strict=True))
