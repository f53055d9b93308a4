"""Anchor lines that rest on a ridge: against least elastic energy with the roof in the way, by scipy."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from scipy.optimize import minimize, minimize_scalar

from roof3d import building, taut
from roof3d.arrest.anchor_line import build, developed, equilibrium, softest_span
from roof3d.arrest.laid import Rest, lay
from roof3d.arrest.spans import line_loads, span_places
from roof3d.fall import LineRuler, Span
from roof3d.plan import read_plan
from roof3d.records import AnchorLine, Rope
from tests.conftest import MODELS

DOWN = np.array([0.0, 0.0, -1.0])


def lying(*spans):
    """How the rope lies in each span, from its bends there: its shortest way, without friction."""
    found = []
    for first, last, bends in spans:
        edges = [Rest(np.asarray(b, float), np.zeros(3), 0.0) for b in bends]
        found.append(
            lay(np.asarray(first, float), np.asarray(last, float), bends, edges, 0.0) if len(bends) else None
        )
    return found


class Gable:
    """A roof with its ridge along x at y = 0, ``height`` m up, falling by ``slope`` m for each metre of y."""

    def __init__(self, height: float, slope: float) -> None:
        self.height, self.slope = height, slope

    def ridge(self, x: float) -> np.ndarray:
        return np.array([x, 0.0, self.height])

    def above(self, q: np.ndarray) -> float:
        """How far a place is above the roof's planes (m, in height)."""
        return float(q[2] - self.height + self.slope * abs(q[1]))

    def over(self, p: np.ndarray, q: np.ndarray) -> tuple[float, float]:
        """Shortest way from p to q over the ridge, and where along x it crosses."""

        def way(x):
            r = self.ridge(x)
            return float(np.linalg.norm(p - r) + np.linalg.norm(q - r))

        found = minimize_scalar(way, bracket=(p[0], q[0] + 1e-3), tol=1e-14)
        return float(found.fun), float(found.x)


def energy_minimum(gable, a, b, rest, stiffness, load, *, crossing=None):
    """Traveller on the side of ``a``, rope over the ridge: least potential energy with the roof in the way.

    ``crossing``: x of the place on the ridge that the rope is held at, across it (it slides through); else it
    slides along the ridge. Returns the place of the traveller, the length of rope and the pull.
    """

    def length(x):
        q = x[:3]
        r = gable.ridge(x[3] if crossing is None else crossing)
        return sum(float(np.linalg.norm(d)) for d in (q - a, r - q, b - r))

    def potential(x):
        return stiffness * max(0.0, length(x) - rest) ** 2 / (2 * rest) - float(load @ x[:3])

    _, x0 = gable.over(a, b)
    middle = (a + gable.ridge(x0)) / 2
    start = np.array([*middle, x0 if crossing is None else crossing])
    roof = {"type": "ineq", "fun": lambda x: gable.above(x[:3]) if x[1] < 0 else -1.0}
    best = None
    for lift in (0.0, 0.3, -0.3):
        got = minimize(
            potential,
            start + np.array([0.0, 0.0, lift, 0.0]),
            method="SLSQP",
            constraints=[roof],
            options={"maxiter": 2000, "ftol": 1e-14},
        )
        got = minimize(
            potential, got.x, method="SLSQP", constraints=[roof], options={"maxiter": 2000, "ftol": 1e-15}
        )
        if best is None or got.fun < best.fun:
            best = got
    whole = length(best.x)
    return best.x[:3], whole, stiffness * max(0.0, whole / rest - 1)


def model_of(gable, a, b, stiffness, pretension, *, supports=(), **more):
    """The project's model of a line from a to b over the ridge, and its length without tension."""
    points = (tuple(a), *map(tuple, supports), tuple(b))
    record = AnchorLine("H", points, rope=Rope(stiffness=stiffness), pretension=pretension, **more)
    if supports:
        return build(record)
    length, x = gable.over(a, b)
    model = build(record, lengths=[length], lays=lying((a, b, gable.ridge(x)[None])))
    return model, length, x


CASES = [
    (Gable(6.0, 0.4), (0.0, -9.0, 3.5), (0.0, 8.0, 3.0)),
    (Gable(6.0, 0.4), (0.0, -9.0, 3.5), (5.0, 8.0, 3.0)),
    (Gable(5.0, 1.0), (-2.0, -6.0, 0.5), (3.0, 10.0, 0.2)),
    (Gable(7.0, 0.2), (0.0, -12.0, 5.5), (1.0, 4.0, 6.5)),
]
LOADS = [(0, 0, -5000), (1500, -3000, -2500), (-4000, -1000, -500), (0, -5000, -1000)]


