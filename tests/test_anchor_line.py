"""Anchor lines: textbook cables, load-cell pairs, an independent solver, and what must never improve."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import brentq, minimize

from roof3d import formulas
from roof3d.arrest.anchor_line import LineInSeries, build, equilibrium
from roof3d.arrest.cable import Net, Run, _derivatives, _potential, hanging, solve
from roof3d.arrest.equipment import Connector, Range
from roof3d.arrest.integrate import integrate
from roof3d.arrest.laid import Lay
from roof3d.arrest.person import stop
from roof3d.arrest.spans import developed, line_loads, span_places
from roof3d.errors import InputError
from roof3d.records import AnchorLine, Rope, Support
from roof3d.rules import load_rules

FT, LBF, G = 0.3048, 4.4482216152605, 9.80665
DOWN = np.array([0.0, 0.0, -1.0])


def line(spans, *, stiffness=2.5e6, pretension=0.0, mass=0.0, **more):
    """A level anchor line along x with the given span lengths."""
    xs = np.concatenate([[0.0], np.cumsum(spans)])
    rope = Rope(stiffness=stiffness, mass_per_length=mass)
    points = tuple((float(x), 0.0, 5.0) for x in xs)
    return AnchorLine("H", points, rope=rope, pretension=pretension, **more)


def middle(record, force, span=0):
    """Sag (m) and pull (N) with a downward force at the traveller of one span."""
    model = build(record)
    state, _, (node,), points = equilibrium(model, {span: DOWN * force}, stiffness=model.stiffness.least)
    ends = (state.places[points[span]] + state.places[points[span + 1]]) / 2
    return float(ends[2] - state.places[node, 2]), state.pulls[0]


# --------------------------------------------------------------------------- one span, closed forms


@pytest.mark.parametrize(
    ("span", "pretension", "sag", "pull"),
    [
        (10.0, 0.0, 0.67244, 22_508),
        (10.0, 1000.0, 0.66231, 22_846),
        (10.0, 5000.0, 0.62193, 24_304),
        (20.0, 0.0, 1.34488, 22_508),
    ],
)
def test_elastic_span_with_a_load_in_the_middle(span, pretension, sag, pull):
    # Exact solution of T = K (S / R - 1), P = 4 T y / S by hand, K = 2.5 MN, P = 6 kN.
    got = middle(line([span], pretension=pretension), 6000.0)
    assert got == pytest.approx((sag, pull), rel=5e-5)
    s = math.hypot(span, 2 * got[0])
    assert pytest.approx(2 * got[1] * 2 * got[0] / s, rel=1e-9) == 6000.0


@pytest.mark.parametrize("angle", [5.0, 15.0])
def test_amplification_of_29_cfr_1926_subpart_m_appendix_c(angle):
    # II(h)(6): about 2:1 at 15 degrees of sag, about 6:1 at 5 degrees. The line's length is chosen to
    # sag by that angle under the load; the solver has to come to the angle and the pull by itself.
    load, span, stiffness = 1000.0, 10.0, 1.0e9
    pull = load / (2 * math.sin(math.radians(angle)))
    length = span / math.cos(math.radians(angle))
    net = Net(
        np.array([[0.0, 0, 0], [span / 2, 0, 0], [span, 0, 0]]),
        np.array([np.inf, 0.0, np.inf]),
        (Run((0, 1, 2), length / (1 + pull / stiffness), stiffness),),
    )
    state = solve(net, np.array([[0, 0, 0], [0, 0, -load], [0, 0, 0.0]]))
    assert state.pulls[0] / load == pytest.approx({5.0: 6.0, 15.0: 2.0}[angle], rel=0.05)
    assert state.pulls[0] == pytest.approx(pull, rel=1e-7)
    assert np.linalg.norm(state.forces[0]) == pytest.approx(pull, rel=1e-7)


def test_small_angle_series():
    # (P L^3 / 8K)^(1/3), first term; the next is smaller by the square of the sag angle.
    for force in (6.0, 60.0, 600.0):
        sag, _ = middle(line([10.0]), force)
        first = formulas.small_sag(force, 10.0, 2.5e6)
        assert sag == pytest.approx(first, rel=2 * (2 * first / 10.0) ** 2 + 1e-6)


def test_stiff_line_in_the_limit_of_no_sag():
    sags = [middle(line([10.0], stiffness=k), 1000.0)[0] for k in (1e6, 1e8, 1e10)]
    assert sags[0] > sags[1] > sags[2] > 0
    # cube-root law: a hundredfold stiffness divides the sag by 100^(1/3)
    assert sags[1] / sags[2] == pytest.approx(100 ** (1 / 3), rel=1e-3)


@pytest.mark.parametrize(
    ("spans", "sag", "pull"), [(1, 0.6623, 22_846), (3, 0.9533, 16_018), (5, 1.1298, 13_611)]
)
def test_rope_that_slides_through_its_supports(spans, sag, pull):
    # Conserved length over all spans, frictionless supports: K = 2.5 MN, 1 kN, spans of 10 m, 6 kN.
    got = middle(line([10.0] * spans, pretension=1000.0), 6000.0, spans // 2)
    assert got == pytest.approx((sag, pull), rel=1e-4)


def test_gripping_supports_make_each_span_its_own():
    one = middle(line([10.0], pretension=1000.0), 6000.0)
    model = build(line([10.0] * 3, pretension=1000.0, support_kind="rigid"))
    state, _, (node,), points = equilibrium(model, {1: DOWN * 6000.0}, stiffness=2.5e6)
    assert 5.0 - state.places[node, 2] == pytest.approx(one[0], rel=1e-9)
    assert state.pulls == pytest.approx((1000.0, one[1], 1000.0), rel=1e-6)
    # the support carries the difference of the pulls along the line and half the load
    force = state.forces[points[1]]
    level = math.sqrt(one[1] ** 2 - 3000.0**2)
    assert force == pytest.approx([level - 1000.0, 0.0, -3000.0], rel=1e-6)


# ----------------------------------------------------------------------------- statics textbooks


def held(xs, zs, loads, level, ends):
    """Solve a cable whose loads hang on fixed points of the rope; returns the state.

    Lengths are those of the textbook's answer under its own pulls: the solver starts from straight
    chords and has to find the shape.
    """
    places = np.column_stack([xs, np.zeros(len(xs)), zs]).astype(float)
    stiffness = 5.0e6
    runs = []
    for k in range(len(xs) - 1):
        chord = float(np.linalg.norm(places[k + 1] - places[k]))
        pull = level * chord / abs(places[k + 1, 0] - places[k, 0])
        runs.append(Run((k, k + 1), chord / (1 + pull / stiffness), stiffness))
    start = places.copy()
    start[:, 2] = np.interp(xs, [xs[0], xs[-1]], [zs[0], zs[-1]])
    holds = np.zeros(len(xs))
    holds[[0, -1]] = np.inf
    forces = np.zeros_like(places)
    forces[1:-1, 2] = -np.asarray(loads)
    state = solve(Net(start, holds, tuple(runs)), forces)
    assert state.places == pytest.approx(places, abs=1e-6)
    return state


def test_load_off_the_middle():
    # H = P a b / (L y): L = 20 m, load at 5 m, sag 0.75 m, 6 kN: 30 kN; pulls 30.3356 and 30.0375 kN.
    state = held([0, 5, 20], [0, -0.75, 0], [6000.0], 30_000.0, None)
    assert state.pulls == pytest.approx((30_335.6, 30_037.5), abs=0.1)
    assert formulas.chord_pull(6000.0, 5.0, 15.0, 0.75) == pytest.approx(30_000.0)


def test_two_loads_at_the_third_points():
    # L = 18 m, 6 kN each, sag 1 m: H = 36 kN, pull at the ends 36.4966 kN (cable theorem).
    state = held([0, 6, 12, 18], [0, -1, -1, 0], [6000.0, 6000.0], 36_000.0, None)
    assert state.pulls[0] == pytest.approx(36_496.6, abs=0.1)


def test_three_loads_of_an_open_statics_text():
    # Equal bays of 2 m, 400, 600, 400 N, left support 2 m below the right one, middle load 2.25 m
    # below the right one: H = 1,600 N, left 1,627.88 N, right 1,941.65 N at 34.51 degrees.
    state = held([0, 2, 4, 6, 8], [-2, -2.375, -2.25, -1.375, 0], [400.0, 600.0, 400.0], 1600.0, None)
    assert state.pulls[0] == pytest.approx(1627.882, abs=0.01)
    assert state.pulls[-1] == pytest.approx(1941.649, abs=0.01)
    force = -state.forces[-1]
    assert math.degrees(math.atan2(force[2], force[0])) == pytest.approx(34.5085, abs=1e-3)


def test_catenaries_of_statics_texts():
    # Chain of 25 ft and 30 lb with 10 ft of sag: c = 2.8125 ft, span 12.359 ft, end pull 15.375 lb... the
    # text counts 1.2 lb/ft. Tramway: 500 ft, 2.8 lb/ft, sag 125 ft: span 411.98 ft, 875 and 525 lb.
    length, sag, end = hanging(12.359, 2.8125 * 1.2, 1.2)
    assert (length, sag, end) == pytest.approx((25.0, 10.0, 15.375), rel=2e-4)
    length, sag, end = hanging(411.98, 525.0, 2.8)
    assert (length, sag, end) == pytest.approx((500.0, 125.0, 875.0), rel=1e-4)


def test_steel_tape():
    # 50 m of tape, 1.6 kg, 60 N at the ends (g = 9.81): span 49.8561 m, sag 1.642 m.
    weight = 1.6 * 9.81 / 50
    level = brentq(lambda h: hanging(49.8561, h, weight)[2] - 60.0, 40.0, 60.0)
    length, sag, _ = hanging(49.8561, level, weight)
    assert length == pytest.approx(50.0, abs=1e-3)
    assert sag == pytest.approx(1.642, abs=1e-3)


def test_parabola_of_a_statics_text():
    # Span 50 ft, sag 10 ft, greatest pull 10,000 lb: total load 12,494 lb, T = W sqrt((L/8f)^2 + 1/4).
    total = 10_000 / math.sqrt((50 / 80) ** 2 + 0.25)
    assert total == pytest.approx(12_494, abs=1)
    assert formulas.own_weight_sag(total / 50, 50.0, total * 50 / 80) == pytest.approx(10.0)


def test_own_weight_is_small_beside_an_arrest_and_right_without_one():
    # w L^2 / (8 T): 0.39 kg/m, 20 m, 5 kN: 0.0382 m.
    heavy = build(line([20.0], pretension=5000.0, mass=0.39))
    weight = 0.39 * G
    assert hanging(20.0, 5000.0, weight)[1] == pytest.approx(0.0382, abs=1e-4)
    state, *_ = equilibrium(heavy, {}, stiffness=2.5e6)
    assert state.pulls[0] == pytest.approx(5000.0, rel=1e-4)
    # a traveller that nobody pulls on hangs where the rope does
    state, _, (node,), _ = equilibrium(heavy, {0: np.zeros(3)}, stiffness=2.5e6)
    assert 5.0 - state.places[node, 2] == pytest.approx(0.0382, rel=0.02)
    light = middle(line([20.0], pretension=5000.0), 6000.0)[0]
    loaded = middle(line([20.0], pretension=5000.0, mass=0.39), 6000.0)[0]
    assert light < loaded < light + 0.02


@pytest.mark.parametrize("mass", [0.0, 0.4, 2.0])
def test_forces_are_the_slopes_of_the_potential_with_the_ropes_own_weight_too(mass):
    # Central differences of the stored potential, a heavy slack rope over a support and a traveller.
    places = np.array([[0.0, 0, 5], [4.0, 0.3, 4.2], [9.0, 0.5, 5.1], [15.0, 0, 4.8]])
    net = Net(places, np.array([np.inf, 0.0, np.inf, np.inf]), (Run((0, 1, 2, 3), 15.15, 40_000.0, mass),))
    forces, _, (pull,) = _derivatives(net, places)
    assert 0 < pull < 1000  # so slack that the weight counts
    step = 1e-5
    for node in range(4):
        for axis in range(3):
            sides = []
            for sign in (1, -1):
                moved = places.copy()
                moved[node, axis] += sign * step
                sides.append(_potential(net, moved, np.zeros_like(places), 1e-4))
            slope = -(sides[0] - sides[1]) / (2 * step)
            assert forces[node, axis] == pytest.approx(slope, rel=1e-4, abs=1e-3)


# ------------------------------------------------------------------------ measured on the job


PAIRS = ((82, 184), (161, 266), (114, 217), (138, 245))  # lbf at mid-span of 35 ft: lifeline, anchor line


PAIRINGS = ((0, 1), (0, 2), (0, 3), (1, 2), (1, 3), (2, 3))
SPREAD = ((0, 1), (0, 2), (0, 3), (1, 2))  # the two loads differ by 30 percent or more
CLOSE = ((1, 3), (2, 3))  # by a sixth or a fifth: reading errors of a few percent grow on the way out


def cell_pull(pretension, stiffness, load):
    """Pull (lbf) of the 35 ft line by the project's solver; all in lbf."""
    record = line([35 * FT], stiffness=stiffness * LBF, pretension=pretension * LBF)
    return middle(record, load * LBF)[1] / LBF


