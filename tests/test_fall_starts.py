"""How far a body gets once it goes over: a point mass on a rope, step by step, against the reported track.

The simulation knows no potentials. The wall under an eave is folded up into the plane of the level roof, so
that the rope is a string in one plane, straight but for the corners of a chimney that it may be caught round;
the body falls from where its D-ring is when it stands at the edge, and the string holds it from then on. What
it loses or keeps when the string first pulls is tried both ways.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
import pytest

from roof3d import taut
from roof3d.building import from_mesh
from roof3d.fall import (
    AnchorRuler,
    Assessment,
    ForceLimit,
    Limits,
    Terms,
    Tie,
    assess,
    make_boundary,
    make_segments,
)
from roof3d.formulas import STANDARD_GRAVITY, elastic_peak_force
from roof3d.records import EdgeSegment, Floats, Roof
from tests.bodies import box, welded
from tests.fall_roofs import mono_roof

TERMS = Terms(
    attachment=1.5,
    kneeling=0.9,
    deceleration=1.0,
    harness=0.0,
    margin=0.6,
    elongation=0.0,
    weight=1000.0,
    least_force=4000.0,
)
NEEDED = 1.5 + 1.0 + 0.6  # below a D-ring: its height, what the absorber gives, margin
HIGH, MIDDLE = 30.0, 30.0  # m, the roof; m along the edge, straight below the anchor
STEP_S, LAST_S = 5e-4, 5.0
CHIMNEY = (1.0, 1.6, 0.8, 1.4)  # m east of the anchor, m from the edge


def unroll(centres: list[Floats], at: Floats) -> None:
    """Takes away corners that the string no longer bends round, the last ones first."""
    while len(centres) > 1:
        one, two = centres[-1] - centres[-2], at - centres[-1]
        if one[0] * two[1] - one[1] * two[0] > 0:  # still bends round it
            return
        centres.pop()


def swing(corners: Sequence[Floats], start: float, length: float, bounce: float, speed: float) -> Floats:
    """Places (n, 2) of a D-ring, metres along the edge and below it, until it comes up over the edge.

    ``corners``: the anchor, and what the string is caught round; ``bounce``: share of the speed along the
    string that it gives back; ``speed``: along the edge, m/s, at the start.
    """
    centres = [np.asarray(corner, dtype=float) for corner in corners]
    at, velocity = np.array([start, -TERMS.attachment]), np.array([speed, 0.0])
    places = []
    for _ in range(int(LAST_S / STEP_S)):
        velocity = velocity + np.array([0.0, STANDARD_GRAVITY * STEP_S])
        at = at + velocity * STEP_S
        if at[1] > 0:  # the string runs over the edge
            unroll(centres, at)
            used = sum(float(np.linalg.norm(q - p)) for p, q in pairwise(centres))
            out = at - centres[-1]
            far = float(np.linalg.norm(out))
            if used + far >= length:
                along = out / far
                outward = float(velocity @ along)
                if outward > 0:
                    velocity = velocity - (1 + bounce if outward > 0.5 else 1) * outward * along
                at = centres[-1] + along * (length - used)
            places.append(at.copy())
        elif places:
            break
    return np.array(places)


def building(ledge: tuple[float, float, float] | None = None, chimney: bool = False) -> Roof:
    """A block of 60 by 10 m; on its southern wall a ledge between two places, to a height."""
    parts = box(0, 60, 0, 10, 0, HIGH)
    if ledge is not None:
        parts += box(MIDDLE + ledge[0], MIDDLE + ledge[1], -0.8, 0.0, 0.0, ledge[2])
    if chimney:
        x0, x1, y0, y1 = CHIMNEY
        parts += box(MIDDLE + x0, MIDDLE + x1, y0, y1, HIGH, HIGH + 1.2)
    return from_mesh(welded(parts))


def assessed(roof: Roof, back: float, length: float, terms: Terms = TERMS) -> Assessment:
    boundary = make_boundary(roof, terms.attachment, 90.0)
    guards: list[list[tuple[float, float, str]]] = [[] for _ in boundary.edges]
    ruler = AnchorRuler(np.array([MIDDLE, back, HIGH]), taut.prepare(roof))
    return assess(boundary, ruler, Tie(length), terms, Limits(), guards)


def margin_at(found: Assessment, place: float) -> tuple[float, float]:
    """Least margin and most height that a fall from a place of the southern eave is told to have."""
    work = found.pieces
    p, q = work.ends()
    on = (p[:, 1] == 0) & (q[:, 1] == 0) & (p[:, 2] == HIGH)
    x0, x1 = np.minimum(p[:, 0], q[:, 0]), np.maximum(p[:, 0], q[:, 0])
    (row,) = np.flatnonzero(on & (x0 <= MIDDLE + place) & (x1 > MIDDLE + place))
    return float(found.margin[row]), float(found.way_down[row])


def over_ledge(places: Floats, ledge: tuple[float, float, float]) -> float:
    """The least that a D-ring on its way has over a ledge, less what is needed below it."""
    there = (places[:, 0] > ledge[0]) & (places[:, 0] < ledge[1])
    return float((HIGH - places[there, 1]).min(initial=np.inf)) - NEEDED - ledge[2]


@pytest.mark.parametrize("bounce", [0.0, 0.6, 1.0])
@pytest.mark.parametrize("start", [-0.6, -2.0, -3.5])
@pytest.mark.parametrize("speed", [0.0, 3.0])
def test_a_body_strikes_nothing_that_its_track_leaves_out(bounce: float, start: float, speed: float) -> None:
    """What a body keeps of its speed when a slack rope pulls aslant carries it beyond the place opposite."""
    back, length = 2.0, 6.0
    places = swing([(0.0, -back)], start, length, bounce, speed)
    far = float(places[:, 0].max())
    ledge = (far - 0.8, far - 0.05, 25.5)
    found = assessed(building(ledge), back, length, Terms(**{**vars(TERMS), "run_up": 0.46}))
    told, most = margin_at(found, start)
    truth = over_ledge(places, ledge)
    assert np.isfinite(truth)
    assert told <= truth + 0.02
    assert float(np.ptp(places[:, 1])) <= most + 0.01


@pytest.mark.parametrize(("start", "bounce", "speed"), [(-2.0, 1.0, 0.0), (-0.6, 0.0, 3.0)])
def test_the_simulation_goes_further_than_the_place_opposite(
    start: float, bounce: float, speed: float
) -> None:
    """Or the test above would hold for a track that ends where the potential is that of the start."""
    places = swing([(0.0, -2.0)], start, 6.0, bounce, speed)
    bends = places[:, 0] * 2.0 / (2.0 + places[:, 1])
    assert np.hypot(bends, 2.0).max() > np.hypot(start, 2.0) + 0.15


@pytest.mark.parametrize("slack", [0.0, 0.5])
@pytest.mark.parametrize("start", [-1.5, 0.5])
def test_a_rope_that_is_caught_round_a_chimney(start: float, slack: float) -> None:
    """The rope runs round the far side of a chimney: its body hangs higher and swings further."""
    back = 2.0
    _, x1, y0, y1 = CHIMNEY
    corners = [np.array([0.0, -back]), np.array([x1, -y1]), np.array([x1, -y0])]
    ring = np.array([start, 0.0])
    length = slack + sum(float(np.linalg.norm(q - p)) for p, q in pairwise([*corners, ring]))
    places = swing(corners, start, length, 0.0, 0.0)
    far = float(places[:, 0].max())
    ledge = (far - 0.8, far - 0.05, 25.5)
    told, most = margin_at(assessed(building(ledge, chimney=True), back, length), start)
    truth = over_ledge(places, ledge)
    assert np.isfinite(truth)
    assert told <= truth + 0.02
    assert float(np.ptp(places[:, 1])) <= most + 0.01


# ------------------------------------------------------------------------- slides down steep planes


def slope_falls(
    slope: float, up: float, length: float, terms: Terms, limits: Limits
) -> tuple[Assessment, list[EdgeSegment]]:
    """A mono-pitch roof, 8 m deep in plan, its anchor ``up`` metres from the eave in plan."""
    roof = mono_roof(slope, 8.0, eave=20.0)
    boundary = make_boundary(roof, terms.attachment, 10.0)
    guards: list[list[tuple[float, float, str]]] = [[] for _ in boundary.edges]
    ruler = AnchorRuler(np.array([10.0, up, 20.0 + slope * up]), taut.prepare(roof))
    found = assess(boundary, ruler, Tie(length), terms, limits, guards)
    return found, make_segments(found, terms, "A1", guards)


@pytest.mark.parametrize("slope", [0.5, 1.0])
@pytest.mark.parametrize(("up", "more"), [(8.0, 0.3), (5.0, 0.3), (3.0, 2.0), (3.0, 4.0)])
def test_free_fall_counts_from_where_a_slide_begins(slope: float, up: float, more: float) -> None:
    """Closed form. A slide without friction down a plane turns height into speed as a fall does. It starts at
    the highest place within the rope: the way up the slope that the line allows from the anchor, or the
    plane's top; from there the D-ring drops to the surplus below the eave."""
    way = up * np.hypot(1, slope)
    length = way + more
    sine = slope / np.hypot(1, slope)
    start = min(8.0 * slope, up * slope + length * sine)
    _, segments = slope_falls(slope, up, length, TERMS, Limits())
    eave = max((s for s in segments if s.edge == "E1"), key=lambda s: s.free_fall_m or 0.0)
    truth = 1.5 + start + more
    assert eave.free_fall_m is not None
    assert truth - 1e-6 <= eave.free_fall_m <= truth + 0.05
    sums = dict(eave.sums)
    assert sums["slope_m"] == pytest.approx(start, abs=1e-6)
    assert eave.free_fall_m == pytest.approx(
        1.5 + eave.surplus_m + sums["slope_m"] + sums.get("slides_m", 0.0)
    )
    # m g f = F x: the absorber's least force over the way that the fall asks
    deep = Terms(**{**vars(TERMS), "scope_fall": 2.0})
    _, deeper = slope_falls(slope, up, length, deep, Limits())
    worst = min(
        (s for s in deeper if s.edge == "E1" and s.margin_m is not None), key=lambda s: s.margin_m or 0
    )
    way_asked = dict(worst.sums)["deceleration_m"]
    assert way_asked == pytest.approx(1000.0 * (1.5 + start + more) / 3000.0, abs=0.05)