@pytest.mark.parametrize("case", range(len(CASES)))
@pytest.mark.parametrize("load", LOADS)
def test_rope_held_across_the_ridge_is_the_same_to_the_millimetre(case, load):
    # Where friction holds the rope's place on the ridge and the roof is not in the traveller's way, the
    # solver and the minimiser have the same problem.
    gable, a, b = CASES[case][0], np.array(CASES[case][1]), np.array(CASES[case][2])
    load, stiffness = np.array(load, float), 80_000.0
    model, length, x = model_of(gable, a, b, stiffness, 600.0)
    free = Gable(gable.height, 1e9)  # roof planes out of the way; its ridge stays
    rest = length / (1 + 600.0 / stiffness)
    q, _, pull = energy_minimum(free, a, b, rest, stiffness, load, crossing=x)
    state, _, (node,), _ = equilibrium(model, {0: load}, stiffness=stiffness, legs={0: 0})
    assert state.places[node] == pytest.approx(q, abs=2e-3)
    assert state.pulls[0] == pytest.approx(pull, rel=2e-4)


@pytest.mark.parametrize("case", range(len(CASES)))
@pytest.mark.parametrize("load", LOADS)
@pytest.mark.parametrize("stiffness", [20_000.0, 400_000.0])
@pytest.mark.parametrize("held", [False, True])
def test_claims_hold_over_a_ridge_with_and_without_friction_along_it(case, load, stiffness, held):
    # Roof planes in the way of the traveller, the rope sliding along the ridge or held: neither is longer or
    # pulls harder than what is claimed.
    gable, a, b = CASES[case][0], np.array(CASES[case][1]), np.array(CASES[case][2])
    load = np.array(load, float)
    force = float(np.linalg.norm(load))
    model, length, x = model_of(gable, a, b, stiffness, 600.0)
    rest = length / (1 + 600.0 / stiffness)
    q, whole, pull = energy_minimum(gable, a, b, rest, stiffness, load, crossing=x if held else None)
    (place,) = span_places(model, force)
    assert place.unloaded == pytest.approx(length)
    assert place.length >= whole - 1e-4
    assert float(np.linalg.norm(q - a) + np.linalg.norm(q - b)) <= place.length + 1e-4
    got = line_loads(model, force, directions=[load])
    assert got.greatest_pull_n >= pull * (1 - 1e-4)
    for end in got.points:
        assert end.magnitude_n >= pull * (1 - 1e-4)
        assert np.linalg.norm(end.load) == pytest.approx(end.magnitude_n)


def test_ends_are_pulled_to_where_the_rope_goes_not_through_the_house():
    gable, a, b = CASES[0][0], np.array(CASES[0][1]), np.array(CASES[0][2])
    model, _, x = model_of(gable, a, b, 2.0e6, 2000.0)
    near, far = line_loads(model, 3000.0).points
    # nobody on it: from both ends toward the ridge
    state, _, _, points = equilibrium(model, {}, stiffness=2.0e6)
    for node, end in zip((points[0], points[-1]), (a, b), strict=True):
        way = gable.ridge(x) - end
        assert state.forces[node] == pytest.approx(2000.0 * way / np.linalg.norm(way), rel=1e-6)
    # loaded before the ridge, the traveller sags below the line from the near end to the ridge, and the far
    # end is still pulled toward the ridge or to a traveller on its own side, never through the roof
    for point, end in ((near, a), (far, b)):
        way, inward = gable.ridge(x) - end, point.load / point.magnitude_n
        assert inward @ way > 0
        through = (b - a if end is a else a - b) / np.linalg.norm(b - a)
        assert inward @ (way / np.linalg.norm(way)) > inward @ through or inward[2] < through[2]


def test_a_stiff_rope_over_a_ridge_is_not_taken_for_one_through_the_house():
    # Rope at rest leaves the near end upward, to the ridge; along the chord it would leave it downward.
    gable, a, b = CASES[2][0], np.array(CASES[2][1]), np.array(CASES[2][2])
    model, _, x = model_of(gable, a, b, 5.0e6, 5000.0)
    straight = build(AnchorLine("H", (tuple(a), tuple(b)), rope=Rope(stiffness=5.0e6), pretension=5000.0))
    side = line_loads(model, 500.0, directions=[np.array([1.0, 0.0, 0.0])]).points[0].load
    old = line_loads(straight, 500.0, directions=[np.array([1.0, 0.0, 0.0])]).points[0].load
    assert side[2] > 0.5 * np.linalg.norm(side) * (gable.ridge(x) - a)[2] / np.linalg.norm(gable.ridge(x) - a)
    assert old[2] < 0


