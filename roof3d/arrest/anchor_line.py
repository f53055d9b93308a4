"""Anchor lines under load: sag, pull in each span, loads on ends and supports, places of the traveller.

Claims about sag and about the places that a traveller can take use the softest reading of the rope
and put all falling workers into one span with no load elsewhere; claims about loads use the stiffest
reading and every way of spreading the workers over the spans. A traveller slides without friction.
Where the line rests on a ridge, the roof could only hold it back: its length over the ridge is
taken, its support is not.
"""

from __future__ import annotations

import itertools
import math
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from roof3d.arrest.cable import FLAT, Equilibrium, Net, Run, hanging, solve
from roof3d.arrest.equipment import Range, Values, equipment, positive, rope_stiffness, rope_weight
from roof3d.errors import InputError
from roof3d.formulas import STANDARD_GRAVITY, show_value, traveller_deflection, unstretched_length
from roof3d.records import AnchorLine, Finding, Floats

SUPPORT_KINDS = ("rigid", "flexible", "pass-through")
MOST_WORKERS = 4
SHORTEST_SPAN = 1e-3  # m
DEEP = 0.5  # sag over span beyond which a line is not held up at all
MOST_CASES = 40
DOWN = np.array([0.0, 0.0, -1.0])


@dataclass(frozen=True, eq=False)
class AnchorLineModel:
    """An anchor line ready for its solver. ``points`` (n, 3) m, ends and supports; ``kinds`` and
    ``holds`` (N/m, inf for fixed) of the n - 2 supports; ``lengths`` (n - 1,) m of rope in each span
    when straight or laid over ridges; ``stiffness`` N per unit strain; ``mass_per_length`` kg/m."""

    id: str
    points: Floats
    kinds: tuple[str, ...]
    holds: tuple[float, ...]
    lengths: Floats
    stiffness: Range
    mass_per_length: float
    pretension: float
    workers: int
    ratings: tuple[float | None, ...] = ()  # N, of all points
    slack: bool = False  # hangs too deep for a parabola: all sag is pulled out before the load counts
    assumptions: tuple[str, ...] = ()
    findings: tuple[Finding, ...] = ()

    @property
    def spans(self) -> int:
        """Number of spans."""
        return len(self.points) - 1


@dataclass(frozen=True, eq=False)
class SpanPlaces:
    """Places that the traveller can take in one span: ``|q - p1| + |q - p2| <= length`` under load.

    ``unloaded`` is the length of rope in the span before the fall: what may be counted on for reach.
    ``deflection_m`` is that of the load at mid-span; ``pull_n`` the greatest pull in the span.
    """

    span: int
    p1: Floats
    p2: Floats
    unloaded: float
    length: float
    deflection_m: float
    pull_n: float


@dataclass(frozen=True, eq=False)
class PointLoad:
    """Greatest load (N) that the line puts on one of its ends or supports, as a vector (3,)."""

    point: int
    kind: str  # end, rigid, flexible, pass-through
    at: Floats
    load: Floats
    magnitude_n: float
    case: str


@dataclass(frozen=True, eq=False)
class LineLoads:
    """Everything asked of an anchor line under the arrest force of its workers."""

    id: str
    force_n: float
    workers: int
    spans: tuple[SpanPlaces, ...]
    points: tuple[PointLoad, ...]
    assumptions: tuple[str, ...]
    findings: tuple[Finding, ...]

    @property
    def greatest_pull_n(self) -> float:
        """The greatest pull in any span."""
        return max(span.pull_n for span in self.spans)