def fitted_to(pairs):
    """Pretension and stiffness (lbf, lbf per unit strain) with the least squares of relative misfit."""

    def misfit(x):
        if not (0 < x[0] < 180 and 500 < x[1] < 20_000):
            return 1.0
        return sum((cell_pull(*x, PAIRS[k][0]) / PAIRS[k][1] - 1) ** 2 for k in pairs)

    return minimize(misfit, [91.0, 3580.0], method="Nelder-Mead", options={"xatol": 0.1, "fatol": 1e-10}).x


def cell_errors(fit):
    """Relative error of the predicted pull at each pair."""
    return np.array([cell_pull(*fit, load) / pull - 1 for load, pull in PAIRS])


@pytest.mark.parametrize("pairing", PAIRINGS)
def test_load_cell_pairs(pairing):
    # Common practice, no published source: one pretension and one stiffness fitted to two of the pairs
    # predict the pull of the other two within 3 percent, through the project's own solver. That holds for the
    # four pairings whose loads lie apart. The two whose loads lie close miss it, at 3.6 and 4.0 percent:
    # two close readings fix two numbers badly, as the next test but one shows with numbers.
    errors = cell_errors(fitted_to(pairing))
    rest = [k for k in range(4) if k not in pairing]
    assert np.abs(errors[list(pairing)]).max() < 1e-3
    if pairing in SPREAD:
        assert np.abs(errors[rest]).max() < 0.03
    else:
        missed = {(1, 3): 0.0355, (2, 3): 0.0397}[pairing]
        assert np.abs(errors[rest]).max() == pytest.approx(missed, abs=1e-3)