@pytest.mark.parametrize("kind", ["pass-through", "rigid", "flexible"])
@pytest.mark.parametrize("load", [(0, 0, -4000), (1000, 500, -3000)])
def test_support_between_a_laid_and_a_free_span(kind, load):
    # A support on a post beyond the ridge: span 1 goes over the ridge, span 2 runs free. The load on the post
    # from a minimisation of its own, with the traveller in either span.
    gable = Gable(6.0, 0.4)
    a, post, b = np.array([0.0, -9.0, 3.5]), np.array([1.0, 5.0, 5.2]), np.array([2.0, 14.0, 4.0])
    stiffness, pretension, hold = 60_000.0, 800.0, 9000.0
    first, x = gable.over(a, post)
    second = float(np.linalg.norm(b - post))
    record = AnchorLine(
        "H",
        (tuple(a), tuple(post), tuple(b)),
        rope=Rope(stiffness=stiffness),
        pretension=pretension,
        support_kind=kind,
        support_stiffness=hold,
    )
    model = build(record, lengths=[first, second], lays=lying((a, post, gable.ridge(x)[None]), (post, b, ())))
    load = np.array(load, float)
    force = float(np.linalg.norm(load))
    got = line_loads(model, force, directions=[load])
    groups = [[0], [1]] if kind == "rigid" else [[0, 1]]

    def lengths(q, s, where):
        ridge = gable.ridge(x)
        one = [a, q, ridge, s] if where == 0 else [a, ridge, s]
        two = [s, q, b] if where == 1 else [s, b]
        return [sum(float(np.linalg.norm(v - u)) for u, v in pairwise(w)) for w in (one, two)]

    rests = [first / (1 + pretension / stiffness), second / (1 + pretension / stiffness)]

    def energy(v, where):
        q, s = v[:3], (v[3:] if kind == "flexible" else post)
        both = lengths(q, s, where)
        total = -float(load @ q) + (hold * float(np.sum((s - post) ** 2)) / 2 if kind == "flexible" else 0.0)
        for group in groups:
            rest, now = sum(rests[k] for k in group), sum(both[k] for k in group)
            total += stiffness * max(0.0, now - rest) ** 2 / (2 * rest)
        return total

    for where, middle in ((0, (a + gable.ridge(x)) / 2), (1, (post + b) / 2)):
        start = np.array([*middle, *post]) if kind == "flexible" else middle.copy()
        best = minimize(energy, start, args=(where,), method="BFGS", options={"gtol": 1e-6, "maxiter": 5000})
        best = minimize(
            energy, best.x, args=(where,), method="Nelder-Mead", options={"xatol": 1e-9, "fatol": 1e-12}
        )
        q, s = best.x[:3], (best.x[3:] if kind == "flexible" else post)
        both = lengths(q, s, where)
        pulls = [0.0, 0.0]
        for group in groups:
            rest = sum(rests[k] for k in group)
            for k in group:
                pulls[k] = stiffness * max(0.0, sum(both[j] for j in group) / rest - 1)
        beyond = q if where == 1 else b
        to_ridge, onward = gable.ridge(x) - s, beyond - s
        on_post = pulls[0] * to_ridge / np.linalg.norm(to_ridge) + pulls[1] * onward / np.linalg.norm(onward)
        assert got.points[1].magnitude_n >= np.linalg.norm(on_post) * (1 - 1e-3)
        assert got.spans[0].pull_n >= pulls[0] * (1 - 1e-4)
        assert got.spans[1].pull_n >= pulls[1] * (1 - 1e-4)


def test_unknown_bends_keep_the_crude_bound():
    gable = Gable(6.0, 0.4)
    a, post, b = (0.0, -9.0, 3.5), (1.0, 5.0, 5.2), (2.0, 14.0, 4.0)
    record = AnchorLine("H", (a, post, b), rope=Rope(stiffness=60_000.0), pretension=800.0)
    first, x = gable.over(np.array(a), np.array(post))
    second = float(np.linalg.norm(np.subtract(b, post)))
    crude = line_loads(build(record, lengths=[first, second]), 4000.0)
    known = build(record, lengths=[first, second], lays=lying((a, post, gable.ridge(x)[None]), (post, b, ())))
    assert crude.points[1].magnitude_n == pytest.approx(crude.spans[0].pull_n + crude.spans[1].pull_n)
    assert line_loads(known, 4000.0).points[1].magnitude_n < crude.points[1].magnitude_n


