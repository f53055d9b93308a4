"""Anchor lines under load: sag, pull in each span, loads on ends and supports, places of the traveller.

Claims about sag and about the places that a traveller can take use the softest reading of the rope
and put all falling workers into one span with no load elsewhere; claims about loads use the stiffest
reading and every way of spreading the workers over the spans. A traveller slides without friction.
A support that lets the rope pass is taken without friction where sag is claimed, and with the greatest
friction where loads are, which keeps rope back in the other spans.
Where the line rests on edges, sag and pull are those of a free span as long as the rope can lie over
them, which no load exceeds there (see ``laid``). Loads on ends and supports point where the rope
leaves them: to the ridge or to the traveller before it; they are raised to that pull, and an end carries
all of it.
"""

from __future__ import annotations

import itertools
import math
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from roof3d.arrest.anchor_line import DOWN, AnchorLineModel, developed, equilibrium
from roof3d.arrest.cable import Equilibrium, Net
from roof3d.arrest.equipment import equipment, friction_range, positive
from roof3d.arrest.loads import Pull
from roof3d.formulas import traveller_deflection
from roof3d.records import Finding, Floats

MOST_CASES = 40
ALIKE = math.cos(math.radians(1.0))  # directions nearer than this are one
FOLDED = math.cos(math.radians(150.0))  # a rope turned by more than this has been run into by a traveller


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
    """Greatest load (N) that the line puts on one of its ends or supports, as a vector (3,).

    ``pulls``: loads of all cases in directions that differ, for what is rated for one direction only.
    """

    point: int
    kind: str  # end, rigid, flexible, pass-through
    at: Floats
    load: Floats
    magnitude_n: float
    case: str
    pulls: tuple[Pull, ...] = ()


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
    free = not model.laid.any()
    layout = model if free else developed(model, over=model.slipped)
    # the less rope lies over the same corners, the harder it is pulled
    tight = model if free else developed(model, rope=model.lengths, over=model.slipped)
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
            stiffness, square = model.stiffness.greatest, {span: way * force * workers}
            state, net, _, _ = equilibrium(tight, square, stiffness=stiffness)
            kept = _kept_back(tight, square, stiffness, state, net)
            pull = max(pull, *(p * k for p, k in zip(state.pulls, kept, strict=True)))
        straight = float(model.lengths[span]) if model.laid[span] else float(np.linalg.norm(chord))
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


def _kept_back(
    model: AnchorLineModel,
    forces: Mapping[int, Floats],
    stiffness: float,
    state: Equilibrium,
    net: Net,
    legs: Mapping[int, int] | None = None,
) -> tuple[float, ...]:
    """Greatest factor, for each run, by which friction at supports and ridges raises its pull.

    Some span of a run holds no more than the pull of a free slide, for the rope is as long as it is;
    from there to the loaded span each support and ridge adds ``exp(friction * angle turned)`` at most. One
    that grips is the limit of it.
    """
    friction = friction_range().greatest
    factors = []
    for run, pull in zip(net.runs, state.pulls, strict=True):
        turned = 0.0
        for before, node, after in zip(run.nodes, run.nodes[1:], run.nodes[2:], strict=False):
            if net.holds[node] == 0:
                continue  # a traveller: it goes where both sides pull alike
            into = state.places[node] - state.places[before]
            out = state.places[after] - state.places[node]
            sizes = float(np.linalg.norm(into) * np.linalg.norm(out))
            across = float(np.linalg.norm(np.cross(into, out)))
            turned += math.pi / 2 if sizes < 1e-9 else math.atan2(across, float(into @ out))
        factor = math.exp(friction * turned)
        if turned > 1e-9 and pull > 0:
            gripped = replace(model, grips=True)
            greatest = max(equilibrium(gripped, forces, stiffness=stiffness, legs=legs)[0].pulls)
            factor = max(1.0, min(factor, greatest / pull))
        factors.append(factor)
    return tuple(factors)