def test_load_cell_pairs_all_four_by_least_squares():
    # Common practice, no published source: about 91 lbf and 3,580 lbf per unit strain fit all four within
    # 2 percent. Least squares leave 0.8 percent at most: what the readings contradict one another by.
    fit = fitted_to(range(4))
    assert fit == pytest.approx([91.0, 3580.0], rel=0.05)
    assert np.abs(cell_errors(fit)).max() < 0.01
    assert np.abs(cell_errors((91.0, 3580.0))).max() < 0.02


def test_two_close_readings_carry_their_errors_many_times_larger_to_the_others():
    # Derivatives of the four pulls by pretension and stiffness (relative, through the solver) give for each
    # pairing the condition of its fit and the factor by which an error of its readings reaches the other two.
    fit, step = fitted_to(range(4)), 1e-4
    slopes = np.empty((4, 2))
    for k, (load, _) in enumerate(PAIRS):
        for j in (0, 1):
            up, down = fit.copy(), fit.copy()
            up[j], down[j] = fit[j] * (1 + step), fit[j] * (1 - step)
            slopes[k, j] = math.log(cell_pull(*up, load) / cell_pull(*down, load)) / (2 * step)
    noise = float(np.abs(cell_errors(fit)).max())
    for pairing in PAIRINGS:
        rest = [k for k in range(4) if k not in pairing]
        condition = np.linalg.cond(slopes[list(pairing)])
        carried = np.abs(slopes[rest] @ np.linalg.inv(slopes[list(pairing)])).sum(axis=1).max()
        if pairing in SPREAD:  # condition 7 to 14, factor 1 to 3.5: an error of 0.8 percent stays below 3
            assert condition < 15
            assert carried * noise < 0.03
        else:  # condition 25 and 34, factor 5 and 10: the same error becomes 4 and 8 percent
            assert condition > 24
            assert carried * noise > 0.04


def test_long_span_is_a_finding_until_a_support_cuts_it():
    # Common practice, no published source: a maker's limit of 75 ft; a line of 115 ft is over it, and a
    # support that leaves 35 ft at the place of work cuts the deflection there.
    rope = Rope(stiffness=42_000 * LBF)

    def record(*feet):
        points = tuple((f * FT, 0.0, 5.0) for f in feet)
        return AnchorLine("H", points, rope=rope, pretension=91 * LBF, maximum_span=75 * FT)

    long, split = build(record(0, 115)), build(record(0, 35, 75, 115))
    assert {f.code for f in long.findings} == {"span-over-limit"}
    assert split.findings == ()
    before = span_places(long, 2000.0)[0].deflection_m
    after = span_places(split, 2000.0)[0].deflection_m
    assert after < 0.7 * before
    gripping = build(replace(record(0, 35, 75, 115), support_kind="rigid"))
    assert span_places(gripping, 2000.0)[0].deflection_m < after