def build(
    line: AnchorLine,
    *,
    to_local: Callable[[Floats], Floats] | None = None,
    lengths: Sequence[float] | None = None,
    rules: Values | None = None,
) -> AnchorLineModel:
    """Model of a plan's anchor line; ``to_local`` turns its coordinates into those of the roof.

    ``lengths`` (n - 1): taut length of each span over the roof where it rests on ridges. Raises
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
    return AnchorLineModel(
        id=line.id,
        points=points,
        kinds=kinds,
        holds=holds,
        ratings=ratings,
        lengths=over,
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


def _supports(
    line: AnchorLine, place: str
) -> tuple[tuple[str, ...], tuple[float, ...], tuple[float | None, ...]]:
    """Kinds and holds (N/m) of the supports, and ratings (N) of all points; single supports may differ."""
    inner = [np.asarray(point, dtype=np.float64) for point in line.points[1:-1]]
    settings = [(line.support_kind, line.support_stiffness, line.support_rating)] * len(inner)
    for number, support in enumerate(line.supports):
        away = [float(np.linalg.norm(np.asarray(support.at) - point)) for point in inner]
        if not away or min(away) > SHORTEST_SPAN:
            found = f"a support {min(away):.3g} m off" if away else "a support on a line that has none"
            accepted = "a support at one of the inner points of the line"
            raise InputError("", f"{place}: supports[{number}].at", found, accepted)
        settings[int(np.argmin(away))] = (support.kind, support.stiffness, support.rating)
    holds = []
    for kind, stiffness, _ in settings or [(line.support_kind, 1.0, None)]:
        if kind not in SUPPORT_KINDS:
            raise InputError("", f"{place}: support_kind", repr(kind), ", ".join(SUPPORT_KINDS))
        hold = math.inf
        if kind == "flexible":
            hold = positive(f"{place}: support_stiffness", stiffness, "a force per metre above zero")
        holds.append(hold)
    ratings = (line.end_rating, *(rating for *_, rating in settings), line.end_rating)
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


def _net(model: AnchorLineModel, stiffness: float, loaded: Sequence[int]) -> tuple[Net, list[int], list[int]]:
    """Nodes of the line, with a traveller at the middle of each span in ``loaded`` (sorted, unique).

    Also the node of each traveller and of each point of the line.
    """
    places: list[Floats] = []
    holds: list[float] = []
    travellers: list[int] = []
    grips: list[int] = []
    points: list[int] = []
    for index, point in enumerate(model.points):
        end = index in (0, model.spans)
        if end or model.kinds[index - 1] == "rigid":
            grips.append(index)
        points.append(len(places))
        places.append(point)
        holds.append(math.inf if end else model.holds[index - 1])
        if index in loaded:
            travellers.append(len(places))
            places.append((point + model.points[index + 1]) / 2)
            holds.append(0.0)
    weight = model.mass_per_length * STANDARD_GRAVITY
    runs = []
    for first, last in itertools.pairwise(grips):
        chords = np.linalg.norm(np.diff(model.points[first : last + 1], axis=0), axis=1)
        length = sum(hanging(float(chord), model.pretension, weight)[0] for chord in chords)
        free = float(unstretched_length(length, model.pretension, stiffness))
        nodes = tuple(range(points[first], points[last] + 1))
        runs.append(Run(nodes, free, stiffness, 0.0 if model.slack else model.mass_per_length))
    return Net(np.array(places), np.array(holds), tuple(runs)), travellers, points


def equilibrium(
    model: AnchorLineModel, forces: Mapping[int, Floats], *, stiffness: float
) -> tuple[Equilibrium, Net, list[int], list[int]]:
    """Equilibrium with a force (3,) N on one free traveller in each span of ``forces``.

    Returns it with the net, the nodes of the travellers in the order of the spans, and the nodes of
    the line's points. Raises ``InputError`` where the line cannot hold the load.
    """
    spans = sorted(forces)
    net, travellers, points = _net(model, stiffness, spans)
    loads = np.zeros_like(net.places)
    for span, node in zip(spans, travellers, strict=True):
        loads[node] = forces[span]
    return solve(net, loads), net, travellers, points


def developed(model: AnchorLineModel) -> AnchorLineModel:
    """The line laid out straight and level, each span as long as it is over the roof.

    The length of rope in a span under a load square to it depends on lengths alone, so this serves
    where a span rests on a ridge; supports keep their kind.
    """
    along = np.concatenate([[0.0], np.cumsum(model.lengths)])
    return replace(model, points=np.column_stack([along, np.zeros_like(along), np.zeros_like(along)]))


def _square(model: AnchorLineModel, span: int, toward: Floats) -> Floats:
    """Unit direction square to a span, as near to ``toward`` as can be."""
    chord = model.points[span + 1] - model.points[span]
    chord = chord / np.linalg.norm(chord)
    across = toward - chord * float(toward @ chord)
    size = float(np.linalg.norm(across))
    if size < 1e-9:
        return _square(model, span, np.array([1.0, 0.0, 0.0]))
    unit: Floats = across / size
    return unit


def span_places(model: AnchorLineModel, force: float, *, workers: int = 1) -> tuple[SpanPlaces, ...]:
    """Places of the traveller in each span when ``workers`` fall there together, each with ``force`` N.

    On the softest reading of the rope, nothing else pulling on the line: the longest loaded length.
    Directions down and to both sides are tried, for supports that give way.
    """
    positive("arrest force", force, "zero or more", zero=True)
    over = np.linalg.norm(np.diff(model.points, axis=0), axis=1)
    layout = developed(model) if bool(np.any(model.lengths > over * (1 + 1e-9))) else model
    found = []
    for span in range(model.spans):
        chord = layout.points[span + 1] - layout.points[span]
        down = _square(layout, span, DOWN)
        side = np.cross(chord / np.linalg.norm(chord), down)
        ways = (down, side, -side, -down) if "flexible" in model.kinds else (down,)
        longest = pull = 0.0
        for way in ways:
            for stiffness in (model.stiffness.least, model.stiffness.greatest):
                state, net, (node,), points = equilibrium(
                    layout, {span: way * force * workers}, stiffness=stiffness
                )
                p1, p2 = state.places[points[span]], state.places[points[span + 1]]
                q = state.places[node]
                shift = state.places - net.places
                moved = float(np.linalg.norm(shift[points[span]]) + np.linalg.norm(shift[points[span + 1]]))
                longest = max(longest, float(np.linalg.norm(q - p1) + np.linalg.norm(q - p2)) + moved)
                pull = max(pull, *state.pulls)
        straight = float(np.linalg.norm(chord))
        found.append(
            SpanPlaces(
                span=span,
                p1=model.points[span],
                p2=model.points[span + 1],
                unloaded=straight,
                length=max(longest, straight),
                deflection_m=float(traveller_deflection(max(longest, straight), straight)),
                pull_n=pull,
            )
        )
    return tuple(found)


def _cases(model: AnchorLineModel, workers: int) -> Iterator[dict[int, int]]:
    """Ways of spreading up to ``workers`` falls over the spans: number of falls by span."""
    spans = range(model.spans)
    if math.comb(model.spans + workers - 1, workers) <= MOST_CASES:
        for chosen in itertools.combinations_with_replacement(spans, workers):
            yield dict(Counter(chosen))
        return
    # many: all in one span pulls hardest, shared between two neighbours loads a support most
    for span in spans:
        yield {span: workers}
        if span + 1 < model.spans:
            for here in range(1, workers):
                yield {span: here, span + 1: workers - here}


def line_loads(
    model: AnchorLineModel,
    force: float,
    *,
    workers: int | None = None,
    directions: Sequence[Floats] = (DOWN,),
) -> LineLoads:
    """Loads of the line on its ends and supports, and places of its traveller, in the worst cases.

    ``force`` N is the arrest force of one worker; ``workers`` fall together (the model's own number by
    default); ``directions`` are those in which a worker may pull on the traveller.
    """
    positive("arrest force", force, "zero or more", zero=True)
    count = model.workers if workers is None else workers
    places = span_places(model, force, workers=count)
    pulls = [place.pull_n for place in places]
    worst = [(0.0, np.zeros(3), "") for _ in model.points]

    def note(point: int, load: Floats, case: str) -> None:
        size = float(np.linalg.norm(load))
        if size > worst[point][0] * (1 + 1e-12):
            worst[point] = (size, load, case)

    for way in directions:
        unit = np.asarray(way, dtype=np.float64) / np.linalg.norm(way)
        for case in _cases(model, count):
            words = ", ".join(f"{n} in span {span + 1}" for span, n in sorted(case.items()))
            for stiffness in {model.stiffness.least, model.stiffness.greatest}:
                forces = {span: unit * force * n for span, n in case.items()}
                state, net, _, points = equilibrium(model, forces, stiffness=stiffness)
                for point, node in enumerate(points):
                    note(point, state.forces[node], words)
                for run, pull in zip(net.runs, state.pulls, strict=True):
                    for span in range(model.spans):
                        if run.nodes[0] <= points[span] < run.nodes[-1]:
                            pulls[span] = max(pulls[span], pull)
        # travellers right at a point: the whole load on it, beside what the line itself pulls
        state, _, _, points = equilibrium(model, {}, stiffness=model.stiffness.greatest)
        for point, node in enumerate(points):
            note(point, state.forces[node] + unit * force * count, "all beside it")
    loads = tuple(
        PointLoad(
            point=index,
            kind="end" if index in (0, model.spans) else model.kinds[index - 1],
            at=model.points[index],
            load=load,
            magnitude_n=size,
            case=case,
        )
        for index, (size, load, case) in enumerate(worst)
    )
    spans = tuple(replace(place, pull_n=pull) for place, pull in zip(places, pulls, strict=True))
    findings = (*model.findings, *_overstretched(model, spans))
    return LineLoads(model.id, force, count, spans, loads, model.assumptions, findings)


def _overstretched(model: AnchorLineModel, spans: Sequence[SpanPlaces]) -> list[Finding]:
    """Spans in which the rope would be stretched beyond anything that a rope does elastically."""
    limit = float(equipment()["strain"]["greatest"]["value"])
    found = []
    for span in spans:
        strain = span.length / span.unloaded - 1
        if strain > limit:
            text = (
                f"anchor line {model.id}, span {span.span + 1}: {strain:.0%} longer under load, more than a "
                f"rope can give; its figures only say that it is too soft for the load"
            )
            found.append(
                Finding("anchor-line-overstretched", "danger", text, model.id, (span.p1 + span.p2) / 2)
            )
    return found


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
    parts = [LineInSeries(model, span, model.stiffness.least, workers) for span in range(model.spans)]
    return max(parts, key=lambda part: part.travel(force))


@lru_cache(maxsize=4096)
def _series(part: LineInSeries, force: float) -> tuple[float, float]:
    rest, _, (node,), _ = equilibrium(part.model, {part.span: np.zeros(3)}, stiffness=part.stiffness)
    load = DOWN * force * part.workers
    state, *_ = equilibrium(part.model, {part.span: load}, stiffness=part.stiffness)
    travel = float(rest.places[node, 2] - state.places[node, 2])
    return max(travel, 0.0), max(state.energy - rest.energy, 0.0) / part.workers