def test_softness_in_an_arrest_counts_all_the_rope_that_lies_over_the_ridge():
    gable, a, b = CASES[2][0], np.array(CASES[2][1]), np.array(CASES[2][2])
    model, length, _ = model_of(gable, a, b, 80_000.0, 600.0)
    straight = build(AnchorLine("H", (tuple(a), tuple(b)), rope=Rope(stiffness=80_000.0), pretension=600.0))
    laid, through = softest_span(model, 4000.0), softest_span(straight, 4000.0)
    assert laid.travel(4000.0) > through.travel(4000.0)
    level = replace(straight, points=np.array([[0.0, 0, 0], [length, 0, 0]]), lengths=np.array([length]))
    assert laid.travel(4000.0) == pytest.approx(softest_span(level, 4000.0).travel(4000.0))
    assert developed(model).bends == ()
    assert math.isclose(float(developed(model).points[-1, 0]), length)


@pytest.mark.parametrize("name", ["gable", "l-valley"])
def test_reach_is_claimed_from_the_rope_as_it_lies_not_from_the_straight_line_through_the_house(name):
    # A line over a whole building, from one side of it to the other. What is served is measured from places
    # on the rope at rest; here from all of them, 5 cm apart.
    model = read_plan(MODELS / f"{name}.toml").model
    roof = building.build(MODELS / model.file, unit=model.unit, up=model.up, grade=model.grade)
    preparation = taut.prepare(roof)
    low, high = roof.mesh.vertices.min(axis=0), roof.mesh.vertices.max(axis=0)
    middle, third = (low[1] + high[1]) / 2, low[2] + (high[2] - low[2]) / 3
    a, b = np.array([low[0] - 3, middle, third]), np.array([high[0] + 3, middle + 1, third])
    (path,) = taut.trace(preparation, a, b[None])
    assert path is not None
    assert len(path.points) > 2
    assert path.length_m > np.linalg.norm(b - a) + 0.1
    bends = tuple(map(tuple, path.points[1:-1]))
    ruler = LineRuler(preparation, (Span(tuple(a), tuple(b), path.length_m * 1.01, False, bends),), step=0.5)
    random = np.random.default_rng(3)
    points = np.array(
        [
            random.dirichlet(np.ones(len(plane.rings[0]))) @ plane.rings[0] + [0, 0, 1.0]
            for plane in roof.planes
            for _ in range(6)
        ]
    )
    points = points[~taut.inside(preparation, points)]
    got = ruler.measure(points)
    rope = np.concatenate(
        [np.linspace(u, v, max(2, int(np.linalg.norm(v - u) / 0.05))) for u, v in pairwise(path.points)]
    )
    truth = np.min([taut.measure(preparation, place, points).hi for place in rope], axis=0)
    assert np.all(got.hi >= truth - 0.03)
    assert np.median(got.hi - truth) < 0.05
    assert np.all(got.lo <= truth + 1e-6)
    # without the bends nothing is claimed from a line that lies on something
    blind = replace(ruler, spans=(replace(ruler.spans[0], bends=()),))
    assert np.all(np.isinf(blind.measure(points).hi))


def test_loads_on_a_support_beside_a_laid_span_are_raised_to_the_greatest_pull():
    # Pulled nearly along the line the solver finds little; square to it the same fall pulls harder, and the
    # support has to hold that too.
    gable = Gable(6.0, 0.4)
    a, post, b = (0.0, -9.0, 3.5), (1.0, 5.0, 5.2), (2.0, 14.0, 4.0)
    record = AnchorLine("H", (a, post, b), rope=Rope(stiffness=200_000.0), pretension=3000.0)
    first, x = gable.over(np.array(a), np.array(post))
    second = float(np.linalg.norm(np.subtract(b, post)))
    model = build(record, lengths=[first, second], lays=lying((a, post, gable.ridge(x)[None]), (post, b, ())))
    along = np.array([0.1, 0.9, -0.1])
    got = line_loads(model, 1500.0, directions=[along])
    solved = 0.0
    for span, leg in ((0, 0), (0, 1), (1, 0)):
        state, _, _, points = equilibrium(
            model, {span: along / np.linalg.norm(along) * 1500.0}, stiffness=200_000.0, legs={span: leg}
        )
        solved = max(solved, float(np.linalg.norm(state.forces[points[1]])))
    assert "square to the span" in got.points[1].case
    assert got.points[1].magnitude_n > 1.3 * solved