def test_fall_over_a_long_span_against_the_line_of_the_load_cells():
    # Common practice, no published source: a fall over a 115 ft unsupported span took about 8.5 ft. Nothing
    # else of it is known: not the person's weight (160 to 220 lbf assumed), nor the line's pretension (10 to
    # 15 lbf, snug, or the load cells' 91 lbf), nor its stiffness, nor what the line rested on.
    fit = fitted_to(range(4))

    def sag(stiffness, pretension, weight):
        record = line([115 * FT], stiffness=stiffness * LBF, pretension=pretension * LBF)
        return span_places(build(record), weight * LBF)[0].deflection_m / FT

    # The load cells' rope, free over 115 ft, sags by 18 to 23 ft under the weight alone. So the 8.5 ft cannot
    # be that rope hanging free: the two are not of one line, or the roof held it. The claim errs on the safe
    # side.
    free = [sag(fit[1], pretension, weight) for pretension in (12.5, fit[0]) for weight in (160, 220)]
    assert min(free) == pytest.approx(18.2, abs=0.1)
    assert max(free) == pytest.approx(23.4, abs=0.2)
    # Sag under a load goes with the span, so that rope comes to 8.5 ft over a free length of 42 to 54 ft.
    lengths = [115 * 8.5 / s for s in free]
    assert (min(lengths), max(lengths)) == pytest.approx((42, 54), abs=1)
    record = line([lengths[0] * FT], stiffness=fit[1] * LBF, pretension=12.5 * LBF)
    assert span_places(build(record), 160 * LBF)[0].deflection_m == pytest.approx(8.5 * FT, rel=1e-6)
    # Free over all 115 ft, it has to be a line of 49,000 to 68,000 lbf per unit strain, fourteen times as
    # stiff or more (under the weight alone), which a steel rope is and a textile one is not.
    for weight, stiffness in ((160, 49_000), (220, 68_000)):
        found = brentq(lambda k, w=weight: sag(k, 12.5, w) - 8.5, 5_000.0, 500_000.0)
        assert found == pytest.approx(stiffness, rel=0.02)
        assert found > 12 * fit[1]
    # Without any data of the rope, the sag that is claimed is more than all of these.
    bare = build(AnchorLine("H", ((0.0, 0, 0), (115 * FT, 0, 0))))
    assert span_places(bare, 160 * LBF)[0].deflection_m / FT > max(free)


HOUSES = ((32, 6 / 12), (28, 4 / 12), (36, 6 / 12), (30, 8 / 12))  # ft wide, rise over run; invented


def sag_over_a_house(width, pitch, pretension, weight, stiffness, *, gripped):
    """Sag (ft) of a line of 115 ft from the ground over the ridge to the ground behind, and what is claimed.

    Eaves 9.5 ft up (8.5 ft of fall and the foot that was left), both stakes as far out as the rope goes. From
    stake to ridge it runs clear of the eave. The traveller is 1 ft outside the eave, where the worker's line
    goes over it: what pulls it back to the house is found with it. ``gripped``: the ridge holds the rope, or
    it slides there.
    """
    ridge = np.array([0.0, 0.0, 9.5 + width / 2 * pitch]) * FT
    stake = np.array([math.sqrt((57.5 * FT) ** 2 - ridge[2] ** 2), 0.0, 0.0])
    out = (width / 2 + 1) * FT
    rest = ridge[2] * (1 - out / stake[0])
    assert rest > 9.5 * FT  # clear of the eave
    lies = Lay(ridge[None], 115 * FT, 115 * FT, 0.0, True)
    record = AnchorLine(
        "H",
        (tuple(stake), tuple(stake * [-1, 1, 1])),
        rope=Rope(stiffness=stiffness * LBF),
        pretension=pretension * LBF,
    )
    model = replace(build(record, lengths=[115 * FT], lays=[lies]), grips=gripped)

    def traveller(level):
        load = np.array([level, 0.0, -weight * LBF])
        state, _, (node,), _ = equilibrium(model, {0: load}, stiffness=stiffness * LBF, legs={0: 0})
        return state.places[node]

    level = brentq(lambda h: traveller(h)[0] - out, -2 * weight * LBF, 2 * weight * LBF, xtol=1e-6)
    (claimed,) = span_places(model, weight * LBF)
    return (rest - traveller(level)[2]) / FT, claimed.deflection_m / FT


def test_fall_over_a_long_line_that_lies_over_a_house():
    # Common practice, no published source: a fall over a 115 ft unsupported span took about 8.5 ft and ended
    # about 1 ft above the ground. Free over 115 ft the load cells' rope sags by 18 to 23 ft (see above). Here
    # it lies over a house instead. Assumed, for nothing of it is known: four gable houses of ordinary shapes,
    # the line square over the ridge in its middle, the person's weight alone at the eave.
    _, stiffness = fitted_to(range(4))

    def sags(pretension, weight, gripped):
        return [sag_over_a_house(*h, pretension, weight, stiffness, gripped=gripped) for h in HOUSES]

    # Held by the ridge, at the load cells' pretension and 160 lbf, it is 8.7 to 9.6 ft: within 15 percent of
    # 8.5 ft on all four houses. That is one end of what is assumed:
    held = sags(91.0, 160.0, True)
    for sag, _ in held:
        assert sag == pytest.approx(8.5, rel=0.15)
    # 220 lbf, a line that is only snug (12.5 lbf), or a ridge that it slides over make it 10 to 16 ft. So the
    # 8.5 ft are not what the solver predicts, they are within what it cannot exclude, at the lower end ...
    others = [
        sags(pretension, weight, gripped)
        for gripped in (True, False)
        for pretension in (91.0, 12.5)
        for weight in (160.0, 220.0)
    ]
    every = [entry for row in others for entry in row]
    assert min(sag for sag, _ in every) == pytest.approx(8.65, abs=0.1)
    assert max(sag for sag, _ in every) == pytest.approx(16.1, abs=0.2)
    # ... and what is claimed is on the safe side of all of it.
    assert all(claimed > sag for sag, claimed in every)