def _run_into(net: Net, state: Equilibrium) -> bool:
    """Whether a traveller was pulled along the rope into a support: the rope is folded back beside it."""
    for run in net.runs:
        for before, node, after in zip(run.nodes, run.nodes[1:], run.nodes[2:], strict=False):
            if net.holds[node] == 0 or 0 not in (net.holds[before], net.holds[after]):
                continue
            into = state.places[node] - state.places[before]
            out = state.places[after] - state.places[node]
            if float(into @ out) < FOLDED * float(np.linalg.norm(into) * np.linalg.norm(out)):
                return True
    return False


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
    worst = [_Worst(0.0, np.zeros(3), "", math.inf) for _ in model.points]
    ways: list[list[Pull]] = [[] for _ in model.points]

    def note(point: int, load: Floats, case: str, pull: float, *others: Floats) -> None:
        size = float(np.linalg.norm(load))
        for other in (load, *others):
            _keep_way(ways[point], Pull(other, case))
        if size > worst[point].size * (1 + 1e-12):
            worst[point] = _Worst(size, load, case, pull)

    for way in directions:
        unit = np.asarray(way, dtype=np.float64) / np.linalg.norm(way)
        for case in _cases(model, count):
            words = ", ".join(f"{n} in span {span + 1}" for span, n in sorted(case.items()))
            forces = {span: unit * force * n for span, n in case.items()}
            for stiffness, legs in _readings(model, forces):
                state, net, _, points = equilibrium(model, forces, stiffness=stiffness, legs=legs)
                kept = _kept_back(model, forces, stiffness, state, net, legs)
                if _run_into(net, state):
                    # stopped by the support, not by friction of a rope folded back over it
                    kept = (1.0,) * len(kept)
                for point, node in enumerate(points):
                    pull = max(
                        p * k
                        for run, p, k in zip(net.runs, state.pulls, kept, strict=True)
                        if node in run.nodes
                    )
                    unlike = _unlike(net, state, kept, node)
                    note(point, _kept_load(net, state, kept, node), words, pull, *unlike)
                for run, pull, factor in zip(net.runs, state.pulls, kept, strict=True):
                    for span in range(model.spans):
                        if run.nodes[0] <= points[span] < run.nodes[-1]:
                            pulls[span] = max(pulls[span], pull * factor)
        # travellers right at a point: the whole load on it, beside what the line itself pulls
        state, _, _, points = equilibrium(model, {}, stiffness=model.stiffness.greatest)
        for point, node in enumerate(points):
            note(point, state.forces[node] + unit * force * count, "all beside it", math.inf)
    _at_least_the_pull(model, pulls, worst, np.asarray(directions[0], dtype=np.float64))
    loads = tuple(
        PointLoad(
            point=index,
            kind="end" if index in (0, model.spans) else model.kinds[index - 1],
            at=model.points[index],
            load=found.load,
            magnitude_n=found.size,
            case=found.case,
            pulls=(*ways[index], *_unknown_way(model, index, found)),
        )
        for index, found in enumerate(worst)
    )
    spans = tuple(replace(place, pull_n=pull) for place, pull in zip(places, pulls, strict=True))
    findings = (*model.findings, *_overstretched(model, spans))
    return LineLoads(model.id, force, count, spans, loads, model.assumptions, findings)


def _kept_load(net: Net, state: Equilibrium, kept: Sequence[float], node: int) -> Floats:
    """Load on a point with friction at supports: all pulls there higher, and unlike on both sides."""
    load: Floats = state.forces[node]
    touching = [k for k, run in enumerate(net.runs) if node in run.nodes]
    factor = max((kept[k] for k in touching), default=1.0)
    size = float(np.linalg.norm(load))
    if factor <= 1.0 or size == 0:
        return load
    inner = any(node in net.runs[k].nodes[1:-1] for k in touching)
    unlike = (factor - 1) * max(state.pulls[k] for k in touching) if inner else 0.0
    return load * (factor + unlike / size)