def test_a_slide_raises_the_force_of_an_elastic_rope() -> None:
    """Peak force of an elastic rope, ``W + W sqrt(1 + 2 E A f / (W L))`` (fall-factor formula of
    mountaineering ropes): a limit between the force of the fall alone and that with the slide is broken."""
    slope, up, length, stiffness = 1.0, 4.0, 4.0 * np.sqrt(2.0) + 0.3, 30_000.0
    start = min(8.0, 4.0 + length * np.sqrt(0.5))
    alone = float(elastic_peak_force(1000.0, stiffness, 1.5 + 0.3, length))
    whole = float(elastic_peak_force(1000.0, stiffness, 1.5 + 0.3 + start, length))
    assert whole > 1.5 * alone
    for most, broken in ((1.02 * alone, True), (0.98 * whole, True), (1.05 * whole, False)):
        force = ForceLimit(most, np.inf, stiffness, 1000.0, held=1.0)
        _, segments = slope_falls(slope, up, length, TERMS, Limits(force=force))
        eave = [s for s in segments if s.edge == "E1" and s.free_fall_m is not None]
        assert any("force" in s.breaks for s in eave) is broken


def test_a_line_kept_snug_slides_no_further_than_its_slack() -> None:
    roof = mono_roof(1.0, 8.0, eave=20.0)
    boundary = make_boundary(roof, TERMS.attachment, 10.0)
    guards: list[list[tuple[float, float, str]]] = [[] for _ in boundary.edges]
    ruler = AnchorRuler(np.array([10.0, 8.0, 28.0]), taut.prepare(roof))
    for slack in (0.0, 0.4):
        found = assess(boundary, ruler, Tie(20.0, "snug", slack), TERMS, Limits(), guards)
        assert found.slope.max() == pytest.approx(slack)
