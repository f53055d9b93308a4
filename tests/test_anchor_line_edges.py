"""Anchor lines over several edges, parallel or not, with and without friction, near corners and far.

Against least potential energy by general-purpose minimisers (scipy), and against a rope on a round edge.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.optimize import brentq, minimize

from roof3d import building, taut
from roof3d.arrest.anchor_line import build
from roof3d.arrest.laid import Lay, Rest, lay, may_slip, slipped
from roof3d.arrest.spans import line_loads, span_places
from roof3d.check.lines import laid_model, over_corners
from roof3d.plan import read_plan, rules_for
from roof3d.records import AnchorLine, Rope
from tests.conftest import MODELS

# ------------------------------------------------------------------------------- friction on an edge


@pytest.mark.parametrize("square", [90.0, 70.0, 45.0])
@pytest.mark.parametrize("friction", [0.1, 0.5])
@pytest.mark.parametrize("bend", [20.0, 60.0, 110.0])
def test_a_rope_laid_askew_against_a_rope_on_a_round_edge(square, friction, bend):
    # On a cylinder a rope that friction just holds sideways turns by d(angle to the axis) = friction x
    # sin(angle) x d(angle round it): geodesic curvature = friction x normal curvature, integrated here. An
    # edge is the cylinder of no radius. 5 m of rope on one side, 8 m on the other, in the surfaces laid flat.
    turn = math.radians(bend)

    def after(before):  # angle to the axis behind the edge
        return 2 * math.atan(math.tan(before / 2) * math.exp(friction * turn))

    a, b, c = 5.0, 8.0, 13.0 / math.tan(math.radians(square))  # offsets of both ends, and along the edge

    def gap(before):
        return a / math.tan(before) + b / math.tan(after(before)) - c

    into = brentq(gap, 0.05, math.pi - 0.05, xtol=1e-14)
    longest = a / math.sin(into) + b / math.sin(after(into))
    # the law itself, by quadrature
    assert quad(lambda q: 1 / (friction * math.sin(q)), into, after(into))[0] == pytest.approx(turn, rel=1e-8)
    edge = Rest(np.array([-100.0, 0, 0]), np.array([1.0, 0, 0]), 200.0)
    first = np.array([0.0, -a, 0.0])
    last = np.array([c, b * math.cos(turn), -b * math.sin(turn)])
    bends = np.array([[c * a / (a + b), 0.0, 0.0]])
    got = lay(first, last, bends, [edge], friction)
    shortest = math.hypot(13.0, c)
    assert got.shortest == pytest.approx(shortest, rel=1e-12)
    assert got.longest >= longest - 1e-9
    # to the other side it may be longer
    if square == 90.0:
        assert got.longest == pytest.approx(longest, abs=1e-8)
    assert lay(first, last, bends, [edge], 0.0).longest == pytest.approx(shortest, abs=1e-9)


def test_a_rope_laid_askew_stays_on_its_edge_and_grows_with_friction():
    edge = Rest(np.array([-0.3, 0.0, 2.0]), np.array([1.0, 0, 0]), 0.5)
    first, last, bends = np.array([0.0, -5, 0]), np.array([0.0, 5, 0]), np.array([[0.0, 0, 2.0]])
    long = Rest(np.array([-50.0, 0.0, 2.0]), np.array([1.0, 0, 0]), 100.0)
    lengths = [lay(first, last, bends, [long], u).longest for u in (0.0, 0.1, 0.3, 0.5)]
    assert all(y > x for x, y in pairwise(lengths))
    held = lay(first, last, bends, [edge], 0.5)
    assert held.askew_m == pytest.approx(0.3)
    assert held.longest < lengths[-1]
    # no bend, no edge, a corner: nothing to lie askew on
    assert lay(first, last, np.empty((0, 3)), [], 0.5).longest == pytest.approx(10.0)
    corner = Rest(np.array([0.0, 0, 2.0]), np.zeros(3), 0.0)
    assert lay(first, last, bends, [corner], 0.5).askew_m == 0.0


# -------------------------------------------------------------------- any row of edges, by minimisation


def skew_edges(seed):
    """A rope from end to end over two or three edges in any directions: ends, edges, and its shortest way."""
    random = np.random.default_rng(seed)
    count = 2 + seed % 2
    first, last = np.array([0.0, 0.0, 0.0]), np.array([14.0, random.uniform(-3, 3), random.uniform(-2, 2)])
    edges = []
    for k in range(count):
        place = first + (last - first) * (k + 1) / (count + 1) + [0, 0, random.uniform(1.0, 3.5)]
        way = random.normal(size=3) * [0.5, 1.0, 0.35]
        way /= np.linalg.norm(way)
        edges.append(Rest(place - 40 * way, way, 80.0))

    def length(t):
        run = np.array([first, *(e.at(x) for e, x in zip(edges, t, strict=True)), last])
        return float(np.linalg.norm(np.diff(run, axis=0), axis=1).sum())

    found = minimize(length, np.full(count, 40.0), method="BFGS", options={"gtol": 1e-10})
    return first, last, edges, found.x


def at_rest(first, last, edges, where, stiffness, load, leg, held):
    """Traveller in one leg under a load, the rope passing all edges in order: place, whole length, pull.

    ``held``: for each edge the place along it that friction holds the rope at, or None where it slides.
    """
    rest, loose = held["rest"], [k for k, place in enumerate(held["at"]) if place is None]

    def run(x):
        t = [x[3 + loose.index(k)] if k in loose else held["at"][k] for k in range(len(edges))]
        line = [first, *(e.at(y) for e, y in zip(edges, t, strict=True)), last]
        line.insert(leg + 1, x[:3])
        return np.array(line)

    def length(x):
        return float(np.linalg.norm(np.diff(run(x), axis=0), axis=1).sum())

    def potential(x):
        return stiffness * max(0.0, length(x) - rest) ** 2 / (2 * rest) - float(load @ x[:3])

    line = [first, *(e.at(y) for e, y in zip(edges, where, strict=True)), last]
    start = (line[leg] + line[leg + 1]) / 2 + load / np.linalg.norm(load) * 0.5
    x = np.concatenate([start, [where[k] for k in loose]])
    for _ in range(3):
        x = minimize(potential, x, method="BFGS", options={"gtol": 1e-7, "maxiter": 3000}).x
        x = minimize(potential, x, method="Nelder-Mead", options={"xatol": 1e-9, "fatol": 1e-11}).x
    whole = length(x)
    return x[:3], whole, stiffness * max(0.0, whole / rest - 1)


@pytest.mark.parametrize("seed", range(10))
def test_no_rope_over_edges_in_any_directions_is_longer_or_pulls_harder_than_claimed(seed):
    # Each edge held by friction or not, the rope laid straight or as far askew as friction allows, the
    # traveller in any leg, loads in any direction; each by a minimisation of its own.
    first, last, edges, where = skew_edges(seed)
    random = np.random.default_rng(100 + seed)
    stiffness, pretension = float(random.choice([3e4, 2e5, 1e6])), float(random.choice([100.0, 2000.0]))
    bends = np.array([e.at(x) for e, x in zip(edges, where, strict=True)])
    lies = lay(first, last, bends, edges, 0.5)
    record = AnchorLine(
        "H", (tuple(first), tuple(last)), rope=Rope(stiffness=stiffness), pretension=pretension
    )
    model = build(record, lengths=[lies.shortest], lays=[lies])
    force = 4000.0
    (place,) = span_places(model, force)
    most = line_loads(model, force).greatest_pull_n
    assert place.unloaded == pytest.approx(lies.shortest)
    for leg, hold in itertools.product(range(len(edges) + 1), (0.0, 0.5, 1.0)):
        load = random.normal(size=3) * [0.4, 1.0, 1.0]
        load *= force / np.linalg.norm(load)
        side = float(random.choice([-1.0, 1.0]))
        askew = [x + side * hold * lies.askew_m for x in where]
        if (
            hold
        ):  # as far as friction holds, on one edge at least: shrunk until the rope is no longer than that
            while length_of(first, last, edges, askew) > lies.longest:
                askew = [x + 0.9 * (y - x) for x, y in zip(where, askew, strict=True)]
        length = length_of(first, last, edges, askew)
        rest = length / (1 + pretension / stiffness)
        at = [None if hold == 0.0 or (hold == 0.5 and k % 2) else y for k, y in enumerate(askew)]
        q, whole, pull = at_rest(first, last, edges, askew, stiffness, load, leg, {"rest": rest, "at": at})
        assert whole <= place.length + 1e-4, (leg, hold)
        assert np.linalg.norm(q - first) + np.linalg.norm(q - last) <= place.length + 1e-4
        assert pull <= most * (1 + 1e-4), (leg, hold)


def length_of(first, last, edges, where):
    run = np.array([first, *(e.at(x) for e, x in zip(edges, where, strict=True)), last])
    return float(np.linalg.norm(np.diff(run, axis=0), axis=1).sum())


@pytest.mark.parametrize("bend", [40.0, 120.0])
@pytest.mark.parametrize("ends", [(5.0, 5.0), (1.0, 12.0)])
@pytest.mark.parametrize("stiffness", [3e4, 1e6])
def test_rope_that_friction_holds_askew_is_counted_in_what_is_claimed(bend, ends, stiffness):
    # Laid as far askew as friction holds it and pulled square to itself at its worst: longer than a rope that
    # was laid straight comes out, by up to a metre and a half, and within three percent of what is claimed.
    turn, (a, b) = math.radians(bend), ends
    edge = Rest(np.array([-100.0, 0, 0]), np.array([1.0, 0, 0]), 200.0)
    first, last = np.array([0.0, -a, 0]), np.array([0.0, b * math.cos(turn), -b * math.sin(turn)])
    lies = lay(first, last, np.zeros((1, 3)), [edge], 0.5)
    askew = 100.0 + lies.askew_m
    record = AnchorLine("H", (tuple(first), tuple(last)), rope=Rope(stiffness=stiffness), pretension=500.0)
    model = build(record, lengths=[lies.shortest], lays=[lies])
    (place,) = span_places(model, 4000.0)
    (short,) = span_places(replace(model, longest=model.lengths, slipped=model.lengths), 4000.0)
    held = {"rest": lies.longest / (1 + 500.0 / stiffness), "at": [askew]}
    longest = 0.0
    for leg, (near, far) in enumerate(pairwise((first, edge.at(askew), last))):
        along = (far - near) / np.linalg.norm(far - near)
        across = np.cross(along, [0.0, 0.0, 1.0])
        across /= np.linalg.norm(across)
        for k in range(8):
            q = k * math.pi / 4
            load = 4000.0 * (math.cos(q) * across + math.sin(q) * np.cross(along, across))
            _, whole, _ = at_rest(first, last, [edge], [askew], stiffness, load, leg, held)
            longest = max(longest, whole)
    assert longest <= place.length + 1e-6
    assert longest > 0.97 * place.length
    if bend > 90:
        assert longest > short.length + 0.2


# ------------------------------------------------------------- a hip roof, free space and its corners


class Convex:
    """A solid ``normals @ x <= offsets``, and ropes around it by a dense graph of places on its edges."""

    def __init__(self, normals, offsets, corners, pairs, spacing=0.12):
        self.normals, self.offsets = np.array(normals, float), np.array(offsets, float)
        rows = []
        for i, j in pairs:
            count = int(np.linalg.norm(np.subtract(corners[i], corners[j])) / spacing) + 2
            rows.append(np.linspace(corners[i], corners[j], count))
        self.places = np.unique(np.concatenate(rows).round(9), axis=0)
        n = len(self.places)
        self.steps = np.full((n, n), np.inf)
        for k, place in enumerate(self.places):
            seen = self.free(place, self.places)
            self.steps[k, seen] = np.linalg.norm(self.places[seen] - place, axis=1)

    def free(self, a, b):
        """Whether the straight ways from a to each of b (n, 3) stay outside."""
        from_a, to_b = self.normals @ a - self.offsets, b @ self.normals.T - self.offsets
        low, high = np.zeros(len(b)), np.ones(len(b))
        with np.errstate(divide="ignore", invalid="ignore"):
            for u, v in zip(from_a, to_b.T, strict=True):
                cut = u / (u - v)
                low = np.where(v < u, np.maximum(low, cut), low)
                high = np.where(v > u, np.minimum(high, cut), high)
                high = np.where((u == v) & (u >= 0), -1.0, high)
        return high - low < 1e-6

    def all_from(self, a):
        """Lengths (n,) of the shortest ropes from a to all places."""
        from scipy.sparse.csgraph import dijkstra

        seen = self.free(a, self.places)
        start = np.where(seen, np.linalg.norm(self.places - a, axis=1), np.inf)
        graph = np.zeros((len(start) + 1, len(start) + 1))
        graph[1:, 1:] = np.where(np.isfinite(self.steps), self.steps, 0.0)
        graph[0, 1:] = np.where(np.isfinite(start), start, 0.0)
        return dijkstra(graph, indices=0)[1:]

    def length(self, q, a, known):
        """Length of the shortest rope from a to q, ``known`` from a to all places."""
        if self.free(a, q[None])[0]:
            return float(np.linalg.norm(q - a))
        seen = self.free(q, self.places)
        if not seen.any():
            return 1e3
        return float((known[seen] + np.linalg.norm(self.places[seen] - q, axis=1)).min())

    def inside(self, q):
        return bool((self.normals @ q - self.offsets < -1e-9).all())


def hip_roof():
    """A hipped block, invented: 12 x 8 m, walls 11 m high to z = 3 m, rising 0.6; ridge of 4 m at 5.4."""
    normals = [
        [0, -0.6, 1],
        [0, 0.6, 1],
        [-0.6, 0, 1],
        [0.6, 0, 1],
        [0, -1, 0],
        [0, 1, 0],
        [-1, 0, 0],
        [1, 0, 0],
    ]
    normals = [np.array(n) / np.linalg.norm(n) for n in normals]
    corners = [(0, 0, 3), (12, 0, 3), (12, 8, 3), (0, 8, 3), (4, 4, 5.4), (8, 4, 5.4)]
    corners += [(x, y, -8) for x, y, _ in corners[:4]]
    on = [corners[0], corners[2]] * 4
    offsets = [float(n @ np.array(p, float)) for n, p in zip(normals, on, strict=True)]
    pairs = [(0, 1), (1, 2), (2, 3), (3, 0), (0, 4), (3, 4), (1, 5), (2, 5), (4, 5)]
    pairs += [(k, 6 + k) for k in range(4)]
    return Convex(normals, offsets, np.array(corners, float), pairs), np.array(corners, float)


@pytest.fixture(scope="module")
def hipped(tmp_path_factory):
    """The hip roof as a solid for the test, and as a building for the program."""
    solid, corners = hip_roof()
    faces = [(1, 2, 6, 5), (3, 4, 5, 6), (2, 3, 6), (4, 1, 5)]
    faces += [(k, k % 4 + 1, k % 4 + 7, k + 6)[::-1] for k in range(1, 5)]
    text = "".join(f"v {x} {y} {z}\n" for x, y, z in corners)
    text += "".join(f"f {' '.join(map(str, face))}\n" for face in faces)
    path = tmp_path_factory.mktemp("hip") / "hip.obj"
    path.write_text(text)
    roof = building.build(path, unit="m", up="z", grade=-8.0)
    return solid, roof, taut.prepare(roof)


LINES = {
    "over the ridge": ((6.0, -4.0, 3.5), (6.0, 12.0, 3.0)),
    "over a hip and the ridge's end": ((-3.0, 1.0, 3.5), (9.0, 12.0, 3.0)),
    "over two hips": ((-3.0, 1.5, 3.4), (15.0, 2.0, 3.2)),
    "along the ridge": ((-4.0, 3.0, 4.0), (16.0, 4.6, 4.0)),
}


@pytest.mark.parametrize("stiffness", [60_000.0, 600_000.0])
@pytest.mark.parametrize("name", LINES)
def test_a_line_over_hips_and_ridge_of_a_real_roof(name, stiffness, hipped):
    # Ropes through the free space around the solid itself, over whatever edges and corners they take, found
    # on a dense graph; the traveller where potential energy is least, from several starts.
    solid, roof, preparation = hipped
    a, b = (np.array(p) for p in LINES[name])
    plan = read_plan(MODELS / "gable.toml")
    record = AnchorLine(
        "H",
        (tuple(roof.to_loaded(roof.to_local(a))), tuple(roof.to_loaded(roof.to_local(b)))),
        rope=Rope(stiffness=stiffness),
        pretension=800.0,
    )
    local = np.array([roof.to_local(a), roof.to_local(b)])
    model, lays = laid_model(roof, preparation, record, local, rules_for(plan))
    assert list(lays) == [0]
    force = 4500.0
    model, places, bounded = over_corners(preparation, model, span_places(model, force), lays, force, 1)
    (place,) = places
    from_a, from_b = solid.all_from(a), solid.all_from(b)
    straight = solid.length(b, a, from_a)
    assert float(model.lengths[0]) == pytest.approx(straight, abs=0.01)
    rest = straight / (1 + 800.0 / stiffness)

    def whole(q):
        return solid.length(q, a, from_a) + solid.length(q, b, from_b)

    random = np.random.default_rng(3)
    lies = np.concatenate((local[:1], lays[0].bends, local[1:])) + roof.mesh.origin
    seen = 0.0
    for load in ((0, 0, -1), (1, 0, -0.3), (-1, 0.2, 0), (0.2, 1, -0.5), (0.3, -1, -0.2)):
        load = np.array(load) / np.linalg.norm(load) * force

        def potential(q, load=load):
            if solid.inside(q):
                return 1e9
            return stiffness * max(0.0, whole(q) - rest) ** 2 / (2 * rest) - float(load @ q)

        for near, far in pairwise(lies):
            start = (near + far) / 2 + [0, 0, 0.3] + random.normal(size=3) * 0.1
            best = minimize(potential, start, method="Nelder-Mead", options={"xatol": 1e-5, "fatol": 1e-6}).x
            best = minimize(potential, best, method="Nelder-Mead", options={"xatol": 1e-6, "fatol": 1e-7}).x
            length = whole(best)
            seen = max(seen, length)
            if bounded:
                assert length <= place.length + 0.01, load
                assert stiffness * (length / rest - 1) <= place.pull_n * (1 + 0.01), load
    assert seen > straight + 0.05
    assert bounded


def test_without_counting_corners_a_hip_roof_would_break_the_claim(hipped):
    # The soft line over the ridge in the test above, pulled along it: the rope gets over the ridge's end, and
    # pulls harder than any rope that stays on the ridge does.
    solid, roof, preparation = hipped
    a, b = (np.array(p) for p in LINES["over the ridge"])
    plan = read_plan(MODELS / "gable.toml")
    record = AnchorLine("H", (tuple(a), tuple(b)), rope=Rope(stiffness=60_000.0), pretension=800.0)
    local = np.array([roof.to_local(a), roof.to_local(b)])
    model, lays = laid_model(roof, preparation, record, local, rules_for(plan))
    plain = span_places(model, 4500.0)
    counted, longer, bounded = over_corners(preparation, model, plain, lays, 4500.0, 1)
    assert bounded
    assert longer[0].length > plain[0].length
    assert longer[0].pull_n > plain[0].pull_n
    assert any("over corners" in text for text in counted.assumptions)
    assert not any("over corners" in text for text in model.assumptions)
    from_a, from_b = solid.all_from(a), solid.all_from(b)
    rest = solid.length(b, a, from_a) / (1 + 800.0 / 60_000.0)

    def whole(q):
        return solid.length(q, a, from_a) + solid.length(q, b, from_b)

    longest = 0.0
    for load in ((1, 0, -0.3), (-1, 0.2, 0)):
        load = np.array(load) / np.linalg.norm(load) * 4500.0

        def potential(q, load=load):
            if solid.inside(q):
                return 1e9
            return 60_000.0 * max(0.0, whole(q) - rest) ** 2 / (2 * rest) - float(load @ q)

        for y in (-2.0, 2.0, 6.0, 10.0):
            best = np.array([6.0, y, 5.0])
            for _ in range(2):
                options = {"xatol": 1e-6, "fatol": 1e-7}
                best = minimize(potential, best, method="Nelder-Mead", options=options).x
            longest = max(longest, whole(best))
    assert longest <= longer[0].length + 0.01
    pull = 60_000.0 * (longest / rest - 1)
    assert 1.04 * plain[0].pull_n < pull < 1.01 * longer[0].pull_n


def test_a_way_that_is_not_known_or_has_no_end_is_a_finding():
    bends = np.array([[5.0, 0.0, 1.0]])
    known = Lay(bends, 10.2, 10.3, 0.4, True)
    assert may_slip("H", 0, np.zeros(3), known, True) == ()
    for lies, bounded in ((None, True), (known, False), (replace(known, whole=False), True)):
        (finding,) = may_slip("H", 0, np.zeros(3), lies, bounded)
        assert (finding.code, finding.severity) == ("anchor-line-may-slip", "warning")
    ways = np.array([[10.5, 10.6], [11.0, 11.4], [12.0, 12.1]])
    assert slipped(ways, 10.4, 10.3) == 10.3
    assert slipped(ways, 10.5, 10.3) == 10.6
    assert slipped(ways, 11.2, 10.3) == 11.4
    assert slipped(np.empty((0, 2)), 99.0, 10.3) == 10.3