def _unlike(net: Net, state: Equilibrium, kept: Sequence[float], node: int) -> Iterator[Floats]:
    """Loads on a point that the rope passes with friction, which holds more back on one side or the other."""
    for run, pull, factor in zip(net.runs, state.pulls, kept, strict=True):
        if factor <= 1.0 or node not in run.nodes[1:-1]:
            continue
        k = run.nodes.index(node)
        steps = state.places[[run.nodes[k - 1], run.nodes[k + 1]]] - state.places[node]
        before, after = steps / np.maximum(np.linalg.norm(steps, axis=1), 1e-12)[:, None] * pull
        yield factor * before + after
        yield before + factor * after


def _keep_way(ways: list[Pull], pull: Pull) -> None:
    """Adds a pull in a direction that no other has yet."""
    size = float(np.linalg.norm(pull.load))
    if size > 1e-6 and all(
        float(pull.load @ other.load) < ALIKE * size * float(np.linalg.norm(other.load)) for other in ways
    ):
        ways.append(pull)


def _unknown_way(model: AnchorLineModel, point: int, found: _Worst) -> tuple[Pull, ...]:
    """A pull without a known direction, where the rope leaves a point over something not known."""
    beside = [span for span in (point - 1, point) if 0 <= span < model.spans]
    if model.bends or not model.laid[beside].any():
        return ()
    return (Pull(found.load, found.case, known=False),)


@dataclass(frozen=True, eq=False)
class _Worst:
    """Greatest load (3,) N found on a point, its size, the case, and the greatest pull there in that case."""

    size: float
    load: Floats
    case: str
    pull: float


def _readings(model: AnchorLineModel, forces: Mapping[int, Floats]) -> Iterator[tuple[float, dict[int, int]]]:
    """Stiffnesses of the rope, and the legs of spans over ridges that the travellers can be in."""
    spans = sorted(forces)
    choices = list(itertools.product(*(range(model.legs(span)) for span in spans)))
    if len(choices) > MOST_CASES:  # all in first legs, all in second ones, ...
        deepest = max(model.legs(span) for span in spans)
        choices = [tuple(min(leg, model.legs(s) - 1) for s in spans) for leg in range(deepest)]
    for stiffness in sorted({model.stiffness.least, model.stiffness.greatest}):
        for chosen in choices:
            yield stiffness, dict(zip(spans, chosen, strict=True))


def _at_least_the_pull(
    model: AnchorLineModel, pulls: Sequence[float], worst: list[_Worst], toward: Floats
) -> None:
    """Raise loads on points to what the greatest pull beside them asks.

    An end carries the greatest pull of its span. The load on a support beside a span that rests on
    something grows with that pull; where it is not known at which places the rope turns, such a support may
    carry the pulls of both its spans, for the rope may leave it in any direction.
    """
    straight = np.linalg.norm(np.diff(model.points, axis=0), axis=1)
    laid = model.lengths > straight * (1 + 1e-6) + 1e-3
    for point, found in enumerate(list(worst)):
        beside = [span for span in (point - 1, point) if 0 <= span < model.spans]
        least, words = 0.0, "pulled square to the span"
        if len(beside) == 1:
            least = pulls[beside[0]]
        elif laid[beside].any() and model.bends and found.pull > 0:
            raised = found.size * max(1.0, max(pulls[span] for span in beside) / found.pull)
            least = min(raised, sum(pulls[span] for span in beside))
        elif laid[beside].any():
            least, words = sum(pulls[span] for span in beside), "both spans, one of them laid over something"
        if found.size < least * (1 - 1e-9):
            way = found.load / found.size if found.size > 0 else toward / np.linalg.norm(toward)
            case = words if not found.case or "both" in words else f"{found.case}, {words}"
            worst[point] = _Worst(least, way * least, case, found.pull)


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