# --------------------------------------------------------------------------- an independent solver


def by_another_road(points, holds, groups, stiffness, pretension, span, load):
    """Least potential energy by a general-purpose minimiser, rope lengths written out anew.

    ``groups`` are lists of span numbers that share one rope. Supports with a finite hold may move.
    """
    points = np.asarray(points, dtype=float)
    movable = [i for i, hold in enumerate(holds) if np.isfinite(hold)]

    def energy(x):
        where = points.copy()
        for k, i in enumerate(movable):
            where[i] = x[3 + 3 * k : 6 + 3 * k]
        q = x[:3]
        total = -float(load @ q)
        for k, i in enumerate(movable):
            total += holds[i] * float(np.sum((x[3 + 3 * k : 6 + 3 * k] - points[i]) ** 2)) / 2
        for group in groups:
            rest = sum(np.linalg.norm(points[j + 1] - points[j]) for j in group) / (
                1 + pretension / stiffness
            )
            now = sum(
                np.linalg.norm(q - where[j]) + np.linalg.norm(q - where[j + 1])
                if j == span
                else np.linalg.norm(where[j + 1] - where[j])
                for j in group
            )
            total += stiffness * max(0.0, now - rest) ** 2 / (2 * rest)
        return total

    start = [(points[span] + points[span + 1]) / 2 + load / np.linalg.norm(load) * 0.3]
    start += [points[i] for i in movable]
    best = minimize(energy, np.concatenate(start), method="BFGS", options={"gtol": 1e-7, "maxiter": 5000})
    return minimize(
        energy, best.x, method="Nelder-Mead", options={"xatol": 1e-9, "fatol": 1e-12, "maxiter": 4000}
    ).x[:3]


@pytest.mark.parametrize("kind", ["pass-through", "rigid", "flexible"])
@pytest.mark.parametrize("load", [(0.0, 0.0, -4000.0), (300.0, -2500.0, -1500.0)])
def test_bent_line_over_supports_against_a_general_minimiser(kind, load):
    points = ((0.0, 0, 5), (6.0, 0.5, 5.2), (15.0, 0, 5.0), (19.0, -1.0, 4.6))
    record = AnchorLine(
        "H",
        points,
        rope=Rope(stiffness=60_000.0),
        pretension=800.0,
        support_kind=kind,
        support_stiffness=9000.0,
    )
    model = build(record)
    state, _, (node,), _ = equilibrium(model, {1: np.array(load)}, stiffness=60_000.0)
    groups = [[0], [1], [2]] if kind == "rigid" else [[0, 1, 2]]
    holds = [np.inf, *([9000.0 if kind == "flexible" else np.inf] * 2), np.inf]
    expected = by_another_road(points, holds, groups, 60_000.0, 800.0, 1, np.array(load))
    assert state.places[node] == pytest.approx(expected, abs=2e-4)
    assert state.residual < 1e-4


def test_physics_engine_agrees_on_the_sag():
    mujoco = pytest.importorskip("mujoco", reason="mujoco (dev extra) is not installed")
    span, stiffness, mass = 8.0, 40_000.0, 60.0
    record = line([span], stiffness=stiffness)
    sag, pull = middle(record, mass * G)
    model = mujoco.MjModel.from_xml_string(
        f"""<mujoco><option timestep="0.0005" gravity="0 0 -{G}" integrator="implicitfast"/>
        <worldbody><site name="a" pos="0 0 0"/><site name="b" pos="{span} 0 0"/>
        <body name="traveller" pos="{span / 2} 0 -0.2">
        <joint type="slide" axis="0 0 1" damping="400"/><geom size="0.05" mass="{mass}"/>
        <site name="q"/></body></worldbody>
        <tendon><spatial name="rope" springlength="0 {span}" stiffness="{stiffness / span}">
        <site site="a"/><site site="q"/><site site="b"/></spatial></tendon></mujoco>"""
    )
    data = mujoco.MjData(model)
    for _ in range(20_000):
        mujoco.mj_step(model, data)
    assert 0.2 - data.qpos[0] == pytest.approx(sag, rel=1e-4)
    assert (data.ten_length[0] - span) * stiffness / span == pytest.approx(pull, rel=1e-4)


# -------------------------------------------------------------------------------------- the plan


def test_friction_at_supports_raises_the_loads_up_to_those_of_a_grip():
    # Three spans of 10 m, K = 2.5 MN, 1 kN, 6 kN: 16.018 kN sliding freely, 22.846 kN gripped (both by
    # hand, above). The rope turns by the sag angle atan(2 x 0.9533 / 10) at the two supports beside the
    # load: belt friction (statics textbooks, exp(mu b)) allows no more than exp(0.5 x 2 x 0.1884).
    record = line([10.0] * 3, pretension=1000.0)
    slides = 16_018.0
    turned = 2 * math.atan(2 * 0.9533 / 10.0)
    loads = line_loads(build(record), 6000.0)
    assert loads.spans[1].pull_n == pytest.approx(slides * math.exp(0.5 * turned), rel=1e-3)
    assert slides < loads.points[0].magnitude_n <= 22_846.0 * (1 + 1e-3)
    gripped = line_loads(build(replace(record, support_kind="rigid")), 6000.0)
    assert gripped.greatest_pull_n == pytest.approx(22_846.0, rel=1e-4)
    assert loads.greatest_pull_n <= gripped.greatest_pull_n * (1 + 1e-9)
    # sag is claimed without friction
    assert loads.spans[1].deflection_m == pytest.approx(0.9533, rel=1e-3)


