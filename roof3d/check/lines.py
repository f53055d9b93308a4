"""Anchor lines as they lie on the roof of a check: over which edges, and which corners they can get over."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise

import numpy as np

from roof3d import arrest, taut
from roof3d.formulas import show_value
from roof3d.records import AnchorLine, Floats, Roof
from roof3d.rules import RuleSet

CLEAR_M = 0.002  # a span laid over something is longer than straight by more than this
MOST_SLIPS = 12  # rounds of getting over further corners
FURTHER = 1.3  # times a span at rest: corners are looked for up to a rope of this length


def laid_model(
    roof: Roof, preparation: taut.Preparation, source: AnchorLine, points: Floats, rules: RuleSet
) -> tuple[arrest.AnchorLineModel, dict[int, arrest.Lay | None]]:
    """The model of an anchor line as it lies on the roof, its places (n, 3) in the local frame; and how it
    lies, by the number of each span that rests on something."""
    straight = np.linalg.norm(np.diff(points, axis=0), axis=1)
    over = [float(taut.measure(preparation, p, q[None]).hi[0]) for p, q in pairwise(points)]
    over = [max(a, float(b)) if math.isfinite(a) else float(b) for a, b in zip(over, straight, strict=True)]
    lays = rope_lays(preparation, points, over)
    known = all(lies is not None for lies in lays.values())
    model = arrest.build(
        source,
        to_local=roof.to_local,
        lengths=over,
        lays=[lays.get(span) for span in range(len(over))] if known else None,
        rules=rules,
    )
    return model, lays


def rope_lays(
    preparation: taut.Preparation, points: Floats, laid: list[float]
) -> dict[int, arrest.Lay | None]:
    """How the rope lies over edges, by the number of each span that rests on something; None: not found."""
    contacts, friction = preparation.contacts, arrest.friction_range().greatest
    found: dict[int, arrest.Lay | None] = {}
    for number, (p, q, length) in enumerate(zip(points, points[1:], laid, strict=False)):
        if length <= float(np.linalg.norm(q - p)) + CLEAR_M:
            continue
        (path,) = taut.trace(preparation, p, q[None])
        found[number] = None
        if path is not None:
            edges = [
                arrest.Rest(contacts.start[e], contacts.way[e], float(contacts.length[e])) for e in path.edges
            ]
            found[number] = arrest.lay(p, q, path.points[1:-1], edges, friction)
    return found


def over_corners(
    preparation: taut.Preparation,
    model: arrest.AnchorLineModel,
    spans: tuple[arrest.SpanPlaces, ...],
    lays: dict[int, arrest.Lay | None],
    force: float,
    workers: int,
) -> tuple[arrest.AnchorLineModel, tuple[arrest.SpanPlaces, ...], bool]:
    """The model and the places of its traveller with spans that can slip over corners of the roof, and
    whether that came to an end: a longer rope gets over further corners."""
    corners = {number: ways_over_corners(preparation, spans[number]) for number in lays}
    for _ in range(MOST_SLIPS):
        longer = model.slipped.copy()
        for number, ways in corners.items():
            longer[number] = arrest.slipped(ways, spans[number].length, float(longer[number]))
        if np.array_equal(longer, model.slipped):
            told = [
                f"anchor line {model.id}, span {number + 1} can get over corners of the roof under load: "
                f"reckoned as {show_value(float(longer[number]), 'm')} long"
                for number in lays
                if longer[number] > model.longest[number]
            ]
            model = replace(model, assumptions=(*model.assumptions, *told))
            return model, spans, all(spans[n].length <= FURTHER * float(model.lengths[n]) for n in lays)
        model = replace(model, slipped=longer)
        spans = arrest.span_places(model, force, workers=workers)
    return model, spans, False


def ways_over_corners(preparation: taut.Preparation, span: arrest.SpanPlaces) -> Floats:
    """Least and greatest lengths (k, 2) m of ropes from support to support through each corner of the roof
    that a loaded rope might get over."""
    limit = FURTHER * max(span.unloaded, span.length)
    tips = preparation.tips
    straight = np.linalg.norm(tips - span.p1, axis=1) + np.linalg.norm(tips - span.p2, axis=1)
    tips = tips[straight <= limit]
    one, other = (taut.measure(preparation, place, tips, limit) for place in (span.p1, span.p2))
    through = np.column_stack((one.lo + other.lo, one.hi + other.hi))
    return through[np.isfinite(through).all(axis=1)]
