"""An anchor line as a net of rope and supports: built from a plan, solved under any load."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from roof3d.arrest.cable import FLAT, Equilibrium, Net, Run, hanging, solve
from roof3d.arrest.equipment import (
    Range,
    Values,
    equipment,
    positive,
    rope_stiffness,
    rope_weight,
)
from roof3d.arrest.laid import Lay
from roof3d.arrest.loads import Rating
from roof3d.errors import InputError
from roof3d.formulas import STANDARD_GRAVITY, show_value, unstretched_length
from roof3d.records import AnchorLine, Finding, Floats

SUPPORT_KINDS = ("rigid", "flexible", "pass-through")
MOST_WORKERS = 4
SHORTEST_SPAN = 1e-3  # m
DEEP = 0.5  # sag over span beyond which a line is not held up at all
DOWN = np.array([0.0, 0.0, -1.0])


@dataclass(frozen=True, eq=False)
class AnchorLineModel:
    """An anchor line ready for its solver. ``points`` (n, 3) m, ends and supports; ``kinds`` and
    ``holds`` (N/m, inf for fixed) of the n - 2 supports; ``lengths`` (n - 1,) m of rope in each span
    when straight or laid over edges its shortest way, ``longest`` when as far askew as friction holds it,
    ``slipped`` over the corners that it can get over under load, with as much rope as before;
    ``bends`` by span, (k, 3) m: where the rope at rest turns over edges, as far as known; ``stiffness`` N per
    unit strain; ``mass_per_length`` kg/m."""

    id: str
    points: Floats
    kinds: tuple[str, ...]
    holds: tuple[float, ...]
    lengths: Floats
    longest: Floats
    slipped: Floats
    stiffness: Range
    mass_per_length: float
    pretension: float
    workers: int
    ratings: tuple[Rating, ...] = ()  # of all points
    bends: tuple[Floats, ...] = ()
    rested: Floats | None = None  # (n - 1,) m that the rope has at rest, where its points are further apart
    grips: bool = False  # every support and ridge holds the rope fast, whatever its kind
    slack: bool = False  # hangs too deep for a parabola: all sag is pulled out before the load counts
    assumptions: tuple[str, ...] = ()
    findings: tuple[Finding, ...] = ()

    @property
    def spans(self) -> int:
        """Number of spans."""
        return len(self.points) - 1

    @property
    def laid(self) -> np.ndarray:
        """Spans (n - 1,) that are longer than straight: they rest on something between their supports."""
        chords = np.linalg.norm(np.diff(self.points, axis=0), axis=1)
        longer: np.ndarray = self.lengths > chords * (1 + 1e-9)
        return longer

    def path(self, span: int) -> Floats:
        """Places (k, 3) that the rope at rest runs through in a span, from support to support."""
        bends = self.bends[span] if self.bends else np.empty((0, 3))
        run: Floats = np.concatenate((self.points[span][None], bends, self.points[span + 1][None]))
        return run

    def lies(self) -> Floats:
        """Places (k, 3) that the rope at rest runs through, end to end: straight where not known."""
        first: Floats = self.points[:1]
        return np.concatenate([first, *(self.path(span)[1:] for span in range(self.spans))])

    @property
    def path_known(self) -> bool:
        """Whether it is known where the rope at rest turns over edges."""
        return bool(self.bends) or not self.laid.any()

    def legs(self, span: int) -> int:
        """Number of straight stretches of the rope at rest in a span."""
        return len(self.path(span)) - 1


def developed(
    model: AnchorLineModel, *, rope: Floats | None = None, over: Floats | None = None
) -> AnchorLineModel:
    """The line laid out straight and level, each span as long as the rope can lie over the roof.

    The length of rope in a span under a load square to it depends on lengths alone, and where it rests on
    edges no load of the same size finds it longer than this: see ``laid``. Supports keep their kind.
    ``rope`` (n - 1,) m in each span at rest and ``over`` (n - 1,) m, the length of the spans that it is
    stretched over: both the longest lay where nothing is said.
    """
    rope = model.longest if rope is None else rope
    over = rope if over is None else np.maximum(rope, over)
    along = np.concatenate([[0.0], np.cumsum(over)])
    return replace(
        model,
        points=np.column_stack([along, np.zeros_like(along), np.zeros_like(along)]),
        lengths=over,
        rested=rope,
        bends=(),
    )


def build(
    line: AnchorLine,
    *,
    to_local: Callable[[Floats], Floats] | None = None,
    lengths: Sequence[float] | None = None,
    lays: Sequence[Lay | None] | None = None,
    rules: Values | None = None,
) -> AnchorLineModel:
    """Model of a plan's anchor line; ``to_local`` turns its coordinates into those of the roof.

    ``lengths`` (n - 1): taut length of each span over the roof where it rests on something, and ``lays``
    (n - 1): how it lies there, None where it runs free; None in place of all where that is not known. Raises
    ``InputError`` for spans of no length, stiffnesses and pretensions that no rope has, unknown kinds
    of support and more workers than can be reckoned with. A missing stiffness or pretension and a
    span over the maker's limit are findings.
    """
    place = f"anchor_line {line.id}"
    points = np.asarray(line.points, dtype=np.float64).reshape(-1, 3)
    if len(points) < 2 or not np.all(np.isfinite(points)):
        raise InputError("", f"{place}: points", f"{len(points)} usable points", "two or more, all finite")
    points = to_local(points) if to_local is not None else points
    chords = np.linalg.norm(np.diff(points, axis=0), axis=1)
    for index, chord in enumerate(chords):
        if chord < SHORTEST_SPAN:
            found = f"a span of {chord:.4g} m"
            raise InputError("", f"{place}: points[{index + 1}]", found, "places at least 1 mm apart")
    kinds, holds, ratings = _supports(line, place)
    workers = line.workers
    if not 1 <= workers <= MOST_WORKERS:
        raise InputError("", f"{place}: workers", str(workers), f"1 to {MOST_WORKERS}")
    assumptions: list[str] = []
    findings: list[Finding] = []
    stiffness = rope_stiffness(line.rope, f"{place}: rope")
    if stiffness is None:
        stiffness = _any_rope()
        text = (
            f"anchor line {line.id}: no stiffness given; sag reckoned with the softest rope of the "
            "table, loads with the stiffest"
        )
        findings.append(Finding("anchor-line-stiffness-unknown", "warning", text, line.id))
    mass = rope_weight(line.rope, f"{place}: rope")
    if line.pretension is None:
        pretension, mass = 0.0, 0.0
        text = f"anchor line {line.id}: no pretension given; none reckoned with"
        findings.append(Finding("pretension-unknown", "warning", text, line.id))
    else:
        pretension = positive(f"{place}: pretension", line.pretension, "zero or more", zero=True)
    if pretension == 0 and mass > 0:
        assumptions.append(f"anchor line {line.id}: without pretension its own sag is left out")
        mass = 0.0
    slack = mass * STANDARD_GRAVITY * float(np.max(chords)) / (8 * pretension) if mass else 0.0
    if slack > DEEP:
        found = f"{show_value(pretension, 'N')}, under which the line sags by more than half a span"
        raise InputError("", f"{place}: pretension", found, "a pull that holds the line up")
    if slack > FLAT:
        text = f"anchor line {line.id}: hangs slack, by {slack:.0%} of a span; all of it is reckoned as drop"
        findings.append(Finding("anchor-line-slack", "warning", text, line.id))
    over = chords if lengths is None else np.maximum(np.asarray(lengths, dtype=np.float64), chords)
    if len(over) != len(chords) or not np.all(np.isfinite(over)):
        raise InputError("", f"{place}: span lengths", str(lengths), f"{len(chords)} finite lengths")
    findings += _span_findings(line, over, points, rules)
    for index, (chord, length) in enumerate(zip(chords, over, strict=True)):
        if length > chord * (1 + 1e-6) + SHORTEST_SPAN:
            lies = None if lays is None else lays[index]
            if lies is not None and lies.askew_m > 0:
                assumptions.append(
                    f"anchor line {line.id}, span {index + 1}: friction may hold it up to "
                    f"{show_value(lies.askew_m, 'm')} off its shortest way over the edges: counted in sag, "
                    "not in what it serves; it is to be laid straight"
                )
    askew = [0.0 if one is None else one.longest for one in lays or [None] * len(over)]
    longest = np.maximum(over, askew)
    return AnchorLineModel(
        id=line.id,
        points=points,
        kinds=kinds,
        holds=holds,
        ratings=ratings,
        lengths=over,
        longest=longest,
        slipped=longest,
        bends=() if lays is None else tuple(np.empty((0, 3)) if one is None else one.bends for one in lays),
        stiffness=stiffness,
        mass_per_length=mass,
        slack=slack > FLAT,
        pretension=pretension,
        workers=workers,
        assumptions=tuple(assumptions),
        findings=tuple(findings),
    )


def _any_rope() -> Range:
    classes = equipment()["rope"].values()
    return Range(min(c["least"] for c in classes), max(c["greatest"] for c in classes))


def _supports(line: AnchorLine, place: str) -> tuple[tuple[str, ...], tuple[float, ...], tuple[Rating, ...]]:
    """Kinds and holds (N/m) of the supports, and ratings of all points; single ones may differ."""
    inner = [np.asarray(point, dtype=np.float64) for point in line.points[1:-1]]
    settings = [(line.support_kind, line.support_stiffness, Rating(line.support_rating))] * len(inner)
    for number, support in enumerate(line.supports):
        away = [float(np.linalg.norm(np.asarray(support.at) - point)) for point in inner]
        if not away or min(away) > SHORTEST_SPAN:
            found = f"a support {min(away):.3g} m off" if away else "a support on a line that has none"
            accepted = "a support at one of the inner points of the line"
            raise InputError("", f"{place}: supports[{number}].at", found, accepted)
        stiffness = line.support_stiffness if support.stiffness is None else support.stiffness
        rating = Rating(
            line.support_rating if support.rating is None else support.rating,
            support.direction,
            support.direction_within,
        )
        settings[int(np.argmin(away))] = (support.kind or line.support_kind, stiffness, rating)
    holds = []
    for kind, stiffness, _ in settings or [(line.support_kind, 1.0, Rating())]:
        if kind not in SUPPORT_KINDS:
            raise InputError("", f"{place}: support_kind", repr(kind), ", ".join(SUPPORT_KINDS))
        hold = math.inf
        if kind == "flexible":
            hold = positive(f"{place}: support_stiffness", stiffness, "a force per metre above zero")
        holds.append(hold)
    ends = [Rating(line.end_rating)] * 2
    for number, end in enumerate(line.ends):
        outer = (line.points[0], line.points[-1])
        away = [float(np.linalg.norm(np.subtract(end.at, point))) for point in outer]
        if min(away) > SHORTEST_SPAN:
            found = f"an end {min(away):.3g} m off"
            raise InputError("", f"{place}: ends[{number}].at", found, "the first or last point of the line")
        strength = line.end_rating if end.rating is None else end.rating
        ends[int(np.argmin(away))] = Rating(strength, end.direction, end.direction_within)
    ratings = (ends[0], *(rating for *_, rating in settings), ends[1])
    return tuple(kind for kind, *_ in settings), tuple(holds[: len(inner)]), ratings


def _span_findings(line: AnchorLine, lengths: Floats, points: Floats, rules: Values | None) -> list[Finding]:
    found = []
    middle = (points[1:] + points[:-1]) / 2
    if line.maximum_span is not None:
        limit = positive(f"anchor_line {line.id}: maximum_span", line.maximum_span, "a length above zero")
        for index, length in enumerate(lengths):
            if length > limit * (1 + 1e-9):
                text = (
                    f"anchor line {line.id}, span {index + 1}: {show_value(length, 'm')} over the "
                    f"maker's limit of {show_value(limit, 'm')}; add a support"
                )
                found.append(Finding("span-over-limit", "danger", text, line.id, middle[index]))
    if line.workers > line.maximum_workers:
        text = f"anchor line {line.id}: {line.workers} workers where {line.maximum_workers} are allowed"
        found.append(Finding("workers-over-limit", "danger", text, line.id))
    slope_limit = None if rules is None else rules.get("anchor_line_slope_limit_deg")
    if slope_limit is not None:
        steps = np.diff(points, axis=0)
        slopes = np.degrees(np.arctan2(np.abs(steps[:, 2]), np.hypot(steps[:, 0], steps[:, 1])))
        for index, slope in enumerate(slopes):
            if slope > slope_limit + 1e-9:
                text = (
                    f"anchor line {line.id}, span {index + 1}: {slope:.1f} degrees from level over the "
                    f"limit of {slope_limit:g} degrees"
                )
                found.append(Finding("anchor-line-slope", "warning", text, line.id, middle[index]))
    return found


# ------------------------------------------------------------------------------------- equilibrium


def _net(
    model: AnchorLineModel, stiffness: float, loaded: Mapping[int, int]
) -> tuple[Net, list[int], list[int]]:
    """Nodes of the line, with a traveller at the middle of one leg of each span in ``loaded``.

    Also the node of each traveller, in the order of the spans, and of each point of the line. Where the
    rope turns over a ridge it is held there and slides through.
    """
    places: list[Floats] = []
    holds: list[float] = []
    travellers: list[int] = []
    grips: list[int] = []
    points: list[int] = []
    legs: list[float] = []  # lengths at rest, of the rope since the last grip
    rested: list[list[float]] = []

    def grip() -> None:
        if grips:
            rested.append(legs.copy())
        grips.append(len(places))
        legs.clear()

    for index, point in enumerate(model.points):
        end = index in (0, model.spans)
        if end or model.grips or model.kinds[index - 1] == "rigid":
            grip()
        points.append(len(places))
        places.append(point)
        holds.append(math.inf if end else model.holds[index - 1])
        if index == model.spans:
            break
        for leg, (near, far) in enumerate(itertools.pairwise(model.path(index))):
            if leg > 0:
                if model.grips:
                    grip()
                places.append(near)
                holds.append(math.inf)
            legs.append(
                float(np.linalg.norm(far - near)) if model.rested is None else float(model.rested[index])
            )
            if loaded.get(index) == leg:
                travellers.append(len(places))
                places.append((near + far) / 2)
                holds.append(0.0)
    weight = model.mass_per_length * STANDARD_GRAVITY
    runs = []
    for (first, last), chords in zip(itertools.pairwise(grips), rested, strict=True):
        length = sum(hanging(chord, model.pretension, weight)[0] for chord in chords)
        free = float(unstretched_length(length, model.pretension, stiffness))
        nodes = tuple(range(first, last + 1))
        runs.append(Run(nodes, free, stiffness, 0.0 if model.slack else model.mass_per_length))
    return Net(np.array(places), np.array(holds), tuple(runs)), travellers, points


def equilibrium(
    model: AnchorLineModel,
    forces: Mapping[int, Floats],
    *,
    stiffness: float,
    legs: Mapping[int, int] | None = None,
) -> tuple[Equilibrium, Net, list[int], list[int]]:
    """Equilibrium with a force (3,) N on one free traveller in each span of ``forces``.

    ``legs``: which straight stretch of a span that turns over ridges the traveller is in; the first
    where nothing is said. Returns it with the net, the nodes of the travellers in the order of the spans,
    and the nodes of the line's points. Raises ``InputError`` where the line cannot hold the load.
    """
    spans = sorted(forces)
    net, travellers, points = _net(model, stiffness, {span: (legs or {}).get(span, 0) for span in spans})
    loads = np.zeros_like(net.places)
    for span, node in zip(spans, travellers, strict=True):
        loads[node] = forces[span]
    return solve(net, loads), net, travellers, points


@dataclass(frozen=True, eq=False)
class LineInSeries:
    """The anchor line as an elastic part of one worker's arrest, ``workers`` falling in one span.

    Travel is downward at mid-span; energy is each worker's share.
    """

    model: AnchorLineModel
    span: int
    stiffness: float
    workers: int = 1

    def _at(self, force: float) -> tuple[float, float]:
        return _series(self, force)

    def travel(self, force: float) -> float:
        """Deflection (m) of the traveller under ``force`` N for each worker."""
        return self._at(force)[0]

    def energy(self, force: float) -> float:
        """Energy (J) that the line has taken from each worker by then."""
        return self._at(force)[1]


def softest_span(model: AnchorLineModel, force: float, *, workers: int = 1) -> LineInSeries:
    """The span that deflects most under ``force`` N, on the softest reading of the rope."""
    model = developed(model) if bool(model.laid.any()) else model
    parts = [LineInSeries(model, span, model.stiffness.least, workers) for span in range(model.spans)]
    return max(parts, key=lambda part: part.travel(force))


@lru_cache(maxsize=4096)
def _series(part: LineInSeries, force: float) -> tuple[float, float]:
    rest, _, (node,), _ = equilibrium(part.model, {part.span: np.zeros(3)}, stiffness=part.stiffness)
    load = DOWN * force * part.workers
    state, *_ = equilibrium(part.model, {part.span: load}, stiffness=part.stiffness)
    travel = float(rest.places[node, 2] - state.places[node, 2])
    return max(travel, 0.0), max(state.energy - rest.energy, 0.0) / part.workers