def test_friction_tilts_the_pull_on_a_passing_support_to_either_side():
    # The same line. Beside the load the pulls on both sides of a support are unlike by exp(0.5 x 2 x 0.1884),
    # 1.207; one level, one 0.1884 rad down: by hand, atan((1.207 cos - 1) / (1.207 sin)) = 39.5 degrees off
    # the plumb toward the load, atan((1.207 - cos) / sin) = 50.2 away from it; without friction 5.4.
    loads = line_loads(build(line([10.0] * 3, pretension=1000.0)), 6000.0)
    tilts = [math.degrees(math.atan2(pull.load[0], -pull.load[2])) for pull in loads.points[1].pulls]
    a = math.atan(2 * 0.9533 / 10.0)
    f = math.exp(0.5 * 2 * a)
    toward = math.degrees(math.atan2(f * math.cos(a) - 1, f * math.sin(a)))
    away = math.degrees(math.atan2(f - math.cos(a), math.sin(a)))
    for expected in (toward, -away):
        # directions within a degree are kept once
        assert min(abs(tilt - expected) for tilt in tilts) < 1.0
    assert min(tilts) < -45
    assert max(tilts) > 45


@settings(max_examples=25, deadline=None)
@given(
    st.lists(st.floats(2.0, 20.0), min_size=2, max_size=4),
    st.floats(0.0, 3000.0),
    st.floats(2e4, 2e6),
    st.floats(500.0, 8000.0),
)
def test_loads_at_passing_supports_lie_between_a_free_slide_and_a_grip(spans, pretension, stiffness, force):
    record = line(spans, pretension=pretension, stiffness=stiffness)
    model = build(record)
    slides = max(
        equilibrium(model, {span: DOWN * force}, stiffness=stiffness)[0].pulls[0]
        for span in range(len(spans))
    )
    loads = line_loads(model, force)
    gripped = line_loads(build(replace(record, support_kind="rigid")), force)
    assert slides * (1 - 1e-9) <= loads.greatest_pull_n <= gripped.greatest_pull_n * (1 + 1e-6)
    # a load never hangs on less than itself, and no end on less than the pull of its span
    assert loads.points[0].magnitude_n >= loads.spans[0].pull_n * (1 - 1e-9)


def test_ends_carry_the_pull_however_the_line_leaves_them():
    # Over a gable the rope does not leave its ends along the chord through the house.
    record = AnchorLine("H", ((6.0, -8.0, 4.0), (6.0, 16.0, 0.2)), rope=Rope(stiffness=1e6), pretension=1e3)
    loads = line_loads(build(record, lengths=[25.084]), 5500.0)
    for point in loads.points:
        assert point.magnitude_n == pytest.approx(loads.greatest_pull_n)
        assert np.linalg.norm(point.load) == pytest.approx(point.magnitude_n)
    # a support beside a span that rests on something may carry both spans
    record = line([8.0, 8.0], pretension=1000.0)
    loads = line_loads(build(record, lengths=[9.0, 8.0]), 5500.0)
    assert loads.points[1].magnitude_n == pytest.approx(loads.spans[0].pull_n + loads.spans[1].pull_n)


def test_forces_balance_and_load_vectors_point_inward():
    got = line_loads(build(line([8.0, 12.0], pretension=2000.0, workers=1)), 6000.0)
    first, support, last = got.points
    assert first.kind == last.kind == "end"
    assert first.load[0] > 0 > last.load[0]
    assert support.magnitude_n >= 6000.0
    assert got.greatest_pull_n >= first.magnitude_n * (1 - 1e-9)


def test_several_workers_load_more_than_one():
    record = line([10.0, 10.0], pretension=1000.0, stiffness=4e5, maximum_workers=4)
    ends, sags = [], []
    for workers in (1, 2, 3, 4):
        got = line_loads(build(replace(record, workers=workers)), 4000.0)
        ends.append(got.points[0].magnitude_n)
        sags.append(got.spans[0].deflection_m)
    assert all(b > a for a, b in pairwise(ends))
    assert all(b > a for a, b in pairwise(sags))
    assert ends[-1] > 2 * ends[0]
    # two fall with twice the force of one
    double = span_places(build(record), 8000.0)[0]
    assert sags[1] == pytest.approx(double.deflection_m)
    assert line_loads(build(replace(record, workers=2)), 4000.0).spans[0].length == pytest.approx(
        double.length
    )


def test_workers_in_other_spans_never_pull_the_line_up_for_the_claim():
    # A fall elsewhere on a sliding rope lifts this span; the claim reckons without it.
    model = build(line([10.0, 10.0], pretension=1000.0, stiffness=4e5))
    alone = span_places(model, 4000.0)[0]
    state, _, nodes, _ = equilibrium(model, {0: DOWN * 4000, 1: DOWN * 4000}, stiffness=4e5)
    assert 5.0 - state.places[nodes[0], 2] < alone.deflection_m


def test_traveller_that_slides_up_to_a_support_hangs_there():
    # On a steep span a free traveller runs down to the lower support; the load then hangs on that one.
    points = ((0.0, 0.0, 9.0), (4.0, 0.0, 5.0), (9.0, 0.0, 5.0))
    record = AnchorLine("H", points, rope=Rope(stiffness=2.0e6), pretension=3000.0)
    state, _, (node,), nodes = equilibrium(build(record), {0: DOWN * 500.0}, stiffness=2.0e6)
    assert state.places[node] == pytest.approx(points[1], abs=1e-3)
    assert state.residual < 1e-2
    total = sum(state.forces[k] for k in nodes)
    assert total == pytest.approx([0.0, 0.0, -500.0], abs=1e-2)
    # lengths are rounded off below 0.1 mm, here worth a few newtons, on the side of more pull
    assert 3000.0 <= state.pulls[0] <= 3020.0


@pytest.mark.parametrize("seed", range(12))
def test_any_line_with_any_load_is_solved(seed):
    random = np.random.default_rng(seed)
    count = int(random.integers(2, 6))
    points = np.cumsum(random.normal(size=(count, 3)) * [8, 3, 1] + [4, 0, 0], axis=0)
    rope = Rope(stiffness=10 ** random.uniform(3.5, 7.5), mass_per_length=float(random.choice([0.0, 0.1])))
    record = AnchorLine(
        "H",
        tuple(map(tuple, points)),
        rope=rope,
        pretension=float(random.choice([0.0, 10 ** random.uniform(2.5, 4)])),
        support_kind=("pass-through", "rigid", "flexible")[seed % 3],
        support_stiffness=10 ** random.uniform(3, 6),
        workers=int(random.integers(1, 4)),
        maximum_workers=4,
    )
    force = 10 ** random.uniform(2, 4.3)
    got = line_loads(build(record), force, directions=[DOWN, random.normal(size=3)])
    figures = [s.length for s in got.spans] + [s.pull_n for s in got.spans]
    figures += [p.magnitude_n for p in got.points]
    assert np.all(np.isfinite(figures))
    assert max(p.magnitude_n for p in got.points) >= force * (1 - 1e-6)


def test_traveller_places_hold_every_equilibrium():
    points = ((0.0, 0, 5), (6.0, 0.5, 5.2), (15.0, 0, 5.0))
    for kind in ("pass-through", "rigid", "flexible"):
        record = AnchorLine(
            "H",
            points,
            rope=Rope(stiffness=60_000.0),
            pretension=800.0,
            support_kind=kind,
            support_stiffness=9000.0,
        )
        model = build(record)
        places = span_places(model, 3000.0)
        random = np.random.default_rng(5)
        for _ in range(25):
            way = random.normal(size=3)
            way *= 3000.0 / np.linalg.norm(way)
            for span in (0, 1):
                state, _, (node,), _ = equilibrium(model, {span: way}, stiffness=60_000.0)
                q = state.places[node]
                s = places[span]
                assert np.linalg.norm(q - s.p1) + np.linalg.norm(q - s.p2) <= s.length + 1e-6


def test_line_laid_over_a_ridge_counts_its_whole_length():
    record = line([10.0], pretension=1000.0)
    straight = span_places(build(record), 6000.0)[0]
    laid = span_places(build(record, lengths=[11.0]), 6000.0)[0]
    assert laid.unloaded == pytest.approx(11.0)
    assert laid.length - laid.unloaded > straight.length - straight.unloaded
    assert developed(build(record, lengths=[11.0])).points[-1, 0] == pytest.approx(11.0)


def test_missing_data_are_findings_and_the_worse_reading():
    bare = AnchorLine("H", ((0.0, 0, 5), (10.0, 0, 5)))
    model = build(bare)
    assert {f.code for f in model.findings} == {"anchor-line-stiffness-unknown", "pretension-unknown"}
    known = build(line([10.0], stiffness=3580 * LBF, pretension=91 * LBF))
    assert span_places(model, 2000.0)[0].length > span_places(known, 2000.0)[0].length


def test_energy_of_the_line_is_the_work_done_on_it():
    series = LineInSeries(build(line([10.0, 8.0], stiffness=50_000.0, pretension=500.0)), 0, 50_000.0)
    forces = np.linspace(0.0, 3000.0, 241)
    travel = np.array([series.travel(float(f)) for f in forces])
    assert series.energy(3000.0) == pytest.approx(float(np.trapezoid(forces, travel)), rel=1e-3)
    assert np.all(np.diff(travel) > 0)


@pytest.mark.parametrize("fall", [0.5, 1.8])
def test_arrest_on_an_anchor_line_by_integration_over_time(fall):
    # The line's own force curve, a mass and an absorber of constant force, integrated over time.
    mass, force, stiffness = 100.0, 4500.0, 80_000.0
    series = LineInSeries(build(line([10.0, 8.0], stiffness=stiffness, pretension=800.0)), 0, stiffness)
    forces = np.concatenate([np.linspace(0, 60, 200), np.linspace(60.5, force, 500)])
    travel = np.array([series.travel(float(f)) for f in forces])
    motion = integrate(
        mass, fall, lambda x: float(np.interp(x, travel, forces)), yield_force=force, yield_at=travel[-1]
    )
    connector = Connector(
        kind="lanyard",
        absorbs=True,
        average_force=Range(force, force),
        peak_force=force,
        maximum_extension=5.0,
        activation_distance=0.0,
        stiffness=None,
        strain=0.0,
        harness_stretch=0.0,
        deceleration=1.0,
        extension_known=True,
    )
    rules = load_rules("us-construction")
    got = stop(mass, fall, connector, 2.0, rules, anchor_line=series)
    w = mass * G
    exact = max(0.0, (w * (fall + travel[-1]) - series.energy(force)) / (force - w))
    assert motion.extensions.max() == pytest.approx(exact, abs=2e-3)
    assert got.absorber_m >= exact - 1e-9
    assert got.elongation_m + got.anchor_line_m >= motion.lowest - fall - 1e-3


def test_workers_falling_together_share_the_lines_energy():
    model = build(line([10.0], stiffness=80_000.0, pretension=800.0))
    one, two = LineInSeries(model, 0, 80_000.0), LineInSeries(model, 0, 80_000.0, workers=2)
    assert two.travel(2000.0) == pytest.approx(one.travel(4000.0))
    assert two.energy(2000.0) == pytest.approx(one.energy(4000.0) / 2)


def test_moving_turning_and_rescaling_change_nothing():
    points = np.array([[0.0, 0, 5], [6.0, 0.5, 5.2], [15.0, 0, 5.0]])
    rope = Rope(stiffness=60_000.0)

    def run(where):
        record = AnchorLine("H", tuple(map(tuple, where)), rope=rope, pretension=800.0)
        got = line_loads(build(record), 3000.0)
        return [s.length for s in got.spans] + [p.magnitude_n for p in got.points]

    turn = np.array([[0.6, -0.8, 0], [0.8, 0.6, 0], [0, 0, 1.0]])
    base = run(points)
    # the solver stops at 1e-9 of its largest force
    assert run(points @ turn.T + [5.0, -7.0, 3.0]) == pytest.approx(base, rel=1e-8)
    assert run(points[::-1])[:2] == pytest.approx(base[1::-1], rel=1e-8)


# ------------------------------------------------------------------------------------- metamorphic


@settings(max_examples=30, deadline=None)
@given(
    st.floats(2.0, 20.0),
    st.floats(2.0, 20.0),
    st.floats(0.0, 3000.0),
    st.floats(2e4, 2e6),
    st.floats(500.0, 8000.0),
    st.floats(1.01, 1.6),
    st.sampled_from(["pass-through", "rigid"]),
)
def test_softer_longer_slacker_or_heavier_never_sags_less(a, b, pretension, stiffness, force, factor, kind):
    def sag(spans, pretension, stiffness, force):
        record = line(spans, pretension=pretension, stiffness=stiffness, support_kind=kind)
        return span_places(build(record), force)[0].deflection_m

    base = sag([a, b], pretension, stiffness, force)
    assert sag([a, b], pretension / factor, stiffness, force) >= base - 1e-7
    assert sag([a * factor, b], pretension, stiffness, force) >= base - 1e-7
    assert sag([a, b * factor], pretension, stiffness, force) >= base - 1e-7
    assert sag([a, b], pretension, stiffness / factor, force) >= base - 1e-7
    assert sag([a, b], pretension, stiffness, force * factor) >= base - 1e-7


@settings(max_examples=40, deadline=None)
@given(st.floats(4.0, 30.0), st.floats(0.1, 0.9), st.floats(0.0, 2000.0), st.floats(2e4, 2e6))
def test_adding_a_support_never_deepens_the_sag(span, share, pretension, stiffness):
    one = span_places(build(line([span], pretension=pretension, stiffness=stiffness)), 4000.0)
    two = span_places(
        build(line([span * share, span * (1 - share)], pretension=pretension, stiffness=stiffness)), 4000.0
    )
    assert max(s.deflection_m for s in two) <= one[0].deflection_m + 1e-9


@settings(max_examples=40, deadline=None)
@given(
    st.floats(3.0, 40.0),
    st.floats(1.0, 2000.0),
    st.floats(5e3, 3e6),
    st.floats(0.0, 0.5),
    st.floats(0.0, 9000.0),
)
def test_the_solver_always_balances(span, pretension, stiffness, mass, force):
    record = line([span, span / 2], pretension=pretension, stiffness=stiffness, mass=mass)
    sag = mass * G * span / (8 * pretension)  # over the span
    if sag > 0.5:
        with pytest.raises(InputError, match="pretension"):
            build(record)
        return
    model = build(record)
    assert ("anchor-line-slack" in {f.code for f in model.findings}) == (sag > 0.1)
    state, *_ = equilibrium(model, {0: DOWN * force}, stiffness=stiffness)
    assert np.all(np.isfinite(state.places))
    assert all(math.isfinite(p) and p >= 0 for p in state.pulls)


# --------------------------------------------------------------------------------------- bad input


@pytest.mark.parametrize(
    ("record", "message"),
    [
        (line([10.0], stiffness=0.0), "stiffness"),
        (line([10.0], stiffness=-1.0), "stiffness"),
        (line([10.0], stiffness=math.nan), "stiffness"),
        (line([10.0], stiffness=1e-300), "at least 1e-06"),
        (line([10.0], pretension=1e300), "at most 1e"),
        (line([10.0], pretension=-1.0), "pretension"),
        (line([10.0], pretension=math.inf), "pretension"),
        (line([10.0, 0.0]), "points"),
        (line([10.0], mass=-0.1), "mass_per_length"),
        (line([5.0, 5.0], support_kind="glued"), "support_kind"),
        (line([5.0, 5.0], support_kind="flexible"), "support_stiffness"),
        (line([5.0, 5.0], support_kind="flexible", support_stiffness=0.0), "support_stiffness"),
        (line([10.0], workers=0), "workers"),
        (line([10.0], workers=9), "workers"),
        (line([10.0], maximum_span=-3.0), "maximum_span"),
        (AnchorLine("H", ((0.0, 0, 0), (math.nan, 0, 0))), "points"),
        (AnchorLine("H", ((0.0, 0, 0),)), "points"),
        (AnchorLine("H", ((0.0, 0, 0), (5.0, 0, 0)), rope=Rope(name="cobweb")), "cobweb"),
        (line([5.0, 5.0], supports=(Support(at=(5.0, 3.0, 5.0)),)), "supports"),
        (line([5.0], supports=(Support(at=(2.0, 0.0, 5.0)),)), "supports"),
    ],
)
def test_impossible_lines_are_refused_in_one_line(record, message):
    with pytest.raises(InputError, match=message) as caught:
        build(record)
    assert "\n" not in str(caught.value)


def test_single_supports_may_differ():
    record = line(
        [5.0, 5.0, 5.0],
        end_rating=20e3,
        support_rating=9e3,
        supports=(Support(at=(5.0, 0.0, 5.0), kind="rigid", rating=12e3),),
    )
    model = build(record)
    assert model.kinds == ("rigid", "pass-through")
    assert [rating.strength for rating in model.ratings] == [20e3, 12e3, 9e3, 20e3]
    # what a single support does not say is as the line says of all
    partly = build(
        line(
            [5.0, 5.0, 5.0],
            support_kind="flexible",
            support_stiffness=7000.0,
            support_rating=9e3,
            supports=(
                Support(at=(5.0, 0.0, 5.0), rating=12e3),
                Support(at=(10.0, 0.0, 5.0), stiffness=5000.0),
            ),
        )
    )
    assert partly.kinds == ("flexible", "flexible")
    assert partly.holds == (7000.0, 5000.0)
    assert [rating.strength for rating in partly.ratings[1:3]] == [12e3, 9e3]


def test_too_many_workers_and_overstretched_ropes_are_findings():
    model = build(line([10.0], workers=2, maximum_workers=1))
    assert "workers-over-limit" in {f.code for f in model.findings}
    soft = line_loads(build(line([10.0], stiffness=8000.0)), 8000.0)
    assert "anchor-line-overstretched" in {f.code for f in soft.findings}
